"""Handles, snaps and the shelf with a mouse, on a lid of curved, closed and straight beads that `--from` opens."""

import math

import pytest
from support.browser import BROWSER, LID, eventually, opened, served

from stiffen.io.panel_file import layout_document, read_panel, write_json
from stiffen.model.layout import Bead, Layout

pytestmark = [pytest.mark.slow, pytest.mark.skipif(BROWSER is None, reason="no chromium here")]
FRAME = ((60.0, 110.0), (140.0, 110.0), (140.0, 170.0), (60.0, 170.0), (60.0, 110.0))
BENT = ((170.0, 130.0), (210.0, 170.0), (250.0, 130.0))


@pytest.fixture
def lid(tmp_path):
    file = tmp_path / "lid.toml"
    file.write_text(LID.replace('tools = "starter"', 'bead_side = "either"\ntools = "starter"'), encoding="utf-8")
    return file


@pytest.fixture
def layout_file(lid, tmp_path):
    panel = read_panel(lid)
    die = panel.tools.bead_die("B12")
    beads = (Bead(die, FRAME), Bead(die, BENT), Bead(die, ((60.0, 50.0), (160.0, 50.0))))
    write_json(tmp_path / "start.json", layout_document(panel, Layout(1.0, beads), None))
    return tmp_path / "start.json"


def path(hand, index):
    return hand.app("layout.beads")[index]["path"]


def choose(hand, index, point):
    hand.press(point)
    hand.page.mouse.up()
    hand.until(f"app.chosen.length === 1 && app.chosen[0].part === 'beads' && app.chosen[0].index === {index}")


def handle(hand, what, point=None):
    """Plan place of a handle of the chosen bead."""
    hand.until(f"document.querySelector('[data-handle={what}]') !== null")
    number = "" if point is None else f'[data-point="{point}"]'
    x, y = hand.page.locator(f"[data-handle={what}]{number}").evaluate(
        "(circle) => [Number(circle.getAttribute('cx')), -Number(circle.getAttribute('cy'))]"
    )
    return x, y


def test_handles_faces_and_snaps(lid, layout_file):
    with served(lid, "--from", str(layout_file)) as (_, address), opened(address) as hand:
        page = hand.page
        hand.settled()
        assert hand.app("layout.gauge") == 1.0
        assert [path(hand, k) for k in range(3)] == [
            [list(p) for p in FRAME],
            [list(p) for p in BENT],
            [[60, 50], [160, 50]],
        ]

        # a closed frame is a ring, on the sheet and in the small picture on the shelf
        page.click("#shelf-part summary")
        page.click("#keep")
        page.wait_for_selector(".card svg .band")
        fills = "[...document.querySelectorAll('.band, .mid')].map((one) => getComputedStyle(one).fill)"
        assert set(page.evaluate(fills)) == {"none"} and len(page.evaluate(fills)) == 12
        page.click("#shelf-part summary")

        # a closed frame moves as a whole and stays closed
        page.keyboard.down("Alt")
        hand.drag((100, 110), (103, 105))
        page.keyboard.up("Alt")
        hand.settled()
        assert path(hand, 0) == [[x + 3, y - 5] for x, y in FRAME]

        # a bent bead: its corner alone, then the whole of it
        choose(hand, 1, (190, 150))
        hand.drag(handle(hand, "point", 1), (212, 163))
        hand.settled()
        assert path(hand, 1) == [[170, 130], [212, 163], [250, 130]]
        page.keyboard.down("Alt")
        hand.drag((191, 146.5), (186, 140.5))
        page.keyboard.up("Alt")
        hand.settled()
        assert path(hand, 1) == [[165, 124], [207, 157], [245, 124]]

        # the round handle turns a bead about its middle, to whole degrees, near 15 degrees to 15
        choose(hand, 2, (110, 50))
        x, y = handle(hand, "turn")
        assert (x, y > 50) == (pytest.approx(110, abs=0.5), True)
        reach, turn = y - 50, math.radians(31.6)
        hand.drag((x, y), (110 - reach * math.sin(turn), 50 + reach * math.cos(turn)), 8)
        hand.settled()
        (x0, y0), (x1, y1) = path(hand, 2)
        assert math.degrees(math.atan2(y1 - y0, x1 - x0)) == pytest.approx(30, abs=0.02)
        assert ((x0 + x1) / 2, (y0 + y1) / 2, math.dist((x0, y0), (x1, y1))) == pytest.approx((110, 50, 100), abs=0.02)
        page.keyboard.press("Control+z")
        hand.until("app.layout.beads[2].path[1][1] === 50")

        # the other face
        choose(hand, 2, (110, 50))
        page.click("#rack >> text=face: up")
        hand.until("app.layout.beads[2].side === 'down' && app.waiting === 0")
        assert page.locator(".part.down").count() == 1
        page.click("#rack >> text=face: down")
        hand.until("app.layout.beads[2].side === 'up' && app.waiting === 0")

        # snaps: whole millimetres of a hole, its mirror image, equal pitch, each told in words
        for point in ((40.4, 25.4), (90.2, 24.3)):
            hand.take("L32")
            hand.press(point)
            page.mouse.up()
            hand.settled()
        first, second = (hole["at"] for hole in hand.app("layout.holes"))
        assert first == [40, 25] and second == [90, 25]  # the second in line with the first
        hand.press((90, 25))
        hand.move((259.0, 26), 8)  # 300 - 40 is 260
        eventually(lambda: "mirror image" in page.locator(".guide-text").all_text_contents(), 5)
        page.mouse.up()
        hand.settled()
        assert hand.app("layout.holes")[1]["at"] == [260, 25]
        hand.take("L32")
        hand.press((90, 24))
        page.mouse.up()
        hand.settled()
        hand.press((90, 25))
        hand.move((151, 31), 6)
        hand.move((149, 26), 6)  # half-way between 40 and 260 is the middle of the sheet too
        page.mouse.up()
        hand.settled()
        assert hand.app("layout.holes")[2]["at"] == [150, 25]
        hand.take("L32")
        hand.press((203, 26))
        page.mouse.up()
        hand.settled()
        hand.press((203, 25))
        hand.move((204, 76), 6)  # rows at y = 25 and 50, so the next is at 75; in line with the bent bead at x = 205
        eventually(lambda: "equal pitch" in page.locator(".guide-text").all_text_contents(), 5)
        page.mouse.up()
        hand.settled()
        assert hand.app("layout.holes")[3]["at"] == [205, 75]

        # a press with Shift lets go of the bead under it, and a drag from there moves nothing
        choose(hand, 2, (110, 50))
        page.keyboard.down("Shift")
        hand.press((110, 50))
        hand.move((120, 60))
        page.mouse.up()
        page.keyboard.up("Shift")
        assert path(hand, 2) == [[60, 50], [160, 50]]

        hand.open(address)  # a page opened again is answered like the first
        hand.settled()
        assert path(hand, 2) == [[60, 50], [160, 50]]

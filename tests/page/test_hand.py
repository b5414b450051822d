"""Tuning by hand in a real browser: draw, drag, read the margins and the broken rule, step back."""

import pytest
from support.browser import BROWSER, LID, opened, served

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium here")


@pytest.fixture
def lid(tmp_path):
    file = tmp_path / "lid.toml"
    file.write_text(LID, encoding="utf-8")
    return file


def test_draw_drag_break_a_rule_and_step_back(lid):
    with served(lid) as (_, address), opened(address) as hand:
        hand.settled()
        flat = hand.margins()
        hand.take("B16")
        hand.drag((60, 100), (240, 101))
        hand.settled()
        (bead,) = hand.app("layout.beads")
        assert (bead["die"], bead["path"]) == ("B16", [[60, 100], [240, 100]])  # snapped level and to both sides
        beaded = hand.margins()
        assert all(b > a for a, b in zip(flat, beaded, strict=True))  # a bead along the middle stiffens the lid
        assert hand.page.inner_text(".demand .source >> nth=0") in ("quick", "pending", "shell")

        hand.press((100, 100))  # the bead by its middle, to the edge of the sheet
        hand.move((100, 190), 8)
        hand.until("app.dragging && app.bench.n === app.n && app.bench.rules.length > 0")
        assert "edge of the sheet, at least" in hand.page.text_content("#sheet .says")
        hand.page.mouse.up()
        hand.settled()
        assert hand.app("layout.beads")[0]["path"][0][1] > 180
        assert "rule" in hand.page.inner_text("#state")

        hand.page.keyboard.press("Control+z")
        hand.until("app.layout.beads[0].path[0][1] === 100")
        hand.settled()
        assert hand.app("bench.rules") == []
        assert hand.margins() == pytest.approx(beaded, abs=0.02)
        hand.page.keyboard.press("Control+z")
        hand.until("app.layout.beads.length === 0")
        hand.page.click("#redo")
        hand.until("app.layout.beads.length === 1")

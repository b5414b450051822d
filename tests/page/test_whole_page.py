"""The page from the first bead to the bench folder, in a real browser; what happens when something dies."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from support.browser import BROWSER, LID, eventually, opened, served

from stiffen.io.panel_file import read_layout, read_panel
from stiffen.page.draft import read_draft

pytestmark = [pytest.mark.slow, pytest.mark.skipif(BROWSER is None, reason="no chromium here")]
EXAMPLES = Path(__file__).parents[2] / "examples"


DRAGS = """async (count) => {  // drags of 0.1 s each, of the first bead by its middle to another height
  const svg = document.getElementById("sheet"), app = stiffenPage.app;
  const place = ([x, y]) => {
    const m = svg.getScreenCTM();
    return {clientX: m.a * x + m.e, clientY: -m.d * y + m.f};
  };
  const send = (kind, point) => {
    const more = {bubbles: true, cancelable: true, pointerId: 7, altKey: true, ...place(point)};
    const target = kind === "pointerdown" ? svg.querySelector("[data-part=beads-0] .hit") : svg;
    target.dispatchEvent(new PointerEvent(kind, more));
  };
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  let done = 0;
  for (; done < count; done++) {
    const [[x, y], [end]] = app.layout.beads[0].path, to = 60 + 11 * (done % 8);
    send("pointerdown", [(x + end) / 2, y]);
    for (const share of [0.3, 0.7, 1]) { send("pointermove", [(x + end) / 2, y + share * (to - y)]); await pause(33); }
    send("pointerup", [(x + end) / 2, to]);
    if (Math.abs(app.layout.beads[0].path[0][1] - to) > 1.5) throw new Error(`drag ${done} did not arrive`);
  }
  return done;
}"""


@pytest.fixture
def lid(tmp_path):
    file = tmp_path / "lid.toml"
    file.write_text(LID, encoding="utf-8")
    return file


def children(pid):
    """Processes that a process has started and that live, by /proc."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[1]) == pid and fields[0] != "Z":
                found.append(int(entry.name))
    return found


def test_freeze_search_write_and_reopen(lid):
    with served(lid) as (_, address), opened(address) as hand:
        hand.take("B16")
        hand.drag((60, 50), (240, 50))
        hand.settled()
        hand.page.keyboard.press("f")
        hand.until("app.layout.beads[0].fixed && app.waiting === 0")
        hand.judged()
        shell = hand.app("judged.values")
        assert hand.page.inner_text(".demand .source >> nth=0") == "shell"
        hand.page.click("#search-part summary")
        hand.page.click("#start")
        hand.until("app.search.on")
        hand.until("app.search.found?.layout.beads.length > 0", 200)
        hand.page.click("#stop")
        hand.until("!app.search.on", 5)
        assert "stopped; this was the best so far" in hand.page.inner_text("#search")
        eventually(lambda: hand.page.locator(".ghost .band").count() == len(hand.app("search.found.layout.beads")))
        hand.page.click("#discard")
        eventually(lambda: hand.page.locator(".ghost").count() == 0)
        assert hand.app("layout.beads.length") == 1
        hand.page.click("#start")
        hand.until("app.search.on")
        hand.until("!app.search.on", 300)
        found = hand.app("search.found")
        assert [60, 50] in found["layout"]["beads"][0]["path"] or any(
            bead["fixed"] for bead in found["layout"]["beads"]
        )
        hand.page.click("#take")
        hand.until("app.layout.beads.length > 1 && app.waiting === 0")
        hand.judged()
        better = hand.app("judged.values")
        assert max(one["margin"] for one in shell) < max(one["margin"] for one in better)
        hand.page.click("#write-part summary")
        hand.page.click("#write-go")
        hand.until("app.written && !app.written.under", 200)
        assert {"card.pdf", "template.pdf", "marking.dxf", "layout.json"} <= set(hand.app("written.files"))
        card = hand.page.request.get(f"{address}written/card.pdf")
        assert card.status == 200 and card.body().startswith(b"%PDF")
        for name in ("..%2Flid.toml", "nothing.pdf", ".stiffen.lock"):
            assert hand.page.request.get(f"{address}written/{name}").status == 404
        hand.page.locator("#write a").nth(0).wait_for()
        layout = hand.app("layout")
        hand.page.goto(f"{address}written/report.html")  # errors on the console fail the test
        sizes = hand.page.evaluate("[...document.images].map((one) => one.naturalWidth)")
        assert len(sizes) > 2 and min(sizes) > 100
    _, written = read_layout(lid.parent / "lid_bench" / "layout.json")
    assert sorted(bead.to_dict()["path"] for bead in written.beads) == sorted(bead["path"] for bead in layout["beads"])
    with served(lid) as (_, address), opened(address) as hand:
        hand.until("app.layout !== null")
        assert hand.app("layout") == layout
        hand.page.click("#undo")
        hand.until("app.layout.beads.length === 1")


def test_200_drags_in_20_seconds_lose_nothing(lid):
    with served(lid) as (_, address), opened(address) as hand:
        hand.take("B16")
        hand.drag((60, 100), (240, 100))
        hand.settled()
        begun = hand.app("n")
        assert hand.page.evaluate(DRAGS, 200) == 200
        hand.settled()
        assert hand.app("n") >= begun + 200
        last = hand.app("layout")
        quick = hand.app("quick")
        hand.judged()
        # the same layout, asked for once more after the rush
        hand.page.keyboard.press("Control+z")
        hand.until("app.redo === 1 && app.waiting === 0")
        hand.page.keyboard.press("Control+y")
        hand.until("app.redo === 0")
        hand.settled()
        assert hand.app("layout") == last
        again = [one["value"] for one in hand.app("quick.values")]
        assert [one["value"] for one in quick["values"]] == pytest.approx(again, rel=2e-3)
    draft = read_draft(lid.with_name("lid.page"))
    assert draft.current["beads"] == last["beads"]
    assert len(draft.states) >= 200


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for child processes in /proc")
def test_nothing_is_lost_when_something_is_killed(lid):
    with served(lid) as (process, address), opened(address) as hand:
        hand.take("B16")
        hand.drag((60, 100), (240, 100))
        hand.settled()
        workers = children(process.pid)
        for worker in workers:
            os.kill(worker, signal.SIGKILL)
        hand.drag((60, 60), (240, 60))
        hand.settled()  # a new worker answers
        layout = hand.app("layout")
        assert len(layout["beads"]) == 2
        hand.press((100, 100))
        hand.move((100, 140), 3)
        workers = children(process.pid)
        assert workers
        os.kill(process.pid, signal.SIGKILL)  # in the middle of a drag
        process.wait(20)
        eventually(lambda: not any(Path(f"/proc/{worker}").exists() for worker in workers))
        hand.page.wait_for_selector("#banner:not([hidden])")
        assert "does not answer" in hand.page.inner_text("#banner")
    with served(lid) as (_, address), opened(address) as hand:
        assert hand.app("layout") == layout


def test_a_second_window_takes_over_and_a_second_process_is_refused(lid):
    with served(lid) as (_, address), opened(address) as first:
        second = subprocess.run(
            [sys.executable, "-m", "stiffen", "page", str(lid), "--no-browser"], capture_output=True, text=True
        )
        assert second.returncode == 2 and "is being written to by process" in second.stderr
        with first.page.context.expect_page() as waiting:
            first.page.evaluate("window.open(location.href)")
        waiting.value.wait_for_selector("#rack .die")
        eventually(lambda: "another window" in first.page.inner_text("#banner"))


def test_the_panel_file_on_the_page(lid):
    with served(lid) as (_, address), opened(address) as hand:
        page = hand.page
        page.click("#panel-part summary")
        page.fill('.row:has(label:text-matches("frequency")) input', "150")
        page.keyboard.press("Tab")
        hand.until("app.panel.demands[1].limit === 150")
        assert "limit = 150           # does not drum" in hand.app("text")
        page.click("#text-part summary")
        text = page.input_value("#editor textarea")
        page.fill("#editor textarea", text.replace("limit = 150 ", "limit = -150 "))
        page.wait_for_selector("#editor pre .faulty")
        number = int(page.inner_text("#editor pre .faulty"))
        assert text.split("\n")[number - 1].startswith("limit = 150")
        assert f"line {number}" in page.inner_text("#text")
        assert hand.app("panel.demands")[1]["limit"] == 150  # what was sound stays
        page.fill("#editor textarea", text.replace("limit = 150 ", "limit = 130 "))
        hand.until("app.panel.demands[1].limit === 130")
        page.click("text=save the file")
        eventually(lambda: "limit = 130           # does not drum" in lid.read_text())
        assert read_panel(lid).demands[1].limit == 130

        lid.write_text(lid.read_text().replace("limit = 130", "limit = 99"))  # someone else
        eventually(lambda: "changed by someone else" in page.inner_text("#banner"))
        page.click("text=save the file")
        time.sleep(0.5)
        assert "limit = 99" in lid.read_text()
        page.click("text=take the file")
        hand.until("app.panel.demands[1].limit === 99")


def test_a_dropped_drawing_is_the_outline(lid):
    drawing = (EXAMPLES / "floor_pan.dxf").read_text()
    lid.write_text(re.sub(r'along = "outline"', 'along = "outline"', LID))
    drop = """([name, text]) => {
      const data = new DataTransfer();
      data.items.add(new File([text], name));
      document.getElementById("bench").dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true}));
    }"""
    with served(lid) as (_, address), opened(address) as hand:
        hand.page.evaluate(drop, ["floor.dxf", drawing])
        hand.until("app.panel.outline.some(([x]) => x > 310)")
        assert (lid.parent / "floor.dxf").read_text() == drawing
        hand.page.evaluate(drop, ["../floor.dxf", drawing])
        eventually(lambda: "plain name" in hand.page.inner_text("#banner"))
        assert not (lid.parent.parent / "floor.dxf").exists()
        hand.page.click("#undo")
        hand.until("app.panel.outline.every(([x]) => x <= 300)")


def test_holes_rows_mirror_and_keys(lid):
    with served(lid) as (_, address), opened(address) as hand:
        page = hand.page
        hand.take("L32")
        hand.press((60, 60))
        page.mouse.up()
        hand.until("app.layout.holes.length === 1")
        assert hand.app("layout.holes")[0]["at"] == [60, 60]
        page.click("text=mirror ↔")
        hand.until("app.layout.holes.length === 2")
        assert hand.app("layout.holes")[1]["at"] == [240, 60]
        page.click("text=row …")
        for place, value in zip((0, 1, 2), ("3", "0", "45"), strict=True):
            page.fill(f"#rack input >> nth={place}", value)
        page.click("#rack >> text=set")
        hand.until("app.layout.holes.length === 4")
        assert [hole["at"] for hole in hand.app("layout.holes")[2:]] == [[60, 105], [60, 150]]
        page.focus("[data-part=holes-1]")
        page.keyboard.press("Enter")
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Shift+ArrowLeft")
        hand.until("app.layout.holes[1].at[0] === 230 && app.layout.holes[1].at[1] === 61")
        page.keyboard.press("Delete")
        hand.until("app.layout.holes.length === 3")
        hand.take("V12")
        page.focus("#sheet")
        page.keyboard.press("Enter")
        hand.until("app.layout.beads.length === 1")
        page.keyboard.press("[")
        page.keyboard.press("+")
        hand.until("app.waiting === 0")
        (first, last) = hand.app("layout.beads")[0]["path"]
        assert last[1] - first[1] == pytest.approx(130 * 0.0872, abs=0.1)  # 5 degrees: sin = 0.0872
        hand.take("B16")
        hand.until("app.layout.beads[0].die === 'B16'")


def test_layouts_side_by_side(lid):
    with served(lid) as (_, address), opened(address) as hand:
        hand.page.click("#shelf-part summary")
        hand.judged()
        hand.page.click("#keep")
        hand.until("app.kept.length === 1")
        hand.take("B16")
        hand.drag((60, 100), (240, 100))
        hand.judged()
        hand.until("app.fields[app.key]")
        hand.page.click("#keep")
        hand.until("app.kept.length === 2")
        assert hand.page.locator(".card svg").count() == 2
        hand.page.click(".card >> nth=0 >> text=compare")
        hand.page.click(".card >> nth=1 >> text=compare")
        hand.page.wait_for_selector("#compare canvas")
        hand.page.click(".card >> nth=0 >> text=use")
        hand.until("app.layout.beads.length === 0")
        assert json.loads(json.dumps(hand.app("kept")))[1]["verdict"]["values"]


def test_a_finger_draws_on_a_tablet_in_the_dark(lid):
    options = {"viewport": {"width": 820, "height": 1180}, "has_touch": True, "color_scheme": "dark"}
    with served(lid) as (_, address), opened(address, **options) as hand:
        hand.page.tap('#rack .die:has(small:text-is("B16"))')
        touch = hand.page.context.new_cdp_session(hand.page)

        def send(kind, *points):
            places = [dict(zip("xy", hand.at(point), strict=True)) for point in points]
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": places})

        send("touchStart", (60, 100))
        for x in range(80, 260, 20):
            send("touchMove", (x, 100))
        send("touchEnd")
        hand.until("app.layout.beads.length === 1 && app.waiting === 0")
        assert hand.app("layout.beads")[0]["path"] == [[60, 100], [240, 100]]
        wide = hand.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert wide[0] <= wide[1]  # nothing runs out of the page

"""The report page: well formed, complete, loads no other file; opened in a real browser if one is installed."""

import base64
import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from support.pages import Tree
from support.trike import FLAT, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen.errors import InputError
from stiffen.model.layout import Hole, Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import FlatSheetBaseline
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.plots.field_maps import before_after_picture
from stiffen.output.report.html_report import page, write_page
from stiffen.output.report.shop_card import card
from stiffen.shop.rollability import rolling_order
from stiffen.shop.roller_settings import pass_depths

RIVAL = FlatSheetBaseline(1.5, PANEL.mass(Layout(1.5)), (1.5,))
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


def whole(evaluated=GOOD, **more):
    text = page(PANEL, evaluated, **{"flat_baseline": RIVAL, "flat": FLAT, **more})
    return text, Tree(text)


def test_every_bead_and_hole_has_its_row_and_its_shape():
    text, tree = whole()
    assert [row[0] for row in tree.rows("beads")] == ["1", "2", "3"]
    first = LAYOUT.beads[rolling_order(PANEL, LAYOUT.beads)[0]]
    (frame, *_), passes = face_view(PANEL, LAYOUT).frame_sides, len(pass_depths(first.die, PANEL.material))
    row = ["1", "B16", "up", "60.0, 210.0", "440.0, 210.0", "380", f"{passes}", frame]
    assert tree.rows("beads")[0] == row
    assert tree.rows("holes")[1] == ["H2", "L50", "down", "480.0, 330.0", "36.7", "42", "50"]
    assert {"bead-1", "bead-2", "bead-3", "hole-H1", "hole-H2"} <= set(tree.ids)
    hover = [title for title in tree.titles if title.startswith(("bead", "hole"))]
    assert len(hover) == 5
    assert "bead 1: die B16, face up\nstart 60.0, 210.0; end 440.0, 210.0" in hover[0]
    assert text.count('class="part down"') == 2


def test_shapes_lie_where_the_layout_says():
    text, _ = whole()
    axes = re.findall(r'<polyline points="([^"]+)"', text)
    ends = [[tuple(map(float, point.split(","))) for point in axis.split()] for axis in axes]
    ordered = [LAYOUT.beads[place] for place in rolling_order(PANEL, LAYOUT.beads)]
    for found, bead in zip(ends, ordered, strict=True):
        assert found == [pytest.approx((x, 380 - y), abs=0.006) for x, y in bead.path]
    circles = re.findall(r'<circle class="part \w+" cx="([\d.]+)" cy="([\d.]+)" r="([\d.]+)"', text)
    assert [tuple(map(float, one)) for one in circles] == [(h.at[0], 380 - h.at[1], 25.0) for h in LAYOUT.holes]


def test_page_says_whether_a_second_opinion_was_taken():
    assert "No second opinion was taken" in page(PANEL, replace(GOOD, second_opinion=None))
    assert "No second opinion" not in page(PANEL, replace(GOOD, second_opinion={}))


def test_demands_and_the_flat_sheet_beside():
    _, tree = whole(verdict(LAYOUT, deflection=2.0))
    wind = tree.rows("demands")[0]
    assert wind[:5] == ["deflection wind", "<= 1.5 mm", "2 mm", "-33 %", "NOT MET"]
    assert tree.rows("against")[1] == ["deflection wind", "2.4 mm", "2 mm", "<= 1.5 mm"]
    assert tree.ids["state"].strip() == "NOT MET: deflection wind"
    assert whole(flat=None)[1].rows("against") == []


def test_the_page_contains_the_whole_card():
    told = card(PANEL, GOOD, flat_baseline=RIVAL, gauges=[GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)])
    wanted = [told.title, *told.alerts]
    for section in told.sections:
        wanted.append(section.title)
        for part in section.parts:
            cells = [part] if isinstance(part, str) else [cell for row in (part.head, *part.rows) for cell in row]
            wanted += cells
    _, tree = whole(gauges=[GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)])
    assert tree.ids["card"].split() == " ".join(wanted).split()
    assert "proof-load" in tree.ids["card"]


def test_holes_side_by_side_have_a_head_over_each_part():
    die = LAYOUT.holes[0].die
    many = Layout(1.0, (), tuple(Hole(die, (60.0 + 70.0 * (i % 7), 100.0 + 90.0 * (i // 7))) for i in range(13)))
    text, tree = whole(verdict(many))
    shared = text[text.index('<div class="columns">') :]
    shared = shared[: shared.index("</div>")]
    names = re.findall(r'id="(card-\d+-\d+-\d+)"', shared)
    assert len(names) == shared.count("<thead>") == 3
    assert [row[0].strip() for name in names for row in tree.rows(name)] == [f"H{i}" for i in range(1, 14)]


def test_pictures_are_embedded(tmp_path):
    before_after_picture(PANEL, FLAT, GOOD, tmp_path / "a.png", flat_title="flat", found_title="found")
    _, tree = whole(pictures=[("flat and found", tmp_path / "a.png")])
    images = [one for one in tree.loads if one.startswith("data:image/png;base64,")]
    assert [base64.b64decode(one.split(",")[1]) for one in images] == [(tmp_path / "a.png").read_bytes()]


def test_the_page_loads_no_other_file():
    text, tree = whole()
    assert all(one.startswith("data:") for one in tree.loads)
    assert not re.search(r"https?:|@import|url\(|<script|<iframe", text)


@pytest.mark.parametrize("layout", [FRAME, Layout(1.0)], ids=["frame", "flat"])
def test_frames_and_flat_sheets(layout):
    _, tree = whole(verdict(layout))
    assert len(tree.rows("beads")) == len(layout.beads)
    assert [row[4] for row in tree.rows("beads")] == ["back at start"] * len(layout.beads)


def test_letters_are_3_mm_high_when_printed():
    """Capitals of the usual sans-serif faces are 0.716 em high or more (Arial; from memory)."""
    text, _ = whole()
    rules = re.search(r"@media print \{(.*?)\n  \}", text, re.DOTALL)[1]
    sizes = [float(size) for size in re.findall(r"font-size: ([\d.]+)pt", rules)]
    assert len(sizes) >= 2  # the body's and the tables'
    assert min(sizes) * 0.716 * 25.4 / 72 >= 3.0
    paper = 210.0 - 2 * float(re.search(r"margin: (\d+)mm", text)[1])
    wide = float(re.search(r'viewBox="\S+ \S+ (\S+)', text)[1])
    letter = float(re.search(r'<svg.*?font-size="([\d.]+)"', text, re.DOTALL)[1])
    assert letter * paper / wide * 0.716 >= 3.0


def test_names_are_words_never_markup():
    text, _ = whole()
    evil = replace(PANEL, name='<img src=x onerror="1"> & "lid"')
    text = page(evil, GOOD)
    Tree(text)
    assert "<img src=x" not in text
    assert "&lt;img src=x" in text


def test_written_whole_or_not_at_all(tmp_path):
    write_page(PANEL, GOOD, tmp_path / "report.html", flat_baseline=RIVAL)
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]
    with pytest.raises(InputError, match=r"report\.html: cannot be written"):
        write_page(PANEL, GOOD, tmp_path / "nowhere" / "report.html")


# --------------------------------------------------------------------------------------------------- in a real browser

PROBE = """<script>
const failed = [];
addEventListener("error", event => failed.push(String(event.message || event.target.src || event.target.href)), true);
addEventListener("securitypolicyviolation", event => failed.push(event.blockedURI));
addEventListener("load", () => {
  const seen = {
    failed,
    fetched: performance.getEntriesByType("resource").map(one => one.name).filter(one => !one.startsWith("data:")),
    images: [...document.images].map(one => one.complete && one.naturalWidth),
    beads: document.querySelectorAll("#beads tbody tr").length,
    shapes: document.querySelectorAll("#layout g.bead").length,
    tooWide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    drawn: [...document.querySelectorAll("#layout g.item")].every(one => one.getBoundingClientRect().width > 1),
  };
  const out = document.createElement("pre");
  out.id = "probe";
  out.textContent = JSON.stringify(seen);
  document.body.append(out);
});
</script>"""


def opened(path, tmp_path):
    """What a browser sees of a page, by a script put into a copy of it."""
    copy = tmp_path / "probed.html"
    copy.write_text(path.read_text(encoding="utf-8").replace("<head>", f"<head>{PROBE}", 1), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--window-size=1100,900", f"--user-data-dir={tmp_path}/b"]
    run = subprocess.run(
        [BROWSER, *options, "--dump-dom", copy.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    return json.loads(Tree(re.sub(r"<script>.*?</script>", "", run.stdout, flags=re.DOTALL)).ids["probe"])


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")
def test_a_browser_opens_it_without_errors(tmp_path):
    before_after_picture(PANEL, FLAT, GOOD, tmp_path / "a.png", flat_title="flat", found_title="found")
    write_page(
        PANEL, GOOD, tmp_path / "report.html", flat_baseline=RIVAL, flat=FLAT, pictures=[("both", tmp_path / "a.png")]
    )
    seen = opened(tmp_path / "report.html", tmp_path)
    assert seen == {
        "failed": [],
        "fetched": [],
        "images": [1500],
        "beads": len(LAYOUT.beads),
        "shapes": len(LAYOUT.beads),
        "tooWide": 0,
        "drawn": True,
    }


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")
def test_the_browser_check_finds_an_error(tmp_path):
    path = tmp_path / "broken.html"
    path.write_text("<!DOCTYPE html><html><head></head><body><img src='gone.png'></body></html>")
    seen = opened(path, tmp_path)
    assert any("gone.png" in one for one in seen["failed"])
    assert seen["images"] == [0]
    assert seen["beads"] == 0

"""The report page: well formed, complete, loads no other file; opened in a real browser if one is installed."""

import base64
import html
import json
import re
import shutil
import subprocess
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from support.pages import Tree
from support.trike import FLAT, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen.errors import InputError
from stiffen.io.panel_file import read_panel
from stiffen.model.explanation import Estimate, Explanation, OtherFace, PartWorth
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import BenchMargin, FlatSheetBaseline, Proposal
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.plots.field_maps import before_after_picture
from stiffen.output.report.card_sections.demand_section import DEMAND_HEAD
from stiffen.output.report.html_report import UNTITLED, page, write_page
from stiffen.output.report.shop_card import TAPE_TITLE, card
from stiffen.shop.rollability import rolling_order
from stiffen.shop.roller_settings import pass_depths

RIVAL = FlatSheetBaseline(1.5, PANEL.mass(Layout(1.5)), (1.5,))
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


def whole(evaluated=GOOD, **more):
    text = page(PANEL, evaluated, **{"flat_baseline": RIVAL, "flat": FLAT, **more})
    return text, Tree(text)


def card_tables(tree, head):
    """Rows of the tables of the page whose head begins so, without blanks around the cells."""
    tables = [[[cell.strip() for cell in row] for row in table] for table in tree.tables.values()]
    return [row for table in tables if tuple(table[0][: len(head)]) == head for row in table[1:]]


def test_every_bead_and_hole_has_its_row_and_its_shape():
    text, tree = whole()
    beads = card_tables(tree, ("bead", "die", "face", "start X"))
    assert [row[0] for row in beads] == ["1", "2", "3"]
    first = LAYOUT.beads[rolling_order(PANEL, LAYOUT.beads)[0]]
    (frame, *_), passes = face_view(PANEL, LAYOUT).frame_sides, len(pass_depths(first.die, PANEL.material))
    assert beads[0][:10] == ["1", "B16", "up", "60.0", "210.0", "440.0", "210.0", "380", f"{passes}", frame]
    assert card_tables(tree, ("hole", "X", "Y"))[1] == ["H2", "480.0", "330.0"]
    assert {"bead-1", "bead-2", "bead-3", "hole-H1", "hole-H2"} <= set(tree.ids)
    hover = [title for title in tree.titles if title.startswith(("bead", "hole"))]
    assert len(hover) == 5
    assert "bead 1: die B16, face up\nstart 60.0, 210.0; end 440.0, 210.0" in hover[0]
    assert "hole H2: die L50, face down\ncentre 480.0, 330.0\ncut 36.7, opening 42, flare 50 mm" in hover[4]
    assert text.count('class="part down"') == 2


def test_what_is_shown_on_pointing_is_shown_on_touching_too():
    text, tree = whole()
    links = re.findall(r'<a class="item (\w+)" id="(\S+)" href="#(\S+)">', text)
    assert len(links) == 5
    for (_, _, told), title in zip(
        links, [one for one in tree.titles if one.startswith(("bead", "hole"))], strict=True
    ):
        assert tree.ids[told] == f"close{title}"


def test_the_questions_stand_in_their_order_and_each_table_once():
    text, tree = whole(gauges=[GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)])
    questions = re.findall(r"<h2>(.*?)</h2>", text)
    assert questions == [
        "Does it do what is asked?",
        "What does it weigh?",
        "What do I make?",
        "What else was possible?",
    ]
    contents = [str([[cell.strip() for cell in row] for row in table]) for table in tree.tables.values()]
    assert len(contents) == len(set(contents))
    assert len(card_tables(tree, ("demand",))) == 3
    assert text.count("met with 3 beads") == 1


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
    text, tree = whole(verdict(LAYOUT, deflection=2.0))
    assert tree.tables["demands"][0][:5] == ["demand", "limit", "found", "flat", "margin"]
    wind = tree.rows("demands")[0]
    assert wind[:6] == ["deflection wind", "<= 1.5 mm", "2 mm", "2.4 mm", "-33 %", "NOT MET"]
    assert f"Flat: the sheet of the same gauge, {FLAT.mass_kg:.3f} kg." in text
    assert tree.ids["state"].strip() == "NOT MET: deflection wind"
    assert whole(flat=None)[1].tables["demands"][0][:4] == ["demand", "limit", "found", "margin"]


def test_the_page_contains_the_whole_card():
    """Section by section, but for the lines to mark by tape; the table of demands has one more column on the page."""
    told = card(PANEL, GOOD, flat_baseline=RIVAL, gauges=[GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)])
    text, tree = whole(gauges=[GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)])
    shown = " ".join(re.sub(r"<(title|style)>.*?</\1>|<[^>]+>", " ", text, flags=re.DOTALL).split())
    shown = html.unescape(shown)
    for section in told.sections:
        if section.title == TAPE_TITLE:
            continue
        if section.title not in UNTITLED:
            assert section.title in shown
        for part in section.parts:
            if isinstance(part, str):
                assert " ".join(part.split()) in shown
            elif part.head != DEMAND_HEAD:
                rows = card_tables(tree, tuple(part.head))
                assert [tuple(row) for row in rows] == [tuple(cell.strip() for cell in row) for row in part.rows]
    assert "proof-load" in shown


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
    assert len(card_tables(tree, ("bead", "die", "face"))) == len(layout.beads)


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
const told = () => [...document.querySelectorAll(".told")];
const shown = () => told().filter(one => one.getClientRects().length).map(one => one.id);
addEventListener("load", async () => {
  const touched = document.querySelector("#hole-H1") ?? document.querySelector("#bead-1");
  touched?.dispatchEvent(new MouseEvent("click", {bubbles: true, cancelable: true}));
  await new Promise(done => setTimeout(done, 100));
  const seen = {
    failed,
    fetched: performance.getEntriesByType("resource").map(one => one.name).filter(one => !one.startsWith("data:")),
    images: [...document.images].map(one => one.complete && one.naturalWidth),
    shapes: document.querySelectorAll("#layout .bead").length,
    width: innerWidth,
    tooWide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    drawn: [...document.querySelectorAll("#layout .item")].every(one => one.getBoundingClientRect().width > 1),
    cut: [...document.querySelectorAll("h1, h2, h3, p, li, dd, td, th")].filter(one =>
      one.getBoundingClientRect().right > innerWidth + 1 && !one.closest(".wide, .columns")).length,
    smallest: Math.min(...[...document.querySelectorAll("p, li, dd, td, th")].map(one =>
      parseFloat(getComputedStyle(one).fontSize))),
    told: shown(),
  };
  parent.postMessage(JSON.stringify(seen), "*");
});
</script>"""
FRAMED_PAGE = """<!DOCTYPE html><html><body><pre id="probe"></pre><iframe src="probed.html" width="{width}" height="900"
style="border: 0"></iframe><script>addEventListener("message", event => {{
document.getElementById("probe").textContent = event.data; }});</script></body></html>"""


def opened(path, tmp_path, width=1280):
    """What a browser sees of a page in a window so many pixels wide, by a script put into a copy of it.

    The script touches a bead or hole first.
    """
    copy = tmp_path / "probed.html"
    copy.write_text(path.read_text(encoding="utf-8").replace("<head>", f"<head>{PROBE}", 1), encoding="utf-8")
    framed = tmp_path / "framed.html"  # a window itself is never narrower than 500 pixels
    framed.write_text(FRAMED_PAGE.format(width=width), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/b"]
    options += ["--window-size=1400,1000", "--virtual-time-budget=5000", "--dump-dom", framed.as_uri()]
    run = subprocess.run([BROWSER, *options], capture_output=True, text=True, timeout=120, check=True)
    return json.loads(Tree(re.sub(r"<script>.*?</script>", "", run.stdout, flags=re.DOTALL)).ids["probe"])


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")
@pytest.mark.parametrize("width", [390, 1280])
def test_a_browser_opens_it_without_errors(tmp_path, width):
    before_after_picture(PANEL, FLAT, GOOD, tmp_path / "a.png", flat_title="flat sheet", found_title="found")
    write_page(
        PANEL, GOOD, tmp_path / "report.html", flat_baseline=RIVAL, flat=FLAT, pictures=[("both", tmp_path / "a.png")]
    )
    seen = opened(tmp_path / "report.html", tmp_path, width)
    assert seen.pop("smallest") >= 14
    assert seen == {
        "failed": [],
        "fetched": [],
        "images": [1500],
        "shapes": len(LAYOUT.beads),
        "width": width,
        "tooWide": 0,
        "drawn": True,
        "cut": 0,
        "told": ["told-hole-H1"],
    }


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")
def test_the_print_of_a_full_report_has_at_most_four_pages(tmp_path):
    """The hatch of the example with six beads and eight holes, and all that its search tells and draws."""
    from pypdf import PdfReader

    hatch = read_panel(Path(__file__).parents[3] / "examples" / "battery_hatch.toml")
    dies = {die.name: die for die in (*hatch.tools.bead_dies, *hatch.tools.hole_dies)}
    beads = tuple(Bead(dies["F24"], ((x, 25.0), (x, 375.0))) for x in (87.5, 152.5, 217.5, 282.5, 347.5, 412.5))
    holes = tuple(Hole(dies["L50"], (x, y)) for x in (35.0, 465.0) for y in (70.0, 130.0, 270.0, 330.0))
    layout = Layout(1.0, beads, holes)
    made = replace(GOOD, layout=layout, mass_kg=hatch.mass(layout))
    pictures = []
    for number, high in enumerate((1460, 770, 770, 1240, 1724, 1304), 1):
        Image.new("RGB", (1500, high), "#bcbf8a").save(tmp_path / f"{number}.png")
        pictures.append((f"picture {number}", tmp_path / f"{number}.png"))
    gauges = [GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, miss=0.32), GaugeOutcome(1.0, GaugeStatus.BEADED, beads=6)]
    values = tuple(one.value for one in made.demands)
    parts = [PartWorth((bead,), (), Estimate(values, 1.1), 0.1, 0.0, 5.0) for bead in beads]
    parts += [PartWorth((), row, Estimate(values, 0.9), 0.0, 0.011, 12.0) for row in (holes[:4], holes[4:])]
    explanation = Explanation(Estimate(values, 0.9), tuple(parts), (), OtherFace("down", Estimate(values, 1.3)))
    proposals = [Proposal((name,), made, 90.0, 5) for name in ("lightest", "recommended", "quickest")]
    margins = (0.1,) * len(values)
    short = BenchMargin(tuple(one.label for one in made.demands), 0.92, "EN 485-4", margins, margins, 0.9, 0.8)
    write_page(
        hatch, made, tmp_path / "report.html", flat_baseline=RIVAL, flat=FLAT, gauges=gauges, pictures=pictures,
        explanation=explanation, proposals=proposals, bench_margin=short,
    )  # fmt: skip
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert text.count("@page { size: auto;") == 1
    (tmp_path / "report.html").write_text(text.replace("size: auto;", "size: A4;", 1), encoding="utf-8")
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--user-data-dir={tmp_path}/b"]
    run = [BROWSER, *options, f"--print-to-pdf={tmp_path}/report.pdf", (tmp_path / "report.html").as_uri()]
    subprocess.run(run, capture_output=True, timeout=120, check=True)
    pages = PdfReader(tmp_path / "report.pdf").pages
    assert len(pages) <= 4
    told = " ".join(unicodedata.normalize("NFKC", " ".join(page.extract_text() for page in pages)).split())
    for question in (
        "WHAT EACH BEAD ADDS",
        "LAYOUTS PROPOSED",
        "IF THE WORK COMES OUT SHORT",
        "Does it do what is asked?",
        "What do I make?",
        "What does it look like deflected?",
        "CAUTIONS",
    ):
        assert question in told


@pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")
def test_the_browser_check_finds_an_error(tmp_path):
    path = tmp_path / "broken.html"
    path.write_text("<!DOCTYPE html><html><head></head><body><img src='gone.png'></body></html>")
    seen = opened(path, tmp_path)
    assert any("gone.png" in one for one in seen["failed"])
    assert seen["images"] == [0]
    assert seen["shapes"] == 0

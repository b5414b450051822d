"""The template's pages are read back by an independent library: true scale, joining crosses, no text cut off."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from pypdf import PdfReader
from shapely import union_all
from shapely.geometry import Polygon
from support.pdf import circles, read, segments
from support.trike import B16, FRAME, L50, LAYOUT, PANEL

from stiffen.errors import InputError
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout
from stiffen.output.drawing.bench_view import face_view
from stiffen.output.drawing.face_marking import build_marking
from stiffen.output.drawing.template_pdf import write_template
from stiffen.output.drawing.tiling import CAPITAL_HEIGHT, place_texts, tile_drawing, tile_marking, used_tiles
from stiffen.shop.rollability import in_rolling_order

CLOSE = 0.005  # mm; PDF coordinates have six digits
SMALL = replace(
    PANEL,
    name="tray $x^2$ with a name that is much too long for one line of a page",
    outline=((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0)),
    **dict.fromkeys(("cutouts", "supports", "keep_outs", "folds"), ()),
)
TWO = Layout(0.8, (Bead(B16, ((20.0, 20.0), (100.0, 20.0))), Bead(B16, ((20.0, 55.0), (100.0, 60.0)))))
PAPER = {"a4": {210.0, 297.0}, "letter": {215.9, 279.4}}


def written(path, layout=LAYOUT, panel=PANEL, **options):
    write_template(panel, layout, path, **options)
    return read(path)


def has_segment(found, a, b):
    """True if a stroke runs from a to b or from b to a."""
    return any(np.abs(found - np.array(way)).max(axis=(1, 2)).min() < CLOSE for way in ((a, b), (b, a)))


@pytest.mark.parametrize("paper", ["a4", "letter", "roll"])
def test_every_page_has_its_size_and_two_true_bars(tmp_path, paper):
    pages = written(tmp_path / "t.pdf", paper=paper)
    assert (
        PdfReader(tmp_path / "t.pdf").trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    )  # prints at 1:1
    for width, height, strokes, words in pages:
        if paper in PAPER:
            assert {round(width, 3), round(height, 3)} == PAPER[paper]
        ways = np.diff(segments(strokes), axis=1)[:, 0]
        for along in (np.array([100.0, 0.0]), np.array([0.0, 100.0])):
            assert np.abs(ways - along).max(axis=1).min() < CLOSE
        assert [word.text for word in words].count("100 mm") == 2
    assert (len(pages) == 1) == (paper == "roll")


def on_roll(pages, mirrored):
    """(stroke, points in plan coordinates) of a roll, positioned by the flared hole with the least x."""
    ((_, _, strokes, _),) = pages
    pilots = [one for one in circles(strokes) if one.diameter == pytest.approx(L50.pilot, abs=CLOSE)]
    hand = -1 if mirrored else 1
    wanted = sorted((hand * hole.at[0], hole.at[1]) for hole in LAYOUT.holes)
    found = sorted(tuple(one.centre) for one in pilots)
    assert np.array(found) - found[0] == pytest.approx(np.array(wanted) - wanted[0], abs=CLOSE)
    shift = np.array(wanted[0]) - found[0]
    return [(one, (one.points + shift) * [hand, 1]) for one in strokes]


@pytest.mark.parametrize("face", ["up", "down"])
def test_a_roll_shows_every_line_at_its_place(tmp_path, face):
    plan = on_roll(written(tmp_path / "t.pdf", paper="roll", face=face), face == "down")
    pairs = np.array([points for _, points in plan if len(points) == 2])
    for bead in LAYOUT.beads:  # beads rolled from the other face are shown too, as thin lines
        path = np.array(bead.path)
        assert any(len(p) == len(path) and np.abs(p - path).max() < CLOSE for _, p in plan)
    for bead in (bead for bead in LAYOUT.beads if bead.side == face):
        for (x, y), off in ((bead.path[0], bead.die.width / 2 + 3), (bead.path[-1], bead.die.width / 2 + 3)):
            if bead.die is B16:  # a B16 bead ends parallel to x, so its ticks are parallel to y
                assert has_segment(pairs, (x, y - off), (x, y + off))
    outline = Polygon(PANEL.outline)
    rounds = [Polygon(points) for _, points in plan if len(points) > 20]
    assert min(one.symmetric_difference(outline).area for one in rounds) < 0.1
    rings = {(round(one.diameter, 2), *np.round(replace(one, points=p).centre, 2)) for one, p in plan if one.curved}
    assert (32.0, 120.0, 60.0) in rings  # the cut-out
    assert {(4.0, 10.0, 40.0 + 40 * i) for i in range(9)} <= rings  # the rivets
    assert {(50.0, *hole.at) for hole in LAYOUT.holes} <= rings


def assembled(pages):
    """Shift of every page, mm, that joins crosses of the same name; checks that all crosses of a page agree."""
    crosses = []
    for _, _, strokes, words in pages:
        rings = [one.centre for one in circles(strokes) if one.diameter == pytest.approx(4.0, abs=CLOSE)]
        names = [word for word in words if len(word.text) <= 3 and word.text[0].islower()]
        found = {}
        for name in names:
            nearest = min(rings, key=lambda at: math.dist(at, name.at))
            assert math.dist(nearest, name.at) < 8.0
            found[name.text] = nearest
        crosses.append(found)
    shifts, open_pages = {0: np.zeros(2)}, set(range(1, len(pages)))
    while open_pages:
        pairs = itertools.product(shifts, open_pages)
        here, there = next((a, b) for a, b in pairs if len(crosses[a].keys() & crosses[b]) > 1)
        shared = crosses[here].keys() & crosses[there]
        steps = np.array([crosses[here][name] + shifts[here] - crosses[there][name] for name in shared])
        assert np.ptp(steps, axis=0).max() < CLOSE  # neither rotated nor stretched
        shifts[there] = steps[0]
        open_pages.remove(there)
    return shifts


@pytest.mark.parametrize(("paper", "face"), [("a4", "up"), ("letter", "down")])
def test_sheets_joined_by_their_crosses_show_the_whole_at_true_scale(tmp_path, paper, face):
    cover, *pages = written(tmp_path / "t.pdf", paper=paper, face=face)
    shifts = assembled(pages)
    pilots, ends = [], []
    for number, (_, _, strokes, _) in enumerate(pages):
        for one in circles(strokes):
            if one.diameter == pytest.approx(L50.pilot, abs=CLOSE):
                pilots.append(tuple(np.round(one.centre + shifts[number], 2)))
        ends += [point for one in strokes if not one.curved for point in one.points + shifts[number]]
    hand = -1 if face == "down" else 1
    wanted = sorted((hand * hole.at[0], hole.at[1]) for hole in LAYOUT.holes)
    first = min(pilots)
    for at in wanted:
        at_sheet = np.array(at) - wanted[0] + first
        assert min(math.dist(at_sheet, one) for one in pilots) < 0.02
    for bead in LAYOUT.beads:
        for x, y in bead.path:
            at_sheet = np.array((hand * x, y)) - wanted[0] + first
            assert np.abs(np.array(ends) - at_sheet).max(axis=1).min() < 0.02
    names = {word.text for word in cover[3]}
    for _, _, _, words in pages:
        (name,) = [word.text for word in words if word.size > 8]
        assert name in names  # it is on the map
        assert name == name.upper()


def test_every_label_is_on_some_page(tmp_path):
    pages = written(tmp_path / "t.pdf")
    told = {word.text for *_, words in pages for word in words}
    assert {"1 B16 up", "2 B16 up", "3 other face", "H1 cut 36.7 up", "H2 cut 36.7 down", "datum 0, 0", "frame"} <= told
    assert {"trim after rolling", "rough cut: cut here first", "datum edge", "C1 cut 32"} <= told
    back = {word.text for *_, words in written(tmp_path / "b.pdf", face="down") for word in words}
    assert {"3 B20 down", "1 other face", "2 other face"} <= back
    assert any(text.startswith("MIRRORED, for the DOWN face") for text in back)


@pytest.mark.parametrize("paper", ["a4", "roll"])
def test_rows_at_one_pitch_are_told_where_they_start_and_with_the_instructions(tmp_path, paper):
    """Four beads 40 mm apart from 60 on: "3 x 40 = 120" beside the first, and once more to check with a tape."""
    beads = tuple(Bead(B16, ((90.0, y), (470.0, y))) for y in (180.0, 60.0, 140.0, 100.0))
    panel = replace(PANEL, **dict.fromkeys(("cutouts", "keep_outs", "folds"), ()))
    pages = written(tmp_path / "t.pdf", Layout(1.0, beads), panel, paper=paper)
    told = " ".join(word.text for *_, words in pages for word in words)
    assert told.count("3 x 40 = 120") == 2
    assert "Check the rows with a tape." in told


@pytest.mark.parametrize("paper", ["a4", "letter", "roll"])
@pytest.mark.parametrize(("panel", "layout"), [(PANEL, LAYOUT), (SMALL, TWO)], ids=["hatch", "small"])
def test_words_are_large_enough_and_on_the_paper(tmp_path, panel, layout, paper):
    for width, height, _, words in written(tmp_path / "t.pdf", layout, panel, paper=paper):
        for word in words:
            assert word.size * 0.729 >= 3.0 - 1e-6, word  # capitals of the face are 0.729 of the em
            assert 5.0 < word.at[0] < width - 5.0
            assert 5.0 < word.at[1] < height - 5.0
            if abs(word.turn) < 1:
                least = 0.25 * word.size * len(word.text)  # no text is set narrower
                assert word.at[0] + least < width - 4.0, word


@pytest.mark.parametrize("paper", ["a4", "letter", "roll"])
@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_text_on_a_page_is_uncut_and_covers_nothing(layout, paper):
    drawn = build_marking(face_view(PANEL, layout), CAPITAL_HEIGHT)
    spread = tile_drawing(drawn.bounds, paper)
    tiles = used_tiles(spread, drawn)
    found = place_texts(spread, tiles, drawn, CAPITAL_HEIGHT)
    lines = [item.shape for item in drawn.items if hasattr(item, "shape")]
    for tile, words in found.items():
        for i, one in enumerate(words):
            assert spread.shown_area(tile).contains(one.footprint)
            assert not any(one.footprint.intersects(line) for line in lines), one
            assert not any(one.footprint.intersects(other.footprint) for other in words[:i]), one
    told = {one.text for words in found.values() for one in words}
    assert {line for label in drawn.labels for line in label.text.split("\n")} <= told


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("face", ["up", "down"])
def test_an_area_on_two_pages_is_labelled_on_each(paper, face):
    """A cut-out at several places across the seams: its label stands inside it on each page with room for it."""
    for left in range(100, 240, 20):
        ring = ((left, 150.0), (left + 140.0, 150.0), (left + 140.0, 250.0), (left, 250.0))
        holes = [Hole(L50, (x, y)) for y in (110.0, 290.0) for x in range(70, 400, 62)]
        panel = replace(PANEL, cutouts=(Cutout(ring),), keep_outs=())
        drawn = build_marking(face_view(panel, Layout(1.0, (), tuple(holes)), face), CAPITAL_HEIGHT)
        spread = tile_drawing(drawn.bounds, paper)
        (area,) = [label.anchor for label in drawn.labels if label.text == "C1 cut-out"]
        for tile, words in place_texts(spread, used_tiles(spread, drawn), drawn, CAPITAL_HEIGHT).items():
            shown = area.intersection(spread.shown_area(tile))
            x0, y0, x1, y1 = shown.bounds if shown.area else (0.0,) * 4
            if min(x1 - x0, y1 - y0) > 24.0:  # room for the label beside the crosses at the seam
                assert [one for one in words if one.text.startswith("C1") and area.contains(one.footprint)], tile.name


@pytest.mark.parametrize("paper", ["a4", "letter", "roll"])
def test_the_whole_name_stands_at_the_foot(tmp_path, paper):
    for name in ("lid", "left side cheek with a duct for cables", "battery hatch " * 7):
        for *_, words in written(tmp_path / "t.pdf", TWO, replace(SMALL, name=name.strip()), paper=paper):
            foot = [word.text for word in words if word.at[1] < 25.0]
            assert name.strip() in " ".join(foot)
            assert not [text for text in foot if ".." in text]
            assert [text for text in foot if text.startswith("page")]


def test_a_template_of_flat_sheet_says_nothing_of_rolling(tmp_path):
    cover = written(tmp_path / "t.pdf", Layout(1.0))[0]
    told = " ".join(word.text for word in cover[3])
    assert "finished outline and cut-outs: cut here" in told
    assert "after rolling" not in told
    assert "bead axis" not in told


def test_sheets_overlap_and_cover_the_drawing():
    drawn = build_marking(face_view(PANEL, LAYOUT), CAPITAL_HEIGHT)
    for paper in ("a4", "letter"):
        spread = tile_drawing(drawn.bounds, paper)
        grounds = [spread.shown_area(tile) for tile in used_tiles(spread, drawn)]
        whole = grounds[0]
        for ground in grounds[1:]:
            whole = whole.union(ground)
        shapes = [item.shape for item in drawn.items if hasattr(item, "shape") and item.layer != "DATUM"]
        assert all(whole.covers(shape) for shape in shapes)
        overlap = min(a.intersection(b).area for a, b in itertools.combinations(grounds, 2) if a.distance(b) == 0)
        assert overlap == pytest.approx(15.0**2)  # tiles that share only a corner


def test_sheets_with_nothing_on_them_are_left_out(tmp_path):
    ell = replace(
        SMALL, outline=((0.0, 0.0), (600.0, 0.0), (600.0, 100.0), (100.0, 100.0), (100.0, 900.0), (0.0, 900.0))
    )
    layout = Layout(1.0, (Bead(B16, ((30.0, 50.0), (500.0, 50.0))),))
    spread = tile_drawing(build_marking(face_view(ell, layout), CAPITAL_HEIGHT).bounds, "a4")
    assert len(written(tmp_path / "t.pdf", layout, ell)) - 1 < len(spread.tiles)


@pytest.mark.parametrize(("size", "sheets"), [((720.0, 314.0), 6), ((500.0, 400.0), 6), ((340.0, 270.0), 4)])
def test_a_blank_takes_no_more_sheets_than_its_size_needs(size, sheets):
    """A4 shows 272 x 177 mm of the drawing, 15 mm of it shared with the next: 720 x 314 fits on 3 x 2 sheets."""
    x, y = size
    panel = replace(SMALL, outline=((0.0, 0.0), (x, 0.0), (x, y), (0.0, y)))
    layout = Layout(1.0, (Bead(B16, ((60.0, 100.0), (x - 60.0, 100.0))),))
    drawn = build_marking(face_view(panel, layout), CAPITAL_HEIGHT)
    spread = tile_marking(drawn, "a4")
    tiles = used_tiles(spread, drawn)
    assert len(tiles) <= sheets
    shapes = [item.shape for item in drawn.items if hasattr(item, "shape") and item.layer != "DATUM"]
    for tile in tiles:  # each shows something that no other does
        others = union_all([spread.shown_area(other) for other in tiles if other != tile])
        assert any(shape.intersection(spread.shown_area(tile)).difference(others).length > 1.0 for shape in shapes)
    told = {one.text for words in place_texts(spread, tiles, drawn, CAPITAL_HEIGHT).values() for one in words}
    assert {"datum 0, 0", "rough cut: cut here first"} <= told


def test_a_very_large_panel_goes_on_a_roll(tmp_path):
    hall = replace(SMALL, outline=((0.0, 0.0), (9900.0, 0.0), (9900.0, 9000.0), (0.0, 9000.0)))
    pages = written(tmp_path / "t.pdf", TWO, hall)
    assert len(pages) < 40
    assert max(width for width, *_ in pages) > 900


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"nowhere/t\.pdf: cannot be written"):
        write_template(PANEL, LAYOUT, tmp_path / "nowhere" / "t.pdf")


def test_the_same_layout_gives_the_same_file_and_nothing_else(tmp_path):
    write_template(SMALL, TWO, tmp_path / "a.pdf")
    write_template(SMALL, in_rolling_order(SMALL, TWO), tmp_path / "b.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    assert {path.name for path in tmp_path.iterdir()} == {"a.pdf", "b.pdf"}

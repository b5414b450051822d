"""The marking drawing is read back: layers, positions, areas, and no text over other text."""

import math
import re
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf import bbox, units
from ezdxf.colors import aci2rgb
from shapely.geometry import LineString, Polygon
from support.trike import B16, FLAT, FRAME, GOOD, L50, LAYOUT, PANEL, verdict

from stiffen.errors import InputError
from stiffen.io.files import atomic_write
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout, Fold, Support
from stiffen.output.drawing.bench_view import datum_corner, face_view
from stiffen.output.drawing.dxf_writer import LAYERS
from stiffen.output.drawing.label_placement import spread_apart
from stiffen.output.drawing.marking_dxf import write_marking
from stiffen.output.drawing.running_dimensions import running_dimensions
from stiffen.output.drawing.title_block import bench_notes
from stiffen.shop.rollability import in_rolling_order
from stiffen.shop.rough_blank import rough_outline
from stiffen.shop.work_steps import order_of_work


def drawn(path, layout=LAYOUT, panel=PANEL, evaluated=None, face="up"):
    write_marking(panel, layout, path, verdict=evaluated, face=face)
    document = ezdxf.readfile(path)
    auditor = document.audit()
    assert not auditor.errors
    assert not auditor.fixes
    return document


def on(document, layer, kind="LWPOLYLINE"):
    return document.modelspace().query(f'{kind}[layer=="{layer}"]')


def words(document):
    return [entity.dxf.text for entity in document.modelspace().query("TEXT")]


def points(polyline):
    return np.array([(x, y) for x, y, *_ in polyline.get_points()])


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_reads_back_clean_in_millimetres(tmp_path, layout):
    document = drawn(tmp_path / "marking.dxf", layout)
    assert document.dxfversion == "AC1024"
    assert document.units == units.MM
    assert {layer.dxf.name for layer in document.layers} >= set(LAYERS)
    used = {entity.dxf.layer for entity in document.modelspace()}
    assert used <= set(LAYERS)
    assert [one.name for one in tmp_path.iterdir()] == ["marking.dxf"]


def test_every_layer_is_used_by_a_full_panel(tmp_path):
    document = drawn(tmp_path / "marking.dxf")
    assert {entity.dxf.layer for entity in document.modelspace()} == set(LAYERS) - {
        "BEND TANGENT",
        "MOULD LINE",
        "CENTRE LINE",
    }


def test_a_round_bend_has_both_tangent_lines_and_its_middle(tmp_path):
    """R 40 in 1 mm, 90 degrees: pi/2 (40 + 0.447) = 63.5 mm of sheet, half on either side of the line."""
    fold = Fold(((0.0, 90.0), (560.0, 90.0)), 90.0, 40.0)
    write_marking(replace(PANEL, folds=(fold,)), Layout(1.0), tmp_path / "marking.dxf")
    document = ezdxf.readfile(tmp_path / "marking.dxf")
    half = math.pi / 4 * (40 + 0.447)
    levels = sorted({round(float(y), 2) for line in on(document, "BEND TANGENT") for _, y in points(line)})
    assert levels == pytest.approx([90 - half, 90 + half], abs=0.01)
    assert [points(line)[:, 1].tolist() for line in on(document, "FOLD")] == [[90.0, 90.0]]
    (label,) = [text for text in words(document) if "fold 1" in text]
    assert "round to inside R 40" in label or "between the two lines 63.5 apart" in " ".join(words(document))


def test_colours_print_dark_enough_on_a_grey_printer():
    for name, (colour, *_) in LAYERS.items():
        red, green, blue = aci2rgb(colour) if colour != 7 else (0, 0, 0)  # 7 is black on white
        assert 0.299 * red + 0.587 * green + 0.114 * blue <= 130, name  # luma as in ITU-R BT.601; 255 is white


def test_documents_explain_every_layer():
    page = (Path(__file__).parents[3] / "docs" / "drawings.md").read_text(encoding="utf-8")
    explained = {name for row in page.splitlines() if row.startswith("| ") for name in row.split("|")[1].split(",")}
    assert set(LAYERS) <= {name.strip() for name in explained}


def test_outline_is_closed_and_has_the_panels_area(tmp_path):
    document = drawn(tmp_path / "marking.dxf")
    (outline,) = [line for line in on(document, "CUT") if line.closed]  # the others are a centre cross
    (circle,) = on(document, "CUT", "CIRCLE")
    area = Polygon(points(outline)).area - math.pi * circle.dxf.radius**2
    # the region's cut-out has 64 chords, the drawing a true circle: 1 - sinc(2 pi/64) of 804 mm2 is 1.3 mm2
    assert area == pytest.approx(PANEL.region.area, abs=1.5)
    assert tuple(circle.dxf.center)[:2] == (120.0, 60.0)


def test_bead_axes_stand_where_the_layout_has_them(tmp_path):
    document = drawn(tmp_path / "marking.dxf")
    own = [bead for bead in in_rolling_order(PANEL, LAYOUT).beads if bead.side == "up"]
    for axis, bead in zip(on(document, "BEAD AXIS"), own, strict=True):
        assert points(axis) == pytest.approx(np.array(bead.path), abs=0.01)
    other = [points(line) for line in on(document, "OTHER FACE")]
    assert any(line == pytest.approx(np.array(LAYOUT.beads[2].path), abs=0.01) for line in other if len(line) == 4)


def test_the_back_is_mirrored_and_measured_from_the_same_corner(tmp_path):
    document = drawn(tmp_path / "back.dxf", face="down")
    (axis,) = on(document, "BEAD AXIS")
    assert points(axis) == pytest.approx(np.array([(560 - x, y) for x, y in LAYOUT.beads[2].path]), abs=0.01)
    told = words(document)
    assert {"THIS FACE UP IN THE ROLLER: DOWN FACE", "3 B20 down", "1 other face", "2 other face"} <= set(told)
    assert "fold 1: up 90 deg, away from you, inside R 2" in told
    row = told.index("60.2")  # X of the start, as on the other drawing
    assert told[row + 1] == "290.0"


def test_beads_on_one_face_need_one_drawing_and_say_where_the_raised_roll_goes(tmp_path):
    for side, where in (("up", "below"), ("down", "on top")):
        layout = replace(LAYOUT, beads=tuple(replace(bead, side=side) for bead in LAYOUT.beads))
        document = drawn(tmp_path / "marking.dxf", layout)
        assert len(on(document, "BEAD AXIS")) == 3
        assert f"raised roll {where}" in words(document)
    assert "raised roll below" in words(drawn(tmp_path / "marking.dxf", layout, face="down"))


def test_arrows_point_from_start_to_stop_and_the_word_frame_stands_at_the_frame(tmp_path):
    layout = Layout(1.0, LAYOUT.beads[:1])
    document = drawn(tmp_path / "marking.dxf", layout)
    (arrow,) = map(points, on(document, "FEED"))
    assert arrow[1, 0] > arrow[[0, 2], 0].max()  # the tip, toward the stop
    assert arrow[1, 1] == 110.0
    (letter,) = on(document, "FEED", "TEXT")
    # 110 mm of sheet right of the bead, 270 left of it: what is less goes to the frame, first
    assert letter.dxf.text == "frame"
    assert ground_of(letter).centroid.y < 110.0 - B16.width / 2


def test_an_open_end_is_drawn_past_the_edge(tmp_path):
    layout = Layout(1.0, (Bead(B16, ((0.0, 200.0), (300.0, 200.0)), open_ends=(True, False)),))
    document = drawn(tmp_path / "marking.dxf", layout)
    flanks = np.vstack([points(flank) for flank in on(document, "BEAD FLANK")])
    assert flanks[:, 0].min() <= rough_outline(PANEL, layout).bounds[0]
    ticks = [points(tick)[:, 0].mean() for tick in on(document, "BEAD STOP")]
    assert min(ticks) > 200.0
    assert "start over the edge" in words(document)


def test_flanks_are_as_far_apart_as_the_bead_is_wide(tmp_path):
    layout = Layout(1.0, LAYOUT.beads[:1])
    left, right = on(drawn(tmp_path / "marking.dxf", layout), "BEAD FLANK")
    assert np.ptp(np.vstack([points(left), points(right)])[:, 1]) == pytest.approx(B16.width)


def test_stops_stand_at_both_ends(tmp_path):
    layout = Layout(1.0, LAYOUT.beads[:1])
    ticks = [points(tick) for tick in on(drawn(tmp_path / "marking.dxf", layout), "BEAD STOP")]
    at = sorted(float(tick[:, 0].mean()) for tick in ticks)
    run_out = B16.run_out_length
    assert at == pytest.approx([58.0, 60.0, 60.0 + run_out, 500.0 - run_out, 500.0])


def test_holes_have_pilot_flange_and_cross(tmp_path):
    document = drawn(tmp_path / "marking.dxf")
    for layer, diameter in (("HOLE PILOT", 36.7), ("HOLE FLANGE", 50.0)):
        circles = on(document, layer, "CIRCLE")
        assert [2 * circle.dxf.radius for circle in circles] == pytest.approx([diameter] * 2)
        assert [tuple(circle.dxf.center)[:2] for circle in circles] == [hole.at for hole in LAYOUT.holes]
    assert "H1 cut 36.7 up" in words(document)
    assert len(on(document, "HOLE PILOT")) == 4


def test_fasteners_are_all_there(tmp_path):
    circles = on(drawn(tmp_path / "marking.dxf"), "RIVET", "CIRCLE")
    wanted = [at for support in PANEL.supports for at in support.fasteners()]
    assert len(wanted) == 11
    found = sorted(tuple(circle.dxf.center)[:2] for circle in circles)
    assert np.array(found) == pytest.approx(np.array(sorted(wanted)))


def test_flat_sheet_has_no_rough_cut(tmp_path):
    assert not on(drawn(tmp_path / "marking.dxf", Layout(1.0)), "ROUGH CUT")


def test_table_gives_places_from_the_datum_corner(tmp_path):
    moved = replace(
        PANEL,
        outline=tuple((x - 70.0, y + 25.0) for x, y in PANEL.outline),
        **dict.fromkeys(("cutouts", "supports", "keep_outs", "folds"), ()),
    )
    assert datum_corner(moved) == pytest.approx((-70.0, 25.0))
    told = words(drawn(tmp_path / "marking.dxf", panel=moved))
    assert "130.0" in told  # first bead: x 60, and the corner moved 70 to the left
    assert "85.0" in told  # first bead: y 110, and the corner moved 25 up


def test_figures_in_tables_are_right_aligned(tmp_path):
    texts = on(drawn(tmp_path / "marking.dxf"), "DIMENSION", "TEXT")
    for figures in (("440.0", "500.0"), ("50", "50")):  # X of bead ends, flare diameters
        ends = {round(ground_of(text).bounds[2], 1) for text in texts if text.dxf.text in figures}
        assert len(ends) == 1, figures


def test_a_sheet_with_no_beads_says_nothing_of_the_roller(tmp_path):
    told = words(drawn(tmp_path / "marking.dxf", replace(LAYOUT, beads=())))
    assert "SEEN ON: UP FACE" in told
    assert not [
        one
        for one in told
        if "roll" in one.lower() and one != "At turning rolls:" and not one.startswith("Sharp edges")
    ]


def test_notes_and_card_agree_on_what_comes_last():
    """Trim first, then fold, then drill together with the mating part."""
    steps, notes = order_of_work(PANEL, LAYOUT), bench_notes(face_view(PANEL, LAYOUT))
    for told, order in ((steps, ("trim to it", "Fold 1", "through both parts")), (notes, ("Trim", "Fold", "Drill"))):
        places = [next(i for i, line in enumerate(told) if words in line) for words in order]
        assert places == sorted(places), told


def test_title_block_tells_what_the_sheet_is(tmp_path):
    told = words(drawn(tmp_path / "marking.dxf", evaluated=GOOD))
    mass = f"finished mass {PANEL.mass(LAYOUT):.3f} kg"
    assert {
        "battery hatch",
        "THIS FACE UP IN THE ROLLER: UP FACE",
        "5754-H111, 1 mm thick",
        mass,
        "all demands met",
    } <= set(told)
    assert {"finished, before folding, 560.0 x 380.0 mm", "rough cut 570.0 x 396.0 mm"} <= set(told)
    missed = words(drawn(tmp_path / "missed.dxf", evaluated=verdict(LAYOUT, deflection=2.0)))
    assert "NOT ALL DEMANDS ARE MET: see the card" in missed


def test_overall_sizes_are_those_of_the_finished_outline(tmp_path):
    sizes = [one for one in on(drawn(tmp_path / "marking.dxf"), "DIMENSION", "DIMENSION") if one.dimtype != 6]
    assert [size.get_measurement() for size in sizes] == pytest.approx([560.0, 380.0])


def measured(document):
    """For every running dimension: (mm along X or None, mm along Y or None, point measured, text)."""
    for one in on(document, "DIMENSION", "DIMENSION"):
        if one.dimtype == 6:  # ordinate
            at = one.dxf.defpoint2 - one.dxf.defpoint
            along_x = bool(one.dxf.dimtype & 64)
            yield (at.x if along_x else None), (None if along_x else at.y), tuple(one.dxf.defpoint2)[:2], one.dxf.text


@pytest.mark.parametrize("face", ["up", "down"])
def test_running_dimensions_measure_every_bead_end_and_hole(tmp_path, face):
    found = list(measured(drawn(tmp_path / "marking.dxf", face=face)))
    hand = 1 if face == "up" else -1
    wanted = [at for bead in LAYOUT.beads if bead.side == face for at in (bead.path[0], bead.path[-1])]
    wanted += [hole.at for hole in LAYOUT.holes]
    seen = face_view(PANEL, LAYOUT, face)
    told_values = [{round(one.value, 1) for one in running_dimensions(seen, along)} for along in (0, 1)]
    for x, y in wanted:
        for value, values in zip((x, y), told_values, strict=True):
            assert any(value == pytest.approx(one, abs=0.051) for one in values) or in_a_row(value, found)
    for a, b, _, told in found:
        value = float(told.split(",")[0].split()[-1]) if " x " in told else float(told.split()[-1])
        assert value == pytest.approx(hand * a if b is None else b, abs=0.051)


def in_a_row(value, found):
    """True if a dimension tells a row, as "60.0, 3 x 50 = 150", that has a place at the value."""
    for *_, told in found:
        if match := re.search(r"([\d.]+), (\d+) x ([\d.]+) = ", told):
            start, gaps, pitch = float(match[1]), int(match[2]), float(match[3])
            if any(abs(start + k * pitch - value) < 0.1 for k in range(gaps + 1)):
                return True
    return False


def test_rows_are_told_as_start_pitch_and_count_and_mirrored_halves_once():
    grid = tuple(Hole(L50, (x, y)) for x in (100.0, 180.0, 260.0, 340.0) for y in (150.0, 240.0))
    seen = face_view(replace(PANEL, cutouts=()), Layout(1.0, (), grid))
    (first, last) = running_dimensions(seen, 0)
    assert first.text.endswith("100.0, 3 x 80 = 240") and last.text.endswith("340.0")
    assert [one.text for one in running_dimensions(seen, 1)] == ["H1, H3, H5, H7   150.0", "H2, H4, H6, H8   240.0"]
    other = tuple(Hole(L50, (x, 60.0)) for x in (100.0, 200.0, 300.0))
    both = face_view(replace(PANEL, cutouts=()), Layout(1.0, (), (*grid, *other)))
    head = running_dimensions(both, 0)[0]  # two kinds of row begin at 100, and no row runs from one line to another
    assert head.row == "H1-H8 3 x 80 = 240; H9-H11 2 x 100 = 200"
    assert {(text, at) for text, at in head.starts} == {
        ("3 x 80 = 240", (100.0, 150.0)),
        ("2 x 100 = 200", (100.0, 60.0)),
    }
    sides = tuple(Bead(B16, ((x, 60.0), (x, 320.0))) for x in (60.0, 130.0, 430.0, 500.0))
    mirrored = face_view(replace(PANEL, cutouts=()), Layout(1.0, sides))
    assert [round(one.value) for one in running_dimensions(mirrored, 0)] == [60, 130, 280]
    assert running_dimensions(mirrored, 0)[-1].text.startswith("centre line")


def test_running_dimensions_name_what_they_measure_once(tmp_path):
    told = [words for *_, words in measured(drawn(tmp_path / "marking.dxf"))]
    assert {"1, 2   60.0", "C1   120.0", "H1   150.0", "1   440.0", "2   500.0"} <= set(told)
    seen = face_view(PANEL, Layout(1.0, tuple(Bead(B16, ((40.0, y), (500.0, y))) for y in (60.0, 90.0, 120.0, 150.0))))
    assert [one.text for one in running_dimensions(seen, 0)] == ["1-4   40.0", "C1   120.0", "1-4   500.0"]


@pytest.mark.parametrize("values", [[0.0, 1.0, 2.0, 50.0, 99.0, 99.5], [5.0] * 30, []], ids=["few", "too many", "none"])
def test_spread_keeps_apart_and_in_order(values):
    places = spread_apart(values, 7.0, 0.0, 100.0)
    assert len(places) == len(values)
    assert (np.diff(places) >= 7.0 - 1e-9).all()
    assert all(place >= 0.0 for place in places)
    if len(values) == 6:
        assert places.max() <= 100.0
        assert places[3] == pytest.approx(50.0)
        assert places[:3].mean() == pytest.approx(7.0)  # as near to their mean of 1 as the lower end allows


def test_check_bar_is_100_mm(tmp_path):
    bars = [points(line) for line in on(drawn(tmp_path / "marking.dxf"), "NOTE") if not line.closed]
    longest = max(bars, key=lambda bar: np.ptp(bar[:, 0]))
    assert np.ptp(longest[:, 0]) == pytest.approx(100.0)


SMALL = replace(
    PANEL,
    name="tray %%c of a name much too long for its size",
    outline=((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0)),
    **dict.fromkeys(("cutouts", "supports", "keep_outs", "folds"), ()),
)
TWO = Layout(0.8, (Bead(B16, ((20.0, 20.0), (100.0, 20.0))), Bead(B16, ((20.0, 55.0), (100.0, 60.0)))))
WEDGE = replace(SMALL, outline=((-90.0, 5.0), (400.0, 60.0), (180.0, 700.0)))
CLOSE = Layout(1.5, tuple(Bead(B16, ((80.0 + 27 * i, 100.0), (80.0 + 27 * i, 300.0))) for i in range(8)))


CROWD = replace(
    LAYOUT,
    holes=tuple(Hole(L50, (100.0 + 61.3 * i, 140.0 + 61.7 * j)) for i in range(7) for j in range(3)),
)


@pytest.mark.parametrize("face", ["up", "down"])
@pytest.mark.parametrize(
    ("panel", "layout"),
    [(PANEL, LAYOUT), (PANEL, FRAME), (SMALL, TWO), (WEDGE, CLOSE), (PANEL, Layout(1.0, (), CROWD.holes))],
    ids=["beads and holes", "frame", "small", "wedge with close beads", "many holes"],
)
def test_text_is_large_enough_and_covers_nothing(tmp_path, panel, layout, face):
    document = drawn(tmp_path / "marking.dxf", layout, panel, evaluated=GOOD, face=face)
    texts = list(document.modelspace().query("TEXT"))
    assert min(text.dxf.height for text in texts) >= 3.0
    grounds = [ground_of(text) for text in texts]
    sizes = [one.get_geometry_block() for one in document.modelspace().query("DIMENSION")]
    beside = [ground_of(text) for block in sizes for text in block.query("TEXT")]
    assert len(beside) == len(sizes)
    named = [(text.dxf.text, ground) for text, ground in zip(texts, grounds, strict=True)]
    named += [(f"dimension {i}", ground) for i, ground in enumerate(beside)]
    for i, (name, ground) in enumerate(named):
        for other, under in named[:i]:
            assert not ground.intersects(under), f"{name!r} lies on {other!r}"
    outline = rough_outline(panel, layout).buffer(1.0)
    assert not any(ground.intersects(outline) for ground in beside)
    for text, ground in zip(texts, grounds, strict=True):
        if text.dxf.layer in ("DIMENSION", "NOTE"):
            assert not ground.intersects(outline), f"{text.dxf.text!r} lies on the sheet"


def ground_of(text):
    """The area that a text covers, as ezdxf measures it."""
    straight = text.copy()
    straight.dxf.rotation = 0.0
    box = bbox.extents([straight], fast=True)
    x0, y0, x1, y1 = box.extmin.x, box.extmin.y, box.extmax.x, box.extmax.y
    _, first, _ = text.get_placement()
    turn, at = math.radians(text.dxf.rotation), (first.x, first.y)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]) - at
    spin = np.array([(math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))])
    return Polygon(corners @ spin + at)


CROWDED = replace(LAYOUT, holes=(*LAYOUT.holes, Hole(L50, (270.0, 148.0)), Hole(L50, (30.0, 248.0))))


@pytest.mark.parametrize("layout", [LAYOUT, CROWDED], ids=["roomy", "first places taken"])
def test_numbers_stay_clear_of_lines(tmp_path, layout):
    document = drawn(tmp_path / "marking.dxf", layout)
    labels = on(document, "NUMBER", "TEXT")
    own = [bead for bead in layout.beads if bead.side == "up"]
    assert len(labels) == len(own) + len(layout.holes)
    for layer in ("BEAD AXIS", "BEAD FLANK", "BEAD STOP", "FEED", "OTHER FACE", "CUT", "RIVET", "FOLD", "KEEP OUT"):
        for way in on(document, layer):
            line = Polygon(points(way)).exterior if way.closed else LineString(points(way))
            for text in labels:
                assert not ground_of(text).intersects(line), f"{text.dxf.text!r} lies on a line of {layer}"


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"nowhere/marking\.dxf: cannot be written"):
        write_marking(PANEL, LAYOUT, tmp_path / "nowhere" / "marking.dxf")


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "card.txt"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), atomic_write(path) as fresh:
        fresh.write_text("half")
        raise ZeroDivisionError
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_flat_verdict_draws_too(tmp_path):
    told = words(drawn(tmp_path / "marking.dxf", FLAT.layout, evaluated=FLAT))
    assert "all demands met" in told or "NOT ALL DEMANDS ARE MET: see the card" in told
    assert not [one for one in told if "flared hole" in one]


def test_every_corner_of_a_cut_out_is_told(tmp_path):
    ring = ((220.0, 160.0), (340.0, 160.0), (350.0, 170.0), (350.0, 190.0), (220.0, 190.0))
    panel = replace(PANEL, cutouts=(Cutout(ring),))
    told = words(drawn(tmp_path / "marking.dxf", Layout(1.0), panel=panel))
    x0, y0 = datum_corner(panel)
    after = told[told.index("corners, in turn") + 1 :]
    spoken = [one for one in after if re.fullmatch(r"-?[0-9]+\.[0-9]", one)][: 2 * len(ring)]
    assert spoken == [f"{value:.1f}" for x, y in ring for value in (x - x0, y - y0)]


def test_fasteners_are_named_and_listed_no_longer_than_they_are_many(tmp_path):
    """A row along a rounded outline has many more points than rivets: then each rivet has its line."""
    ring = (*PANEL.outline, PANEL.outline[0])
    inner = tuple((280 + 0.95 * (x - 280), 190 + 0.95 * (y - 190)) for x, y in ring)
    around = Support("rivets", path=inner, pitch=150.0, diameter=4.0)
    told = words(drawn(tmp_path / "marking.dxf", panel=replace(PANEL, supports=(around, PANEL.supports[1]))))
    assert {"bolt M6", "rivets 4 mm", f"{len(around.fasteners())}, see card"} <= set(told)
    start = told.index("rivets 4 mm")
    assert "to" not in told[start : start + 4 * len(around.fasteners())]
    straight = words(drawn(tmp_path / "straight.dxf"))
    assert "9 at 40.0" in straight

"""The marking drawing is read back: layers, places, areas, and no words over other words."""

import math
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf import bbox, units
from shapely.geometry import LineString, Point, Polygon
from trike import B16, F50, FLAT, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen.bench import trim_allowance
from stiffen.drawing import LAYERS, datum, marks, rough_outline, write_marking, written
from stiffen.errors import InputError
from stiffen.layout import Bead, Hole, Layout


def drawn(path, layout=LAYOUT, panel=PANEL, judged=None):
    write_marking(panel, layout, path, judged)
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
    assert {entity.dxf.layer for entity in document.modelspace()} == set(LAYERS)


def test_readme_explains_every_layer():
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    explained = {name for row in readme.splitlines() if row.startswith("| ") for name in row.split("|")[1].split(",")}
    assert set(LAYERS) <= {name.strip() for name in explained}


def test_outline_is_closed_and_has_the_panels_area(tmp_path):
    document = drawn(tmp_path / "marking.dxf")
    (outline,) = on(document, "CUT")
    assert outline.closed
    (circle,) = on(document, "CUT", "CIRCLE")
    area = Polygon(points(outline)).area - math.pi * circle.dxf.radius**2
    # the region's cut-out has 64 chords, the drawing a true circle: 1 - sinc(2 pi/64) of 804 mm2 is 1.3 mm2
    assert area == pytest.approx(PANEL.region.area, abs=1.5)
    assert tuple(circle.dxf.center)[:2] == (120.0, 60.0)


def test_bead_axes_stand_where_the_layout_has_them(tmp_path):
    axes = on(drawn(tmp_path / "marking.dxf"), "BEAD AXIS")
    assert len(axes) == len(LAYOUT.beads)
    for axis, bead in zip(axes, LAYOUT.beads, strict=True):
        assert points(axis) == pytest.approx(np.array(bead.path), abs=0.01)


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


def test_rough_cut_is_outside_by_the_trim_allowance():
    x, y = trim_allowance(PANEL, LAYOUT)
    assert y > x > 0  # three beads along x draw the sheet in along y
    x0, y0, x1, y1 = rough_outline(PANEL, LAYOUT).bounds
    assert (x0, y0, x1, y1) == pytest.approx((-x, -y, 560 + x, 380 + y), abs=0.05)
    assert rough_outline(PANEL, Layout(1.0)).equals(Polygon(PANEL.outline))


def test_flat_sheet_has_no_rough_cut(tmp_path):
    assert not on(drawn(tmp_path / "marking.dxf", Layout(1.0)), "ROUGH CUT")


def test_table_gives_places_from_the_datum_corner(tmp_path):
    moved = replace(PANEL, outline=tuple((x - 70.0, y + 25.0) for x, y in PANEL.outline))
    assert datum(moved) == pytest.approx((-70.0, 25.0))
    told = words(drawn(tmp_path / "marking.dxf", panel=moved))
    assert "130.0" in told  # x 60 of the first bead, 70 right of what it was
    assert "85.0" in told  # y 110, 25 lower


def test_title_block_tells_what_the_sheet_is(tmp_path):
    told = words(drawn(tmp_path / "marking.dxf", judged=GOOD))
    mass = f"finished mass {PANEL.mass(LAYOUT):.3f} kg"
    assert {"battery hatch", "THIS FACE UP", "5754-H111, 1 mm thick", mass, "all demands met"} <= set(told)
    missed = words(drawn(tmp_path / "missed.dxf", judged=verdict(LAYOUT, deflection=2.0)))
    assert "NOT ALL DEMANDS ARE MET: see the card" in missed


def test_overall_sizes_are_those_of_the_finished_outline(tmp_path):
    sizes = on(drawn(tmp_path / "marking.dxf"), "DIMENSION", "DIMENSION")
    assert [size.get_measurement() for size in sizes] == pytest.approx([560.0, 380.0])


def test_check_bar_is_100_mm(tmp_path):
    bars = [points(line) for line in on(drawn(tmp_path / "marking.dxf"), "NOTE") if not line.closed]
    longest = max(bars, key=lambda bar: np.ptp(bar[:, 0]))
    assert np.ptp(longest[:, 0]) == pytest.approx(100.0)


SMALL = replace(
    PANEL,
    name="tray %%c of a name\nmuch too long for its size",
    outline=((0.0, 0.0), (120.0, 0.0), (120.0, 80.0), (0.0, 80.0)),
    **dict.fromkeys(("cutouts", "supports", "keep_outs", "folds"), ()),
)
TWO = Layout(0.8, (Bead(B16, ((20.0, 20.0), (100.0, 20.0))), Bead(B16, ((20.0, 55.0), (100.0, 60.0)))))
WEDGE = replace(SMALL, outline=((-90.0, 5.0), (400.0, 60.0), (180.0, 700.0)))
CLOSE = Layout(1.5, tuple(Bead(B16, ((80.0 + 27 * i, 100.0), (80.0 + 27 * i, 300.0))) for i in range(8)))


@pytest.mark.parametrize(
    ("panel", "layout"),
    [(PANEL, LAYOUT), (PANEL, FRAME), (SMALL, TWO), (WEDGE, CLOSE)],
    ids=["beads and holes", "frame", "small", "wedge with close beads"],
)
def test_words_are_large_enough_and_lie_on_nothing(tmp_path, panel, layout):
    document = drawn(tmp_path / "marking.dxf", layout, panel, judged=GOOD)
    texts = list(document.modelspace().query("TEXT"))
    assert min(text.dxf.height for text in texts) >= 3.0
    grounds = [ground_of(text) for text in texts]
    for i, ground in enumerate(grounds):
        for j in range(i):
            assert not ground.intersects(grounds[j]), f"{texts[i].dxf.text!r} lies on {texts[j].dxf.text!r}"
    outline = rough_outline(panel, layout).buffer(1.0)
    for text, ground in zip(texts, grounds, strict=True):
        if text.dxf.layer in ("DIMENSION", "NOTE"):
            assert not ground.intersects(outline), f"{text.dxf.text!r} lies on the sheet"


def ground_of(text):
    """What a text covers, from the drawing library's own measure of it."""
    straight = text.copy()
    straight.dxf.rotation = 0.0
    box = bbox.extents([straight], fast=True)
    x0, y0, x1, y1 = box.extmin.x, box.extmin.y, box.extmax.x, box.extmax.y
    turn, at = math.radians(text.dxf.rotation), (text.dxf.insert.x, text.dxf.insert.y)
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]) - at
    spin = np.array([(math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))])
    return Polygon(corners @ spin + at)


CROWDED = replace(LAYOUT, holes=(*LAYOUT.holes, Hole(F50, (270.0, 148.0)), Hole(F50, (30.0, 248.0))))


@pytest.mark.parametrize("layout", [LAYOUT, CROWDED], ids=["roomy", "first places taken"])
def test_numbers_stay_clear_of_lines(tmp_path, layout):
    document = drawn(tmp_path / "marking.dxf", layout)
    labels = on(document, "NUMBER", "TEXT")
    assert len(labels) == len(layout.beads) + len(layout.holes)
    for layer in ("BEAD AXIS", "BEAD FLANK", "BEAD STOP", "CUT", "RIVET", "FOLD", "KEEP OUT"):
        for way in on(document, layer):
            line = Polygon(points(way)).exterior if way.closed else LineString(points(way))
            for text in labels:
                assert not ground_of(text).intersects(line), f"{text.dxf.text!r} lies on a line of {layer}"


def test_marks_of_a_straight_bead_are_its_ends():
    assert marks(LAYOUT.beads[0]) == ((60.0, 110.0, "start"), (500.0, 110.0, "stop"))


def test_marks_of_a_frame_are_the_ends_of_its_straights_and_its_curves():
    found = marks(FRAME.beads[0])
    assert [word for _, _, word in found].count("curve R 70") == 4
    assert found[-1][2] == "back at start"
    assert found[0][:2] == found[-1][:2]
    straight_ends = {(60.0, 170.0), (60.0, 250.0), (130.0, 100.0), (430.0, 320.0), (500.0, 250.0)}
    assert straight_ends <= {(round(x, 6), round(y, 6)) for x, y, _ in found}


def test_marks_of_an_arc_give_its_middle_and_radius():
    turn = np.linspace(0.3, 2.3, 41)
    arc = Bead(B16, tuple(zip(200 + 90 * np.cos(turn), 150 + 90 * np.sin(turn), strict=True)))
    start, middle, stop = marks(arc)
    assert (start[2], middle[2], stop[2]) == ("start", "curve R 90", "stop")
    assert Point(middle[:2]).distance(Point(200, 150)) == pytest.approx(90.0)


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"nowhere/marking\.dxf: cannot be written"):
        write_marking(PANEL, LAYOUT, tmp_path / "nowhere" / "marking.dxf")


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "card.txt"
    path.write_text("old")
    with pytest.raises(ZeroDivisionError), written(path) as fresh:
        fresh.write_text("half")
        raise ZeroDivisionError
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_flat_verdict_draws_too(tmp_path):
    assert "0 flared holes" in words(drawn(tmp_path / "marking.dxf", FLAT.layout, judged=FLAT))

"""Drawings as a CAD program leaves them: every way to draw a sheet gives its area; layers mark folds, rivets and more.

Areas in closed form; drawings made with ezdxf.
"""

import math
import random
import re
import tomllib
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from shapely.geometry import LineString, Polygon

from stiffen.errors import InputError
from stiffen.io.dxf_layers import MARKING_LAYERS, role_of_name
from stiffen.io.dxf_reader import read_drawing
from stiffen.io.fastener_rows import group_into_rows
from stiffen.io.panel_file import layout_document, panel_from_dict, read_layout, read_panel, write_json
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Fold, KeepOut
from stiffen.output.drawing.dxf_writer import LAYERS
from stiffen.output.drawing.marking_dxf import write_marking

DRAWINGS = Path(__file__).parents[2] / "docs" / "drawings.md"
LENGTH, WIDTH, CORNER, HOLE = 560.0, 380.0, 25.0, 40.0
AREA = LENGTH * WIDTH - (4 - math.pi) * CORNER**2 - math.pi / 4 * HOLE**2
MM = {1: 25.4, 4: 1.0, 5: 10.0, 6: 1000.0}


def corners(r=CORNER, a=LENGTH, b=WIDTH):
    """(centre, start angle) of the four round corners, and the ends of the straight sides between them."""
    arcs = [((a - r, r), 270), ((a - r, b - r), 0), ((r, b - r), 90), ((r, r), 180)]
    sides = [((r, 0), (a - r, 0)), ((a, r), (a, b - r)), ((a - r, b), (r, b)), ((0, b - r), (0, r))]
    return arcs, sides


def as_lines_and_arcs(space, scale, chance):
    arcs, sides = corners()
    strokes = [("arc", *arc) for arc in arcs] + [("line", *side) for side in sides]
    chance.shuffle(strokes)
    for kind, first, second in strokes:
        if kind == "arc":
            space.add_arc(np.array(first) / scale, CORNER / scale, second, second + 90)
        else:
            ends = [first, second] if chance.random() < 0.5 else [second, first]
            space.add_line(*(np.array(end) / scale for end in ends))


def as_bulges(space, scale, chance):
    quarter = math.tan(math.pi / 8)
    _, sides = corners()
    points = [(x / scale, y / scale, bulge) for a, b in sides for (x, y), bulge in ((a, 0.0), (b, quarter))]
    space.add_lwpolyline(points, format="xyb", close=True)


def as_old_polyline(space, scale, chance):
    quarter = math.tan(math.pi / 8)
    _, sides = corners()
    points = [(x / scale, y / scale, bulge) for a, b in sides for (x, y), bulge in ((a, 0.0), (b, quarter))]
    space.add_polyline2d(points, format="xyb", close=True)


def with_gaps(space, scale, chance):
    """Every stroke stops up to 0.025 mm short at both ends, so that two meet within 0.05 mm."""
    arcs, sides = corners()
    for (x, y), start in arcs:
        short = math.degrees(chance.uniform(0, 0.025) / CORNER)
        space.add_arc((x / scale, y / scale), CORNER / scale, start + short, start + 90 - short)
    for a, b in sides:
        line = LineString([a, b])
        cut = [line.interpolate(s) for s in (chance.uniform(0, 0.025), line.length - chance.uniform(0, 0.025))]
        space.add_line(*((p.x / scale, p.y / scale) for p in cut))


def as_block(space, scale, chance):
    """A nested block, drawn at a quarter of the size about its middle, rotated and scaled into place."""
    quarter = math.tan(math.pi / 8)
    _, sides = corners()
    inner = space.doc.blocks.new("INNER")
    points = [((x - 280) / 4, (y - 190) / 4, bulge) for a, b in sides for (x, y), bulge in ((a, 0.0), (b, quarter))]
    inner.add_lwpolyline(points, format="xyb", close=True)
    space.doc.blocks.new("OUTER").add_blockref("INNER", (0, 0), dxfattribs={"rotation": 90})
    size = 4 / scale
    space.add_blockref(
        "OUTER",
        (280 / scale, 190 / scale),
        dxfattribs={"xscale": size, "yscale": size, "zscale": size, "rotation": -90},
    )


@pytest.mark.parametrize("unit", MM)
@pytest.mark.parametrize("draw", [as_lines_and_arcs, as_bulges, as_old_polyline, with_gaps, as_block])
def test_area_is_right_however_it_was_drawn(tmp_path, draw, unit):
    document = ezdxf.new("R2000")
    document.header["$INSUNITS"] = unit
    draw(document.modelspace(), MM[unit], random.Random(unit))
    document.modelspace().add_circle((200 / MM[unit], 190 / MM[unit]), HOLE / 2 / MM[unit])
    document.saveas(tmp_path / "part.dxf")
    found = read_drawing(tmp_path / "part.dxf")
    region = Polygon(found.outline.ring, [loop.ring for loop in found.cutouts])
    assert region.area == pytest.approx(AREA, rel=1e-3)
    assert region.bounds == pytest.approx((0, 0, LENGTH, WIDTH), abs=0.05)
    assert found.cutouts[0].circle == pytest.approx((200, 190, HOLE), abs=1e-4)


# --- layers ----------------------------------------------------------------------------------------------------

PANEL = """
[panel]
name = "floor pan"
material = "5754-H111"
gauges = [1.0]
outline_dxf = "part.dxf"
"""


@pytest.fixture
def part(tmp_path):
    """A drawing of a 400 x 300 sheet, and the panel that is read from it."""

    class Part:
        def __init__(self):
            self.document = ezdxf.new("R2010")
            self.document.units = ezdxf.units.MM
            self.modelspace = self.document.modelspace()
            self.modelspace.add_lwpolyline([(0, 0), (400, 0), (400, 300), (0, 300)], close=True)

        def line(self, layer, *points):
            self.modelspace.add_lwpolyline(points, dxfattribs={"layer": layer})

        def loop(self, layer, *points):
            self.modelspace.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})

        def circles(self, layer, diameter, *points):
            for point in points:
                self.modelspace.add_circle(point, diameter / 2, dxfattribs={"layer": layer})

        def save(self):
            for entity in self.modelspace:
                if entity.dxf.layer not in self.document.layers:
                    self.document.layers.add(entity.dxf.layer)
            self.document.saveas(tmp_path / "part.dxf")

        def read(self, more=""):
            self.save()
            return panel_from_dict(tomllib.loads(PANEL + more), tmp_path)

        def fault(self, more=""):
            with pytest.raises(InputError) as error:
                self.read(more)
            return str(error.value)

    return Part()


def marked(part):
    """One of everything."""
    part.line("FOLD UP", (0, 30), (400, 30))
    part.line("fold_down_45_r2", (0, 270), (400, 270))
    part.loop("KEEP OUT", (300, 100), (350, 100), (350, 150), (300, 150))
    part.loop("Keep_Out_Beads", (50, 100), (90, 100), (90, 150))
    part.circles("RIVET", 4.0, *((x, 50) for x in (340, 60, 200, 130, 270)))
    part.circles("RIVET 4.8 HELD", 3.0, *((x, 250) for x in (100, 200, 300)))
    part.modelspace.add_point((380, 150), dxfattribs={"layer": "BOLT 6"})
    part.loop("CUT", (150, 150), (190, 150), (190, 190), (150, 190))
    part.line("BEAD AXIS", (100, 120), (300, 120))
    part.line("rough_cut", (-5, -5), (405, -5))
    return part


def test_layers_mark_folds_keep_outs_cut_outs_rivets_and_bolts(part):
    panel = marked(part).read()
    assert panel.folds == (Fold(((0, 30), (400, 30)), 90.0, 0.0), Fold(((0, 270), (400, 270)), -45.0, 2.0))
    square, wedge = panel.keep_outs
    assert square == KeepOut(square.polygon, ("bead", "hole"))
    assert Polygon(square.polygon).equals(Polygon([(300, 100), (350, 100), (350, 150), (300, 150)]))
    assert wedge.against == ("bead",)
    row, held, bolt = panel.supports
    assert (row.kind, row.diameter, row.in_plane, row.pitch) == ("rivets", 4.0, "unknown", 70.0)
    assert row.fasteners() == row.path == tuple((float(x), 50.0) for x in (60, 130, 200, 270, 340))
    assert (held.kind, held.diameter, held.in_plane) == ("rivets", 4.8, "held")
    assert (bolt.kind, bolt.diameter, bolt.at) == ("bolts", 6.0, ((380.0, 150.0),))
    assert panel.region.area == pytest.approx(400 * 300 - 40 * 40)


def test_annotations_are_kept_in_the_layout_file(part, tmp_path):
    panel = marked(part).read()
    write_json(tmp_path / "layout.json", layout_document(panel, panel.layout(), None))
    (tmp_path / "part.dxf").unlink()
    assert read_layout(tmp_path / "layout.json")[0] == panel


def test_own_names_are_mapped(part):
    part.line("BEND_1", (0, 30), (400, 30))
    part.loop("clip", (300, 100), (350, 100), (350, 150), (300, 150))
    part.line("frame, seen from above", (0, 0), (400, 300))
    part.circles("0-HOLES", 4.0, (60, 200), (120, 200), (180, 200))
    panel = part.read(
        '[dxf_layers]\nbend_1 = "FOLD DOWN"\nClip = "KEEP OUT HOLES"\n"frame, seen from above" = "PASS OVER"\n'
        '"0-holes" = "RIVET 4 FREE"'
    )
    assert panel.folds[0].angle == -90
    assert panel.keep_outs[0].against == ("hole",)
    assert (panel.supports[0].kind, panel.supports[0].in_plane) == ("rivets", "free")


def test_layer_0_of_a_block_lies_on_the_layer_of_its_reference(part):
    part.document.blocks.new("RIVET HOLE").add_circle((0, 0), 2)
    for x in (60, 120, 180):
        part.modelspace.add_blockref("RIVET HOLE", (x, 40), dxfattribs={"layer": "RIVET"})
    panel = part.read()
    assert panel.supports[0].at == ((60, 40), (120, 40), (180, 40))
    assert panel.cutouts == ()


def test_our_own_marking_drawing_is_read_back(tmp_path, part):
    panel = marked(part).read()
    bead = Bead(panel.tools.bead_dies[0], ((100.0, 200.0), (200.0, 200.0)))
    hole = Hole(panel.tools.hole_dies[0], (250.0, 200.0))
    layout = Layout(1.0, (bead,), (hole,))  # keep-outs are drawn for what is made
    write_marking(panel, layout, tmp_path / "marking.dxf")
    text = PANEL.replace("part.dxf", "marking.dxf") + '[dxf_layers]\nFOLD = "PASS OVER"\n'
    (tmp_path / "again.toml").write_text(text)
    again = read_panel(tmp_path / "again.toml")
    assert again.region.symmetric_difference(panel.region).area < 1
    assert [sorted(one.polygon) for one in again.keep_outs] == [sorted(one.polygon) for one in panel.keep_outs]
    places = [sorted(p for one in each.supports for p in one.fasteners()) for each in (again, panel)]
    assert np.allclose(*places, atol=1e-3)


@pytest.mark.parametrize(
    ("layer", "message"),
    [
        ("FOLD", "part.dxf: has a layer FOLD that does not say which way the fold goes (name it CUT, FOLD UP,"),
        ("FOLD 90", "has a layer FOLD 90 that does not say which way"),
        ("FOLD UP STEEP", "has a layer FOLD UP STEEP that has unknown words"),
        ("RIVETS big", "has a layer RIVETS big that has unknown words"),
        ("RIVET 4", "layer RIVET 4 has no circles or points (draw one at each rivet or bolt)"),
        ("KEEP OUT", "layer KEEP OUT has an open end at (0.00, 30.00)"),
        ("FOLD UP 175", "layer FOLD UP 175: angle is 175, must be at least -170 and at most 170 degrees"),
    ],
)
def test_message_for_a_wrong_layer(part, layer, message):
    part.line(layer, (0, 30), (400, 30))
    assert message in part.fault()


def test_folds_that_do_not_fit(part):
    part.line("FOLD UP", (10, 30), (400, 30))
    part.modelspace.add_arc((200, 150), 50, 0, 90, dxfattribs={"layer": "FOLD DOWN"})
    message = part.fault()
    assert "layer FOLD DOWN has a curve from (250.0, 150.0) to (200.0, 200.0) (a fold line is straight)" in message
    part.document.modelspace().delete_entity(part.modelspace[-1])
    part.line("FOLD DOWN", (200, 0), (200, 300))
    message = part.fault()
    assert "panel.outline_dxf: part.dxf: layer FOLD UP: line does not divide the sheet" in message


def test_crossing_folds_are_reported(part):
    part.line("FOLD UP", (0, 30), (400, 30))
    part.line("FOLD DOWN", (200, 0), (200, 300))
    assert "layer FOLD DOWN: line crosses another fold on the sheet" in part.fault()


def test_rivets_of_two_sizes_are_rows_of_their_own(part):
    part.circles("RIVET", 4.8, *((x, 40) for x in (60, 140, 220)))
    part.circles("RIVET", 4.0, *((x, 40) for x in (100, 180, 260)))
    panel = part.read()
    assert [(one.diameter, len(one.at)) for one in panel.supports] == [(4.0, 3), (4.8, 3)]
    part.modelspace.add_point((60, 200), dxfattribs={"layer": "RIVET"})
    assert "layer RIVET has points, which have no diameter (give it in the layer's name: RIVET 4)" in part.fault()


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('BEND = "FOLD SIDEWAYS"', 'dxf_layers.BEND: is "FOLD SIDEWAYS" (name it CUT, FOLD UP'),
        ("BEND = 90", "dxf_layers.BEND: is 90, not a text"),
        ('BENT = "FOLD UP"', 'part.dxf: has no layer BENT, which [dxf_layers] names (did you mean "BEND"?)'),
    ],
)
def test_wrong_mappings_are_reported(part, table, message):
    part.line("BEND", (0, 30), (400, 30))
    text = part.fault(f"[dxf_layers]\n{table}\n")
    assert message in text


def test_mapping_without_a_drawing(tmp_path):
    data = tomllib.loads(PANEL.replace('outline_dxf = "part.dxf"', "outline = [[0, 0], [400, 0], [400, 300]]"))
    data["dxf_layers"] = {"BEND": "FOLD UP"}
    with pytest.raises(InputError, match="dxf_layers: has no meaning without outline_dxf"):
        panel_from_dict(data, tmp_path)


def test_bench_layers_are_those_of_the_marking_drawing():
    ours = {name for name in LAYERS if role_of_name(name) and role_of_name(name).kind != "nothing"} | {"FOLD"}
    assert set(MARKING_LAYERS) | ours == {*LAYERS, "DEFPOINTS"}


def test_the_mapping_in_the_documents_is_a_good_one():
    (block,) = re.findall(r"```toml\n(\[dxf_layers\].*?)```", DRAWINGS.read_text(encoding="utf-8"), re.DOTALL)
    names = tomllib.loads(block)["dxf_layers"]
    assert [role_of_name(name).kind for name in names.values()] == ["fold", "rivets", "nothing"]


# --- rows of rivets --------------------------------------------------------------------------------------------


def test_rows_end_at_wide_gaps_and_follow_corners():
    front = [(x, 12.0) for x in range(40, 521, 40)]
    rear = [(x, 368.0) for x in range(40, 521, 40)]
    points = [(float(x), y) for x, y in front + rear]
    random.Random(5).shuffle(points)
    found = sorted(tuple(sorted(row)) for row in group_into_rows(points))
    assert found == [tuple(sorted(front)), tuple(sorted(rear))]
    for row in group_into_rows(points):
        assert LineString(row).length == pytest.approx(480)


def test_a_ring_of_rivets_closes():
    line = LineString([(0, 0), (400, 0), (400, 300), (0, 300), (0, 0)])
    points = [(p.x, p.y) for p in (line.interpolate(35 * i) for i in range(40))]
    random.Random(2).shuffle(points)
    (row,) = group_into_rows(points)
    assert row[0] == row[-1]
    assert len(row) == 41
    assert LineString(row).length == pytest.approx(1400, rel=0.02)


def test_points_that_make_no_row():
    grid = [(float(x), float(y)) for x in (0, 40, 80) for y in (0, 40, 80)]
    with pytest.raises(InputError, match="do not lie in a row"):
        group_into_rows([*grid, (40.0, 120.0), (40.0, 160.0), (0.0, 120.0)])
    assert group_into_rows([(1.0, 2.0)]) == [((1.0, 2.0),)]

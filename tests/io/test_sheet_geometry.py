"""Rings, rounded corners, the sheet, and loops from drawings.

Checked against plane geometry (areas in closed form), shapely's buffers, and drawings made with ezdxf.
"""

import importlib.util
import math
import random
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from shapely.geometry import LinearRing, Polygon

from stiffen.errors import InputError
from stiffen.io.dxf_reader import read_drawing
from stiffen.model.sheet_geometry import (
    MAX_CHORD_ERROR,
    SheetGeometry,
    arc_points,
    circle_ring,
    open_ring,
    ring_fault,
    round_corners,
    signed_area,
)

EXAMPLES = Path(__file__).parents[2] / "examples"
SQUARE = ((0.0, 0.0), (400.0, 0.0), (400.0, 300.0), (0.0, 300.0))
ELL = ((0.0, 0.0), (400.0, 0.0), (400.0, 300.0), (200.0, 300.0), (200.0, 200.0), (0.0, 200.0))


def regular(sides, radius):
    return tuple(
        (radius * math.cos(math.tau * i / sides), radius * math.sin(math.tau * i / sides)) for i in range(sides)
    )


# --- arcs and rounded corners ----------------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [0.5, 2.0, 15.0, 80.0, 1500.0])
@pytest.mark.parametrize("sweep", [0.3, -math.pi / 2, math.tau])
def test_arc_keeps_the_chord_error_with_no_chord_to_spare(radius, sweep):
    points = np.array(arc_points((3.0, -2.0), radius, 0.7, sweep))
    assert np.hypot(*(points - [3.0, -2.0]).T) == pytest.approx(radius)
    chords = len(points) - 1
    error = radius * (1 - math.cos(abs(sweep) / chords / 2))
    assert error <= MAX_CHORD_ERROR * (1 + 1e-6)
    if chords > 1:
        assert radius * (1 - math.cos(abs(sweep) / (chords - 1) / 2)) > MAX_CHORD_ERROR


def test_arc_runs_from_end_to_end():
    points = arc_points((0, 0), 10, 0, math.pi / 2)
    assert points[0] == pytest.approx((10, 0))
    assert points[-1] == pytest.approx((0, 10))


@pytest.mark.parametrize("radius", [0.5, 15.0, 30.0, 149.0])
def test_rounded_rectangle_has_the_area_of_geometry(radius):
    ring = round_corners(SQUARE, radius)
    exact = 400 * 300 - (4 - math.pi) * radius**2
    missing = math.tau * radius * MAX_CHORD_ERROR  # what the chords may cut off
    assert exact - missing <= signed_area(ring) <= exact


def test_rounded_inner_corner_adds_what_an_outer_one_takes():
    # an L has five outer corners and one inner one: net four corners of (1 - pi/4) r^2
    radius = 20.0
    exact = signed_area(ELL) - 4 * (1 - math.pi / 4) * radius**2
    assert signed_area(round_corners(ELL, radius)) == pytest.approx(exact, abs=math.tau * radius * MAX_CHORD_ERROR)


@pytest.mark.parametrize("sides", [3, 5, 6, 9])
def test_rounding_a_convex_polygon_is_shrinking_and_growing_it(sides):
    corners = regular(sides, 100.0)
    ours = Polygon(round_corners(corners, 12.0))
    theirs = Polygon(corners).buffer(-12.0, join_style="mitre").buffer(12.0, quad_segs=200)
    assert ours.symmetric_difference(theirs).area < math.tau * 12.0 * MAX_CHORD_ERROR


def test_rounded_ring_is_tangent_to_its_sides():
    ring = np.array(round_corners(regular(3, 100.0), 12.0))
    steps = np.diff(np.vstack([ring, ring[:1]]), axis=0)
    headings = np.arctan2(steps[:, 1], steps[:, 0])
    turns = np.abs(np.remainder(np.diff(headings) + math.pi, math.tau) - math.pi)
    assert turns.max() < 2 * math.acos(1 - MAX_CHORD_ERROR / 12.0) + 1e-9


def test_point_on_a_straight_side_takes_no_room():
    extra = (SQUARE[0], (10.0, 0.0), *SQUARE[1:])
    assert round_corners(extra, 30.0) == round_corners(SQUARE, 30.0)


def test_radius_without_room_names_the_side_and_what_fits():
    with pytest.raises(InputError, match=r"between \(400, 0\) and \(400, 300\), 300.00 mm long \(at most 150 mm"):
        round_corners(SQUARE, 151.0)
    assert ring_fault(round_corners(SQUARE, 150.0)) == ""


def test_radius_without_room_on_several_sides_tells_what_fits_on_the_shortest():
    """The sides of SQUARE are 400 and 300 mm: two arcs of a quarter turn take twice their radius of each."""
    with pytest.raises(InputError, match=r"300.00 mm long \(at most 150 mm"):
        round_corners(SQUARE, 250.0)


# --- rings -----------------------------------------------------------------------------------------------------


def test_ring_is_open_and_counter_clockwise():
    clockwise = (*SQUARE[::-1], SQUARE[-1])
    ring = open_ring(clockwise)
    assert set(ring) == set(SQUARE)
    assert signed_area(ring) == pytest.approx(400 * 300)
    assert open_ring(SQUARE) == SQUARE


@pytest.mark.parametrize(
    ("ring", "message"),
    [
        (SQUARE, ""),
        ((SQUARE[0], SQUARE[1], SQUARE[3], SQUARE[2]), r"crosses or touches itself at (200.0, 150.0)"),
        (((0, 0), (100, 0), (200, 0)), "bounds no area"),
        (((0, 0), (100, 0)), "bounds no area"),
        (((0, 0), (100, 0), (100, 50), (150, 50), (100, 50), (100, 100)), "crosses or touches itself"),
    ],
    ids=["clean", "bow tie", "straight", "two points", "spike"],
)
def test_ring_fault(ring, message):
    assert ring_fault(ring).startswith(message)
    assert bool(ring_fault(ring)) == bool(message)


def test_circle_ring_lies_on_the_circle():
    ring = circle_ring(10.0, 20.0, 32.0)
    assert all(math.dist(point, (10.0, 20.0)) == pytest.approx(16.0) for point in ring)
    assert signed_area(ring) == pytest.approx(math.pi * 16.0**2, rel=2e-3)
    assert len(circle_ring(0, 0, 0.5)) == 12


# --- the sheet -------------------------------------------------------------------------------------------------


@pytest.fixture
def sheet():
    return SheetGeometry(SQUARE, (circle_ring(100.0, 100.0, 40.0),))


@pytest.mark.parametrize(
    ("point", "on_sheet"),
    [((200, 150), True), ((0, 0), True), ((-0.04, 150), True), ((-0.06, 150), False), ((100, 100), False),
     ((119.97, 100), True), ((119.9, 100), False), ((500, 500), False)],
)  # fmt: skip
def test_points_on_the_sheet(sheet, point, on_sheet):
    assert sheet.contains(point) is on_sheet


def test_path_tells_where_it_leaves(sheet):
    assert sheet.first_exit([(10, 10), (390, 10)]) is None
    assert sheet.first_exit([(10, 0), (390, -0.04)]) is None
    assert sheet.first_exit([(10, 10), (450, 10)]) == pytest.approx((400, 10))
    assert sheet.first_exit([(50, 100), (200, 100)]) == pytest.approx((80, 100), abs=0.03)
    assert sheet.first_exit([(-50, 10), (200, 10)]) == pytest.approx((-50, 10))


def test_share_of_a_patch(sheet):
    assert sheet.covered_fraction((300, 150), (100, 100)) == pytest.approx(1)
    assert sheet.covered_fraction((400, 150), (100, 100)) == pytest.approx(0.5, abs=1e-3)
    assert sheet.covered_fraction((100, 100), (40, 40)) == pytest.approx(1 - math.pi / 4, abs=6e-3)


@pytest.mark.parametrize(
    ("line", "parts"),
    [([(0, 20), (400, 20)], 2), ([(0.04, 20), (399.96, 20)], 2), ([(1, 20), (400, 20)], 1), ([(-9, 20), (409, 20)], 2),
     ([(0, 0), (400, 0)], 1), ([(0, 500), (400, 500)], 1)],
)  # fmt: skip
def test_fold_lines_part_the_sheet(sheet, line, parts):
    assert sheet.count_parts(line) == parts


def test_line_over_two_arms_makes_three_parts():
    channel = ((0, 0), (400, 0), (400, 300), (300, 300), (300, 100), (100, 100), (100, 300), (0, 300))
    assert SheetGeometry(channel).count_parts([(0, 200), (400, 200)]) == 3


def test_inset_is_a_closed_line_at_its_distance(sheet):
    line = sheet.inset_outline(12.0)
    assert line[0] == line[-1]
    assert Polygon(line).bounds == pytest.approx((12, 12, 388, 288))
    assert sheet.inset_outline(150.0) is None
    dumbbell = ((0, 0), (100, 0), (100, 45), (200, 45), (200, 0), (300, 0), (300, 100), (200, 100), (200, 55))
    assert SheetGeometry((*dumbbell, (100, 55), (100, 100), (0, 100))).inset_outline(10.0) is None


def test_cutouts_that_clash():
    rings = [circle_ring(*c) for c in ((100, 100, 40), (130, 100, 40), (395, 200, 40), (300, 100, 40), (300, 141, 40))]
    found = SheetGeometry(SQUARE, tuple(rings)).cutout_conflicts()
    assert [place for place, _ in found] == [2, 1]
    assert "over the outline" in found[0][1]
    assert "the one around (100.0, 100.0)" in found[1][1]


# --- loops from drawings ---------------------------------------------------------------------------------------


@pytest.fixture
def drawing(tmp_path):
    """An empty drawing in mm, and what `read_drawing` makes of it."""

    class Sketch:
        def __init__(self):
            self.document = ezdxf.new("R2010")
            self.document.units = ezdxf.units.MM
            self.modelspace = self.document.modelspace()

        def strokes(self, points, gap=0.0):
            """Lines from point to point and back to the first, each starting `gap` late."""
            lines = []
            for a, b in zip(points, [*points[1:], points[0]], strict=True):
                f = gap / math.dist(a, b)
                lines.append(((a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])), b))
            return lines

        def loop(self, points=SQUARE, gap=0.0, seed=None):
            lines = self.strokes(points, gap)
            if seed is not None:
                chance = random.Random(seed)
                chance.shuffle(lines)
                lines = [line[::-1] if chance.random() < 0.5 else line for line in lines]
            for a, b in lines:
                self.modelspace.add_line(a, b)
            return self

        def read(self):
            path = tmp_path / "sketch.dxf"
            self.document.saveas(path)
            return read_drawing(path)

    return Sketch()


@pytest.mark.parametrize("seed", range(6))
def test_lines_in_any_order_and_direction(drawing, seed):
    drawing.loop(regular(17, 200.0), seed=seed).loop(regular(5, 30.0), seed=seed)
    found = drawing.read()
    assert Polygon(found.outline.ring).symmetric_difference(Polygon(regular(17, 200.0))).area < 1e-2
    assert len(found.outline.ring) == 17
    assert [len(loop.ring) for loop in found.cutouts] == [5]
    assert signed_area(found.outline.ring) > 0
    assert signed_area(found.cutouts[0].ring) > 0


def test_small_gaps_are_joined(drawing):
    found = drawing.loop(gap=0.049, seed=1).read()
    assert len(found.outline.ring) == 4
    assert Polygon(found.outline.ring).area == pytest.approx(400 * 300, rel=1e-3)


@pytest.mark.parametrize("gap", [0.06, 0.31])
def test_larger_gaps_are_reported(drawing, gap):
    with pytest.raises(InputError) as error:
        drawing.loop(gap=gap).read()
    assert (
        f"has an open end at (0.00, 0.00); the next open end is {gap:.2f} mm away (close the loop; ends within 0.05 mm"
        in str(error.value)
    )
    assert "has 5 more open ends" in str(error.value)


@pytest.mark.parametrize(("unit", "mm"), [(0, 1), (1, 25.4), (2, 304.8), (4, 1), (5, 10), (6, 1000)])
def test_units_of_the_header(drawing, unit, mm):
    drawing.document.header["$INSUNITS"] = unit
    drawing.loop([(x / mm, y / mm) for x, y in SQUARE])
    drawing.modelspace.add_circle((100 / mm, 100 / mm), 10 / mm)
    found = drawing.read()
    assert Polygon(found.outline.ring).bounds == pytest.approx((0, 0, 400, 300), abs=1e-5)
    assert found.cutouts[0].circle == pytest.approx((100, 100, 20), abs=1e-5)


def test_rounded_rectangle_of_bulges_arcs_and_lines(drawing):
    quarter = math.tan(math.pi / 8)
    drawing.modelspace.add_lwpolyline(
        [(30, 0, 0), (370, 0, quarter), (400, 30, 0), (400, 270, quarter), (370, 300, 0)], format="xyb"
    )
    drawing.modelspace.add_arc((30, 270), 30, 90, 180)
    drawing.modelspace.add_line((370, 300), (30, 300))
    drawing.modelspace.add_line((0, 30), (0, 270))
    drawing.modelspace.add_polyline2d([(0, 30, quarter), (30, 0, 0)], format="xyb")
    exact = 400 * 300 - (4 - math.pi) * 900
    found = drawing.read()
    assert signed_area(found.outline.ring) == pytest.approx(exact, abs=math.tau * 30 * MAX_CHORD_ERROR)
    assert found.outline.circle is None


def test_circles_stay_exact_however_they_were_drawn(drawing):
    drawing.loop()
    drawing.modelspace.add_circle((50, 50), 10)
    drawing.modelspace.add_lwpolyline([(90, 50, 1), (110, 50, 1)], format="xyb", close=True)
    drawing.modelspace.add_arc((150, 50), 10, 10, 130)
    drawing.modelspace.add_arc((150, 50), 10, 130, 370)
    found = drawing.read()
    assert sorted(loop.circle for loop in found.cutouts) == [
        pytest.approx((x, 50, 20), abs=1e-5) for x in (50, 100, 150)
    ]


def test_ellipse_within_the_chord_error(drawing):
    drawing.modelspace.add_ellipse((10, 20), (300, 0), 0.5)
    ring = LinearRing(drawing.read().outline.ring)
    fine = np.linspace(0, math.tau, 20_001)
    exact = LinearRing(np.column_stack([10 + 300 * np.cos(fine), 20 + 150 * np.sin(fine)]))
    assert ring.hausdorff_distance(exact) <= MAX_CHORD_ERROR
    assert exact.hausdorff_distance(ring) <= MAX_CHORD_ERROR


def test_spline_within_the_chord_error(drawing):
    # one cubic Bezier piece and a line: points of the curve by the Bernstein polynomials
    p = np.array([(0, 0), (0, 400), (500, 400), (500, 0)], dtype=float)
    drawing.modelspace.add_open_spline([(x, y, 0) for x, y in p], degree=3)
    drawing.modelspace.add_line((500, 0), (0, 0))
    t = np.linspace(0, 1, 10_001)[:, None]
    curve = (1 - t) ** 3 * p[0] + 3 * t * (1 - t) ** 2 * p[1] + 3 * t**2 * (1 - t) * p[2] + t**3 * p[3]
    ring = LinearRing(drawing.read().outline.ring)
    assert ring.hausdorff_distance(LinearRing(curve)) <= MAX_CHORD_ERROR


def test_dense_polyline_is_thinned_within_the_chord_error(drawing):
    points = regular(5000, 200.0)
    drawing.modelspace.add_lwpolyline(points, close=True)
    ring = drawing.read().outline.ring
    assert len(ring) < 600  # a chord 0.005 mm off spans 0.81 degrees: 444 would do
    assert LinearRing(ring).hausdorff_distance(LinearRing(points)) <= MAX_CHORD_ERROR


def test_control_points_of_a_fitted_polyline_are_passed_over(drawing):
    polyline = drawing.modelspace.add_polyline2d(SQUARE, close=True)
    polyline.dxf.flags |= polyline.SPLINE_FIT_VERTICES_ADDED
    polyline.append_vertices([(900, 900)], dxfattribs={"flags": 16})  # a corner of the spline's frame
    assert Polygon(drawing.read().outline.ring).bounds == pytest.approx((0, 0, 400, 300))


def test_blocks_are_taken_apart_turned_scaled_and_mirrored(drawing):
    block = drawing.document.blocks.new("PANEL")
    for a, b in drawing.strokes(SQUARE):
        block.add_line(a, b)
    block.add_arc((100, 100), 20, 0, 180)
    block.add_line((80, 100), (120, 100))
    hole = drawing.document.blocks.new("HOLE")
    hole.add_circle((0, 0), 5)
    block.add_blockref("HOLE", (200, 100))
    block.add_blockref("HOLE", (230, 140), dxfattribs={"rotation": 45})
    drawing.modelspace.add_blockref("PANEL", (7, 9), dxfattribs={"xscale": -2, "yscale": 2, "rotation": 30})
    found = drawing.read()
    assert Polygon(found.outline.ring).area == pytest.approx(4 * 400 * 300)
    assert sorted(Polygon(loop.ring).area for loop in found.cutouts)[-1] == pytest.approx(math.pi * 40**2 / 2, rel=2e-3)
    circles = [loop.circle for loop in found.cutouts if loop.circle]
    turn = np.array([[math.cos(math.pi / 6), -math.sin(math.pi / 6)], [math.sin(math.pi / 6), math.cos(math.pi / 6)]])
    centres = [turn @ [-2 * x, 2 * y] + [7, 9] for x, y in ((200, 100), (230, 140))]
    assert len(circles) == 2
    for x, y, diameter in circles:
        assert diameter == pytest.approx(20)
        assert min(np.hypot(*(centre - [x, y])) for centre in centres) < 1e-5


def test_array_of_blocks(drawing):
    drawing.document.blocks.new("HOLE").add_circle((0, 0), 5)
    grid = {"column_count": 3, "row_count": 2, "column_spacing": 30, "row_spacing": 40, "rotation": 90}
    drawing.loop().modelspace.add_blockref("HOLE", (200, 100), dxfattribs=grid)
    circles = sorted(loop.circle for loop in drawing.read().cutouts)
    centres = [(200 - 40 * row, 100 + 30 * column) for row in (1, 0) for column in (0, 1, 2)]
    assert circles == [pytest.approx((*centre, 10), abs=1e-5) for centre in centres]


def test_circle_in_a_stretched_block_is_an_ellipse(drawing):
    block = drawing.document.blocks.new("HOLE")
    block.add_circle((0, 0), 10)
    drawing.loop().modelspace.add_blockref("HOLE", (100, 100), dxfattribs={"xscale": 2})
    (loop,) = drawing.read().cutouts
    assert loop.circle is None
    assert Polygon(loop.ring).area == pytest.approx(math.pi * 20 * 10, rel=2e-3)


def test_what_is_not_line_work_is_passed_over(drawing):
    drawing.loop().loop()  # drawn twice
    drawing.modelspace.add_circle((50, 50), 10)
    drawing.modelspace.add_circle((50, 50), 10)
    drawing.modelspace.add_text("hatch, 2 off")
    drawing.modelspace.add_point((3, 3))
    drawing.modelspace.add_linear_dim(base=(0, -20), p1=(0, 0), p2=(400, 0)).render()
    drawing.document.layers.add("notes").off()
    drawing.document.layers.add("old").freeze()
    drawing.modelspace.add_line((0, 0), (9, 9), dxfattribs={"layer": "notes"})
    drawing.modelspace.add_line((0, 0), (9, 9), dxfattribs={"layer": "OLD"})
    found = drawing.read()
    assert len(found.outline.ring) == 4
    assert len(found.cutouts) == 1


def cross(sketch):
    sketch.loop().modelspace.add_line((0, 0), (400, 300))


def two(sketch):
    sketch.loop().loop([(x + 600, y) for x, y in SQUARE])


def heights(sketch):
    sketch.loop().modelspace.add_line((0, 0, 0), (0, 0, 5))


def face(sketch):
    sketch.loop().modelspace.add_3dface([(0, 0), (1, 0), (1, 1), (0, 1)])


def mesh(sketch):
    sketch.loop().modelspace.add_polymesh((3, 3))


def text(sketch):
    sketch.modelspace.add_text("hatch")


def bow_tie(sketch):
    sketch.modelspace.add_lwpolyline([(0, 0), (400, 300), (400, 0), (0, 300)], close=True)


def open_polyline(sketch):
    sketch.modelspace.add_lwpolyline(SQUARE)


def miles(sketch):
    sketch.loop().document.header["$INSUNITS"] = 3


def far(sketch):
    sketch.loop([(x + 1e8, y) for x, y in SQUARE])


def huge(sketch):
    sketch.loop().modelspace.add_ellipse((0, 0), (1e15, 0), 0.5)


def endless(sketch):
    block = sketch.document.blocks.new("ROUND")
    block.add_blockref("ROUND", (1, 0))
    sketch.loop().modelspace.add_blockref("ROUND", (0, 0))


def nested_array(sketch):
    sketch.document.blocks.new("HOLE").add_circle((0, 0), 5)
    grid = {"column_count": 3, "row_count": 2, "column_spacing": 30, "row_spacing": 40}
    sketch.document.blocks.new("FIELD").add_blockref("HOLE", (0, 0), dxfattribs=grid)
    sketch.loop().modelspace.add_blockref("FIELD", (100, 100), dxfattribs={"xscale": 2, "yscale": 2})


def vast_array(sketch):
    sketch.document.blocks.new("NOTHING")
    grid = {"column_count": 30_000, "row_count": 30_000, "column_spacing": 1, "row_spacing": 1}
    sketch.loop().modelspace.add_blockref("NOTHING", (0, 0), dxfattribs=grid)


def bomb(sketch):
    inner = "NOTHING"
    sketch.document.blocks.new(inner)
    for level in range(8):
        block = sketch.document.blocks.new(f"LEVEL{level}")
        for _ in range(10):
            block.add_blockref(inner, (0, 0))
        inner = f"LEVEL{level}"
    sketch.loop().modelspace.add_blockref(inner, (0, 0))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (cross, r"has 3 lines that meet at \(0.00, 0.00\)"),
        (two, r"has a second outline, 400.0 x 300.0 mm, around \(800.0, 150.0\)"),
        (heights, "is not flat: its lines lie at heights from 0 to 5 mm"),
        (face, r"holds a solid or a face \(3DFACE\)"),
        (mesh, r"holds a solid or a face \(POLYLINE\)"),
        (text, r"holds no lines or arcs in model space, only TEXT \(1\)"),
        (lambda sketch: None, "holds no lines or arcs in model space "),
        (bow_tie, r"has a loop that crosses or touches itself at \(200.0, 150.0\)"),
        (open_polyline, r"has an open end at \(0.00, 0.00\); the next open end is 300.00 mm away"),
        (miles, r"is drawn in Miles \(set its unit to mm"),
        (far, "has coordinates beyond 1e[+]06 mm"),
        (huge, "has a curve beyond 1e[+]07 mm"),
        (endless, "has blocks nested more than 16 deep"),
        (nested_array, "has an array of blocks inside a block"),
        (vast_array, "holds more than 30000 lines, arcs and blocks"),
        (bomb, "holds more than 30000 lines, arcs and blocks"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_drawings_that_are_refused(drawing, spoil, message):
    spoil(drawing)
    with pytest.raises(InputError, match=message):
        drawing.read()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"hello world\n" * 50, "is not a readable DXF file"),
        (b"", "is not a readable DXF file"),
        (b"AC1027\0\0" * 99, r"is a DWG file \(export the drawing as DXF\)"),
        (b"  0\nSECTION\n  2\nENTITIES\n  0\nLINE\n 10\nabc\n", "is not a readable DXF file"),
    ],
    ids=["text", "empty", "dwg", "broken"],
)
def test_files_that_are_no_drawing(tmp_path, content, message):
    path = tmp_path / "part.dxf"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_drawing(path)


def test_damaged_drawings_are_refused_or_read_but_never_crash(tmp_path, capfd):
    """The example's drawing with lines of the file lost, doubled or overwritten."""
    lines = (EXAMPLES / "floor_pan.dxf").read_bytes().split(b"\n")
    start = next(i for i, line in enumerate(lines) if line.strip() == b"ENTITIES")
    chance = random.Random(7)
    path = tmp_path / "damaged.dxf"
    refused = 0
    for _ in range(150):
        spoilt = list(lines)
        place = chance.randrange(start, len(lines))
        spoilt[place : place + chance.choice((0, 1, 2))] = [chance.choice((b"nan", b"1e308", b"-1", b"", b"SPLINE"))]
        path.write_bytes(b"\n".join(spoilt))
        try:
            read_drawing(path)
        except InputError:
            refused += 1
    assert refused > 50
    assert capfd.readouterr() == ("", "")


# --- the example's drawing -------------------------------------------------------------------------------------


def test_floor_pan_drawing_is_what_its_script_says(tmp_path):
    spec = importlib.util.spec_from_file_location("make_floor_pan_dxf", EXAMPLES / "make_floor_pan_dxf.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    script.draw(tmp_path / "again.dxf")
    found = read_drawing(EXAMPLES / "floor_pan.dxf")
    assert read_drawing(tmp_path / "again.dxf") == found
    assert found.outline.size == pytest.approx((script.LENGTH, script.WIDTH))
    area = script.LENGTH * script.WIDTH - (4 - math.pi) * script.CORNER**2 - math.pi / 2 * script.NOTCH**2
    rounds = math.tau * script.CORNER + math.pi * script.NOTCH  # where chords stand for arcs
    assert signed_area(found.outline.ring) == pytest.approx(area, abs=rounds * MAX_CHORD_ERROR)
    assert sorted(loop.circle for loop in found.cutouts) == [(*centre, script.DRAIN) for centre in script.DRAINS]

"""Angle strips: strain of curved legs against lengths of arcs, the surface against its own derivatives, the blank."""

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon

from stiffen.assembly.angle_strips import StripSurface, leg_row, strip_mass, strip_notes, strip_panel
from stiffen.assembly.leg_strains import edge_strain, leg_strain
from stiffen.assembly.records import AngleStrip
from stiffen.errors import InputError
from stiffen.io.tools_file import starter_tools
from stiffen.mesh.fold_geometry import folded_sheet
from stiffen.model.material import materials

TOOLS = starter_tools()
SHEET = materials()["5754-H111"]
CURVED = [("in", "bent"), ("out", "bent"), ("in", "turned"), ("out", "turned")]


def strip(curve="straight", way="bent", legs=(18.0, 22.0), heel=240.0, t=1.0, length=300.0):
    heel_radius = None if curve == "straight" else heel
    return AngleStrip("strip", SHEET, t, legs, 2.0, length, curve=curve, heel_radius=heel_radius, way=way)


def lengths(surface, v, count=400):
    """Lengths in the blank and in space of the line at v across the flat strip, as sums of short chords."""
    angle = np.linspace(0.0, surface.strip.length, count)
    if surface.strip.way == "bent":
        flat = np.column_stack([angle, np.full(count, v)])
    else:
        radius, sign, centre = surface._blank_arc
        turn = angle / surface._leg2_radius
        flat = centre + (radius - sign * v) * np.column_stack([np.sin(turn), -sign * np.cos(turn)])
    space = surface.surface(flat)[0]
    return [np.linalg.norm(np.diff(line, axis=0), axis=1).sum() for line in (flat, space)]


@pytest.mark.parametrize(("curve", "way"), CURVED)
def test_strain_is_the_change_of_length_of_the_edge(curve, way):
    """The formula counts the leg from the outer face and unbent: up to 3 mm of 240 more, on the safe side."""
    surface = StripSurface(strip(curve, way), TOOLS)
    leg = leg_strain(surface.strip)
    v = surface.pattern.length if leg.leg == 1 else 0.0
    before, after = lengths(surface, v)
    change = after / before - 1
    assert change * leg.edge > 0 and 0 <= abs(leg.edge) - abs(change) < 3 / 240
    # the edge of the other leg is not strained
    before, after = lengths(surface, 0.0 if leg.leg == 1 else surface.pattern.length)
    assert after == pytest.approx(before, rel=1e-5 if way == "bent" else 5e-3)


@pytest.mark.parametrize("radius", [60.0, 200.0, 1000.0])
def test_strain_formulas_are_ratios_of_concentric_arcs(radius):
    h = 15.0
    for curve, sign in (("out", 1), ("in", -1)):
        bent = (radius + sign * h) / radius - 1  # the edge of a straight angle goes to a longer or shorter arc
        turned = radius / (radius - sign * h) - 1  # the edge of a flange comes from another arc to that of the heel
        assert edge_strain(h, radius, curve, "bent") == pytest.approx(bent)
        assert edge_strain(h, radius, curve, "turned") == pytest.approx(turned)


@pytest.mark.parametrize(("curve", "way"), [("straight", "bent"), *CURVED])
def test_frames_are_the_directions_in_which_the_surface_grows(curve, way):
    surface = StripSurface(strip(curve, way), TOOLS)
    box = Polygon(surface.outline)
    points = np.array([(point.x, point.y) for point in (box.exterior.interpolate(s) for s in range(5, 600, 37))])
    points = np.array(box.representative_point().coords) * 0.5 + 0.5 * points
    points = points[[box.contains(Point(point)) for point in points]]
    assert len(points) > 3
    frames = surface.surface(points)[1]
    assert np.allclose(frames @ frames.transpose(0, 2, 1), np.eye(3), atol=1e-9)
    h = 1e-4
    for axis in (0, 1):
        step = np.zeros(2)
        step[axis] = h
        grown = (surface.surface(points + step)[0] - surface.surface(points - step)[0]) / (2 * h)
        # lengths change by the strain along the strip, directions by less
        assert np.allclose(grown, frames[:, :, axis], atol=0.1)
        if curve == "straight":  # the arc at mid-thickness is longer than the flat strip, whose neutral axis is nearer
            assert np.linalg.norm(grown, axis=1) == pytest.approx(1.0, abs=0.03)


def test_the_outer_faces_lie_on_the_planes_of_the_frame():
    surface = StripSurface(strip(), TOOLS)
    legs, t, long = surface.strip.legs, 1.0, surface.strip.length
    ends = surface.surface(np.array([[0.0, 0.0], [long, surface.pattern.length]]))[0]
    assert np.allclose(ends, [[0, t / 2, legs[1]], [long, legs[0], t / 2]], atol=1e-9)


def test_the_blank_by_the_handbooks_bend_allowance():
    """(0.01743 R + 0.0078 t) per degree, and setback R + t at a right angle: FAA-H-8083-31, chapter 4."""
    surface = StripSurface(strip(legs=(20.0, 25.0)), TOOLS)
    allowance = 90 * (0.01743 * 2.0 + 0.0078 * 1.0)
    assert surface.pattern.length == pytest.approx(20 + 25 - 2 * (2.0 + 1.0) + allowance, abs=0.01)
    panel = strip_panel(surface.strip, TOOLS)
    assert panel.folds[0].line[0][1] == pytest.approx(25 - 3 + allowance / 2, abs=0.01)
    assert strip_mass(surface.strip, TOOLS) == pytest.approx(panel.mass(panel.layout()))


@pytest.mark.parametrize(("curve", "way"), CURVED)
def test_a_row_runs_in_the_middle_of_its_leg(curve, way):
    made = strip(curve, way, legs=(20.0, 20.0))
    surface = StripSurface(made, TOOLS)
    for leg in (1, 2):
        row = np.array(LineString(leg_row(made, leg, 4.0, TOOLS)).segmentize(5.0).coords)
        assert Polygon(surface.outline).contains(LineString(row))
        _, v = surface.unrolled(row)
        y, z, _ = surface.across(v)
        assert (y if leg == 1 else z) == pytest.approx(3.0 + 17.0 / 2, abs=0.02)


@pytest.mark.parametrize("curve", ["in", "out"])
def test_a_strip_cut_curved_is_drawn_with_its_curved_fold(curve):
    """Folded along it, the drawn blank has the shape that the strip has in the build: distances agree."""
    made = strip(curve, "turned", legs=(20.0, 25.0))
    surface, panel = StripSurface(made, TOOLS), strip_panel(made, TOOLS)
    (fold,) = panel.curved_flanges
    assert not panel.folds and fold.is_outside == (curve == "in")
    x0, y0, x1, y1 = Polygon(surface.outline).bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 25)), axis=-1).reshape(-1, 2)
    points = grid[shapely.contains_xy(Polygon(surface.outline).buffer(-0.5), *grid.T)]
    shapes = [folded_sheet(panel, made.thickness, True).surface(points)[0], surface.surface(points)[0]]
    apart = [np.linalg.norm(one[:, None] - one[None], axis=2) for one in shapes]
    assert len(points) > 40
    assert np.abs(apart[0] - apart[1]).max() < 0.02


def test_too_tight_a_curve_is_slit():
    notes = strip_notes(strip("in", heel=60.0), TOOLS)
    assert "too much; slit leg 1" in notes[1] and not leg_strain(strip("in", heel=60.0)).fits
    assert "bites of a shrinker" in strip_notes(strip("in", heel=600.0), TOOLS)[1]
    assert leg_strain(strip()) is None


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"legs": (2.9, 20.0)}, "strip.legs[1]: is 2.9, must be at least 3"),
        ({"legs": (20.0,)}, "strip.legs: has 1 values, not 2 numbers"),
        ({"legs": (20.0, 3.0)}, "strip.legs[2]: of 3 mm leaves no flat beside the bend"),
        ({"legs": (90.0, 20.0), "curve": "in", "heel": 80.0}, "strip.legs[1]: of 90 mm reaches the centre of the arc"),
        ({"curve": "in", "heel": None}, "strip.heel_radius: is missing"),
        ({"curve": "in", "heel": 40.0}, "strip.length: is more than a whole circle"),
        ({"curve": "sideways"}, 'strip.curve: is "sideways"'),
    ],
)
def test_impossible_strips_are_told(options, told):
    with pytest.raises(InputError) as error:
        strip(**options)
    assert told in str(error.value)

"""Draw-in, trim allowance and rough outline."""

import math
from dataclasses import replace

import pytest
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from support.bench import B16, PANEL, across, upright

from stiffen.model.layout import Bead, Layout
from stiffen.shop import bead_section, rough_blank


def test_draw_in_counts_the_beads_a_line_crosses():
    """Three parallel beads draw in across, none along; beads end to end count once; a slope counts by its share."""
    drawn = bead_section.draw_in(B16)
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300))))) == pytest.approx(
        (0, 3 * drawn)
    )
    in_line = (Bead(B16, ((50, 200), (250, 200))), Bead(B16, ((350, 200), (550, 200))))
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, in_line)) == pytest.approx((0, drawn))
    slope = Bead(B16, ((100, 100), (300, 300)))
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, (slope,))) == pytest.approx((drawn / math.sqrt(2),) * 2)
    assert rough_blank.max_draw_in(PANEL, Layout(1.0)) == (0, 0)


def test_trim_allowance_is_half_of_it_and_a_margin():
    x, y = rough_blank.trim_allowance(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300)))))
    assert x == rough_blank.MIN_ALLOWANCE == 5
    assert y == math.ceil(1.5 * bead_section.draw_in(B16) + 3)
    x, y = rough_blank.trim_allowance(PANEL, Layout(1.0, tuple(map(upright, (100, 200, 300, 400)))))
    assert x == math.ceil(2 * bead_section.draw_in(B16) + 3)
    assert y == 5
    assert rough_blank.trim_allowance(PANEL, Layout(1.0)) == (0, 0)


LID = box(0, 0, 500, 400)
SHAPES = {
    "sharp corners": LID,
    "rounded corners": LID.buffer(-30).buffer(30),
    "large radius at the datum": LID.difference(box(0, 0, 90, 90)).union(Point(90, 90).buffer(90, quad_segs=32)),
    "chamfer at the datum": Polygon([(120, 0), (500, 0), (500, 400), (0, 400), (0, 120)]),
    "L": box(0, 0, 400, 300).difference(box(150, 100, 400, 300)).buffer(-20).buffer(40).buffer(-20),
    "disc": Point(200, 200).buffer(150, quad_segs=32),
    "half-round ends": LineString([(60, 60), (440, 60)]).buffer(60, quad_segs=32),
    "acute": Polygon([(-90, 5), (400, 60), (180, 700)]),
    "diamond": Polygon([(200, 0), (400, 150), (200, 300), (0, 150)]),
    "jog": Polygon([(0, 0), (200, 0), (200, 10), (400, 10), (400, 200), (0, 200)]),
    "turned": affinity.rotate(LID.buffer(-30).buffer(30), 10),
}


def blank_of(shape):
    """Panel and rough blank of a shape with one bead in its middle."""
    panel = replace(PANEL, outline=tuple(shape.exterior.coords)[:-1])
    middle = shape.representative_point()
    bead = Bead(B16, ((middle.x - 35, middle.y), (middle.x + 35, middle.y)))
    return rough_blank.trim_allowance(panel, Layout(1.0, (bead,))), rough_blank.rough_outline(
        panel, Layout(1.0, (bead,))
    )


@pytest.mark.parametrize("name", SHAPES)
def test_the_rough_cut_is_straight_lines_outside_by_the_allowance(name):
    """Few straight lines, all of the outline inside by the allowance, and the datum on metal, 5 mm inside."""
    shape = SHAPES[name]
    (x, y), rough = blank_of(shape)
    assert rough.is_valid
    assert len(rough.exterior.coords) - 1 <= 10
    assert rough.exterior.distance(shape) >= min(x, y) - 0.02
    assert rough.covers(shape)
    x0, y0, _, _ = shape.bounds
    assert rough.exterior.distance(Point(x0, y0)) >= 5 - 0.02
    assert rough.covers(Point(x0, y0))


def test_corners_of_a_sheet_with_rounded_corners_are_square():
    (x, y), rough = blank_of(SHAPES["rounded corners"])
    assert rough.symmetric_difference(box(-x, -y, 500 + x, 400 + y)).area < 1.0


def test_rounded_coordinates_do_not_change_the_trim_allowance():
    """Coordinates in a layout file are rounded: the allowance must not grow by 1 mm when the file is read back."""
    square = Layout(1.0, (Bead(B16, ((300.0, 50.0), (300.0, 350.0))),))
    nearly = Layout(1.0, (Bead(B16, ((300.0, 50.0), (299.99999, 350.0))),))
    assert rough_blank.trim_allowance(PANEL, nearly) == rough_blank.trim_allowance(PANEL, square)

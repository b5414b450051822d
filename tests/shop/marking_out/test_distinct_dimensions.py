"""Distinct dimensions of layouts, counted by hand."""

import math

import pytest
from shapely.geometry import Polygon
from support.panels import B16, L63, lid

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.optimise.candidates.straight_beads import frame_ring
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions, split_places

PANEL = lid(600.0, 400.0)


def count(*features):
    beads = tuple(one for one in features if isinstance(one, Bead))
    return distinct_dimensions(PANEL, Layout(1.0, beads, tuple(one for one in features if isinstance(one, Hole)))).count


def along(y, x0=50.0, x1=550.0):
    return Bead(B16, ((x0, y), (x1, y)), "up")


@pytest.mark.parametrize(
    ("places", "symmetric", "expected"),
    [
        ((), True, 0),
        ((0.0,), True, 0),  # the centre line is drawn anyway
        ((40.0,), True, 1),
        ((40.0,), False, 1),
        ((0.0, 80.0, 160.0), True, 1),  # evenly about the centre line: the pitch
        ((40.0, 120.0), True, 1),
        ((30.0, 120.0, 210.0), False, 2),  # start and pitch
        ((30.0, 120.0, 215.0), False, 3),
        ((30.0, 120.0, 210.0), True, 2),
        ((100.0, 180.0, 265.0), True, 3),
    ],
)
def test_places(places, symmetric, expected):
    split = split_places(places, symmetric)
    assert split.starts + len(split.pitches) == expected


def test_beads_by_hand():
    assert count() == 0
    assert count(along(200.0)) == 1  # its length; it lies on both centre lines
    assert count(along(150.0)) == 2  # length and distance from the edge
    assert count(along(100.0), along(300.0)) == 2
    assert count(along(80.0), along(160.0), along(240.0), along(320.0)) == 2  # length and pitch
    assert count(along(80.0), along(165.0), along(235.0), along(320.0)) == 3  # length and two distances
    assert count(along(80.0), along(160.0, 60.0)) == 6  # two lengths, two places across, two starts
    frame = Bead(B16, ((50, 50), (550, 50), (550, 350), (50, 350), (50, 50)), "up")
    assert count(frame) == 1  # all along the edges, 50 mm in
    off = Bead(B16, ((50, 70), (550, 70), (550, 330), (50, 330), (50, 70)), "up")
    assert count(off) == 2
    turn = [2 * math.pi * k / 72 for k in range(73)]
    for x, expected in ((300.0, 1), (200.0, 2)):  # the radius; off the middle, its distance from the edge too
        ring = tuple((x + 120 * math.cos(a), 200 + 120 * math.sin(a)) for a in turn)
        assert count(Bead(B16, ring, "up")) == expected


def test_two_frames_with_rounded_corners():
    """How far each lies inside the outline, and the radius that the roller takes."""
    frames = [
        Bead(B16, tuple(map(tuple, frame_ring(Polygon(PANEL.outline), inset, 60.0))), "up") for inset in (25, 120)
    ]
    assert count(frames[0]) == count(frames[1]) == 2
    assert count(*frames) == 3


def test_oblique_beads_by_hand():
    up, down = Bead(B16, ((50, 80), (250, 320)), "up"), Bead(B16, ((550, 80), (350, 320)), "up")
    assert count(up) == 4  # x, y, length, angle
    assert count(up, down) == 4  # the mirror image costs nothing


def test_holes_by_hand():
    row = [Hole(L63, (x, 200.0), "up") for x in (150.0, 250.0, 350.0, 450.0)]
    assert count(*row) == 1  # the pitch
    assert count(*row[:3]) == 2  # start and pitch
    assert count(*(Hole(L63, (x, y), "up") for x in (100.0, 200.0, 400.0, 500.0) for y in (100.0, 300.0))) == 3


def test_a_pitch_that_beads_and_holes_share_is_one_dimension():
    beads = [along(y) for y in (80.0, 160.0, 240.0, 320.0)]
    row = [Hole(L63, (x, 200.0), "up") for x in (180.0, 260.0, 340.0, 420.0)]
    assert count(*beads, *row) == 2  # the length and the pitch
    wider = [Hole(L63, (x, 200.0), "up") for x in (165.0, 255.0, 345.0, 435.0)]
    assert count(*beads, *wider) == 3


def test_lines_that_a_row_of_holes_has_marked_need_no_dimension():
    row = [Hole(L63, (x, 80.0), "up") for x in (90.0, 170.0, 250.0, 330.0, 410.0)]
    above = [Hole(L63, (x, 240.0), "up") for x in (250.0, 330.0, 410.0)]
    assert count(*row, *above) == 4  # two heights, the start of the first row, the pitch
    assert count(*row, *(Hole(L63, (hole.at[0] + 30.0, 240.0), "up") for hole in above)) == 5
    assert count(*row, along(160.0, 90.0, 410.0)) == 4  # the start of the row, the pitch, two heights
    assert count(*row, along(160.0, 85.0, 415.0)) == 6


def test_an_axis_is_measured_from_the_centre_line_where_the_places_along_it_are_mirrored():
    """Holes above on the left and below on the right: x is measured from the middle, y from the edge."""
    left = [Hole(L63, (x, 300.0), "up") for x in (100.0, 200.0)]
    right = [Hole(L63, (x, 130.0), "up") for x in (400.0, 500.0)]
    assert count(*left, *right) == 4  # each row from 100 off the middle outward, its height, and the pitch


def test_scattered_holes_cost_two_each():
    scattered = [(101.3, 77.7), (213.1, 143.9), (333.3, 219.2), (470.2, 88.1)]
    assert count(*(Hole(L63, at, "up") for at in scattered)) == 8

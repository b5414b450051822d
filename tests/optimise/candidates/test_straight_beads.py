"""Straight beads, frames and steps: directions, offsets, lengths, corners."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, Polygon
from support.busy_panel import BUSY, DIES, RECTANGLE, TOOLS, outline
from support.records import unchecked

from stiffen.model.layout import Layout
from stiffen.model.panel import Support
from stiffen.model.tools import BeadDie, Roller
from stiffen.optimise.candidates import straight_beads
from stiffen.optimise.candidates.straight_beads import frame_ring
from stiffen.shop import layout_check, rollability


def lines_of(beads, die, angle):
    return [bead for bead in beads if bead.die == die and len(bead.path) == 2 and abs(direction(bead) - angle) < 1e-6]


def direction(bead):
    (x0, y0), (x1, y1) = bead.path
    return math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180


def test_straight_lines_on_the_rectangle():
    """Offsets every 12 mm about the middle line, in three lengths; the longest reach from edge room to edge room."""
    beads = straight_beads.bead_candidates(RECTANGLE, 1.0)
    b12 = lines_of(beads, DIES[0], 0.0)
    offsets = sorted({round(bead.path[0][1], 6) for bead in b12})
    assert np.diff(offsets) == pytest.approx(12.0)
    assert offsets[0] < 12 + 6 + 12  # the first fits no closer to the edge
    assert np.mean(offsets) == pytest.approx(200)
    middle = sorted(bead.length for bead in b12 if abs(bead.path[0][1] - 200) < 1e-6)
    longest = 500 - 2 * (12 + 6)
    assert middle == pytest.approx([0.6 * longest, 0.8 * longest, longest], abs=0.2)
    assert all((bead.path[0][0] + bead.path[1][0]) / 2 == pytest.approx(250) for bead in b12)
    for angle in range(15, 180, 15):
        assert lines_of(beads, DIES[0], angle), angle


def test_directions_follow_the_long_edges():
    assert straight_beads.edge_directions(RECTANGLE) == (0.0, 90.0)
    slope = round(math.degrees(math.atan2(180, -280)) % 180, 1)
    assert straight_beads.edge_directions(BUSY) == (0.0, 90.0, slope)
    turned = Polygon([(0, 0), (300, 100), (200, 400), (-100, 300)])
    found = straight_beads.edge_directions(replace(RECTANGLE, outline=tuple(turned.exterior.coords[:-1])))
    assert sorted(found) == pytest.approx((18.4, 108.4))


def test_close_offsets_along_square_to_and_aslant():
    """A trapezium's slanting sides count as well; a disc, whose edges are short, has two directions, a strip one."""
    assert straight_beads.main_directions(RECTANGLE) == (0.0, 90.0)
    strip = replace(RECTANGLE, outline=((0, 0), (800, 0), (800, 200), (0, 200)))
    assert straight_beads.main_directions(strip) == (0.0,)
    slanted = replace(RECTANGLE, outline=((0, 0), (620, 0), (500, 380), (120, 380)))
    assert straight_beads.main_directions(slanted) == pytest.approx((0.0, 90.0, 72.5))
    turn = 2 * math.pi * np.arange(72) / 72
    disc = replace(RECTANGLE, outline=tuple(zip(230 * np.cos(turn), 230 * np.sin(turn), strict=True)))
    assert straight_beads.main_directions(disc) == (0.0, 90.0)


def test_given_angles_and_spacing():
    found = straight_beads.bead_candidates(RECTANGLE, 1.0, angles=[30.0], spacing=25.0)
    straight = [bead for bead in found if not bead.closed]
    assert {round(direction(bead), 6) for bead in straight} == {30.0}
    square = np.array([-0.5, math.sqrt(3) / 2])
    offsets = {round(float(np.dot(np.array(bead.path[0]) - [250, 200], square)), 6) for bead in straight}
    assert {round(offset / 25, 6) % 1 for offset in offsets} == {0.0}


@pytest.mark.parametrize("shape", [RECTANGLE.outline, BUSY.outline], ids=["rectangle", "five corners"])
def test_frames_run_parallel_to_the_outline(shape):
    panel = replace(RECTANGLE, outline=shape)
    frames = [bead for bead in straight_beads.bead_candidates(panel, 1.0) if bead.closed and bead.die == DIES[0]]
    assert len(frames) >= 4
    edge = Polygon(shape).exterior
    for frame in frames:
        assert rollability.path_deviation(frame, 60) <= rollability.MAX_PATH_DEVIATION
        straight = [piece for piece in zip(frame.path, frame.path[1:], strict=False) if math.dist(*piece) > 20]
        assert len(straight) >= 3
        distances = [edge.distance(Point(np.mean(piece, axis=0))) for piece in straight]
        assert distances == pytest.approx([distances[0]] * len(distances), abs=0.5)


def test_frame_round_a_corner_that_points_in():
    ell = outline([(0, 0), (700, 0), (700, 300), (350, 300), (350, 600), (0, 600)])
    found = straight_beads.bead_candidates(replace(RECTANGLE, outline=ell), 1.0)
    frames = [bead for bead in found if bead.closed and bead.die == DIES[0]]
    assert any(Polygon(bead.path).area > 0.5 * Polygon(ell).area for bead in frames)


@pytest.mark.parametrize("radius", [20.0, 60.0])
def test_rounded_corners(radius):
    ring = straight_beads.rounded_ring(np.array([[0, 0], [300, 0], [300, 200], [0, 200]], float), radius)
    assert Polygon(ring).area == pytest.approx(300 * 200 - (4 - math.pi) * radius**2, rel=1e-3)
    assert tuple(ring[0]) == tuple(ring[-1])
    backwards = straight_beads.rounded_ring(np.array([[0, 0], [0, 200], [300, 200], [300, 0]], float), radius)
    assert Polygon(backwards).area == pytest.approx(Polygon(ring).area)


def test_corners_without_room_are_refused():
    assert straight_beads.rounded_ring(np.array([[0, 0], [300, 0], [300, 100], [0, 100]], float), 60.0) is None
    assert straight_beads.rounded_ring(np.empty((0, 2)), 60.0) is None


def test_small_throat_leaves_lines_near_the_edges():
    """150 mm of throat: no line of the rectangle's own directions farther than that from its edge."""
    narrow = replace(RECTANGLE, tools=replace(TOOLS, roller=Roller(throat=150)))
    flat = [bead for bead in straight_beads.bead_candidates(narrow, 1.0, angles=[0.0]) if not bead.closed]
    assert flat
    assert all(min(bead.path[0][1], 400 - bead.path[0][1]) <= 150.05 for bead in flat)


def test_small_throat_leaves_the_outer_frames():
    """Sheet outside a frame reaches sqrt(2) (inset + 60) - 60 mm at a corner (15 mm corner radius: 6 mm less)."""
    narrow = replace(RECTANGLE, tools=replace(TOOLS, roller=Roller(throat=100, least_path_radius=60)))
    frames = [bead for bead in straight_beads.bead_candidates(narrow, 1.0) if bead.closed and bead.die == DIES[0]]
    insets = [min(y for _, y in frame.path) for frame in frames]
    assert insets == pytest.approx([30.0, 50.0])  # 0.08 and 0.12 of 400, on multiples of 5


def test_no_beads_in_sheet_over_the_rating():
    assert straight_beads.bead_candidates(RECTANGLE, 2.0) == ()


def test_line_spacing_grows_with_the_panel():
    assert straight_beads.candidate_spacing(RECTANGLE) == 12
    wide = replace(RECTANGLE, outline=((0, 0), (1600, 0), (1600, 1200), (0, 1200)))
    assert straight_beads.candidate_spacing(wide) == pytest.approx(12 * 2000 / 650)


def test_steps_run_along_straight_edges():
    """One along each side of the rectangle, its foot max(6, 4 t) from the edge, between the corners; none elsewhere."""
    step = BeadDie("S8", "step", 8, 4, nose_radius=2, shoulder_radius=2)
    panel = replace(RECTANGLE, tools=replace(TOOLS, bead_dies=(step,)))
    found = straight_beads.bead_candidates(panel, 1.0)
    assert len(found) == 4
    edge = Polygon(panel.outline).exterior
    for bead in found:
        assert [edge.distance(Point(place)) for place in bead.path] == pytest.approx([10, 10], abs=0.15)
        assert layout_check.audit(panel, Layout(1.0, (bead,))) == ()
        assert bead.length > 0.85 * 400
    riveted = replace(panel, supports=(unchecked(Support("edge"), kind="rivets", pitch=40, diameter=4),))
    assert straight_beads.bead_candidates(riveted, 1.0) == ()


@pytest.mark.parametrize("corners", [36, 72])
def test_rings_of_a_round_sheet_are_circles_of_whole_millimetres(corners):
    turn = 2 * np.pi * np.arange(corners) / corners
    sheet = Polygon(np.column_stack([150.0 + 137.4 * np.cos(turn), 90.0 + 137.4 * np.sin(turn)]))
    ring = frame_ring(sheet, 35.0, 40.0)
    assert np.hypot(*(ring - (150.0, 90.0)).T) == pytest.approx(102.0, abs=2e-3)
    assert tuple(ring[0]) == tuple(ring[-1]) and len(ring) == 73
    assert frame_ring(sheet, 110.0, 40.0) is None, "tighter than the roller can follow"

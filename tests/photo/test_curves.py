"""Lines and arcs through scattered points, against shapes drawn by shapely."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, box

from stiffen.photo.curves import Piece, fit_ring, ring_points


def scattered(shape, spacing=0.8, scatter=0.05, seed=0):
    ring = shapely.geometry.polygon.orient(shape).exterior
    count = round(ring.length / spacing)
    points = shapely.get_coordinates(ring.interpolate(np.arange(count) / count, normalized=True))
    return points + np.random.default_rng(seed).normal(size=points.shape) * scatter


def test_rounded_rectangle_is_four_lines_and_four_arcs():
    pieces = fit_ring(scattered(box(0, 0, 300, 200).buffer(-25).buffer(25, quad_segs=64)), 0.1)
    arcs = [piece for piece in pieces if piece.bulge]
    assert len(pieces) == 8 and len(arcs) == 4
    assert [arc.radius for arc in arcs] == pytest.approx([25] * 4, abs=0.8)
    centres = {(round(arc.centre[0] / 5) * 5, round(arc.centre[1] / 5) * 5) for arc in arcs}
    assert centres == {(25, 25), (275, 25), (275, 175), (25, 175)}


def test_corners_stay_sharp():
    corners = [(0, 0), (400, 0), (400, 160), (210, 160), (180, 300), (0, 300)]
    pieces = fit_ring(scattered(shapely.Polygon(corners)), 0.1)
    assert [piece.bulge for piece in pieces] == [0] * 6
    for x, y in corners:
        assert min(math.dist(piece.start, (x, y)) for piece in pieces) < 0.15


def test_disc_is_arcs_of_its_radius():
    pieces = fit_ring(scattered(Point(10, -20).buffer(150, quad_segs=128)), 0.1)
    assert len(pieces) <= 3
    assert [piece.radius for piece in pieces] == pytest.approx([150] * len(pieces), rel=0.003)


@settings(max_examples=40, deadline=None)
@given(st.floats(-0.99, 0.99).filter(lambda b: abs(b) > 0.02), st.floats(0, 6.2))
def test_bulge_centre_and_points_agree(bulge, turn):
    """The convention of DXF: bulge is the tangent of a quarter of the sweep, + counter-clockwise."""
    a, b = np.array([3.0, -7.0]), np.array([3 + 50 * math.cos(turn), -7 + 50 * math.sin(turn)])
    piece = Piece(tuple(a), tuple(b), bulge)
    places, normals = piece.points(0.5)
    assert np.hypot(*(places - piece.centre).T) == pytest.approx(np.full(len(places), piece.radius))
    assert np.allclose(places[0], a)
    run = np.cumsum(np.hypot(*np.diff(np.vstack([places, b]), axis=0).T))[-1]
    assert run == pytest.approx(4 * math.atan(abs(bulge)) * piece.radius, rel=0.01)
    side = (b - a)[0] * (places[len(places) // 2] - a)[1] - (b - a)[1] * (places[len(places) // 2] - a)[0]
    assert side * bulge < 0  # a counter-clockwise arc lies to the right of its chord
    step = places[1] - places[0]
    assert normals[0] @ np.array([step[1], -step[0]]) > 0


def test_ring_is_closed_and_goes_round_once():
    shape = box(0, 0, 500, 400).difference(Point(500, 400).buffer(60)).buffer(-20).buffer(20, quad_segs=64)
    pieces = fit_ring(scattered(shape), 0.1)
    for one, following in zip(pieces, (*pieces[1:], pieces[0]), strict=True):
        assert one.stop == following.start
    found = shapely.Polygon(ring_points(pieces, 0.5)[0])
    assert found.symmetric_difference(shape).area < 0.05 * shape.exterior.length
    assert len(pieces) == 10

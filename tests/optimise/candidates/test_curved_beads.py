"""Candidates that are not straight: all can be made, and they lie where they are said to lie."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Point, Polygon
from support.busy_panel import BUSY
from support.panels import EDGE, SHOP, lid

from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Support
from stiffen.model.tools import Roller
from stiffen.optimise.candidates.curved_beads import bow_arc, curved_bead_candidates, moment_lines
from stiffen.optimise.candidates.straight_beads import fixed_beads_and_holes
from stiffen.shop.layout_check import audit
from stiffen.surrogate.laminated_panel import laminated_panel

WIND = {"loads": lid().loads, "demands": (Demand("deflection", 0.1, "wind"), Demand("frequency", 40.0))}
DISC = lid(
    outline=tuple((200 * math.cos(a), 200 * math.sin(a)) for a in np.arange(72) * math.pi / 36),
    supports=(Support("edge", "clamped", in_plane="free"),),
)
PANELS = {
    "lid": lid(),
    "busy": replace(BUSY, **WIND),
    "disc": DISC,
    "tight roller": lid(tools=replace(SHOP, roller=Roller(throat=150.0, least_path_radius=150.0))),
}


@pytest.mark.parametrize("panel", PANELS.values(), ids=PANELS)
def test_all_can_be_made(panel):
    found = curved_bead_candidates(panel, 1.0, laminated_panel(panel, 1.0))
    beads, holes = fixed_beads_and_holes(panel)
    assert len(found) > 20 and len(set(found)) == len(found)
    assert found == curved_bead_candidates(panel, 1.0, laminated_panel(panel, 1.0))
    for bead in found:
        assert audit(panel, Layout(1.0, (*beads, bead), holes)) == ()


def test_parts_of_frames_are_parallel_to_the_outline():
    """On the lid: quarters with one corner, halves with two, all straight pieces of one as far from the edge."""
    edge = Polygon(lid().outline).exterior
    seen = set()
    for bead in curved_bead_candidates(lid(), 1.0, laminated_panel(lid(), 1.0)):
        steps = np.diff(np.array(bead.path), axis=0)
        level = (np.abs(steps) < 1e-6).any(axis=1)  # along x or y, as the outline is
        if len(bead.path) > 5 and level[[0, -1]].all():
            middles = (np.array(bead.path)[:-1] + steps / 2)[level]
            far = [edge.distance(Point(middle)) for middle in middles]
            assert far == pytest.approx([far[0]] * len(far), abs=0.5)
            heading = np.degrees(np.arctan2(steps[[0, -1], 1], steps[[0, -1], 0]))
            seen.add((int(level.sum()), round(heading[1] - heading[0]) % 360))
    assert seen == {(2, 270), (3, 180)}  # all the same way round


def test_a_bow_is_an_arc():
    """Sagitta h over chord c: radius c^2/(8 h) + h/2."""
    points = bow_arc(np.array([0.0, 0.0]), np.array([300.0, 0.0]), 0.1)
    assert points[:, 1].max() == pytest.approx(30.0)
    centre = np.array([150.0, 30.0 - (300.0**2 / 240.0 + 15.0)])
    assert np.linalg.norm(points - centre, axis=1) == pytest.approx(300.0**2 / 240.0 + 15.0)
    assert points[[0, -1]] == pytest.approx(np.array([[0.0, 0.0], [300.0, 0.0]]))


def test_moments_of_a_long_lid_run_across_it():
    """A plate simply supported all round bends across its short span: Timoshenko & Woinowsky-Krieger, chapter 5."""
    long = lid(900.0, 300.0, supports=(EDGE,), demands=(Demand("deflection", 0.1, "wind"),))
    steps = np.diff(moment_lines(laminated_panel(long, 1.0))[0], axis=0)
    assert np.degrees(np.abs(np.arctan2(np.abs(steps[:, 1]), np.abs(steps[:, 0])))) == pytest.approx(90.0, abs=8.0)


def test_moments_of_a_clamped_disc_run_out_from_its_middle_at_the_rim():
    """Clamped disc under even pressure: at the rim the radial moment is 1/nu times that along it (T&WK, section 16)."""
    lines = moment_lines(laminated_panel(replace(DISC, demands=(Demand("deflection", 0.1, "wind"),)), 1.0))
    ends = [line[[k, k + 1]] for line in lines for k in (0, -2) if max(np.hypot(*line[[k, k + 1]].T)) > 185]
    assert ends
    for (x0, y0), (x1, y1) in ends:
        radial = np.array([x0 + x1, y0 + y1]) / math.hypot(x0 + x1, y0 + y1)
        along = np.array([x1 - x0, y1 - y0]) / math.hypot(x1 - x0, y1 - y0)
        assert abs(radial @ along) > math.cos(math.radians(15.0))

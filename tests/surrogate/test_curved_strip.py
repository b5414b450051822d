"""A bead that turns in plan bends more softly: its walls sway, as those of a bent pipe do."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import B20, lid
from support.shapes import frame

from stiffen.analysis.panel_model import meshed_model
from stiffen.model.layout import Bead, Layout
from stiffen.surrogate.curved_strip import bending_share, depth_shares, squared_curvature
from stiffen.surrogate.laminated_panel import laminated_panel

MIDDLE = (250.0, 200.0)


def test_the_tighter_the_turn_and_the_thinner_the_sheet_the_softer():
    shares = [bending_share(B20, 1.0, radius) for radius in (1e6, 400.0, 120.0, 60.0, 30.0)]
    assert shares[0] == pytest.approx(1.0, abs=1e-6)
    assert all(a > b for a, b in zip(shares, shares[1:], strict=False))
    # E t / (D R2): gauge times radius alone counts, as in von Karman's t R / r2
    assert bending_share(B20, 2.0, 60.0) == pytest.approx(bending_share(B20, 1.0, 120.0), rel=1e-12)


def test_a_circle_has_the_curvature_of_its_radius_and_a_corner_none():
    turn = np.linspace(0, 2 * math.pi, 73)
    circle = Bead(B20, tuple(zip((150 * np.cos(turn)).tolist(), (150 * np.sin(turn)).tolist(), strict=True)))
    assert circle.closed
    _, squares = squared_curvature(circle)
    assert np.sqrt(squares) == pytest.approx(np.full(72, 1 / 150), rel=2e-3)
    corner = Bead(B20, ((0.0, 0.0), (100.0, 0.0), (100.0, 100.0)))
    assert depth_shares(corner, 1.0, np.array([10.0, 99.0, 150.0])) == pytest.approx(np.ones(3), abs=1e-6)


def test_a_turn_shorter_than_the_bead_is_wide_gives_way_less():
    squares = [squared_curvature(frame(0, 0, 400, 300, r, B20))[1].max() * r**2 for r in (100.0, 40.0, 15.0)]
    assert squares[0] == pytest.approx(1.0, abs=0.1)
    assert squares[0] > squares[1] > squares[2]


@pytest.mark.parametrize("gauge", [0.8, 1.5])
@pytest.mark.parametrize("radius", [60.0, 90.0])
def test_a_frame_with_round_corners_is_as_stiff_as_the_shell_model_says(gauge, radius):
    """With corners as stiff as the sides the pushed places were 25 % too stiff in 0.8 mm and 14 % in 1.5 mm, and the
    frequency 10 and 4 % too high.  The constants were fitted in 1 mm sheet alone."""
    panel, layout = lid(b=400.0), Layout(gauge, (frame(80, 80, 420, 320, radius, B20),))
    panel = replace(panel, gauges=(gauge,))
    shell, ours = meshed_model(panel, layout, "quick"), laminated_panel(panel, gauge).model_of(layout, "free")
    assert ours.first_frequency == pytest.approx(shell.first_frequency, rel=0.03)
    for place in (MIDDLE, (135.0, 248.0), (405.0, 144.0)):
        assert ours.softness_at(place) == pytest.approx(shell.softness_at(place), rel=0.1)


@pytest.mark.parametrize("insets", [(60.0,), (50.0, 110.0)])
def test_a_frame_with_sharp_corners_is_as_stiff_as_the_shell_model_says(insets):
    """The raised corner carries the bending of one leg into the other.  With legs that end there the frequency was 7 %
    too low."""
    beads = [((i, i), (500 - i, i), (500 - i, 400 - i), (i, 400 - i), (i, i)) for i in insets]
    panel, layout = lid(b=400.0), Layout(1.0, tuple(Bead(B20, path) for path in beads))
    shell, ours = meshed_model(panel, layout, "quick"), laminated_panel(panel, 1.0).model_of(layout, "free")
    assert ours.first_frequency == pytest.approx(shell.first_frequency, rel=0.04)
    assert ours.softness_at(MIDDLE) == pytest.approx(shell.softness_at(MIDDLE), rel=0.06)

"""Draw-in, trim allowance and rough outline."""

import math

import pytest
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
    assert x == 3
    assert y == math.ceil(1.5 * bead_section.draw_in(B16) + 3)
    x, y = rough_blank.trim_allowance(PANEL, Layout(1.0, tuple(map(upright, (100, 200, 300, 400)))))
    assert x == math.ceil(2 * bead_section.draw_in(B16) + 3)
    assert y == 3
    assert rough_blank.trim_allowance(PANEL, Layout(1.0)) == (0, 0)


def test_rounded_coordinates_do_not_change_the_trim_allowance():
    """Coordinates in a layout file are rounded: the allowance must not grow by 1 mm when the file is read back."""
    square = Layout(1.0, (Bead(B16, ((300.0, 50.0), (300.0, 350.0))),))
    nearly = Layout(1.0, (Bead(B16, ((300.0, 50.0), (299.99999, 350.0))),))
    assert rough_blank.trim_allowance(PANEL, nearly) == rough_blank.trim_allowance(PANEL, square)

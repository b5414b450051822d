"""The benchmarks of the search run, on a small scale, and what they must show holds there too."""

from dataclasses import replace

import against_hands
import eight_panels
import growth
import numpy as np
import pytest

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.shop.layout_check import audit


def test_thousand_candidates_on_the_floor_pan():
    assert len(bead_candidates(eight_panels.EIGHT[7], 1.0)) >= 1000


def test_hands_draw_what_can_be_made():
    panel = eight_panels.EIGHT[5]
    drawn = against_hands.drawn(panel, 0.8)
    crosses = [one for one in drawn if len({round(np.ptp(np.array(bead.path)[:, 0])) for bead in one}) == 2]
    assert crosses and any(bead.closed for one in drawn for bead in one)
    assert {len(one) for one in drawn} >= {1, 2, 3, 4, 5}
    assert all(audit(panel, Layout(0.8, one)) == () for one in drawn)


@pytest.mark.slow
def test_evolution_finds_one_bead_where_one_will_do():
    strip = replace(eight_panels.EIGHT[4], gauges=(0.8, 1.0))
    assert against_hands.lightest_evolved(strip, 0.8, 3.0) == "-"
    assert against_hands.evolved(strip, 1.0, 4.0)


@pytest.mark.slow
def test_growth_is_timed():
    many, ready, chosen, weighed = growth.timed(growth.wider(growth.LID, 0.25), 40)
    assert many == 40 and ready > 0 and chosen > 0 and weighed > 5

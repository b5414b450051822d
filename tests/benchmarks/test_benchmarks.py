"""The benchmarks of the search run, on a small scale, and what they must show holds there too."""

from dataclasses import replace

import against_hands
import evolution
import panels
import pytest

from stiffen.analysis.screening import quick_utilisation
from stiffen.model.panel import Demand
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search.driver import search
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions


def test_thousand_candidates_on_the_floor_pan():
    assert len(bead_candidates(panels.EIGHT[7], 1.0)) >= 1000


def test_hands_draw_what_can_be_made():
    panel = panels.EIGHT[5]
    drawn = list(against_hands.hand_layouts(BeadRules(panel, 0.8, ""), 5))
    assert any(bead.closed for one in drawn for bead in one.beads)
    assert {len(one.beads) for one in drawn} >= {1, 2, 3, 4, 5}
    assert all(audit(panel, one) == () for one in drawn[::9])


@pytest.mark.slow
def test_the_search_is_as_stiff_as_the_best_hand():
    panel = replace(panels.EIGHT[4], gauges=(1.0,), demands=(Demand("frequency", 60.0),))
    hand, _ = against_hands.best_by_hand(panel, 1.0, None, 2)
    found = search(replace(panel, goal="stiffest", beads_at_most=2), effort="quick", mesh_level="quick").verdict
    assert found.utilisation <= hand * 1.001


@pytest.mark.slow
@pytest.mark.parametrize("number", [2, 4], ids=["trapezium", "strip"])
def test_the_search_is_as_stiff_as_hands_tuned_by_the_shell_model(number):
    """A search that trusts the surrogate alone fell 11 % short on the trapezium."""
    panel = panels.EIGHT[number]
    hand, _ = against_hands.best_by_hand(panel, 0.8, None, 4)
    asked = replace(panel, gauges=(0.8,), goal="stiffest", beads_at_most=4)
    assert search(asked, effort="quick", mesh_level="quick").verdict.utilisation <= hand * 1.001


@pytest.mark.slow
def test_six_beads_close_together_are_found_under_a_foot_on_a_large_floor():
    """By hand at 1.2 mm six of them miss by 1.3 %, eight meet; rows so close were drawn up to four beads only."""
    floor = panels.LARGE_DEFLECTION[5]
    asked = replace(floor, gauges=(1.2,), tools=replace(floor.tools, hole_dies=()), beads_at_most=6)
    assert search(asked, effort="quick", mesh_level="quick").verdict.met


@pytest.mark.slow
def test_evolution_runs():
    strip = replace(panels.EIGHT[4], gauges=(1.0,))
    surrogate = evolution.evolved(strip, 1.0, 80, 2, mirrored=True)
    shell = evolution.evolved(strip, 1.0, 80, 2, mirrored=False, by_shell=True)
    for one in (surrogate, shell):
        assert one.utilisation == quick_utilisation(strip, one.layout) < 1.0 and audit(strip, one.layout) == ()


@pytest.mark.slow
def test_the_l_is_met_at_the_gauge_of_the_best_hand_with_a_third_of_the_dimensions():
    """Four beads by hand meet at 1.2 mm without holes; version 0.1.0 weighed 0.429 kg there, with 49 dimensions."""
    panel = replace(panels.EIGHT[1], gauges=(1.2, 1.5))
    layout = search(panel, effort="quick", mesh_level="quick").verdict.layout
    assert layout.gauge == 1.2 and panel.mass(layout) <= 1.02 * 0.429
    assert distinct_dimensions(panel, layout).count <= 49 / 3

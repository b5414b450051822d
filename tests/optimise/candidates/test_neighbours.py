"""Neighbours of bead candidates, and the local move that nudges a bead to one of them."""

from dataclasses import replace

import numpy as np
from support.panels import B16, lid

from stiffen.model.layout import Bead
from stiffen.model.panel import Demand
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.neighbours import neighbours
from stiffen.optimise.search.gauge_search import selection_objective
from stiffen.optimise.search.local_search import local_search
from stiffen.surrogate.stiffened_plate import stiffened_plate

OTHER = replace(B16, name="B16b", depth=3.0)


def straight(y, x0=50.0, x1=450.0, die=B16):
    return Bead(die, ((x0, y), (x1, y)))


def test_a_bead_is_next_to_itself_slid_turned_lengthened_or_of_another_die():
    bead = straight(200.0)
    slid, longer = straight(210.0), straight(200.0, 40.0, 460.0)
    turned, other = Bead(B16, ((450.0, 205.0), (50.0, 195.0))), straight(200.0, die=OTHER)
    far = tuple(straight(20.0 + k, 50.0, 150.0) for k in range(20))
    near = neighbours((bead, slid, longer, turned, other, *far))[0]
    assert {1, 2, 3, 4} < set(near)
    assert 0 not in near


def test_no_beads_no_neighbours():
    assert neighbours(()) == ()
    assert neighbours((straight(200.0),)) == ((),)


def test_a_nudge_finds_the_shorter_bead_that_will_do():
    """One candidate does, and the same a little shorter does too, with fewer minutes; no gain tells so."""
    panel = lid(demands=(Demand("frequency", 30.0),))
    beads = (straight(200.0), straight(200.0, 60.0, 440.0), straight(200.0, 200.0, 300.0))
    blocked = ~np.eye(3, dtype=bool)
    pool = CandidateSet.of_single_beads(beads, blocked)
    chooser = selection_objective(panel, pool, stiffened_plate(panel, 1.0, beads))
    asked = replace(panel, demands=(Demand("frequency", 0.97 * chooser.respond((1,)).values[0]),))
    chooser = selection_objective(asked, pool, stiffened_plate(asked, 1.0, beads))
    assert local_search(chooser, chooser.evaluate((0,)), np.random.default_rng(0)).chosen == (1,)

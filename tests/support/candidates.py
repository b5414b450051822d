"""Beads and holes that can be made in a panel, and random layouts of them that keep clear of each other."""

import numpy as np

from stiffen.model.layout import Bead, Layout
from stiffen.optimise.candidates.hole_patterns import hole_patterns
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.shop import clearance


def hole_candidates(panel, gauge):
    """Every hole of every pattern, each once."""
    return tuple(dict.fromkeys(hole for rows in hole_patterns(panel, gauge, (), "") for row in rows for hole in row))


def random_layout(panel, seed, most_beads=4, most_holes=2):
    """A random layout of candidates: beads first, then holes."""
    chance = np.random.default_rng(seed)
    gauge = panel.gauges[0]
    taken = []
    for things, most in ((bead_candidates(panel, gauge), most_beads), (hole_candidates(panel, gauge), most_holes)):
        count = 0
        for i in chance.permutation(len(things)):
            if count == most:
                break
            if not any(clearance.too_close(things[i], other, panel.tools, gauge) for other in taken):
                taken.append(things[i])
                count += 1
    beads = tuple(one for one in taken if isinstance(one, Bead))
    return Layout(gauge, beads, tuple(one for one in taken if not isinstance(one, Bead)))

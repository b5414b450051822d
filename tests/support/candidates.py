"""All straight and frame beads and all holes of a panel, with their conflicts."""

from collections import namedtuple

from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.optimise.candidates.hole_grid import hole_candidates
from stiffen.optimise.candidates.straight_beads import bead_candidates

FoundCandidates = namedtuple("FoundCandidates", ["beads", "holes", "conflicts"])


def candidates_of(panel, gauge):
    """Beads, holes, and (n, n) conflicts over the beads, then the holes."""
    beads, holes = bead_candidates(panel, gauge), hole_candidates(panel, gauge)
    return FoundCandidates(beads, holes, conflict_matrix(panel, gauge, beads, holes))

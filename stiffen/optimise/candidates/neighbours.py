"""Neighbours of bead candidates: the same bead slid, rotated, made longer or shorter, or of another die.

Local moves are swaps with the nearest candidates, so a bound over the candidates covers whatever the moves can reach.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from stiffen.model.layout import Bead

SAMPLE_POINTS = 5  # points along a bead by which two beads are compared
SAME_DIE_NEIGHBOURS = 8  # neighbours of a bead's own die
OTHER_DIE_NEIGHBOURS = 1  # neighbours of each other die


def neighbours(beads: Sequence[Bead]) -> tuple[tuple[int, ...], ...]:
    """For each bead the numbers of the nearest beads of its own die, and of each other die.

    The distance of two beads is the root of the summed squared distances of SAMPLE_POINTS points along them, each bead
    run from its left end (its lower end if it is upright).
    """
    if not beads:
        return ()
    samples = np.array([_sample_points(bead) for bead in beads])
    dies = np.array([bead.die.name for bead in beads])
    nearest: list[list[int]] = [[] for _ in beads]
    for die in dict.fromkeys(dies):
        members = np.flatnonzero(dies == die)
        tree = cKDTree(samples[members])
        same_die, other_die = dies == die, dies != die
        for numbers, count in (
            (np.flatnonzero(same_die), SAME_DIE_NEIGHBOURS + 1),  # one more, as each finds itself
            (np.flatnonzero(other_die), OTHER_DIE_NEIGHBOURS),
        ):
            if not len(numbers):
                continue
            _, found = tree.query(samples[numbers], k=min(count, len(members)))
            for i, row in zip(numbers, found.reshape(len(numbers), -1), strict=True):
                nearest[i] += [int(members[j]) for j in row if members[j] != i]
    return tuple(tuple(one) for one in nearest)


def _sample_points(bead: Bead) -> np.ndarray:
    """(2 SAMPLE_POINTS,) x, then y of points along a bead, evenly spaced by length."""
    path = np.array(bead.path)
    if bead.closed:
        path = np.vstack([path, path[:1]])
    elif tuple(path[0]) > tuple(path[-1]):
        path = path[::-1]
    arc_length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.linspace(0.0, arc_length[-1], SAMPLE_POINTS)
    return np.concatenate([np.interp(at, arc_length, path[:, 0]), np.interp(at, arc_length, path[:, 1])])

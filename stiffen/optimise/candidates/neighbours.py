"""Which bead candidates lie next to each other: a bead slid, turned, made longer or shorter, or of another die."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from stiffen.model.layout import Bead

SAMPLE_POINTS = 5  # along a bead, by which two are compared
SAME_DIE_NEIGHBOURS = 8  # of the same die
OTHER_DIE_NEIGHBOURS = 1  # of each other die


def neighbours(beads: Sequence[Bead]) -> tuple[tuple[int, ...], ...]:
    """For each bead the numbers of those that lie closest: some of its own die, and of each other die.

    Close by the root of the summed squared distances of points along the axes, taken from the end that lies lower or
    farther left.
    """
    if not beads:
        return ()
    places = np.array([_sample_points(bead) for bead in beads])
    dies = np.array([bead.die.name for bead in beads])
    near: list[list[int]] = [[] for _ in beads]
    for die in dict.fromkeys(dies):
        members = np.flatnonzero(dies == die)
        tree = cKDTree(places[members])
        own, others = dies == die, dies != die
        for asking, count in (
            (np.flatnonzero(own), SAME_DIE_NEIGHBOURS + 1),
            (np.flatnonzero(others), OTHER_DIE_NEIGHBOURS),
        ):
            if not len(asking):
                continue
            _, found = tree.query(places[asking], k=min(count, len(members)))
            for i, row in zip(asking, found.reshape(len(asking), -1), strict=True):
                near[i] += [int(members[j]) for j in row if members[j] != i]
    return tuple(tuple(one) for one in near)


def _sample_points(bead: Bead) -> np.ndarray:
    """(2 POINTS,) places along a bead, evenly by length."""
    path = np.array(bead.path)
    if bead.closed:
        path = np.vstack([path, path[:1]])
    elif tuple(path[0]) > tuple(path[-1]):
        path = path[::-1]
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.linspace(0.0, way[-1], SAMPLE_POINTS)
    return np.concatenate([np.interp(at, way, path[:, 0]), np.interp(at, way, path[:, 1])])

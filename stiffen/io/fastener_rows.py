"""Groups rivets that were drawn one by one into rows: the whole row must stay flat and clear of beads."""

from __future__ import annotations

import math

import numpy as np
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree
from scipy.spatial.distance import cdist

from stiffen.errors import Fault, InputError
from stiffen.model.sheet_geometry import XY

MAX_GAP_RATIO = 2.0  # to the median distance between neighbours; a wider gap ends a row (no source)
MAX_FASTENERS = 2000  # points


def group_into_rows(points: list[XY]) -> list[tuple[XY, ...]]:
    """Rows of points (mm, no two in the same place), each in order from its end of least x.

    A ring has its first point again at its end.  A row continues to the next point within MAX_GAP_RATIO times the
    median distance to the nearest point.  InputError if the points form no clear rows.
    """
    if len(points) > MAX_FASTENERS:
        raise InputError([Fault("", f"has {len(points)} points", f"at most {MAX_FASTENERS}")])
    if len(points) < 2:
        return [tuple(points)]
    points = sorted(points)
    apart = cdist(points, points)
    largest_gap = MAX_GAP_RATIO * float(np.median(np.sort(apart, axis=1)[:, 1]))
    tree = minimum_spanning_tree(np.where(apart <= largest_gap, apart, 0.0))
    links = tree + tree.T
    for i in np.flatnonzero(np.diff(links.tocsr().indptr) > 2)[:1]:
        x, y = points[i]
        what = f"has points around ({x:.1f}, {y:.1f}) that do not lie in a row"
        raise InputError([Fault("", what, "put each row on a layer of its own: RIVET 4, or mapped to that")])
    _, part = connected_components(links, directed=False)
    return [
        _ordered_row(np.flatnonzero(part == k), links.tolil().rows, points, largest_gap) for k in range(part.max() + 1)
    ]


def _ordered_row(members: np.ndarray, nearby: np.ndarray, points: list[XY], largest_gap: float) -> tuple[XY, ...]:
    """The points of one row from end to end; of a ring, back to the first."""
    here = next(i for i in members if len(nearby[i]) < 2)
    order = [here]
    while following := [i for i in nearby[here] if i not in order[-2:]]:
        here = following[0]
        order.append(here)
    row = tuple(points[i] for i in order)
    return (*row, row[0]) if len(row) > 3 and math.dist(row[0], row[-1]) <= largest_gap else row

"""Pairs of candidates that are too close together to be made in one sheet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import sparse
from shapely.strtree import STRtree

from stiffen.model.layout import Bead, Hole
from stiffen.model.panel import Panel
from stiffen.shop import clearance


def conflict_matrix(panel: Panel, gauge: float, beads: Sequence[Bead], holes: Sequence[Hole]) -> sparse.csr_array:
    """(n, n) symmetric bool over the beads, then the holes: True where two cannot be made in one sheet.

    The diagonal is False.
    """
    features: list[Bead | Hole] = [*beads, *holes]
    by_die: dict[tuple, list[int]] = {}
    for number, feature in enumerate(features):
        by_die.setdefault((clearance.kind_of(feature), feature.die), []).append(number)
    groups = [_DieGroup(kind, features, np.array(numbers)) for (kind, _), numbers in by_die.items()]
    pairs = [_close_pairs(panel, gauge, a, b) for k, a in enumerate(groups) for b in groups[: k + 1]]
    rows, columns = np.hstack(pairs) if pairs else np.empty((2, 0), dtype=int)
    both_ways = np.concatenate([rows, columns]), np.concatenate([columns, rows])
    data = np.ones(len(both_ways[0]), dtype=bool)
    matrix = sparse.coo_array((data, both_ways), shape=(len(features), len(features))).tocsr()
    matrix.setdiag(False)
    matrix.eliminate_zeros()
    return matrix


class _DieGroup:
    """The features of one die: their numbers among all, their axes or centres, and a search tree of these."""

    def __init__(self, kind: str, features: list[Bead | Hole], numbers: np.ndarray) -> None:
        axes = [clearance.axis_and_half_width(features[number]) for number in numbers]
        self.kind, self.numbers, self.half_width = kind, numbers, axes[0][1]
        self.axes = np.array([axis for axis, _ in axes])
        self.tree = STRtree(self.axes)


def _close_pairs(panel: Panel, gauge: float, a: _DieGroup, b: _DieGroup) -> np.ndarray:
    """(2, m) numbers of the pairs, one feature of each group, that are too close together."""
    gap = clearance.pair_clearance(panel.tools, a.kind, b.kind, gauge)
    distance = a.half_width + b.half_width + gap - clearance.LENGTH_TOLERANCE
    first, second = b.tree.query(a.axes, predicate="dwithin", distance=distance)
    return np.stack([a.numbers[first], b.numbers[second]])

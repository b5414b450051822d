"""Beads moved to whole millimetres, so that a tape can measure them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np

from stiffen.model.layout import Bead, Point

from .bead_rules import BeadRules, Group

NEARBY = sorted(product((0.0, 1.0, -1.0), repeat=4), key=lambda one: sum(map(abs, one)))  # mm, of both ends
ON_MARK = 1e-3  # mm: coordinates this near to a half millimetre, as images about a middle on a half, are on it


def is_on_whole_millimetres(bead: Bead) -> bool:
    """True where the ends of a bead lie on whole or half millimetres; closed beads are made on 5 mm steps."""
    return bead.closed or all(abs(2 * v - round(2 * v)) <= 2 * ON_MARK for end in _ends(bead) for v in end)


def on_whole_millimetres(rules: BeadRules, choice: Sequence[Group]) -> tuple[Group, ...] | None:
    """The choice with the ends of its beads on whole millimetres, or halves; None if a bead cannot be made so.

    Straight beads along x or y stay so.  Curved ones are moved, turned and stretched a little.
    """
    out: list[Group] = []
    taken: list[Bead] = []
    for group in choice:
        if all(map(is_on_whole_millimetres, group)) and rules.fits(group, taken):
            made: Group | None = group
        else:
            made = _moved(rules, group[0], taken)
        if made is None:
            return None
        out.append(made)
        taken += made
    return tuple(out)


def _moved(rules: BeadRules, bead: Bead, taken: list[Bead]) -> Group | None:
    """The group of the nearest bead with both ends on whole millimetres that keeps clear of others."""
    (x0, y0), (x1, y1) = _ends(bead)
    for dx0, dy0, dx1, dy1 in NEARBY:
        ends = (round(x0) + dx0, round(y0) + dy0), (round(x1) + dx1, round(y1) + dy1)
        if (x0 == x1) != (ends[0][0] == ends[1][0]) or (y0 == y1) != (ends[0][1] == ends[1][1]):
            continue
        made = rules.made(replace(bead, path=_carried(bead.path, ends)))
        group = rules.group(made)
        if group is not None and rules.fits(group, taken):
            return group
    return None


def _ends(bead: Bead) -> tuple[Point, Point]:
    return bead.path[0], bead.path[-1]


def _carried(path: Sequence[Point], ends: tuple[Point, Point]) -> tuple[Point, ...]:
    """A path moved, turned and stretched alike in all directions, so that it has given ends."""
    z = np.array(path) @ [1, 1j]
    start, stop = np.array(ends) @ [1, 1j]
    moved = start + (z - z[0]) * (stop - start) / (z[-1] - z[0])
    return (ends[0], *((round(float(p.real), 3), round(float(p.imag), 3)) for p in moved[1:-1]), ends[1])

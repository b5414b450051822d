"""Layouts a builder would draw by hand, made of candidates: equal parallel beads each way, and frames.

The search starts from them where large deflection decides and the scout cannot rank; benchmarks compare with them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from stiffen.model.layout import Bead

MAX_PARALLEL_BEADS = 9  # parallel beads
CHOICES_PER_COUNT = 4
DIRECTION_TOLERANCE = 1.0  # degrees within which beads count as parallel


def regular_layouts(
    beads: tuple[Bead, ...], conflicts: np.ndarray, directions: Sequence[float] | None = None
) -> list[tuple[int, ...]]:
    """Choices (rising numbers into `beads`), none with a conflict, in order of their number of beads.

    blocked: (n, n) bool.  ways: directions to draw in, degrees; default all.  For each die and direction 1 to MOST
    beads at equal spacing, as near as the candidates lie; each closed frame alone and with every frame of its die that
    fits inside it.
    """
    found: dict[tuple[int, ...], None] = {}
    rows: dict[tuple[str, int], list[int]] = defaultdict(list)
    frames = []
    for i, bead in enumerate(beads):
        if bead.closed:
            frames.append(i)
        elif len(bead.path) == 2 and _in_directions(bead, directions):
            rows[bead.die.name, round(_direction(bead) / DIRECTION_TOLERANCE)].append(i)
    for members in rows.values():
        for choice in _parallel_choices(beads, members, conflicts):
            found.setdefault(choice)
    for k, i in enumerate(frames):
        found.setdefault((i,))
        for j in frames[k + 1 :]:
            if not conflicts[i, j] and beads[i].die == beads[j].die:
                found.setdefault((i, j))
    return sorted(found, key=lambda choice: (len(choice), choice))


def by_family(choices: list[tuple[int, ...]], beads: tuple[Bead, ...]) -> list[list[tuple[int, ...]]]:
    """The choices by die and direction, frames apart; each kind in order of its number of beads."""
    out: dict[tuple, list[tuple[int, ...]]] = defaultdict(list)
    for choice in sorted(choices, key=lambda choice: (len(choice), choice)):
        bead = beads[choice[-1]]
        out[bead.die.name, bead.closed, None if bead.closed else round(_direction(bead) / DIRECTION_TOLERANCE)].append(
            choice
        )
    return list(out.values())


def best_per_count(choices: list[tuple[int, ...]], gains: np.ndarray) -> list[tuple[int, ...]]:
    """Of each number of beads the few choices whose gains, (candidates,), add up to most; the largest sums first."""
    count: dict[int, int] = defaultdict(int)
    out = []
    for choice in sorted(choices, key=lambda choice: -gains[list(choice)].sum()):
        count[len(choice)] += 1
        if count[len(choice)] <= CHOICES_PER_COUNT:
            out.append(choice)
    return out


def _direction(bead: Bead) -> float:
    """Direction of a straight bead, degrees in [0, 180)."""
    (x0, y0), (x1, y1) = bead.path
    return math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180.0


def _in_directions(bead: Bead, directions: Sequence[float] | None) -> bool:
    """Whether a straight bead lies in one of the directions."""
    return directions is None or any(
        abs((_direction(bead) - way + 90) % 180 - 90) <= DIRECTION_TOLERANCE for way in directions
    )


def _parallel_choices(beads: tuple[Bead, ...], members: list[int], conflicts: np.ndarray) -> list[tuple[int, ...]]:
    """1 to MOST of the longest parallel beads, spread evenly over the width they span."""
    turn = math.radians(_direction(beads[members[0]]))
    normal = np.array([-math.sin(turn), math.cos(turn)])
    offset = np.array([normal @ np.mean(beads[i].path, axis=0) for i in members])
    length = np.array([beads[i].length for i in members])
    longest = {}
    for k in np.lexsort((length, offset)):  # the longest of those on one line comes last and stays
        longest[round(float(offset[k]), 1)] = k
    offsets, keep = np.array(list(longest)), list(longest.values())
    low, high = offsets.min(), offsets.max()
    out = []
    for n in range(1, MAX_PARALLEL_BEADS + 1):
        wanted = low + (high - low) * (np.arange(n) + 0.5) / n
        choice = tuple(sorted({members[keep[int(np.abs(offsets - w).argmin())]] for w in wanted}))
        if len(choice) == n and not conflicts[np.ix_(choice, choice)].any():
            out.append(choice)
    return out

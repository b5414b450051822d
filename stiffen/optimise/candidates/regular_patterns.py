"""Regular layouts made of candidates, as a builder would draw them: equal parallel beads, and closed frames.

The search starts from them where large deflection governs and the surrogate cannot rank; benchmarks compare with them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from stiffen.model.layout import Bead

MAX_PARALLEL_BEADS = 9
CHOICES_PER_COUNT = 4  # choices that `best_per_count` keeps for each number of beads
DIRECTION_TOLERANCE = 1.0  # degrees within which beads count as parallel


def regular_layouts(
    beads: tuple[Bead, ...], conflicts: np.ndarray, directions: Sequence[float] | None = None
) -> list[tuple[int, ...]]:
    """Regular layouts as rising numbers into `beads`, none with a conflict, in order of their number of beads.

    For each die and direction: 1 to MAX_PARALLEL_BEADS beads at nearly equal spacing.  For each die: each closed frame
    alone, and with each other frame that does not conflict with it.  conflicts: (n, n) bool.  directions: degrees, of
    the parallel beads; default all that occur.
    """
    found: dict[tuple[int, ...], None] = {}
    parallel: dict[tuple[str, int], list[int]] = defaultdict(list)
    frames = []
    for i, bead in enumerate(beads):
        if bead.closed:
            frames.append(i)
        elif len(bead.path) == 2 and _in_directions(bead, directions):
            parallel[bead.die.name, round(_direction(bead) / DIRECTION_TOLERANCE)].append(i)
    for members in parallel.values():
        for choice in _parallel_choices(beads, members, conflicts):
            found.setdefault(choice)
    for k, i in enumerate(frames):
        found.setdefault((i,))
        for j in frames[k + 1 :]:
            if not conflicts[i, j] and beads[i].die == beads[j].die:
                found.setdefault((i, j))
    return sorted(found, key=lambda choice: (len(choice), choice))


def by_family(choices: list[tuple[int, ...]], beads: tuple[Bead, ...]) -> list[list[tuple[int, ...]]]:
    """The choices by die and direction, frames apart; each family in order of its number of beads.

    beads: what the numbers of the choices stand for; the last bead of a choice decides its family.
    """
    families: dict[tuple, list[tuple[int, ...]]] = defaultdict(list)
    for choice in sorted(choices, key=lambda choice: (len(choice), choice)):
        bead = beads[choice[-1]]
        families[
            bead.die.name, bead.closed, None if bead.closed else round(_direction(bead) / DIRECTION_TOLERANCE)
        ].append(choice)
    return list(families.values())


def best_per_count(choices: list[tuple[int, ...]], gains: np.ndarray) -> list[tuple[int, ...]]:
    """For each number of beads the CHOICES_PER_COUNT choices of largest total gain; largest first.

    gains: (candidates,).
    """
    count: dict[int, int] = defaultdict(int)
    kept = []
    for choice in sorted(choices, key=lambda choice: -gains[list(choice)].sum()):
        count[len(choice)] += 1
        if count[len(choice)] <= CHOICES_PER_COUNT:
            kept.append(choice)
    return kept


def _direction(bead: Bead) -> float:
    """Direction of a straight bead, degrees in [0, 180)."""
    (x0, y0), (x1, y1) = bead.path
    return math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180.0


def _in_directions(bead: Bead, directions: Sequence[float] | None) -> bool:
    """True for a straight bead along one of the directions (degrees), or where any direction will do."""
    return directions is None or any(
        abs((_direction(bead) - way + 90) % 180 - 90) <= DIRECTION_TOLERANCE for way in directions
    )


def _parallel_choices(beads: tuple[Bead, ...], members: list[int], conflicts: np.ndarray) -> list[tuple[int, ...]]:
    """1 to MAX_PARALLEL_BEADS of the parallel `members`, the longest on each line, spread evenly over their width."""
    angle = math.radians(_direction(beads[members[0]]))
    normal = np.array([-math.sin(angle), math.cos(angle)])
    offset = np.array([normal @ np.mean(beads[i].path, axis=0) for i in members])
    length = np.array([beads[i].length for i in members])
    longest = {}
    for k in np.lexsort((length, offset)):  # of the beads on one line the longest comes last and is kept
        longest[round(float(offset[k]), 1)] = k
    offsets, kept = np.array(list(longest)), list(longest.values())
    low, high = offsets.min(), offsets.max()
    choices = []
    for n in range(1, MAX_PARALLEL_BEADS + 1):
        wanted = low + (high - low) * (np.arange(n) + 0.5) / n
        choice = tuple(sorted({members[kept[int(np.abs(offsets - w).argmin())]] for w in wanted}))
        if len(choice) == n and not conflicts[np.ix_(choice, choice)].any():
            choices.append(choice)
    return choices

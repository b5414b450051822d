"""Beads that end on the lines of the holes beside them, so that no length of their own must be measured.  mm."""

from __future__ import annotations

from collections.abc import Sequence

from stiffen.model.layout import Bead, Hole

from .bead_rules import BeadRules, Group, is_straight, line_of
from .rounding import span_of

LEAST_SHARE = 0.9  # of a bead's length, that it keeps
ON_LINE = 0.25  # mm


def ended_on_hole_lines(rules: BeadRules, choice: Sequence[Group], holes: Sequence[Hole]) -> tuple[Group, ...] | None:
    """The choice with beads along x or y cut back to the outermost lines of holes across them.

    None if no bead is cut, one would lose more than a tenth, or cannot be made.
    """
    made: list[Group] = []
    for group in choice:
        cut = _cut_back(rules, group[0], holes)
        if cut is None:
            made.append(group)
            continue
        new = rules.group(cut) if cut.length >= LEAST_SHARE * group[0].length else None
        if new is None or len(new) != len(group):
            return None
        made.append(new)
    return tuple(made) if tuple(made) != tuple(choice) else None


def _cut_back(rules: BeadRules, bead: Bead, holes: Sequence[Hole]) -> Bead | None:
    """The bead between the outermost lines of holes that cross it; None where none do, or it cannot be made so."""
    angle, offset, _ = line_of(bead)
    if not is_straight(bead) or angle % 90:
        return None
    along = 0 if angle == 0 else 1
    low, high = span_of(bead, angle)
    lines = [hole.at[along] for hole in holes if low - ON_LINE <= hole.at[along] <= high + ON_LINE]
    if not lines:
        return None
    return rules.between(bead.die, angle, offset, min(lines), max(lines), bead.side)

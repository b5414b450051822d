"""Even layouts drawn anew: equal beads at one pitch on lines of the sheet that are free between the same two ends.

Beside an opening these may be the lines above it, or those left and right of it.  Lengths in mm, angles in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from stiffen.model.layout import Bead
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance

from . import symmetry
from .bead_rules import BeadRules, Group
from .rounding import STEP, line_datum, mirrors, rounded_span, span_of
from .straight_beads import main_directions

LEAST_SHARE = 0.5  # of the room across, that the beads take at least
MOST_PITCHES = 4  # of one number of beads
MOST_STRIPS = 2  # in each direction, those with the most free length
SAME_LENGTH = 0.95  # two strips that agree to it are one
SLACK = 1.0  # mm by which a free line may fall short of a strip


@dataclass(frozen=True)
class FreeStrip:
    """Lines at an angle that are free for the axis of a die's beads from one place to another.

    offsets: of the lines, 5 mm apart, rising; between them may lie others that are not free.
    """

    angle: float
    start: float
    stop: float
    offsets: tuple[float, ...]

    @property
    def free_length(self) -> float:
        """mm, of all lines."""
        return len(self.offsets) * (self.stop - self.start)

    def holds(self, places: np.ndarray) -> bool:
        """True where lines at some offsets are free: each lies between two free ones, or on one."""
        distance = np.abs(np.array(self.offsets)[:, None] - places[None])
        return bool(((distance < STEP - 1e-6).sum(axis=0) >= np.where(distance.min(axis=0) < 0.01, 1, 2)).all())


def free_strips(rules: BeadRules, die: BeadDie, side: str) -> list[FreeStrip]:
    """The strips with the most free length for a die's beads, in both main directions of the sheet."""
    found: list[FreeStrip] = []
    for angle in main_directions(rules.panel)[:2]:
        kept: list[FreeStrip] = []
        for one in sorted(_strips(rules, die, side, angle), key=lambda one: (-round(one.free_length), one.start)):
            lengths = [one.stop - one.start, *(other.stop - other.start for other in kept)]
            if all(min(lengths[0], other) < SAME_LENGTH * max(lengths[0], other) for other in lengths[1:]):
                kept.append(one)
        found += kept[:MOST_STRIPS]
    return found


def _strips(rules: BeadRules, die: BeadDie, side: str, angle: float) -> set[FreeStrip]:
    """For each line's free piece all lines that are free as far."""
    across = rules.span(die, angle)
    if across is None:
        return set()
    first = line_datum(rules, angle)
    first += STEP * math.ceil((across[0] - first) / STEP)
    offsets = np.arange(first, across[1], STEP).round(3).tolist()
    beads = [(offset, rules.straight(die, angle, offset, side)) for offset in offsets]
    spans = {offset: span_of(bead, angle) for offset, bead in beads if bead is not None}
    return {
        FreeStrip(
            angle,
            *span,
            tuple(place for place, (a, b) in spans.items() if a <= span[0] + SLACK and b >= span[1] - SLACK),
        )
        for span in spans.values()
    }


def even_layouts(
    rules: BeadRules, die: BeadDie, side: str, strip: FreeStrip, count: int
) -> Iterator[tuple[Group, ...]]:
    """Layouts of two or more equal beads in a strip, at pitches and in a length that are multiples of 5 mm.

    Evenly about the middle of the sheet if the strip allows it, else as near to its own middle as it allows.
    """
    ends = rounded_span(rules, strip.angle, strip.start, strip.stop, strip.stop - strip.start)
    room = strip.offsets[-1] - strip.offsets[0]
    least = die.width + clearance.pair_clearance(rules.panel.tools, "bead", "bead", rules.gauge)
    low = max(least, LEAST_SHARE * room / (count - 1))
    pitches = STEP * np.arange(math.ceil(low / STEP - 1e-6), math.floor(room / (count - 1) / STEP + 1e-6) + 1)
    rows = [places for pitch in pitches if (places := _places(rules, strip, count, float(pitch))) is not None]
    for k in sorted({round(share * (len(rows) - 1)) for share in np.linspace(0.0, 1.0, MOST_PITCHES)} if rows else ()):
        if groups := _groups(rules, die, side, strip.angle, rows[k], ends):
            yield groups


def _places(rules: BeadRules, strip: FreeStrip, count: int, pitch: float) -> np.ndarray | None:
    """(count,) offsets at a pitch on free lines of a strip; None if there are none."""
    steps = pitch * np.arange(count)
    _, centre = symmetry.centre_along_and_across(rules.panel, strip.angle)
    if strip.holds(places := round(2 * centre) / 2 - steps[-1] / 2 + steps):
        return places
    if mirrors(rules.mirror_axes, strip.angle):
        return None
    middle = (strip.offsets[0] + strip.offsets[-1]) / 2
    firsts = sorted(strip.offsets, key=lambda first: (round(abs(first + steps[-1] / 2 - middle), 3), first))
    return next((first + steps for first in firsts if strip.holds(first + steps)), None)


def _groups(
    rules: BeadRules, die: BeadDie, side: str, angle: float, places: np.ndarray, ends: tuple[float, float]
) -> tuple[Group, ...]:
    """The groups of beads on lines at some offsets; empty if one cannot be made."""
    groups: list[Group] = []
    beads: list[Bead] = []
    for place in places.tolist():
        bead = rules.between(die, angle, place, *ends, side)
        if bead is not None and any(symmetry.same_place(bead, other) for other in beads):
            continue  # the mirror image of another bead is there already
        group = rules.group(bead)
        if group is None or not rules.fits(group, beads):
            return ()
        groups.append(group)
        beads += group
    return tuple(groups) if len(beads) == len(places) else ()

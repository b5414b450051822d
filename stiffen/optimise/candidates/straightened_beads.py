"""Curved beads made straight, which are easier to mark and to roll."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from .bead_rules import BeadRules, Group
from .rounding import STEP, datum_of, directions_near, line_through, rounded_span, span_of


def straightened(rules: BeadRules, choice: Sequence[Group]) -> Iterator[tuple[Group, ...]]:
    """The choice with one of its open curved beads, and its images, made straight along a direction of the sheet.

    Through the middle of the curve, on multiples of 5 mm; as long as the curve, and as long as fits.
    """
    for position, group in enumerate(choice):
        lead = group[0]
        if lead.closed or len(lead.path) < 3 or lead.die.profile == "step" or any(lead.open_ends):
            continue
        others = (*choice[:position], *choice[position + 1 :])
        (x0, y0), (x1, y1) = lead.path[0], lead.path[-1]
        chord = math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180
        chord_bead = replace(lead, path=(lead.path[0], lead.path[-1]))
        middle = np.mean(lead.path, axis=0)
        for angle in directions_near(rules, chord):
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            _, near = line_through(chord_bead, angle)
            datum = datum_of(rules, angle)
            offset = datum + STEP * round((float(c * middle[1] - s * middle[0]) - datum) / STEP)
            full = rules.straight(lead.die, angle, offset, lead.side, 1.0, near)
            if full is None:
                continue
            low, high = span_of(full, angle)
            half = lead.length / 2
            for span in ((max(low, near - half), min(high, near + half)), (low, high)):
                made = rules.group(
                    rules.between(lead.die, angle, offset, *rounded_span(rules, angle, *span, math.inf), lead.side)
                )
                if made is not None and rules.fits(made, [bead for one in others for bead in one]):
                    yield (*others, made)

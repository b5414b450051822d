"""Directions of the sheet, and places and lengths of straight beads on multiples of 5 mm.  mm, degrees."""

from __future__ import annotations

import math

import numpy as np

from stiffen.model.layout import Bead

from . import symmetry
from .bead_rules import BeadRules, sheet_of
from .straight_beads import main_directions

STEP = 5.0  # mm: pitches, offsets and lengths are multiples of it
SAME_DIRECTION = 0.2  # degrees: beads within it of an edge, or square to it, run along a direction of the sheet
NEAR_DIRECTION = 46.0  # degrees by which oblique beads may be turned into a direction of the sheet


def directions_near(rules: BeadRules, angle: float) -> list[float]:
    """The direction of a set; where it is none of the sheet's, also those near it, along an edge or square to one."""
    first = main_directions(rules.panel)
    named = dict.fromkeys(round(one % 180, 6) for main in (*first, 0.0) for one in (main, main + 90))
    away = {one: abs((one - angle + 90) % 180 - 90) for one in named}
    if min(away.values()) < SAME_DIRECTION:
        return [angle]
    return [
        angle,
        *(one for one in sorted(named, key=lambda one: (round(away[one], 3), one)) if away[one] < NEAR_DIRECTION),
    ]


def line_through(bead: Bead, angle: float) -> tuple[float, float]:
    """Offset of the line at an angle through a bead's middle, and the place of the middle along it."""
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    x, y = np.mean([bead.path[0], bead.path[-1]], axis=0)
    return float(c * y - s * x), float(c * x + s * y)


def datum_of(rules: BeadRules, angle: float) -> float:
    """Offset of the edge from which beads along x or y are measured."""
    x0, y0, _, _ = sheet_of(rules.panel).bounds
    return {0.0: y0, 90.0: -x0}.get(angle % 180, 0.0)


def mirrors(axes: str, angle: float) -> bool:
    """True if mirroring along some axes moves lines at an angle of 0 or 90 degrees."""
    return (angle % 180 == 0 and "y" in axes) or (angle % 180 == 90 and "x" in axes)


def line_datum(rules: BeadRules, angle: float) -> float:
    """Offset from which lines are measured: the centre line where they are mirrored about it, else an edge."""
    _, centre = symmetry.centre_along_and_across(rules.panel, angle)
    return round(2 * centre) / 2 if mirrors(rules.mirror_axes, angle) else datum_of(rules, angle)


def span_of(bead: Bead, angle: float) -> tuple[float, float]:
    """First and last place of a straight bead along its line."""
    tangent = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    low, high = sorted((np.array(bead.path) @ tangent).tolist())
    return low, high


def rounded_span(rules: BeadRules, angle: float, low: float, high: float, length: float) -> tuple[float, float]:
    """Start and stop of beads within some room, on multiples of 5 mm: from the sheet's middle, or from its edge."""
    centre, _ = symmetry.centre_along_and_across(rules.panel, angle)
    if abs((low + high) / 2 - centre) <= STEP:
        half = STEP * math.floor(min(length / 2, centre - low, high - centre) / STEP + 1e-6)
        return centre - half, centre + half
    x0, y0, _, _ = sheet_of(rules.panel).bounds
    datum = {0.0: x0, 90.0: y0}.get(angle % 180, low)
    length = min(length, high - low)
    start = datum + STEP * math.ceil((low + (high - low - length) / 2 - datum) / STEP - 1e-6)
    return start, start + STEP * math.floor((min(high, start + length) - start) / STEP + 1e-6)

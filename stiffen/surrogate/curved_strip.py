"""How much softer a bead bends where it turns in plan.

Sheet at a height z of a bead that bends by a curvature k along itself carries N_s = E t z k.  Where the bead turns with
a radius R, these forces press its walls sideways by N_s / R, and the walls give way as those of a bent pipe do (von
Karman 1911): the profile sways, by u, and the strain falls from z k to z k - u / R.  The sway is that of the profile as
an inextensible arch of sheet, clamped in the flat sheet beside its feet.  Along the bead a wall that sways carries its
neighbours with it over about a width, as a beam on an elastic foundation does, so that a turn shorter than that gives
way less.

A corner without a radius has a ridge in which the walls meet and does not sway.  Lengths in mm.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from stiffen.model.layout import Bead
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import profile_points

POISSON = 0.3  # of metal sheet; its square counts
# Fitted to the shell model: frames with corners of 20 to 119 mm, arches of 120 to 400 mm, three dies, 1 mm sheet.
SHEET_BESIDE = 1.0  # widths of flat sheet beside each foot that turn with the arch
SPREAD = 1.0  # widths over which a sway dies away along the bead
FLAT_POINTS = 12  # of the sheet beside a foot
SHARPEST = math.radians(25.0)  # turn at one point of a path from which it is a corner, not a piece of a curve


def depth_shares(bead: Bead, gauge: float, along: np.ndarray) -> np.ndarray:
    """Share of its depth, (k,), with which a straight bead would bend as much as this one, at distances along its path.

    gauge: thickness of the sheet.
    """
    if len(bead.path) == 2:
        return np.ones_like(along)
    marks, squares = squared_curvature(bead)
    radii = 1 / np.sqrt(np.maximum(squares, 1e-12))
    shares = np.sqrt([bending_share(bead.die, gauge, round(float(radius))) for radius in radii])
    return np.asarray(shares[np.clip(np.searchsorted(marks, along, side="right") - 1, 0, len(shares) - 1)])


def squared_curvature(bead: Bead) -> tuple[np.ndarray, np.ndarray]:
    """Where the sides of a path begin and end, (k + 1,), and their curvature times its mean nearby, (k,) 1/mm2.

    The mean is that of a beam on an elastic foundation about the middle of the side.
    """
    points = np.array(bead.path)
    sides = np.diff(points, axis=0)
    sides = sides[np.hypot(sides[:, 0], sides[:, 1]) > 0]
    lengths, angles = np.hypot(sides[:, 0], sides[:, 1]), np.arctan2(sides[:, 1], sides[:, 0])
    marks = np.append(0.0, np.cumsum(lengths))
    turns = np.zeros(len(marks))
    turns[1:-1] = np.diff(angles)
    if bead.closed:
        turns[[0, -1]] = angles[0] - angles[-1]
    turns = (turns + math.pi) % (2 * math.pi) - math.pi
    turns[np.abs(turns) > SHARPEST] = 0.0
    curvature = (turns[:-1] + turns[1:]) / 2 / lengths
    middle, decay = (marks[:-1] + marks[1:]) / 2, SPREAD * bead.die.width
    mean = np.zeros(len(lengths))
    for lap in (-marks[-1], 0.0, marks[-1]) if bead.closed else (0.0,):
        share = _share_within(marks + lap - middle[:, None], decay)
        mean += np.diff(share, axis=1) @ curvature
    return marks, np.maximum(curvature * mean, 0.0)


def _share_within(distance: np.ndarray, decay: float) -> np.ndarray:
    """Signed share, -1/2 to 1/2, of the sway by a force at a place that lies between it and a distance from it.

    Integral of exp(-x) (cos x + sin x) / (2 decay) with x = distance / decay (Hetenyi 1946, infinite beam).
    """
    x = np.abs(distance) / decay
    return np.sign(distance) * (1 - np.exp(-x) * np.cos(x)) / 2


@lru_cache(maxsize=4096)
def bending_share(die: BeadDie, gauge: float, radius: float) -> float:
    """Bending stiffness of a bead that turns with a radius, over that of a straight one, by its own sheet alone."""
    rise, arc, sway = _sway(die)
    stiffness = 12 * (1 - POISSON**2) / (gauge * max(radius, 1.0)) ** 2  # E t / (D R2)
    force = np.linalg.solve(np.eye(len(rise)) + stiffness * sway * arc, rise)
    return float((arc * rise * force).sum() / (arc * rise**2).sum())


@lru_cache(maxsize=64)
def _sway(die: BeadDie) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rise and arc (k,) of the pieces of a profile with the sheet beside it, and its sway (k, k).

    The sway of a piece under a force of 1 across, on another, for a plate stiffness of 1: an arch clamped at both ends.
    Moments of the arch held at its left end alone, with the three forces at the other that close it (force method).
    """
    beside = np.linspace(-die.width / 2 * (1 + 2 * SHEET_BESIDE), -die.width / 2, FLAT_POINTS, endpoint=False)
    left = np.column_stack([beside, np.zeros(FLAT_POINTS)])
    points = np.vstack([left, profile_points(die), (left * [-1, 1])[::-1]])
    arc = np.hypot(*np.diff(points, axis=0).T)
    across, rise = ((points[:-1] + points[1:]) / 2).T
    order = np.arange(len(arc))
    moments = np.where(order > order[:, None], rise - rise[:, None], 0.0)
    closing = np.column_stack([np.ones(len(arc)), rise, across])
    weighted = arc[:, None] * closing
    moments = moments - closing @ np.linalg.solve(weighted.T @ closing, weighted.T @ moments)
    return rise, arc, moments.T @ (arc[:, None] * moments)

"""How a bead's bending stiffness builds up from its ends: run-out and shear lag.

The wall of a bead is a strip of sheet, c wide from each foot to the crest along its arc.  Beyond its end nothing pulls
it; shear from the feet brings its force in.  With no stretch across the wall its displacement u along the bead obeys
E u_xx + G u_yy = 0, and the first term of the series, cos(pi y / 2c) exp(-x / lag), gives

    lag = (2 c / pi) sqrt(E / G),    p - lag2 p'' = p_whole,    p = 0 at the ends,

for the share p of the crest's force (sheet rigid in the transverse direction: F. B. Hildebrand, The exact solution of
shear-lag problems in flat panels and box beams, NACA TN 894, 1943).  Bent to one curvature, a wall at the height z of a
bead that is d deep has p_whole = z/d, and its moment is the share p z/d of that of the whole bead.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.linalg import solveh_banded

from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import developed_length, section_properties, taper

LAGS = 8.0  # lags beyond the run-out at which the stiffness is that of the whole bead
STEPS = 400  # of the table from the end of a bead to where it is whole


def shear_lag(die: BeadDie, nu: float) -> float:
    """Length, mm, over which the force in a bead's crest builds up to 1 - 1/e; nu: Poisson's ratio."""
    return developed_length(die) / math.pi * math.sqrt(2 * (1 + nu))


@lru_cache(maxsize=256)
def bending_gain(die: BeadDie, gauge: float) -> float:
    """How many times stiffer than flat sheet a bead is, less one, bent about the middle of the sheet beside it."""
    section = section_properties(die, gauge, die.width)
    return (section.I + section.area * section.centroid**2) / section.flat_I - 1


def stiffening_depth(die: BeadDie, along: np.ndarray, length: float, closed: bool, nu: float) -> np.ndarray:
    """Share of the depth, 0 to 1, of a long bead that stiffens as much as a bead does at a place.

    along: mm from the start of a bead `length` mm long, any shape.  A closed bead has no ends.
    """
    if closed:
        return np.ones_like(along)
    reach = min(length / 2, die.run_out_length + LAGS * shear_lag(die, nu))
    places, shares = _end(die, reach, nu)
    return np.interp(np.clip(np.minimum(along, length - along), 0.0, reach), places, shares)


@lru_cache(maxsize=512)
def _end(die: BeadDie, reach: float, nu: float) -> tuple[np.ndarray, np.ndarray]:
    """Places from an end, mm, and the shares of the depth there: finite differences of p - lag2 p'' = taper."""
    step = reach / STEPS
    places = step * (np.arange(STEPS) + 0.5)
    tapered = taper(die, places, 2 * reach)
    ratio = (shear_lag(die, nu) / step) ** 2
    diagonal, beside = np.full(STEPS, 1 + 2 * ratio), np.full(STEPS, -ratio)
    diagonal[0] += ratio  # p = 0 half a step before the first place
    diagonal[-1] -= ratio  # whole beyond the last: p' = 0
    force = solveh_banded(np.array([beside, diagonal]), tapered)
    return np.append(0.0, places), np.append(0.0, np.sqrt(tapered * force))

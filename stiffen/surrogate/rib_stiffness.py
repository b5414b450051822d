"""A bead as a rib of the scout's plate: the second moment that it adds to the sheet.

mm, mm4.  The rib is the bead with sheet on each side, in proportion to its width, about the section's own centroid;
its ends bring the sheet beside it to work only gradually, and fade, so that a bead of length L counts as

    I = (I_section - I_flat) / (1 + (l / L)^2),        l: the lag.

That is the form of a beam that also shears.  In strips no wider than the sheet that works with the bead the lag is that
of a table by profile and thickness, fitted to the judge (`benchmarks/bead_strip.py`).  In a panel the sheet goes on
around the ends and holds them: half of it counts there.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

import numpy as np

from stiffen.model.layout import Bead
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import profile_points, thin_wall_properties

EFFECTIVE_SHEET_WIDTHS = (
    2.3  # widths of a bead: the sheet that works with it on each side, fitted to one to five beads in panels
)
STEP_SHEET_WIDTH = 50.0  # mm of sheet that works with a step, on the panel's side
PANEL_LAG_SHARE = 0.5  # of a strip's lag, in a panel
STEP_LIP_WIDTH = 15.0  # mm of sheet that a step lifts along its edge, taken for all


def rib_inertia(bead: Bead, t: float) -> float:
    """Second moment, mm4, that a bead adds to the sheet it is rolled in, t mm thick."""
    return full_inertia(bead.die, t) / (
        1 + (PANEL_LAG_SHARE * shear_lag_length(bead.die.profile, t) / bead.length) ** 2
    )


def effective_sheet(die: BeadDie) -> tuple[float, float]:
    """mm of sheet that work with a bead on its two sides; of a step, on the panel's side and on the edge's."""
    return (STEP_SHEET_WIDTH, STEP_LIP_WIDTH) if die.profile == "step" else (EFFECTIVE_SHEET_WIDTHS * die.width,) * 2


@cache
def full_inertia(die: BeadDie, t: float) -> float:
    """The same of a bead without end: of the section, less that of flat sheet of the same width."""
    points = profile_points(die)
    inside, beyond = effective_sheet(die)
    left, right = points[0] - [inside, 0.0], points[-1] + [beyond, 0.0]
    found = thin_wall_properties(np.vstack([left, points, right]), t)
    return found.I - found.flat_I


def shear_lag_length(kind: str, t: float) -> float:
    """The lag l, mm, of a profile in a strip of t mm; in between in proportion, beyond as at its ends."""
    gauges, lengths = _lag_table()[kind]
    return float(np.interp(t, gauges, lengths))


@cache
def _lag_table() -> dict[str, tuple[tuple[float, ...], tuple[float, ...]]]:
    text = resources.files("stiffen").joinpath("data/bead_lag.toml").read_text(encoding="utf-8")
    return {row["profile"]: (tuple(row["gauges"]), tuple(row["lags"])) for row in tomllib.loads(text)["lag"]}

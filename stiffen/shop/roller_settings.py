"""Settings of the roller: passes, turns of the pressure screw, spring-back, trial strips.

mm, turns.  The rules for passes are common practice without a source; a trial strip of the same sheet overrules them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from stiffen.errors import Fault, InputError
from stiffen.model.material import Material
from stiffen.model.tools import BeadDie, Tools, Trial

from . import bead_section

FIRST_PASS_DEPTH_SHARE = (
    0.25  # fraction of the depth in the first pass, which only sets the track: common practice, no source
)
PASS_STRAIN_SHARE = 0.5  # fraction of the elongation that one pass may use up: common practice, no source
TRIAL_THICKNESS_TOLERANCE = 0.05  # mm, greatest difference in thickness between sheet and trial strip


@dataclass(frozen=True)
class RollingPass:
    """One pass: depth reached (mm) and turns of the screw from first touch; None if a trial strip must give them."""

    depth: float
    turns: float | None


@dataclass(frozen=True)
class RollerSettings:
    """Settings of the roller for one die.

    from_trial: whether the turns come from a trial strip.  springback: mm of depth that the formula adds; 0 for a trial
    strip, whose depths are measured after spring-back.
    """

    die: BeadDie
    passes: tuple[RollingPass, ...]
    from_trial: bool
    springback: float
    note: str = ""


def roller_settings(tools: Tools, die: BeadDie, material: Material, t: float) -> RollerSettings:
    """Passes and turns of the screw for a die in t mm sheet.

    If there is a trial strip of the same die, material and thickness (within 0.05 mm), its turns over measured depth
    are interpolated monotonically, never beyond its deepest reading.  Otherwise turns = (depth + spring-back) / lead, a
    first setting for a trial strip.  Raises InputError for a trial whose depth does not rise with the turns.
    """
    depths = pass_depths(die, material)
    trial = matching_trial(tools, die, material, t)
    if trial is None:
        return _settings_by_formula(tools, die, material, t, depths)
    return _settings_by_trial(trial, die, depths)


def matching_trial(tools: Tools, die: BeadDie, material: Material, t: float) -> Trial | None:
    """The trial strip of this die and material nearest in thickness, the last of equally near ones, or None."""
    fits = [
        trial
        for trial in tools.trials
        if (trial.die, trial.material) == (die.name, material.name)
        and abs(trial.thickness - t) <= TRIAL_THICKNESS_TOLERANCE + 1e-9
    ]
    return min(reversed(fits), key=lambda trial: abs(trial.thickness - t), default=None)


@cache
def pass_depths(die: BeadDie, material: Material) -> tuple[float, ...]:
    """Depth after each pass, mm: a light pass that sets the track, then passes of equal strain to the full depth.

    The strain is that of a bead whose edges cannot move in, S(h)/w - 1, with the die's profile scaled to depth h.  A
    pass takes at most half of the material's elongation (common practice, no source).  Strain grows with the square of
    the depth, so later passes add less depth, which suits sheet that hardens.
    """
    depth = np.linspace(0.0, die.depth, 201)
    strain = np.array([_strain_at_depth(die, h) for h in depth])
    first = float(np.interp(FIRST_PASS_DEPTH_SHARE * die.depth, depth, strain))
    per_pass = PASS_STRAIN_SHARE * max(material.elongation, 0.01)
    steps = max(1, math.ceil((strain[-1] - first) / per_pass - 1e-9))
    reached = np.interp(np.linspace(first, strain[-1], steps + 1), strain, depth)
    return (*(float(h) for h in reached[:-1]), die.depth)


def _strain_at_depth(die: BeadDie, depth: float) -> float:
    across, rise = np.diff(bead_section.profile_points(die), axis=0).T
    return float(np.hypot(across, rise * depth / die.depth).sum() / die.width - 1)


def springback(die: BeadDie, material: Material, t: float) -> float | None:
    """mm of depth to add so that the bead springs back to the die's depth; None if the nose radius is not known.

    Gardiner 1957 (from memory): R_i/R_f = 4 X^3 - 3 X + 1, X = R_i yield/(E t), applied to the nose radius.  The arcs
    keep their length, so under load the flank angle theta is greater by R_f/R_i, and the depth follows from
    h = (R + r_s)(1 - cos theta) + L sin theta.
    """
    shoulder, nose, theta, flank, _ = bead_section.half_profile(die)
    if nose <= 0:
        return None
    arcs = (shoulder + nose) * theta
    pressed = theta * loaded_curvature(1 / nose, material, t) * nose
    deeper = arcs / pressed * (1 - math.cos(pressed)) + flank * math.sin(pressed)
    return max(deeper - die.depth, 0.0)


def loaded_curvature(unloaded: float, material: Material, t: float) -> float:
    """Curvature 1/R_i (1/mm) under load that springs back to `unloaded` >= 0.

    Gardiner's law in curvatures, with c = yield/(E t): k_f = k_i - 3 c + 4 c^3/k_i^2; k_f = 0 for k_i <= 2 c.
    """
    c = material.yield_strength / (material.E * t)
    return float(brentq(lambda k: k - 3 * c + 4 * c**3 / k**2 - unloaded, 2 * c, unloaded + 3 * c, xtol=1e-14))


def _settings_by_formula(
    tools: Tools, die: BeadDie, material: Material, t: float, depths: tuple[float, ...]
) -> RollerSettings:
    allowance = springback(die, material, t)
    scale = (1 + (allowance or 0.0) / die.depth) / tools.roller.screw_lead
    note = "computed: a first setting for the trial strip"
    if allowance is None:
        note += "; nose radius not given, so no allowance for spring-back"
    return RollerSettings(die, tuple(RollingPass(h, h * scale) for h in depths), False, allowance or 0.0, note)


def _settings_by_trial(trial: Trial, die: BeadDie, depths: tuple[float, ...]) -> RollerSettings:
    turns, depth = _trial_readings(trial)
    curve = PchipInterpolator(depth, turns)
    deepest = depth[-1] + 1e-9
    passes = tuple(
        RollingPass(h, float(curve(np.clip(h, depth[0], depth[-1]))) if h <= deepest else None) for h in depths
    )
    note = "from a trial strip"
    if die.depth > deepest:
        note = (
            f"the trial strip reached {depth[-1]:g} mm of {die.depth:g} mm: "
            "turns beyond that are not extrapolated; roll the strip deeper and enter the readings"
        )
    return RollerSettings(die, passes, True, 0.0, note)


def _trial_readings(trial: Trial) -> tuple[np.ndarray, np.ndarray]:
    """Turns and depth of a trial, both rising.  First touch (0, 0) is added unless a reading has 0 turns or 0 depth."""
    pairs = sorted(zip(trial.turns, trial.depth, strict=False))
    if all(turns > 0 and depth > 0 for turns, depth in pairs):
        pairs = [(0.0, 0.0), *pairs]
    turns, depth = np.array(pairs).T
    if len(trial.turns) != len(trial.depth) or len(pairs) < 2 or (np.diff([turns, depth]) <= 0).any():
        where = f"trial of {trial.die} in {trial.thickness:g} mm {trial.material}"
        cure = "as many depths as turns; every further turn must have made the bead deeper"
        raise InputError([Fault(where, "the readings do not rise", cure)])
    return turns, depth

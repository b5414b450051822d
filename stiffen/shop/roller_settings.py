"""Settings of the roller: passes, turns of the pressure screw, spring-back, trial strips.

mm, MPa, turns.  The rules for passes are common practice without a source; a trial strip of the same sheet overrules
them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from stiffen.errors import Fault, InputError
from stiffen.model.material import Material, material_name
from stiffen.model.tools import BeadDie, Tools, Trial

from . import bead_section

FIRST_PASS_DEPTH_SHARE = (
    0.25  # fraction of the depth in the first pass, which only sets the track: common practice, no source
)
# What adds a pass: common practice, no source.  One to four passes are usual: a light one that sets the track, then to
# depth, and more for deep or sharp beads and for hard sheet.  A U.S. Navy training manual (NAVEDTRA 14315, rotary
# machines) says only that a bead must not be made too deep in one turn, which would weaken the metal.  Elongation of a
# tensile bar is no measure here: a narrow bend stands several times as much.
ONE_PASS_DEPTH_RATIO = 0.15  # depth over width up to which soft sheet takes a bead in one pass
DEEP_DEPTH_RATIO = 0.25  # depth over width above which a bead is deep; 0.25 is that of a round bead 16 wide, 4 deep
SHARP_RADIUS_RATIO = 0.5  # tightest radius over depth below which a bead is sharp
HARD_YIELD_STRENGTH = 170.0  # MPa; harder than quarter-hard 5052-H32 (152) and mild steel at its least (140)
MOST_PASSES = 4
TURN_STEP = 0.125  # turns that a hand sets without a scale: common practice, no source
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

    @property
    def reaches_depth(self) -> bool:
        """False if the trial strip was not rolled to the depth of the die."""
        return self.passes[-1].turns is not None


def roller_settings(tools: Tools, die: BeadDie, material: Material, t: float) -> RollerSettings:
    """Passes and turns of the screw for a die in t mm sheet.

    If there is a trial strip of the same die, material and thickness (within 0.05 mm), its turns over measured depth
    are interpolated monotonically, never beyond its deepest reading.  Otherwise turns = (depth + spring-back) / lead, a
    first setting for a trial strip.  Turns are rounded to what a hand can set (`settable_turns`); each depth is the one
    that the rounded turns give.  Raises InputError for a trial whose depth does not rise with the turns.
    """
    depths = rolling_depths(tools, die, material, t)
    trial = matching_trial(tools, die, material, t)
    if trial is None:
        return _settings_by_formula(tools, die, material, t, depths)
    return _settings_by_trial(trial, die, depths)


def matching_trial(tools: Tools, die: BeadDie, material: Material, t: float) -> Trial | None:
    """The trial strip of this die and material nearest in thickness, the last of equally near ones, or None."""
    fits = [
        trial
        for trial in tools.trials
        if trial.die == die.name
        and material_name(trial.material) == material_name(material.name)
        and abs(trial.thickness - t) <= TRIAL_THICKNESS_TOLERANCE + 1e-9
    ]
    return min(reversed(fits), key=lambda trial: abs(trial.thickness - t), default=None)


def rolling_depths(tools: Tools, die: BeadDie, material: Material, t: float) -> tuple[float, ...]:
    """Depth after each pass, mm: as many passes as a trial strip of this die and sheet says, else `pass_depths`."""
    trial = matching_trial(tools, die, material, t)
    return pass_depths(die, material, trial.passes if trial else None)


def usual_passes(die: BeadDie, material: Material) -> int:
    """Number of passes, 1 to 4, by depth, sharpness and hardness: common practice, no source; a trial strip decides.

    A shallow bead in soft sheet takes one.  Otherwise one sets the track and one goes to depth, and a deep bead, a
    sharp one and hard sheet take one more each.
    """
    ratio, radius = die.depth / die.width, bead_section.tightest_radius(die)
    deep = ratio > DEEP_DEPTH_RATIO + 1e-9
    sharp = radius is None or radius < SHARP_RADIUS_RATIO * die.depth - 1e-9
    hard = material.yield_strength > HARD_YIELD_STRENGTH
    if ratio <= ONE_PASS_DEPTH_RATIO and not (sharp or hard):
        return 1
    return min(2 + deep + sharp + hard, MOST_PASSES)


@cache
def pass_depths(die: BeadDie, material: Material, passes: int | None = None) -> tuple[float, ...]:
    """Depth after each pass, mm: a light pass that sets the track, then passes of equal strain to the full depth.

    passes: their number; None for `usual_passes`.  The strain is that of a bead whose edges cannot move in,
    S(h)/w - 1, with the die's profile scaled to depth h.  It grows with the square of the depth, so later passes add
    less depth, which suits sheet that hardens.
    """
    passes = passes or usual_passes(die, material)
    if passes == 1:
        return (die.depth,)
    depth = np.linspace(0.0, die.depth, 201)
    strain = np.array([_strain_at_depth(die, h) for h in depth])
    first = float(np.interp(FIRST_PASS_DEPTH_SHARE * die.depth, depth, strain))
    reached = np.interp(np.linspace(first, strain[-1], passes), strain, depth)
    return (*(float(h) for h in reached[:-1]), die.depth)


def settable_turns(turns: Sequence[float], most: float = math.inf) -> list[float]:
    """Rising turns of the screw, each rounded to the nearest eighth, and never above `most`.

    Where two would become the same, or one 0, all are rounded finer: to sixteenths, and so on by halves.
    """
    step = TURN_STEP
    while True:
        rounded = [step * round(turn / step) for turn in turns]
        rounded = [turn if turn <= most + 1e-9 else step * math.floor(most / step + 1e-9) for turn in rounded]
        if all(after > before for before, after in pairwise([0.0, *rounded])) or step < 1e-6:
            return rounded
        step /= 2


def turns_text(turns: float) -> str:
    """Turns as a fraction that a hand counts: 2.375 is "2 3/8"; decimals if it is no 256th."""
    whole, part = divmod(turns, 1.0)
    fraction = Fraction(part).limit_denominator(256)
    if abs(float(fraction) - part) > 1e-6:
        return f"{turns:.3f}"
    whole += fraction // 1
    fraction %= 1
    return " ".join([f"{whole:.0f}"] * (whole > 0 or not fraction) + [str(fraction)] * bool(fraction))


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
    note = "computed, a first setting for the trial strip; passes: common practice, no source"
    if allowance is None:
        note += "; nose radius not given, so no allowance for spring-back"
    passes = tuple(RollingPass(turns / scale, turns) for turns in settable_turns([h * scale for h in depths]))
    return RollerSettings(die, passes, False, allowance or 0.0, note)


def _settings_by_trial(trial: Trial, die: BeadDie, depths: tuple[float, ...]) -> RollerSettings:
    turns, depth = _trial_readings(trial)
    curve = PchipInterpolator(depth, turns)
    deepest = depth[-1] + 1e-9
    reached = [h for h in depths if h <= deepest]
    exact = [float(curve(np.clip(h, depth[0], depth[-1]))) for h in reached]
    rounded = settable_turns(exact, most=float(turns[-1]))

    def depth_at(setting: float) -> float:
        """Depth where the curve gives these turns."""
        if setting <= turns[0]:
            return float(depth[0])
        return float(brentq(lambda h: float(curve(h)) - setting, depth[0], depth[-1]))

    passes = tuple(RollingPass(depth_at(setting), setting) for setting in rounded)
    passes += tuple(RollingPass(h, None) for h in depths[len(reached) :])
    note = "from a trial strip"
    if trial.passes is None:
        note += "; passes: common practice, no source, unless the trial gives its own"
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

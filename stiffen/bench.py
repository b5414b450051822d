"""At the bench: roller settings, rolling order, minutes, order of work, and what to be wary of.

mm, minutes, turns of the pressure screw.  Times and pass rules are common practice without a source; they serve to
rank layouts and to plan an afternoon, not to price one.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from shapely.geometry import LineString, Polygon

from . import rules, section
from .errors import Fault, InputError
from .layout import Bead, Layout
from .material import Material
from .panel import Panel
from .tools import BeadDie, HoleDie, Tools, Trial

FIRST_PASS = 0.25  # share of the depth in the light pass that only sets the track: common practice, no source
STRAIN_SHARE = 0.5  # share of the elongation that one pass may use up: common practice, no source
SAME_THICKNESS = 0.05  # mm by which a trial strip may differ
SAME_DIRECTION = 5.0  # degrees between beads that need no turning of the sheet
TRIM_SPARE = 3.0  # mm on each side beyond the pull-in: common practice, no source

# Minutes: common practice, no source.
MARK_ONE = 0.5  # one bead or hole
CUT_METRE = 4.0  # rough cut and trim, each, by snips
DEBURR_METRE = 1.5
REGRIP = 0.5  # turning the sheet between two beads
TRIAL_STRIP = 5.0  # one die
PILOT_ONE = 1.5
FLARE_ONE = 1.0
FOLD_ONE = 4.0
FASTENER_ONE = 0.5  # drilling the mating hole


@dataclass(frozen=True)
class Pass:
    """One pass: depth reached (mm) and turns of the screw from first touch; turns None where a trial must tell."""

    depth: float
    turns: float | None


@dataclass(frozen=True)
class Settings:
    """How to set the roller for one die.

    springback: mm of depth that the formula adds for spring-back, 0 where a trial strip ruled.
    """

    die: BeadDie
    passes: tuple[Pass, ...]
    from_trial: bool
    springback: float
    note: str = ""


# ------------------------------------------------------------------------------------------------------------ settings


def settings(tools: Tools, die: BeadDie, material: Material, t: float) -> Settings:
    """Passes and turns of the screw for a die in t mm sheet.

    A trial strip of the same die, material and thickness (within 0.05 mm) rules, by monotone interpolation of its
    turns over measured depth, never beyond its deepest mark.  Else turns = (depth + spring-back) / lead, a guess to
    start a trial from.  Raises InputError for a trial whose depth does not rise with the turns.
    """
    depths = pass_depths(die, material)
    trial = matching_trial(tools, die, material, t)
    if trial is None:
        return _by_formula(tools, die, material, t, depths)
    return _by_trial(trial, die, depths)


def matching_trial(tools: Tools, die: BeadDie, material: Material, t: float) -> Trial | None:
    """The trial strip nearest in thickness; the later one of equals."""
    fits = [
        trial
        for trial in tools.trials
        if (trial.die, trial.material) == (die.name, material.name)
        and abs(trial.thickness - t) <= SAME_THICKNESS + 1e-9
    ]
    return min(reversed(fits), key=lambda trial: abs(trial.thickness - t), default=None)


@cache
def pass_depths(die: BeadDie, material: Material) -> tuple[float, ...]:
    """Depth after each pass, mm: a light pass that sets the track, then steps of equal strain to the full depth.

    Strain is that of a bead whose edges cannot move in, S(h)/w - 1, the die's profile scaled to depth h.  A step takes
    at most half of the material's elongation (common practice, no source).  As strain goes with depth squared, later
    passes go less deep, which suits sheet that hardens.
    """
    depth = np.linspace(0.0, die.depth, 201)
    strain = np.array([_stretch_at(die, h) for h in depth])
    first = float(np.interp(FIRST_PASS * die.depth, depth, strain))
    per_pass = STRAIN_SHARE * max(material.elongation, 0.01)
    steps = max(1, math.ceil((strain[-1] - first) / per_pass - 1e-9))
    reached = np.interp(np.linspace(first, strain[-1], steps + 1), strain, depth)
    return (*(float(h) for h in reached[:-1]), die.depth)


def _stretch_at(die: BeadDie, depth: float) -> float:
    across, rise = np.diff(section.profile(die), axis=0).T
    return float(np.hypot(across, rise * depth / die.depth).sum() / die.width - 1)


def spring_back(die: BeadDie, material: Material, t: float) -> float | None:
    """mm of depth to add so that the bead springs back to the die's depth; None where the nose radius is not known.

    Gardiner 1957 (from memory): R_i/R_f = 4 X^3 - 3 X + 1, X = R_i yield/(E t), on the nose radius; then the arcs keep
    their length, so the flank was steeper by R_f/R_i and the crest higher by
    h = (R + r_s)(1 - cos theta) + L sin theta.
    """
    shoulder, nose, theta, flank, _ = section.half(die)
    if nose <= 0:
        return None
    arcs = (shoulder + nose) * theta
    pressed = theta * curvature_before(1 / nose, material, t) * nose
    deeper = arcs / pressed * (1 - math.cos(pressed)) + flank * math.sin(pressed)
    return max(deeper - die.depth, 0.0)


def curvature_before(after: float, material: Material, t: float) -> float:
    """Curvature 1/R_i (1/mm) under load that springs back to `after` >= 0.

    Gardiner's law in curvatures, c = yield/(E t): k_f = k_i - 3 c + 4 c^3/k_i^2, nothing left for k_i <= 2 c.
    """
    c = material.yield_strength / (material.E * t)
    return float(brentq(lambda k: k - 3 * c + 4 * c**3 / k**2 - after, 2 * c, after + 3 * c, xtol=1e-14))


def _by_formula(tools: Tools, die: BeadDie, material: Material, t: float, depths: tuple[float, ...]) -> Settings:
    allowance = spring_back(die, material, t)
    scale = (1 + (allowance or 0.0) / die.depth) / tools.roller.screw_lead
    note = "computed: a guess to start the trial strip from"
    if allowance is None:
        note += "; nose radius not given, so no spring-back allowed for"
    return Settings(die, tuple(Pass(h, h * scale) for h in depths), False, allowance or 0.0, note)


def _by_trial(trial: Trial, die: BeadDie, depths: tuple[float, ...]) -> Settings:
    turns, depth = _readings(trial)
    curve = PchipInterpolator(depth, turns)
    deepest = depth[-1] + 1e-9
    passes = tuple(Pass(h, float(curve(np.clip(h, depth[0], depth[-1]))) if h <= deepest else None) for h in depths)
    note = "from a trial strip"
    if die.depth > deepest:
        note = (
            f"the trial strip reached {depth[-1]:g} mm of {die.depth:g} mm: "
            "the screw is not set by guess beyond it; roll the strip deeper and enter the readings"
        )
    return Settings(die, passes, True, 0.0, note)


def _readings(trial: Trial) -> tuple[np.ndarray, np.ndarray]:
    """Turns and depth of a trial, both rising, from first touch (0, 0) where no reading says otherwise."""
    pairs = sorted(zip(trial.turns, trial.depth, strict=False))
    if all(turns > 0 and depth > 0 for turns, depth in pairs):
        pairs = [(0.0, 0.0), *pairs]
    turns, depth = np.array(pairs).T
    if len(trial.turns) != len(trial.depth) or len(pairs) < 2 or (np.diff([turns, depth]) <= 0).any():
        where = f"trial of {trial.die} in {trial.thickness:g} mm {trial.material}"
        cure = "as many depths as turns; every further turn must have made the bead deeper"
        raise InputError([Fault(where, "the readings do not rise", cure)])
    return turns, depth


# ------------------------------------------------------------------------------------------------- rolling and minutes


def rolling_order(panel: Panel, beads: tuple[Bead, ...]) -> tuple[int, ...]:
    """Places in `beads` in the order to roll them: die by die, the most used first, each from the middle outward.

    From the middle of the sheet, so that what the rolls draw in can still move (common practice, no source).
    """
    middle = Polygon(panel.outline).centroid
    rolled: Counter[str] = Counter()
    for bead in beads:
        rolled[bead.die.name] += bead.length

    def rank(place: int) -> tuple:
        bead = beads[place]
        return -rolled[bead.die.name], bead.die.name, LineString(bead.path).distance(middle), place

    return tuple(sorted(range(len(beads)), key=rank))


def frame_sides(panel: Panel, beads: tuple[Bead, ...]) -> tuple[str | None, ...]:
    """Side of each path that goes to the frame, for beads rolled in the order given: no turning without need.

    None for a bead that the throat does not let pass.
    """
    sides: list[str | None] = []
    for place, bead in enumerate(beads):
        allowed = rules.frame_sides(panel, bead)
        kept = _seen_from(bead, beads[place - 1], sides[-1]) if place else None
        sides.append(kept if kept in allowed else next(iter(allowed), None))
    return tuple(sides)


def regrips(panel: Panel, beads: tuple[Bead, ...]) -> int:
    """How often the sheet is turned between one bead and the next, rolled in the order given.

    A turn: another direction (over 5 degrees), another side at the frame, or the other face up.
    """
    sides = frame_sides(panel, beads)
    turned = 0
    for place, (a, b) in enumerate(pairwise(beads)):
        apart = abs(_direction(a) - _direction(b)) % 180
        turned += (
            min(apart, 180 - apart) > SAME_DIRECTION
            or a.side != b.side
            or sides[place + 1] != _seen_from(b, a, sides[place])
        )
    return turned


def _seen_from(bead: Bead, other: Bead, side: str | None) -> str | None:
    """A side of another bead's path as seen along this bead's: what is left of one is right of its reverse."""
    if side is None or math.cos(math.radians(_direction(bead) - _direction(other))) > 0:
        return side
    return "left" if side == "right" else "right"


def _direction(bead: Bead) -> float:
    (x0, y0), (x1, y1) = bead.path[0], bead.path[1 if bead.closed else -1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


def breakdown(panel: Panel, layout: Layout) -> dict[str, float]:
    """Minutes at the bench by kind of work."""
    roller = panel.tools.roller
    beads = tuple(layout.beads[place] for place in rolling_order(panel, layout.beads))
    dies = dict.fromkeys(bead.die for bead in beads)
    passes = {die: len(pass_depths(die, panel.material)) for die in dies}
    edges = sum(ring.length for ring in (panel.region.exterior, *panel.region.interiors)) / 1000
    fasteners = sum(len(support.fasteners()) for support in panel.supports)
    return {
        "mark": MARK_ONE * (len(beads) + len(layout.holes)),
        "cut and trim": 2 * CUT_METRE * edges,
        "trial strips": TRIAL_STRIP * len(dies),
        "die changes": roller.die_change_minutes * len(dies),
        "set up": roller.set_up_minutes * len(beads) + REGRIP * regrips(panel, beads),
        "roll": sum(passes[bead.die] * bead.length for bead in beads) / roller.hand_speed,
        "pilot holes": PILOT_ONE * len(layout.holes),
        "flare": FLARE_ONE * len(layout.holes),
        "fold": FOLD_ONE * len(panel.folds),
        "mating holes": FASTENER_ONE * fasteners,
        "deburr": DEBURR_METRE * edges,
    }


def minutes(panel: Panel, layout: Layout) -> float:
    """Minutes at the bench, all told; `breakdown` says of what."""
    return sum(breakdown(panel, layout).values())


# ------------------------------------------------------------------------------------------------------- order of work


def pull_in_range(panel: Panel, layout: Layout) -> tuple[float, float]:
    """Most that rolling can draw the sheet in along x and along y, mm; the least is 0 (the metal stretches instead).

    The largest sum, over lines across the sheet, of the pull-in of the beads that the line crosses, each by its share
    across the line's direction.
    """
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    most_x = max(_drawn_in(layout, ((x0, y), (x1, y)), 0) for y in np.linspace(y0, y1, 51)[1:-1])
    most_y = max(_drawn_in(layout, ((x, y0), (x, y1)), 1) for x in np.linspace(x0, x1, 51)[1:-1])
    return most_x, most_y


def _drawn_in(layout: Layout, line: tuple, axis: int) -> float:
    scan = np.array(line)
    total = 0.0
    for bead in layout.beads:
        path = np.array(bead.path)
        side = path[:, 1 - axis] - scan[0, 1 - axis]
        crossed = (side[:-1] < 0) != (side[1:] < 0)
        pieces = np.diff(path, axis=0)[crossed]
        total += section.pull_in(bead.die) * float(np.sum(np.abs(pieces[:, 1 - axis]) / np.linalg.norm(pieces, axis=1)))
    return total


def trim_allowance(panel: Panel, layout: Layout) -> tuple[float, float]:
    """mm to leave on each side along x and along y at the rough cut: half the greatest pull-in and a spare."""
    if not layout.beads:
        return 0.0, 0.0
    x, y = pull_in_range(panel, layout)
    return float(math.ceil(x / 2 + TRIM_SPARE)), float(math.ceil(y / 2 + TRIM_SPARE))


def order_of_work(panel: Panel, layout: Layout) -> tuple[str, ...]:
    """Plain steps from the sheet to the fitted panel."""
    pilots, flares = _hole_steps(layout)
    return (
        *_cutting_steps(panel, layout),
        *pilots,
        *_rolling_steps(panel, layout),
        *flares,
        *_finishing_steps(panel, layout),
    )


def _cutting_steps(panel: Panel, layout: Layout) -> list[str]:
    sheet = f"{layout.gauge:g} mm {panel.material.name}"
    if not layout.beads:
        return [f"Mark the outline and all openings on {sheet}.", "Cut to the outline."]
    x, y = trim_allowance(panel, layout)
    return [
        f"Mark outline, openings, bead axes and bead ends on {sheet}.",
        f"Rough cut, leaving {x:g} mm outside the outline at the left and right ends and {y:g} mm at the other two: "
        "rolling draws the sheet in.",
    ]


def _hole_steps(layout: Layout) -> tuple[list[str], list[str]]:
    counted = Counter(hole.die for hole in layout.holes)
    pilots = [
        f"Cut {n} x pilot hole {die.pilot:g} mm for die {die.name}; smooth the rim." for die, n in counted.items()
    ]
    flares = [f"Flare {n} x with die {die.name}." for die, n in counted.items()]
    return pilots, flares


def _rolling_steps(panel: Panel, layout: Layout) -> list[str]:
    order = rolling_order(panel, layout.beads)
    steps = []
    for die in dict.fromkeys(layout.beads[place].die for place in order):
        numbers = [place + 1 for place in order if layout.beads[place].die == die]
        passes = len(pass_depths(die, panel.material))
        sides = sorted({layout.beads[number - 1].side for number in numbers})
        steps += [
            f"Die {die.name}: roll a trial strip of the same sheet in {passes} passes; measure the depth after each.",
            f"Die {die.name}: roll bead {', '.join(map(str, numbers))} in this order, standing "
            f"{' and '.join(sides)}, each in {passes} passes, the first only to set the track. "
            "Check for bow after each and flatten by hand.",
        ]
    return steps


def _finishing_steps(panel: Panel, layout: Layout) -> list[str]:
    steps = []
    if layout.beads:
        steps.append("Mark the outline again, measured from the bead axes, and trim to it.")
    if panel.cutouts:
        steps.append(f"Cut {len(panel.cutouts)} x cut-out.")
    for number, fold in enumerate(panel.folds, 1):
        side = "up" if fold.angle > 0 else "down"
        steps.append(f"Fold {number}: {abs(fold.angle):g} degrees {side}, inside radius {fold.radius:g} mm.")
    fasteners = sum(len(support.fasteners()) for support in panel.supports)
    if fasteners:
        steps.append(f"Offer the panel up and drill {fasteners} x mating hole through both parts.")
    steps.append("Deburr all edges and holes.")
    if panel.trims:
        steps.append("Fit the edge trim.")
    steps.append("Fit the panel.")
    return steps


# ------------------------------------------------------------------------------------------------------------ warnings


def warnings(panel: Panel, layout: Layout) -> tuple[str, ...]:
    """What to be wary of at the bench: strains against elongation, the roller's rating, rivets near edges."""
    found: list[str] = []
    for die in dict.fromkeys(bead.die for bead in layout.beads):
        found += _bead_warnings(panel, die, layout.gauge)
    for die in dict.fromkeys(hole.die for hole in layout.holes):
        found += _lip_warnings(panel, die, layout.gauge)
    found += map(str, rules.audit_supports(panel))
    return tuple(found)


def _bead_warnings(panel: Panel, die: BeadDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    found = [str(breach) for breach in rules.bead_die_breaches(panel, die, t, name)]
    stretch, drawn = section.stretch_strain(die), section.pull_in(die)
    if stretch > limit:
        found.append(
            f"{name}: if the sheet cannot move in, it stretches {stretch:.0%} and thins by "
            f"{section.thinning(die):.0%}, elongation is {limit:.0%}; if it can, each bead draws in {drawn:.1f} mm. "
            "The truth lies between: try a scrap strip."
        )
    bend = section.bend_strain(die, t)
    if bend is None:
        found.append(f"{name}: neither radius is given, so its bends are not judged")
    elif bend > limit and panel.material.least_bend_radius(t) is None:
        # Bending stands more than the elongation of a tensile strip; a table of bend radii, where there is one, rules.
        found.append(f"{name}: bends the outer fibre by {bend:.0%} at its tightest radius, elongation is {limit:.0%}")
    return found


def _lip_warnings(panel: Panel, die: HoleDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    found = [str(breach) for breach in rules.hole_die_breaches(panel, die, t, name)]
    if die.lip_strain > limit:
        found.append(
            f"{name}: stretches the lip by {die.lip_strain:.0%}, elongation is {limit:.0%}: it may split; "
            "cut a larger pilot hole and smooth its edge"
        )
    return found

"""The tools of a shop: bead roller, bead dies, flaring dies, cutters, folding brake, trial strips, own spacing rules.

Frozen records that check themselves.  Units: mm, degrees; strains are fractions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from .value_rules import (
    TEXT,
    Choice,
    Finding,
    Instance,
    Numbers,
    Optional,
    Range,
    Records,
    Rule,
    Whole,
    check_fields,
    field_findings,
    raise_findings,
    suggestion,
)

PROFILES = ("round", "vee", "flat", "step")
DIAMETER_RANGE = Range(1.0, 500.0, "mm")
RADIUS_RANGE = Range(0.0, 100.0, "mm")
MIN_CONE_ANGLE, MAX_CONE_ANGLE = 10.0, 85.0  # degrees to the sheet, of a flared hole
ROLLER_RULES: dict[str, Rule] = {
    "throat": Range(20.0, 5000.0, "mm"),
    "rated_steel": Range(0.2, 6.0, "mm"),
    "screw_lead": Range(0.1, 10.0, "mm"),
    "least_path_radius": Range(0.0, 5000.0, "mm"),
    "hand_speed": Range(10.0, 50_000.0, "mm a minute"),
    "set_up_minutes": Range(0.0, 120.0, "minutes"),
    "die_change_minutes": Range(0.0, 120.0, "minutes"),
}
BEAD_DIE_RULES: dict[str, Rule] = {
    "name": TEXT,
    "profile": Choice(PROFILES),
    "width": Range(2.0, 200.0, "mm"),
    "depth": Range(0.2, 50.0, "mm"),
    "nose_radius": RADIUS_RANGE,
    "shoulder_radius": RADIUS_RANGE,
    "flank": Range(10.0, 90.0, "degrees"),
    "run_out": Range(0.0, 500.0, "mm"),
}
HOLE_DIE_RULES: dict[str, Rule] = {
    "name": TEXT,
    "pilot": DIAMETER_RANGE,
    "finished": DIAMETER_RANGE,
    "flange": DIAMETER_RANGE,
    "rise": Range(0.2, 50.0, "mm"),
    "draw_bolt": Range(0.0, 100.0, "mm"),
}
FOLDING_BRAKE_RULES: dict[str, Rule] = {
    "neutral": Range(0.2, 0.5),
    "least_flat": Range(0.0, 200.0, "mm"),
    "clamp": Range(0.0, 300.0, "mm"),
    "nose": Range(0.0, 50.0, "mm"),
    "length": Optional(Range(50.0, 6000.0, "mm")),
    "rated_steel": Optional(Range(0.2, 6.0, "mm")),
    "fingers": Numbers(Range(5.0, 3000.0, "mm"), least=0),
}
CUTTER_RULES: dict[str, Rule] = {"kind": TEXT, "sizes": Numbers(DIAMETER_RANGE)}
TRIAL_RULES: dict[str, Rule] = {
    "die": TEXT,
    "material": TEXT,
    "thickness": Range(0.1, 6.0, "mm"),
    "turns": Numbers(Range(0.0, 100.0, "turns")),
    "depth": Numbers(Range(0.0, 50.0, "mm")),
    "passes": Optional(Whole(Range(1, 20))),
}
SPACING_RANGE = Range(0.0, 500.0, "mm")
MINUTES_RANGE = Range(0.0, 600.0, "minutes")


@dataclass(frozen=True)
class Roller:
    """A bead roller.

    throat: from the rolls to the frame, mm.  rated_steel: greatest mild-steel thickness, mm.
    screw_lead: travel of the pressure screw in one turn, mm.  least_path_radius: of a hand-steered curve, mm.
    hand_speed: mm of bead a minute and pass; set_up_minutes: to line up one bead; die_change_minutes.
    """

    throat: float = 450.0
    rated_steel: float = 1.2
    screw_lead: float = 1.5
    least_path_radius: float = 60.0
    hand_speed: float = 800.0
    set_up_minutes: float = 1.0
    die_change_minutes: float = 4.0

    def __post_init__(self) -> None:
        check_fields(self, "roller", ROLLER_RULES)


@dataclass(frozen=True)
class BeadDie:
    """A pair of bead rolls.

    width: of the bead at the sheet's face, mm.  depth: greatest, mm, to the mid-surface of the sheet.
    nose_radius, shoulder_radius: mid-surface radii at the crest and at the foot, mm.
    For a round profile the nose follows from width, depth and shoulder: R + r_s = (w^2/4 + d^2)/(2 d).
    run_out: length over which depth fades to nothing at a closed end, mm, at the start as at the stop (0 means
    2.5 depth).
    flank: angle of a flat-topped bead's flank to the sheet, degrees.
    A step lifts all the sheet between it and the nearer edge by its depth; its width is that of the ramp.
    """

    name: str
    profile: str
    width: float
    depth: float
    nose_radius: float = 0.0
    shoulder_radius: float = 0.0
    flank: float = 45.0
    run_out: float = 0.0

    def __post_init__(self) -> None:
        check_fields(self, "bead_die", BEAD_DIE_RULES)

    @property
    def run_out_length(self) -> float:
        """Length of the fade at each end, mm."""
        return self.run_out or 2.5 * self.depth


@dataclass(frozen=True)
class HoleDie:
    """A flaring die for a round hole.

    pilot: diameter cut first; finished: diameter of the lip's opening after flaring; flange: diameter of the fold
    circle where the cone leaves the sheet; rise: height of the lip over the sheet.  All mm, mid-surface.
    draw_bolt: diameter of the hole for the bolt of a die that punches the pilot hole and flares it in one go, drawn
    together by that bolt, mm; 0 for a die that flares a hole cut before.
    """

    name: str
    pilot: float
    finished: float
    flange: float
    rise: float
    draw_bolt: float = 0.0

    def __post_init__(self) -> None:
        found = field_findings(self, HOLE_DIE_RULES)
        sizes = self.pilot, self.finished, self.flange, self.rise, self.draw_bolt
        raise_findings("hole_die", found or hole_die_findings(*sizes))

    @property
    def angle(self) -> float:
        """Angle of the cone to the sheet, degrees."""
        return cone_angle(self.finished, self.flange, self.rise)

    @property
    def cut_diameter(self) -> float:
        """Diameter that is cut at the bench, mm: that of the pilot hole, or of the hole for the bolt of such a die."""
        return self.draw_bolt or self.pilot

    @property
    def lip_strain(self) -> float:
        """Hoop strain of the lip, finished/pilot - 1 (sharp fold, slant length kept)."""
        return self.finished / self.pilot - 1


@dataclass(frozen=True)
class FoldingBrake:
    """The folding brake.

    neutral: distance of the neutral line from the inner face as a fraction of the thickness; 0.447 is the value in the
    formula of `bends.bend_allowance`.  least_flat: mm of flat flange that the brake needs beyond the bend (0: 2.5 t).
    clamp: mm of sheet that the clamp bar presses on behind the bend; 15 is common practice without a source.  nose:
    inside radius that the bar's nose makes, mm.  length: of the longest bend, mm, and rated_steel: greatest mild-steel
    thickness over that length, mm (None: not known, not checked).  fingers: widths of a box brake's fingers, mm.
    """

    neutral: float = 0.447
    least_flat: float = 0.0
    clamp: float = 15.0
    nose: float = 0.0
    length: float | None = None
    rated_steel: float | None = None
    fingers: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        check_fields(self, "folder", FOLDING_BRAKE_RULES)


@dataclass(frozen=True)
class Cutter:
    """Something that cuts round holes in sheet (hole saw, punch, step drill) and the diameters it comes in, mm."""

    kind: str
    sizes: tuple[float, ...]

    def __post_init__(self) -> None:
        check_fields(self, "cutter", CUTTER_RULES)


@dataclass(frozen=True)
class Trial:
    """A scrap strip that was rolled: pairs of screw turns from first touch and measured depth (mm).

    passes: how many passes a good bead to full depth took; None if only the depths were measured.
    """

    die: str
    material: str
    thickness: float
    turns: tuple[float, ...]
    depth: tuple[float, ...]
    passes: int | None = None

    def __post_init__(self) -> None:
        raise_findings("trial", field_findings(self, TRIAL_RULES) or trial_findings(self.turns, self.depth))


@dataclass(frozen=True)
class Tools:
    """All tools of a shop.

    spacing: own values, mm, for rules of `spacing_rules.SPACING_RULES` by name.  cutters: () stands for the commonly
    sold ones (`flared_holes.stock_cutters`).  minutes: own values for work of `process_plan.BENCH_MINUTES` by name.
    """

    name: str
    roller: Roller
    bead_dies: tuple[BeadDie, ...]
    hole_dies: tuple[HoleDie, ...] = ()
    trials: tuple[Trial, ...] = ()
    spacing: dict[str, float] = field(default_factory=dict)
    cutters: tuple[Cutter, ...] = ()
    folding_brake: FoldingBrake = FoldingBrake()
    minutes: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        raise_findings("tools", field_findings(self, TOOLS_RULES) or tools_findings(self))

    def bead_die(self, name: str) -> BeadDie | None:
        """The bead die of that name, or None."""
        return next((die for die in self.bead_dies if die.name == name), None)

    def hole_die(self, name: str) -> HoleDie | None:
        """The flaring die of that name, or None."""
        return next((die for die in self.hole_dies if die.name == name), None)


TOOLS_RULES: dict[str, Rule] = {
    "name": TEXT,
    "roller": Instance(Roller, "Roller(throat=..., rated_steel=...)"),
    "bead_dies": Records(BeadDie),
    "hole_dies": Records(HoleDie),
    "trials": Records(Trial),
    "cutters": Records(Cutter),
    "folding_brake": Instance(FoldingBrake, "FoldingBrake(neutral=..., least_flat=...)"),
}


# --- rules between the values of a record ----------------------------------------------------------------------


def cone_angle(finished: float, flange: float, rise: float) -> float:
    """Angle of a flared hole's cone to the sheet, degrees."""
    return math.degrees(math.atan2(rise, (flange - finished) / 2))


def hole_die_findings(
    pilot: float, finished: float, flange: float, rise: float, draw_bolt: float = 0.0
) -> list[Finding]:
    """A flaring die whose diameters do not rise, or whose cone is too flat or too steep."""
    if draw_bolt >= pilot:
        what = f"is {draw_bolt:g}, not less than the {pilot:g} mm that the die punches"
        return [(("draw_bolt",), what, "the hole for the bolt that draws the die, smaller than pilot")]
    if not pilot < finished < flange:
        what = f"is {finished:g}; it must lie between pilot {pilot:g} and flange {flange:g}"
        return [(("finished",), what, "pilot < finished < flange, all diameters")]
    angle = cone_angle(finished, flange, rise)
    if not MIN_CONE_ANGLE <= angle <= MAX_CONE_ANGLE:
        what = f"is {rise:g}, which makes a cone of {angle:.0f} degrees to the sheet"
        return [(("rise",), what, "a flared hole has 10 to 85 degrees, mostly 45")]
    return []


def trial_findings(turns: Sequence[float], depth: Sequence[float]) -> list[Finding]:
    """A trial strip with pairs that are not complete or do not rise."""
    if len(turns) != len(depth):
        return [(("depth",), f"has {len(depth)} values for {len(turns)} turns", "one depth for each turn")]
    for key, values in (("turns", turns), ("depth", depth)):
        if any(b <= a for a, b in zip(values, values[1:], strict=False)):
            return [((key,), "does not rise from value to value", "enter the pairs in rising order")]
    return []


def trial_die_findings(die: str | None, dies: Sequence[str]) -> list[Finding]:
    """A trial strip of a die that is not in the list."""
    if die is None or die in dies:
        return []
    return [(("die",), f'"{die}" is no bead die of this list', suggestion(die, dies))]


def repeated_name_findings(names: Sequence[object]) -> list[Finding]:
    """Dies with the name of an earlier one; the first key of the path is the place in the list."""
    found: list[Finding] = []
    for place, name in enumerate(names):
        if isinstance(name, str) and (first := names.index(name)) != place:
            what = f'"{name}" is the name of number {first + 1} too'
            found.append(((place, "name"), what, "give each die its own name"))
    return found


def tools_findings(tools: Tools) -> list[Finding]:
    """Contradictions in a list of tools; `spacing_rules.spacing_faults` checks the shop's own spacings."""
    found: list[Finding] = []
    for key, names in (
        ("bead_die", [die.name for die in tools.bead_dies]),
        ("hole_die", [die.name for die in tools.hole_dies]),
    ):
        found += [((key, *path), what, cure) for path, what, cure in repeated_name_findings(names)]
    dies = [die.name for die in tools.bead_dies]
    for place, trial in enumerate(tools.trials):
        found += [(("trial", place, *path), what, cure) for path, what, cure in trial_die_findings(trial.die, dies)]
    return found

"""What the shop has: the bead roller, bead dies, flaring dies, trial strips, and the shop's spacing rules.

Units: mm, fractions for strains.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

PROFILES = ("round", "vee", "flat", "step")


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

    @property
    def run_out_length(self) -> float:
        """Length of the fade at each end, mm."""
        return self.run_out or 2.5 * self.depth


@dataclass(frozen=True)
class HoleDie:
    """A flaring die for a round hole.

    pilot: diameter cut first; finished: diameter of the lip's opening after flaring; flange: diameter of the fold
    circle where the cone leaves the sheet; rise: height of the lip over the sheet.  All mm, mid-surface.
    """

    name: str
    pilot: float
    finished: float
    flange: float
    rise: float

    @property
    def angle(self) -> float:
        """Angle of the cone to the sheet, degrees."""
        return math.degrees(math.atan2(self.rise, (self.flange - self.finished) / 2))

    @property
    def lip_strain(self) -> float:
        """Hoop strain of the lip, finished/pilot - 1 (sharp fold, slant length kept)."""
        return self.finished / self.pilot - 1


@dataclass(frozen=True)
class FoldingBrake:
    """What folds the sheet.

    neutral: share of the thickness, from the inner face, at which a fold keeps its length; 0.447 is in the formula of
    `bends.bend_allowance`.  least_flat: mm of flat flange beyond the bend that the folder needs (0 means 2.5 t).
    """

    neutral: float = 0.447
    least_flat: float = 0.0


@dataclass(frozen=True)
class Cutter:
    """Something that cuts round holes in sheet (hole saw, punch, step drill) and the diameters it comes in, mm."""

    kind: str
    sizes: tuple[float, ...]


@dataclass(frozen=True)
class Trial:
    """A scrap strip that was rolled: pairs of screw turns from first touch and measured depth (mm)."""

    die: str
    material: str
    thickness: float
    turns: tuple[float, ...]
    depth: tuple[float, ...]


@dataclass(frozen=True)
class Tools:
    """The whole bench.

    spacing: overrides rows of `spacing_rules.SPACING_RULES` by name, mm.  cutters: () means what is commonly sold
    (`flared_holes.stock_cutters`).
    """

    name: str
    roller: Roller
    bead_dies: tuple[BeadDie, ...]
    hole_dies: tuple[HoleDie, ...] = ()
    trials: tuple[Trial, ...] = ()
    spacing: dict[str, float] = field(default_factory=dict)
    cutters: tuple[Cutter, ...] = ()
    folding_brake: FoldingBrake = FoldingBrake()

    def bead_die(self, name: str) -> BeadDie | None:
        """The bead die of that name, or None."""
        return next((die for die in self.bead_dies if die.name == name), None)

    def hole_die(self, name: str) -> HoleDie | None:
        """The flaring die of that name, or None."""
        return next((die for die in self.hole_dies if die.name == name), None)

"""Flared holes: published limits of size and thickness, cutters for pilot holes, flare from a given pilot hole.

mm, kg; strains as fractions.  The force that pulls a flare is not computed, because it depends on friction and on the
strength of the rim.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import NamedTuple

from stiffen.errors import InputError
from stiffen.model.material import Material
from stiffen.model.tools import Cutter, HoleDie


class FlareLimits(NamedTuple):
    """Least and greatest diameter of flared holes in sheet up to `max_thickness`, mm; None if none is published."""

    max_thickness: float
    min_diameter: float
    max_diameter: float | None


# One fabricator's published limits for flared holes, taken as the finished diameter.  The greatest diameters are those
# of its largest dies.  Sheet thinner than any in the list counts as the thinnest.  Similar alloys share one row.
FLARE_LIMITS: dict[str, tuple[FlareLimits, ...]] = {
    "5052": (FlareLimits(1.60, 12.7, 76.2), FlareLimits(2.03, 19.05, 76.2), FlareLimits(3.18, 25.4, 76.2)),
    "6061": (
        FlareLimits(1.02, 12.7, 63.5),
        FlareLimits(1.60, 12.7, 76.2),
        FlareLimits(2.54, 25.4, 76.2),
        FlareLimits(3.18, 31.75, 76.2),
    ),
    "2024": (FlareLimits(0.64, 12.7, 76.2),),
    "G90": (FlareLimits(1.91, 12.7, 76.2),),
    "1008": (FlareLimits(1.50, 12.7, 76.2), FlareLimits(1.88, 25.4, None), FlareLimits(3.02, 31.75, None)),
    "304": (
        FlareLimits(1.22, 12.7, None),
        FlareLimits(1.52, 19.05, None),
        FlareLimits(1.88, 25.4, None),
        FlareLimits(3.18, 31.75, None),
    ),
}
INCH_ROUNDING = 0.01  # mm; inch sizes are rounded to it
# Stretch of the lip that sheet stands where flares in its alloy and thickness are listed, whatever its elongation.  The
# elongation of a tensile bar is no measure of a smooth rim: 5052-H32, with 5 %, is flared everyday.  Hole-expansion
# values of these alloys were not found.  Common practice, no source.
LISTED_LIP_STRAIN = 0.12
LEAST_RISE_SHARE = 0.85  # of the die's rise; a larger pilot hole leaves a lower lip: common practice, no source
SUBSTITUTE_ALLOYS = {"5754": "5052", "5251": "5052", "1050": "5052", "3003": "5052", "DC01": "1008", "DX51D": "G90"}


def flare_limits(material: Material, t: float) -> FlareLimits | None:
    """The limits for sheet of t mm; None if the alloy, or sheet so thick, is not listed."""
    return next((row for row in _limits_of_alloy(material) if t <= row.max_thickness + INCH_ROUNDING), None)


def min_flared_diameter(material: Material, t: float) -> float | None:
    """Least finished diameter (mm) of a flared hole in sheet of t mm; None if the alloy is not listed.

    Sheet thicker than any in the list counts as the thickest.
    """
    rows = _limits_of_alloy(material)
    found = flare_limits(material, t) or (rows[-1] if rows else None)
    return found and found.min_diameter


def max_flared_thickness(material: Material, finished: float) -> float | None:
    """Thickest sheet (mm) in which a hole of this finished diameter is listed; None if there is none."""
    fits = [row.max_thickness for row in _limits_of_alloy(material) if row.min_diameter <= finished + 1e-6]
    return max(fits, default=None)


def max_lip_strain(material: Material, t: float) -> float:
    """Stretch of the lip that this sheet is taken to stand: its elongation, or more where such flares are listed."""
    return max(material.elongation, LISTED_LIP_STRAIN if flare_limits(material, t) else 0.0)


def _limits_of_alloy(material: Material) -> tuple[FlareLimits, ...]:
    alloy = material.name.split("-")[0].removesuffix("A")
    return FLARE_LIMITS.get(SUBSTITUTE_ALLOYS.get(alloy, alloy), ())


# ---------------------------------------------------------------------------------------------------------- pilot holes


@dataclass(frozen=True)
class PilotCut:
    """One way to cut a pilot hole: kind of cutter, its diameter (mm), and the flare that results."""

    kind: str
    diameter: float
    flare: HoleDie


@cache
def stock_cutters() -> tuple[Cutter, ...]:
    """Hole saws, punches and step drills in the sizes commonly sold (common practice, no source)."""
    text = resources.files("stiffen").joinpath("data/hole_cutters.toml").read_text(encoding="utf-8")
    return tuple(Cutter(row["kind"], tuple(map(float, row["sizes"]))) for row in tomllib.loads(text)["cutter"])


def flare_from_pilot(die: HoleDie, pilot: float) -> HoleDie:
    """The flare that `die` makes from another pilot hole (mm, less than the flange), on the same fold circle and cone.

    The sheet of the cone is not stretched along its slant.  So a smaller pilot hole gives a longer slant: a smaller
    opening and a higher lip.
    """
    run = (die.flange - die.finished) / 2
    slant = math.hypot(run, die.rise) + (die.pilot - pilot) / 2
    angle = math.radians(die.angle)
    return replace(die, pilot=pilot, finished=die.flange - 2 * slant * math.cos(angle), rise=slant * math.sin(angle))


def pilot_cuts(die: HoleDie, cutters: tuple[Cutter, ...] = (), max_strain: float = math.inf) -> tuple[PilotCut, ...]:
    """For each kind of cutter the size that suits the die's pilot hole best; the one nearest to it comes first.

    That is the largest size not above the pilot hole.  If that stretches the lip by more than `max_strain`, it is the
    next size above, as long as that leaves 85 % of the die's rise: a larger pilot hole stretches the lip less and
    leaves it lower.  Kinds without such a size are left out, and so are all for a die that punches its own pilot hole.
    cutters: () means `stock_cutters`.
    """
    if die.draw_bolt:
        return ()
    found = []
    for cutter in cutters or stock_cutters():
        below = max((size for size in cutter.sizes if size <= die.pilot + 0.05), default=None)
        above = min((size for size in cutter.sizes if size > die.pilot + 0.05), default=None)
        cut = _pilot_cut(die, cutter.kind, below, max_strain)
        if cut is None and math.isfinite(max_strain):
            cut = _pilot_cut(die, cutter.kind, above, max_strain)
        if cut:
            found.append(cut)
    return tuple(sorted(found, key=lambda cut: abs(cut.diameter - die.pilot)))


def best_cuts(die: HoleDie, cutters: tuple[Cutter, ...], max_strain: float) -> tuple[PilotCut, ...]:
    """`pilot_cuts` within `max_strain`; where no cutter keeps to that, those nearest to the pilot hole."""
    return pilot_cuts(die, cutters, max_strain) or pilot_cuts(die, cutters)


def _pilot_cut(die: HoleDie, kind: str, size: float | None, max_strain: float) -> PilotCut | None:
    """The cut of a size, None where its lip would be too low, stretch too far, or close up."""
    if size is None or size >= die.flange:
        return None
    slant = (die.flange - die.pilot) / 2
    try:
        flare = flare_from_pilot(die, size)
    except InputError:  # no flare at all
        return None
    if (die.flange - size) / 2 < LEAST_RISE_SHARE * slant - 1e-9 or flare.lip_strain > max_strain:
        return None
    return PilotCut(kind, size, flare)

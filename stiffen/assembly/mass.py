"""What a build weighs: panels, strips, rivets, what is fitted to the panels, extras; and the mass to beat.  kg, mm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shapely.geometry import LineString

from stiffen.model.panel import Panel

from .angle_strips import strip_mass
from .fitted_build import FittedBuild
from .joint_rivets import JointRivets

RIVET_DENSITY = 2.7e-6  # kg/mm3, of an aluminium body
RIVET_ENDS = 2.0  # diameters of shank that head and closed end of a blind rivet weigh: common practice, no source


@dataclass(frozen=True)
class BuildMass:
    """kg: panels, strips, rivets (an estimate), trim and what is bolted on, extras."""

    panels: float
    strips: float
    rivets: float
    fitted: float
    extras: float

    @property
    def total(self) -> float:
        """All of it."""
        return self.panels + self.strips + self.rivets + self.fitted + self.extras


def build_mass(fitted: FittedBuild, panel_masses: Mapping[str, float]) -> BuildMass:
    """The mass of a build.  panel_masses: kg of one of each panel, by name."""
    build = fitted.build
    return BuildMass(
        panels=sum(panel_masses[part.name] * part.copies for part in build.panels),
        strips=sum(strip_mass(strip, build.tools) * strip.copies for strip in build.strips),
        rivets=sum(rivet_mass(joint) * joint.count for joint in fitted.rivets),
        fitted=sum(fitted_mass(part.panel) * part.copies for part in build.panels),
        extras=sum(extra.kg * extra.copies for extra in build.extras),
    )


def fitted_mass(panel: Panel) -> float:
    """Mass of the edge trim and of what is bolted on, kg."""
    around = panel.region.exterior.length
    trims = (trim.kg_per_metre * (LineString(trim.path).length if trim.path else around) for trim in panel.trims)
    return sum(trims) / 1000 + sum(mass.kg for mass in panel.masses)


def rivet_mass(joint: JointRivets) -> float:
    """Mass of one set blind rivet, kg: a shank as long as its grip and two diameters; an estimate."""
    diameter = joint.joint.diameter
    return RIVET_DENSITY * math.pi / 4 * diameter**2 * (joint.grip + RIVET_ENDS * diameter)


@dataclass(frozen=True)
class Saving:
    """What a panel saves against its flat sheet.  saved: kg, of all copies; minutes: at the bench, of all copies."""

    name: str
    saved: float
    minutes: float

    @property
    def grams_per_minute(self) -> float:
        """Grams saved in a minute of work."""
        return 1000 * self.saved / self.minutes if self.minutes > 0 else 0.0


def by_worth(savings: Sequence[Saving]) -> tuple[Saving, ...]:
    """The panel that gives most per minute first."""
    return tuple(sorted(savings, key=lambda one: -one.grams_per_minute))

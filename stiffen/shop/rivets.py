"""Rivets and bolts: rows at even pitch, number of rivets for a seam, utilisation of the fasteners' strength.

mm, N.  The strength of a fastener is not tabulated: it comes from the maker of the rivet, or from a test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stiffen.errors import Fault, InputError
from stiffen.model.panel import Panel
from stiffen.model.results import FastenerLoad, Verdict

MIN_EDGE_DIAMETERS = 2.0  # diameters from an end or edge, at least: FAA AC 43.13-1B (1998), chapter 4
MIN_PITCH_DIAMETERS = 3.0  # diameters between the centres of a single row, at least: same
MM_PER_INCH = 25.4

SHEET_JOINT_SHARE = (
    0.75  # fraction of the table that single-lap sheet joints need: FAA AC 43.13-1B (1998), table 4-11, note c
)


@dataclass(frozen=True)
class RivetRow:
    """A straight row at even pitch: number of rivets, pitch, and distance of the first from the end, mm."""

    count: int
    pitch: float
    end_distance: float

    @property
    def stations(self) -> tuple[float, ...]:
        """Distance of each rivet from the end of the edge, mm."""
        return tuple(self.end_distance + place * self.pitch for place in range(self.count))


@dataclass(frozen=True)
class FastenerUtilisation:
    """The most loaded rivet or bolt of a support in a case, and its load over its strength.

    support_number: in the panel, from 1.  strength: N, None if the user gave none.  utilisation: load over strength, or
    None.
    """

    load: FastenerLoad
    support_number: int
    strength: float | None
    utilisation: float | None


def rivet_row(length: float, diameter: float, pitch: float, end: float | None = None) -> RivetRow:
    """The row along an edge of `length` mm with the fewest rivets whose pitch is at most `pitch`.

    end: mm from each end of the edge to the first rivet, at least 2 diameters, which is the default.  Rivets are never
    closer than 3 diameters: then the pitch is wider than asked for.  Raises InputError for impossible sizes, and for a
    pitch under 3 diameters.
    """
    end = MIN_EDGE_DIAMETERS * diameter if end is None else end
    faults = []
    if not 0 < diameter < math.inf:
        faults.append(Fault("diameter", f"is {diameter:g} mm", "more than 0"))
    if not pitch >= MIN_PITCH_DIAMETERS * diameter:
        faults.append(
            Fault("pitch", f"is {pitch:g} mm", f"at least 3 diameters, {MIN_PITCH_DIAMETERS * diameter:g} mm")
        )
    if not end >= MIN_EDGE_DIAMETERS * diameter:
        faults.append(Fault("end", f"is {end:g} mm", f"at least 2 diameters, {MIN_EDGE_DIAMETERS * diameter:g} mm"))
    if not 2 * end <= length < math.inf:
        faults.append(Fault("length", f"is {length:g} mm", f"at least {2 * end:g} mm, two end distances"))
    if faults:
        raise InputError(faults)
    between = length - 2 * end  # first rivet to last
    gaps = math.ceil(between / pitch - 1e-9)
    if gaps and between / gaps < MIN_PITCH_DIAMETERS * diameter:  # too close: one rivet fewer
        gaps -= 1
    return RivetRow(1, 0.0, length / 2) if gaps == 0 else RivetRow(gaps + 1, between / gaps, end)


def rivets_needed(width: float, per_inch: float, share: float = 1.0) -> int:
    """Number of rivets for a seam `width` mm wide: rivets per inch, times the fraction that a note to a table allows.

    Example of FAA AC 43.13-1B, par. 4-58 g: 10 in, 4.9 per inch, 0.75 of them: 37.
    """
    return math.ceil(width / MM_PER_INCH * per_inch * share - 1e-9)


def fastener_utilisations(panel: Panel, verdict: Verdict) -> tuple[FastenerUtilisation, ...]:
    """The most loaded rivet or bolt of each case and support, against the strength that the panel file gives for it.

    The strength holds in any direction: load = sqrt(shear^2 + pull^2), with the forces of the verdict.
    """
    found = []
    for load in verdict.fastener_loads:
        for number, support in enumerate(panel.supports, 1):
            if load.centre in support.fasteners():
                carried = math.hypot(load.shear, load.pull)
                share = carried / support.strength if support.strength else None
                found.append(FastenerUtilisation(load, number, support.strength, share))
                break
    return tuple(found)

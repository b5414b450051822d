"""Rivets and bolts: rows at even pitch, runs as drawn, holes to drill, pitch, utilisation of the fasteners' strength.

mm, N, MPa.  The strength of a fastener is not tabulated: it comes from the maker of the rivet, or from a test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString

from stiffen.errors import Fault, InputError
from stiffen.model.material import Material
from stiffen.model.panel import Panel, Support
from stiffen.model.results import FastenerLoad, Verdict

MIN_EDGE_DIAMETERS = 2.0  # diameters from an end or edge, at least: FAA AC 43.13-1B (1998), chapter 4
MIN_PITCH_DIAMETERS = 3.0  # diameters between the centres of a single row, at least: same
MM_PER_INCH = 25.4
RIVET_CLEARANCE = 0.1  # mm that the hole of a blind rivet is over its diameter: makers' tables, 4.1 for 4, 4.9 for 4.8
PIN_EVERY = 4  # a temporary pin in every so many holes: common practice, no source
MAX_CURVE_TURN = 45.0  # degrees from one space to the next up to which a row of even spaces follows a curve
STRAIGHT_RUN = 5.0  # degrees of turn between rivets up to which they form one straight run
# End fixity of the strip between two rivets with protruding heads: 3 in J.-C. Flabel, Practical Stress Analysis for
# Design Engineers, as quoted by a public calculator; Bruhn C7.14 gives 4 for universal heads (from memory).
END_FIXITY = 3.0
YIELD_SHARE = 0.5  # of the yield strength to which the sheet between two rivets is to stay flat: common practice
# Clearance holes of ISO 273, fine, medium, coarse, by thread, mm (from memory).
CLEARANCE_HOLES = {
    3.0: (3.2, 3.4, 3.6),
    4.0: (4.3, 4.5, 4.8),
    5.0: (5.3, 5.5, 5.8),
    6.0: (6.4, 6.6, 7.0),
    8.0: (8.4, 9.0, 10.0),
    10.0: (10.5, 11.0, 12.0),
    12.0: (13.0, 13.5, 14.5),
}
# Least shear strength of blind rivets with aluminium body, classes L and H of ISO 15977, by diameter, N: from memory,
# not checked.  They only warn; a panel's strength is what its maker or a test says.
COMMON_RIVET_SHEAR = {4.0: (850.0, 1250.0), 4.8: (1200.0, 1850.0)}
# Hole of a round blind nut by thread, mm: makers' usual sizes, from memory; the packet decides.
BLIND_NUT_HOLES = {3.0: 5.0, 4.0: 6.0, 5.0: 7.0, 6.0: 9.0, 8.0: 11.0, 10.0: 13.0}
BLIND_NUT_EDGE = 2.0  # hole diameters from its centre to an edge, at least: common practice, no source

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
class RivetRun:
    """Rivets of a support that follow each other in a straight line.

    gaps: centre to centre, mm, one fewer than rivets.  to_next: mm from its last rivet round a corner to the first of
    the next run, 0 if that is the same rivet; None at the end of an open row.
    """

    gaps: tuple[float, ...]
    to_next: float | None = None

    @property
    def count(self) -> int:
        """Number of rivets."""
        return len(self.gaps) + 1


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


def rivet_runs(support: Support) -> tuple[RivetRun, ...]:
    """The rivets of a support as drawn, run by run; () for other supports.

    A run ends where the row turns by more than 5 degrees: at a rivet on the corner, which the next run has too, or at
    a gap that leads round the corner.  A closed row without straight runs is one run.
    """
    centres = support.fasteners()
    if support.kind != "rivets" or not centres:
        return ()
    if len(centres) == 1:
        return (RivetRun(()),)
    closed = _is_closed(support)
    ways = np.diff(np.array([*centres, centres[0]] if closed else centres), axis=0)
    lengths, angles = np.linalg.norm(ways, axis=1), np.degrees(np.arctan2(ways[:, 1], ways[:, 0]))
    turns = np.abs((angles - np.roll(angles, 1) + 180) % 360 - 180) > STRAIGHT_RUN  # before each gap
    turns[0] &= closed
    round_corner = turns & np.roll(turns, -1)
    begins = np.flatnonzero(turns & ~round_corner)
    if closed and not len(begins):
        return (RivetRun(tuple(map(float, lengths))),)
    start = begins[0] if closed else 0
    runs: list[list[float]] = [[]]
    to_next: list[float | None] = []
    for i in np.roll(np.arange(len(lengths)), -start):
        if round_corner[i]:
            to_next.append(float(lengths[i]))
            runs.append([])
            continue
        if turns[i] and runs[-1]:
            to_next.append(0.0)
            runs.append([])
        runs[-1].append(float(lengths[i]))
    if closed and not runs[-1]:  # a gap round a corner leads back to the first run
        runs.pop()
    else:
        to_next.append(0.0 if closed else None)
    return tuple(RivetRun(tuple(gaps), gap) for gaps, gap in zip(runs, to_next, strict=True))


def _curve_gaps(support: Support) -> tuple[float, ...]:
    """The spaces, mm, of an open row of four rivets or more along a curve at one pitch; () for other rows."""
    ways = np.diff(np.array(support.fasteners()), axis=0)
    if len(ways) < 3 or _is_closed(support):
        return ()
    lengths, angles = np.linalg.norm(ways, axis=1), np.degrees(np.arctan2(ways[:, 1], ways[:, 0]))
    turns = np.abs((np.diff(angles) + 180) % 360 - 180)
    bent = turns.max() > STRAIGHT_RUN and turns.max() < MAX_CURVE_TURN and turns.min() > turns.max() / 3
    return tuple(map(float, lengths)) if bent and np.ptp(lengths) < 0.02 * lengths.mean() else ()


def row_text(support: Support) -> str:
    """The rivets of a support run by run, each with its own pitch, as drawn."""
    if gaps := _curve_gaps(support):
        return f"{len(gaps) + 1} in {_spaces_text(gaps)} along the curve, measured straight from hole to hole"
    runs, closed = rivet_runs(support), _is_closed(support)
    if closed and len(runs) == 1:
        return f"{len(support.fasteners())} all round, {_spaces_text(runs[0].gaps)}"
    if closed and all(run.to_next == 0.0 for run in runs):
        counts = ", ".join(f"{len(run.gaps)}" for run in runs)
        gaps = tuple(gap for run in runs for gap in run.gaps)
        return f"{len(support.fasteners())} all round, {counts} spaces from corner to corner, {_each_text(gaps)}"
    parts = []
    for run in runs:
        count = run.count - (run.to_next == 0.0)  # a rivet on a corner counts with the next run
        several = len(run.gaps) > 1
        spaces = f" in {_spaces_text(run.gaps)}" if run.gaps else ""
        parts.append(f"{count}{spaces}" + (f" ({sum(run.gaps):.1f} mm first to last)" if several else ""))
        if run.to_next:
            parts.append(f"{run.to_next:.1f} mm across the corner")
        elif run.to_next == 0.0:
            parts[-1] += ", the last on the corner" if run.gaps else ""
    return ", ".join(parts)


def _spaces_text(gaps: tuple[float, ...]) -> str:
    least, most = min(gaps), max(gaps)
    if most - least >= 0.05:
        return f"{len(gaps)} spaces of {_each_text(gaps)}"
    return f"{len(gaps)} x {_each_text(gaps)}"


def _each_text(gaps: tuple[float, ...]) -> str:
    """One space, or from the least to the greatest where they differ in what is printed."""
    least, most = min(gaps), max(gaps)
    if most - least >= 0.05:
        return f"{least:.1f} to {most:.1f} mm, as drawn"
    return f"{sum(gaps) / len(gaps):.1f} mm"


def _is_closed(support: Support) -> bool:
    """True if the rivets run round and back to the first."""
    return support.path is not None and LineString(support.path).is_ring and len(support.fasteners()) > 2


def rivet_hole(diameter: float) -> float:
    """Hole to drill for a blind rivet, mm."""
    return diameter + RIVET_CLEARANCE


def inter_rivet_buckling_stress(material: Material, t: float, pitch: float) -> float:
    """Compressive stress (MPa) along a row at which sheet of t mm buckles between two rivets: c pi^2 E t^2/(12 p^2).

    A strip of the sheet is a column between two rivets, with end fixity c = 3; elastic.
    """
    return END_FIXITY * math.pi**2 * material.E * t**2 / (12 * pitch**2)


def max_pitch(material: Material, t: float) -> float:
    """Pitch (mm) at which sheet between two rivets buckles at half its yield strength."""
    return math.pi * t * math.sqrt(END_FIXITY * material.E / (12 * YIELD_SHARE * material.yield_strength))


def bolt_name(diameter: float) -> str:
    """ "M6 bolt (6 mm)", or "6.35 mm bolt" for a diameter that is no metric thread."""
    return f"M{diameter:g} bolt ({diameter:g} mm)" if diameter in CLEARANCE_HOLES else f"{diameter:g} mm bolt"


def bolt_holes(support: Support) -> tuple[float, str, float]:
    """Hole in the panel for the bolts of a support, mm, where it comes from, and hole in the part below, mm.

    With a slip, the bolt's diameter and twice the slip.  Otherwise ISO 273: fine if held, coarse if free, else medium.
    A bolt that is no metric thread gets a tenth more than its diameter (common practice, no source).  The part below
    gets a closer hole where the panel is to move.
    """
    tenth = round(1.1 * support.diameter, 1)
    row = CLEARANCE_HOLES.get(support.diameter, (tenth, tenth, tenth))
    if support.slip is not None:
        return support.diameter + 2 * support.slip, "for the slip asked for", row[0]
    fit, below = {"held": (0, 0), "free": (2, 1)}.get(support.in_plane, (1, 1))
    source = f"ISO 273 {('fine', 'medium', 'coarse')[fit]}"
    known = support.diameter in CLEARANCE_HOLES
    return row[fit], source if known else "a tenth over, common practice, no source", row[below]


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

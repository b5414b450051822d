"""Rivets of a joint: laid out once on one part, found on the others where their axes meet the sheet.

mm.  The hole of a mate is where the rivet's axis, square to the part on which the row is laid out, meets the mate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from shapely.geometry import LineString, Point

from stiffen.errors import Fault, InputError
from stiffen.model.panel import Support
from stiffen.shop.rivets import MIN_EDGE_DIAMETERS

from .placement import Crossing, PlacedPart, crossing
from .records import Joint

REACH = 40.0  # mm along a rivet's axis in which its mate is looked for
MAX_GAP = 0.5  # mm between two faces that a rivet draws together: common practice, no source
MAX_OVERLAP = 0.25  # mm by which two parts may lie in each other: half of the gap
LEAST_SLOPE = 0.995  # cosine of the angle between two sheets that a rivet still joins, 5.7 degrees: common practice
Coordinates = tuple[float, float]


@dataclass(frozen=True, eq=False)
class JointRivets:
    """The rivets of one joint.

    number: of the joint, from 1.  centres: (n, 3) mm in space, in the middle of the sheet of the first part.  axes:
    (n, 3) unit vectors.  holes: for each part the (n, 2) centres in its flat sheet.  grip: mm, sheets clamped.
    """

    number: int
    joint: Joint
    centres: np.ndarray
    axes: np.ndarray
    holes: Mapping[str, np.ndarray]
    grip: float

    @property
    def count(self) -> int:
        """Number of rivets."""
        return len(self.centres)

    def support(self, name: str, parts: Mapping[str, PlacedPart]) -> Support:
        """The rivets as a support of one part: a row with centres, onto the sheets of the other parts."""
        at = tuple((float(x), float(y)) for x, y in self.holes[name])
        onto = sum(parts[other].thickness for other in self.holes if other != name)
        return Support(
            "rivets", in_plane=self.joint.in_plane, path=at, at=at, diameter=self.joint.diameter, onto=onto
        )  # fmt: skip


def lay_out(joints: Sequence[Joint], parts: Mapping[str, PlacedPart]) -> tuple[JointRivets, ...]:
    """The rivets of all joints.

    Raises InputError with every fault: a mate that a rivet misses, faces that do not meet, sheets that are not
    parallel, holes too near an edge, a grip that the rivets do not have.
    """
    found, faults = [], []
    for number, joint in enumerate(joints, 1):
        rivets, wrong = _joint_rivets(number, joint, parts)
        faults += wrong
        if rivets is not None:
            found.append(rivets)
    if faults:
        raise InputError(faults)
    return tuple(found)


def row_points(joint: Joint) -> np.ndarray:
    """(n, 2) centres in the flat sheet of the joint's first part, at even pitch, both ends included."""
    line = LineString(joint.row)
    gaps = max(1, round(line.length / joint.pitch))
    stations = np.linspace(0.0, line.length, gaps + 1)
    return np.array([line.interpolate(station).coords[0] for station in stations])


def _joint_rivets(number: int, joint: Joint, parts: Mapping[str, PlacedPart]) -> tuple[JointRivets | None, list[Fault]]:
    where, first = f"joint[{number}]", parts[joint.part]
    flat = row_points(joint)
    outside = [place for place, at in enumerate(flat, 1) if not first.region.buffer(0.05).covers(Point(at))]
    if outside:
        what = f"{_rivets(outside, len(flat))} of the row not on the sheet of {joint.part}"
        return None, [Fault(f"{where}.row", what, "give the line in the coordinates of its flat sheet")]
    centres, frames = first.surface(flat)
    axes = frames[:, :, 2]
    holes, offsets, faults = {joint.part: flat}, {joint.part: np.zeros(len(flat))}, []
    for mate in joint.mates:
        crossings = [crossing(parts[mate], point, axis, REACH) for point, axis in zip(centres, axes, strict=True)]
        wrong = _mate_faults(f"{where}.mates", joint, parts[mate], crossings, centres)
        faults += wrong
        if not wrong:
            met = [one for one in crossings if one is not None]
            holes[mate] = np.array([one.at for one in met])
            offsets[mate] = np.array([one.offset for one in met])
    if faults:
        return None, faults
    faults += _stack_faults(where, offsets, parts, centres)
    for name, at in holes.items():
        faults += _edge_faults(where, name, parts[name], at, joint.diameter)
    grip = sum(parts[name].thickness for name in holes)
    if joint.grip and not joint.grip[0] - 1e-9 <= grip <= joint.grip[1] + 1e-9:
        what = f"clamps {grip:g} mm, the rivets {joint.grip[0]:g} to {joint.grip[1]:g} mm"
        faults.append(Fault(f"{where}.grip", what, "take rivets of another grip, or a thinner strip"))
    return JointRivets(number, joint, centres, axes, holes, grip), faults


def _rivets(numbers: Sequence[int], count: int) -> str:
    """ "rivets 4 to 7 of 12 are", as words."""
    span = f"{numbers[0]}" if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
    return f"rivet{'s' if len(numbers) > 1 else ''} {span} of {count} {'are' if len(numbers) > 1 else 'is'}"


def _space(point: np.ndarray) -> str:
    return "(" + ", ".join(f"{value:.1f}" for value in point) + ")"


def _mate_faults(
    where: str, joint: Joint, mate: PlacedPart, crossings: Sequence[Crossing | None], centres: np.ndarray
) -> list[Fault]:
    """Rivets that do not go through a mate, or not square to it."""
    missed = [place for place, one in enumerate(crossings) if one is None or not one.on_sheet]
    if len(missed) == len(crossings):
        what = f"no rivet of the row on {joint.part} meets {mate.name}, the first is at {_space(centres[0])}"
        return [Fault(where, what, "look at both places: the parts do not lie on each other there")]
    if missed:
        length = LineString(joint.row).length
        joined = length * (1 - len(missed) / len(crossings))
        what = (
            f"{_rivets([place + 1 for place in missed], len(crossings))} beside {mate.name}, at "
            f"{_space(centres[missed[0]])}: the row is {length:.0f} mm long, and some {joined:.0f} mm of it lie there"
        )
        return [Fault(where, what, "make both edges equally long, shorten the row, or move a place")]
    slanted = [place for place, one in enumerate(crossings) if one is not None and one.slope < LEAST_SLOPE]
    if slanted:
        one = crossings[slanted[0]]
        assert one is not None
        angle = np.degrees(np.arccos(one.slope))
        what = (
            f"{mate.name} and {joint.part} make {angle:.0f} degrees at rivet {slanted[0] + 1}, "
            f"{_space(centres[slanted[0]])}"
        )
        return [Fault(where, what, "sheets are parallel where a rivet joins them: check the places, or fold a flange")]
    return []


def _stack_faults(
    where: str, offsets: Mapping[str, np.ndarray], parts: Mapping[str, PlacedPart], centres: np.ndarray
) -> list[Fault]:
    """Parts whose faces do not meet along the rivets: the build does not close there."""
    names = sorted(offsets, key=lambda name: float(np.mean(offsets[name])))
    faults = []
    for a, b in pairwise(names):
        gaps = offsets[b] - offsets[a] - (parts[a].thickness + parts[b].thickness) / 2
        worst = int(np.argmax(np.abs(gaps)))
        gap = float(gaps[worst])
        if -MAX_OVERLAP <= gap <= MAX_GAP:
            continue
        state = f"stand {gap:.2f} mm apart" if gap > 0 else f"lie {-gap:.2f} mm in each other"
        what = f"{a} and {b} {state} at rivet {worst + 1}, {_space(centres[worst])}: the build does not close there"
        faults.append(Fault(where, what, f"move one of the places by {abs(gap):.2f} mm along the rivet"))
    return faults


def _edge_faults(where: str, name: str, part: PlacedPart, at: np.ndarray, diameter: float) -> list[Fault]:
    """Holes nearer to an edge than the least edge distance."""
    least = MIN_EDGE_DIAMETERS * diameter
    rings = [part.region.exterior, *part.region.interiors]
    near = [min(Point(one).distance(ring) for ring in rings) for one in at]
    short = [place for place, distance in enumerate(near, 1) if distance < least - 0.05]
    if not short:
        return []
    worst = int(np.argmin(near))
    x, y = at[worst]
    what = (
        f"{_rivets(short, len(at))} too near an edge of {name}; rivet {worst + 1} is {near[worst]:.1f} mm from it, at "
        f"({x:.1f}, {y:.1f}) in its flat sheet"
    )
    return [Fault(where, what, f"at least {MIN_EDGE_DIAMETERS:g} diameters, {least:g} mm: move the row or the place")]

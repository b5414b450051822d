"""Holes on one lattice of lines across the whole sheet, even about its middle or about the beads.

Lines beside parallel beads divide the beads' own pitch evenly, so that beads and holes are marked with the dividers set
once.  All rooms, as those beside an opening, share the lattice.  mm.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import Bead, Hole, Point
from stiffen.model.panel import Panel
from stiffen.model.tools import HoleDie

from . import symmetry
from .straight_beads import proud_side

STEP = 5.0  # mm: pitches that beads do not give are multiples of it
PITCH_FACTORS = (1.0, 1.25, 1.5, 2.0)  # pitch over the least pitch
FINEST = 4  # parts into which lines divide the pitch of beads at most
ON_MARK = 0.01  # mm: places this near to a half millimetre are on it
ALONG_AXIS = 0.05  # mm: beads whose ends differ by less across run along an axis
MIN_HOLES_IN_ROW = 3  # that follow each other along x or along y

Places = tuple[Hole, ...]


class Lines(NamedTuple):
    """Parallel lines at one pitch; `origin` is the coordinate of one of them, mm."""

    origin: float
    pitch: float

    def within(self, low: float, high: float) -> np.ndarray:
        """Coordinates of the lines between two places."""
        first, last = math.ceil((low - self.origin) / self.pitch), math.floor((high - self.origin) / self.pitch)
        return self.origin + self.pitch * np.arange(first, last + 1)


def hole_lattices(
    panel: Panel, die: HoleDie, region: BaseGeometry, beads: Sequence[Bead], mirror_axes: str, least: float
) -> Iterator[tuple[Places, ...]]:
    """Patterns of holes of one die on lattices; each is a tuple of lines of holes, with their mirror images.

    region: where the holes' centres may lie beside the beads.  least: of the distance between neighbours.
    """
    centre = symmetry.outline_centre(panel)
    upright = len(_places_across(beads, 0)) >= len(_places_across(beads, 1))  # beads along y, or none
    across, along = (0, 1) if upright else (1, 0)
    seen: set[frozenset[Hole]] = set()
    for lines in _lines_across(_places_across(beads, across), centre[across], least):
        for pitch in _pitches(least, lines.pitch):
            made = [
                _holes(panel, die, region, (lines, Lines(origin, pitch))[:: 1 if upright else -1], centre, mirror_axes)
                for origin in (centre[along], centre[along] + pitch / 2)
            ]
            fullest = max(made, key=len)
            if len(fullest) >= MIN_HOLES_IN_ROW and frozenset(fullest) not in seen:
                seen.add(frozenset(fullest))
                yield _split(fullest, across, centre, mirror_axes)


def _places_across(beads: Sequence[Bead], axis: int) -> list[float]:
    """Coordinates along an axis of the straight beads that run square to it, rising."""
    places = [
        bead.path[0][axis]
        for bead in beads
        if len(bead.path) == 2 and abs(bead.path[0][axis] - bead.path[1][axis]) <= ALONG_AXIS
    ]
    return sorted(dict.fromkeys(round(place, 2) for place in places))


def _lines_across(places: list[float], centre: float, least: float) -> Iterator[Lines]:
    """Lines across which holes follow each other: dividing the pitch of beads at some places, or even about the centre.

    Beads that do not lie at one pitch give none of their own.
    """
    steps = [b - a for a, b in pairwise(places)]
    if steps and max(steps) - min(steps) <= 2 * ON_MARK:
        yield Lines(places[0] + steps[0] / 2, steps[0])
        for parts in range(3, FINEST + 1):
            pitch = steps[0] / parts
            if pitch >= least and abs(2 * pitch - round(2 * pitch)) <= ON_MARK:
                yield Lines(places[0], pitch)
        return
    origin = places[0] if len(places) == 1 else centre
    for pitch in _pitches(least):
        yield Lines(origin, pitch)
        yield Lines(origin + pitch / 2, pitch)


def _pitches(least: float, *more: float) -> list[float]:
    """Pitches to try, mm, rising: multiples of 5 mm from the least on, and more where they are large enough."""
    rounded = (STEP * math.ceil(factor * least / STEP - 1e-6) for factor in PITCH_FACTORS)
    return sorted(dict.fromkeys((*rounded, *(pitch for pitch in more if pitch >= least))))


def _holes(
    panel: Panel,
    die: HoleDie,
    region: BaseGeometry,
    lines: tuple[Lines, ...],
    centre: Point,
    mirror_axes: str,
) -> Places:
    """Holes at the crossings of lines along x and y that lie in the region, with their mirror images, and in lines."""
    x0, y0, x1, y1 = region.bounds
    x, y = (v.ravel() for v in np.meshgrid(lines[0].within(x0, x1), lines[1].within(y0, y1)))
    inside = shapely.dwithin(region, shapely.points(x, y), 1e-6)
    points = {(round(float(a), 3) + 0.0, round(float(b), 3) + 0.0) for a, b in zip(x[inside], y[inside], strict=True)}
    for axis in mirror_axes:
        k = "xy".index(axis)
        points = {one for one in points if _moved(one, k, 2 * centre[k] - one[k]) in points}
    points = {one for one in points if any(_run(one, points, k, lines[k].pitch) >= MIN_HOLES_IN_ROW for k in (0, 1))}
    side = proud_side(panel)
    return tuple(Hole(die, one, side) for one in sorted(points, key=lambda one: (one[1], one[0])))


def _run(point: Point, points: set[Point], axis: int, pitch: float) -> int:
    """How many points follow each other at a pitch along an axis, a given one among them."""
    count = 1
    for step in (pitch, -pitch):
        place = point[axis] + step
        while _moved(point, axis, place) in points:
            count, place = count + 1, place + step
    return count


def _moved(point: Point, axis: int, place: float) -> Point:
    place = round(place, 3) + 0.0
    return (place, point[1]) if axis == 0 else (point[0], place)


def _split(holes: Places, across: int, centre: Point, mirror_axes: str) -> tuple[Places, ...]:
    """The holes line by line along the beads, each line with its mirror image; in one where a line is no row."""
    lines: dict[float, list[Hole]] = {}
    for hole in holes:
        place = hole.at[across]
        key = abs(place - centre[across]) if "xy"[across] in mirror_axes else place
        lines.setdefault(round(key, 2), []).append(hole)
    on_one_line = [Counter(hole.at[across] for hole in line) for line in lines.values()]
    if any(min(one.values()) < MIN_HOLES_IN_ROW for one in on_one_line):
        return (holes,)
    return tuple(tuple(lines[key]) for key in sorted(lines))

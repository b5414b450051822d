"""Rings and the sheet they bound: arcs as chords, rounded corners, tests of what lies on the sheet.

Plan coordinates in mm.  A ring is stored open (its first point is not repeated) and counter-clockwise.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import split, substring
from shapely.validation import explain_validity

from stiffen.errors import Fault, InputError

from .value_rules import MAX_DERIVED_POINTS, MIN_DERIVED_SPACING, Finding, PlanPoints

MAX_CHORD_ERROR = 0.02  # mm, greatest distance between an arc and its chords
ON_SHEET_TOLERANCE = 0.05  # mm; a point at most this far off the sheet counts as on it
MAX_CUTOUT_CONFLICTS = 20  # of cut-outs that are reported; the search for more ends there
XY = tuple[float, float]
Ring = tuple[XY, ...]


def arc_points(centre: XY, radius: float, start: float, sweep: float) -> list[XY]:
    """Points on an arc, both ends included, so close that no chord deviates by more than MAX_CHORD_ERROR.

    start, sweep: radians, a positive sweep runs counter-clockwise.  Chord error e = r (1 - cos(step / 2)).
    """
    step = 2 * math.acos(max(0.0, 1 - MAX_CHORD_ERROR / radius))
    count = max(1, math.ceil(abs(sweep) / step - 1e-9))
    angles = (start + sweep * i / count for i in range(count + 1))
    return [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in angles]


def circle_ring(x: float, y: float, diameter: float) -> Ring:
    """A circle as a ring of at least 12 points on it."""
    radius = diameter / 2
    count = max(12, len(arc_points((x, y), radius, 0.0, math.tau)) - 1)
    angles = (math.tau * i / count for i in range(count))
    return tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles)


def signed_area(ring: Sequence[XY]) -> float:
    """Area inside a ring, mm2, positive if it runs counter-clockwise."""
    following = (*ring[1:], ring[0])
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, following, strict=True)) / 2


def open_ring(points: Sequence[XY]) -> Ring:
    """The points of a polygon as an open, counter-clockwise ring."""
    ring = tuple(points)
    if len(ring) > 1 and math.dist(ring[0], ring[-1]) < 1e-3:
        ring = ring[:-1]
    return ring if signed_area(ring) >= 0 else ring[:1] + ring[:0:-1]


def ring_fault(ring: Ring) -> str:
    """What is wrong with a ring, with the place; "" for a simple polygon with an area."""
    if len(ring) < 3 or Polygon(ring).convex_hull.area < 1e-3:
        return "bounds no area"
    polygon = Polygon(ring)
    if polygon.is_valid:
        return ""
    found = re.search(r"\[([-\d.e+]+) ([-\d.e+]+)", explain_validity(polygon))
    place = f" at ({float(found[1]):.1f}, {float(found[2]):.1f})" if found else ""
    return f"crosses or touches itself{place}"


@lru_cache(maxsize=4096)
def _known_ring_fault(ring: Ring) -> str:
    """Cached `ring_fault`."""
    return ring_fault(ring)


@dataclass(frozen=True)
class RingRule(PlanPoints):
    """At least three corners in order around a simple polygon; the first one may be repeated at the end."""

    least: int = 3

    def accepts(self, value: Any) -> bool:
        """True for an open ring, clockwise or counter-clockwise, that is a simple polygon."""
        return super().accepts(value) and value[0] != value[-1] and not _known_ring_fault(value)

    def faults(self, value: Any) -> list[Finding]:
        """Faults of the points, or else of the ring."""
        if found := super().faults(value):
            return found
        fault = ring_fault(self.convert(value))
        return [((), fault, "list the corners in order round the edge")] if fault else []

    def convert(self, value: Any) -> Ring:
        """An open ring, counter-clockwise."""
        return open_ring(super().convert(value))


RING = RingRule()  # as a file gives it
DERIVED_RING = RingRule(3, MAX_DERIVED_POINTS, MIN_DERIVED_SPACING)  # as a record holds it


def round_corners(ring: Ring, radius: float) -> Ring:
    """The ring with every corner, inward ones too, rounded by an arc of `radius` mm.

    A corner of turn angle a takes radius tan(a / 2) of both sides.  InputError where a side is too short: it names
    the side that allows least, and how much.
    """
    corners = _corners(ring)
    reach = [math.tan(abs(turn) / 2) for _, turn, _ in corners]
    tightest = math.inf
    for i, (place, _, _) in enumerate(corners):
        j = (i + 1) % len(corners)
        side = math.dist(place, corners[j][0])
        most = (side + 1e-6) / (reach[i] + reach[j])
        if most < min(radius, tightest):
            tightest = most
            ends = " and ".join(f"({x:g}, {y:g})" for x, y in (place, corners[j][0]))
            what = f"{radius:g} mm has no room on the side between {ends}, {side:.2f} mm long"
    if tightest < radius:
        raise InputError([Fault("", what, f"at most {math.floor(tightest * 100) / 100:g} mm fits there")])
    rounded: list[XY] = []
    for (x, y), turn, heading in corners:
        side = math.copysign(1.0, turn)
        cut = radius * math.tan(abs(turn) / 2)
        start = (x - cut * math.cos(heading), y - cut * math.sin(heading))
        centre = (start[0] - side * radius * math.sin(heading), start[1] + side * radius * math.cos(heading))
        rounded += arc_points(centre, radius, heading - side * math.pi / 2, turn)
    return tuple(p for p, q in zip(rounded, (*rounded[1:], rounded[0]), strict=True) if math.dist(p, q) > 1e-6)


def _corners(ring: Ring) -> list[tuple[XY, float, float]]:
    """Place, turn angle (positive to the left) and heading before it, of each point where the ring turns."""
    corners = []
    for before, here, after in zip(ring[-1:] + ring[:-1], ring, ring[1:] + ring[:1], strict=True):
        heading = math.atan2(here[1] - before[1], here[0] - before[0])
        leaving = math.atan2(after[1] - here[1], after[0] - here[0])
        turn = math.remainder(leaving - heading, math.tau)
        if abs(turn) > 1e-6:
            corners.append((here, turn, heading))
    return corners


@dataclass(frozen=True)
class SheetGeometry:
    """The flat sheet: its outline and the rings cut out of it; tests of where points, paths and areas lie."""

    outline: Ring
    cutouts: tuple[Ring, ...] = ()

    @cached_property
    def outline_polygon(self) -> Polygon:
        """The area inside the outline, cut-outs included."""
        return Polygon(self.outline)

    @cached_property
    def region(self) -> BaseGeometry:
        """The area inside the outline without the cut-outs."""
        return self.outline_polygon.difference(self._cutout_union)

    @cached_property
    def _cutout_union(self) -> BaseGeometry:
        """The union of all cut-outs."""
        return shapely.union_all([Polygon(ring) for ring in self.cutouts])

    @cached_property
    def _tolerant_region(self) -> BaseGeometry:
        """The region widened by ON_SHEET_TOLERANCE at every edge."""
        widened = self.outline_polygon.buffer(ON_SHEET_TOLERANCE).difference(
            self._cutout_union.buffer(-ON_SHEET_TOLERANCE)
        )
        shapely.prepare(widened)
        return widened

    def contains(self, point: XY) -> bool:
        """True if a point lies on the sheet, within ON_SHEET_TOLERANCE."""
        return self._tolerant_region.covers(Point(point))

    def on_edge(self, point: XY) -> bool:
        """True if a point lies on the outline, within ON_SHEET_TOLERANCE."""
        return self.outline_polygon.exterior.distance(Point(point)) <= ON_SHEET_TOLERANCE

    def first_exit(self, path: Sequence[XY]) -> XY | None:
        """The first place where a path is off the sheet by more than ON_SHEET_TOLERANCE, None if it stays on it."""
        line = LineString(path)
        if self._tolerant_region.covers(line):
            return None
        places = shapely.get_coordinates(line.difference(self._tolerant_region))
        x, y = min(places.tolist(), key=lambda place: line.project(Point(place)))
        edge = shapely.boundary(self.region)
        on_edge = edge.interpolate(edge.project(Point(x, y)))
        return (on_edge.x, on_edge.y) if math.dist((x, y), (on_edge.x, on_edge.y)) < 2 * ON_SHEET_TOLERANCE else (x, y)

    def covered_fraction(self, centre: XY, size: XY) -> float:
        """Fraction of an upright rectangle that lies on the sheet."""
        (x, y), (w, h) = centre, size
        patch = box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        return patch.intersection(self._tolerant_region).area / patch.area

    def outline_covers(self, ring: Ring) -> bool:
        """True if a polygon lies inside the outline, within ON_SHEET_TOLERANCE; cut-outs do not count."""
        return self.outline_polygon.buffer(ON_SHEET_TOLERANCE).covers(Polygon(ring))

    def intersects(self, ring: Ring) -> bool:
        """True if some of a polygon lies on the sheet."""
        return self._tolerant_region.intersects(Polygon(ring))

    def count_parts(self, line: Sequence[XY]) -> int:
        """Number of parts into which a line divides the sheet; its ends may miss the edge by ON_SHEET_TOLERANCE."""
        (x0, y0), (x1, y1) = line
        more = ON_SHEET_TOLERANCE / math.dist(*line)
        longer = LineString(
            [
                (x0 - more * (x1 - x0), y0 - more * (y1 - y0)),
                (x1 + more * (x1 - x0), y1 + more * (y1 - y0)),
            ]
        )
        return len(split(self.outline_polygon, longer).geoms)

    def outline_path(self, start: XY, stop: XY) -> tuple[XY, ...] | None:
        """The part of the outline from one point on it to another, counter-clockwise; None if it has no length.

        The points are moved onto the outline.
        """
        ring = LineString([*self.outline, self.outline[0]])
        a, b = (ring.project(Point(point)) for point in (start, stop))
        if abs(a - b) < MIN_DERIVED_SPACING:
            return None
        parts = [substring(ring, a, b)] if b > a else [substring(ring, a, ring.length), substring(ring, 0.0, b)]
        coords = np.concatenate([np.array(part.coords) for part in parts if part.length > 0] or [np.zeros((0, 2))])
        if len(coords) < 2:
            return None
        keep = np.append(True, np.linalg.norm(np.diff(coords, axis=0), axis=1) > MIN_DERIVED_SPACING)
        return tuple((float(x), float(y)) for x, y in coords[keep])

    def cutout_centroid(self, place: int) -> XY:
        """The centroid of a cut-out."""
        centroid = Polygon(self.cutouts[place]).centroid
        return centroid.x, centroid.y

    def inset_outline(self, distance: float) -> Ring | None:
        """The outline moved inward by `distance` mm as a closed line (first point repeated).

        None where that is not a single line.
        """
        if distance <= 0:
            return (*self.outline, self.outline[0])
        inner = self.outline_polygon.buffer(-distance, join_style="mitre").simplify(MAX_CHORD_ERROR / 4)
        if inner.geom_type != "Polygon" or inner.is_empty:
            return None
        return tuple((x, y) for x, y in inner.exterior.coords)

    def cutout_conflicts(self) -> list[tuple[int, str]]:
        """(index, what is wrong) for cut-outs that leave the outline or meet an earlier one; see MAX_CLASHES."""
        shapes = np.array([Polygon(ring) for ring in self.cutouts], dtype=object)
        edge = self.outline_polygon.exterior
        found = [
            (i, "reaches over the outline")
            for i, shape in enumerate(shapes)
            if not self.outline_polygon.contains(shape) or shape.distance(edge) < ON_SHEET_TOLERANCE
        ]
        tree = shapely.STRtree(shapes)
        for i, shape in enumerate(shapes):
            if len(found) >= MAX_CUTOUT_CONFLICTS:  # thousands of overlapping cut-outs would take minutes
                break
            near = tree.query(shape, predicate="dwithin", distance=ON_SHEET_TOLERANCE)
            if near.min() < i:
                found.append(
                    (i, "meets the one around ({:.1f}, {:.1f})".format(*self.cutout_centroid(int(near.min()))))
                )
        return found

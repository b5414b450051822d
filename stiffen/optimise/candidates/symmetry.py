"""Symmetry of the panel, and groups of beads with their mirror images, so that layouts look deliberate.

Axis "x" mirrors x, about the vertical middle line of the outline's bounds; axis "y" mirrors y, about the horizontal
one.

A panel with a cut-out on one side is not symmetric if more than 2 % of the room for beads lacks its image: mirror
groups would lose that room on both sides.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely.affinity import scale
from shapely.geometry import LineString, Polygon

from stiffen.model.layout import Bead, Point
from stiffen.model.panel import Panel
from stiffen.shop import clearance, rollability

SAME_PLACE_DISTANCE = 0.5  # mm: an image no farther than this from a bead is the bead itself
MAX_UNMIRRORED_REGION = 0.02  # share of the feasible region whose mirror image may lie outside it
MAX_UNMIRRORED_OUTLINE = 0.005  # area in which an outline may differ from its mirror image, as a share of the sheet


def place_key(bead: Bead) -> tuple:
    """Equal for beads of one die and face that lie in the same place to 0.1 mm, in whatever direction."""
    path = tuple((round(x, 1), round(y, 1)) for x, y in bead.path)
    return bead.die.name, bead.side, min(path, path[::-1])


def outline_centre(panel: Panel) -> Point:
    """The middle of the outline's bounds, mm."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    return (x0 + x1) / 2, (y0 + y1) / 2


def centre_along_and_across(panel: Panel, angle: float) -> Point:
    """Of the outline's middle: place along lines at an angle (degrees to x), and offset of the line through it, mm."""
    x, y = outline_centre(panel)
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return c * x + s * y, c * y - s * x


def mirror_axes(panel: Panel) -> str:
    """Axes ("", "x", "y" or "xy") along which layouts are mirrored: as the panel asks, or found where it says "auto".

    "auto" finds the axes along which the outline, the fasteners and the feasible region are symmetric.  The region
    counts because a cut-out or keep-out on one side alone would forbid the images on the other side as well.
    """
    if panel.symmetry != "auto":
        return "" if panel.symmetry == "none" else panel.symmetry
    return "".join(
        axis
        for axis in "xy"
        if _is_symmetric(panel, axis) and _unmirrored_region_share(panel, axis) <= MAX_UNMIRRORED_REGION
    )


def _unmirrored_region_share(panel: Panel, axis: str) -> float:
    """Share of the feasible region of the widest beads whose mirror image lies outside it."""
    dies = panel.tools.bead_dies
    if not dies:
        return 0.0
    region = clearance.bead_feasible_region(panel, max(dies, key=lambda die: die.width), min(panel.gauges))
    if region.is_empty:
        return 0.0
    factors = (-1, 1) if axis == "x" else (1, -1)
    mirrored = scale(region, *factors, origin=(*outline_centre(panel), 0))
    return 1 - region.intersection(mirrored).area / region.area


def _is_symmetric(panel: Panel, axis: str) -> bool:
    """True where outline, fasteners and what is fixed are their own mirror images, within the tolerances above."""
    centre = outline_centre(panel)
    outline = Polygon(panel.outline)
    mirrored = Polygon([_mirrored_point(point, centre, axis) for point in panel.outline])
    if outline.symmetric_difference(mirrored).area > MAX_UNMIRRORED_OUTLINE * outline.area:
        return False
    fixed = [bead for bead in panel.beads if bead.fixed]
    images = [mirrored_bead(bead, centre, axis) for bead in fixed]
    if not all(any(same_place(image, bead) for bead in fixed) for image in images):
        return False
    holes = {_grid_point(hole.at) for hole in panel.holes if hole.fixed}
    if holes != {_grid_point(_mirrored_point(hole.at, centre, axis)) for hole in panel.holes if hole.fixed}:
        return False
    places = {_grid_point(p) for support in panel.supports for p in support.fasteners()}
    return places == {
        _grid_point(_mirrored_point(p, centre, axis)) for support in panel.supports for p in support.fasteners()
    }


def _mirrored_point(point: Point, centre: Point, axis: str) -> Point:
    x, y = point
    return (2 * centre[0] - x, y) if axis == "x" else (x, 2 * centre[1] - y)


def _grid_point(point: Point) -> tuple[int, int]:
    """The point on a grid of SAME_PLACE_DISTANCE, to compare points by."""
    return round(point[0] / SAME_PLACE_DISTANCE), round(point[1] / SAME_PLACE_DISTANCE)


def same_place(a: Bead, b: Bead) -> bool:
    """True where a bead and an image of it lie no farther than SAME_PLACE_DISTANCE apart."""
    gap = math.dist(_bead_centre(a), _bead_centre(b))
    if not a.closed:
        starts, stops = math.dist(a.path[0], b.path[0]), math.dist(a.path[-1], b.path[-1])
        crossed = max(math.dist(a.path[0], b.path[-1]), math.dist(a.path[-1], b.path[0]))
        gap = max(gap, min(max(starts, stops), crossed))
    return gap <= SAME_PLACE_DISTANCE and abs(a.length - b.length) <= SAME_PLACE_DISTANCE


def _bead_centre(bead: Bead) -> Point:
    """The centroid of the path, mm."""
    if len(bead.path) == 2:
        (x0, y0), (x1, y1) = bead.path
        return (x0 + x1) / 2, (y0 + y1) / 2
    point = LineString(bead.path).centroid
    return point.x, point.y


def mirrored_bead(bead: Bead, centre: Point, axis: str) -> Bead:
    """The mirror image of a bead."""
    path = tuple(_mirrored_point(point, centre, axis) for point in bead.path)
    return Bead(bead.die, path, bead.side, bead.fixed, bead.open_ends)


def part_shared_with_images(bead: Bead, centre: Point, mirror_axes: str) -> Bead:
    """A straight bead cut to the part that it shares with its images on the same line; whole if that is too short."""
    for axis in mirror_axes if len(bead.path) == 2 else "":
        start, stop = np.array(bead.path)
        tangent = (stop - start) / bead.length
        ends = np.array(mirrored_bead(bead, centre, axis).path) - start
        if np.abs(ends @ [-tangent[1], tangent[0]]).max() > SAME_PLACE_DISTANCE:
            continue
        low, high = max(0.0, (ends @ tangent).min()), min(bead.length, (ends @ tangent).max())
        if high - low >= rollability.min_bead_length(bead.die) and high - low < bead.length - SAME_PLACE_DISTANCE:
            path = tuple((float(x), float(y)) for x, y in (start + low * tangent, start + high * tangent))
            bead = replace(bead, path=path)
    return bead

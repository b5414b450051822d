"""The panel's own symmetry, and beads taken together with their mirror images, so that layouts look deliberate.

Axis "x" means mirrored along x, about the upright middle line of the outline's bounds; "y" about the level one.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from shapely.affinity import scale
from shapely.geometry import LineString, Polygon
from shapely.prepared import prep

from stiffen.model.layout import Bead, Point
from stiffen.model.panel import Panel
from stiffen.shop import clearance, rollability

SAME_PLACE_DISTANCE = 0.5  # mm: images nearer than this to a bead are the bead
MAX_UNMIRRORED_REGION = 0.02  # share of the room for beads that may lack its mirror image
MAX_UNMIRRORED_OUTLINE = 0.005  # share of the sheet by which an outline may differ from its mirror image


def outline_centre(panel: Panel) -> Point:
    """The middle of the outline's bounds, mm."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    return (x0 + x1) / 2, (y0 + y1) / 2


def mirror_axes(panel: Panel) -> str:
    """The axes the layout shall be symmetric along: what the panel asks for, or with "auto" what it allows.

    That rests on outline, fasteners and the room for beads: a cut-out or keep-out that takes room from one side alone
    would take it from the images on the other side as well.
    """
    if panel.symmetry != "auto":
        return "" if panel.symmetry == "none" else panel.symmetry
    return "".join(
        axis
        for axis in "xy"
        if _is_symmetric(panel, axis) and _unmirrored_region_share(panel, axis) <= MAX_UNMIRRORED_REGION
    )


def _unmirrored_region_share(panel: Panel, axis: str) -> float:
    """Share of the room for the widest beads that has none as its mirror image."""
    dies = panel.tools.bead_dies
    room = (
        clearance.bead_feasible_region(panel, max(dies, key=lambda die: die.width), min(panel.gauges))
        if dies
        else Polygon()
    )
    if room.is_empty:
        return 0.0
    factors = (-1, 1) if axis == "x" else (1, -1)
    mirrored = scale(room, *factors, origin=(*outline_centre(panel), 0))
    return 1 - room.intersection(mirrored).area / room.area


def _is_symmetric(panel: Panel, axis: str) -> bool:
    centre = outline_centre(panel)
    outline = Polygon(panel.outline)
    mirrored = Polygon([_mirrored_point(point, centre, axis) for point in panel.outline])
    if outline.symmetric_difference(mirrored).area > MAX_UNMIRRORED_OUTLINE * outline.area:
        return False
    places = {_grid_point(p) for support in panel.supports for p in support.fasteners()}
    return places == {
        _grid_point(_mirrored_point(p, centre, axis)) for support in panel.supports for p in support.fasteners()
    }


def _mirrored_point(point: Point, centre: Point, axis: str) -> Point:
    x, y = point
    return (2 * centre[0] - x, y) if axis == "x" else (x, 2 * centre[1] - y)


def _grid_point(point: Point) -> tuple[int, int]:
    return round(point[0] / SAME_PLACE_DISTANCE), round(point[1] / SAME_PLACE_DISTANCE)


def _place_key(bead: Bead) -> tuple:
    """The same for beads that lie in the same place, whichever way they run."""
    ends = [] if bead.closed else sorted((_grid_point(bead.path[0]), _grid_point(bead.path[-1])))
    return bead.die.name, bead.side, round(bead.length), len(bead.path), *ends, _grid_point(_bead_centre(bead))


def _same_place(a: Bead, b: Bead) -> bool:
    """True for a bead and an image of it that lie in the same place, to SAME."""
    gap = math.dist(_bead_centre(a), _bead_centre(b))
    if not a.closed:
        starts, stops = math.dist(a.path[0], b.path[0]), math.dist(a.path[-1], b.path[-1])
        crossed = max(math.dist(a.path[0], b.path[-1]), math.dist(a.path[-1], b.path[0]))
        gap = max(gap, min(max(starts, stops), crossed))
    return gap <= SAME_PLACE_DISTANCE and abs(a.length - b.length) <= SAME_PLACE_DISTANCE


def _bead_centre(bead: Bead) -> Point:
    if len(bead.path) == 2:
        (x0, y0), (x1, y1) = bead.path
        return (x0 + x1) / 2, (y0 + y1) / 2
    point = LineString(bead.path).centroid
    return point.x, point.y


def mirrored_bead(bead: Bead, centre: Point, axis: str) -> Bead:
    """The mirror image of a bead."""
    path = tuple(_mirrored_point(point, centre, axis) for point in bead.path)
    return Bead(bead.die, path, bead.side, bead.fixed, bead.open_ends)


def _part_shared_with_images(bead: Bead, centre: Point, mirror_axes: str) -> Bead:
    """What a straight bead shares with those of its images that lie on its line; all of it where that is too short."""
    for axis in mirror_axes if len(bead.path) == 2 else "":
        start, stop = np.array(bead.path)
        way = (stop - start) / bead.length
        ends = np.array(mirrored_bead(bead, centre, axis).path) - start
        if np.abs(ends @ [-way[1], way[0]]).max() > SAME_PLACE_DISTANCE:
            continue
        low, high = max(0.0, (ends @ way).min()), min(bead.length, (ends @ way).max())
        if high - low >= rollability.min_bead_length(bead.die) and high - low < bead.length - SAME_PLACE_DISTANCE:
            path = tuple((float(x), float(y)) for x, y in (start + low * way, start + high * way))
            bead = replace(bead, path=path)
    return bead


def mirror_groups(panel: Panel, gauge: float, beads: tuple[Bead, ...], mirror_axes: str) -> list[tuple[Bead, ...]]:
    """Beads with their mirror images along the axes `along`, each set once; those with an image that cannot be rolled
    are left out.  A bead that is its own image stands alone; a straight one on a line with its image is cut to the part
    that both share.
    """
    centre = outline_centre(panel)
    beads = tuple(_part_shared_with_images(bead, centre, mirror_axes) for bead in beads)
    room = {
        die: prep(clearance.bead_feasible_region(panel, die, gauge).buffer(SAME_PLACE_DISTANCE))
        for die in {bead.die for bead in beads}
    }
    known = {_place_key(bead): bead for bead in beads}
    out: list[tuple[Bead, ...]] = []
    seen: set[tuple] = set()
    for bead in beads:
        if _place_key(bead) in seen:
            continue
        group = {_place_key(bead): bead}
        for axis in mirror_axes:
            for one in list(group.values()):
                mirrored = mirrored_bead(one, centre, axis)
                if not any(_same_place(mirrored, other) for other in group.values()):
                    group[_place_key(mirrored)] = known.get(_place_key(mirrored), mirrored)
        seen |= group.keys()
        new = [one for key, one in group.items() if key not in known]
        if all(
            room[one.die].covers(LineString(one.path)) and rollability.preferred_frame_side(panel, one) for one in new
        ):
            out.append(tuple(group.values()))
    return out

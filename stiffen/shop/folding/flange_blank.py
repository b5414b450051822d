"""The blank of a part that is given by its finished sizes: outside sizes of the base, flanges on some of its edges.

mm, degrees.  An edge of the base is a mould line, in which the outer faces of base and flange would meet if the bend
were sharp.  Setback and allowance: `bends`, after FAA AC 43.13-1B par. 4-56.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Point, Polygon

from stiffen.errors import Fault, InputError
from stiffen.model.panel import Fold
from stiffen.model.sheet_geometry import Ring
from stiffen.shop.bends import bend_allowance, relief_hole, relief_slot, setback

from .notches import NOTCH_CLEARANCE, RELIEF_DEPTH_RATIO, CutBlank

CORNERS = ("open", "mitre")
FACING = {"bottom": (0.0, -1.0), "right": (1.0, 0.0), "top": (0.0, 1.0), "left": (-1.0, 0.0)}
SIDE_TOLERANCE = 10.0  # degrees by which a side may face away from its name
CHORD_SHARE = 0.1  # of the longest side that faces a way; a shorter one beside it is a chord of a rounded corner
MIN_SLOT_WIDTH = 1.5  # mm, of a saw or snips: common practice, no source
MIN_SLOT_AREA = 0.05  # mm2 of the base beside a flange that needs a slot
POINT_TOLERANCE = 0.05  # mm
MITRE_GAP_THICKNESSES = 1.0  # from the mould line of the neighbour to a mitred edge: its inner face


@dataclass(frozen=True)
class EdgeFlange:
    """A flange on one side of the finished outline.

    side: position of the side in the ring, from its corner of that position to the next.  leg: outside size, mm.
    angle: degrees, positive toward "up".  radius: inside, mm.  corner: "open": it ends where its neighbour's bend
    begins; "mitre": beyond the bends it goes on to the neighbour's inner face.
    """

    side: int
    leg: float
    angle: float
    radius: float
    corner: str = "open"


@dataclass(frozen=True, eq=False)
class _Wall:
    """A flange in the flat.  start: (2,) corner at which its side begins; along, out: (2,) unit vectors.

    inner, outer: where its bend begins and ends, end: where it ends, mm from the mould line, positive outward.
    """

    flange: EdgeFlange
    start: np.ndarray
    along: np.ndarray
    out: np.ndarray
    length: float
    inner: float
    outer: float
    end: float


def side_of(outline: Ring, edge: str | Sequence) -> tuple[int | None, str]:
    """Position of the side that `edge` names, and what is wrong if there is none.

    edge: "bottom", "right", "top", "left": the only, or the outermost, straight side that faces there; or its two ends.
    """
    points = np.array(outline)
    ends = np.roll(points, -1, axis=0)
    step = ends - points
    length = np.linalg.norm(step, axis=1)
    out = np.column_stack([step[:, 1], -step[:, 0]]) / length[:, None]
    if isinstance(edge, str):
        way = np.array(FACING[edge])
        facing = np.flatnonzero(out @ way >= math.cos(math.radians(SIDE_TOLERANCE)))
        if not len(facing):
            return None, f'no side of the outline faces "{edge}"'
        far = ((points + ends) / 2 @ way)[facing]
        best = facing[far > far.max() - POINT_TOLERANCE]
        best = best[length[best] > CHORD_SHARE * length[best].max()]  # without the chords of a rounded corner
        if len(best) > 1:
            return None, f'{len(best)} sides of the outline face "{edge}" equally far out'
        return int(best[0]), ""
    a, b = (np.array(point, dtype=float) for point in edge)
    for k in range(len(points)):
        forward = max(np.abs(points[k] - a).max(), np.abs(ends[k] - b).max())
        backward = max(np.abs(points[k] - b).max(), np.abs(ends[k] - a).max())
        if min(forward, backward) <= POINT_TOLERANCE:
            return k, ""
    return None, "these are not the two ends of a side of the outline"


def flanged_blank(outline: Ring, flanges: Sequence[EdgeFlange], t: float, neutral: float) -> CutBlank:
    """The blank, its fold lines and notches, for a finished outline with flanges, in sheet of t mm.

    Raises InputError if a leg leaves no flat beside its bend, or if the flanges overlap in the flat.
    """
    walls = [_wall(outline, flange, t, neutral) for flange in flanges]
    faults = [
        Fault(
            f"flange {number}",
            f"leg {wall.flange.leg:g} mm leaves no flat beside its bend",
            f"more than {setback(abs(wall.flange.angle), wall.flange.radius, t):.1f} mm",
        )
        for number, wall in enumerate(walls, 1)
        if wall.end <= wall.outer
    ]
    if faults:
        raise InputError(faults)
    count = len(outline)
    base = Polygon(outline)
    _check_apart(base, walls)
    by_side = {wall.flange.side: wall for wall in walls}
    strips, beyond, notches = [], [], []
    for wall in walls:
        before, after = (by_side.get((wall.flange.side + step) % count) for step in (-1, 1))
        strips.append(_flat_part(wall, 0.0, wall.end, (0.0, wall.length), (0.0, wall.length)))
        ends = [_mitre(wall, before, t, False), _mitre(wall, after, t, True)]
        if any(end is not None for end in ends):
            near, far = (
                tuple(end) if end is not None else (limit, limit)
                for end, limit in zip(ends, (_open_end(wall, before, False), _open_end(wall, after, True)), strict=True)
            )
            beyond.append(_flat_part(wall, wall.outer, wall.end, (near[0], far[0]), (near[1], far[1])))
        if after is not None:
            notches.append(_corner_notch(wall, after, t))
        for neighbour, at_end in ((before, False), (after, True)):
            slot = _relief_slot(wall, t, at_end)
            if neighbour is None and base.intersection(slot).area > MIN_SLOT_AREA:
                notches.append(slot)
    blank = shapely.union_all([base, *strips]).difference(shapely.union_all(notches))
    for wall, part in zip([w for w in walls if _is_mitred(w, by_side, count)], beyond, strict=True):
        own = _flat_part(wall, wall.outer, wall.end, (-1e4, wall.length + 1e4), (-1e4, wall.length + 1e4))
        mine = _flat_part(wall, wall.outer, wall.end, (0.0, wall.length), (0.0, wall.length))
        blank = blank.difference(own.intersection(mine).difference(part)).union(part)
    blank = shapely.set_precision(blank, 1e-6).simplify(1e-6)
    folds = tuple(Fold(_fold_line(blank, wall), wall.flange.angle, wall.flange.radius) for wall in walls)
    if not isinstance(blank, Polygon) or blank.interiors:
        what = "the flanges meet in the flat"
        raise InputError([Fault("flange", what, "shorter legs, or an open corner")])
    ring = shapely.geometry.polygon.orient(shapely.remove_repeated_points(blank, 1e-4)).exterior.coords[:-1]
    return CutBlank(tuple((float(x), float(y)) for x, y in ring), folds, tuple(notches))


def _wall(outline: Ring, flange: EdgeFlange, t: float, neutral: float) -> _Wall:
    a, b = (np.array(outline[(flange.side + k) % len(outline)], dtype=float) for k in (0, 1))
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length
    back = setback(abs(flange.angle), flange.radius, t)
    taken = bend_allowance(abs(flange.angle), flange.radius, t, neutral)
    out = np.array([along[1], -along[0]])
    return _Wall(flange, a, along, out, length, -back, taken - back, flange.leg + taken - 2 * back)


def _check_apart(base: Polygon, walls: Sequence[_Wall]) -> None:
    """Raise InputError where a flange in the flat lies on the base or on another."""
    strips = [_flat_part(wall, 0.0, wall.end, (0.0, wall.length), (0.0, wall.length)) for wall in walls]
    cure = "a shorter leg, or make it of two parts"
    for number, strip in enumerate(strips, 1):
        if strip.intersection(base).area > MIN_SLOT_AREA:
            raise InputError([Fault(f"flange {number}", "lies on the base in the flat: the edge turns inward", cure)])
        for other, second in enumerate(strips[: number - 1], 1):
            if strip.intersection(second).area > MIN_SLOT_AREA:
                raise InputError([Fault(f"flange {number}", f"meets flange {other} in the flat", cure)])


def _flat_part(
    wall: _Wall, low: float, high: float, at_low: tuple[float, float], at_high: tuple[float, float]
) -> Polygon:
    """The part of a flange from `low` to `high` mm off the mould line; at_low, at_high: where it begins and ends."""
    corners = [(at_low[0], low), (at_low[1], low), (at_high[1], high), (at_high[0], high)]
    return Polygon([wall.start + x * wall.along + s * wall.out for x, s in corners])


def _open_end(wall: _Wall, neighbour: _Wall | None, at_end: bool) -> float:
    """Where an open flange ends along its side: at the corner, or clear of its neighbour's bend."""
    corner = wall.length if at_end else 0.0
    if neighbour is None:
        return corner
    sine = abs(float(wall.along @ neighbour.out)) or 1.0
    depth = (NOTCH_CLEARANCE - neighbour.inner) / sine
    return corner - depth if at_end else depth


def _mitre(wall: _Wall, neighbour: _Wall | None, t: float, at_end: bool) -> np.ndarray | None:
    """Where a mitred flange ends along its side, at the end of its bend and at its own end; None if it is open.

    The two outer faces meet in a line through the corner; the edge lies one thickness inside it.
    """
    if neighbour is None or "open" in (wall.flange.corner, neighbour.flange.corner):
        return None
    if wall.flange.angle * neighbour.flange.angle < 0:
        return None
    ups, normals = [], []
    for one in (wall, neighbour):
        angle = math.radians(one.flange.angle)
        up = np.append(math.cos(angle) * one.out, math.sin(angle))
        ups.append(up)
        normals.append(np.cross(np.append(one.along, 0.0), up))
    line = np.cross(normals[0], normals[1])
    rise = float(line @ ups[0])
    if abs(rise) < 1e-6 * float(np.linalg.norm(line)):
        return None
    lean = float(line @ np.append(wall.along, 0.0)) / rise  # mm along the side for each mm of height
    heights = np.array([wall.outer, wall.end]) + wall.flange.leg - wall.end
    gap = MITRE_GAP_THICKNESSES * t
    return wall.length - gap + lean * heights if at_end else gap + lean * heights


def _is_mitred(wall: _Wall, by_side: dict[int, _Wall], count: int) -> bool:
    neighbours = (by_side.get((wall.flange.side + step) % count) for step in (-1, 1))
    return any(
        _mitre(wall, one, 0.0, at_end) is not None for one, at_end in zip(neighbours, (False, True), strict=True)
    )


def _corner_notch(wall: _Wall, after: _Wall, t: float) -> Polygon:
    """What is cut out at the corner between a flange and the next: the sheet beyond both inner tangent lines."""
    reach = 2 * max(wall.end, after.end, 10.0) + 50.0
    depths = [NOTCH_CLEARANCE - one.inner for one in (wall, after)]
    corner = after.start
    matrix = np.array([wall.out, after.out])
    meeting = np.linalg.solve(matrix, [corner @ wall.out - depths[0], corner @ after.out - depths[1]])
    wedge = Polygon([
        meeting,
        meeting + reach * wall.along,
        meeting + reach * (wall.along - after.along),
        meeting - reach * after.along,
    ])  # fmt: skip
    radius = relief_hole(max(wall.flange.radius, after.flange.radius), t) / 2
    # the fold line lies half an allowance off the inner tangent line
    to_lines = [depth + (one.inner + one.outer) / 2 for depth, one in zip(depths, (wall, after), strict=True)]
    radius = max(radius, RELIEF_DEPTH_RATIO * max(to_lines))
    return shapely.union_all([wedge, Point(meeting).buffer(radius, quad_segs=8)])


def _relief_slot(wall: _Wall, t: float, at_end: bool) -> Polygon:
    """The slot beside a flange that ends within an edge: as deep as the bend reaches and a little more."""
    width, depth = relief_slot(wall.flange.radius, t)
    depth = max(depth, NOTCH_CLEARANCE - wall.inner)
    width = max(width, MIN_SLOT_WIDTH)
    limits = (wall.length, wall.length + width) if at_end else (-width, 0.0)
    return _flat_part(wall, -depth, wall.end + 1.0, limits, limits)


def _fold_line(blank: Polygon, wall: _Wall) -> tuple[tuple[float, float], tuple[float, float]]:
    """The middle line of a bend on the blank."""
    middle = wall.start + (wall.inner + wall.outer) / 2 * wall.out
    line = shapely.LineString([middle - 1e-3 * wall.along, middle + (wall.length + 1e-3) * wall.along])
    piece = max(shapely.get_parts(line.intersection(blank)), key=shapely.length)
    (x0, y0), (x1, y1) = piece.coords[0], piece.coords[-1]
    return (float(x0), float(y0)), (float(x1), float(y1))

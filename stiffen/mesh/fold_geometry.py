"""Fold geometry: where the folds of a panel take each point of the flat sheet, and how the sheet is turned there.

A bend of a large inside radius (`bends.is_round_bend`) is a cylinder: the strip between its tangent lines,
as wide as its bend allowance, becomes an arc of radius R + t/2.  A tighter bend is a sharp fold at its line.  Maps are
of points, not of meshes, so that any set of flat points can be folded: `fold_nodes`, `fold_frames`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.ops import split

from stiffen.errors import Fault, MeshError
from stiffen.model.fold_plan import CurvedPlan, FlangePlan, flange_plan
from stiffen.model.panel import Panel
from stiffen.shop.bends import bend_allowance, is_round_bend

EDGE_TOLERANCE = 0.3  # mm by which points of a flange may lie outside the outline: chords of curved edges
ON_LINE_TOLERANCE = 0.2  # mm; nearer to a sharp fold's line a point lies on it
BESIDE_LINE = 0.05  # mm from a sharp fold's line, where the normals of its two sides are taken
MAX_EDGE_SLANT = 2.0  # mm by which the sheet may widen at each end of a bend, over mm from its line
MIN_OVERLAP = 1.0  # mm2 of two flanges that counts as an overlap


class Bend(NamedTuple):
    """One fold of the sheet.

    number: of the fold, from 1; curved flanges follow.  plan: its flange.  angle: radians, positive toward "up".
    width: mm of flat sheet that the bend takes; 0 for a sharp fold.  radius: of the mid-surface, mm; 0 for a sharp
    fold.  moved: the sheet that the fold moves, from the inner tangent line on, widened by EDGE_TOLERANCE.
    """

    number: int
    plan: FlangePlan | CurvedPlan
    angle: float
    width: float
    radius: float
    moved: Polygon

    @property
    def where(self) -> str:
        """Its name in messages."""
        return f"fold {self.number}"

    def moves(self, points: np.ndarray, offset: np.ndarray) -> np.ndarray:
        """(n,) bool: points (n, 2) at distances `offset` (n,) from the line that the fold moves."""
        near = offset >= -self.width / 2 - 1e-9
        near[near] = shapely.intersects_xy(self.moved, *points[near].T)
        return near


@dataclass(frozen=True, eq=False)
class FoldedSheet:
    """The map from the flat sheet to the folded mid-surface.

    bends: the innermost flange first: a lip is folded before the flange on which it lies.
    """

    bends: tuple[Bend, ...]

    @property
    def cylinders(self) -> tuple[Bend, ...]:
        """The straight bends that are cylinders."""
        return tuple(bend for bend in self.bends if bend.width and isinstance(bend.plan, FlangePlan))

    def surface(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions (n, 3) on the folded mid-surface and frames (n, 3, 3) there.

        points: (n, 2) in the flat sheet, or (n, 3) with heights over it.  Columns of a frame: where the folds turn the
        flat sheet's x, y and its normal on the "up" face.  A point on a sharp fold's line belongs to the base.
        """
        points = np.asarray(points, dtype=float)
        plan = points[:, :2]
        place = np.column_stack([plan, points[:, 2] if points.shape[1] == 3 else np.zeros(len(points))])
        frames = np.tile(np.eye(3), (len(points), 1, 1))
        for bend in self.bends:
            offset = bend.plan.offset(plan)
            moved = np.flatnonzero(bend.moves(plan, offset))
            flat, half = offset[moved], bend.width / 2
            share = np.clip(flat / bend.width + 0.5, 0.0, 1.0) if bend.width else flat > 1e-9
            reached = np.clip(flat, -half, half)
            directions = bend.plan.directions(plan[moved])
            place[moved], frames[moved] = _turn(
                place[moved], frames[moved], bend, bend.angle * share, reached, directions
            )
        return place, frames

    def normals(self, points: np.ndarray) -> np.ndarray:
        """(n, 3) unit normals on the "up" face at points (n, 2).

        A point on a sharp fold's line has the normal of the side that is less tilted.
        """
        points = np.asarray(points, dtype=float)[:, :2]
        out = self.surface(points)[1][:, :, 2]
        base, flange = points.copy(), points.copy()
        on_line = np.zeros(len(points), dtype=bool)
        for bend in self.bends:
            if not bend.width:
                offset = bend.plan.offset(points)
                here = bend.moves(points, offset + ON_LINE_TOLERANCE) & (offset <= ON_LINE_TOLERANCE)
                for side, shifted in ((-1, base), (1, flange)):
                    out_of_line = bend.plan.directions(points[here])[2]
                    shifted[here] += (side * BESIDE_LINE - offset[here])[:, None] * out_of_line
                on_line |= here
        if on_line.any():
            sides = [self.surface(shifted[on_line])[1][:, :, 2] for shifted in (base, flange)]
            is_flatter = np.abs(sides[1][:, 2]) > np.abs(sides[0][:, 2]) + 1e-12
            out[on_line] = np.where(is_flatter[:, None], sides[1], sides[0])
        return out


def _turn(
    place: np.ndarray,
    frames: np.ndarray,
    bend: Bend,
    turned: np.ndarray,
    reached: np.ndarray,
    directions: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:
    """Positions (n, 3) and frames (n, 3, 3) after one bend.

    turned: (n,) radians by which the sheet is turned at each point.  reached: (n,) mm from the line to where the arc
    ends for that point, in the flat sheet.  directions: see `FlangePlan.directions`.
    """
    half = bend.width / 2
    start, along, out = (np.column_stack([one, np.zeros(len(one))]) for one in directions)
    sine, cosine = np.sin(turned), np.cos(turned)
    radius = math.copysign(bend.radius, bend.angle)
    from_start = place - start
    beyond = np.einsum("ni,ni->n", from_start, out) - reached  # past the end of the arc
    z = from_start[:, 2]
    away = -half + radius * sine + beyond * cosine - z * sine
    up = radius * (1 - cosine) + beyond * sine + z * cosine
    kept_along = np.einsum("ni,ni->n", from_start, along)
    place = start + kept_along[:, None] * along + away[:, None] * out + np.outer(up, [0.0, 0.0, 1.0])
    level = np.einsum("ni,nij->nj", out, frames)
    rise = frames[:, 2, :]
    new_level = cosine[:, None] * level - sine[:, None] * rise
    new_rise = sine[:, None] * level + cosine[:, None] * rise
    kept = np.einsum("ni,nij->nj", along, frames)
    frames = (
        along[:, :, None] * kept[:, None, :]
        + out[:, :, None] * new_level[:, None, :]
        + np.array([0.0, 0.0, 1.0])[None, :, None] * new_rise[:, None, :]
    )
    return place, frames


def folded_sheet(panel: Panel, thickness: float, every_bend_round: bool = False) -> FoldedSheet:
    """The map of a panel's folds in sheet of `thickness` mm.

    every_bend_round: tight bends are cylinders too, as they are in metal; the shell model takes them as sharp.
    Raises MeshError where a line does not divide the sheet, where two flanges or bends overlap, or where the notch
    beside a bend of large radius ends before its tangent line.
    """
    neutral = panel.tools.folding_brake.neutral
    outline = Polygon(panel.outline)
    found: list[Bend] = []
    for number, fold in enumerate(panel.folds, 1):
        plan = flange_plan(outline, fold.line)
        if plan is None:
            raise _fold_error(f"fold {number}", "its line does not divide the sheet", "draw it from edge to edge")
        width = radius = 0.0
        if every_bend_round or is_round_bend(fold.radius, thickness):
            width = bend_allowance(abs(fold.angle), fold.radius, thickness, neutral)
            radius = fold.radius + thickness / 2
        moved = _moved_part(f"fold {number}", plan, outline, width)
        found.append(
            Bend(number, plan, math.radians(fold.angle), width, radius, moved.buffer(EDGE_TOLERANCE, quad_segs=2))
        )
    found += [_curved_bend(panel, place, thickness, every_bend_round) for place in range(len(panel.curved_flanges))]
    found.sort(key=lambda bend: bend.plan.polygon.area)
    for rank, inner in enumerate(found):
        for outer in found[rank + 1 :]:
            _check_apart(inner, outer)
    return FoldedSheet(tuple(found))


def _curved_bend(panel: Panel, place: int, thickness: float, is_round: bool) -> Bend:
    """The bend of a curved flange; a sharp one at its middle line unless `is_round`."""
    flange = panel.curved_flanges[place]
    width = radius = 0.0
    if is_round:
        neutral = panel.tools.folding_brake.neutral
        width = bend_allowance(abs(flange.angle), flange.bend_radius, thickness, neutral)
        radius = flange.bend_radius + thickness / 2
    inward = -1.0 if flange.is_outside else 1.0
    moved = flange.ring(flange.fold_radius + inward * width / 2, flange.end_radius)
    moved = moved.buffer(EDGE_TOLERANCE, quad_segs=2)
    number = len(panel.folds) + place + 1
    return Bend(number, CurvedPlan(flange), math.radians(flange.angle), width, radius, moved)


def _moved_part(where: str, plan: FlangePlan, outline: Polygon, width: float) -> Polygon:
    """The flange and its bend: the sheet beyond the inner tangent line."""
    if not width:
        return plan.polygon
    reach = sum(np.ptp(np.array(outline.exterior.coords), axis=0))
    foot = np.array(plan.line.interpolate(0.5, normalized=True).coords[0]) - width / 2 * plan.out
    tangent = LineString([foot - reach * plan.along, foot + reach * plan.along]).intersection(outline)
    pieces = [piece for piece in shapely.get_parts(tangent) if piece.geom_type == "LineString" and piece.length > 0.1]
    if not pieces:  # the sheet ends within the bend
        return outline
    a, b = np.array(min(pieces, key=lambda piece: piece.distance(shapely.Point(foot))).coords)
    line = LineString([a - 0.01 * (b - a) / np.linalg.norm(b - a), b + 0.01 * (b - a) / np.linalg.norm(b - a)])
    inside = plan.polygon.representative_point()
    part = next((one for one in split(outline, line).geoms if one.covers(inside)), outline)
    a, b = plan.line.coords[0], plan.line.coords[-1]
    more = width / 2 * (np.array(b) - a) / plan.line.length * MAX_EDGE_SLANT
    foot_line = [np.array(b) + more - width / 2 * plan.out, np.array(a) - more - width / 2 * plan.out]
    bent = Polygon([a, b, *foot_line]).buffer(EDGE_TOLERANCE)
    if part.difference(plan.polygon).difference(bent).area > MIN_OVERLAP:
        raise _fold_error(
            where,
            f"its bend reaches {width / 2:.1f} mm past the line, and the notch beside it does not",
            f"cut the notch {width / 2:.1f} mm past the fold line, or make the radius smaller",
        )
    return part


def _check_apart(inner: Bend, outer: Bend) -> None:
    """Raise MeshError unless two flanges lie apart, or the inner one lies on the flat of the outer one."""
    a, b = inner.plan.polygon, outer.plan.polygon
    first, second = sorted((inner.number, outer.number))
    where = f"fold {first} and fold {second}"
    common = a.intersection(b).area
    if common > MIN_OVERLAP and a.area - common > MIN_OVERLAP:
        raise _fold_error(where, "their flanges overlap", "cut the corner out where they cross")
    if isinstance(inner.plan, CurvedPlan) or isinstance(outer.plan, CurvedPlan):
        return
    for one, line in ((inner, outer.plan.line), (outer, inner.plan.line)):
        if one.width and line.intersection(one.moved.intersection(_band(one)).buffer(-EDGE_TOLERANCE)).length > 1.0:
            raise _fold_error(where, "their bends overlap", "move the lines apart, or make the radius smaller")
    strips = [
        bend.moved.intersection(_band(bend)).buffer(-EDGE_TOLERANCE) if bend.width else None for bend in (inner, outer)
    ]
    if strips[0] is not None and strips[1] is not None and strips[0].intersection(strips[1]).area > MIN_OVERLAP:
        raise _fold_error(where, "their bends overlap", "move the lines apart, or cut the corner out between them")


def _band(bend: Bend) -> Polygon:
    """The strip between the tangent lines of a bend, without end."""
    plan, reach = bend.plan, 1e5
    assert isinstance(plan, FlangePlan)
    ends = [plan.start + side * reach * plan.along for side in (-1, 1)]
    return LineString(ends).buffer(bend.width / 2, cap_style="flat")


def _fold_error(where: str, what: str, cure: str) -> MeshError:
    return MeshError(str(Fault(where, what, cure)))


def fold_nodes(panel: Panel, thickness: float, points: np.ndarray) -> np.ndarray:
    """Positions (n, 3), mm, on the folded mid-surface of flat points (n, 2), or (n, 3) with heights over the sheet.

    Raises MeshError as `folded_sheet` does.
    """
    return folded_sheet(panel, thickness).surface(points)[0]


def fold_frames(panel: Panel, thickness: float, points: np.ndarray) -> np.ndarray:
    """Frames (n, 3, 3) of the folded sheet at flat points (n, 2).

    Columns: where the folds turn the flat sheet's x, y and its normal on the "up" face.  Raises MeshError as
    `folded_sheet` does.
    """
    return folded_sheet(panel, thickness).surface(points)[1]

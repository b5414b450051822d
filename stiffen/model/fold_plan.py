"""Folds in the plan of the flat sheet: the flange beside each line or arc, and the order in which the folds are made.

mm.  A straight fold line divides the sheet in two parts.  The smaller part is the flange; the rest is the base.  A
curved flange stands along an arc of the sheet's edge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.ops import split

from .sheet_geometry import ON_SHEET_TOLERANCE, XY, Ring, arc_points
from .value_rules import Flag, PlanPoint, Range, Rule, check_fields

PARALLEL_TOLERANCE = 10.0  # degrees; folds within it are made one after the other
NESTED_SHARE = 0.99  # a flange lies on another if this share of its area does


@dataclass(frozen=True, eq=False)
class FlangePlan:
    """The flange of a fold line in plan.

    start: (2,) first end of the line.  along, out: (2,) unit vectors along the line and square to it, toward the
    flange.  line: the part of the fold line that lies on the sheet.  polygon: the sheet beyond the line, cut-outs
    included.  base: the rest of the sheet.
    """

    start: np.ndarray
    along: np.ndarray
    out: np.ndarray
    line: LineString
    polygon: Polygon
    base: Polygon

    def offset(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 2) from the line, positive toward the flange."""
        return (np.asarray(points, dtype=float)[:, :2] - self.start) @ self.out

    def directions(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """For points (n, 2): a point on the line, the directions along it and out of it, each (n, 2)."""
        shape = (len(points), 2)
        return np.broadcast_to(self.start, shape), np.broadcast_to(self.along, shape), np.broadcast_to(self.out, shape)


CURVED_FLANGE_RULES: dict[str, Rule] = {
    "centre": PlanPoint(),
    "edge_radius": Range(1.0, 20_000.0, "mm"),
    "fold_radius": Range(1.0, 20_000.0, "mm"),
    "end_radius": Range(1.0, 20_000.0, "mm"),
    "start": Range(-720.0, 720.0, "degrees"),
    "sweep": Range(0.0, 360.0, "degrees", excludes_low=True),
    "is_outside": Flag(),
    "angle": Range(-170.0, 170.0, "degrees"),
    "bend_radius": Range(0.0, 2000.0, "mm"),
    "leg": Range(0.5, 2000.0, "mm"),
}


@dataclass(frozen=True)
class CurvedFlange:
    """A flange along an arc of the finished outline.  mm, degrees.

    centre, start, sweep: of the arc, counter-clockwise.  edge_radius: of the finished outline, its mould line.
    fold_radius, end_radius: in the flat blank, of the middle of the bend and of the flange's free edge.  is_outside:
    the flange lies on the far side of the arc from its centre.  angle: positive toward "up".  bend_radius: inside, of
    the bend.  leg: outside size.
    """

    centre: XY
    edge_radius: float
    fold_radius: float
    end_radius: float
    start: float
    sweep: float
    is_outside: bool
    angle: float
    bend_radius: float
    leg: float

    def __post_init__(self) -> None:
        check_fields(self, "flange", CURVED_FLANGE_RULES)

    def arc(self, radius: float) -> tuple[XY, ...]:
        """The arc at a radius, counter-clockwise, as points."""
        return tuple(arc_points(self.centre, radius, math.radians(self.start), math.radians(self.sweep)))

    @property
    def line(self) -> tuple[XY, ...]:
        """The middle of the bend in the flat, as points."""
        return self.arc(self.fold_radius)

    def ring(self, first: float, second: float) -> Polygon:
        """The part of a ring between two radii."""
        return Polygon([*self.arc(first), *reversed(self.arc(second))])

    def mirrored(self, mirror_sum: float) -> CurvedFlange:
        """The mirror image: x becomes mirror_sum - x."""
        return replace(
            self, centre=(mirror_sum - self.centre[0], self.centre[1]), start=180.0 - self.start - self.sweep
        )


@dataclass(frozen=True, eq=False)
class CurvedPlan:
    """A curved flange in plan, with the questions that `FlangePlan` answers.

    line: the middle of the bend.  polygon: the sheet beyond it.
    """

    flange: CurvedFlange

    @cached_property
    def line(self) -> LineString:
        """The middle of the bend."""
        return LineString(self.flange.line)

    @cached_property
    def polygon(self) -> Polygon:
        """The sheet beyond the middle of the bend."""
        return self.flange.ring(self.flange.fold_radius, self.flange.end_radius)

    def offset(self, points: np.ndarray) -> np.ndarray:
        """Distance (n,) of points (n, 2) from the middle of the bend, positive toward the flange."""
        distance = np.linalg.norm(np.asarray(points, dtype=float)[:, :2] - self.flange.centre, axis=1)
        return (distance - self.flange.fold_radius) * (1.0 if self.flange.is_outside else -1.0)

    def directions(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """For points (n, 2): the nearest point of the arc, the directions along it and out of it, each (n, 2)."""
        away = np.asarray(points, dtype=float)[:, :2] - self.flange.centre
        away = away / np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
        foot = self.flange.centre + self.flange.fold_radius * away
        out = away if self.flange.is_outside else -away
        return foot, np.column_stack([out[:, 1], -out[:, 0]]), out


def flange_plan(outline: Ring | Polygon, line: Sequence[XY]) -> FlangePlan | None:
    """The flange beside a fold line; None if the line does not divide the sheet in two."""
    sheet = outline if isinstance(outline, Polygon) else Polygon(outline)
    start, end = (np.asarray(point, dtype=float) for point in line)
    along = (end - start) / np.linalg.norm(end - start)
    longer = LineString([start - ON_SHEET_TOLERANCE * along, end + ON_SHEET_TOLERANCE * along])
    parts = [part for part in split(sheet, longer).geoms if isinstance(part, Polygon)]
    if len(parts) != 2:
        return None
    flange, base = sorted(parts, key=lambda part: part.area)
    out = np.array([-along[1], along[0]])
    if (np.array(flange.representative_point().coords[0]) - start) @ out < 0:
        out = -out
    on_sheet = longer.intersection(sheet)
    pieces = [piece for piece in getattr(on_sheet, "geoms", [on_sheet]) if isinstance(piece, LineString)]
    return FlangePlan(start, along, out, max(pieces, key=lambda piece: piece.length), flange, base)


def folding_order(outline: Ring, lines: Sequence[Sequence[XY]]) -> tuple[int, ...]:
    """Positions of fold lines in the order in which they are made.

    A lip is folded before the flange on which it lies.  Where flanges go round, the folds of one direction are made
    together, and those between the longest lines first: the short sides come last, with fingers between the sides
    that stand already (common practice, no source).  Otherwise the order given is kept.
    """
    plans = [flange_plan(outline, line) for line in lines]
    depths = [
        sum(_lies_on(plan, other) for other in plans if other is not plan) if plan is not None else 0 for plan in plans
    ]
    directions: list[float] = []  # of the groups of parallel folds
    group = []
    for line in lines:
        angle = math.degrees(math.atan2(line[1][1] - line[0][1], line[1][0] - line[0][0])) % 180
        near = [k for k, one in enumerate(directions) if abs((angle - one + 90) % 180 - 90) <= PARALLEL_TOLERANCE]
        if not near:
            directions.append(angle)
        group.append(near[0] if near else len(directions) - 1)
    longest = [max(math.dist(*line) for line, k in zip(lines, group, strict=True) if k == n) for n in set(group)]

    def key(position: int) -> tuple[float, float, int, int]:
        return -depths[position], -longest[group[position]], group[position], position

    return tuple(sorted(range(len(lines)), key=key))


def _lies_on(plan: FlangePlan, other: FlangePlan | None) -> bool:
    """True if a flange is a part of another, larger one."""
    if other is None or other.polygon.area <= plan.polygon.area:
        return False
    return plan.polygon.intersection(other.polygon).area > NESTED_SHARE * plan.polygon.area

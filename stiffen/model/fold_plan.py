"""Folds in the plan of the flat sheet: the flange beside each line, and the order in which the folds are made.

mm.  A fold line divides the sheet in two parts.  The smaller part is the flange; the rest is the base.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, Polygon
from shapely.ops import split

from .sheet_geometry import ON_SHEET_TOLERANCE, XY, Ring

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

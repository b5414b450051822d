"""Corner notches: where two fold lines cross on the blank, the sheet beyond both is cut out, clear of both bends.

mm.  The notch is the corner beyond the inner tangent lines of both bends, NOTCH_CLEARANCE further in, with a round
relief about its inner corner: of the diameter of `bends.relief_hole` (FAA-H-8083-31) or more, so that it ends both fold
lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from stiffen.errors import Fault, InputError
from stiffen.model.fold_plan import FlangePlan, flange_plan
from stiffen.model.panel import Fold
from stiffen.model.sheet_geometry import Ring
from stiffen.shop.bends import bend_allowance, relief_hole

NOTCH_CLEARANCE = 0.5  # mm past the inner tangent lines, as for a relief slot: common practice, no source
RELIEF_DEPTH_RATIO = 1.3  # least radius of the relief over the notch's depth past a fold line: it ends the fold lines
MIN_CROSSING_ANGLE = 30.0  # degrees between two fold lines that a notch can part: common practice, no source
MAX_NOTCH_SHARE = 1 / 3  # of the smaller flange that a notch may take; a larger one is no corner
EDGE_MARGIN = 1.0  # mm by which a notch reaches past the edge of the sheet
MIN_NOTCH_AREA = 0.01  # mm2


@dataclass(frozen=True)
class CutBlank:
    """A blank with its corners cut out: its outline, the folds with their lines cut off at the notches, the notches."""

    outline: Ring
    folds: tuple[Fold, ...]
    notches: tuple[Polygon, ...]


def crossing_fault(outline: Ring, line: Sequence, others: Sequence[Sequence]) -> str | None:
    """What is wrong with a fold line that crosses others where no notch can part them; None if nothing is."""
    plan = flange_plan(outline, line)
    for other_line in others:
        other = flange_plan(outline, other_line)
        if plan is None or other is None or not plan.line.intersects(other.line):
            continue
        angle = math.degrees(math.asin(min(1.0, abs(float(plan.along @ other.out)))))
        if angle < MIN_CROSSING_ANGLE:
            return f"crosses another fold on the sheet at {angle:.0f} degrees, too flat for a notch between them"
        share = plan.polygon.intersection(other.polygon).area / min(plan.polygon.area, other.polygon.area)
        if share > MAX_NOTCH_SHARE:
            return f"crosses another fold on the sheet, and {share:.0%} of the smaller flange lies beyond both"
    return None


def cut_corners(outline: Ring, folds: Sequence[Fold], t: float, neutral: float) -> CutBlank:
    """The blank with a notch wherever two of its folds cross; t: the thickest sheet, whose bends take most.

    A blank whose folds do not cross comes back as it is.  Raises InputError where notches leave nothing of a line.
    """
    sheet = Polygon(outline)
    plans = [flange_plan(sheet, fold.line) for fold in folds]
    notches = [
        notch
        for (i, a), (j, b) in combinations(enumerate(plans), 2)
        if a is not None and b is not None and (notch := _notch(sheet, (folds[i], a), (folds[j], b), t, neutral))
    ]
    if not notches:
        return CutBlank(outline, tuple(folds), ())
    rest = max(shapely.get_parts(sheet.difference(shapely.union_all(notches))), key=lambda part: part.area)
    ring = tuple((float(x), float(y)) for x, y in shapely.remove_repeated_points(rest, 1e-6).exterior.coords[:-1])
    lines = [_cut_line(rest, fold) for fold in folds]
    gone = [place for place, line in enumerate(lines) if line is None]
    if gone:
        cure = "move the lines apart, or make the radii smaller"
        what = "the notches at its ends leave nothing of its line"
        raise InputError([Fault(f"fold {place + 1}", what, cure) for place in gone])
    kept = tuple(replace(fold, line=line) for fold, line in zip(folds, lines, strict=True) if line)
    return CutBlank(ring, kept, tuple(sheet.intersection(notch) for notch in notches))


def _notch(
    sheet: Polygon, one: tuple[Fold, FlangePlan], other: tuple[Fold, FlangePlan], t: float, neutral: float
) -> Polygon | None:
    """The corner beyond two folds and the relief at its inner corner; None if their flanges lie apart or nested."""
    (fold_a, a), (fold_b, b) = one, other
    common = a.polygon.intersection(b.polygon)
    if common.area < MIN_NOTCH_AREA or not a.line.intersects(b.line):
        return None
    depths = [
        bend_allowance(abs(fold.angle), fold.radius, t, neutral) / 2 + NOTCH_CLEARANCE for fold in (fold_a, fold_b)
    ]
    quadrant = _half_plane(a, -depths[0], sheet).intersection(_half_plane(b, -depths[1], sheet))
    inside = common.representative_point()
    corner = next(part for part in shapely.get_parts(quadrant.intersection(sheet)) if part.covers(inside))
    # past the edge of the sheet, so that no sliver is left along it
    corner = corner.buffer(EDGE_MARGIN, join_style="mitre").intersection(quadrant)
    matrix = np.array([a.out, b.out])
    meeting = np.linalg.solve(matrix, [a.start @ a.out - depths[0], b.start @ b.out - depths[1]])
    radius = max(relief_hole(max(fold_a.radius, fold_b.radius), t) / 2, RELIEF_DEPTH_RATIO * max(depths))
    hole = Point(meeting).buffer(radius, quad_segs=8)
    joined = corner.union(hole)
    return joined if isinstance(joined, Polygon) else corner


def _half_plane(plan: FlangePlan, offset: float, sheet: Polygon) -> Polygon:
    """The plane beyond a line that is parallel to a fold, as far as the sheet reaches."""
    reach = 2 * sum(np.ptp(np.array(sheet.exterior.coords), axis=0))
    foot = np.array(plan.line.interpolate(0.5, normalized=True).coords[0]) + offset * plan.out
    a, b = foot - reach * plan.along, foot + reach * plan.along
    return Polygon([a, b, b + reach * plan.out, a + reach * plan.out])


def _cut_line(sheet: Polygon, fold: Fold) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """The longest part of a fold line on the sheet that is left, in the line's own direction; None if nothing is."""
    pieces = [part for part in shapely.get_parts(LineString(fold.line).intersection(sheet)) if part.length > 1.0]
    if not pieces:
        return None
    coords = max(pieces, key=lambda part: part.length).coords
    a, b = coords[0], coords[-1]
    start, end = np.array(fold.line[0]), np.array(fold.line[1])
    if (np.array(b) - a) @ (end - start) < 0:
        a, b = b, a
    return (float(a[0]), float(a[1])), (float(b[0]), float(b[1]))

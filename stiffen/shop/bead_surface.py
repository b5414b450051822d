"""Height of the rolled sheet over its plan, and the side of the sheet that a step raises.

Plan coordinates and heights in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from stiffen.model.layout import Bead, Point

from .bead_section import profile_height, taper

DIRECTION_STEP = 0.5  # mm before and after a point of a path, between which its direction is taken


def extended_past_open_ends(bead: Bead) -> Bead:
    """The bead lengthened past its open ends, so that its run-outs lie off the sheet; the new ends are closed."""
    if not any(bead.open_ends):
        return bead
    path = np.asarray(bead.path, dtype=float)
    more = bead.die.run_out_length + 2 * bead.die.width
    for place, inner, is_open in ((0, 1, bead.open_ends[0]), (-1, -2, bead.open_ends[1])):
        if is_open:
            out = path[place] - path[inner]
            path[place] += more * out / np.linalg.norm(out)
    return replace(bead, path=tuple((float(x), float(y)) for x, y in path), open_ends=(False, False))


def surface_height(bead: Bead, plan: np.ndarray, outline: Sequence[Point]) -> np.ndarray:
    """(n,) mm by which a bead raises the sheet at plan points (n, 2), toward the face on which it stands proud.

    outline: of the sheet; decides which side a step raises.
    """
    bead = extended_past_open_ends(bead)
    path = LineString(bead.path)
    out = np.zeros(len(plan))
    near = np.arange(len(plan))
    if bead.die.profile != "step":
        x0, y0, x1, y1 = path.buffer(bead.die.width / 2, quad_segs=1, join_style="mitre").envelope.bounds
        near = np.flatnonzero((plan[:, 0] >= x0) & (plan[:, 0] <= x1) & (plan[:, 1] >= y0) & (plan[:, 1] <= y1))
    places = shapely.points(plan[near])
    along = shapely.line_locate_point(path, places)
    distance = shapely.distance(path, places)
    if bead.die.profile == "step":
        distance *= raised_side(bead.path, outline) * _side_signs(path, plan[near], along)
    share = taper(bead.die, along, path.length, bead.closed)
    out[near] = share * profile_height(bead.die, distance)
    return out


def raised_side(path: Sequence[Point], outline: Sequence[Point]) -> int:
    """The side of its path on which a step raises the sheet: 1 left, -1 right.

    It is the side on which the edge is nearer, measured square to the path at its middle.
    """
    line, edge = LineString(path), Polygon(outline).exterior
    middle = line.length / 2
    at = np.array(line.interpolate(middle).coords[0])
    before, after = (np.array(line.interpolate(middle + step).coords[0]) for step in (-DIRECTION_STEP, DIRECTION_STEP))
    left = np.array([before[1] - after[1], after[0] - before[0]]) / np.linalg.norm(after - before)
    reach = sum(np.ptp(np.asarray(outline), axis=0))
    to_edge = {}
    for side in (1, -1):
        met = edge.intersection(LineString([at, at + side * reach * left]))
        to_edge[side] = shapely.distance(shapely.Point(at), met) if not met.is_empty else 0.0
    return min(to_edge, key=to_edge.__getitem__)


def _side_signs(path: LineString, points: np.ndarray, along: np.ndarray) -> np.ndarray:
    """(n,) 1 left of the path, -1 right of it, at points (n, 2); along: (n,) mm to their nearest points on it."""
    before, after = np.maximum(along - DIRECTION_STEP, 0), np.minimum(along + DIRECTION_STEP, path.length)
    foot, a, b = (shapely.get_coordinates(shapely.line_interpolate_point(path, s)) for s in (along, before, after))
    way, gap = b - a, points - foot
    return np.where(way[:, 0] * gap[:, 1] - way[:, 1] * gap[:, 0] >= 0, 1.0, -1.0)

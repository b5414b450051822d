"""Which share of each element of a coarse mesh a bead or a flared hole covers, and in which direction it runs.

Shares are counted at sample points inside each triangle.  m is the number of triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString

from stiffen.model.layout import Bead, Hole, Point
from stiffen.shop.bead_section import taper
from stiffen.shop.bead_surface import extended_past_open_ends, raised_side, side_signs

from .strip_laminate import TAPER_STEPS

SAMPLES_PER_SIDE = 9  # of a triangle: SAMPLES_PER_SIDE squared points inside it
DIRECTION_STEP = 0.5  # mm before and after a place on a path, between which its direction is taken


@dataclass(frozen=True, eq=False)
class ElementSamples:
    """Sample points of all triangles: points (m, q, 2) mm in plan, bounds (m, 4) of the triangles."""

    points: np.ndarray
    bounds: np.ndarray

    @classmethod
    def of(cls, corners: np.ndarray, per_side: int = SAMPLES_PER_SIDE) -> ElementSamples:
        """Samples of triangles with plan corners (m, 3, 2): centroids of equal parts."""
        q = (np.arange(per_side) + 0.5) / per_side
        a, b = (v.ravel() for v in np.meshgrid(q, q))
        fold = a + b > 1
        a, b = np.where(fold, 1 - a, a), np.where(fold, 1 - b, b)
        shares = np.stack([1 - a - b, a, b], axis=1)
        return cls(np.einsum("qc,mcx->mqx", shares, corners), np.concatenate([corners.min(1), corners.max(1)], axis=1))

    def near(self, x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
        """Triangles whose bounds meet a rectangle."""
        low, high = self.bounds[:, :2], self.bounds[:, 2:]
        return np.flatnonzero((high[:, 0] >= x0) & (low[:, 0] <= x1) & (high[:, 1] >= y0) & (low[:, 1] <= y1))


@dataclass(frozen=True, eq=False)
class Coverage:
    """Parts of triangles that a shape covers; k parts.

    triangles: (k,).  share: (k,) of the triangle's area.  taper: (k,) step of the depth, 0 to TAPER_STEPS.
    direction: (k, 2) mean of (cos, sin) of twice the angle of the strip with x, in plan.  kind: (k,) 0 strip, 1 sheet
    raised beside a step, 2 opening.
    """

    triangles: np.ndarray
    share: np.ndarray
    taper: np.ndarray
    direction: np.ndarray
    kind: np.ndarray


STRIP, RAISED, OPENING = 0, 1, 2


def bead_coverage(samples: ElementSamples, bead: Bead, outline: tuple[Point, ...]) -> Coverage:
    """Coverage of a bead; outline: decides which side a step raises."""
    bead = extended_past_open_ends(bead)
    path, half = LineString(bead.path), bead.die.width / 2
    is_step = bead.die.profile == "step"
    x0, y0, x1, y1 = path.bounds
    more = 1e9 if is_step else half
    near = samples.near(x0 - more, y0 - more, x1 + more, y1 + more)
    points = samples.points[near]
    flat = points.reshape(-1, 2)
    if len(bead.path) == 2:
        start, stop = np.array(bead.path)
        length = float(np.linalg.norm(stop - start))
        tangent = (stop - start) / length
        along = np.clip((flat - start) @ tangent, 0.0, length)
        gap = flat - start - along[:, None] * tangent
        distance = np.hypot(gap[:, 0], gap[:, 1])
        tangents = np.broadcast_to(tangent, flat.shape)
        signs = np.sign(tangent[0] * gap[:, 1] - tangent[1] * gap[:, 0])
    else:
        places = shapely.points(flat)
        along, distance = shapely.line_locate_point(path, places), shapely.distance(path, places)
        before, after = np.maximum(along - DIRECTION_STEP, 0), np.minimum(along + DIRECTION_STEP, path.length)
        a, b = (shapely.get_coordinates(shapely.line_interpolate_point(path, s)) for s in (before, after))
        tangents = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1), 1e-12)[:, None]
        signs = side_signs(path, flat, along) if is_step else np.ones(len(flat))
    depth = np.rint(TAPER_STEPS * taper(bead.die, along, path.length, bead.closed)).astype(int)
    if is_step:
        distance = distance * raised_side(bead.path, outline) * signs
        kind = np.where(distance > half, RAISED, STRIP)
        inside = (distance >= -half) & (depth > 0)
    else:
        kind, inside = np.zeros(len(flat), int), (distance <= half) & (depth > 0)
        # beyond the ends of an open path the nearest point is an end, where the depth is zero
    return _collect(near, points.shape[1], inside, depth, tangents, kind)


def hole_coverage(samples: ElementSamples, hole: Hole) -> Coverage:
    """Coverage of a flared hole: its cone as a strip around it, and its opening."""
    x, y = hole.at
    outer, inner = hole.die.flange / 2, hole.die.finished / 2
    near = samples.near(x - outer, y - outer, x + outer, y + outer)
    points = samples.points[near]
    gap = points.reshape(-1, 2) - hole.at
    radius = np.hypot(gap[:, 0], gap[:, 1])
    tangents = np.column_stack([-gap[:, 1], gap[:, 0]]) / np.maximum(radius, 1e-12)[:, None]
    kind = np.where(radius < inner, OPENING, STRIP)
    return _collect(near, points.shape[1], radius <= outer, np.full(len(gap), TAPER_STEPS), tangents, kind)


def opening_coverage(samples: ElementSamples, region: shapely.Polygon) -> Coverage:
    """Coverage of a small opening that the mesh leaves out."""
    near = samples.near(*region.bounds)
    points = samples.points[near]
    flat = points.reshape(-1, 2)
    inside = shapely.contains_xy(region, flat[:, 0], flat[:, 1])
    zeros = np.zeros(len(flat), int)
    return _collect(
        near, points.shape[1], inside, zeros + TAPER_STEPS, np.tile([1.0, 0.0], (len(flat), 1)), zeros + OPENING
    )


def _collect(
    near: np.ndarray, per_triangle: int, inside: np.ndarray, depth: np.ndarray, tangents: np.ndarray, kind: np.ndarray
) -> Coverage:
    """Samples inside a shape, gathered by triangle, depth and kind."""
    at = np.flatnonzero(inside)
    owner = near[at // per_triangle]
    keys = (owner * (TAPER_STEPS + 1) + depth[at]) * 3 + kind[at]
    parts, part = np.unique(keys, return_inverse=True)
    count = np.bincount(part, minlength=len(parts))
    c, s = tangents[at].T
    double = np.column_stack([np.bincount(part, c * c - s * s, len(parts)), np.bincount(part, 2 * c * s, len(parts))])
    rest, kinds = np.divmod(parts, 3)
    triangles, depths = np.divmod(rest, TAPER_STEPS + 1)
    return Coverage(triangles, count / per_triangle, depths, double / np.maximum(count, 1)[:, None], kinds)

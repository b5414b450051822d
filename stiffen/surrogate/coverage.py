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
BOX_SAMPLES = 9  # rows, and places in a row, of the box about a triangle
# A bead of depth d bends 1 + BENDING_GAIN (d/t)2 times less than flat sheet where it ends.  Beads with all their sheet
# have about 4; with 2 the linear deflections of `benchmarks/laminate_table.py` come out nearest to the shell model's.
BENDING_GAIN = 2.0
DIRECTION_STEP = 0.5  # mm before and after a place on a path, between which its direction is taken


@dataclass(frozen=True, eq=False)
class ElementSamples:
    """Sample points of all triangles.

    points: (m, q, 2) mm in plan.  bounds: (m, 4) of the triangles.  corners: (m, 3, 2) of the triangles.
    """

    points: np.ndarray
    bounds: np.ndarray
    corners: np.ndarray

    @classmethod
    def of(cls, corners: np.ndarray, per_side: int = SAMPLES_PER_SIDE) -> ElementSamples:
        """Samples of triangles with plan corners (m, 3, 2): centroids of equal parts."""
        q = (np.arange(per_side) + 0.5) / per_side
        a, b = (v.ravel() for v in np.meshgrid(q, q))
        fold = a + b > 1
        a, b = np.where(fold, 1 - a, a), np.where(fold, 1 - b, b)
        shares = np.stack([1 - a - b, a, b], axis=1)
        return cls(
            np.einsum("qc,mcx->mqx", shares, corners), np.concatenate([corners.min(1), corners.max(1)], axis=1), corners
        )

    def near(self, x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
        """Triangles whose bounds meet a rectangle."""
        low, high = self.bounds[:, :2], self.bounds[:, 2:]
        return np.flatnonzero((high[:, 0] >= x0) & (low[:, 0] <= x1) & (high[:, 1] >= y0) & (low[:, 1] <= y1))


@dataclass(frozen=True, eq=False)
class Coverage:
    """Parts of triangles that a shape covers; k parts.

    triangles: (k,).  share: (k,) of the triangle's area.  taper: (k,) step of the depth, 0 to TAPER_STEPS.
    direction: (k, 2) mean of (cos, sin) of twice the angle of the strip with x, in plan.  kind: (k,) 0 strip, 1 sheet
    raised beside a step, 2 opening.  by_area: the same counted in the triangles' areas alone, for the mass; None where
    it is no different.
    """

    triangles: np.ndarray
    share: np.ndarray
    taper: np.ndarray
    direction: np.ndarray
    kind: np.ndarray
    by_area: Coverage | None = None


STRIP, RAISED, OPENING = 0, 1, 2


def bead_coverage(samples: ElementSamples, bead: Bead, outline: tuple[Point, ...], gauge: float) -> Coverage:
    """Coverage of a bead in sheet `gauge` mm thick; outline: decides which side a step raises."""
    bead = extended_past_open_ends(bead)
    path, half = LineString(bead.path), bead.die.width / 2
    is_step = bead.die.profile == "step"
    x0, y0, x1, y1 = path.bounds
    more = 1e9 if is_step else half
    near = samples.near(x0 - more, y0 - more, x1 + more, y1 + more)
    points = samples.points[near]
    along, distance, tangents, signs = _places(bead, path, points.reshape(-1, 2))
    share = taper(bead.die, along, path.length, bead.closed)
    if is_step:
        distance = distance * raised_side(bead.path, outline) * signs
        kind = np.where(distance > half, RAISED, STRIP)
        inside = (distance >= -half) & (share > 0)
        return _collect(near, points.shape[1], inside, _step_of(share), tangents, kind)
    # beyond the ends of an open path the nearest point is an end, where the depth is zero
    inside = (distance <= half) & (share > 0)
    plain = _collect(near, points.shape[1], inside, _step_of(share), tangents, np.zeros(len(share), int))
    return _in_rows(samples, bead, path, plain, gauge)


def _step_of(share: np.ndarray) -> np.ndarray:
    return np.rint(TAPER_STEPS * share).astype(int)


def _places(bead: Bead, path: LineString, points: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Distance along the path, distance from it, direction (k, 2) of the path and side (+-1) for points (k, 2)."""
    if len(bead.path) == 2:
        start, stop = np.array(bead.path)
        length = float(np.linalg.norm(stop - start))
        tangent = (stop - start) / length
        along = np.clip((points - start) @ tangent, 0.0, length)
        gap = points - start - along[:, None] * tangent
        signs = np.sign(tangent[0] * gap[:, 1] - tangent[1] * gap[:, 0])
        return along, np.hypot(gap[:, 0], gap[:, 1]), np.broadcast_to(tangent, points.shape), signs
    places = shapely.points(points)
    along, distance = shapely.line_locate_point(path, places), shapely.distance(path, places)
    before, after = np.maximum(along - DIRECTION_STEP, 0), np.minimum(along + DIRECTION_STEP, path.length)
    a, b = (shapely.get_coordinates(shapely.line_interpolate_point(path, s)) for s in (before, after))
    tangents = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1), 1e-12)[:, None]
    return along, distance, tangents, side_signs(path, points, along)


def _in_rows(samples: ElementSamples, bead: Bead, path: LineString, plain: Coverage, gauge: float) -> Coverage:
    """Coverage counted in rows along the strip through the box about each triangle, with sides along and across it.

    The box, not the triangle: triangles side by side along a strip then have the same share of it, as a mean of
    different softnesses side by side would be too stiff.  A row is as flexible as the mean of its places, which bend in
    series; a place has 1 / (1 + BENDING_GAIN (depth / t)2) of the flat sheet's flexibility, so that a bead that ends
    in a triangle does not stiffen it up to its far side.
    """
    at, part = np.unique(plain.triangles, return_inverse=True)
    double = np.zeros((len(at), 2))
    np.add.at(double, part, plain.direction * plain.share[:, None])
    angle = np.arctan2(double[:, 1], double[:, 0]) / 2
    s = np.column_stack([np.cos(angle), np.sin(angle)])
    n = np.column_stack([-s[:, 1], s[:, 0]])
    corners = samples.corners[at]
    by_s, by_n = np.einsum("mcx,mx->mc", corners, s), np.einsum("mcx,mx->mc", corners, n)
    q = (np.arange(BOX_SAMPLES) + 0.5) / BOX_SAMPLES
    columns = by_s.min(1)[:, None] + q * np.ptp(by_s, axis=1)[:, None]
    rows = by_n.min(1)[:, None] + q * np.ptp(by_n, axis=1)[:, None]
    points = columns[:, None, :, None] * s[:, None, None, :] + rows[:, :, None, None] * n[:, None, None, :]
    along, distance, tangents, _ = _places(bead, path, points.reshape(-1, 2))
    share = np.where(distance <= bead.die.width / 2, taper(bead.die, along, path.length, bead.closed), 0.0)
    shape = len(at), BOX_SAMPLES, BOX_SAMPLES
    share, tangents = share.reshape(shape), tangents.reshape(*shape, 2)
    straight = np.einsum("mrcx,mx->mrc", tangents, s) ** 2  # another leg of the path is flat sheet to this one
    gain = BENDING_GAIN * (bead.die.depth / gauge) ** 2
    flexibility = (1 / (1 + gain * (share * straight) ** 2)).mean(axis=2)
    by_row = np.sqrt(np.maximum(1 / flexibility - 1, 0) / gain)
    step = np.rint(TAPER_STEPS * by_row).astype(int)
    keys = np.arange(len(at))[:, None] * (TAPER_STEPS + 1) + step
    keys, count = np.unique(keys[step > 0], return_counts=True)
    triangle, depths = np.divmod(keys, TAPER_STEPS + 1)
    norm = np.linalg.norm(double, axis=1) / np.bincount(part, plain.share)
    direction = np.column_stack([np.cos(2 * angle), np.sin(2 * angle)]) * norm[:, None]
    return Coverage(at[triangle], count / BOX_SAMPLES, depths, direction[triangle], np.zeros(len(keys), int), plain)


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

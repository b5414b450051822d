"""Which share of each element of a coarse mesh a bead or a flared hole covers, and in which direction it runs.

Shares are counted at sample points inside each triangle.  m is the number of triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import LineString

from stiffen.model.layout import Bead, Hole, Point
from stiffen.shop.bead_section import taper
from stiffen.shop.bead_surface import extended_past_open_ends, raised_side

from .curved_strip import depth_shares
from .strip_laminate import TAPER_STEPS

SAMPLES_PER_SIDE = 9  # of a triangle: SAMPLES_PER_SIDE squared points inside it
# Width, over the triangle's own, of the box in which a strip is counted.  With 1 the triangles that stand on their base
# and on their apex have different shares of a strip, and beads along it are 10 % too soft, bellows too stiff; with 2
# beads that meet, as at the corners of frames, blur.
WINDOW = 1.7
BESIDE = 1e-6  # share of a triangle that a strip beside it counts for, in the mean direction
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

    @cached_property
    def spacing(self) -> np.ndarray:
        """(m,) mm between samples of a triangle."""
        side = self.corners[:, 1:] - self.corners[:, :1]
        double_area = np.abs(side[:, 0, 0] * side[:, 1, 1] - side[:, 0, 1] * side[:, 1, 0])
        return np.sqrt(double_area / 2 / self.points.shape[1])

    def near(self, x0: float, y0: float, x1: float, y1: float, margin: float = 0.0) -> np.ndarray:
        """Triangles whose bounds, grown by `margin` of their longer side, meet a rectangle."""
        low, high = self.bounds[:, :2], self.bounds[:, 2:]
        grown = margin * (high - low).max(axis=1, keepdims=True)
        low, high = low - grown, high + grown
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
PAIRS_AT_ONCE = 200_000  # of points and sides of a path whose distances are computed together


def bead_coverage(samples: ElementSamples, bead: Bead, outline: tuple[Point, ...], gauge: float) -> Coverage:
    """Coverage of a bead in sheet `gauge` mm thick; outline: decides which side a step raises."""
    bead = extended_past_open_ends(bead)
    path, half = LineString(bead.path), bead.die.width / 2
    is_step = bead.die.profile == "step"
    x0, y0, x1, y1 = path.bounds
    more = 1e9 if is_step else half
    near = samples.near(x0 - more, y0 - more, x1 + more, y1 + more)
    if len(bead.path) > 2 and not is_step:
        _, distance, _, _ = _places(bead, path, samples.corners[near].mean(axis=1))
        near = near[distance < half + np.ptp(samples.corners[near], axis=1).max(axis=1)]
    points = samples.points[near]
    along, distance, tangents, signs = _places(bead, path, points.reshape(-1, 2))
    share = taper(bead.die, along, path.length, bead.closed)
    blur = np.repeat(samples.spacing[near], points.shape[1])
    if is_step:
        distance = distance * raised_side(bead.path, outline) * signs
        kind = np.where(distance > half, RAISED, STRIP)
        weight = np.where(share > 0, _inside(half + distance, blur), 0.0)
        return _collect(near, points.shape[1], weight, _step_of(share), tangents, kind)
    # beyond the ends of an open path the nearest point is an end, where the depth is zero
    weight = np.where(share > 0, _inside(half - distance, blur), 0.0)
    plain = _collect(near, points.shape[1], weight, _step_of(share), tangents, np.zeros(len(share), int))
    return _in_rows(samples, bead, path, plain, gauge)


def _inside(depth: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Share, 0 to 1, of the sheet about a sample that is inside an edge `depth` mm away; blur: mm between samples.

    A yes or no at samples would make the width of a narrow strip jump by their spacing as it slides.
    """
    return np.clip(0.5 + depth / blur, 0.0, 1.0)


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
    corners = np.array(bead.path)
    starts, sides = corners[:-1], np.diff(corners, axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    starts, sides, lengths = starts[lengths > 0], sides[lengths > 0], lengths[lengths > 0]
    marks = np.cumsum(lengths) - lengths
    along, distance = np.empty(len(points)), np.empty(len(points))
    tangents, signs = np.empty((len(points), 2)), np.empty(len(points))
    rows = max(1, PAIRS_AT_ONCE // len(starts))
    for first in range(0, len(points), rows):
        part = points[first : first + rows]
        to = part[:, None] - starts
        place = np.clip(np.einsum("ksx,sx->ks", to, sides) / lengths**2, 0.0, 1.0)
        gap = to - place[:, :, None] * sides
        square = np.einsum("ksx,ksx->ks", gap, gap)
        side, row = square.argmin(axis=1), np.arange(len(part))
        here = slice(first, first + len(part))
        along[here] = marks[side] + place[row, side] * lengths[side]
        distance[here] = np.sqrt(square[row, side])
        tangents[here] = sides[side] / lengths[side, None]
        nearest = gap[row, side]
        signs[here] = np.where(sides[side, 0] * nearest[:, 1] - sides[side, 1] * nearest[:, 0] >= 0, 1.0, -1.0)
    return along, distance, tangents, signs


def _in_rows(samples: ElementSamples, bead: Bead, path: LineString, plain: Coverage, gauge: float) -> Coverage:
    """Coverage counted in rows along the strip through a box about each triangle, with sides along and across it.

    Not in the triangle: neighbours along a strip must have the same share of it, as shares that change along it make
    the mean too soft along the strip and too stiff across.  A row is as flexible as the mean of its places, which bend
    in series; a place has 1 / (1 + BENDING_GAIN (depth / t)2) of the flat sheet's flexibility, so that a bead that ends
    in a triangle does not stiffen it up to its far side.  A bead that turns a corner does not end there: the other leg
    counts in full, since the raised corner carries the bending from one leg into the other.  In a curve the bead is as
    stiff as a shallower straight one.
    """
    x0, y0, x1, y1 = path.bounds
    reach = bead.die.width / 2
    at = samples.near(x0 - reach, y0 - reach, x1 + reach, y1 + reach, WINDOW - 1)
    _, distance, tangents, _ = _places(bead, path, samples.corners[at].mean(axis=1))
    close = distance < reach + WINDOW * np.ptp(samples.corners[at], axis=1).max(axis=1)
    at, tangents = at[close], tangents[close]
    # the mean direction of what the triangle has of the strip; beside the strip that of its nearest place
    double = BESIDE * np.column_stack([tangents[:, 0] ** 2 - tangents[:, 1] ** 2, 2 * tangents[:, 0] * tangents[:, 1]])
    part = np.searchsorted(at, plain.triangles)
    np.add.at(double, part, plain.direction * plain.share[:, None])
    angle = np.arctan2(double[:, 1], double[:, 0]) / 2
    s = np.column_stack([np.cos(angle), np.sin(angle)])
    n = np.column_stack([-s[:, 1], s[:, 0]])
    corners = samples.corners[at]
    by_s, by_n = np.einsum("mcx,mx->mc", corners, s), np.einsum("mcx,mx->mc", corners, n)
    q = (np.arange(BOX_SAMPLES) + 0.5) / BOX_SAMPLES
    columns = by_s.min(1)[:, None] + q * np.ptp(by_s, axis=1)[:, None]
    width = WINDOW * np.ptp(by_n, axis=1)
    rows = ((by_n.min(1) + by_n.max(1) - width) / 2)[:, None] + q * width[:, None]
    points = columns[:, None, :, None] * s[:, None, None, :] + rows[:, :, None, None] * n[:, None, None, :]
    along, distance, _, _ = _places(bead, path, points.reshape(-1, 2))
    shape = len(at), BOX_SAMPLES, BOX_SAMPLES
    blur = width / BOX_SAMPLES
    share = taper(bead.die, along, path.length, bead.closed) * depth_shares(bead, gauge, along)
    share = share.reshape(shape)
    weight = np.where(share > 0, _inside(bead.die.width / 2 - distance.reshape(shape), blur[:, None, None]), 0.0)
    share = np.where(weight > 0, share, 0.0)
    gain = BENDING_GAIN * (bead.die.depth / gauge) ** 2
    flexibility = (1 / (1 + gain * share**2)).mean(axis=2)
    by_row = np.sqrt(np.maximum(1 / flexibility - 1, 0) / gain)
    step = np.rint(TAPER_STEPS * by_row).astype(int)
    keys = np.arange(len(at))[:, None] * (TAPER_STEPS + 1) + step
    keys, key = np.unique(keys[step > 0], return_inverse=True)
    count = np.bincount(key, weight.max(axis=2)[step > 0], len(keys))
    triangle, depths = np.divmod(keys, TAPER_STEPS + 1)
    total = BESIDE + np.bincount(part, plain.share, len(at))
    norm = np.linalg.norm(double, axis=1) / total
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
    blur = np.repeat(samples.spacing[near], points.shape[1])
    opening, whole = _inside(inner - radius, blur), _inside(outer - radius, blur)
    depth = np.full(len(gap), TAPER_STEPS)
    parts = [
        _collect(near, points.shape[1], weight, depth, tangents, np.full(len(gap), kind))
        for kind, weight in ((STRIP, whole - opening), (OPENING, opening))
    ]
    ring, gap_in_it = parts
    return Coverage(
        np.concatenate([ring.triangles, gap_in_it.triangles]),
        np.concatenate([ring.share, gap_in_it.share]),
        np.concatenate([ring.taper, gap_in_it.taper]),
        np.concatenate([ring.direction, gap_in_it.direction]),
        np.concatenate([ring.kind, gap_in_it.kind]),
    )


def opening_coverage(samples: ElementSamples, region: shapely.Polygon) -> Coverage:
    """Coverage of a small opening that the mesh leaves out."""
    near = samples.near(*region.bounds)
    points = samples.points[near]
    flat = points.reshape(-1, 2)
    inside = shapely.contains_xy(region, flat[:, 0], flat[:, 1]).astype(float)
    zeros = np.zeros(len(flat), int)
    return _collect(
        near, points.shape[1], inside, zeros + TAPER_STEPS, np.tile([1.0, 0.0], (len(flat), 1)), zeros + OPENING
    )


def _collect(
    near: np.ndarray, per_triangle: int, weight: np.ndarray, depth: np.ndarray, tangents: np.ndarray, kind: np.ndarray
) -> Coverage:
    """Samples inside a shape, weighted from 0 to 1, gathered by triangle, depth and kind."""
    at = np.flatnonzero((weight > 0) & (depth > 0))
    owner = near[at // per_triangle]
    keys = (owner * (TAPER_STEPS + 1) + depth[at]) * 3 + kind[at]
    parts, part = np.unique(keys, return_inverse=True)
    own = weight[at]
    count = np.bincount(part, own, len(parts))
    c, s = tangents[at].T
    double = np.column_stack(
        [np.bincount(part, own * (c * c - s * s), len(parts)), np.bincount(part, own * 2 * c * s, len(parts))]
    )
    rest, kinds = np.divmod(parts, 3)
    triangles, depths = np.divmod(rest, TAPER_STEPS + 1)
    return Coverage(triangles, count / per_triangle, depths, double / count[:, None], kinds)

"""Where a mesh puts its points: rows along beads, rings of flared holes, the fill between.

All in plan, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon

from stiffen.model.layout import Bead, Hole
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import half_profile, profile_points

from .feature_lines import area_true_circle, area_true_radius_ratio, lip_polygon
from .size_field import MeshResolution, SizeField, graded_positions

SHARP_TURN = math.radians(10)  # a bead's path that turns more at a point gets a station there
FILL_CLEARANCE = 0.71  # a fill point so many sides from all others leaves every edge between those in place
LATTICE_SIZE_RATIO = 2**0.25  # each lattice serves sizes up to this factor finer or coarser


@dataclass(frozen=True, eq=False)
class StructuredPoints:
    """Points (n, 2) with the mesh size (n,) each stands for and the least distance (n,) to points already there.

    kept: (k, 2) pairs of points between which the mesh should have an edge.
    """

    points: np.ndarray
    sizes: np.ndarray
    clearance: np.ndarray
    soft_edges: np.ndarray

    def subset(self, mask: np.ndarray) -> StructuredPoints:
        """Those of a mask (n,), with the pairs that are left whole."""
        number = np.cumsum(mask) - 1
        kept = self.soft_edges[mask[self.soft_edges].all(axis=1)]
        return StructuredPoints(self.points[mask], self.sizes[mask], self.clearance[mask], number[kept])


def row_offsets(die: BeadDie, strips: int) -> np.ndarray:
    """Distances 0..w/2 from the axis of the rows on one side: `strips_per_half` strips, the edge of a flat top a row.

    Strips take shares of the developed length and of the turning, so that radii get their rows, blended with even
    ones, so that no two rows stand close.
    """
    points = profile_points(die)
    points = points[points[:, 0] >= 0]
    if points[0, 0] > 0:
        points = np.vstack([[0.0, points[0, 1]], points])
    step = np.diff(points, axis=0)
    length = np.linalg.norm(step, axis=1)
    turn = np.abs(np.diff(np.arctan2(step[:, 1], step[:, 0]), prepend=np.nan, append=np.nan))
    turn = (np.nan_to_num(turn[1:]) + np.nan_to_num(turn[:-1])) / 2
    share = length / length.sum() + turn / max(2 * turn.sum(), math.pi / 2)
    measure = np.append(0.0, np.cumsum(share))
    top = half_profile(die).half_top
    marks = np.array([0.0, die.width / 2] if top < 0.02 * die.width else [0.0, top, die.width / 2])
    shares = np.interp(marks, points[:, 0], measure)
    counts = [strips]
    if len(marks) == 3:
        inner = min(max(1, round(strips * shares[1] / shares[2])), strips - 1)
        counts = [inner, strips - inner]
    rows = [marks[:1]]
    for (a, b), (m, n), count in zip(pairwise(marks), pairwise(shares), counts, strict=True):
        shaped = np.interp(np.linspace(m, n, count + 1), measure, points[:, 0])
        rows.append(0.75 * shaped[1:] + 0.25 * np.linspace(a, b, count + 1)[1:])
    return np.concatenate(rows)


def bead_rows(bead: Bead, resolution: MeshResolution) -> StructuredPoints:
    """Points on the axis and on rows beside it out to both feet, in stations across; a row's edges are kept."""
    path = LineString(bead.path)
    offsets = row_offsets(bead.die, resolution.strips_per_half)
    offsets = np.concatenate([-offsets[:0:-1], offsets])
    across, least = bead.die.width / (2 * resolution.strips_per_half), np.diff(offsets).min()
    along = resolution.station_spacing(across, least)
    xy, sizes, row, place = _stations(bead, offsets, along, resolution)
    # beside a turn, stations of one leg reach into the other's side: a row's points keep the row's distance
    clear = shapely.distance(shapely.points(xy), path) >= 0.99 * np.abs(offsets[row]) - 1e-9
    xy, sizes, row, place = xy[clear], sizes[clear], row[clear], place[clear]
    stays = ~too_close_to_earlier(xy, np.minimum(0.45 * sizes, 0.6 * least))
    xy, sizes, row, place = xy[stays], sizes[stays], row[stays], place[stays]
    kept = []
    for number in range(len(offsets)):
        chain = np.flatnonzero(row == number)
        chain = chain[np.argsort(place[chain], kind="stable")]
        following = np.roll(chain, -1)
        last = len(chain) if bead.closed else -1
        kept.append(np.column_stack([chain, following])[:last])
    return StructuredPoints(xy, sizes, np.full(len(xy), 0.5 * across), np.concatenate(kept))


def row_lines(bead: Bead, resolution: MeshResolution) -> list[LineString]:
    """The rows as lines, to find where other lines cross them; turns sharper than a right angle are cut short."""
    offsets = row_offsets(bead.die, resolution.strips_per_half)
    axis = LineString(bead.path)
    sides = [s * sign for s in offsets[1:] for sign in (-1, 1)]
    return [axis, *(axis.offset_curve(s, join_style="mitre") for s in sides)]


def _stations(bead: Bead, offsets: np.ndarray, spacing: float, resolution: MeshResolution) -> tuple[np.ndarray, ...]:
    """Points, sizes, row numbers and places along the path, mm, of all stations; those at sharp turns first."""
    corners = np.asarray(bead.path, dtype=float)
    corners = corners[np.append(True, np.linalg.norm(np.diff(corners, axis=0), axis=1) > 1e-9)]
    step = np.diff(corners, axis=0)
    length = np.linalg.norm(step, axis=1)
    mark = np.append(0.0, np.cumsum(length))
    tangent = step / length[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    incoming = np.roll(tangent, 1, axis=0)
    turn = np.arctan2(incoming[:, 0] * tangent[:, 1] - incoming[:, 1] * tangent[:, 0], (incoming * tangent).sum(axis=1))
    if not bead.closed:
        turn[0] = 0.0
    sharp = np.flatnonzero(np.abs(turn) > SHARP_TURN)
    run = 0.0 if bead.closed else min(bead.die.run_out_length, mark[-1] / 2)
    stops = np.unique(np.concatenate([[0.0, mark[-1]], mark[sharp]]))
    places = [
        _station_positions(a, b, mark[-1], run, spacing, resolution) for a, b in zip(stops, stops[1:], strict=False)
    ]
    place = np.unique(np.concatenate(places))
    if bead.closed:
        place = place[:-1]
    place = place[~np.isin(place, mark[sharp])]
    leg = np.clip(np.searchsorted(mark, place, side="right") - 1, 0, len(step) - 1)
    axis = corners[leg] + (place - mark[leg])[:, None] * tangent[leg]
    regular = axis[:, None] + offsets[:, None] * normal[leg][:, None]
    size = _station_sizes(place, mark[-1], run, spacing, resolution)
    row = np.arange(len(offsets))
    points = [regular.reshape(-1, 2)]
    sizes, rows, at = (
        [np.repeat(size, len(offsets))],
        [np.tile(row, len(place))],
        [np.repeat(place, len(offsets))],
    )
    for corner in sharp:
        for number, s in enumerate(offsets):
            fan = _fan(corners[corner], math.atan2(*normal[corner][::-1]), turn[corner], s, spacing)
            points.insert(0, fan)
            sizes.insert(0, np.full(len(fan), spacing))
            rows.insert(0, np.full(len(fan), number))
            at.insert(0, mark[corner] + np.linspace(-1e-6, 1e-6, len(fan)))
    return np.concatenate(points), np.concatenate(sizes), np.concatenate(rows), np.concatenate(at)


def _fan(corner: np.ndarray, normal_angle: float, turn: float, offset: float, spacing: float) -> np.ndarray:
    """Points of a row `offset` at a turn of the path: one in the mitre inside it, an arc of them outside."""
    if offset * turn >= 0:
        return corner + np.array(
            [[math.cos(normal_angle - turn / 2), math.sin(normal_angle - turn / 2)]]
        ) * offset / math.cos(turn / 2)
    arc = 2 * abs(turn * offset) / spacing
    count = math.ceil(arc - 0.3) if arc > 0.8 else 0
    angles = normal_angle - turn * (np.linspace(1, 0, count + 1) if count else np.array([0.5]))
    return corner + offset * np.column_stack([np.cos(angles), np.sin(angles)])


def _station_sizes(
    positions: np.ndarray, length: float, run: float, spacing: float, resolution: MeshResolution
) -> np.ndarray:
    """Spacing of stations at places along a bead, mm: finer over the run-outs."""
    if not run:
        return np.full(len(positions), spacing)
    beyond = np.maximum(0.0, np.minimum(positions, length - positions) - run)
    return np.minimum(spacing, run / resolution.run_out_stations + resolution.growth_rate * beyond)


def _station_positions(
    start: float, end: float, length: float, run: float, spacing: float, resolution: MeshResolution
) -> np.ndarray:
    """Stations from one stop to the next; a run-out's end is one of them."""
    inner = [mark for mark in (run, length - run) if start + 1e-6 < mark < end - 1e-6]
    stops = [start, *inner, end]
    parts = []
    for a, b in zip(stops, stops[1:], strict=False):
        samples = np.linspace(a, b, 2 + math.ceil(8 * (b - a) / spacing))
        parts.append(graded_positions(samples, _station_sizes(samples, length, run, spacing, resolution)))
    return np.concatenate(parts)


def too_close_to_earlier(points: np.ndarray, clearance: np.ndarray) -> np.ndarray:
    """Mask (n,) of points nearer to an earlier one than the smaller reach of the two."""
    out = np.zeros(len(points), dtype=bool)
    if len(points):
        a, b = cKDTree(points).query_pairs(float(clearance.max()), output_type="ndarray").T
        near = np.linalg.norm(points[a] - points[b], axis=1) < np.minimum(clearance[a], clearance[b])
        out[b[near]] = True
    return out


def hole_rings(hole: Hole, resolution: MeshResolution) -> StructuredPoints:
    """Rings over a flared hole's cone from above the lip to the fold circle; their edges are kept."""
    count = len(lip_polygon(hole, resolution))
    inner, outer = hole.die.finished / 2, hole.die.flange / 2
    radii = np.linspace(inner, outer, resolution.cone_rings + 1)[1:]
    points = np.concatenate([area_true_circle(*hole.at, radius, count) for radius in radii])
    ring = np.arange(count) + count * np.arange(len(radii))[:, None]
    across = (outer - inner) / resolution.cone_rings
    size = 2 * math.pi * outer / count
    return StructuredPoints(
        points,
        np.full(len(points), size),
        np.full(len(points), 0.5 * min(across, size)),
        np.column_stack([ring.ravel(), np.roll(ring, -1, axis=1).ravel()]),
    )


def cone_radius(hole: Hole, resolution: MeshResolution, points: np.ndarray) -> np.ndarray:
    """Distances (n,) from a flared hole's centre, mm, as if its polygons' corners lay on their circles."""
    count = len(lip_polygon(hole, resolution))
    return np.hypot(*(points - hole.at).T) / area_true_radius_ratio(count)


def fill_points(region: Polygon, field: SizeField, existing: np.ndarray) -> np.ndarray:
    """Fill (k, 2): triangular lattices of falling side, each where the size field asks for it, clear of `taken`."""
    fill: list[np.ndarray] = []
    for points, size in reversed(_lattice_levels(region, field)):
        tree = cKDTree(np.concatenate([existing, *fill]))
        free = tree.query(points, distance_upper_bound=field.side)[0] >= FILL_CLEARANCE * size
        fill.append(points[free])
    return np.concatenate([np.zeros((0, 2)), *fill])


def _lattice_levels(region: Polygon, field: SizeField) -> list[tuple[np.ndarray, np.ndarray]]:
    """Lattice points inside the region and their sizes, a pair for each lattice, coarse to fine."""
    side, cell = field.side, 4 * field.side
    x0, y0, x1, y1 = region.bounds
    corner = np.stack(np.meshgrid(np.arange(x0, x1, cell), np.arange(y0, y1, cell)), axis=-1).reshape(-1, 2)
    shapely.prepare(region)
    levels = []
    while len(corner) and side >= field.smallest / 2:
        middle = shapely.points(corner + cell / 2)
        corner = corner[shapely.dwithin(region, middle, 0.71 * cell)]
        wanted = field(corner + cell / 2) - field.growth_rate * 0.71 * cell
        for _ in range(2):
            served = corner[wanted < side * LATTICE_SIZE_RATIO]
            points = _lattice_points(served, cell, side)
            size = field(points)
            fits = (size < side * LATTICE_SIZE_RATIO) & (size >= side / LATTICE_SIZE_RATIO)
            points, size = points[fits], size[fits]
            inside = shapely.contains_xy(region, *points.T)
            levels.append((points[inside], size[inside]))
            side /= math.sqrt(2)
        cell /= 2
        corner = corner[wanted < side * LATTICE_SIZE_RATIO]
        corner = (corner[:, None] + cell * np.array([[0, 0], [1, 0], [0, 1], [1, 1]])).reshape(-1, 2)
    return levels


def _lattice_points(corner: np.ndarray, cell: float, side: float) -> np.ndarray:
    """Points of the triangular lattice of a side that lie in square cells (k, 2 lower left corners)."""
    rise = side * math.sqrt(3) / 2
    rows, columns = math.ceil(cell / rise) + 1, math.ceil(cell / side) + 1
    j = np.ceil(corner[:, 1, None] / rise) + np.arange(rows)
    shift = np.where(j % 2 == 0, 0.0, 0.5)
    i = np.ceil(corner[:, 0, None] / side - shift)[:, :, None] + np.arange(columns)
    x, y = (i + shift[:, :, None]) * side, np.broadcast_to((j * rise)[:, :, None], i.shape)
    inside = (x <= corner[:, 0, None, None] + cell) & (y <= corner[:, 1, None, None] + cell)
    # points on the border of cells come from both sides: their numbers in the lattice tell them apart
    number = (np.broadcast_to(j[:, :, None], i.shape) * 2.0**24 + i)[inside]
    _, first = np.unique(number, return_index=True)
    return np.column_stack([x[inside], y[inside]])[first]

"""Point placement: structured points in rows along beads and rings over flared holes; fill points in between.

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

SHARP_TURN = math.radians(10)  # a station is placed where a bead's path turns by more than this
FILL_CLEARANCE = (
    0.71  # least distance of a fill point from others, over the element size: keeps edges between those Delaunay
)
LATTICE_SIZE_RATIO = (
    2**0.25
)  # greatest ratio of the wanted size to the side of the lattice that fills a place, or of the side to the size


@dataclass(frozen=True, eq=False)
class StructuredPoints:
    """Points (n, 2) with their element size (n,) and least clearance (n,) from points already placed, mm.

    soft_edges: (k, 2) pairs of points between which the mesh should have an edge, though it need not.
    """

    points: np.ndarray
    sizes: np.ndarray
    clearance: np.ndarray
    soft_edges: np.ndarray

    def subset(self, mask: np.ndarray) -> StructuredPoints:
        """The points of a mask (n,), with the soft edges between them."""
        new_index = np.cumsum(mask) - 1
        soft_edges = self.soft_edges[mask[self.soft_edges].all(axis=1)]
        return StructuredPoints(self.points[mask], self.sizes[mask], self.clearance[mask], new_index[soft_edges])


def row_offsets(die: BeadDie, strips: int) -> np.ndarray:
    """(strips + 1,) distances of rows from the axis, 0 to width/2, mm; the edge of a flat top is a row.

    Rows divide the developed length and the angle of turn evenly, so that radii are resolved; a share of even spacing
    keeps rows from lying too close.
    """
    points = profile_points(die)
    points = points[points[:, 0] >= 0]
    if points[0, 0] > 0:
        points = np.vstack([[0.0, points[0, 1]], points])
    step = np.diff(points, axis=0)
    length = np.linalg.norm(step, axis=1)
    bend = np.abs(np.diff(np.arctan2(step[:, 1], step[:, 0]), prepend=np.nan, append=np.nan))
    bend = (np.nan_to_num(bend[1:]) + np.nan_to_num(bend[:-1])) / 2
    share = length / length.sum() + bend / max(2 * bend.sum(), math.pi / 2)
    cumulative = np.append(0.0, np.cumsum(share))
    top = half_profile(die).half_top
    stops = np.array([0.0, die.width / 2] if top < 0.02 * die.width else [0.0, top, die.width / 2])
    shares = np.interp(stops, points[:, 0], cumulative)
    counts = [strips]
    if len(stops) == 3:
        inner = min(max(1, round(strips * shares[1] / shares[2])), strips - 1)
        counts = [inner, strips - inner]
    rows = [stops[:1]]
    for (a, b), (m, n), count in zip(pairwise(stops), pairwise(shares), counts, strict=True):
        by_shape = np.interp(np.linspace(m, n, count + 1), cumulative, points[:, 0])
        rows.append(0.75 * by_shape[1:] + 0.25 * np.linspace(a, b, count + 1)[1:])
    return np.concatenate(rows)


def bead_rows(bead: Bead, resolution: MeshResolution) -> StructuredPoints:
    """Structured points of a bead: stations across it, each with a point on every row; soft edges along the rows."""
    path = LineString(bead.path)
    offsets = row_offsets(bead.die, resolution.strips_per_half)
    offsets = np.concatenate([-offsets[:0:-1], offsets])
    mean_pitch, min_pitch = bead.die.width / (2 * resolution.strips_per_half), np.diff(offsets).min()
    spacing = resolution.station_spacing(mean_pitch, min_pitch)
    xy, sizes, row, position = _stations(bead, offsets, spacing, resolution)
    # beside a turn, stations of one leg overlap the other leg: keep only points at their row's distance from the path
    clear = shapely.distance(shapely.points(xy), path) >= 0.99 * np.abs(offsets[row]) - 1e-9
    xy, sizes, row, position = xy[clear], sizes[clear], row[clear], position[clear]
    keep = ~too_close_to_earlier(xy, np.minimum(0.45 * sizes, 0.6 * min_pitch))
    xy, sizes, row, position = xy[keep], sizes[keep], row[keep], position[keep]
    soft_edges = []
    for number in range(len(offsets)):
        chain = np.flatnonzero(row == number)
        chain = chain[np.argsort(position[chain], kind="stable")]
        following = np.roll(chain, -1)
        last = len(chain) if bead.closed else -1
        soft_edges.append(np.column_stack([chain, following])[:last])
    return StructuredPoints(xy, sizes, np.full(len(xy), 0.5 * mean_pitch), np.concatenate(soft_edges))


def row_lines(bead: Bead, resolution: MeshResolution) -> list[LineString]:
    """The rows as lines, to find their crossings with other lines; mitres sharper than a right angle are cut off."""
    offsets = row_offsets(bead.die, resolution.strips_per_half)
    axis = LineString(bead.path)
    sides = [s * sign for s in offsets[1:] for sign in (-1, 1)]
    return [axis, *(axis.offset_curve(s, join_style="mitre") for s in sides)]


def _stations(bead: Bead, offsets: np.ndarray, spacing: float, resolution: MeshResolution) -> tuple[np.ndarray, ...]:
    """Points, sizes, row indices and positions along the path, mm, of all stations; those at sharp turns first."""
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
    run_out = 0.0 if bead.closed else min(bead.die.run_out_length, mark[-1] / 2)
    stops = np.unique(np.concatenate([[0.0, mark[-1]], mark[sharp]]))
    positions = [
        _station_positions(a, b, mark[-1], run_out, spacing, resolution) for a, b in zip(stops, stops[1:], strict=False)
    ]
    position = np.unique(np.concatenate(positions))
    if bead.closed:
        position = position[:-1]
    position = position[~np.isin(position, mark[sharp])]
    leg = np.clip(np.searchsorted(mark, position, side="right") - 1, 0, len(step) - 1)
    axis = corners[leg] + (position - mark[leg])[:, None] * tangent[leg]
    regular = axis[:, None] + offsets[:, None] * normal[leg][:, None]
    size = _station_sizes(position, mark[-1], run_out, spacing, resolution)
    row = np.arange(len(offsets))
    points = [regular.reshape(-1, 2)]
    sizes, rows, station_positions = (
        [np.repeat(size, len(offsets))],
        [np.tile(row, len(position))],
        [np.repeat(position, len(offsets))],
    )
    for corner in sharp:
        for number, offset in enumerate(offsets):
            fan = _fan(corners[corner], math.atan2(*normal[corner][::-1]), turn[corner], offset, spacing)
            points.insert(0, fan)
            sizes.insert(0, np.full(len(fan), spacing))
            rows.insert(0, np.full(len(fan), number))
            station_positions.insert(0, mark[corner] + np.linspace(-1e-6, 1e-6, len(fan)))
    return np.concatenate(points), np.concatenate(sizes), np.concatenate(rows), np.concatenate(station_positions)


def _fan(corner: np.ndarray, normal_angle: float, turn: float, offset: float, spacing: float) -> np.ndarray:
    """Points of the row at `offset` mm at a turn of the path: one on the mitre on the inside, an arc on the outside."""
    if offset * turn >= 0:
        bisector = np.array([[math.cos(normal_angle - turn / 2), math.sin(normal_angle - turn / 2)]])
        return corner + bisector * offset / math.cos(turn / 2)
    arc = 2 * abs(turn * offset) / spacing
    count = math.ceil(arc - 0.3) if arc > 0.8 else 0
    angles = normal_angle - turn * (np.linspace(1, 0, count + 1) if count else np.array([0.5]))
    return corner + offset * np.column_stack([np.cos(angles), np.sin(angles)])


def _station_sizes(
    positions: np.ndarray, length: float, run_out: float, spacing: float, resolution: MeshResolution
) -> np.ndarray:
    """Wanted spacing of stations at positions along a bead, mm: finer over the run-outs."""
    if not run_out:
        return np.full(len(positions), spacing)
    beyond = np.maximum(0.0, np.minimum(positions, length - positions) - run_out)
    return np.minimum(spacing, run_out / resolution.run_out_stations + resolution.growth_rate * beyond)


def _station_positions(
    start: float, end: float, length: float, run_out: float, spacing: float, resolution: MeshResolution
) -> np.ndarray:
    """Positions of stations from `start` to `end`, mm; the end of a run-out is one of them."""
    inner = [mark for mark in (run_out, length - run_out) if start + 1e-6 < mark < end - 1e-6]
    stops = [start, *inner, end]
    parts = []
    for a, b in zip(stops, stops[1:], strict=False):
        samples = np.linspace(a, b, 2 + math.ceil(8 * (b - a) / spacing))
        parts.append(graded_positions(samples, _station_sizes(samples, length, run_out, spacing, resolution)))
    return np.concatenate(parts)


def too_close_to_earlier(points: np.ndarray, clearance: np.ndarray) -> np.ndarray:
    """(n,) bool: points nearer to an earlier point than the smaller clearance of the two."""
    too_close = np.zeros(len(points), dtype=bool)
    if len(points):
        a, b = cKDTree(points).query_pairs(float(clearance.max()), output_type="ndarray").T
        near = np.linalg.norm(points[a] - points[b], axis=1) < np.minimum(clearance[a], clearance[b])
        too_close[b[near]] = True
    return too_close


def hole_rings(hole: Hole, resolution: MeshResolution) -> StructuredPoints:
    """Structured points of a flared hole: rings over its cone, from next to the lip to the fold circle."""
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
    """(n,) distances of points (n, 2) from a flared hole's centre, mm, scaled: polygon corners lie on circles."""
    count = len(lip_polygon(hole, resolution))
    return np.hypot(*(points - hole.at).T) / area_true_radius_ratio(count)


def fill_points(region: Polygon, field: SizeField, existing: np.ndarray) -> np.ndarray:
    """Fill points (k, 2): triangular lattices of several sides, each where its size is wanted, clear of `existing`."""
    fill: list[np.ndarray] = []
    for points, size in reversed(_lattice_levels(region, field)):
        tree = cKDTree(np.concatenate([existing, *fill]))
        clear = tree.query(points, distance_upper_bound=field.side)[0] >= FILL_CLEARANCE * size
        fill.append(points[clear])
    return np.concatenate([np.zeros((0, 2)), *fill])


def _lattice_levels(region: Polygon, field: SizeField) -> list[tuple[np.ndarray, np.ndarray]]:
    """Lattice points inside the region and their wanted sizes, a pair for each lattice, coarse to fine."""
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
            matches = (size < side * LATTICE_SIZE_RATIO) & (size >= side / LATTICE_SIZE_RATIO)
            points, size = points[matches], size[matches]
            inside = shapely.contains_xy(region, *points.T)
            levels.append((points[inside], size[inside]))
            side /= math.sqrt(2)
        cell /= 2
        corner = corner[wanted < side * LATTICE_SIZE_RATIO]
        corner = (corner[:, None] + cell * np.array([[0, 0], [1, 0], [0, 1], [1, 1]])).reshape(-1, 2)
    return levels


def _lattice_points(corner: np.ndarray, cell: float, side: float) -> np.ndarray:
    """Points of the triangular lattice of a side inside square cells, given by their lower left corners (k, 2)."""
    rise = side * math.sqrt(3) / 2
    rows, columns = math.ceil(cell / rise) + 1, math.ceil(cell / side) + 1
    j = np.ceil(corner[:, 1, None] / rise) + np.arange(rows)
    shift = np.where(j % 2 == 0, 0.0, 0.5)
    i = np.ceil(corner[:, 0, None] / side - shift)[:, :, None] + np.arange(columns)
    x, y = (i + shift[:, :, None]) * side, np.broadcast_to((j * rise)[:, :, None], i.shape)
    inside = (x <= corner[:, 0, None, None] + cell) & (y <= corner[:, 1, None, None] + cell)
    # points on a border between cells come twice: unique by their lattice indices
    index = (np.broadcast_to(j[:, :, None], i.shape) * 2.0**24 + i)[inside]
    _, first = np.unique(index, return_index=True)
    return np.column_stack([x[inside], y[inside]])[first]

"""Feature lines, which become mesh edges: outline, rims of cut-outs and flared holes, folds, supports, line loads.

They form a planar straight-line graph in plan, mm, with chords for curves.  A line within SNAP_DISTANCE of the outline
lies on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiLineString, Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.errors import Fault, MeshError
from stiffen.model.layout import Hole, Layout, Point
from stiffen.model.panel import Cutout, Panel

from .size_field import MeshResolution, SizeField, graded_positions

SNAP_DISTANCE = 0.05  # mm: lines nearer than this coincide
OVERLAP_RATIO = (
    20  # a line near another over more than this many snap distances runs along it; over fewer it crosses it
)


@dataclass(frozen=True, eq=False)
class PlanarStraightLineGraph:
    """points (n, 2) mm; segments (m, 2) point indices; region: the sheet in plan with chords for curves."""

    points: np.ndarray
    segments: np.ndarray
    region: Polygon

    @property
    def lines(self) -> MultiLineString:
        """All segments as one geometry."""
        return shapely.multilinestrings(shapely.linestrings(self.points[self.segments]))


def area_true_radius_ratio(count: int) -> float:
    """Radius of a regular polygon of `count` corners over the radius of the circle of the same area."""
    angle = 2 * math.pi / count
    return math.sqrt(angle / math.sin(angle))


def circle_corners(radius: float, resolution: MeshResolution) -> int:
    """Number of corners for a circle: a multiple of 4; chords stay within half the chord error on either side."""
    by_chord = math.pi / math.sqrt(4 * resolution.chord_error / radius)
    return max(
        resolution.circle_corners, 4 * math.ceil(max(by_chord, 2 * math.pi * radius / resolution.side) / 4 - 1e-9)
    )


def area_true_circle(x: float, y: float, radius: float, count: int) -> np.ndarray:
    """(count, 2) corners of a regular polygon with the area of the circle, counter-clockwise."""
    angle = 2 * np.pi * np.arange(count) / count
    return np.array([x, y]) + radius * area_true_radius_ratio(count) * np.column_stack([np.cos(angle), np.sin(angle)])


def lip_polygon(hole: Hole, resolution: MeshResolution) -> np.ndarray:
    """(k, 2) plan polygon of a flared hole's lip."""
    radius = hole.die.finished / 2
    return area_true_circle(*hole.at, radius, circle_corners(hole.die.flange / 2, resolution))


def valid_region(panel: Panel) -> Polygon:
    """The panel's region; raises MeshError where its rings cross."""
    if not panel.region.is_valid:
        reason = shapely.is_valid_reason(panel.region)
        raise MeshError(str(Fault("outline", reason, "draw rings that do not cross or touch")))
    return panel.region


def plan_region(panel: Panel, layout: Layout, resolution: MeshResolution) -> Polygon:
    """The sheet in plan: the outline without cut-outs and without the openings of flared holes; chords for curves.

    Raises MeshError where a flared hole is not inside the sheet, or meets another.
    """
    for chord in (resolution.chord_error, resolution.chord_error / 10, 0.0):
        region = Polygon(
            _simplified_ring(panel.outline, chord), [_cutout_ring(cut, chord, resolution) for cut in panel.cutouts]
        )
        if region.is_valid:
            break
    lips: list = []
    for number, hole in enumerate(layout.holes, 1):
        ring = lip_polygon(hole, resolution)
        x, y = hole.at
        where = f"flared hole {number} ({hole.die.name}) at ({x:g}, {y:g})"
        if not region.contains(Polygon(ring)):
            raise MeshError(str(Fault(where, "its lip does not lie in the sheet", "move it inward")))
        if any(Polygon(ring).intersects(Polygon(other)) for other in lips):
            raise MeshError(str(Fault(where, "its lip meets another hole's", "move them apart")))
        lips.append(ring)
    rings = [ring.coords for ring in region.interiors]
    return shapely.orient_polygons(Polygon(region.exterior.coords, rings + lips))


def _cutout_ring(cutout: Cutout, chord_error: float, resolution: MeshResolution) -> np.ndarray:
    """(k, 2) corners of a cut-out's rim."""
    if cutout.circle is None:
        return _simplified_ring(cutout.ring, chord_error)
    x, y, diameter = cutout.circle
    return area_true_circle(x, y, diameter / 2, circle_corners(diameter / 2, resolution))


def _simplified_ring(ring: tuple[Point, ...], chord_error: float) -> np.ndarray:
    """(k, 2) corners of a ring, simplified so that chords stay within `chord_error` mm of it (Douglas-Peucker)."""
    points = np.asarray(ring, dtype=float)
    if np.array_equal(points[0], points[-1]):
        points = points[:-1]
    # simplification always keeps the ends: start at the point farthest from the middle, which is a true corner
    start = np.linalg.norm(points - points.mean(axis=0), axis=1).argmax()
    points = np.roll(points, -start, axis=0)
    line = LineString(np.vstack([points, points[:1]])).simplify(chord_error, preserve_topology=False)
    return np.array(line.coords)[:-1] if len(line.coords) > 3 else points


def required_paths(panel: Panel) -> tuple[tuple[Point, ...], ...]:
    """Paths along which node chains are needed: supports, line loads, trims; each once, in file order."""
    supported = (support.path for support in panel.supports if support.kind not in ("rivets", "bolts"))
    loaded = (load.path for load in panel.loads)
    trimmed = (trim.path for trim in panel.trims)
    return tuple(dict.fromkeys(path for path in (*supported, *loaded, *trimmed) if path is not None))


def build_line_graph(
    panel: Panel,
    region: Polygon,
    resolution: MeshResolution,
    fold_lines: Sequence[tuple[str, tuple[Point, ...]]] = (),
) -> PlanarStraightLineGraph:
    """Graph of the outline and rims of `region`, fold lines and required paths, split at all crossings.

    fold_lines: names and lines of the sharp folds; the rows of a bend of large radius are not lines of the graph.
    Raises MeshError for a path or fold line that does not touch the sheet.
    """
    tolerance = SNAP_DISTANCE + resolution.chord_error
    named_paths: list[tuple[str, tuple[Point, ...]]] = [*fold_lines]
    named_paths += [(f"path from ({p[0][0]:g}, {p[0][1]:g})", p) for p in required_paths(panel)]
    lines: list[BaseGeometry] = [region.boundary]
    snapped_ends: list[tuple[float, float]] = []
    for where, path in named_paths:
        line = LineString(path).simplify(0.2 * resolution.chord_error)
        if not line.length or not shapely.dwithin(region, line, tolerance):
            raise MeshError(str(Fault(where, "does not lie on the sheet", "draw it across the sheet")))
        existing = shapely.union_all([other for other in lines if shapely.dwithin(other, line, tolerance)])
        pieces, ends_on_existing = _overlay(line, existing, tolerance)
        snapped_ends += ends_on_existing
        lines += [piece for piece in (shapely.intersection(p, region) for p in pieces) if piece.length]
    noded = shapely.union_all(lines, grid_size=1e-6) if len(lines) > 1 else region.boundary
    graph = PlanarStraightLineGraph(*_points_and_segments(noded, region, tolerance), region)
    return split_at_points(graph, np.array(snapped_ends).reshape(-1, 2), SNAP_DISTANCE) if snapped_ends else graph


def _overlay(
    line: LineString, base: BaseGeometry, tolerance: float
) -> tuple[list[LineString], list[tuple[float, float]]]:
    """Parts of a line away from the lines `base` already there, their near ends snapped onto it.

    Returns also the line's own ends that lie on `base`.
    """
    if base.is_empty:
        return [line], []
    coords = np.array(line.coords)
    near = shapely.dwithin(shapely.points(coords), base, tolerance)
    coords[near] = _nearest_points(coords[near], base)
    ends = [] if line.is_closed else [tuple(xy) for xy in coords[[0, -1]][near[[0, -1]]]]
    line = LineString(coords)
    band = base.buffer(tolerance, quad_segs=4)
    inside = shapely.get_parts(line.intersection(band))
    along = inside[shapely.length(inside) > OVERLAP_RATIO * tolerance]
    if not len(along):
        return [line], ends
    crossing = inside[shapely.length(inside) <= OVERLAP_RATIO * tolerance]
    rest = shapely.line_merge(shapely.union_all([line.difference(band), *crossing]))
    pieces = []
    for piece in shapely.get_parts(rest):
        if piece.length > 3 * tolerance:
            coords = np.array(piece.coords)
            tips = [tip for tip in (0, -1) if shapely.dwithin(shapely.points(coords[tip]), base, 1.01 * tolerance)]
            coords[tips] = _nearest_points(coords[tips], base)
            pieces.append(LineString(coords))
    return pieces, ends


def _nearest_points(points: np.ndarray, base: BaseGeometry) -> np.ndarray:
    """Nearest points (k, 2) of `base` to points (k, 2)."""
    shortest = shapely.shortest_line(shapely.points(points), base)
    return shapely.get_coordinates(shortest).reshape(-1, 2, 2)[:, 1]


def _points_and_segments(lines: BaseGeometry, region: Polygon, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2) and segments (m, 2) of lines that are split at their crossings.

    Points within `tolerance` mm of one another are merged; corners of the region stay separate and do not move.
    """
    coords, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    is_corner = cKDTree(shapely.get_coordinates(region)).query(coords)[0] < 1e-5
    a, b = cKDTree(coords).query_pairs(tolerance, output_type="ndarray").T
    merged = ~(is_corner[a] & is_corner[b]) | (np.linalg.norm(coords[a] - coords[b], axis=1) < 1e-5)
    graph = coo_matrix((np.ones(merged.sum()), (a[merged], b[merged])), shape=(len(coords),) * 2)
    count, group = connected_components(graph, directed=False)
    first = np.full(count, len(coords))
    order = np.argsort(~is_corner, kind="stable")
    np.minimum.at(first, group[order], np.arange(len(coords)))
    joined = np.flatnonzero(line[1:] == line[:-1])
    segments = np.column_stack([group[joined], group[joined + 1]])
    segments = np.unique(np.sort(segments[segments[:, 0] != segments[:, 1]], axis=1), axis=0)
    return coords[order][first], segments


def split_at_points(graph: PlanarStraightLineGraph, extra: np.ndarray, min_distance: float) -> PlanarStraightLineGraph:
    """The graph with its segments split at points `extra` (k, 2), except within `min_distance` mm of another point."""
    points, segments = graph.points, graph.segments
    lines = shapely.linestrings(points[segments])
    nearest = shapely.STRtree(lines).nearest(shapely.points(extra))
    position = shapely.line_locate_point(lines[nearest], shapely.points(extra))
    length = shapely.length(lines)
    added: list[np.ndarray] = []
    new_segments: list[np.ndarray] = []
    is_split = np.zeros(len(segments), dtype=bool)
    for segment in np.unique(nearest):
        positions, previous = [], 0.0
        for x in np.sort(position[nearest == segment]):
            if x - previous >= min_distance and length[segment] - x >= min_distance:
                positions.append(x)
                previous = x
        if positions:
            a, b = segments[segment]
            number = len(points) + len(added) + np.arange(len(positions))
            added += list(points[a] + np.outer(np.array(positions) / length[segment], points[b] - points[a]))
            chain = np.concatenate([[a], number, [b]])
            new_segments.append(np.column_stack([chain[:-1], chain[1:]]))
            is_split[segment] = True
    if not added:
        return graph
    return PlanarStraightLineGraph(
        np.vstack([points, added]), np.concatenate([segments[~is_split], *new_segments]), graph.region
    )


def edges_on_path(points: np.ndarray, edges: np.ndarray, path: tuple[Point, ...], tolerance: float) -> np.ndarray:
    """(m,) bool: edges (m, 2) of which both ends and the middle lie within `tolerance` mm of a path."""
    line = LineString(path)
    shapely.prepare(line)
    near = shapely.dwithin(line, shapely.points(points), tolerance)
    middle = points[edges].mean(axis=1)
    return near[edges].all(axis=1) & shapely.dwithin(line, shapely.points(middle), tolerance)


def subdivide(graph: PlanarStraightLineGraph, field: SizeField) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2), those of the graph first, and edges (k, 2): the segments divided as the size field asks."""
    points, segments = graph.points, graph.segments
    start, end = points[segments[:, 0]], points[segments[:, 1]]
    length = np.linalg.norm(end - start, axis=1)
    owner, position, sizes = _sample_sizes(start, (end - start) / length[:, None], length, field)
    first = np.searchsorted(owner, np.arange(len(segments) + 1))
    long = length > 1.2 * np.minimum.reduceat(sizes, first[:-1])
    added, edges, count = [points], [segments[~long]], len(points)
    for i in np.flatnonzero(long):
        part = slice(first[i], first[i + 1])
        positions = graded_positions(position[part], sizes[part])[1:-1]
        added.append(start[i] + np.outer(positions / length[i], end[i] - start[i]))
        chain = np.concatenate([segments[i, :1], count + np.arange(len(positions)), segments[i, 1:]])
        edges.append(np.column_stack([chain[:-1], chain[1:]]))
        count += len(positions)
    return np.concatenate(added), np.concatenate(edges)


def _sample_sizes(
    start: np.ndarray, direction: np.ndarray, length: np.ndarray, field: SizeField
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples of the size field along lines, no farther apart than the size there: line index, position mm, size mm."""
    counts = np.maximum(3, np.ceil(length / field.side).astype(int) + 1)
    owner = np.repeat(np.arange(len(length)), counts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    position = length[owner] * step / (counts[owner] - 1)
    sizes = field(start[owner] + position[:, None] * direction[owner])
    while True:
        gap = np.diff(position)
        too_wide = np.flatnonzero((owner[1:] == owner[:-1]) & (gap > np.minimum(sizes[1:], sizes[:-1])))
        if not len(too_wide):
            return owner, position, sizes
        middle = position[too_wide] + gap[too_wide] / 2
        between = field(start[owner[too_wide]] + middle[:, None] * direction[owner[too_wide]])
        position = np.insert(position, too_wide + 1, middle)
        sizes = np.insert(sizes, too_wide + 1, between)
        owner = np.insert(owner, too_wide + 1, owner[too_wide])

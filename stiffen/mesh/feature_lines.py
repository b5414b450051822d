"""The lines a mesh must keep: outline, rims of cut-outs and flared holes, fold lines, supported and loaded paths.

All in plan, mm.  Curves are chords here; lines that run along the outline within SNAP lie on it.
"""

from __future__ import annotations

import math
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

SNAP_DISTANCE = 0.05  # mm: lines nearer than this are one
OVERLAP_RATIO = 20  # a line that stays near another for so many times the snap distance runs along it, else it crosses


@dataclass(frozen=True, eq=False)
class PlanarStraightLineGraph:
    """points (n, 2) mm; segments (m, 2) point numbers; region: the sheet in plan with chords for curves."""

    points: np.ndarray
    segments: np.ndarray
    region: Polygon

    @property
    def lines(self) -> MultiLineString:
        """All segments as one geometry."""
        return shapely.multilinestrings(shapely.linestrings(self.points[self.segments]))


def area_true_radius_ratio(count: int) -> float:
    """Radius of the regular polygon of `count` corners that has the area of a circle, over the circle's radius."""
    turn = 2 * math.pi / count
    return math.sqrt(turn / math.sin(turn))


def circle_corners(radius: float, resolution: MeshResolution) -> int:
    """Corners of the polygon for a circle: a multiple of 4, chords within half the chord error to either side."""
    by_chord = math.pi / math.sqrt(4 * resolution.chord_error / radius)
    return max(12, 4 * math.ceil(max(by_chord, 2 * math.pi * radius / resolution.side) / 4 - 1e-9))


def area_true_circle(x: float, y: float, radius: float, count: int) -> np.ndarray:
    """(count, 2) corners of the area-true polygon of a circle, counter-clockwise."""
    turn = 2 * np.pi * np.arange(count) / count
    return np.array([x, y]) + radius * area_true_radius_ratio(count) * np.column_stack([np.cos(turn), np.sin(turn)])


def lip_polygon(hole: Hole, resolution: MeshResolution) -> np.ndarray:
    """(k, 2) plan polygon of a flared hole's lip."""
    radius = hole.die.finished / 2
    return area_true_circle(*hole.at, radius, circle_corners(hole.die.flange / 2, resolution))


def valid_region(panel: Panel) -> Polygon:
    """The panel's region.  Raises MeshError where its rings cross."""
    if not panel.region.is_valid:
        what = shapely.is_valid_reason(panel.region)
        raise MeshError(str(Fault("outline", what, "draw rings that do not cross or touch")))
    return panel.region


def plan_region(panel: Panel, layout: Layout, resolution: MeshResolution) -> Polygon:
    """The sheet in plan: outline less cut-outs less the lips' openings, curves as chords.

    Raises MeshError where a flared hole does not lie in the sheet.
    """
    for chord in (resolution.chord_error, resolution.chord_error / 10, 0.0):
        sheet = Polygon(
            _simplified_ring(panel.outline, chord), [_cutout_ring(cut, chord, resolution) for cut in panel.cutouts]
        )
        if sheet.is_valid:
            break
    lips: list = []
    for number, hole in enumerate(layout.holes, 1):
        ring = lip_polygon(hole, resolution)
        x, y = hole.at
        where = f"flared hole {number} ({hole.die.name}) at ({x:g}, {y:g})"
        if not sheet.contains(Polygon(ring)):
            raise MeshError(str(Fault(where, "its lip does not lie in the sheet", "move it inward")))
        if any(Polygon(ring).intersects(Polygon(other)) for other in lips):
            raise MeshError(str(Fault(where, "its lip meets another hole's", "move them apart")))
        lips.append(ring)
    rings = [ring.coords for ring in sheet.interiors]
    return shapely.orient_polygons(Polygon(sheet.exterior.coords, rings + lips))


def _cutout_ring(cutout: Cutout, chord_error: float, resolution: MeshResolution) -> np.ndarray:
    if cutout.circle is None:
        return _simplified_ring(cutout.ring, chord_error)
    x, y, diameter = cutout.circle
    return area_true_circle(x, y, diameter / 2, circle_corners(diameter / 2, resolution))


def _simplified_ring(ring: tuple[Point, ...], chord_error: float) -> np.ndarray:
    """The corners of a ring that its chords need to stay within `chord_error` mm of it (Douglas-Peucker)."""
    points = np.asarray(ring, dtype=float)
    if np.array_equal(points[0], points[-1]):
        points = points[:-1]
    # the end of a ring is never dropped, so let it be a point that must stay: the farthest from the middle
    start = np.linalg.norm(points - points.mean(axis=0), axis=1).argmax()
    points = np.roll(points, -start, axis=0)
    line = LineString(np.vstack([points, points[:1]])).simplify(chord_error, preserve_topology=False)
    return np.array(line.coords)[:-1] if len(line.coords) > 3 else points


def required_paths(panel: Panel) -> tuple[tuple[Point, ...], ...]:
    """Paths whose nodes are asked for: of edges and rests, of line loads, of trims; each once, in file order."""
    held = (support.path for support in panel.supports if support.kind not in ("rivets", "bolts"))
    loaded = (load.path for load in panel.loads)
    trimmed = (trim.path for trim in panel.trims)
    return tuple(dict.fromkeys(path for path in (*held, *loaded, *trimmed) if path is not None))


def build_line_graph(panel: Panel, region: Polygon, resolution: MeshResolution) -> PlanarStraightLineGraph:
    """The outline and rims of `region`, with fold lines and wanted paths laid over them and cut at all crossings.

    Raises MeshError for a path or fold line that does not touch the sheet.
    """
    reach = SNAP_DISTANCE + resolution.chord_error
    named: list[tuple[str, tuple[Point, ...]]] = [(f"fold {n}", fold.line) for n, fold in enumerate(panel.folds, 1)]
    named += [(f"path from ({p[0][0]:g}, {p[0][1]:g})", p) for p in required_paths(panel)]
    lines: list[BaseGeometry] = [region.boundary]
    forced: list[tuple[float, float]] = []
    for where, path in named:
        line = LineString(path).simplify(0.2 * resolution.chord_error)
        if not line.length or not shapely.dwithin(region, line, reach):
            raise MeshError(str(Fault(where, "does not lie on the sheet", "draw it across the sheet")))
        base = shapely.union_all([other for other in lines if shapely.dwithin(other, line, reach)])
        pieces, on_base = _overlay(line, base, reach)
        forced += on_base
        lines += [piece for piece in (shapely.intersection(p, region) for p in pieces) if piece.length]
    noded = shapely.union_all(lines, grid_size=1e-6) if len(lines) > 1 else region.boundary
    network = PlanarStraightLineGraph(*_points_and_segments(noded, region, reach), region)
    return split_at_points(network, np.array(forced).reshape(-1, 2), SNAP_DISTANCE) if forced else network


def _overlay(
    line: LineString, base: BaseGeometry, tolerance: float
) -> tuple[list[LineString], list[tuple[float, float]]]:
    """What a line adds to the lines already there: its parts away from `base`, their ends drawn onto it.

    Returns also the line's own ends where they lie on `base`.
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
    bridges = shapely.shortest_line(shapely.points(points), base)
    return shapely.get_coordinates(bridges).reshape(-1, 2, 2)[:, 1]


def _points_and_segments(lines: BaseGeometry, region: Polygon, tolerance: float) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2) and segments (m, 2) of noded lines; points within `sheet_extents` of one another are made one.

    Corners of the region stay apart and where they are.
    """
    coords, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    fixed = cKDTree(shapely.get_coordinates(region)).query(coords)[0] < 1e-5
    a, b = cKDTree(coords).query_pairs(tolerance, output_type="ndarray").T
    same = ~(fixed[a] & fixed[b]) | (np.linalg.norm(coords[a] - coords[b], axis=1) < 1e-5)
    graph = coo_matrix((np.ones(same.sum()), (a[same], b[same])), shape=(len(coords),) * 2)
    count, group = connected_components(graph, directed=False)
    first = np.full(count, len(coords))
    order = np.argsort(~fixed, kind="stable")
    np.minimum.at(first, group[order], np.arange(len(coords)))
    joined = np.flatnonzero(line[1:] == line[:-1])
    segments = np.column_stack([group[joined], group[joined + 1]])
    segments = np.unique(np.sort(segments[segments[:, 0] != segments[:, 1]], axis=1), axis=0)
    return coords[order][first], segments


def split_at_points(graph: PlanarStraightLineGraph, extra: np.ndarray, min_distance: float) -> PlanarStraightLineGraph:
    """The network with its lines cut at the points `extra` (k, 2) on them, unless a cut is nearer than `spacing` mm."""
    points, segments = graph.points, graph.segments
    lines = shapely.linestrings(points[segments])
    nearest = shapely.STRtree(lines).nearest(shapely.points(extra))
    place = shapely.line_locate_point(lines[nearest], shapely.points(extra))
    length = shapely.length(lines)
    added: list[np.ndarray] = []
    fresh: list[np.ndarray] = []
    gone = np.zeros(len(segments), dtype=bool)
    for segment in np.unique(nearest):
        cuts, last = [], 0.0
        for cut in np.sort(place[nearest == segment]):
            if cut - last >= min_distance and length[segment] - cut >= min_distance:
                cuts.append(cut)
                last = cut
        if cuts:
            a, b = segments[segment]
            number = len(points) + len(added) + np.arange(len(cuts))
            added += list(points[a] + np.outer(np.array(cuts) / length[segment], points[b] - points[a]))
            chain = np.concatenate([[a], number, [b]])
            fresh.append(np.column_stack([chain[:-1], chain[1:]]))
            gone[segment] = True
    if not added:
        return graph
    return PlanarStraightLineGraph(np.vstack([points, added]), np.concatenate([segments[~gone], *fresh]), graph.region)


def edges_on_path(points: np.ndarray, edges: np.ndarray, path: tuple[Point, ...], tolerance: float) -> np.ndarray:
    """Edges (of (m, 2) point numbers) that lie on a path, both ends and the middle within `sheet_extents` mm: (m,) bool."""
    line = LineString(path)
    shapely.prepare(line)
    near = shapely.dwithin(line, shapely.points(points), tolerance)
    middle = points[edges].mean(axis=1)
    return near[edges].all(axis=1) & shapely.dwithin(line, shapely.points(middle), tolerance)


def subdivide(graph: PlanarStraightLineGraph, field: SizeField) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 2), those of the network first, and edges (k, 2): its segments cut to the sizes of the field."""
    points, segments = graph.points, graph.segments
    start, end = points[segments[:, 0]], points[segments[:, 1]]
    length = np.linalg.norm(end - start, axis=1)
    owner, place, sizes = _sample_sizes(start, (end - start) / length[:, None], length, field)
    first = np.searchsorted(owner, np.arange(len(segments) + 1))
    long = length > 1.2 * np.minimum.reduceat(sizes, first[:-1])
    added, edges, count = [points], [segments[~long]], len(points)
    for i in np.flatnonzero(long):
        part = slice(first[i], first[i + 1])
        cuts = graded_positions(place[part], sizes[part])[1:-1]
        added.append(start[i] + np.outer(cuts / length[i], end[i] - start[i]))
        chain = np.concatenate([segments[i, :1], count + np.arange(len(cuts)), segments[i, 1:]])
        edges.append(np.column_stack([chain[:-1], chain[1:]]))
        count += len(cuts)
    return np.concatenate(added), np.concatenate(edges)


def _sample_sizes(
    start: np.ndarray, direction: np.ndarray, length: np.ndarray, field: SizeField
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples of the field along lines, no farther apart than the size there: line, place mm and size, in order."""
    counts = np.maximum(3, np.ceil(length / field.side).astype(int) + 1)
    owner = np.repeat(np.arange(len(length)), counts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    place = length[owner] * step / (counts[owner] - 1)
    sizes = field(start[owner] + place[:, None] * direction[owner])
    while True:
        gap = np.diff(place)
        wide = np.flatnonzero((owner[1:] == owner[:-1]) & (gap > np.minimum(sizes[1:], sizes[:-1])))
        if not len(wide):
            return owner, place, sizes
        middle = place[wide] + gap[wide] / 2
        between = field(start[owner[wide]] + middle[:, None] * direction[owner[wide]])
        place = np.insert(place, wide + 1, middle)
        sizes = np.insert(sizes, wide + 1, between)
        owner = np.insert(owner, wide + 1, owner[wide])

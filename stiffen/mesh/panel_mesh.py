"""Mesh of a panel: triangles on the true mid-surface with its beads, flared holes and folds.

First the line graph (`feature_lines`), then structured and fill points (`point_placement`, `bend_rows`,
`fastener_points`) at the sizes of the size field (`size_field`), then triangles (`triangulation`), heights and folds
(`fold_geometry`), and last the checks (`checks`).  mm throughout; z points toward the "up" face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon
from shapely.geometry import Point as Place

from stiffen.model.layout import Layout, Point
from stiffen.model.panel import Panel
from stiffen.shop.bead_surface import extended_past_open_ends, surface_height

from .bend_rows import bend_row_lines, bend_rows
from .checks import check_mesh, check_path, mesh_error_at
from .fastener_points import disc_nodes, disc_points, fastener_discs
from .feature_lines import (
    SNAP_DISTANCE,
    PlanarStraightLineGraph,
    build_line_graph,
    edges_on_path,
    plan_region,
    required_paths,
    split_at_points,
    subdivide,
    valid_region,
)
from .fold_geometry import FoldedSheet, folded_sheet
from .point_placement import StructuredPoints, bead_rows, cone_radius, fill_points, hole_rings, row_lines
from .size_field import MeshResolution, SizeField, line_sources, mesh_resolution
from .triangulation import MeshPoints, directed_edges, edge_keys, quality, signed_area, triangulate

MAX_SOFT_EDGE_RATIO = 2.0  # length of a soft edge over the wanted element size up to which it is kept


@dataclass(frozen=True, eq=False)
class Mesh:
    """A checked triangle mesh of a panel.

    plan: (n, 2) coordinates in the flat sheet, mm.
    nodes: (n, 3) coordinates on the true mid-surface, mm.
    triangles: (m, 3) node indices, counter-clockwise in plan.
    outline: (p,) nodes around the outline, counter-clockwise.
    rims: nodes around each cut-out, then around each flared hole's lip, clockwise (sheet on the left), in the order of
    the panel and the layout.
    paths: required path -> its nodes in order.  A closed path repeats its first node at the end; a path that leaves
    the sheet has a gap there.
    discs: centre of a fastener -> its nodes, centre first.
    folded: the map from the flat sheet to the folded one.
    min_quality: lowest triangle quality in plan; 1 is equilateral.
    area: in plan, mm2.
    """

    plan: np.ndarray
    nodes: np.ndarray
    triangles: np.ndarray
    outline: np.ndarray
    rims: tuple[np.ndarray, ...]
    paths: dict[tuple, np.ndarray]
    discs: dict[Point, np.ndarray]
    folded: FoldedSheet
    min_quality: float
    area: float

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Search tree over the triangles in plan."""
        return shapely.STRtree(shapely.polygons(self.plan[self.triangles]))


def mesh_panel(
    panel: Panel,
    layout: Layout,
    size: float | None = None,
    mesh_level: str = "normal",
    point_fasteners: bool = False,
) -> Mesh:
    """Mesh of the panel with the beads and flared holes of a layout.

    mesh_level: quick, normal or fine: about 2000, 4000 or 12000 nodes for a 500 x 400 mm panel with five beads; or
    coarse: about 500 nodes, each fastener one node, for laminated triangles.
    size: background element size, mm, in place of the mesh level's; half of it refines everything, bead rows too.
    point_fasteners: each fastener is one node, whatever the level, as of a panel on its neighbours in a build.
    Raises MeshError where the mesh would not fulfil: area within 0.1 % of the panel's, every feature line made
    of mesh edges, no triangle of quality below 0.15, one connected sheet.
    """
    layout = replace(layout, beads=tuple(extended_past_open_ends(bead) for bead in layout.beads))
    resolution = _panel_resolution(panel, size, mesh_level)
    if point_fasteners or panel.neighbours is not None:
        resolution = replace(resolution, rim_points=0)
    tolerance = SNAP_DISTANCE + resolution.chord_error
    region = plan_region(panel, layout, resolution)
    folded = folded_sheet(panel, layout.gauge)
    sharp = [(bend.where, panel.fold_lines[bend.number - 1]) for bend in folded.bends if not bend.width]
    graph = build_line_graph(panel, region, resolution, sharp)
    fasteners, graph = fastener_discs(panel, graph, resolution.rim_points)
    graph = _split_at_rows(graph, layout, folded, resolution)
    shapes = [
        *(bend_rows(bend, resolution) for bend in folded.cylinders),
        *(bead_rows(bead, resolution) for bead in layout.beads),
        *(hole_rings(hole, resolution) for hole in layout.holes),
    ]
    mesh_points, field = _place_points(graph, disc_points(fasteners), shapes, resolution)
    plan, edges, triangles = _drop_unused(*triangulate(mesh_points, region, field))
    outline, rims = _boundary_loops(plan, triangles, region)
    paths = {path: edges[edges_on_path(plan, edges, path, tolerance)] for path in required_paths(panel)}
    openings = sum(np.pi / 4 * hole.die.finished**2 for hole in layout.holes)
    check_mesh(plan, triangles, edges, panel.region.area - openings, resolution.max_area_error)
    for path, path_edges in paths.items():
        check_path(path, plan, path_edges, region, tolerance)
    flat = np.column_stack([plan, surface_heights(panel, layout, plan, resolution)])
    return Mesh(
        plan=plan,
        nodes=folded.surface(flat)[0],
        triangles=triangles,
        outline=outline,
        rims=rims,
        paths={path: _order_along_path(path, plan, path_edges) for path, path_edges in paths.items()},
        discs=disc_nodes(fasteners, plan),
        folded=folded,
        min_quality=float(quality(plan[triangles]).min()),
        area=float(signed_area(plan[triangles]).sum()),
    )


def _panel_resolution(panel: Panel, size: float | None, mesh_level: str) -> MeshResolution:
    """Mesh resolution of a panel.  Only rings that are not circles count: circles keep their area as polygons."""
    sheet = valid_region(panel)
    free_form = [LineString(cutout.ring) for cutout in panel.cutouts if cutout.circle is None]
    perimeter = sheet.exterior.length + sum(ring.length for ring in free_form)
    return mesh_resolution(sheet.area, perimeter, size, mesh_level)


def _split_at_rows(
    graph: PlanarStraightLineGraph, layout: Layout, folded: FoldedSheet, resolution: MeshResolution
) -> PlanarStraightLineGraph:
    """The line graph, split where rows of beads and bends cross it, so that its edges follow the profile."""
    crossing = [
        (row_lines(bead, resolution), 0.3 * bead.die.width / resolution.strips_per_half)
        for bead in layout.beads
        if LineString(bead.path).buffer(bead.die.width / 2).intersects(graph.lines)
    ]
    for bend in folded.cylinders:
        lines = bend_row_lines(bend, resolution)
        crossing.append((lines, 0.5 * bend.width / (len(lines) - 1)))
    for lines, min_distance in crossing:
        crossings = shapely.get_parts(shapely.intersection(graph.lines, lines))
        points = shapely.get_coordinates(crossings[shapely.get_type_id(crossings) == shapely.GeometryType.POINT])
        if len(points):
            graph = split_at_points(graph, points, min_distance)
    return graph


def _place_points(
    graph: PlanarStraightLineGraph,
    fastener_points: StructuredPoints,
    shapes: list[StructuredPoints],
    resolution: MeshResolution,
) -> tuple[MeshPoints, SizeField]:
    """All points before triangulation, and the size field.

    In this order, each set clear of the ones before it: lines, fasteners, shapes (beads and flared holes), fill.
    """
    source_points, sizes = line_sources(graph.points, graph.segments, graph.region, resolution)
    field = SizeField(
        resolution,
        np.concatenate([source_points, fastener_points.points, *(shape.points for shape in shapes)]),
        np.concatenate([sizes, fastener_points.sizes, *(shape.sizes for shape in shapes)]),
    )
    points, edges = subdivide(graph, field)
    points, soft_edges = _add_clear_points(points, [fastener_points], graph)
    count = len(points)
    points, soft_edges = _add_clear_points(points, shapes, graph)
    soft_edges = _near_wanted_size(points, soft_edges, field)
    fill = fill_points(graph.region, field, points)
    number = np.arange(len(points) + len(fill))
    return MeshPoints(np.vstack([points, fill]), number >= len(points), number < count, edges, soft_edges), field


def _near_wanted_size(points: np.ndarray, soft_edges: np.ndarray, field: SizeField) -> np.ndarray:
    """Soft edges without those that are far longer than the elements wanted there, as beside a rivet: no point could
    lie near them."""
    a, b = points[soft_edges[:, 0]], points[soft_edges[:, 1]]
    length = np.linalg.norm(b - a, axis=1)
    return soft_edges[length <= MAX_SOFT_EDGE_RATIO * field((a + b) / 2)] if len(length) else soft_edges


def _add_clear_points(
    points: np.ndarray, shapes: list[StructuredPoints], graph: PlanarStraightLineGraph
) -> tuple[np.ndarray, np.ndarray]:
    """Points with those of the shapes added that lie on the sheet clear of lines and earlier points; soft edges."""
    lines = graph.lines
    shapely.prepare(lines)
    shapely.prepare(graph.region)
    soft_edges = [np.zeros((0, 2), dtype=int)]
    for shape in (shape for shape in shapes if len(shape.points)):
        candidates = shapely.points(shape.points)
        clear = cKDTree(points).query(shape.points)[0] >= shape.clearance
        clear &= shapely.contains(graph.region, candidates) & ~shapely.dwithin(lines, candidates, shape.clearance)
        shape = shape.subset(clear)
        soft_edges.append(shape.soft_edges + len(points))
        points = np.vstack([points, shape.points])
    return points, np.concatenate(soft_edges)


def _drop_unused(mesh_points: MeshPoints, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points, required edges and triangles, without points that belong to no triangle.

    Raises MeshError where such a point is the end of a required edge.
    """
    used = np.zeros(len(mesh_points.points), dtype=bool)
    used[triangles] = True
    is_lost = ~used[mesh_points.required_edges].all(axis=1)
    if is_lost.any():
        raise mesh_error_at(
            mesh_points.points[mesh_points.required_edges[is_lost][0]].mean(axis=0),
            "a required line lies outside the triangles",
        )
    new_index = np.cumsum(used) - 1
    return mesh_points.points[used], new_index[mesh_points.required_edges], new_index[triangles]


def surface_heights(panel: Panel, layout: Layout, plan: np.ndarray, resolution: MeshResolution) -> np.ndarray:
    """(n,) mm above the flat sheet at plan points (n, 2): beads and the cones of flared holes."""
    z = np.zeros(len(plan))
    for bead in layout.beads:
        z += _side_sign(bead.side) * surface_height(bead, plan, panel.outline)
    for hole in layout.holes:
        inner, outer = hole.die.finished / 2, hole.die.flange / 2
        height_ratio = (outer - cone_radius(hole, resolution, plan)) / (outer - inner)
        z += _side_sign(hole.side) * hole.die.rise * np.clip(height_ratio, 0.0, 1.0)
    return z


def _side_sign(side: str) -> int:
    """+1 for the "up" side, -1 for "down"."""
    return 1 if side == "up" else -1


def _boundary_loops(
    plan: np.ndarray, triangles: np.ndarray, region: Polygon
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Nodes around the outline, and around each inner ring of the region in its order.

    Raises MeshError where the boundary touches itself, or where its rings are not those of the region.
    """
    edges = directed_edges(triangles)
    _, edge_index, times = np.unique(edge_keys(edges, len(plan)), return_inverse=True, return_counts=True)
    border = edges[times[edge_index] == 1]
    starts, count = np.unique(border[:, 0], return_counts=True)
    if (count > 1).any():
        raise mesh_error_at(plan[starts[count > 1][0]], "two edges of the sheet touch each other")
    next_node = dict(border.tolist())
    loops = []
    while next_node:
        loop = [next(iter(next_node))]
        while (node := next_node.pop(loop[-1])) != loop[0]:
            loop.append(node)
        loops.append(np.array(loop))
    rings = [region.exterior, *region.interiors]
    nearest = [int(shapely.distance(rings, Place(plan[loop[0]])).argmin()) for loop in loops]
    if sorted(nearest) != list(range(len(rings))):
        raise mesh_error_at(plan[loops[0][0]], f"{len(loops)} boundary loops were found, the sheet has {len(rings)}")
    ordered = [loops[nearest.index(i)] for i in range(len(rings))]
    return ordered[0], tuple(ordered[1:])


def _order_along_path(path: tuple, plan: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Nodes of edges (k, 2) on a path, in its order; a closed path repeats its first node at the end."""
    line = LineString(path)
    nodes = np.unique(edges)
    nodes = nodes[np.argsort(shapely.line_locate_point(line, shapely.points(plan[nodes])), kind="stable")]
    return np.append(nodes, nodes[0]) if line.is_closed else nodes

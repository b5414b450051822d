"""Panel and layout to triangles on the true mid-surface: beads rolled, holes flared, folds folded.

Lines that must be kept come first (`graph`), then points row by row (`seeds`, `fastener_discs`) at the sizes wanted
(`sizing`), then triangles (`triangulation`), heights and folds (`folding`); `soundness` has the last word.
mm throughout, z toward the "up" face.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon
from shapely.geometry import Point as Place

from stiffen.model.layout import Layout, Point
from stiffen.model.panel import Panel
from stiffen.shop.bead_surface import extended_past_open_ends, surface_height

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
from .fold_geometry import fold_nodes
from .point_placement import StructuredPoints, bead_rows, cone_radius, fill_points, hole_rings, row_lines
from .size_field import MeshResolution, SizeField, line_sources, mesh_resolution
from .triangulation import MeshPoints, directed_edges, edge_keys, quality, signed_area, triangulate


@dataclass(frozen=True, eq=False)
class Mesh:
    """A proven triangle mesh of a panel.

    plan: (n, 2) flat plan coordinates, mm.  nodes: (n, 3) mm on the true mid-surface.  triangles: (m, 3) node numbers,
    counter-clockwise in plan.  outline: (p,) node numbers round the outer outline, counter-clockwise.  rims: node
    numbers round each cut-out, then each flared hole's lip, clockwise (sheet on the left), in the panel's and the
    layout's order.  paths: for each path asked for its nodes in order; a closed path repeats its first node at the
    end; a path that leaves the sheet jumps over the gap.  discs: centre of a fastener -> its nodes, centre first.
    least_quality: of any triangle in plan, 1 equilateral.  area: in plan, mm2.
    """

    plan: np.ndarray
    nodes: np.ndarray
    triangles: np.ndarray
    outline: np.ndarray
    rims: tuple[np.ndarray, ...]
    paths: dict[tuple, np.ndarray]
    discs: dict[Point, np.ndarray]
    min_quality: float
    area: float


def mesh_panel(panel: Panel, layout: Layout, size: float | None = None, mesh_level: str = "normal") -> Mesh:
    """Mesh of the panel with the beads and flared holes of a layout.

    grade: quick, normal or fine, about 2000, 4000 or 12000 nodes for a 500 x 400 mm panel with five beads.
    size: background triangle side, mm; half of it refines everything, bead rows too.
    Raises MeshError where the panel cannot be meshed as promised: area within 0.1 % of the panel's, every line of the
    panel made of mesh edges, no triangle of quality below 0.15, one connected sheet.
    """
    layout = replace(layout, beads=tuple(extended_past_open_ends(bead) for bead in layout.beads))
    fine = _panel_resolution(panel, size, mesh_level)
    reach = SNAP_DISTANCE + fine.chord_error
    region = plan_region(panel, layout, fine)
    fasteners, net = fastener_discs(panel, build_line_graph(panel, region, fine))
    net = _split_at_bead_rows(net, layout, fine)
    shapes = [bead_rows(bead, fine) for bead in layout.beads] + [hole_rings(hole, fine) for hole in layout.holes]
    cloud, field = _place_points(net, disc_points(fasteners), shapes, fine)
    plan, edges, triangles = _drop_unused(*triangulate(cloud, region, field))
    outline, rims = _boundary_loops(plan, triangles, region)
    paths = {path: edges[edges_on_path(plan, edges, path, reach)] for path in required_paths(panel)}
    openings = sum(np.pi / 4 * hole.die.finished**2 for hole in layout.holes)
    check_mesh(plan, triangles, edges, panel.region.area - openings)
    for path, on in paths.items():
        check_path(path, plan, on, region, reach)
    flat = np.column_stack([plan, surface_heights(panel, layout, plan, fine)])
    fold_lines = [edges[edges_on_path(plan, edges, fold.line, reach)] for fold in panel.folds]
    return Mesh(
        plan=plan,
        nodes=fold_nodes(flat, triangles, panel.folds, fold_lines),
        triangles=triangles,
        outline=outline,
        rims=rims,
        paths={path: _order_along_path(path, plan, on) for path, on in paths.items()},
        discs=disc_nodes(fasteners, plan),
        min_quality=float(quality(plan[triangles]).min()),
        area=float(signed_area(plan[triangles]).sum()),
    )


def _panel_resolution(panel: Panel, size: float | None, mesh_level: str) -> MeshResolution:
    """Circles are meshed true to area, so only the other rings' chords can lose some."""
    sheet = valid_region(panel)
    free_form = [LineString(cutout.ring) for cutout in panel.cutouts if cutout.circle is None]
    perimeter = sheet.exterior.length + sum(ring.length for ring in free_form)
    return mesh_resolution(sheet.area, perimeter, size, mesh_level)


def _split_at_bead_rows(
    graph: PlanarStraightLineGraph, layout: Layout, resolution: MeshResolution
) -> PlanarStraightLineGraph:
    """The network cut where the rows of beads cross it, so that the profile is caught there too."""
    for bead in layout.beads:
        strip = LineString(bead.path).buffer(bead.die.width / 2)
        if strip.intersects(graph.lines):
            crossings = shapely.get_parts(shapely.intersection(graph.lines, row_lines(bead, resolution)))
            points = shapely.get_coordinates(crossings[shapely.get_type_id(crossings) == shapely.GeometryType.POINT])
            graph = (
                split_at_points(graph, points, 0.3 * bead.die.width / resolution.strips_per_half)
                if len(points)
                else graph
            )
    return graph


def _place_points(
    graph: PlanarStraightLineGraph,
    fastener_points: StructuredPoints,
    shapes: list[StructuredPoints],
    resolution: MeshResolution,
) -> tuple[MeshPoints, SizeField]:
    """All points of the mesh, each set clear of the ones before it: lines, firm points, shapes, fill; and the sizes."""
    at, sizes = line_sources(graph.points, graph.segments, graph.region, resolution)
    field = SizeField(
        resolution,
        np.concatenate([at, fastener_points.points, *(shape.points for shape in shapes)]),
        np.concatenate([sizes, fastener_points.sizes, *(shape.sizes for shape in shapes)]),
    )
    points, edges = subdivide(graph, field)
    points, kept = _add_clear_points(points, [fastener_points], graph)
    count = len(points)
    points, kept = _add_clear_points(points, shapes, graph)
    fill = fill_points(graph.region, field, points)
    number = np.arange(len(points) + len(fill))
    return MeshPoints(np.vstack([points, fill]), number >= len(points), number < count, edges, kept), field


def _add_clear_points(
    points: np.ndarray, shapes: list[StructuredPoints], graph: PlanarStraightLineGraph
) -> tuple[np.ndarray, np.ndarray]:
    """Points with those of the shapes that lie on the sheet clear of lines and earlier points, and their kept edges."""
    lines = graph.lines
    shapely.prepare(lines)
    shapely.prepare(graph.region)
    kept = [np.zeros((0, 2), dtype=int)]
    for shape in (shape for shape in shapes if len(shape.points)):
        places = shapely.points(shape.points)
        clear = cKDTree(points).query(shape.points)[0] >= shape.clearance
        clear &= shapely.contains(graph.region, places) & ~shapely.dwithin(lines, places, shape.clearance)
        shape = shape.subset(clear)
        kept.append(shape.soft_edges + len(points))
        points = np.vstack([points, shape.points])
    return points, np.concatenate(kept)


def _drop_unused(cloud: MeshPoints, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points, needed edges and triangles without the points that no triangle has; those must end no edge."""
    used = np.zeros(len(cloud.points), dtype=bool)
    used[triangles] = True
    lost = ~used[cloud.required_edges].all(axis=1)
    if lost.any():
        raise mesh_error_at(
            cloud.points[cloud.required_edges[lost][0]].mean(axis=0), "a needed line lies outside the triangles"
        )
    number = np.cumsum(used) - 1
    return cloud.points[used], number[cloud.required_edges], number[triangles]


def surface_heights(panel: Panel, layout: Layout, plan: np.ndarray, resolution: MeshResolution) -> np.ndarray:
    """(n,) mm over the flat sheet at plan points (n, 2): beads and the cones of flared holes."""
    z = np.zeros(len(plan))
    for bead in layout.beads:
        z += _side_sign(bead.side) * surface_height(bead, plan, panel.outline)
    for hole in layout.holes:
        inner, outer = hole.die.finished / 2, hole.die.flange / 2
        fall = (outer - cone_radius(hole, resolution, plan)) / (outer - inner)
        z += _side_sign(hole.side) * hole.die.rise * np.clip(fall, 0.0, 1.0)
    return z


def _side_sign(side: str) -> int:
    return 1 if side == "up" else -1


def _boundary_loops(
    plan: np.ndarray, triangles: np.ndarray, region: Polygon
) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Nodes round the outline and round each inner ring of the region, in its order.

    Raises MeshError where the boundary touches itself or its rings are not those of the region.
    """
    edges = directed_edges(triangles)
    _, number, times = np.unique(edge_keys(edges, len(plan)), return_inverse=True, return_counts=True)
    border = edges[times[number] == 1]
    starts, count = np.unique(border[:, 0], return_counts=True)
    if (count > 1).any():
        raise mesh_error_at(plan[starts[count > 1][0]], "two edges of the sheet touch")
    following = dict(border.tolist())
    loops = []
    while following:
        loop = [next(iter(following))]
        while (node := following.pop(loop[-1])) != loop[0]:
            loop.append(node)
        loops.append(np.array(loop))
    rings = [region.exterior, *region.interiors]
    nearest = [int(shapely.distance(rings, Place(plan[loop[0]])).argmin()) for loop in loops]
    if sorted(nearest) != list(range(len(rings))):
        raise mesh_error_at(plan[loops[0][0]], f"{len(loops)} edges of the sheet were found, there are {len(rings)}")
    ordered = [loops[nearest.index(i)] for i in range(len(rings))]
    return ordered[0], tuple(ordered[1:])


def _order_along_path(path: tuple, plan: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """The nodes of edges on a path, in its order; of a closed path the first again at the end."""
    line = LineString(path)
    nodes = np.unique(edges)
    nodes = nodes[np.argsort(shapely.line_locate_point(line, shapely.points(plan[nodes])), kind="stable")]
    return np.append(nodes, nodes[0]) if line.is_closed else nodes

"""Panel and layout to triangles on the true mid-surface: beads rolled, holes flared, folds folded.

Points are placed row by row (`seeds`), lines kept (`network`), triangles made (`triangulation`), and every mesh is
proved before it is handed out.  mm throughout, z toward the "up" face.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon

from . import network, seeds, sizing
from .errors import Fault, MeshError
from .folding import folded
from .layout import Layout
from .network import SNAP, Network
from .panel import Panel
from .section import height, taper
from .seeds import Seeds
from .sizing import Fineness, SizeField
from .triangulation import Cloud, edges_of, keys, quality, signed_area, triangulate

LEAST_QUALITY = 0.15
AREA_ERROR = 1e-3  # share of the plan area

Place = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Mesh:
    """A proven triangle mesh of a panel.

    plan: (n, 2) flat plan coordinates, mm.  nodes: (n, 3) mm on the true mid-surface.  triangles: (m, 3) node numbers,
    counter-clockwise in plan.  outline: (p,) node numbers round the outer outline, counter-clockwise.  rims: node
    numbers round each cut-out, then each flared hole's lip, clockwise (sheet on the left), in the panel's and layout's
    order.  paths: for each path asked for its nodes in order; a closed path repeats its first node at the end; a path
    that leaves the sheet jumps over the gap.  discs: centre of a fastener -> its nodes, centre first, then the rim.
    least_quality: of any triangle in plan, 1 equilateral.  area: in plan, mm2.
    """

    plan: np.ndarray
    nodes: np.ndarray
    triangles: np.ndarray
    outline: np.ndarray
    rims: tuple[np.ndarray, ...]
    paths: dict[tuple, np.ndarray]
    discs: dict[Place, np.ndarray]
    least_quality: float
    area: float


def mesh_panel(panel: Panel, layout: Layout, size: float | None = None, grade: str = "normal") -> Mesh:
    """Mesh of the panel with the beads and flared holes of a layout.

    grade: quick, normal or fine, about 1500, 4000 or 12000 nodes for a 500 x 400 mm panel with five beads.
    size: background triangle side, mm; half of it refines everything, bead rows too.
    Raises MeshError where the panel cannot be meshed as promised: areas equal within 0.1 %, every line of the panel
    made of mesh edges, no triangle of quality below 0.15, one connected sheet.
    """
    sheet = panel.region
    free_form = [sheet.exterior, *(LineString(cut.ring) for cut in panel.cutouts if cut.circle is None)]
    perimeter = sum(ring.length for ring in free_form)
    fine = sizing.fineness(sheet.area, perimeter, size, grade)
    region = network.plan_region(panel, layout, fine)
    net = network.build(panel, region, fine)
    discs, net = _discs(panel, net)
    net = _with_row_crossings(net, layout, fine)
    shapes = [seeds.bead_rows(bead, fine) for bead in layout.beads]
    shapes += [seeds.hole_rings(hole, fine) for hole in layout.holes]
    shapes = [_disc_seeds(discs), *shapes]
    points, sizes = sizing.line_sources(net.points, net.segments, region, fine)
    field = SizeField(
        fine,
        np.concatenate([points, *(part.points for part in shapes)]),
        np.concatenate([sizes, *(part.sizes for part in shapes)]),
    )
    cloud, triangles = _used(*triangulate(_cloud(net, shapes, field), region, field))
    reach = SNAP + fine.chord
    on_folds = [cloud.edges[network.on_path(cloud.points, cloud.edges, fold.line, reach)] for fold in panel.folds]
    on_paths = {
        path: cloud.edges[network.on_path(cloud.points, cloud.edges, path, reach)]
        for path in network.wanted_paths(panel)
    }
    flat = np.column_stack([cloud.points, _heights(layout, cloud.points, fine)])
    outline, rims = _boundary(cloud.points, triangles, region)
    corners = cloud.points[triangles]
    mesh = Mesh(
        plan=cloud.points,
        nodes=folded(flat, triangles, panel.folds, on_folds),
        triangles=triangles,
        outline=outline,
        rims=rims,
        paths={path: _in_order(path, cloud.points, edges) for path, edges in on_paths.items()},
        discs=_disc_nodes(discs, cloud.points),
        least_quality=float(quality(corners).min()),
        area=float(signed_area(corners).sum()),
    )
    _prove(mesh, cloud.edges, panel, layout)
    _prove_paths(mesh, on_paths, region, reach)
    return mesh


def _discs(panel: Panel, net: Network) -> tuple[dict[Place, np.ndarray], Network]:
    """For each fastener the places (7, 2) of its centre and rim, and the network cut where lines pass through it."""
    discs: dict[Place, np.ndarray] = {}
    lines = net.lines
    cuts = [np.zeros((0, 2))]
    for support in panel.supports:
        radius = support.diameter / 2
        for centre in support.fasteners():
            where = f"{support.kind} at ({centre[0]:g}, {centre[1]:g})"
            place = Point(centre)
            if radius <= 0:
                raise MeshError(str(Fault(where, "no diameter is given", "give the fastener's diameter, mm")))
            if not shapely.dwithin(net.region, place, SNAP):
                raise MeshError(str(Fault(where, "lies off the sheet", "move it onto the sheet")))
            crossings = np.zeros((0, 2))
            if shapely.dwithin(lines, place, radius):
                crossings = shapely.get_coordinates(place.buffer(radius, quad_segs=32).exterior.intersection(lines))
                middle = crossings if not shapely.dwithin(lines, place, SNAP) else np.vstack([crossings, centre])
                cuts.append(middle)
            rim = seeds.disc_rim(centre, radius, crossings)
            discs[centre] = np.vstack([centre, rim[shapely.dwithin(net.region, shapely.points(rim), SNAP)]])
    cuts = np.concatenate(cuts)
    return discs, network.with_points(net, cuts, SNAP) if len(cuts) else net


def _disc_seeds(discs: dict[Place, np.ndarray]) -> Seeds:
    """The discs' points, all centres before all rims; where discs overlap the later points drop out."""
    points = [disc[part] for part in (slice(1), slice(1, None)) for disc in discs.values()]
    radii = [np.linalg.norm(disc[-1] - disc[0]) for disc in discs.values()] * 2
    radius = np.repeat(radii, [len(part) for part in points])
    points = np.concatenate([np.zeros((0, 2)), *points])
    shape = Seeds(points, radius, 0.4 * radius, np.zeros((0, 2), dtype=int))
    return shape.where(~seeds.crowded(points, shape.reach))


def _disc_nodes(discs: dict[Place, np.ndarray], points: np.ndarray) -> dict[Place, np.ndarray]:
    """Nodes nearest to each disc's places, its centre first."""
    tree = cKDTree(points)
    out = {}
    for centre, disc in discs.items():
        _, nodes = tree.query(disc)
        rim = list(dict.fromkeys(nodes[1:]))
        out[centre] = np.array([nodes[0], *(node for node in rim if node != nodes[0])])
    return out


def _with_row_crossings(net: Network, layout: Layout, fine: Fineness) -> Network:
    """The network cut where the rows of beads cross it, so that the profile is caught there too."""
    for bead in layout.beads:
        strip = LineString(bead.path).buffer(bead.die.width / 2)
        if strip.intersects(net.lines):
            crossings = shapely.intersection(net.lines, seeds.row_lines(bead, fine))
            points = [part for part in shapely.get_parts(crossings) if part.geom_type == "Point"]
            if points:
                apart = 0.3 * bead.die.width / fine.halves
                net = network.with_points(net, shapely.get_coordinates(points), apart)
    return net


def _cloud(net: Network, shapes: list[Seeds], field: SizeField) -> Cloud:
    """All points of the mesh, those of the lines first, each set clear of the ones before it, the fill last."""
    points, edges = network.divided(net, field)
    shapely.prepare(net.region)
    lines = net.lines
    shapely.prepare(lines)
    kept = [np.zeros((0, 2), dtype=int)]
    for shape in shapes:
        if len(shape.points):
            clear = cKDTree(points).query(shape.points)[0] >= shape.reach
            places = shapely.points(shape.points)
            clear &= shapely.contains(net.region, places) & ~shapely.dwithin(lines, places, 0.9 * shape.reach)
            shape = shape.where(clear)
            kept.append(shape.kept + len(points))
            points = np.vstack([points, shape.points])
    fill = seeds.lattice(net.region, field, points)
    free = np.arange(len(points) + len(fill)) >= len(points)
    return Cloud(np.vstack([points, fill]), free, edges, np.concatenate(kept))


def _used(cloud: Cloud, triangles: np.ndarray) -> tuple[Cloud, np.ndarray]:
    """Without the points that no triangle has.  Raises MeshError where one of them ends a needed edge."""
    used = np.zeros(len(cloud.points), dtype=bool)
    used[triangles] = True
    lost = ~used[cloud.edges].all(axis=1)
    if lost.any():
        raise _no_mesh(cloud.points[cloud.edges[lost][0]].mean(axis=0), "a needed line lies outside the triangles")
    number = np.cumsum(used) - 1
    return Cloud(cloud.points[used], cloud.free[used], number[cloud.edges], cloud.kept[:0]), number[triangles]


def _heights(layout: Layout, points: np.ndarray, fine: Fineness) -> np.ndarray:
    """(n,) mm over the flat sheet at plan points (n, 2): beads and the cones of flared holes."""
    z = np.zeros(len(points))
    for bead in layout.beads:
        path = LineString(bead.path)
        box = np.array(path.bounds) + bead.die.width / 2 * np.array([-1, -1, 1, 1])
        near = np.flatnonzero(((points >= box[:2]) & (points <= box[2:])).all(axis=1))
        places = shapely.points(points[near])
        along = shapely.line_locate_point(path, places)
        share = taper(bead.die, along, path.length, bead.closed)
        z[near] += _sign(bead.side) * share * height(bead.die, shapely.distance(path, places))
    for hole in layout.holes:
        inner, outer = hole.die.finished / 2, hole.die.flange / 2
        fall = (outer - seeds.cone_radius(hole, fine, points)) / (outer - inner)
        z += _sign(hole.side) * hole.die.rise * np.clip(fall, 0.0, 1.0)
    return z


def _sign(side: str) -> int:
    return 1 if side == "up" else -1


def _boundary(points: np.ndarray, triangles: np.ndarray, region: Polygon) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
    """Nodes round the outline and round each inner ring of the region, in its order.

    Raises MeshError where the boundary touches itself or its rings are not those of the region.
    """
    edges = edges_of(triangles)
    _, number, times = np.unique(keys(edges, len(points)), return_inverse=True, return_counts=True)
    border = edges[times[number] == 1]
    starts, count = np.unique(border[:, 0], return_counts=True)
    if (count > 1).any():
        raise _no_mesh(points[starts[count > 1][0]], "two edges of the sheet touch")
    following = dict(border.tolist())
    loops = []
    while following:
        loop = [next(iter(following))]
        while (node := following.pop(loop[-1])) != loop[0]:
            loop.append(node)
        loops.append(np.array(loop))
    rings = [region.exterior, *region.interiors]
    nearest = [int(shapely.distance(rings, Point(points[loop[0]])).argmin()) for loop in loops]
    if sorted(nearest) != list(range(len(rings))):
        raise _no_mesh(points[loops[0][0]], f"{len(loops)} edges of the sheet were found, there are {len(rings)}")
    ordered = [loops[nearest.index(i)] for i in range(len(rings))]
    return ordered[0], tuple(ordered[1:])


def _in_order(path: tuple, points: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """The nodes of edges on a path, in its order; of a closed path the first again at the end."""
    line = LineString(path)
    nodes = np.unique(edges)
    place = shapely.line_locate_point(line, shapely.points(points[nodes]))
    nodes = nodes[np.argsort(place, kind="stable")]
    return np.append(nodes, nodes[0]) if line.is_closed and len(nodes) else nodes


def _no_mesh(place: np.ndarray, what: str, cure: str = "move lines that nearly touch apart, or try a smaller size"):
    return MeshError(str(Fault(f"mesh near ({place[0]:.2f}, {place[1]:.2f})", what, cure)))


def _prove(mesh: Mesh, needed: np.ndarray, panel: Panel, layout: Layout) -> None:
    """Raises MeshError unless the mesh is what `mesh_panel` promises."""
    points, triangles, count = mesh.plan, mesh.triangles, len(mesh.plan)
    q = quality(points[triangles])
    worst = points[triangles[q.argmin()]].mean(axis=0)
    if mesh.least_quality < LEAST_QUALITY:
        what = f"a triangle of quality {mesh.least_quality:.3f}, at least {LEAST_QUALITY} is promised"
        raise _no_mesh(worst, what, "move lines apart that nearly touch or meet at a few degrees")
    openings = sum(np.pi / 4 * hole.die.finished**2 for hole in layout.holes)
    area = panel.region.area - openings
    if abs(mesh.area - area) > AREA_ERROR * area:
        what = f"{mesh.area:.1f} mm2 of triangles for {area:.1f} mm2 of sheet"
        raise MeshError(str(Fault("mesh", what, "try a smaller size")))
    edges = edges_of(triangles)
    key = keys(edges, count)
    wanted = keys(needed, count)
    missing = ~np.isin(wanted, key)
    if missing.any():
        raise _no_mesh(points[needed[missing][0]].mean(axis=0), "an edge of the panel is no edge of the mesh")
    unique, times = np.unique(key, return_counts=True)
    stray = ~np.isin(unique[times == 1], wanted)
    if stray.any() or times.max() > 2 or len(np.unique(edges[:, 0] * count + edges[:, 1])) < len(edges):
        place = points[unique[times == 1][stray][0] // count] if stray.any() else worst
        raise _no_mesh(place, "triangles do not fit together")
    if len(cKDTree(points).query_pairs(1e-6)):
        raise _no_mesh(worst, "two nodes at one place")
    graph = coo_matrix((np.ones(len(edges)), edges.T), shape=(count, count))
    if connected_components(graph, directed=False)[0] > 1:
        raise MeshError(str(Fault("mesh", "the sheet is in more than one part", "leave more sheet between holes")))


def _prove_paths(mesh: Mesh, on_paths: dict[tuple, np.ndarray], region: Polygon, reach: float) -> None:
    """Raises MeshError where a path over the sheet has no edges of the mesh under it."""
    near = region.buffer(-reach)
    for path, edges in on_paths.items():
        ends = mesh.plan[edges]
        found = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum()
        wanted = LineString(path).intersection(near).length
        if not len(edges) or found < 0.99 * wanted - 4 * reach:
            where = f"path from ({path[0][0]:g}, {path[0][1]:g})"
            what = f"only {found:.1f} mm of {wanted:.1f} mm on the sheet are edges of the mesh"
            raise MeshError(str(Fault(where, what, "move it off lines it nearly touches")))

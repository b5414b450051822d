"""Loads of a panel on its mesh: nodal forces of a load case, and lumped masses."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from shapely.geometry import Polygon, box

from stiffen.errors import Fault, InputError
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.fold_plan import CurvedPlan, flange_plan
from stiffen.model.panel import LOAD_KINDS, Load, Panel, Point
from stiffen.shop.folding.bend_zones import bend_zones
from stiffen.shop.folding.brake import is_round

from .refusal import unknown

GRAVITY = 9.80665  # m/s2, ISO 80000-3 standard acceleration: N per kg


@dataclass(frozen=True, eq=False)
class CoveredAreas:
    """The part of the sheet that a load covers.

    triangles: (k,) those covered.  area: (k,) plan area of each covered part, mm2.  corner_shares: (k, 3) share of the
    part's load on each corner.
    """

    triangles: np.ndarray
    area: np.ndarray
    corner_shares: np.ndarray


@lru_cache(maxsize=64)  # the surrogate's one mesh serves hundreds of layouts
def covered_areas(mesh: Mesh, polygon: Polygon | None) -> CoveredAreas:
    """The triangles under `polygon` (None: all), the covered area of each, and how its load is shared by the corners.

    The corner shares are the area coordinates of the covered part's centroid, so the moment of the load is kept.
    """
    corners = mesh.plan[mesh.triangles]
    if polygon is None:
        return CoveredAreas(np.arange(len(corners)), plan_areas(corners), np.full((len(corners), 3), 1 / 3))
    low, high = corners.min(axis=1), corners.max(axis=1)
    x0, y0, x1, y1 = polygon.bounds
    near = np.flatnonzero((high[:, 0] >= x0) & (low[:, 0] <= x1) & (high[:, 1] >= y0) & (low[:, 1] <= y1))
    parts = shapely.intersection(shapely.polygons(corners[near]), polygon)
    area = shapely.area(parts)
    keep = area > 0
    near, area, parts = near[keep], area[keep], parts[keep]
    centre = shapely.get_coordinates(shapely.centroid(parts))
    return CoveredAreas(near, area, area_coordinates(corners[near], centre))


def plan_areas(corners: np.ndarray) -> np.ndarray:
    """(k,) areas, mm2, of triangles with corners (k, 3, 2) in counter-clockwise order."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2


def area_coordinates(corners: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(k, 3) area coordinates of points (k, 2) in triangles with corners (k, 3, 2)."""
    twice = 2 * plan_areas(corners)
    out = np.empty((len(points), 3))
    for i in range(3):
        a, b = corners[:, (i + 1) % 3] - points, corners[:, (i + 2) % 3] - points
        out[:, i] = (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / twice
    return out


def locate(mesh: Mesh, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The triangle (k,) that contains each plan point (k, 2), and the point's area coordinates (k, 3).

    A point outside the mesh gets the nearest triangle, and coordinates clipped to it.
    """
    points = np.atleast_2d(points)
    corners, tree = mesh.plan[mesh.triangles], mesh.tree
    places = shapely.points(points)
    triangle = np.full(len(points), -1)
    point, found = tree.query(places, predicate="intersects")  # ten times as fast as `query_nearest`
    triangle[point] = found
    outside = np.flatnonzero(triangle < 0)
    triangle[outside] = tree.query_nearest(places[outside], all_matches=False)[1]
    shares = np.clip(area_coordinates(corners[triangle], points), 0, None)
    return triangle, shares / shares.sum(axis=1, keepdims=True)


def lumped_masses(panel: Panel, mesh: Mesh) -> np.ndarray | None:
    """(6 n,) kg of bolted-on masses and edge trims on the translational DOFs; None without any."""
    if not panel.masses and not panel.trims:
        return None
    kg = np.zeros(len(mesh.nodes))
    for mass in panel.masses:
        triangle, shares = locate(mesh, np.array([mass.at]))
        np.add.at(kg, mesh.triangles[triangle[0]], mass.kg * shares[0])
    for trim in panel.trims:
        for line in (mesh.outline,) if trim.path is None else (mesh.paths[trim.path],):
            np.add.at(kg, line, trim.kg_per_metre * 1e-3 * tributary_lengths(mesh.plan[line], closed=trim.path is None))
    out = np.zeros((len(kg), 6))
    out[:, :3] = kg[:, None]
    return out.ravel()


def tributary_lengths(points: np.ndarray, closed: bool) -> np.ndarray:
    """(k,) length, mm, that each of the points (k, 2) of a line stands for."""
    gaps = np.linalg.norm(np.diff(points, axis=0, append=points[:1]), axis=1)
    if not closed:
        gaps[-1] = 0.0
    return (gaps + np.roll(gaps, 1)) / 2


def case_forces(
    panel: Panel, mesh: Mesh, nodal_mass: np.ndarray, case: str, patch_centre: Point | None = None
) -> np.ndarray:
    """Nodal forces (6 n,), N and N mm, of one case.

    nodal_mass: (n,) kg on each node.  patch_centre: where a moving patch stands.  Raises InputError for a case or a
    kind of load that is not known, and for a patch off the sheet.
    """
    if case not in panel.cases:
        raise unknown("case", case, panel.cases)
    for combination in panel.combinations:
        if combination.case == case:
            parts = (
                factor * case_forces(panel, mesh, nodal_mass, name, patch_centre)
                for name, factor in combination.factors
            )
            return sum(parts, np.zeros(6 * len(mesh.nodes)))
    out = np.zeros((len(mesh.nodes), 6))
    for load in panel.loads:
        if load.case == case:
            _add_load(out, mesh, nodal_mass, load, patch_centre)
    return out.ravel()


def _add_load(out: np.ndarray, mesh: Mesh, nodal_mass: np.ndarray, load: Load, patch_centre: Point | None) -> None:
    """Add the nodal forces of one load to `out` (n, 6)."""
    if load.kind == "pressure":
        areas = covered_areas(mesh, None if load.polygon is None else Polygon(load.polygon))
        corners = mesh.nodes[mesh.triangles[areas.triangles]]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
        whole = plan_areas(mesh.plan[mesh.triangles[areas.triangles]])
        _distribute(out, mesh, areas, -load.value * normal * (areas.area / whole)[:, None])
    elif load.kind == "patch":
        areas = covered_areas(mesh, patch_polygon(load, patch_centre))
        if areas.area.sum() <= 0:
            raise InputError(
                [Fault(f"load of case {load.case}", "the patch lies off the sheet", "move it onto the sheet")]
            )
        centres = np.einsum("kc,kci->ki", areas.corner_shares, mesh.plan[mesh.triangles[areas.triangles]])
        normals = mesh.folded.surface(centres)[1][:, :, 2]  # of the sheet without its beads
        _distribute(out, mesh, areas, -load.value / areas.area.sum() * areas.area[:, None] * normals)
    elif load.kind == "line":
        _add_line_load(
            out, mesh, mesh.paths[load.path], load.value * np.array(load.direction) / np.linalg.norm(load.direction)
        )
    elif load.kind == "inertia":
        out[:, :3] += GRAVITY * nodal_mass[:, None] * np.array(load.g)
    else:
        raise unknown(f"load of case {load.case}", load.kind, LOAD_KINDS)


def _add_line_load(out: np.ndarray, mesh: Mesh, line: np.ndarray, q: np.ndarray) -> None:
    """Add a line load q (3,) N/mm along nodes `line`; parts of the line off the sheet are not loaded.

    q_n, the component of q in the plane of the sheet and normal to the line, also loads the drilling DOFs of the
    membrane triangle: -/+ alpha_b q_n l^2/12 at the two ends of each side l (Felippa 2003, alpha_b = 3/2).  Then a
    uniform pull gives a uniform stress.
    """
    n = len(mesh.nodes)
    corners = np.sort(mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    ends = np.column_stack([line[:-1], line[1:]])
    a, b = ends[np.isin(np.sort(ends, axis=1) @ [n, 1], corners @ [n, 1])].T
    side = mesh.plan[b] - mesh.plan[a]
    length = np.linalg.norm(side, axis=1)
    drilling_moment = 1.5 / 12 * length * (q[0] * side[:, 1] - q[1] * side[:, 0])
    for end, sign in ((a, -1.0), (b, 1.0)):
        np.add.at(out, (end, slice(0, 3)), length[:, None] / 2 * q)
        np.add.at(out[:, 5], end, sign * drilling_moment)


def _distribute(out: np.ndarray, mesh: Mesh, areas: CoveredAreas, force: np.ndarray) -> None:
    """Add the force (k, 3) on each covered part to its triangle's corners."""
    np.add.at(out[:, :3], mesh.triangles[areas.triangles], areas.corner_shares[:, :, None] * force[:, None, :])


def patch_polygon(load: Load, centre: Point | None = None) -> Polygon:
    """The rectangle that a patch load covers, at its own place or, if it moves, at `centre`."""
    x, y = load.at or centre
    a, b = load.size
    return box(x - a / 2, y - b / 2, x + a / 2, y + b / 2)


def moving_patch_positions(panel: Panel, case: str, step: float = 0.5) -> list[Point]:
    """Centres for a patch load with at = "worst", on a grid of `step` patch sizes; the patch fits wholly on the sheet.

    Folded flanges are left out: nobody steps there.  Empty if the case has no moving patch.  Raises InputError if no
    place on the sheet takes the patch.
    """
    names = {case, *(name for combo in panel.combinations if combo.case == case for name, _ in combo.factors)}
    moving = [load for load in panel.loads if load.case in names and load.kind == "patch" and load.at is None]
    if not moving:
        return []
    a = max(load.size[0] for load in moving)
    b = max(load.size[1] for load in moving)
    base = unfolded_part(panel)
    x0, y0, x1, y1 = base.bounds
    nx = max(1, round((x1 - x0 - a) / (step * a)))
    ny = max(1, round((y1 - y0 - b) / (step * b)))
    xs = np.linspace(x0 + a / 2, x1 - a / 2, nx + 1)
    ys = np.linspace(y0 + b / 2, y1 - b / 2, ny + 1)
    X, Y = (v.ravel() for v in np.meshgrid(xs, ys))
    patches = shapely.box(X - a / 2, Y - b / 2, X + a / 2, Y + b / 2)
    full = shapely.area(shapely.intersection(patches, base)) > 0.99 * a * b
    places = list(zip(X[full].tolist(), Y[full].tolist(), strict=True))
    if not places:
        raise InputError(
            [Fault(f"load case {case}", f"no place on the sheet takes a {a:g} x {b:g} mm patch", "make it smaller")]
        )
    return places


def unfolded_part(panel: Panel) -> Polygon:
    """The outline without its flanges and bends made round a tube: the larger part at each fold line."""
    base = Polygon(panel.outline)
    for fold in panel.folds:
        if plan := flange_plan(panel.outline, fold.line):
            base = base.intersection(plan.base)
    for flange in panel.curved_flanges:
        base = base.difference(CurvedPlan(flange).polygon.buffer(0.01))
    t = min(panel.gauges)
    strips = [zone.strip for zone in bend_zones(panel, t) if is_round(zone, t)]
    return max(shapely.get_parts(base.difference(shapely.union_all(strips))), key=shapely.area) if strips else base

"""Beads, hole flanges and folded edges on the surrogate plate: curvature samples, their rigidity, what holes remove.

mm, N.

Ribs are integrated exactly over each triangle that they cross.  Evenly spaced samples alias with the mesh: the plate
then bends between the samples for nothing, and a bead seemed worth a tenth of its stiffness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
import shapely
from shapely.geometry import LineString, Point

from stiffen.analysis.loads import locate, plan_areas
from stiffen.fem import triangle
from stiffen.mesh.panel_mesh import Mesh, mesh_panel
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.shop.bead_section import taper
from stiffen.shop.bends import flanges

from .rib_stiffness import STEP_SHEET_WIDTH, rib_inertia


@dataclass(frozen=True, eq=False)
class StiffenerSamples:
    """Sample points along beads and hole flanges on the plate, for any gauge.

    curvature_rows: (r, 3 n) curvature along the stiffener at each sample.  ds: (r,) length, mm, that a sample stands
    for.  arc_length: (r,) its position along the path, mm.  first_rows: first row of each candidate.
    """

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    mesh: Mesh
    curvature_rows: sp.csr_matrix
    ds: np.ndarray
    arc_length: np.ndarray
    first_rows: np.ndarray


def stiffener_samples(panel: Panel, beads: tuple[Bead, ...], holes: tuple[Hole, ...], size: float) -> StiffenerSamples:
    """Samples of the beads, then the holes, on the flat panel; size: side of the triangles, mm."""
    mesh = mesh_panel(panel, Layout(min(panel.gauges)), size=size)
    paths = [np.array(bead.path) for bead in beads] + [_circle(hole) for hole in holes]
    width = 3 * len(mesh.plan)
    if not paths:
        none = np.zeros(0)
        return StiffenerSamples(beads, holes, mesh, sp.csr_matrix((0, width)), none, none, np.zeros(1, int))
    owner, points, tangents, ds, along = _gauss_points(mesh, paths)
    starts = np.searchsorted(owner, np.arange(len(paths) + 1))
    return StiffenerSamples(beads, holes, mesh, curvature_along(mesh, points, tangents), ds, along, starts)


def curvature_along(mesh: Mesh, points: np.ndarray, tangents: np.ndarray) -> sp.csr_matrix:
    """(p, 3 n) rows that give the plate's curvature at points (p, 2) along unit tangents (p, 2)."""
    cell, shares = locate(mesh, points)
    corners = triangle.curvature_matrix(mesh.plan[mesh.triangles], plan_areas(mesh.plan[mesh.triangles]), np.eye(3))
    B = np.einsum("pq,pqij->pij", shares, corners[cell])  # linear in the area coordinates
    x, y = tangents.T
    values = np.einsum("pi,pij->pj", np.stack([x**2, y**2, x * y], axis=1), B)
    columns = (3 * mesh.triangles[cell][:, :, None] + np.arange(3)).reshape(-1, 9)
    rows = np.repeat(np.arange(len(points)), 9)
    return sp.csr_matrix((values.ravel(), (rows, columns.ravel())), shape=(len(points), 3 * len(mesh.plan)))


def sample_weights(samples: StiffenerSamples, panel: Panel, t: float) -> np.ndarray:
    """(r,) E I ds of each sample, in sheet t mm thick."""
    weight = panel.material.E * samples.ds
    for i, bead in enumerate(samples.beads):
        mine = slice(samples.first_rows[i], samples.first_rows[i + 1])
        fade = taper(bead.die, samples.arc_length[mine], bead.length, bead.closed, bead.open_ends)
        weight[mine] *= rib_inertia(bead, t) * fade**2
    for i, hole in enumerate(samples.holes, start=len(samples.beads)):
        weight[samples.first_rows[i] : samples.first_rows[i + 1]] *= ring_inertia(hole, t)
    return weight


def flange_stiffness(panel: Panel, t: float, mesh: Mesh) -> sp.csr_matrix:
    """(3 n, 3 n) bending stiffness of the folded edges: each flange is a strip on edge with some sheet.

    Without it the plate would end in a soft flat strip where the panel has a stiff edge.
    """
    total = sp.csr_matrix((3 * len(mesh.plan),) * 2)
    for fold, flange in zip(panel.folds, flanges(panel, t), strict=True):
        line = panel.region.intersection(LineString(fold.line))
        for piece in shapely.get_parts(line):
            if piece.geom_type == "LineString" and piece.length > 0:
                _, points, tangents, ds, _ = _gauss_points(mesh, [np.array(piece.coords)])
                R = curvature_along(mesh, points, tangents)
                stiff = panel.material.E * flange_inertia(flange.outside, fold.angle, t)
                total = total + R.T @ sp.diags(stiff * ds) @ R
    return total.tocsr()


def flange_inertia(height: float, angle: float, t: float) -> float:
    """Second moment of area, mm4, of a flange `height` mm wide at an angle (degrees), with STEP_SHEET_WIDTH of sheet.

    Two thin strips.  The flat strip's own t^3/12 is left out, as the plate has it.
    """
    rise = height * abs(np.sin(np.radians(angle)))
    flange, sheet = height * t, STEP_SHEET_WIDTH * t
    z = flange * rise / 2 / (flange + sheet)
    return float(flange * (rise**2 / 12 + (rise / 2 - z) ** 2) + sheet * z**2)


def _circle(hole: Hole, n: int = 24) -> np.ndarray:
    """Closed polygon (n + 1, 2) on the fold circle of a flared hole."""
    turn = np.linspace(0, 2 * np.pi, n + 1)
    return np.array(hole.at) + hole.die.flange / 2 * np.column_stack([np.cos(turn), np.sin(turn)])


def _gauss_points(mesh: Mesh, paths: list[np.ndarray]) -> tuple[np.ndarray, ...]:
    """Two Gauss points on each piece of path inside one triangle, where curvature is linear, so the sum is exact.

    Evenly spaced samples would alias with the mesh: the plate would bend between them without energy.  Returns the path
    number (p,), points (p, 2), unit tangents (p, 2), length each stands for (p,), position along the path (p,).
    """
    owner = np.concatenate([np.full(len(path) - 1, i) for i, path in enumerate(paths)])
    start = np.concatenate([path[:-1] for path in paths])
    vector = np.concatenate([np.diff(path, axis=0) for path in paths])
    length = np.linalg.norm(vector, axis=1)
    before = np.concatenate(
        [np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))[:-1]]) for p in paths]
    )
    edges = np.unique(np.sort(mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    a, side = mesh.plan[edges[:, 0]], mesh.plan[edges[:, 1]] - mesh.plan[edges[:, 0]]
    tree = shapely.STRtree(shapely.linestrings(mesh.plan[edges]))
    which, edge = tree.query(shapely.linestrings(np.stack([start, start + vector], axis=1)))
    cross = vector[which, 0] * side[edge, 1] - vector[which, 1] * side[edge, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = a[edge] - start[which]
        t = (gap[:, 0] * side[edge, 1] - gap[:, 1] * side[edge, 0]) / cross
        s = (gap[:, 0] * vector[which, 1] - gap[:, 1] * vector[which, 0]) / cross
        meets = (t > 0) & (t < 1) & (s >= 0) & (s <= 1)
    number = np.arange(len(owner))
    cuts = np.column_stack(
        [
            np.concatenate([number, which[meets], number]),
            np.concatenate([np.zeros(len(owner)), t[meets], np.ones(len(owner))]),
        ]
    )
    cuts = cuts[np.lexsort((cuts[:, 1], cuts[:, 0]))]
    piece = np.flatnonzero((np.diff(cuts[:, 0]) == 0) & (np.diff(cuts[:, 1]) > 1e-9))
    i, t0, t1 = cuts[piece, 0].astype(int), cuts[piece, 1], cuts[piece + 1, 1]
    half = 0.5 / np.sqrt(3)
    t = np.stack([(t0 + t1) / 2 - half * (t1 - t0), (t0 + t1) / 2 + half * (t1 - t0)], axis=1).ravel()
    i = np.repeat(i, 2)
    ds = np.repeat((t1 - t0) / 2, 2) * length[i]
    return owner[i], start[i] + t[:, None] * vector[i], vector[i] / length[i, None], ds, before[i] + t * length[i]


def ring_inertia(hole: Hole, t: float) -> float:
    """Second moment of area, mm4, of the conical flange and an equal strip of sheet outside, about their centroid.

    Two thin strips of the flange's slant length, one inclined and one flat.  The flat strip's own t^3/12 is left out,
    as the plate has it.
    """
    die = hole.die
    run = (die.flange - die.finished) / 2
    slant = float(np.hypot(run, die.rise))
    z = die.rise / 4  # centroid of two equal strips, one at height rise/2
    own = slant * t * die.rise**2 / 12
    return own + slant * t * (die.rise / 2 - z) ** 2 + slant * t * z**2


def removed_shares(mesh: Mesh, beads: int, holes: tuple[Hole, ...]) -> sp.csr_matrix:
    """(candidates, m) share of each triangle inside the fold circle of each hole; beads have none."""
    rows, cols, values = [], [], []
    if holes:
        corners = mesh.plan[mesh.triangles]
        cells = shapely.polygons(corners)
        tree = shapely.STRtree(cells)
        for k, hole in enumerate(holes):
            disc = Point(hole.at).buffer(hole.die.flange / 2)
            near = tree.query(disc)
            part = shapely.area(shapely.intersection(cells[near], disc)) / shapely.area(cells[near])
            keep = part > 1e-6
            rows += [beads + k] * int(keep.sum())
            cols += near[keep].tolist()
            values += part[keep].tolist()
    return sp.csr_matrix((values, (rows, cols)), shape=(beads + len(holes), len(mesh.triangles)))

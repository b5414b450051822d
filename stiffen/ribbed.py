"""The scout: a flat plate with ribs, small deflections only, linear in the choice of beads and holes.

Bending alone, three freedoms a node (uz, rx, ry).  A bead adds E I kappa^2 along its axis, with I from its
cross-section about its own centroid with some sheet beside it, less the sheet that the plate has already; a flared
hole takes the plate's stiffness out of its circle and adds its flange as a ring.  So with 0/1 choices x

    K(x) = K0 + sum x_i K_i,        M(x) = M0 + sum x_i M_i.

It ranks layouts; it never decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
import shapely
from scipy.sparse.linalg import LinearOperator, eigsh
from shapely.geometry import LineString, Point

from . import triangle
from .layout import Bead, Hole, Layout
from .loads import case_forces, locate, point_masses, push_points, roving_places
from .mesh import Mesh, mesh_panel
from .panel import Demand, Panel
from .section import properties, taper
from .shell import TONNE, Shell, factorise
from .supports import FREE, grip

BESIDE = 1.5  # sheet that works with a bead on each side, as a multiple of the bead's width; see DEVELOPERS.md
STEP = 6.0  # mm between samples along a bead
PLATE_SIZE = 12.0  # mm, elements of the plate
PUSH_SPACING = 45.0  # mm between places pushed for softness
KNOWN = ("deflection", "softness", "frequency")  # the demands a scout can speak to
LEFT_OVER = 1e-3  # part of the plate's stiffness left inside a hole, so that its nodes stay held


def rib_inertia(bead: Bead, t: float) -> float:
    """Second moment, mm4, that a bead adds to the sheet it is rolled in (full depth)."""
    width = bead.die.width * (1 + 2 * BESIDE)
    return properties(bead.die, t, width).I - width * t**3 / 12


@dataclass(frozen=True, eq=False)
class Response:
    """What the plate does with one choice: value of each demand it knows (by index into panel.demands), and its fields.

    sensitivity: demand index -> (lam, u), fields (3 n,) such that d value/d x_i = -scale lam^T K_i u.
    """

    values: dict[int, float]
    pairs: dict[int, tuple[np.ndarray, np.ndarray, float]]


@dataclass(frozen=True, eq=False)
class Scout:
    """The ribbed plate of one panel at one gauge with its candidates; see `scout`."""

    panel: Panel
    gauge: float
    mesh: Mesh
    K0: sp.csr_matrix  # (3 n, 3 n)
    kilograms: np.ndarray  # (n,) on each node, flat sheet and what is bolted on
    held: np.ndarray  # freedoms held
    ribs: sp.csr_matrix  # (r, 3 n): curvature along the bead at each sample
    rib_weight: np.ndarray  # (r,) E I ds
    rib_rows: np.ndarray  # (number of candidates + 1,) first row of each candidate
    removed: sp.csr_matrix  # (candidates, m): fraction of each triangle's stiffness that a hole takes out
    elements: np.ndarray  # (m, 9, 9) the plate's own element matrices

    @cached_property
    def free(self) -> np.ndarray:
        mask = np.ones(self.K0.shape[0], bool)
        mask[self.held] = False
        return np.flatnonzero(mask)

    @cached_property
    def freedoms(self) -> np.ndarray:
        """(m, 9) freedoms of each triangle."""
        return (3 * self.mesh.triangles[:, :, None] + np.arange(3)).reshape(-1, 9)

    @cached_property
    def forces(self) -> dict[int, np.ndarray]:
        """Demand index -> (3 n, k) forces: one column a case, or one for each place of a roving patch."""
        out = {}
        for i, demand in enumerate(self.panel.demands):
            if demand.kind == "deflection":
                places = roving_places(self.panel, demand.case, step=1.0) or [None]
                columns = [case_forces(self.panel, self.mesh, self.kilograms, demand.case, p) for p in places]
                out[i] = np.stack([_bending_only(column) for column in columns], axis=1)
        return out

    @cached_property
    def pushes(self) -> np.ndarray:
        """Nodes pushed for softness."""
        return push_points(self.mesh, PUSH_SPACING)

    @cached_property
    def push_forces(self) -> np.ndarray:
        """(3 n, k) unit pushes, N."""
        out = np.zeros((self.K0.shape[0], len(self.pushes)))
        out[3 * self.pushes, np.arange(len(self.pushes))] = 1.0
        return out

    def stiffness(self, chosen: tuple[int, ...]) -> sp.csr_matrix:
        """K(x) for candidates `chosen`."""
        K = self.K0
        if not chosen:
            return K
        lost = np.asarray(self.removed[list(chosen)].sum(axis=0)).ravel()
        cut = np.flatnonzero(lost)
        if len(cut):
            part = -self.elements[cut] * np.minimum(lost[cut], 1 - LEFT_OVER)[:, None, None]
            rows = np.repeat(self.freedoms[cut], 9, axis=1).ravel()
            cols = np.tile(self.freedoms[cut], (1, 9)).ravel()
            K = K + sp.csr_matrix((part.ravel(), (rows, cols)), shape=K.shape)
        rows = np.concatenate([np.arange(self.rib_rows[i], self.rib_rows[i + 1]) for i in chosen])
        R = self.ribs[rows]
        return K + R.T @ sp.diags(self.rib_weight[rows]) @ R

    def respond(self, chosen: tuple[int, ...]) -> Response:
        """Solve with candidates `chosen`."""
        free = self.free
        solve = factorise(self.stiffness(chosen)[free][:, free].tocsc())
        values: dict[int, float] = {}
        pairs: dict[int, tuple[np.ndarray, np.ndarray, float]] = {}

        def solved(forces: np.ndarray) -> np.ndarray:
            u = np.zeros_like(forces)
            u[free] = solve(np.ascontiguousarray(forces[free]))
            return u

        per_newton = None
        for i, demand in enumerate(self.panel.demands):
            if demand.kind == "deflection":
                u = solved(self.forces[i])
                node, case = np.unravel_index(np.abs(u[::3]).argmax(), u[::3].shape)
                unit = np.zeros(u.shape[0])
                unit[3 * node] = np.sign(u[3 * node, case])
                values[i] = float(abs(u[3 * node, case]))
                pairs[i] = solved(unit), u[:, case], 1.0
            elif demand.kind == "softness":
                if per_newton is None:
                    per_newton = solved(self.push_forces)
                soft = per_newton[3 * self.pushes, np.arange(len(self.pushes))]
                worst = int(soft.argmax())
                values[i] = float(demand.force * soft[worst])
                pairs[i] = per_newton[:, worst], per_newton[:, worst], demand.force
            elif demand.kind == "frequency":
                hertz, shape = self._first_mode(chosen, solve)
                values[i] = hertz
                # d(1/f)/dx = -(1/2f) p^T K_i p / (p^T K p): scaled so that it reads as a relative gain
                pairs[i] = shape, shape, 0.5 / hertz / float(shape @ (self.stiffness(chosen) @ shape))
        return Response(values, pairs)

    def _first_mode(self, chosen: tuple[int, ...], solve) -> tuple[float, np.ndarray]:
        free = self.free
        M = sp.diags(self.node_mass(chosen)[free] * TONNE).tocsc()
        inverse = LinearOperator((len(free), len(free)), matvec=solve, dtype=float)
        K = self.stiffness(chosen)[free][:, free]
        value, vector = eigsh(K, k=1, M=M, sigma=0.0, OPinv=inverse, v0=np.ones(len(free)), tol=1e-6)
        shape = np.zeros(self.K0.shape[0])
        shape[free] = vector[:, 0]
        return float(np.sqrt(max(value[0], 0.0)) / (2 * np.pi)), shape

    def node_mass(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(3 n,) kg (kg mm2 on turns) on each freedom."""
        lost = np.zeros(len(self.elements))
        if chosen:
            lost = np.asarray(self.removed[list(chosen)].sum(axis=0)).ravel()
        corners = self.mesh.plan[self.mesh.triangles]
        u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2
        less = self.panel.material.rho * self.gauge * area * np.minimum(lost, 1 - LEFT_OVER) / 3
        kg = self.kilograms - np.bincount(self.mesh.triangles.ravel(), np.repeat(less, 3), len(self.mesh.plan))
        return np.stack([kg, kg * self.gauge**2 / 12, kg * self.gauge**2 / 12], axis=1).ravel()

    def gains(self, response: Response, weights: dict[int, float]) -> np.ndarray:
        """(candidates,) first-order fall of the weighted sum of value/limit (limit/value for frequency) for each bead.

        From the adjoint: d value/d x_i = -lam^T K_i u.  Holes come out as zero.
        """
        total = np.zeros(len(self.rib_rows) - 1)
        for i, weight in weights.items():
            lam, u, scale = response.pairs[i]
            limit = self.panel.demands[i].limit
            factor = scale * (limit if self.panel.demands[i].kind == "frequency" else 1 / limit)
            density = self.rib_weight * (self.ribs @ lam) * (self.ribs @ u)
            sums = np.concatenate([[0.0], np.cumsum(density)])
            total += weight * factor * (sums[self.rib_rows[1:]] - sums[self.rib_rows[:-1]])
        return total


def _bending_only(forces: np.ndarray) -> np.ndarray:
    """(3 n,) of (6 n,): uz, rx, ry."""
    return forces.reshape(-1, 6)[:, 2:5].ravel()


def badness(demand: Demand, value: float) -> float:
    """value/limit, or limit/value where more is better: over 1 is not met."""
    return value / demand.limit if demand.at_most else demand.limit / max(value, 1e-12)


def scout(
    panel: Panel, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = (), size: float = PLATE_SIZE
) -> Scout:
    """The ribbed plate of `panel` at `gauge` mm; candidates are numbered beads first, then holes."""
    mesh = mesh_panel(panel, Layout(gauge), size=size)
    flat = np.column_stack([mesh.plan, np.zeros(len(mesh.plan))])
    material = panel.material
    shape = triangle.facets(flat, mesh.triangles)
    D = triangle.plane_stress(material.E, material.nu) * gauge**3 / 12
    # the plan's own axes, not each triangle's: e1 of a facet runs along its side
    xy = flat[mesh.triangles][:, :, :2]
    elements = triangle.bending(xy, shape.area, D)
    freedoms = (3 * mesh.triangles[:, :, None] + np.arange(3)).reshape(-1, 9)
    size3 = 3 * len(flat)
    rows, cols = np.repeat(freedoms, 9, axis=1).ravel(), np.tile(freedoms, (1, 9)).ravel()
    K0 = sp.csr_matrix((elements.ravel(), (rows, cols)), shape=(size3, size3))
    hold = grip(panel, mesh, FREE)
    node, which = np.divmod(hold.fixed, 6)
    bend = (which >= 2) & (which <= 4)
    if hold.springs is not None:
        k = hold.springs.diagonal().reshape(-1, 6)[:, 2:5].ravel()
        K0 = (K0 + sp.diags(k)).tocsr()
    kilograms = Shell(flat, mesh.triangles, gauge, material.E, material.nu, material.rho).weight_at_nodes
    extra = point_masses(panel, mesh)
    if extra is not None:
        kilograms = kilograms + extra.reshape(-1, 6)[:, 0]
    ribs, weight, starts = _ribs(panel, gauge, mesh, beads, holes)
    removed = _removed(mesh, len(beads), holes)
    return Scout(
        panel, gauge, mesh, K0, kilograms, 3 * node[bend] + which[bend] - 2, ribs, weight, starts, removed, elements
    )


def _ribs(panel: Panel, t: float, mesh: Mesh, beads, holes) -> tuple[sp.csr_matrix, np.ndarray, np.ndarray]:
    points, tangents, weights, counts = [], [], [], []
    for bead in beads:
        line = LineString(bead.path)
        n = max(2, round(line.length / STEP))
        ds = line.length / n
        along = (np.arange(n) + 0.5) * ds
        points.append(shapely.get_coordinates(shapely.line_interpolate_point(line, along)))
        ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, along + ds / 4))
        back = shapely.get_coordinates(shapely.line_interpolate_point(line, along - ds / 4))
        tangents.append(ahead - back)
        fade = taper(bead.die, along, line.length, bead.closed)
        weights.append(panel.material.E * rib_inertia(bead, t) * fade**2 * ds)
        counts.append(n)
    for hole in holes:
        r = hole.die.flange / 2
        n = max(12, round(2 * np.pi * r / STEP))
        turn = (np.arange(n) + 0.5) * 2 * np.pi / n
        points.append(np.array(hole.at) + r * np.column_stack([np.cos(turn), np.sin(turn)]))
        tangents.append(np.column_stack([-np.sin(turn), np.cos(turn)]))
        weights.append(np.full(n, panel.material.E * ring_inertia(hole, t) * 2 * np.pi * r / n))
        counts.append(n)
    starts = np.concatenate([[0], np.cumsum(counts)]).astype(int)
    size = 3 * len(mesh.plan)
    if not counts:
        return sp.csr_matrix((0, size)), np.zeros(0), starts
    P, T = np.concatenate(points), np.concatenate(tangents)
    T /= np.linalg.norm(T, axis=1)[:, None]
    cell, shares = locate(mesh, P)
    xy = mesh.plan[mesh.triangles[cell]]
    area = np.abs(np.linalg.det(np.stack([xy[:, 1] - xy[:, 0], xy[:, 2] - xy[:, 0]], axis=1))) / 2
    B = _curvature_at(xy, area, shares)
    direction = np.stack([T[:, 0] ** 2, T[:, 1] ** 2, T[:, 0] * T[:, 1]], axis=1)
    values = np.einsum("pi,pij->pj", direction, B)
    columns = (3 * mesh.triangles[cell][:, :, None] + np.arange(3)).reshape(-1, 9)
    rows = np.repeat(np.arange(len(P)), 9)
    return (
        sp.csr_matrix((values.ravel(), (rows, columns.ravel())), shape=(len(P), size)),
        np.concatenate(weights),
        starts,
    )


def _curvature_at(xy: np.ndarray, area: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """(p, 3, 9): B of triangle p at its own point; B is linear in the area coordinates, so corners suffice."""
    corners = triangle.curvature(xy, area, np.eye(3))
    return np.einsum("pq,pqij->pij", shares, corners)


def ring_inertia(hole: Hole, t: float) -> float:
    """Second moment, mm4, about the section's own centroid, of the conical flange with an equal strip of sheet outside.

    Two thin strips of the flange's slant length: one inclined, one flat; the flat one's own t^3/12 is the plate's.
    """
    die = hole.die
    run = (die.flange - die.finished) / 2
    slant = float(np.hypot(run, die.rise))
    z = die.rise / 4  # centroid of two equal strips, one at height rise/2
    own = slant * t * die.rise**2 / 12
    return own + slant * t * (die.rise / 2 - z) ** 2 + slant * t * z**2


def _removed(mesh: Mesh, beads: int, holes: tuple[Hole, ...]) -> sp.csr_matrix:
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

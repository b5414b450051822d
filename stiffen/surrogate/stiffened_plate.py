"""The surrogate: a flat plate with ribs, small deflections only, linear in the choice of beads and holes.

Bending only, three freedoms a node (uz, rx, ry).  A bead adds E I kappa^2 along its axis.  I is that of its section
with some sheet beside it, less that of the flat sheet.  A flared hole removes the plate's stiffness inside its circle
and adds its flange as a ring.  So with 0/1 choices x

    K(x) = K0 + sum x_i K_i,        M(x) = M0 + sum x_i M_i.

The surrogate ranks layouts.  It never decides whether a demand is met.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import LinearOperator, eigsh

from stiffen.analysis.demand_values import require_known_demands
from stiffen.analysis.loads import case_forces, lumped_masses, moving_patch_positions, plan_areas, probe_points
from stiffen.analysis.supports import FREE, build_restraints
from stiffen.fem import triangle
from stiffen.fem.linear import TONNES_PER_KG
from stiffen.fem.shell import Shell
from stiffen.fem.sparse_lu import elimination_order, spd_solver
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.layout import Bead, Hole
from stiffen.model.panel import Panel

from .stiffeners import StiffenerSamples, flange_stiffness, removed_shares, sample_weights, stiffener_samples

ELEMENT_SIZE = 12.0  # mm, elements of the plate
PROBE_SPACING = 45.0  # mm between points pushed for softness
SUM_AT_ONCE_ABOVE = 100  # beads; more of them at a time (in bounds) are summed in one product
RESIDUAL_STIFFNESS_SHARE = 1e-3  # share of the plate's stiffness left inside a hole, so that K stays regular


@dataclass(frozen=True, eq=False)
class SurrogateResponse:
    """The response of the plate to one choice of candidates.

    values: demand index -> value, for the demands that the surrogate covers.  adjoint_fields: demand index -> (lam, u,
    scale), fields (freedoms,) such that d value/d x_i = -scale lam^T K_i u (d ln f/d x_i = +scale ... for a frequency
    f).
    """

    values: dict[int, float]
    adjoint_fields: dict[int, tuple[np.ndarray, np.ndarray, float]]


@dataclass(frozen=True, eq=False)
class StiffenedPlate:
    """The surrogate of one panel at one gauge with its candidates: beads, then holes; made by `stiffened_plate`.

    All matrices are in the free freedoms, in an order of elimination that keeps the factor sparse.  No bead or hole
    adds an entry to the pattern of K0, so one order serves all choices.
    """

    panel: Panel
    gauge: float
    mesh: Mesh
    dof_numbers: np.ndarray  # (3 n,) index of each freedom among the free ones, -1 if fixed
    K0: sp.csc_matrix
    nodal_mass: np.ndarray  # (n,) kg on each node: flat sheet, bolted-on masses, trims
    elements: np.ndarray  # (m, 9, 9) element matrices of the plate
    curvature_rows: sp.csr_matrix  # (r, free): curvature along the bead or flange at each sample
    weights: np.ndarray  # (r,) E I ds
    first_rows: np.ndarray  # (candidates + 1,) first row of each candidate
    removed_shares: sp.csr_matrix  # (candidates, m): share of each triangle that a hole removes
    pilot_shares: np.ndarray  # (candidates,) pilot area over area inside the fold circle: share of mass removed
    samples: StiffenerSamples  # of the candidates it was made with

    def grouped(self, ends: np.ndarray) -> StiffenedPlate:
        """The same plate with beads ends[k] to ends[k + 1] as candidate k; for beads only."""
        size = len(ends) - 1
        nothing = sp.csr_matrix((size, self.removed_shares.shape[1]))
        return replace(self, first_rows=self.first_rows[ends], removed_shares=nothing, pilot_shares=np.zeros(size))

    def joined(self, other: StiffenedPlate) -> StiffenedPlate:
        """The same plate with the candidates of `other`, of the same panel and gauge, after its own."""
        return replace(
            self,
            curvature_rows=sp.vstack([self.curvature_rows, other.curvature_rows]).tocsr(),
            weights=np.concatenate([self.weights, other.weights]),
            first_rows=np.concatenate([self.first_rows, self.first_rows[-1] + other.first_rows[1:]]),
            removed_shares=sp.vstack([self.removed_shares, other.removed_shares]).tocsr(),
            pilot_shares=np.concatenate([self.pilot_shares, other.pilot_shares]),
        )

    @cached_property
    def forces(self) -> dict[int, np.ndarray]:
        """Demand index -> (free, k) forces: one column a case, or one for each position of a moving patch."""
        out = {}
        for i, demand in enumerate(self.panel.demands):
            if demand.kind == "deflection":
                places = moving_patch_positions(self.panel, demand.case, step=1.0) or [None]
                columns = [case_forces(self.panel, self.mesh, self.nodal_mass, demand.case, p) for p in places]
                out[i] = self._free_rows(np.stack([c.reshape(-1, 6)[:, 2:5].ravel() for c in columns], axis=1))
        return out

    @cached_property
    def probe_dofs(self) -> np.ndarray:
        """Indices of the free freedoms pushed for softness."""
        places = self.dof_numbers[3 * probe_points(self.mesh, PROBE_SPACING)]
        return places[places >= 0]

    @cached_property
    def deflection_dofs(self) -> np.ndarray:
        """Indices of the free freedoms that are deflections."""
        places = self.dof_numbers[::3]
        return places[places >= 0]

    def _free_rows(self, full: np.ndarray) -> np.ndarray:
        """Rows of a (3 n, ...) array in the order of the free freedoms."""
        out = np.zeros((self.K0.shape[0], *full.shape[1:]))
        keep = self.dof_numbers >= 0
        out[self.dof_numbers[keep]] = full[keep]
        return out

    @cached_property
    def _pattern_keys(self) -> np.ndarray:
        """Column-major keys of the pattern of K0, rising."""
        size = self.K0.shape[0]
        return np.repeat(np.arange(size), np.diff(self.K0.indptr)) * size + self.K0.indices

    @cached_property
    def _candidate_stiffnesses(self) -> dict[int, tuple[np.ndarray, np.ndarray]]:
        """Cache of `stiffness_of`."""
        return {}

    def stiffness_of(self, i: int) -> tuple[np.ndarray, np.ndarray]:
        """K_i of a candidate: indices into K0.data, and values."""
        if i not in self._candidate_stiffnesses:
            rows = slice(self.first_rows[i], self.first_rows[i + 1])
            R = self.curvature_rows[rows]
            K = (R.T @ sp.diags(self.weights[rows]) @ R).tocoo()
            row, col, value = K.row, K.col, K.data
            lost = self.removed_shares[i]
            if lost.nnz:
                at = self.dof_numbers[(3 * self.mesh.triangles[lost.indices][:, :, None] + np.arange(3)).reshape(-1, 9)]
                cut = -(1 - RESIDUAL_STIFFNESS_SHARE) * lost.data[:, None, None] * self.elements[lost.indices]
                er, ec = np.repeat(at, 9, axis=1).ravel(), np.tile(at, (1, 9)).ravel()
                keep = (er >= 0) & (ec >= 0)
                row, col = np.concatenate([row, er[keep]]), np.concatenate([col, ec[keep]])
                value = np.concatenate([value, cut.ravel()[keep]])
            place = np.searchsorted(self._pattern_keys, col.astype(np.int64) * self.K0.shape[0] + row)
            self._candidate_stiffnesses[i] = place, value
        return self._candidate_stiffnesses[i]

    def stiffness(self, chosen: tuple[int, ...]) -> sp.csc_matrix:
        """K(x) for candidates `chosen`."""
        if len(chosen) > SUM_AT_ONCE_ABOVE:
            return self._stiffness_at_once(chosen)
        data = self.K0.data.copy()
        for i in chosen:
            place, value = self.stiffness_of(i)
            np.add.at(data, place, value)
        return sp.csc_matrix((data, self.K0.indices, self.K0.indptr), shape=self.K0.shape)

    def _stiffness_at_once(self, chosen: tuple[int, ...]) -> sp.csc_matrix:
        """K(x) for a large number of beads, in one product."""
        used = np.concatenate([np.arange(self.first_rows[i], self.first_rows[i + 1]) for i in chosen])
        R = self.curvature_rows[used]
        return (self.K0 + R.T @ sp.diags(self.weights[used]) @ R).tocsc()

    def respond(self, chosen: tuple[int, ...], skip: Collection[int] = ()) -> SurrogateResponse:
        """Solve with candidates `chosen`; skip: indices of demands to leave out."""
        K = self.stiffness(chosen)
        solve = spd_solver(K, ordered=True)
        values: dict[int, float] = {}
        pairs: dict[int, tuple[np.ndarray, np.ndarray, float]] = {}
        soft = None
        for i, demand in enumerate(self.panel.demands):
            if i in skip:
                continue
            if demand.kind == "deflection":
                u = solve(self.forces[i])
                w = u[self.deflection_dofs]
                node, case = np.unravel_index(np.abs(w).argmax(), w.shape)
                values[i] = float(abs(w[node, case]))
                unit = np.zeros(len(u))
                unit[self.deflection_dofs[node]] = np.sign(w[node, case])
                pairs[i] = solve(unit), u[:, case], 1.0
            elif demand.kind == "softness":
                if soft is None:
                    unit = np.zeros((K.shape[0], len(self.probe_dofs)))
                    unit[self.probe_dofs, np.arange(len(self.probe_dofs))] = 1.0
                    u = solve(unit)
                    own = u[self.probe_dofs, np.arange(len(self.probe_dofs))]
                    soft = own.max(), u[:, own.argmax()]
                values[i] = float(demand.force * soft[0])
                pairs[i] = soft[1], soft[1], demand.force
            elif demand.kind == "frequency":
                values[i], shape = self._first_mode(chosen, K, solve)
                pairs[i] = shape, shape, 0.5 / float(shape @ (K @ shape))
        return SurrogateResponse(values, pairs)

    def _first_mode(
        self, chosen: tuple[int, ...], K: sp.csc_matrix, solve: Callable[[np.ndarray], np.ndarray]
    ) -> tuple[float, np.ndarray]:
        """First natural frequency, Hz, and its shape (free,)."""
        inverse = LinearOperator(K.shape, matvec=solve, dtype=float)
        M = sp.diags(self.node_mass(chosen) * TONNES_PER_KG).tocsc()
        value, vector = eigsh(K, k=1, M=M, sigma=0.0, OPinv=inverse, v0=np.ones(K.shape[0]), tol=1e-5, ncv=8)
        return float(np.sqrt(max(value[0], 0.0)) / (2 * np.pi)), vector[:, 0]

    def node_mass(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(free,) kg (kg mm2 on rotations) on each freedom."""
        kg = self.nodal_mass
        lost = self.removed_shares[list(chosen)]
        if lost.nnz:
            area = plan_areas(self.mesh.plan[self.mesh.triangles])
            share = self.pilot_shares[list(chosen)] @ lost
            less = self.panel.material.rho * self.gauge * area * share / 3
            kg = kg - np.bincount(self.mesh.triangles.ravel(), np.repeat(less, 3), len(kg))
        turn = kg * self.gauge**2 / 12
        return self._free_rows(np.stack([kg, turn, turn], axis=1).ravel())

    def gains(self, response: SurrogateResponse, weights: dict[int, float]) -> np.ndarray:
        """(candidates,) first-order decrease of the weighted sum of value/limit (limit/value for a frequency).

        By the adjoint: d value/d x_i = -lam^T K_i u.  Holes come out negative; the mass they save is left out.
        """
        total = np.zeros(len(self.first_rows) - 1)
        for i, weight in weights.items():
            lam, u, scale = response.adjoint_fields[i]
            demand = self.panel.demands[i]
            factor = weight * scale * (1 / demand.limit if demand.at_most else demand.limit / response.values[i])
            total += factor * self.energies(lam, u)
        return total

    def energies(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """(candidates,) a^T K_i b of two fields (free,), N mm."""
        density = self.weights * (self.curvature_rows @ a) * (self.curvature_rows @ b)
        sums = np.concatenate([[0.0], np.cumsum(density)])
        out = sums[self.first_rows[1:]] - sums[self.first_rows[:-1]]
        if self.removed_shares.nnz:
            at = (3 * self.mesh.triangles[:, :, None] + np.arange(3)).reshape(-1, 9)
            a, b = (np.where(self.dof_numbers[at] >= 0, v[self.dof_numbers[at]], 0.0) for v in (a, b))
            out -= (1 - RESIDUAL_STIFFNESS_SHARE) * (
                self.removed_shares @ np.einsum("mi,mij,mj->m", a, self.elements, b)
            )
        return out


def stiffened_plate(
    panel: Panel,
    gauge: float,
    beads: tuple[Bead, ...] = (),
    holes: tuple[Hole, ...] = (),
    size: float = ELEMENT_SIZE,
    reuse: StiffenedPlate | None = None,
) -> StiffenedPlate:
    """The surrogate of `panel` at `gauge` mm; candidates are numbered beads first, then holes.

    reuse: the same plate at another gauge; its samples are reused if its candidates are the same.  Raises InputError
    for a demand that cannot be evaluated.
    """
    require_known_demands(panel)
    known = reuse is not None and (reuse.samples.beads, reuse.samples.holes) == (beads, holes)
    rows = reuse.samples if known else stiffener_samples(panel, beads, holes, size)
    mesh = rows.mesh
    material = panel.material
    flat = np.column_stack([mesh.plan, np.zeros(len(mesh.plan))])
    xy = mesh.plan[mesh.triangles]  # the plan's own axes, not each triangle's
    D = triangle.plane_stress_matrix(material.E, material.nu) * gauge**3 / 12
    elements = triangle.bending_stiffness(xy, plan_areas(xy), D)
    at = (3 * mesh.triangles[:, :, None] + np.arange(3)).reshape(-1, 9)
    size3 = 3 * len(flat)
    place = np.repeat(at, 9, axis=1).ravel(), np.tile(at, (1, 9)).ravel()
    edges = flange_stiffness(panel, gauge, mesh).tocoo()  # joined before summing, as a sum of matrices would drop zeros
    both = np.concatenate([place[0], edges.row]), np.concatenate([place[1], edges.col])
    K0 = sp.csr_matrix((np.concatenate([elements.ravel(), edges.data]), both), shape=(size3, size3))
    hold = build_restraints(panel, mesh, FREE)
    if hold.springs is not None:
        K0 = (K0 + sp.diags(hold.springs.diagonal().reshape(-1, 6)[:, 2:5].ravel())).tocsr()
    node, which = np.divmod(hold.linear_fixed, 6)
    bend = (which >= 2) & (which <= 4)
    free = np.setdiff1d(np.arange(size3), 3 * node[bend] + which[bend] - 2)
    free = free[elimination_order(K0[free][:, free].tocsc())]
    number = np.full(size3, -1)
    number[free] = np.arange(len(free))
    K0 = K0[free][:, free].tocsc()
    K0.sort_indices()
    kilograms = Shell(flat, mesh.triangles, gauge, material.E, material.nu, material.rho).nodal_mass
    extra = lumped_masses(panel, mesh)
    if extra is not None:
        kilograms = kilograms + extra.reshape(-1, 6)[:, 0]
    weights = sample_weights(rows, panel, gauge)
    removed = removed_shares(mesh, len(beads), holes)
    cut_out = np.array([0.0] * len(beads) + [(hole.die.pilot / hole.die.flange) ** 2 for hole in holes])
    return StiffenedPlate(
        panel,
        gauge,
        mesh,
        number,
        K0,
        kilograms,
        elements,
        rows.curvature_rows[:, free].tocsr(),
        weights,
        rows.first_rows,
        removed,
        cut_out,
        rows,
    )

"""Equilibrium of a shell at large displacements and rotations: internal forces, loads, tangent and its factors.

Forces are conjugate to steps (displacements, and spins about the fixed axes).  All loads are proportional to one load
factor.  n nodes, m triangles.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError

from . import corotational, rotations, triangle
from .contact import NonlinearSupport
from .corotational import CorotationalElements, ElementState, State
from .direct_solvers import sparse_lu
from .direct_solvers.multifrontal import Dissection
from .direct_solvers.sparse_lu import SparseFactors
from .edge_beams import EdgeBeams
from .shell import Shell


@dataclass(frozen=True, eq=False)
class Response:
    """The shell at a state.

    internal_forces: (6 n,) of elements, edge beams and supports.  support_forces: (6 n,) the part of internal_forces
    that is due to supports.  energy: strain energy of all of them, N mm.  element_states: one for each chunk of
    triangles.  added_stiffness: (6 n, 6 n) of supports and edge beams, None where there are none.  load: (6 n,) at load
    factor 1.
    """

    state: State
    internal_forces: np.ndarray
    support_forces: np.ndarray
    energy: float
    element_states: tuple[ElementState, ...]
    added_stiffness: sp.csr_matrix | None
    load: np.ndarray

    @property
    def element_forces(self) -> list[np.ndarray]:
        """Local nodal forces (k, 18) of each chunk of triangles."""
        return [element_state.local_forces for element_state in self.element_states]


@dataclass(frozen=True, eq=False)
class NonlinearProblem:
    """A shell with DOFs `fixed` at zero, dead loads `forces` (6 n,) N and N mm, follower `pressure` (m,) MPa.

    supports: elastic, unilateral and gap supports.  edge_beams: beams attached to the sheet itself.
    """

    shell: Shell
    fixed: np.ndarray
    forces: np.ndarray
    pressure: np.ndarray | None = None
    supports: tuple[NonlinearSupport, ...] = ()
    edge_beams: EdgeBeams | None = None

    @cached_property
    def elements(self) -> CorotationalElements:
        """The triangles as corotational elements."""
        shell = self.shell
        return CorotationalElements(shell.triangles, shell.geometry, shell.element_stiffness)

    @cached_property
    def is_free(self) -> np.ndarray:
        """(6 n,) bool: DOFs that are not constrained."""
        mask = np.ones(self.shell.dof_count, bool)
        mask[self.fixed] = False
        return mask

    @cached_property
    def dissection(self) -> Dissection:
        """Elimination order of the nodes, shared by all tangents."""
        at_rest = np.zeros(self.shell.dof_count)
        added = [support.respond(at_rest)[2] for support in self.supports]  # they couple the same DOFs at every state
        if self.edge_beams is not None:
            added.append(self.edge_beams.stiffness_at_rest(len(self.shell.nodes)))
        return self.shell.dissection_with(sum(added[1:], added[0])) if added else self.shell.dissection

    @cached_property
    def moment_stiffness(self) -> sp.csr_matrix | None:
        """(6 n, 6 n) unsymmetric tangent stiffness of dead moments M on nodes, per unit load factor; None without M.

        Spins do not commute: the internal moments, whose sum is M, have the stiffness -skew(M)/2, which the symmetric
        element tangents lack (Nour-Omid & Rankin 1991).
        """
        moments = self.forces.reshape(-1, 2, 3)[:, 1]
        nodes = np.flatnonzero(moments.any(axis=1))
        if not len(nodes):
            return None
        blocks = -rotations.skew(moments[nodes]) / 2
        dofs = 6 * nodes[:, None] + np.arange(3, 6)
        rows, cols = np.broadcast_arrays(dofs[:, :, None], dofs[:, None, :])
        size = self.shell.dof_count
        return sp.csr_matrix((blocks.ravel(), (rows.ravel(), cols.ravel())), shape=(size, size))

    @cached_property
    def element_dofs(self) -> np.ndarray:
        """(18 m,) DOFs of the triangles' corners."""
        return (6 * self.shell.triangles[:, :, None] + np.arange(6)).ravel()

    @cached_property
    def rotation_scale(self) -> np.ndarray:
        """(6 n,) 1 for displacements, 1 / (median element size) for spins: makes moments and forces comparable."""
        side = float(np.sqrt(np.median(self.shell.geometry.area)))
        return np.tile([1.0, 1.0, 1.0, 1 / side, 1 / side, 1 / side], len(self.shell.nodes))

    def respond(self, state: State) -> Response:
        """Internal forces and loads at a state."""
        elements = self.elements
        element_states = []
        element_forces = np.empty((len(elements.triangles), 18))
        energy = 0.0
        for chunk in elements.chunks():
            element_state = elements.element_state(chunk, state)
            element_states.append(element_state)
            element_forces[chunk] = corotational.nodal_forces(element_state)
            energy += float(np.vdot(element_state.local_forces, element_state.deformation)) / 2
        internal = np.bincount(self.element_dofs, element_forces.ravel(), self.shell.dof_count)
        support_forces, added = np.zeros(self.shell.dof_count), []
        if self.supports:
            u = state.dofs
            for support in self.supports:
                forces, work, K = support.respond(u)
                support_forces += forces
                energy += work
                added.append(K)
            # moments conjugate to the rotation vector become moments about the fixed axes
            moments = support_forces.reshape(-1, 2, 3)[:, 1]
            loaded = np.flatnonzero(moments.any(axis=1))
            rates = rotations.rotation_rate_matrices(u.reshape(-1, 2, 3)[loaded, 1])
            moments[loaded] = np.einsum("kij,ki->kj", rates, moments[loaded])
        if self.edge_beams is not None:
            forces, work, K = self.edge_beams.respond(state)
            internal += forces
            energy += work
            added.append(K)
        return Response(
            state,
            internal + support_forces,
            support_forces,
            energy,
            tuple(element_states),
            sum(added[1:], added[0]) if added else None,
            self.load(state),
        )

    def _current_corners(self, state: State) -> np.ndarray:
        """(m, 3, 3) corners of the triangles at a state, mm."""
        return (self.shell.nodes + state.displacements)[self.shell.triangles]

    def load(self, state: State) -> np.ndarray:
        """(6 n,) loads at load factor 1."""
        if self.pressure is None:
            return self.forces
        corner_forces = corotational.pressure_forces(self._current_corners(state), self.pressure)
        out = self.forces.reshape(-1, 6).copy()
        for axis in range(3):
            out[:, axis] += np.bincount(self.shell.triangles.ravel(), np.repeat(corner_forces[:, axis], 3), len(out))
        return out.ravel()

    def residual(self, response: Response, factor: float) -> np.ndarray:
        """(6 n,) external minus internal forces; zero at constrained DOFs."""
        return self.free_part(factor * response.load - response.internal_forces)

    def free_part(self, forces: np.ndarray) -> np.ndarray:
        """Forces (6 n,) with zeros at constrained DOFs."""
        return np.where(self.is_free, forces, 0.0)

    def force_norm(self, forces: np.ndarray) -> float:
        """Euclidean norm, N, of forces and moments (6 n,), moments divided by the median element size."""
        return float(np.linalg.norm(forces * self.rotation_scale))

    def roundoff_residual(self, response: Response) -> float:
        """Residual (N, as by `force_norm`) due to rounding of the displacements; iterations cannot get below it."""
        span = float(np.abs(response.state.displacements).max() + np.sqrt(self.shell.geometry.area.max()))
        return float(np.finfo(float).eps * span * self.max_stiffness * np.sqrt(self.is_free.sum()))

    @cached_property
    def max_stiffness(self) -> float:
        """Largest stiffness of a triangle against an in-plane displacement of a corner, N/mm."""
        return float(self.elements.stiffness[:, [0, 1], [0, 1]].max())

    def predict_element_forces(self, response: Response, step: np.ndarray) -> list[np.ndarray]:
        """First-order prediction of the local forces (k, 18) of each chunk after a step (6 n,)."""
        elements = self.elements
        return [
            elements.predict_forces(chunk, element_state, step)
            for chunk, element_state in zip(elements.chunks(), response.element_states, strict=True)
        ]

    def constant_stress_forces(self, N: np.ndarray) -> list[np.ndarray]:
        """Local forces (k, 18) of each chunk of triangles under constant membrane forces N (m, 3) N/mm."""
        forces = triangle.constant_stress_forces(self.shell.geometry.xy, N)
        return [forces[chunk] for chunk in self.elements.chunks()]

    def tangent_stiffness(self, response: Response, element_forces: list[np.ndarray], factor: float) -> sp.csr_matrix:
        """(6 n, 6 n) tangent stiffness at a response, with the given local forces (k, 18) of each chunk."""
        elements = self.elements
        matrices = np.empty_like(elements.stiffness)
        for chunk, element_state, forces in zip(
            elements.chunks(), response.element_states, element_forces, strict=True
        ):
            matrices[chunk] = corotational.tangent_stiffness(element_state, elements.stiffness[chunk], forces)
        if self.pressure is not None:
            corners = self._current_corners(response.state)
            matrices += factor * corotational.pressure_stiffness(corners, self.pressure)
        K = self.shell.pattern.assemble(matrices)
        if response.added_stiffness is not None:
            K = K + response.added_stiffness
        if self.moment_stiffness is not None:
            K = K + factor * self.moment_stiffness
        return K

    def factorise(
        self, response: Response, element_forces: list[np.ndarray], factor: float, damping: float = 0.0
    ) -> SparseFactors:
        """Factors of the tangent on the free DOFs; their negative eigenvalues count the unstable directions.

        damping: N/mm, an added stiffness of each node against displacements of the step; against spins it is multiplied
        by the square of the median element size.  Raises SolverError where the tangent is singular.
        """
        K = self.tangent_stiffness(response, element_forces, factor)
        if damping:
            K = K + sp.diags_array(damping / self.rotation_scale**2)
        try:
            if self.moment_stiffness is not None:
                return sparse_lu.factorise(K, ~self.is_free, positive_definite=False, symmetric=False)
            return sparse_lu.factorise(K, ~self.is_free, self.dissection, positive_definite=False)
        except sparse_lu.SingularError as error:
            raise SolverError(f"the tangent stiffness cannot be factorised ({error})") from error

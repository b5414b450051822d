"""A held and loaded sheet in large motion: inner forces, loads, the tangent and its factors at any state.

Forces are conjugate to steps (shifts, and spins about the fixed axes); loads grow in proportion to one factor.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError

from . import corotational, multifrontal, rotations, triangle
from .contact import NonlinearSupport
from .corotational import CorotationalElements, ElementState, State
from .edge_beams import EdgeBeams
from .multifrontal import Dissection
from .shell import Shell, superlu_factors


@dataclass(frozen=True, eq=False)
class Response:
    """The sheet at a state: inner forces (6 n,) of all, of the stops alone, stored work N mm, the lots of triangles.

    added: stiffness of tubes and stops (6 n, 6 n), or None.
    """

    state: State
    internal_forces: np.ndarray
    support_forces: np.ndarray
    energy: float
    element_states: tuple[ElementState, ...]
    added_stiffness: sp.csr_matrix | None
    load: np.ndarray  # (6 n,) at factor 1

    @property
    def element_forces(self) -> list[np.ndarray]:
        """Stress of each lot."""
        return [b.local_forces for b in self.element_states]


@dataclass(frozen=True, eq=False)
class TangentFactors:
    """Factors of a tangent: `solve_program` works on (6 n,) or (6 n, k); `negative_eigenvalues` counts the directions it gives way in."""

    solve: Callable[[np.ndarray], np.ndarray]
    negative_eigenvalues: Callable[[], int]


@dataclass(frozen=True, eq=False)
class NonlinearProblem:
    """A shell with freedoms `fixed` at zero, dead loads `forces` (6 n,) N and N mm, follower `pressure` (m,) MPa.

    stops: what it leans on; tubes: beams that are fitted to the sheet itself.
    """

    shell: Shell
    fixed: np.ndarray
    forces: np.ndarray
    pressure: np.ndarray | None = None
    supports: tuple[NonlinearSupport, ...] = ()
    edge_beams: EdgeBeams | None = None

    @cached_property
    def elements(self) -> CorotationalElements:
        """The triangles, ready for large motion."""
        sheet = self.shell
        return CorotationalElements(
            sheet.triangles, sheet.geometry, triangle.element_stiffness(sheet.geometry, sheet.t, sheet.E, sheet.nu)
        )

    @cached_property
    def is_free(self) -> np.ndarray:
        """(6 n,) bool: freedoms not held."""
        mask = np.ones(self.shell.dof_count, bool)
        mask[self.fixed] = False
        return mask

    @cached_property
    def dissection(self) -> Dissection:
        """An order of elimination of the nodes that all tangents share."""
        at_rest = np.zeros(self.shell.dof_count)
        added = [stop.respond(at_rest)[2] for stop in self.supports]  # all couple what they ever will
        if self.edge_beams is not None:
            added.append(self.edge_beams.respond(State.at_rest(len(self.shell.nodes)))[2])
        return self.shell.dissection_with(sum(added[1:], added[0])) if added else self.shell.dissection

    @cached_property
    def moment_stiffness(self) -> sp.csr_matrix | None:
        """(6 n, 6 n) what symmetric tangents lack, per load factor, at nodes under a moment M of the dead loads.

        Spins do not commute, so that the inner moments, M in sum, have the stiffness -spin(M)/2 besides (Nour-Omid &
        Rankin 1991).
        """
        moments = self.forces.reshape(-1, 2, 3)[:, 1]
        nodes = np.flatnonzero(moments.any(axis=1))
        if not len(nodes):
            return None
        blocks = -rotations.skew(moments[nodes]) / 2
        freedoms = 6 * nodes[:, None] + np.arange(3, 6)
        rows, cols = np.broadcast_arrays(freedoms[:, :, None], freedoms[:, None, :])
        size = self.shell.dof_count
        return sp.csr_matrix((blocks.ravel(), (rows.ravel(), cols.ravel())), shape=(size, size))

    @cached_property
    def element_dofs(self) -> np.ndarray:
        """(18 m,) freedoms of the triangles' corners."""
        return (6 * self.shell.triangles[:, :, None] + np.arange(6)).ravel()

    @cached_property
    def rotation_scale(self) -> np.ndarray:
        """(6 n,) 1 for shifts, 1 / (typical side of a triangle) for spins: makes moments and forces comparable."""
        side = float(np.sqrt(np.median(self.shell.geometry.area)))
        return np.tile([1.0, 1.0, 1.0, 1 / side, 1 / side, 1 / side], len(self.shell.nodes))

    def respond(self, state: State) -> Response:
        """Inner forces and loads at a state."""
        model = self.elements
        lots = []
        forces = np.empty((len(model.triangles), 18))
        energy = 0.0
        for part in model.chunks():
            b = model.element_state(part, state)
            lots.append(b)
            forces[part] = corotational.nodal_forces(b)
            energy += float(np.vdot(b.local_forces, b.deformation)) / 2
        inner = np.bincount(self.element_dofs, forces.ravel(), self.shell.dof_count)
        stop_forces, added = np.zeros(self.shell.dof_count), []
        if self.supports:
            u = state.dofs
            for stop in self.supports:
                f, work, K = stop.respond(u)
                stop_forces += f
                energy += work
                added.append(K)
            # a moment on the rotation vector, as a moment about the fixed axes
            moments = stop_forces.reshape(-1, 2, 3)[:, 1]
            turned = np.flatnonzero(moments.any(axis=1))
            rates = rotations.rotation_rate_matrices(u.reshape(-1, 2, 3)[turned, 1])
            moments[turned] = np.einsum("kij,ki->kj", rates, moments[turned])
        if self.edge_beams is not None:
            f, work, K = self.edge_beams.respond(state)
            inner += f
            energy += work
            added.append(K)
        return Response(
            state,
            inner + stop_forces,
            stop_forces,
            energy,
            tuple(lots),
            sum(added[1:], added[0]) if added else None,
            self.load(state),
        )

    def load(self, state: State) -> np.ndarray:
        """(6 n,) loads at factor 1."""
        if self.pressure is None:
            return self.forces
        each = corotational.pressure_forces(
            (self.shell.nodes + state.displacements)[self.shell.triangles], self.pressure
        )
        out = self.forces.reshape(-1, 6).copy()
        for axis in range(3):
            out[:, axis] += np.bincount(self.shell.triangles.ravel(), np.repeat(each[:, axis], 3), len(out))
        return out.ravel()

    def residual(self, response: Response, factor: float) -> np.ndarray:
        """(6 n,) what the loads are ahead of the inner forces; zero on held freedoms."""
        return self.free_part(factor * response.load - response.internal_forces)

    def free_part(self, forces: np.ndarray) -> np.ndarray:
        """Forces (6 n,) with those on held freedoms put to zero."""
        return np.where(self.is_free, forces, 0.0)

    def force_norm(self, forces: np.ndarray) -> float:
        """One number, N, for forces and moments (6 n,): root of the sum of squares, moments over a triangle's side."""
        return float(np.linalg.norm(forces * self.rotation_scale))

    def roundoff_residual(self, response: Response) -> float:
        """Residual (N, as by `size`) that rounding of the shifts alone leaves: no iteration gets below it."""
        reach = float(np.abs(response.state.displacements).max() + np.sqrt(self.shell.geometry.area.max()))
        return float(np.finfo(float).eps * reach * self.max_stiffness * np.sqrt(self.is_free.sum()))

    @cached_property
    def max_stiffness(self) -> float:
        """Largest stiffness of a triangle against a shift of a corner, N/mm."""
        return float(self.elements.stiffness[:, [0, 1], [0, 1]].max())

    def predict_element_forces(self, response: Response, step: np.ndarray) -> list[np.ndarray]:
        """Stress of each lot after a step, to first order."""
        model = self.elements
        return [
            model.predict_forces(part, b, step) for part, b in zip(model.chunks(), response.element_states, strict=True)
        ]

    def tangent_stiffness(self, response: Response, element_forces: list[np.ndarray], factor: float) -> sp.csr_matrix:
        """(6 n, 6 n) tangent stiffness at a response, under `stress` of each lot."""
        model = self.elements
        matrices = np.empty_like(model.stiffness)
        for part, b, s in zip(model.chunks(), response.element_states, element_forces, strict=True):
            matrices[part] = corotational.tangent_stiffness(b, model.stiffness[part], s)
        if self.pressure is not None:
            corners = (self.shell.nodes + response.state.displacements)[self.shell.triangles]
            matrices += factor * corotational.pressure_stiffness(corners, self.pressure)
        K = self.shell.pattern.assemble(matrices)
        if response.added_stiffness is not None:
            K = K + response.added_stiffness
        if self.moment_stiffness is not None:
            K = K + factor * self.moment_stiffness
        return K

    def factorise(
        self, response: Response, element_forces: list[np.ndarray], factor: float, damping: float = 0.0
    ) -> TangentFactors:
        """Factors of the tangent on the free freedoms; SolverError where it is singular.

        drag: N/mm, a stiffness of each node against the step itself, and over a triangle's side against its spin.
        """
        K = self.tangent_stiffness(response, element_forces, factor)
        if damping:
            K = K + sp.diags_array(damping / self.rotation_scale**2)
        try:
            if self.moment_stiffness is not None:
                return self._factorise_unsymmetric(K)
            factors = multifrontal.factorise(self.dissection, K, ~self.is_free, positive_definite=False)
        except (multifrontal.SingularError, RuntimeError) as error:
            raise SolverError(f"the tangent stiffness cannot be factorised ({error})") from error
        return TangentFactors(factors.solve, lambda: factors.negative_eigenvalues)

    def _factorise_unsymmetric(self, K: sp.csr_matrix) -> TangentFactors:
        free = np.flatnonzero(self.is_free)
        factors = superlu_factors(K[free][:, free].tocsc(), "MMD_AT_PLUS_A")

        def solve(b: np.ndarray) -> np.ndarray:
            x = np.zeros_like(b)
            x[free] = factors.solve(np.ascontiguousarray(b[free]))
            return x

        return TangentFactors(solve, lambda: int((factors.U.diagonal() < 0).sum()))

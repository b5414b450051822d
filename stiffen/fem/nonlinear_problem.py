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
from .contact import Stop
from .corotational import Bent, Corotated, State
from .edge_beams import Beams
from .multifrontal import Dissection
from .shell import Shell, lu_factors


@dataclass(frozen=True, eq=False)
class Response:
    """The sheet at a state: inner forces (6 n,) of all, of the stops alone, stored work N mm, the lots of triangles.

    added: stiffness of tubes and stops (6 n, 6 n), or None.
    """

    state: State
    forces: np.ndarray
    stop_forces: np.ndarray
    energy: float
    lots: tuple[Bent, ...]
    added: sp.csr_matrix | None
    load: np.ndarray  # (6 n,) at factor 1

    @property
    def stress(self) -> list[np.ndarray]:
        """Stress of each lot."""
        return [b.stress for b in self.lots]


@dataclass(frozen=True, eq=False)
class Factors:
    """Factors of a tangent: `solve` works on (6 n,) or (6 n, k); `negative` counts the directions it gives way in."""

    solve: Callable[[np.ndarray], np.ndarray]
    negative: Callable[[], int]


@dataclass(frozen=True, eq=False)
class Problem:
    """A shell with freedoms `fixed` at zero, dead loads `forces` (6 n,) N and N mm, follower `pressure` (m,) MPa.

    stops: what it leans on; tubes: beams that are fitted to the sheet itself.
    """

    shell: Shell
    fixed: np.ndarray
    forces: np.ndarray
    pressure: np.ndarray | None = None
    stops: tuple[Stop, ...] = ()
    tubes: Beams | None = None

    @cached_property
    def model(self) -> Corotated:
        """The triangles, ready for large motion."""
        sheet = self.shell
        return Corotated(sheet.triangles, sheet.facets, triangle.stiffness(sheet.facets, sheet.t, sheet.E, sheet.nu))

    @cached_property
    def is_free(self) -> np.ndarray:
        """(6 n,) bool: freedoms not held."""
        mask = np.ones(self.shell.size, bool)
        mask[self.fixed] = False
        return mask

    @cached_property
    def dissection(self) -> Dissection:
        """An order of elimination of the nodes that all tangents share."""
        at_rest = np.zeros(self.shell.size)
        added = [stop.respond(at_rest)[2] for stop in self.stops]  # all couple what they ever will
        if self.tubes is not None:
            added.append(self.tubes.respond(State.at_rest(len(self.shell.nodes)))[2])
        return self.shell.dissected_with(sum(added[1:], added[0])) if added else self.shell.dissection

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
        blocks = -rotations.spin(moments[nodes]) / 2
        freedoms = 6 * nodes[:, None] + np.arange(3, 6)
        rows, cols = np.broadcast_arrays(freedoms[:, :, None], freedoms[:, None, :])
        size = self.shell.size
        return sp.csr_matrix((blocks.ravel(), (rows.ravel(), cols.ravel())), shape=(size, size))

    @cached_property
    def corner_freedoms(self) -> np.ndarray:
        """(18 m,) freedoms of the triangles' corners."""
        return (6 * self.shell.triangles[:, :, None] + np.arange(6)).ravel()

    @cached_property
    def spin_scale(self) -> np.ndarray:
        """(6 n,) 1 for shifts, 1 / (typical side of a triangle) for spins: makes moments and forces comparable."""
        side = float(np.sqrt(np.median(self.shell.facets.area)))
        return np.tile([1.0, 1.0, 1.0, 1 / side, 1 / side, 1 / side], len(self.shell.nodes))

    def respond(self, state: State) -> Response:
        """Inner forces and loads at a state."""
        model = self.model
        lots = []
        forces = np.empty((len(model.triangles), 18))
        energy = 0.0
        for part in model.lots():
            b = model.bent(part, state)
            lots.append(b)
            forces[part] = corotational.nodal_forces(b)
            energy += float(np.vdot(b.stress, b.strained)) / 2
        inner = np.bincount(self.corner_freedoms, forces.ravel(), self.shell.size)
        stop_forces, added = np.zeros(self.shell.size), []
        if self.stops:
            u = state.freedoms
            for stop in self.stops:
                f, work, K = stop.respond(u)
                stop_forces += f
                energy += work
                added.append(K)
            # a moment on the rotation vector, as a moment about the fixed axes
            moments = stop_forces.reshape(-1, 2, 3)[:, 1]
            turned = np.flatnonzero(moments.any(axis=1))
            rates = rotations.rates(u.reshape(-1, 2, 3)[turned, 1])
            moments[turned] = np.einsum("kij,ki->kj", rates, moments[turned])
        if self.tubes is not None:
            f, work, K = self.tubes.respond(state)
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
        each = corotational.pressed((self.shell.nodes + state.shifts)[self.shell.triangles], self.pressure)
        out = self.forces.reshape(-1, 6).copy()
        for axis in range(3):
            out[:, axis] += np.bincount(self.shell.triangles.ravel(), np.repeat(each[:, axis], 3), len(out))
        return out.ravel()

    def residual(self, response: Response, factor: float) -> np.ndarray:
        """(6 n,) what the loads are ahead of the inner forces; zero on held freedoms."""
        return self.free_part(factor * response.load - response.forces)

    def free_part(self, forces: np.ndarray) -> np.ndarray:
        """Forces (6 n,) with those on held freedoms put to zero."""
        return np.where(self.is_free, forces, 0.0)

    def size(self, forces: np.ndarray) -> float:
        """One number, N, for forces and moments (6 n,): root of the sum of squares, moments over a triangle's side."""
        return float(np.linalg.norm(forces * self.spin_scale))

    def noise(self, response: Response) -> float:
        """Residual (N, as by `size`) that rounding of the shifts alone leaves: no iteration gets below it."""
        reach = float(np.abs(response.state.shifts).max() + np.sqrt(self.shell.facets.area.max()))
        return float(np.finfo(float).eps * reach * self.stiffest * np.sqrt(self.is_free.sum()))

    @cached_property
    def stiffest(self) -> float:
        """Largest stiffness of a triangle against a shift of a corner, N/mm."""
        return float(self.model.stiffness[:, [0, 1], [0, 1]].max())

    def predicted(self, response: Response, step: np.ndarray) -> list[np.ndarray]:
        """Stress of each lot after a step, to first order."""
        model = self.model
        return [model.predicted(part, b, step) for part, b in zip(model.lots(), response.lots, strict=True)]

    def tangent(self, response: Response, stress: list[np.ndarray], factor: float) -> sp.csr_matrix:
        """(6 n, 6 n) tangent stiffness at a response, under `stress` of each lot."""
        model = self.model
        matrices = np.empty_like(model.stiffness)
        for part, b, s in zip(model.lots(), response.lots, stress, strict=True):
            matrices[part] = corotational.tangent(b, model.stiffness[part], s)
        if self.pressure is not None:
            corners = (self.shell.nodes + response.state.shifts)[self.shell.triangles]
            matrices += factor * corotational.pressure_stiffness(corners, self.pressure)
        K = self.shell.pattern.gather(matrices)
        if response.added is not None:
            K = K + response.added
        if self.moment_stiffness is not None:
            K = K + factor * self.moment_stiffness
        return K

    def factorise(self, response: Response, stress: list[np.ndarray], factor: float, drag: float = 0.0) -> Factors:
        """Factors of the tangent on the free freedoms; SolverError where it is singular.

        drag: N/mm, a stiffness of each node against the step itself, and over a triangle's side against its spin.
        """
        K = self.tangent(response, stress, factor)
        if drag:
            K = K + sp.diags_array(drag / self.spin_scale**2)
        try:
            if self.moment_stiffness is not None:
                return self._unsymmetric(K)
            factors = multifrontal.factorise(self.dissection, K, ~self.is_free, definite=False)
        except (multifrontal.SingularError, RuntimeError) as error:
            raise SolverError(f"the tangent stiffness cannot be factorised ({error})") from error
        return Factors(factors.solve, lambda: factors.negative)

    def _unsymmetric(self, K: sp.csr_matrix) -> Factors:
        free = np.flatnonzero(self.is_free)
        factors = lu_factors(K[free][:, free].tocsc(), "MMD_AT_PLUS_A")

        def solve(b: np.ndarray) -> np.ndarray:
            x = np.zeros_like(b)
            x[free] = factors.solve(np.ascontiguousarray(b[free]))
            return x

        return Factors(solve, lambda: int((factors.U.diagonal() < 0).sum()))

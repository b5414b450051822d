"""Linear analysis of a supported shell: static displacements, reactions, natural modes and buckling.

DOF 6 i + k is DOF k of node i.  n nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError

from .block_lanczos import largest_eigenvalues
from .direct_solvers.multifrontal import Dissection
from .direct_solvers.sparse_lu import SingularError, SparseFactors, factorise
from .shell import Shell, check_restrained, rigid_body_modes

TONNES_PER_KG = 1e-3  # the tonne is the consistent mass unit of mm, N, s
BALANCE_TOLERANCE = 1e-6  # largest unbalanced force or moment, as a fraction of what was applied
ROUNDOFF_FACTOR = 8.0  # of the round-off bound: errors of the matrix itself and of the solve come on top of K u
MAX_ROUNDOFF_SHARE = 1e-3  # of the load that round-off may hide
MODE_TOLERANCE = 1e-10  # relative, of squared frequencies and buckling factors
FREE_SHIFT = 2 * np.pi * 20.0  # 1/s, at which the modes of a free body are sought: its stiffness alone is singular
RIGID_BODY_MODES = 6
MIN_INVERSE_FACTOR = 1e-12  # inverse buckling factors below this are numerical zeros


@dataclass(frozen=True, eq=False)
class LinearModel:
    """A shell on its supports, factorised once for all load cases and modes.

    fixed: DOFs constrained to zero.  springs: (6 n, 6 n) stiffness of elastic supports.  lumped_masses: (6 n,) kg on
    the DOFs.  attached_stiffness: (6 n, 6 n) stiffness of parts that are attached to the sheet itself, such as edge
    beams.
    """

    shell: Shell
    fixed: np.ndarray
    springs: sp.spmatrix | None = None
    lumped_masses: np.ndarray | None = None
    attached_stiffness: sp.spmatrix | None = None

    @cached_property
    def free(self) -> np.ndarray:
        """DOFs that are not constrained."""
        mask = np.ones(self.shell.dof_count, bool)
        mask[self.fixed] = False
        return np.flatnonzero(mask)

    @property
    def nodal_mass(self) -> np.ndarray:
        """(n,) mass of the sheet and the lumped masses at each node, kg."""
        own = self.shell.nodal_mass
        return own if self.lumped_masses is None else own + self.lumped_masses.reshape(-1, 6)[:, 0]

    @cached_property
    def stiffness(self) -> sp.csr_matrix:
        """(6 n, 6 n) stiffness of sheet, attached parts and springs."""
        return sum(self.added_stiffness, self.shell.stiffness).tocsr()

    @property
    def added_stiffness(self) -> list[sp.spmatrix]:
        """(6 n, 6 n) stiffnesses of attached parts and of springs, where there are any."""
        return [added for added in (self.attached_stiffness, self.springs) if added is not None]

    @cached_property
    def _factors(self) -> SparseFactors:
        """Factors of the stiffness on the free DOFs.

        Raises SolverError where a rigid-body mode is unrestrained or the stiffness is singular.
        """
        check_restrained(self.shell, self.fixed, self.springs)
        constrained = np.ones(self.shell.dof_count, bool)
        constrained[self.free] = False
        try:
            return factorise(self.stiffness, constrained, self._dissection)
        except SingularError as error:
            raise SolverError(
                f"the stiffness matrix cannot be factorised ({error}): the supports hardly hold the panel, or the "
                "sheet is very thin against its mesh; check the supports, or try a coarser mesh"
            ) from error

    def solve_free(self, b: np.ndarray) -> np.ndarray:
        """x of K x = b on the free DOFs, b (k,) or (k, columns).  Raises SolverError as above."""
        padded = np.zeros((self.shell.dof_count, *b.shape[1:]))
        padded[self.free] = b
        return self._factors.solve(padded)[self.free]

    @property
    def _dissection(self) -> Dissection:
        """Dissection of the shell, extended where added stiffness couples nodes that share no triangle."""
        return self.shell.dissection_with(sum(self.added_stiffness)) if self.added_stiffness else self.shell.dissection

    def solve(self, forces: np.ndarray) -> np.ndarray:
        """Displacements (6 n, k) or (6 n,) under forces of the same shape, N and N mm.

        Raises SolverError as `solve_free` does, and where loads and reactions do not balance.
        """
        u = np.zeros_like(forces, dtype=float)
        u[self.free] = self.solve_free(np.ascontiguousarray(forces[self.free]))
        if np.all(np.isfinite(u)) and (self._imbalance(u, forces) > BALANCE_TOLERANCE * self._applied(forces)).any():
            residual = (forces - self.stiffness @ u)[self.free]  # one step of iterative refinement
            u[self.free] += self.solve_free(np.ascontiguousarray(residual))
        self.check_balance(u, forces)
        return u

    def compliances(self, forces: np.ndarray) -> np.ndarray:
        """(k,) work f . K^-1 f of forces f (6 n, k), N mm: with unit forces, how far each pushes its own place.

        Half as much work as `solve`; loads and reactions are not compared.  Raises SolverError as `solve_free` does.
        """
        return self._factors.compliances(forces)

    def reactions(self, u: np.ndarray, forces: np.ndarray) -> np.ndarray:
        """(6 n, k) or (6 n,) forces from rigid supports and springs on the sheet."""
        attached = self.attached_stiffness
        internal = (self.shell.stiffness if attached is None else self.shell.stiffness + attached) @ u
        out = np.zeros_like(internal) if self.springs is None else -(self.springs @ u)
        out[self.fixed] = (internal - forces)[self.fixed]
        return out

    def check_balance(self, u: np.ndarray, forces: np.ndarray) -> None:
        """Raises SolverError unless applied loads and reactions balance in force and moment.

        They balance within BALANCE_TOLERANCE of what was applied, or within what round-off in K u can amount to where
        that is more.  Where round-off could hide MAX_ROUNDOFF_SHARE of the load, the solution is refused as well.
        """
        if not np.all(np.isfinite(u)):
            raise SolverError("the solution overflows: the supports hardly hold the panel; add or extend a support")
        applied = np.maximum(self._applied(forces), 1e-30)
        unbalanced = self._imbalance(u, forces)
        if not np.any(unbalanced > BALANCE_TOLERANCE * applied):
            return
        roundoff = self._roundoff_imbalance(u, self.stiffness)
        wrong = unbalanced > ROUNDOFF_FACTOR * roundoff
        hidden = ROUNDOFF_FACTOR * roundoff > MAX_ROUNDOFF_SHARE * applied
        if not np.any((wrong | hidden) & (unbalanced > BALANCE_TOLERANCE * applied)):
            return
        raise SolverError(
            f"loads and reactions do not balance (off by {np.max(unbalanced):.2g} N of {np.max(applied):.2g} N): "
            f"{self._imbalance_cause(u, roundoff)}"
        )

    def _imbalance(self, u: np.ndarray, forces: np.ndarray) -> np.ndarray:
        """(k,) or () largest unbalanced force, or moment over the span, N, of loads and reactions."""
        modes = rigid_body_modes(self.shell.nodes)
        unbalanced = modes.T @ (forces + self.reactions(u, forces)) / self._balance_scale(u.ndim)
        return np.asarray(np.abs(unbalanced).max(axis=0))

    def _balance_scale(self, dimensions: int) -> np.ndarray:
        """(6,) or (6, 1): 1 for forces, the panel's span, mm, for moments."""
        span = np.ptp(self.shell.nodes, axis=0).max()
        return np.array([1, 1, 1, span, span, span]).reshape((6,) + (1,) * (dimensions - 1))

    def _applied(self, forces: np.ndarray) -> np.ndarray:
        """(k,) or () sum of all forces, and of moments over the span, N."""
        span = np.ptp(self.shell.nodes, axis=0).max()
        weights = np.tile([1, 1, 1, 1 / span, 1 / span, 1 / span], len(self.shell.nodes))
        return np.asarray(np.abs(forces * weights.reshape((-1,) + (1,) * (forces.ndim - 1))).sum(axis=0))

    def _roundoff_imbalance(self, u: np.ndarray, K: sp.spmatrix) -> np.ndarray:
        """(k,) or () N by which loads and reactions may differ by round-off in K u alone.

        The rounding error of each product in K u is at most a unit round-off of its size (Higham, Accuracy and
        Stability of Numerical Algorithms, 2002, ch. 3); |R|^T |K| |u| sums them up in the rigid-body modes R.
        """
        unit = np.finfo(float).eps / 2
        sums = np.abs(rigid_body_modes(self.shell.nodes)).T @ (abs(K) @ np.abs(u)) / self._balance_scale(u.ndim)
        return np.asarray(unit * sums.max(axis=0))

    def _imbalance_cause(self, u: np.ndarray, roundoff: np.ndarray) -> str:
        """Why loads and reactions do not balance, and what would do."""
        for added, what in (
            (self.attached_stiffness, "the edge trim's stiffness"),
            (self.springs, "the stiffness of a support"),
        ):
            if added is not None and np.max(self._roundoff_imbalance(u, added)) > 0.5 * np.max(roundoff):
                return (
                    f"{what} is so great against the sheet's, over elements this short, that round-off hides the load; "
                    "check its value (N mm2, N/mm), or try a coarser mesh"
                )
        return (
            "the supports hardly hold the panel, or the sheet is very thin against its mesh; check the supports, or "
            "try a coarser mesh"
        )

    @cached_property
    def mass(self) -> sp.csr_matrix:
        """(6 n, 6 n) mass of the sheet and the lumped masses, kg."""
        M = self.shell.mass
        return M if self.lumped_masses is None else (M + sp.diags(self.lumped_masses)).tocsr()

    def modes(self, count: int = 6, tolerance: float = MODE_TOLERANCE) -> tuple[np.ndarray, np.ndarray]:
        """Lowest natural frequencies (count,) Hz, rising, and shapes (6 n, count) of one tonne modal mass.

        Fewer where the model has fewer free DOFs with mass.  tolerance: relative accuracy of the squared frequencies.
        """
        M = (self.mass[self.free][:, self.free] * TONNES_PER_KG).tocsr()
        inverses, vectors = largest_eigenvalues(self.solve_free, M, count, tolerance)
        has_mass = inverses > 0.0
        inverses, vectors = inverses[has_mass], vectors[:, has_mass]
        shapes = np.zeros((self.shell.dof_count, len(inverses)))
        shapes[self.free] = vectors / np.sqrt(inverses)
        return 1 / (2 * np.pi * np.sqrt(inverses)), shapes

    def buckling(
        self,
        u: np.ndarray,
        count: int = 1,
        geometric_stiffness: sp.csr_matrix | None = None,
        tolerance: float = MODE_TOLERANCE,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Lowest positive buckling factors (<= count,) on the load that made u (6 n,), and their shapes.

        geometric_stiffness: (6 n, 6 n) under u; that of the shell unless given.  tolerance: relative accuracy of the
        factors.

        Solves K v = -factor K_g(u) v; empty where no mode buckles under this load.
        """
        whole = self.shell.geometric_stiffness(u) if geometric_stiffness is None else geometric_stiffness
        K_g = whole[self.free][:, self.free]
        if not K_g.data.any():  # a flat sheet in bending alone
            return np.zeros(0), np.zeros((self.shell.dof_count, 0))
        # -K_g v = (1/factor) K v: the largest 1/factor belongs to the lowest factor
        values, vectors = largest_eigenvalues(self.solve_free, -K_g, count, tolerance)
        keep = values > MIN_INVERSE_FACTOR
        shapes = np.zeros((self.shell.dof_count, int(keep.sum())))
        shapes[self.free] = vectors[:, keep]
        return 1 / values[keep], shapes


def free_modes(
    shell: Shell,
    count: int,
    lumped_masses: np.ndarray | None = None,
    attached_stiffness: sp.spmatrix | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest elastic natural frequencies (count,) Hz, rising, and shapes (6 n, count), of a shell without supports.

    Arguments as for `LinearModel`.  The mass times a shift is added to the stiffness, which raises each squared
    frequency by the shift and lets the matrix be factorised; the six rigid-body modes are left out.
    """
    M = shell.mass if lumped_masses is None else shell.mass + sp.diags(lumped_masses)
    shift = FREE_SHIFT**2
    held = LinearModel(shell, np.zeros(0, int), (shift * TONNES_PER_KG * M).tocsr(), lumped_masses, attached_stiffness)
    hertz, shapes = held.modes(count + RIGID_BODY_MODES)
    squares = (2 * np.pi * hertz) ** 2 - shift
    return np.sqrt(np.maximum(squares[RIGID_BODY_MODES:], 0.0)) / (2 * np.pi), shapes[:, RIGID_BODY_MODES:]

"""The judge: a thin elastic shell of flat triangles, held, loaded, solved; modes and buckling.

Freedom 6 i + k is freedom k of node i: ux, uy, uz, rx, ry, rz in global axes.  n nodes, m triangles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import LinearOperator, SuperLU, eigsh, splu

from stiffen.errors import SolverError

from . import multifrontal, triangle
from .multifrontal import Dissection

TONNES_PER_KG = 1e-3  # kg to the consistent mass unit of mm, N, s
BALANCE_TOLERANCE = 1e-6  # greatest force or moment out of balance, as a fraction of what was applied


@dataclass(frozen=True, eq=False)
class AssemblyPattern:
    """Where the 6 x 6 blocks of the triangles land in the global matrix; made once a mesh."""

    indptr: np.ndarray  # CSR row starts (6 n + 1,)
    indices: np.ndarray  # CSR columns
    entry_positions: np.ndarray  # CSR place of each entry of the element matrices (324 m,)
    graph: tuple[np.ndarray, np.ndarray]  # starts (n + 1,) and numbers of each node's neighbours, itself among them

    @classmethod
    def of(cls, triangles: np.ndarray, n: int) -> AssemblyPattern:
        """The pattern of triangles (m, 3) over n nodes."""
        rows = np.repeat(triangles, 3, axis=1).ravel().astype(np.int64)
        cols = np.tile(triangles, (1, 3)).ravel().astype(np.int64)
        blocks, block = np.unique(rows * n + cols, return_inverse=True)
        block_rows, block_cols = np.divmod(blocks, n)
        starts = np.searchsorted(block_rows, np.arange(n + 1))
        row, wide = np.arange(6), 6 * np.diff(starts)  # `text_width`: values in one of the six rows of a block row
        indptr = np.append((36 * starts[:-1, None] + wide[:, None] * row).ravel(), 36 * starts[-1])
        # first value of each block in the first of its six rows, and how far apart these rows are
        first = 36 * starts[block_rows] + 6 * (np.arange(len(blocks)) - starts[block_rows])
        apart = wide[block_rows]
        indices = np.empty(36 * len(blocks), np.int32)
        indices[(first[:, None, None] + apart[:, None, None] * row[:, None] + row)] = (
            6 * block_cols[:, None, None] + row
        )
        block = block.reshape(-1, 3, 1, 3, 1)
        place = first[block] + apart[block] * row[:, None, None] + row
        return cls(indptr.astype(np.int32), indices, place.ravel(), (starts, block_cols))

    @property
    def dof_count(self) -> int:
        """Number of freedoms, 6 n."""
        return len(self.indptr) - 1

    def csr_values(self, matrices: np.ndarray) -> np.ndarray:
        """The CSR values of the sum of element matrices (m, 18, 18)."""
        return np.bincount(self.entry_positions, matrices.ravel(), len(self.indices))

    def assemble(self, matrices: np.ndarray) -> sp.csr_matrix:
        """The (6 n, 6 n) sum of element matrices (m, 18, 18)."""
        return sp.csr_matrix(
            (self.csr_values(matrices), self.indices, self.indptr), shape=(self.dof_count, self.dof_count)
        )


@dataclass(frozen=True, eq=False)
class Shell:
    """A shell: nodes (n, 3) mm, triangles (m, 3), t mm (one value or one a triangle), E MPa, nu, rho kg/mm3."""

    nodes: np.ndarray
    triangles: np.ndarray
    t: float | np.ndarray
    E: float
    nu: float
    rho: float = 0.0

    @property
    def dof_count(self) -> int:
        """Number of freedoms, 6 n."""
        return 6 * len(self.nodes)

    @cached_property
    def geometry(self) -> triangle.TriangleFrames:
        """Frames and areas of the triangles."""
        return triangle.triangle_frames(self.nodes, self.triangles)

    @cached_property
    def pattern(self) -> AssemblyPattern:
        """Where element blocks land."""
        return AssemblyPattern.of(self.triangles, len(self.nodes))

    @cached_property
    def dissection(self) -> Dissection:
        """An order of elimination of the nodes in which factors stay sparse."""
        return Dissection.of(self.nodes, *self.pattern.graph)

    def dissection_with(self, added: sp.spmatrix) -> Dissection:
        """The same where a matrix (6 n, 6 n) is added, which may couple nodes that no triangle does."""
        n = len(self.nodes)
        starts, neighbours = self.pattern.graph
        added = added.tocoo()
        there = np.repeat(np.arange(n), np.diff(starts)) * n + neighbours
        pairs = np.union1d(there, (added.row // 6).astype(np.int64) * n + added.col // 6)
        if len(pairs) == len(there):
            return self.dissection
        return Dissection.of(self.nodes, np.searchsorted(pairs, np.arange(n + 1) * n), pairs % n)

    @cached_property
    def stiffness(self) -> sp.csr_matrix:
        """(6 n, 6 n) stiffness, N/mm and N mm."""
        local = triangle.element_stiffness(self.geometry, self.t, self.E, self.nu)
        return self.pattern.assemble(triangle.to_global(local, self.geometry.frames))

    @cached_property
    def mass(self) -> sp.csr_matrix:
        """(6 n, 6 n) mass of the sheet, kg and kg mm2."""
        return self.pattern.assemble(triangle.element_mass(self.geometry.area, self.t, self.rho))

    @cached_property
    def nodal_mass(self) -> np.ndarray:
        """(n,) kg of sheet that each node carries."""
        share = np.broadcast_to(self.rho * self.geometry.area * self.t / 3, (len(self.triangles),))
        return np.bincount(self.triangles.ravel(), np.repeat(share, 3), len(self.nodes))

    def stress(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Stresses (m, 3) MPa (s_x, s_y, t_xy in each triangle's frame) on the upper and lower face, at centroids."""
        N, M = self.resultants(u)
        t = np.broadcast_to(np.asarray(self.t, float), (len(self.triangles),))[:, None]
        return N / t + 6 * M / t**2, N / t - 6 * M / t**2

    def resultants(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm at centroids, for displacements u (6 n,)."""
        local = triangle.to_local(u, self.triangles, self.geometry.frames)
        return triangle.resultants(self.geometry, self.t, self.E, self.nu, local)

    def geometric_stiffness(self, u: np.ndarray) -> sp.csr_matrix:
        """(6 n, 6 n) geometric stiffness of the membrane forces that u (6 n,) brings."""
        N, _ = self.resultants(u)
        return self.pattern.assemble(
            triangle.to_global(triangle.geometric_stiffness(self.geometry, N), self.geometry.frames)
        )


def rigid_body_modes(nodes: np.ndarray) -> np.ndarray:
    """(6 n, 6): shifts along x, y, z and turns about the axes through the centroid, one a column."""
    n = len(nodes)
    x, y, z = (nodes - nodes.mean(axis=0)).T
    R = np.zeros((n, 6, 6))
    R[:, :3, :3] = np.eye(3)
    R[:, 3:, 3:] = np.eye(3)
    R[:, 1, 3], R[:, 2, 3] = -z, y
    R[:, 0, 4], R[:, 2, 4] = z, -x
    R[:, 0, 5], R[:, 1, 5] = -y, x
    return R.reshape(6 * n, 6)


RIGID_BODY_MODE_NAMES = (
    "slide along x",
    "slide along y",
    "move along z",
    "turn about x",
    "turn about y",
    "turn about z",
)


def unrestrained_modes(
    shell: Shell, fixed: np.ndarray, springs: sp.spmatrix | None = None
) -> list[tuple[str, np.ndarray]]:
    """Rigid motions that nothing stops: (words, place (3,) mm of the loose part) for every loose part of the mesh."""
    n = len(shell.nodes)
    i, j = shell.triangles[:, [0, 1, 2]].ravel(), shell.triangles[:, [1, 2, 0]].ravel()
    count, part = connected_components(sp.coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)), directed=False)
    held = np.zeros(6 * n)
    held[fixed] = 1.0
    loose = []
    for number in range(count):
        members = np.flatnonzero(part == number)
        nodes = shell.nodes[members]
        size = np.ptp(nodes, axis=0).max()
        R = rigid_body_modes(nodes) @ np.diag([1, 1, 1, 1 / size, 1 / size, 1 / size])
        freedoms = (6 * members[:, None] + np.arange(6)).ravel()
        gram = R.T @ (held[freedoms][:, None] * R)
        if springs is not None:
            part_of = springs.tocsr()[freedoms][:, freedoms]
            top = abs(part_of.diagonal()).max()
            if top > 0:
                gram = gram + R.T @ (part_of @ R) / top
        values, vectors = np.linalg.eigh(gram)
        for value, vector in zip(values, vectors.T, strict=True):
            if value < 1e-9 * max(1.0, values[-1]):
                loose.append((RIGID_BODY_MODE_NAMES[int(np.argmax(abs(vector)))], nodes.mean(axis=0)))
    return loose


@dataclass(frozen=True, eq=False)
class LinearModel:
    """A shell on its supports, factorised once for all cases, modes and pushes.

    fixed: freedoms held at zero.  springs: (6 n, 6 n) stiffness of elastic supports.  masses: (6 n,) kg lumped on the
    freedoms.  tubes: (6 n, 6 n) stiffness of what is fitted to the sheet itself, such as edge tubes.
    """

    shell: Shell
    fixed: np.ndarray
    springs: sp.spmatrix | None = None
    lumped_masses: np.ndarray | None = None
    attached_stiffness: sp.spmatrix | None = None

    @cached_property
    def free(self) -> np.ndarray:
        """Freedoms not held."""
        mask = np.ones(self.shell.dof_count, bool)
        mask[self.fixed] = False
        return np.flatnonzero(mask)

    @cached_property
    def stiffness(self) -> sp.csr_matrix:
        """Stiffness of sheet, tubes and springs."""
        return sum(self.added_stiffness, self.shell.stiffness).tocsr()

    @property
    def added_stiffness(self) -> list[sp.spmatrix]:
        """(6 n, 6 n) stiffness of tubes and springs, those there are."""
        return [added for added in (self.attached_stiffness, self.springs) if added is not None]

    @cached_property
    def factor(self) -> Callable[[np.ndarray], np.ndarray]:
        """Solves K x = b on the free freedoms."""
        loose = unrestrained_modes(self.shell, self.fixed, self.springs)
        if loose:
            words = "; ".join(f"can {motion} (part about x {p[0]:.0f}, y {p[1]:.0f})" for motion, p in loose)
            raise SolverError(f"the panel is not held: it {words}; add or extend a support")
        held = np.ones(self.shell.dof_count, bool)
        held[self.free] = False
        try:
            factors = multifrontal.factorise(self._dissection, self.stiffness, held)
        except multifrontal.SingularError as error:
            raise SolverError(
                f"the stiffness matrix cannot be factorised ({error}): the supports hardly hold the panel, or the "
                "sheet is very thin against its mesh; check the supports, or try a coarser mesh"
            ) from error

        def solve(b: np.ndarray) -> np.ndarray:
            whole = np.zeros((self.shell.dof_count, *b.shape[1:]))
            whole[self.free] = b
            return factors.solve(whole)[self.free]

        return solve

    @property
    def _dissection(self) -> Dissection:
        """That of the shell, unless tubes or springs couple nodes that no triangle does."""
        return self.shell.dissection_with(sum(self.added_stiffness)) if self.added_stiffness else self.shell.dissection

    def solve(self, forces: np.ndarray) -> np.ndarray:
        """Displacements (6 n, k) or (6 n,) under forces of the same shape, N and N mm; balance checked."""
        u = np.zeros_like(forces, dtype=float)
        u[self.free] = self.factor(np.ascontiguousarray(forces[self.free]))
        self._check_balance(u, forces)
        return u

    def reactions(self, u: np.ndarray, forces: np.ndarray) -> np.ndarray:
        """(6 n, k) or (6 n,) forces from rigid supports and springs on the sheet."""
        within = (
            self.shell.stiffness @ u
            if self.attached_stiffness is None
            else (self.shell.stiffness + self.attached_stiffness) @ u
        )
        out = np.zeros_like(within) if self.springs is None else -(self.springs @ u)
        out[self.fixed] = (within - forces)[self.fixed]
        return out

    def _check_balance(self, u: np.ndarray, forces: np.ndarray) -> None:
        """Applied loads and reactions balance in force and moment; otherwise SolverError."""
        if not np.all(np.isfinite(u)):
            raise SolverError("the solution overflows: the supports hardly hold the panel; add or extend a support")
        motions = rigid_body_modes(self.shell.nodes)
        reach = np.ptp(self.shell.nodes, axis=0).max()
        scale = np.array([1, 1, 1, reach, reach, reach]).reshape((6,) + (1,) * (u.ndim - 1))
        rest = motions.T @ (forces + self.reactions(u, forces)) / scale
        weights = np.tile([1, 1, 1, 1 / reach, 1 / reach, 1 / reach], len(self.shell.nodes))
        applied = np.abs(forces * weights.reshape((-1,) + (1,) * (u.ndim - 1))).sum(axis=0)
        if np.any(np.abs(rest).max(axis=0) > BALANCE_TOLERANCE * np.maximum(applied, 1e-30)):
            raise SolverError(
                f"loads and reactions do not balance (off by {np.abs(rest).max():.2g} N of {applied.max():.2g} N): "
                "the supports hardly hold the panel, or the sheet is very thin against its mesh; check the supports, "
                "or try a coarser mesh"
            )

    @cached_property
    def mass(self) -> sp.csr_matrix:
        """(6 n, 6 n) mass of the sheet and what is bolted on, kg."""
        M = self.shell.mass
        return M if self.lumped_masses is None else (M + sp.diags(self.lumped_masses)).tocsr()

    def modes(self, count: int = 6) -> tuple[np.ndarray, np.ndarray]:
        """First natural frequencies (count,) Hz, rising, and shapes (6 n, count), by Lanczos on the inverse."""
        M = (self.mass[self.free][:, self.free] * TONNES_PER_KG).tocsc()
        size = len(self.free)
        inverse = LinearOperator((size, size), matvec=self.factor, dtype=float)
        K = self.stiffness[self.free][:, self.free]
        values, vectors = eigsh(K, k=count, M=M, sigma=0.0, OPinv=inverse, v0=np.ones(size))
        order = np.argsort(values)
        shapes = np.zeros((self.shell.dof_count, count))
        shapes[self.free] = vectors[:, order]
        return np.sqrt(np.maximum(values[order], 0.0)) / (2 * np.pi), shapes

    def buckling(self, u: np.ndarray, count: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Least positive factors (<= count,) on the load that made u (6 n,), at which the shell buckles; shapes.

        Solves K v = -factor K_g(u) v by Lanczos on the inverse; empty where no mode buckles under this load.
        """
        K_g = self.shell.geometric_stiffness(u)[self.free][:, self.free]
        if not K_g.data.any():  # a flat sheet in bending alone
            return np.zeros(0), np.zeros((self.shell.dof_count, 0))
        size = len(self.free)
        K = self.stiffness[self.free][:, self.free]
        inverse = LinearOperator((size, size), matvec=self.factor, dtype=float)
        # -K_g v = (1/factor) K v: the largest 1/factor is the least factor
        values, vectors = eigsh(-K_g, k=count, M=K, Minv=inverse, which="LA", v0=np.ones(size))
        order = np.argsort(-values)
        values, vectors = values[order], vectors[:, order]
        keep = values > 1e-12
        shapes = np.zeros((self.shell.dof_count, int(keep.sum())))
        shapes[self.free] = vectors[:, keep]
        return 1 / values[keep], shapes


def factorise(K: sp.csc_matrix, ordered: bool = False) -> Callable[[np.ndarray], np.ndarray]:
    """A function that solves K x = b for one or many right sides (columns); K symmetric positive definite.

    ordered: the freedoms stand in a good order of elimination already.  Raises SolverError where K is singular.
    """
    try:
        return superlu_factors(K, "NATURAL" if ordered else "MMD_AT_PLUS_A").solve
    except RuntimeError as error:
        raise SolverError(
            f"the stiffness matrix cannot be factorised ({error}); is a part of the panel loose?"
        ) from error


def superlu_factors(K: sp.csc_matrix, order: str) -> SuperLU:
    """LU factors without pivoting, as for a symmetric matrix.

    relax (columns merged into one supernode at the leaves) is kept small: more costs fill and time on graded meshes,
    and more than SuperLU's own setting, 12, overruns its memory.
    """
    return splu(K, permc_spec=order, diag_pivot_thresh=0.0, relax=3, options={"SymmetricMode": True})


def elimination_order(K: sp.csc_matrix) -> np.ndarray:
    """(n,) order of the freedoms of a symmetric positive definite K in which its factor stays sparse."""
    return np.argsort(superlu_factors(K, "MMD_AT_PLUS_A").perm_c)

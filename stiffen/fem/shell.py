"""A thin elastic shell of flat triangles: assembled stiffness, mass, stresses, geometric stiffness; rigid-body modes.

DOF 6 i + k is DOF k of node i: ux, uy, uz, rx, ry, rz in global axes.  n nodes, m triangles.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from stiffen.errors import SolverError

from . import laminate, triangle
from .direct_solvers.multifrontal import Dissection
from .laminate import Laminate, StrainOperators

RIGID_BODY_MODE_NAMES = (
    "slide along x",
    "slide along y",
    "move along z",
    "turn about x",
    "turn about y",
    "turn about z",
)
ZERO_EIGENVALUE = 1e-9  # of the largest: below it a rigid-body mode is unrestrained


@dataclass(frozen=True, eq=False)
class AssemblyPattern:
    """Sparsity pattern (CSR) of the global matrix and the position of each element entry in it; made once per mesh.

    indptr: (6 n + 1,) CSR row starts.  indices: CSR columns.  entry_positions: (324 m,) position in the CSR values of
    each entry of the element matrices.  graph: the node graph as CSR, starts (n + 1,) and neighbours of each node, the
    node itself among them.
    """

    indptr: np.ndarray
    indices: np.ndarray
    entry_positions: np.ndarray
    graph: tuple[np.ndarray, np.ndarray]

    @classmethod
    def of(cls, triangles: np.ndarray, n: int) -> AssemblyPattern:
        """The pattern of triangles (m, 3) over n nodes."""
        rows = np.repeat(triangles, 3, axis=1).ravel().astype(np.int64)
        cols = np.tile(triangles, (1, 3)).ravel().astype(np.int64)
        # one 6 x 6 block for each pair (row node, column node) that shares a triangle, in the order of the pairs
        blocks, block = np.unique(rows * n + cols, return_inverse=True)
        block_rows, block_cols = np.divmod(blocks, n)
        starts = np.searchsorted(block_rows, np.arange(n + 1))
        row, row_length = np.arange(6), 6 * np.diff(starts)  # row_length: values in one of the six rows of a block row
        indptr = np.append((36 * starts[:-1, None] + row_length[:, None] * row).ravel(), 36 * starts[-1])
        # position of each block's first value, and the distance from one of the block's six rows to the next
        first = 36 * starts[block_rows] + 6 * (np.arange(len(blocks)) - starts[block_rows])
        stride = row_length[block_rows]
        indices = np.empty(36 * len(blocks), np.int32)
        indices[(first[:, None, None] + stride[:, None, None] * row[:, None] + row)] = (
            6 * block_cols[:, None, None] + row
        )
        block = block.reshape(-1, 3, 1, 3, 1)
        positions = first[block] + stride[block] * row[:, None, None] + row
        return cls(indptr.astype(np.int32), indices, positions.ravel(), (starts, block_cols))

    @property
    def dof_count(self) -> int:
        """Number of DOFs, 6 n."""
        return len(self.indptr) - 1

    def csr_values(self, matrices: np.ndarray) -> np.ndarray:
        """CSR values of the sum of element matrices (m, 18, 18)."""
        return np.bincount(self.entry_positions, matrices.ravel(), len(self.indices))

    def assemble(self, matrices: np.ndarray) -> sp.csr_matrix:
        """(6 n, 6 n) sum of element matrices (m, 18, 18)."""
        shape = (self.dof_count, self.dof_count)
        return sp.csr_matrix((self.csr_values(matrices), self.indices, self.indptr), shape=shape)


@dataclass(frozen=True, eq=False)
class Shell:
    """A shell: nodes (n, 3) mm, triangles (m, 3), t mm (one value or one a triangle), E MPa, nu, rho kg/mm3.

    laminate: stiffness and mass of each triangle in place of those of a flat sheet t mm thick.
    """

    nodes: np.ndarray
    triangles: np.ndarray
    t: float | np.ndarray
    E: float
    nu: float
    rho: float = 0.0
    laminate: Laminate | None = None

    def with_laminate(self, laminate: Laminate) -> Shell:
        """The same mesh with other sheet; what depends on the mesh alone is not computed again."""
        other = replace(self, laminate=laminate)
        for name in ("geometry", "pattern", "dissection", "strain_operators", "parts", "_wider_dissections"):
            other.__dict__[name] = getattr(self, name)
        return other

    @property
    def dof_count(self) -> int:
        """Number of DOFs, 6 n."""
        return 6 * len(self.nodes)

    @cached_property
    def geometry(self) -> triangle.TriangleFrames:
        """Local frames, local corner coordinates and areas of the triangles."""
        return triangle.triangle_frames(self.nodes, self.triangles)

    @cached_property
    def pattern(self) -> AssemblyPattern:
        """Sparsity pattern of the global matrices."""
        return AssemblyPattern.of(self.triangles, len(self.nodes))

    @cached_property
    def dissection(self) -> Dissection:
        """Nested-dissection order of the nodes, in which the factors stay sparse."""
        return Dissection.of(self.nodes, *self.pattern.graph)

    def dissection_with(self, added: sp.spmatrix) -> Dissection:
        """Dissection where a matrix (6 n, 6 n) is added, which may couple nodes that share no triangle."""
        n = len(self.nodes)
        starts, neighbours = self.pattern.graph
        added = added.tocoo()
        coupled = np.repeat(np.arange(n), np.diff(starts)) * n + neighbours
        pairs = np.union1d(coupled, (added.row // 6).astype(np.int64) * n + added.col // 6)
        if len(pairs) == len(coupled):
            return self.dissection
        key = pairs.tobytes()
        if key not in self._wider_dissections:
            self._wider_dissections.clear()
            self._wider_dissections[key] = Dissection.of(
                self.nodes, np.searchsorted(pairs, np.arange(n + 1) * n), pairs % n
            )
        return self._wider_dissections[key]

    @cached_property
    def _wider_dissections(self) -> dict[bytes, Dissection]:
        """The last dissection with added couplings, by the pairs of coupled nodes."""
        return {}

    @cached_property
    def strain_operators(self) -> StrainOperators:
        """What the stiffness of laminates needs of the mesh."""
        return StrainOperators.of(self.geometry)

    @cached_property
    def parts(self) -> tuple[np.ndarray, ...]:
        """Nodes of each connected part of the mesh."""
        i, j = self.triangles[:, [0, 1, 2]].ravel(), self.triangles[:, [1, 2, 0]].ravel()
        n = len(self.nodes)
        count, part = connected_components(sp.coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)), directed=False)
        return tuple(np.flatnonzero(part == number) for number in range(count))

    @cached_property
    def element_stiffness(self) -> np.ndarray:
        """(m, 18, 18) stiffness of the triangles in their own frames, N/mm and N mm."""
        if self.laminate is not None:
            return laminate.element_stiffness(self.strain_operators, self.laminate)
        return triangle.element_stiffness(self.geometry, self.t, self.E, self.nu)

    @cached_property
    def stiffness(self) -> sp.csr_matrix:
        """(6 n, 6 n) stiffness, N/mm and N mm."""
        return self.pattern.assemble(triangle.to_global(self.element_stiffness, self.geometry.frames))

    @cached_property
    def mass(self) -> sp.csr_matrix:
        """(6 n, 6 n) mass of the sheet, kg and kg mm2."""
        if self.laminate is not None:
            thickness = self.laminate.areal_mass / self.rho if self.rho else 0.0 * self.laminate.areal_mass
            return self.pattern.assemble(triangle.element_mass(self.geometry.area, thickness, self.rho))
        return self.pattern.assemble(triangle.element_mass(self.geometry.area, self.t, self.rho))

    @cached_property
    def nodal_mass(self) -> np.ndarray:
        """(n,) kg of sheet at each node: a third of each of its triangles."""
        areal = self.rho * self.t if self.laminate is None else self.laminate.areal_mass
        share = np.broadcast_to(areal * self.geometry.area / 3, (len(self.triangles),))
        return np.bincount(self.triangles.ravel(), np.repeat(share, 3), len(self.nodes))

    def stress(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Stresses (m, 3) MPa (s_x, s_y, t_xy in each triangle's frame) on the upper and lower face, at centroids.

        Of laminates: see `laminate.face_stresses`.
        """
        return self.local_stress(triangle.to_local(u, self.triangles, self.geometry.frames))

    def local_stress(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """As `stress`, for deformations u (m, 18) in the triangles' frames."""
        if self.laminate is not None:
            return laminate.face_stresses(self.geometry, self.laminate, self.E, self.nu, float(np.mean(self.t)), u)
        return face_stresses(self.t, *self.local_resultants(u))

    def resultants(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm at centroids, for displacements u (6 n,)."""
        return self.local_resultants(triangle.to_local(u, self.triangles, self.geometry.frames))

    def local_resultants(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """As `resultants`, for deformations u (m, 18) in the triangles' frames."""
        if self.laminate is not None:
            return laminate.resultants(self.geometry, self.laminate, u)
        return triangle.resultants(self.geometry, self.t, self.E, self.nu, u)

    def geometric_stiffness(self, u: np.ndarray) -> sp.csr_matrix:
        """(6 n, 6 n) geometric stiffness of the membrane forces under displacements u (6 n,)."""
        N, _ = self.resultants(u)
        local = triangle.geometric_stiffness(self.geometry, N)
        return self.pattern.assemble(triangle.to_global(local, self.geometry.frames))


def face_stresses(t: float | np.ndarray, N: np.ndarray, M: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stresses (m, 3) MPa on the upper and lower face from resultants N, M (m, 3): N/t + 6 M/t2 and N/t - 6 M/t2."""
    t = np.broadcast_to(np.asarray(t, float), (len(N),))[:, None]
    return N / t + 6 * M / t**2, N / t - 6 * M / t**2


def rigid_body_modes(nodes: np.ndarray) -> np.ndarray:
    """(6 n, 6) translations along x, y, z and rotations about the axes through the centroid, one a column."""
    n = len(nodes)
    x, y, z = (nodes - nodes.mean(axis=0)).T
    R = np.zeros((n, 6, 6))
    R[:, :3, :3] = np.eye(3)
    R[:, 3:, 3:] = np.eye(3)
    R[:, 1, 3], R[:, 2, 3] = -z, y
    R[:, 0, 4], R[:, 2, 4] = z, -x
    R[:, 0, 5], R[:, 1, 5] = -y, x
    return R.reshape(6 * n, 6)


def unrestrained_modes(
    shell: Shell, fixed: np.ndarray, springs: sp.spmatrix | None = None
) -> list[tuple[str, np.ndarray]]:
    """Rigid-body modes that no support restrains: (name, centroid (3,) mm of the part) for every part of the mesh.

    fixed: constrained DOFs.  springs: (6 n, 6 n) stiffness of elastic supports.
    """
    n = len(shell.nodes)
    constrained = np.zeros(6 * n)
    constrained[fixed] = 1.0
    unrestrained = []
    for members in shell.parts:
        nodes = shell.nodes[members]
        size = np.ptp(nodes, axis=0).max()
        R = rigid_body_modes(nodes) @ np.diag([1, 1, 1, 1 / size, 1 / size, 1 / size])
        dofs = (6 * members[:, None] + np.arange(6)).ravel()
        # (6, 6) stiffness of the rigid part on its supports, each constrained DOF a unit spring
        gram = R.T @ (constrained[dofs][:, None] * R)
        if springs is not None:
            part_springs = springs.tocsr()[dofs][:, dofs]
            stiffest = abs(part_springs.diagonal()).max()
            if stiffest > 0:
                gram = gram + R.T @ (part_springs @ R) / stiffest
        values, vectors = np.linalg.eigh(gram)
        for value, vector in zip(values, vectors.T, strict=True):
            if value < ZERO_EIGENVALUE * max(1.0, values[-1]):
                unrestrained.append((RIGID_BODY_MODE_NAMES[int(np.argmax(abs(vector)))], nodes.mean(axis=0)))
    return unrestrained


def check_restrained(shell: Shell, fixed: np.ndarray, springs: sp.spmatrix | None = None) -> None:
    """Raises SolverError that names the rigid-body modes which no support restrains.

    Arguments as for `unrestrained_modes`.
    """
    modes = unrestrained_modes(shell, fixed, springs)
    if modes:
        named = "; ".join(f"can {mode} (part near x {p[0]:.0f}, y {p[1]:.0f})" for mode, p in modes)
        raise SolverError(f"the panel is not held: it {named}; add or extend a support")

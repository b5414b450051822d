"""Assembly: element matrices of triangles with six DOFs a node into one global sparse matrix.

DOF 6 i + k is DOF k of node i.  n nodes, m triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp


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

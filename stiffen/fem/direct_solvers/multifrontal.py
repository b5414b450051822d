"""Multifrontal factors of a symmetric sparse matrix on a mesh, in a nested-dissection order.

A thin line of nodes, the separator, cuts the mesh in two; each part is cut again, and so on.  A separator is eliminated
after the parts it separates, so that there is little fill-in (A. George, "Nested dissection of a regular finite element
mesh", SIAM J. Numer. Anal. 10 (1973) 345-363).  Nodes that are eliminated together form one dense matrix, a front,
which LAPACK factorises (I. S. Duff and J. K. Reid, "The multifrontal solution of indefinite sparse symmetric linear
systems", ACM Trans. Math. Softw. 9 (1983) 302-325).

n nodes with b DOFs each; DOF b i + k is DOF k of node i.  A node's position is its index in the elimination order.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from scipy.linalg import blas, lapack

from stiffen.fem.blas_threads import one_thread

LEAF_NODES = 24  # a part of at most so many nodes is not cut further and becomes one front
MIN_PART_SHARE = 0.38  # each side of a separator has at least this share of the nodes
IMBALANCE_PENALTY = 8.0  # a separator costs its nodes times 1 + IMBALANCE_PENALTY (share - 1/2)^2
IndexRun = tuple[int, int, int]  # from, to: indices in a child's boundary; at: index in the parent's front


@dataclass(frozen=True, eq=False)
class Front:
    """Nodes that are eliminated together, at positions first to last - 1, and their boundary.

    boundary: (q,) positions of the later nodes to which they are coupled, directly or by fill-in.  The nodes of the
    front are the eliminated ones, then the boundary.  children: fronts whose Schur complements are added to this one,
    each with runs (from, to, at): its boundary nodes from..to - 1 are this front's nodes at, at + 1, ...
    """

    first: int
    last: int
    boundary: np.ndarray
    children: tuple[tuple[int, tuple[IndexRun, ...]], ...]


@dataclass(frozen=True, eq=False)
class ScatterMap:
    """Destination of each block of a matrix: `blocks`, sorted by front, go to `rows` and `columns` of their front.

    bounds: front k has the blocks bounds[2 k]..bounds[2 k + 1] in the square of its eliminated nodes, and the blocks
    bounds[2 k + 1]..bounds[2 k + 2] in their coupling to the boundary.  indptr, indices: the block CSR pattern.
    """

    indptr: np.ndarray
    indices: np.ndarray
    blocks: np.ndarray
    rows: np.ndarray
    columns: np.ndarray
    bounds: list[int]


@dataclass(frozen=True, eq=False)
class Dissection:
    """Elimination order of a mesh's nodes (position (n,) of each) and its fronts, children before parents."""

    position: np.ndarray
    fronts: tuple[Front, ...]
    _scatter_maps: dict = field(default_factory=dict)

    @classmethod
    def of(cls, points: np.ndarray, indptr: np.ndarray, indices: np.ndarray, leaf: int = LEAF_NODES) -> Dissection:
        """Dissect nodes at points (n, d) with a symmetric graph in CSR form."""
        n = len(points)
        tree: list[tuple[np.ndarray, list[int]]] = []
        number = np.full(n, -1)

        def cut(nodes: np.ndarray) -> int:
            """Append the parts of `nodes`, then their separator, to the tree; index of the last entry."""
            children = []
            if len(nodes) > leaf:
                *halves, nodes = _bisect(nodes, points, indptr, indices, number)
                children = [cut(half) for half in halves if len(half)]
            tree.append((nodes, children))
            return len(tree) - 1

        if n:
            cut(np.arange(n))
        order = np.concatenate([nodes for nodes, _ in tree]) if tree else np.zeros(0, int)
        position = np.empty(n, np.int64)
        position[order] = np.arange(n)
        fronts: list[Front] = []
        first = 0
        for nodes, children in tree:
            last = first + len(nodes)
            touched = [
                position[indices[_adjacency_rows(indptr, nodes)[0]]],
                *(fronts[child].boundary for child in children),
            ]
            boundary = np.unique(np.concatenate(touched))
            boundary = boundary[np.searchsorted(boundary, last) :]
            runs = tuple(
                (child, tuple(_index_runs(fronts[child].boundary, first, last, boundary))) for child in children
            )
            fronts.append(Front(first, last, boundary, runs))
            first = last
        return cls(position, tuple(fronts))

    def scatter_map(self, indptr: np.ndarray, indices: np.ndarray) -> ScatterMap:
        """Scatter map of a matrix with this block CSR pattern; the last one is cached."""
        known = self._scatter_maps.get("last")
        if known is None or not (np.array_equal(known.indptr, indptr) and np.array_equal(known.indices, indices)):
            known = self._scatter_maps["last"] = self._build_scatter_map(indptr, indices)
        return known

    def _build_scatter_map(self, indptr: np.ndarray, indices: np.ndarray) -> ScatterMap:
        """Scatter map of a matrix with this block CSR pattern."""
        n, fronts = len(self.position), self.fronts
        row, column = np.repeat(self.position, np.diff(indptr)), self.position[indices]
        blocks = np.flatnonzero(column >= row)  # the lower triangle repeats the upper
        row, column = row[blocks], column[blocks]
        first, last = (np.array([getattr(front, end) for front in fronts], np.int64) for end in ("first", "last"))
        front = np.searchsorted(last, row, side="right")
        counts = [len(one.boundary) for one in fronts]
        starts = np.cumsum([0, *counts[:-1]])
        # index of a later node in its front's boundary: by search in the sorted list of all (front, position) pairs
        every = np.repeat(np.arange(len(fronts)) * n, counts) + np.concatenate([one.boundary for one in fronts])
        outside = column >= last[front]
        local = column - first[front]
        local[outside] = np.searchsorted(every, front[outside] * n + column[outside]) - starts[front[outside]]
        order = np.argsort(2 * front + outside, kind="stable")
        bounds = np.searchsorted((2 * front + outside)[order], np.arange(2 * len(fronts) + 1))
        return ScatterMap(indptr, indices, blocks[order], (row - first[front])[order], local[order], bounds.tolist())


def _adjacency_rows(indptr: np.ndarray, nodes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions in the CSR indices of the neighbours of `nodes`, and for each the index of its node in `nodes`."""
    count = indptr[nodes + 1] - indptr[nodes]
    ends = np.cumsum(count)
    own = np.repeat(np.arange(len(nodes)), count)
    return np.arange(ends[-1] if len(ends) else 0) + (indptr[nodes] - ends + count)[own], own


def _bisect(
    nodes: np.ndarray, points: np.ndarray, indptr: np.ndarray, indices: np.ndarray, number: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two parts of `nodes` that are not coupled, and the separator between them, sorted along its length.

    The separator lies across one of the long axes, where fewest nodes have neighbours on the other side.  number:
    (n,) scratch array, -1 throughout on entry and on return.
    """
    k = len(nodes)
    number[nodes] = np.arange(k)
    at, owner = _adjacency_rows(indptr, nodes)
    other = number[indices[at]]
    number[nodes] = -1
    owner, other = owner[other >= 0], other[other >= 0]
    coordinates = points[nodes]
    extent = np.ptp(coordinates, axis=0)
    cuts = np.arange(max(1, int(MIN_PART_SHARE * k)), min(k - 1, int((1 - MIN_PART_SHARE) * k)) + 1)
    penalty = 1 + IMBALANCE_PENALTY * (cuts / k - 0.5) ** 2
    best = (np.inf, np.zeros(0, bool), np.zeros(0, bool))
    for axis in np.flatnonzero(extent >= 0.5 * extent.max()):
        rank = np.empty(k, np.int64)
        rank[np.argsort(coordinates[:, axis], kind="stable")] = np.arange(k)
        furthest = rank.copy()
        np.maximum.at(furthest, owner, rank[other])
        # number of nodes ranked below a cut that have neighbours ranked above it
        steps = np.bincount(rank + 1, minlength=k + 2) - np.bincount(furthest + 1, minlength=k + 2)
        cost = np.cumsum(steps)[cuts] * penalty
        cheapest = int(cost.argmin())
        if cost[cheapest] < best[0]:
            below = rank < cuts[cheapest]
            best = cost[cheapest], below, below & (furthest >= cuts[cheapest])
    _, below, in_separator = best
    separator = nodes[in_separator]
    if len(separator):
        separator = separator[np.argsort(points[separator, np.ptp(points[separator], axis=0).argmax()], kind="stable")]
    return nodes[below & ~in_separator], nodes[~below], separator


def _index_runs(positions: np.ndarray, first: int, last: int, boundary: np.ndarray) -> Iterator[IndexRun]:
    """Runs (from, to, at) by which a child's boundary, at sorted `positions`, maps into its parent's front.

    first, last, boundary: of the parent.  No run spans both the eliminated nodes and the boundary of the parent.
    """
    local = np.where(positions < last, positions - first, last - first + np.searchsorted(boundary, positions))
    new = np.diff(local, prepend=-2) != 1
    new |= local == last - first
    starts = np.flatnonzero(new).tolist()
    for start, end in zip(starts, [*starts[1:], len(local)], strict=True):
        yield start, end, int(local[start])


@dataclass(frozen=True, eq=False)
class FactoredFront:
    """A front after elimination.

    p eliminated DOFs, q boundary DOFs.  span: first eliminated DOF, and one past the last, in the elimination order.
    boundary: later DOFs (q,).  A positive definite diagonal block has its Cholesky factor L as diagonal_factor, and
    coupling (p, q) is L^-1 times the coupling block.  An indefinite one has LAPACK's Bunch-Kaufman factor and pivots;
    coupling is the coupling block itself, and inverse_coupling (p, q) the inverse of the diagonal block times it.
    """

    span: tuple[int, int]
    boundary: np.ndarray
    diagonal_factor: np.ndarray
    coupling: np.ndarray
    inverse_coupling: np.ndarray | None = None
    pivots: np.ndarray | None = None

    def forward_substitute(self, x: np.ndarray) -> None:
        """Forward substitution in x (n b, k), in the elimination order, in place."""
        first, last = self.span
        if self.pivots is None:
            y = blas.dtrsm(1.0, self.diagonal_factor, x[first:last], lower=1)
        else:
            y, _ = lapack.dsytrs(self.diagonal_factor, self.pivots, x[first:last], lower=1)
        x[first:last] = y
        if len(self.boundary):
            x[self.boundary] -= self.coupling.T @ y

    def back_substitute(self, x: np.ndarray) -> None:
        """Back substitution in x (n b, k), in the elimination order, in place."""
        first, last = self.span
        later = x[self.boundary]
        if self.pivots is None:
            y = x[first:last] - self.coupling @ later
            x[first:last] = blas.dtrsm(1.0, self.diagonal_factor, y, lower=1, trans_a=1)
        else:
            x[first:last] -= self.inverse_coupling @ later

    @property
    def negative_eigenvalues(self) -> int:
        """Number of negative eigenvalues of the diagonal block at its elimination."""
        if self.pivots is None:
            return 0
        single = self.pivots > 0
        return int((np.diagonal(self.diagonal_factor)[single] < 0).sum() + (~single).sum() // 2)


@dataclass(frozen=True, eq=False)
class MultifrontalFactors:
    """Factors of a matrix on its free DOFs.

    order: (n b,) DOF at each position of the elimination order.  constrained: (n b,) bool; zero in every solution.
    """

    order: np.ndarray
    constrained: np.ndarray
    fronts: tuple[FactoredFront, ...]

    @one_thread
    def solve(self, b: np.ndarray) -> np.ndarray:
        """x (n b,) or (n b, k) of K x = b on the free DOFs; zero at constrained DOFs."""
        x = self._forward(b)
        for front in reversed(self.fronts):
            front.back_substitute(x)
        out = np.empty_like(x)
        out[self.order] = x
        return out.reshape(b.shape)

    @one_thread
    def compliances(self, b: np.ndarray) -> np.ndarray:
        """b . K^-1 b (k,) of each column of b (n b, k), by forward substitution alone: |L^-1 b|^2.

        Raises ValueError if K is not positive definite.
        """
        if any(front.pivots is not None for front in self.fronts):
            raise ValueError("compliances need a positive definite matrix")
        x = self._forward(b)
        return np.einsum("ik,ik->k", x, x)

    def _forward(self, b: np.ndarray) -> np.ndarray:
        """(n b, k) forward substitution in b, in the elimination order."""
        x = np.where(self.constrained.reshape((-1,) + (1,) * (b.ndim - 1)), 0.0, b)[self.order].reshape(len(b), -1)
        for front in self.fronts:
            front.forward_substitute(x)
        return x

    @property
    def negative_eigenvalues(self) -> int:
        """Number of negative eigenvalues (Sylvester's law of inertia)."""
        return sum(front.negative_eigenvalues for front in self.fronts)


class SingularError(ArithmeticError):
    """The matrix is singular, or not positive definite although it should be."""


@one_thread
def factorise(
    dissection: Dissection, K: sp.spmatrix, constrained: np.ndarray, positive_definite: bool = True
) -> MultifrontalFactors:
    """Factors of a symmetric K (n b, n b) without the DOFs `constrained` (n b,) bool.

    Blocks of K must couple neighbours in the dissected graph only.  positive_definite: K is positive definite;
    otherwise negative pivots are accepted and counted.  Raises SingularError.
    """
    n = len(dissection.position)
    b = K.shape[0] // n
    K = K.tobsr((b, b))
    scatter_map = dissection.scatter_map(K.indptr, K.indices)
    data = _constrain(K, constrained.reshape(n, b))[scatter_map.blocks]
    updates: dict[int, np.ndarray] = {}
    fronts = []
    for k, front in enumerate(dissection.fronts):
        diagonal_block, coupling, boundary_block = _assemble_front(front, k, scatter_map, data, updates, b)
        if len(diagonal_block):
            factored = _eliminate(front, diagonal_block, coupling, b, positive_definite)
            fronts.append(factored)
            if len(front.boundary):
                boundary_block = _schur_complement(factored, coupling, boundary_block)
        updates[k] = boundary_block
    order = np.empty(n, np.int64)
    order[dissection.position] = np.arange(n)
    return MultifrontalFactors((b * order[:, None] + np.arange(b)).ravel(), constrained, tuple(fronts))


def _constrain(K: sp.bsr_matrix, constrained: np.ndarray) -> np.ndarray:
    """Blocks (k, b, b) of K with constrained (n, b) rows and columns replaced by those of the identity."""
    n, b = constrained.shape
    row = np.repeat(np.arange(n), np.diff(K.indptr))
    has_constraint = constrained.any(axis=1)
    touched = np.flatnonzero(has_constraint[row] | has_constraint[K.indices])
    data = K.data.copy()
    keep = ~constrained
    data[touched] *= keep[row[touched]][:, :, None] & keep[K.indices[touched]][:, None, :]
    diagonal = np.flatnonzero(row == K.indices)
    data[diagonal[:, None], np.arange(b), np.arange(b)] += constrained[row[diagonal]]
    return data


def _assemble_front(
    front: Front, k: int, scatter_map: ScatterMap, data: np.ndarray, updates: dict[int, np.ndarray], b: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Diagonal block (p b, p b), coupling (p b, q b) and boundary block (q b, q b) of a front; upper triangles.

    data: blocks of the matrix.  updates: Schur complements of the children, removed as they are added.
    """
    p, q = front.last - front.first, len(front.boundary)
    diagonal_block, coupling = np.zeros((p * b, p * b)), np.zeros((p * b, q * b))
    boundary_block = np.zeros((q * b, q * b))
    start, middle, end = scatter_map.bounds[2 * k : 2 * k + 3]
    rows, columns = scatter_map.rows, scatter_map.columns
    diagonal_block.reshape(p, b, p, b)[rows[start:middle], :, columns[start:middle]] = data[start:middle]
    coupling.reshape(p, b, q, b)[rows[middle:end], :, columns[middle:end]] = data[middle:end]
    for child, runs in front.children:
        update = updates.pop(child)
        for i, (start, end, row) in enumerate(runs):
            run, size = slice(b * start, b * end), b * (end - start)
            for start_, end_, column in runs[i:]:
                if column < p:
                    part = diagonal_block[b * row : b * row + size, b * column :]
                elif row < p:
                    part = coupling[b * row : b * row + size, b * (column - p) :]
                else:
                    part = boundary_block[b * (row - p) : b * (row - p) + size, b * (column - p) :]
                part[:, : b * (end_ - start_)] += update[run, b * start_ : b * end_]
    return diagonal_block, coupling, boundary_block


def _eliminate(
    front: Front, diagonal_block: np.ndarray, coupling: np.ndarray, b: int, positive_definite: bool
) -> FactoredFront:
    """Factorise a front's diagonal block, whose upper triangle is read and overwritten.

    LAPACK stores by columns, so it is handed the transpose and its lower triangle.
    """
    span = b * front.first, b * front.last
    boundary = (b * front.boundary[:, None] + np.arange(b)).ravel()
    lower, failed = lapack.dpotrf(diagonal_block.T, lower=1, clean=0, overwrite_a=positive_definite)
    if not failed:
        if len(boundary):
            coupling = blas.dtrsm(1.0, lower, coupling.T, side=1, lower=1, trans_a=1, overwrite_b=1).T
        return FactoredFront(span, boundary, lower, coupling)
    if positive_definite:
        raise SingularError("the matrix is not positive definite")
    lower, pivots, failed = lapack.dsytrf(diagonal_block.T, lower=1, lwork=64 * len(diagonal_block), overwrite_a=1)
    if failed:
        raise SingularError("the matrix is singular")
    inverse_coupling = lapack.dsytrs(lower, pivots, coupling, lower=1)[0] if len(boundary) else coupling
    return FactoredFront(span, boundary, lower, coupling, inverse_coupling, pivots)


def _schur_complement(factored: FactoredFront, coupling: np.ndarray, boundary_block: np.ndarray) -> np.ndarray:
    """Schur complement of a front on its boundary DOFs, upper triangle; `boundary_block` is the block before."""
    if factored.pivots is None:
        return blas.dsyrk(-1.0, factored.coupling.T, beta=1.0, c=boundary_block.T, lower=1, overwrite_c=1).T
    return boundary_block - coupling.T @ factored.inverse_coupling

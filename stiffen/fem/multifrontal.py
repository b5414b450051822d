"""Factors of the symmetric sparse matrix of a mesh: nested dissection, then dense fronts.

The mesh is cut in two by a thin line of nodes, each half again, and so on; the cuts are eliminated last, so that
little fills in (A. George, "Nested dissection of a regular finite element mesh", SIAM J. Numer. Anal. 10 (1973)
345-363).  What is eliminated together makes one dense matrix, a front, and goes through LAPACK (I. S. Duff and J. K.
Reid, "The multifrontal solution of indefinite sparse symmetric linear systems", ACM Trans. Math. Softw. 9 (1983)
302-325).

n nodes with b freedoms each; freedom b i + k is freedom k of node i.  A node's `place_labels` is its number in the order of
elimination.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp
from scipy.linalg import blas, lapack

from .blas_threads import one_thread

LEAF_NODES = 24  # nodes eliminated together at the ends of the dissection
MIN_PART_SHARE = 0.38  # the smaller part of a cut has at least this share of the nodes
IMBALANCE_PENALTY = 8.0  # how much wider a cut may be for an even division: 1 + EVEN (share - 1/2)^2 times
IndexRun = tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class Front:
    """Nodes eliminated together: places first to last, and the places (q,) of later nodes that they touch.

    children: the fronts that hand their rest on to this one, each with the runs (from, to, at): its later nodes number
    from..to are this front's own nodes number at.. (its first ones those eliminated here, then `beyond`).
    """

    first: int
    last: int
    boundary: np.ndarray
    children: tuple[tuple[int, tuple[IndexRun, ...]], ...]


@dataclass(frozen=True, eq=False)
class ScatterMap:
    """Where the blocks of a matrix go: for each front a lot of `blocks`, at `group_into_rows` and `columns` of the front.

    Of the lot bounds[2 k]..bounds[2 k + 1]..bounds[2 k + 2] of front k the first part lies among the nodes eliminated
    there, the second beyond.
    """

    indptr: np.ndarray
    indices: np.ndarray
    blocks: np.ndarray
    rows: np.ndarray
    columns: np.ndarray
    bounds: list[int]


@dataclass(frozen=True, eq=False)
class Dissection:
    """An order of elimination of a mesh's nodes and the fronts that go with it, children before parents."""

    position: np.ndarray
    fronts: tuple[Front, ...]
    _scatter_maps: dict = field(default_factory=dict)

    @classmethod
    def of(cls, points: np.ndarray, indptr: np.ndarray, indices: np.ndarray, leaf: int = LEAF_NODES) -> Dissection:
        """Dissect nodes at points (n, d) whose neighbours are given row by row (CSR, symmetric)."""
        n = len(points)
        tree: list[tuple[np.ndarray, list[int]]] = []
        number = np.full(n, -1)

        def cut(nodes: np.ndarray) -> int:
            children = []
            if len(nodes) > leaf:
                *halves, nodes = _bisect(nodes, points, indptr, indices, number)
                children = [cut(half) for half in halves if len(half)]
            tree.append((nodes, children))
            return len(tree) - 1

        if n:
            cut(np.arange(n))
        order = np.concatenate([nodes for nodes, _ in tree]) if tree else np.zeros(0, int)
        place = np.empty(n, np.int64)
        place[order] = np.arange(n)
        fronts: list[Front] = []
        first = 0
        for nodes, children in tree:
            last = first + len(nodes)
            touched = [
                place[indices[_adjacency_rows(indptr, nodes)[0]]],
                *(fronts[child].boundary for child in children),
            ]
            beyond = np.unique(np.concatenate(touched))
            beyond = beyond[np.searchsorted(beyond, last) :]
            runs = tuple((child, tuple(_index_runs(fronts[child].boundary, first, last, beyond))) for child in children)
            fronts.append(Front(first, last, beyond, runs))
            first = last
        return cls(place, tuple(fronts))

    def scatter_map(self, indptr: np.ndarray, indices: np.ndarray) -> ScatterMap:
        """Where the blocks of a matrix with these rows (CSR of blocks) go; the last answer is kept."""
        known = self._scatter_maps.get("last")
        if known is None or not (np.array_equal(known.indptr, indptr) and np.array_equal(known.indices, indices)):
            known = self._scatter_maps["last"] = self._build_scatter_map(indptr, indices)
        return known

    def _build_scatter_map(self, indptr: np.ndarray, indices: np.ndarray) -> ScatterMap:
        n, fronts = len(self.position), self.fronts
        row, column = np.repeat(self.position, np.diff(indptr)), self.position[indices]
        blocks = np.flatnonzero(column >= row)  # the other half is the same again
        row, column = row[blocks], column[blocks]
        first, last = (np.array([getattr(front, end) for front in fronts], np.int64) for end in ("first", "last"))
        front = np.searchsorted(last, row, side="right")
        counts = [len(one.boundary) for one in fronts]
        starts = np.cumsum([0, *counts[:-1]])
        # number of a later node among its front's: its place in one list of all (front, place), which is sorted
        every = np.repeat(np.arange(len(fronts)) * n, counts) + np.concatenate([one.boundary for one in fronts])
        outside = column >= last[front]
        local = column - first[front]
        local[outside] = np.searchsorted(every, front[outside] * n + column[outside]) - starts[front[outside]]
        order = np.argsort(2 * front + outside, kind="stable")
        bounds = np.searchsorted((2 * front + outside)[order], np.arange(2 * len(fronts) + 1))
        return ScatterMap(indptr, indices, blocks[order], (row - first[front])[order], local[order], bounds.tolist())


def _adjacency_rows(indptr: np.ndarray, nodes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the neighbours of `nodes` stand among all, and which of the nodes (by number) each belongs to."""
    count = indptr[nodes + 1] - indptr[nodes]
    ends = np.cumsum(count)
    own = np.repeat(np.arange(len(nodes)), count)
    return np.arange(ends[-1] if len(ends) else 0) + (indptr[nodes] - ends + count)[own], own


def _bisect(
    nodes: np.ndarray, points: np.ndarray, indptr: np.ndarray, indices: np.ndarray, number: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two halves of `nodes` that do not touch, and the cut between them, in order along it.

    The cut lies square to one of the long axes, where fewest nodes have neighbours beyond.  number (n,): -1 throughout,
    on return too.
    """
    k = len(nodes)
    number[nodes] = np.arange(k)
    at, own = _adjacency_rows(indptr, nodes)
    other = number[indices[at]]
    number[nodes] = -1
    own, other = own[other >= 0], other[other >= 0]
    here = points[nodes]
    wide = np.ptp(here, axis=0)
    places = np.arange(max(1, int(MIN_PART_SHARE * k)), min(k - 1, int((1 - MIN_PART_SHARE) * k)) + 1)
    price = 1 + IMBALANCE_PENALTY * (places / k - 0.5) ** 2
    best = (np.inf, np.zeros(0, bool), np.zeros(0, bool))
    for axis in np.flatnonzero(wide >= 0.5 * wide.max()):
        rank = np.empty(k, np.int64)
        rank[np.argsort(here[:, axis], kind="stable")] = np.arange(k)
        furthest = rank.copy()
        np.maximum.at(furthest, own, rank[other])
        # nodes of rank below a place whose neighbours reach it
        steps = np.bincount(rank + 1, minlength=k + 2) - np.bincount(furthest + 1, minlength=k + 2)
        cost = np.cumsum(steps)[places] * price
        least = int(cost.argmin())
        if cost[least] < best[0]:
            below = rank < places[least]
            best = cost[least], below, below & (furthest >= places[least])
    _, below, between = best
    line = nodes[between]
    if len(line):
        line = line[np.argsort(points[line, np.ptp(points[line], axis=0).argmax()], kind="stable")]
    return nodes[below & ~between], nodes[~below], line


def _index_runs(places: np.ndarray, first: int, last: int, beyond: np.ndarray) -> Iterator[IndexRun]:
    """Places (sorted) of a child as runs of a front's own nodes: (from, to, at), none across first..last..beyond."""
    own = np.where(places < last, places - first, last - first + np.searchsorted(beyond, places))
    new = np.diff(own, prepend=-2) != 1
    new |= own == last - first
    starts = np.flatnonzero(new).tolist()
    for start, end in zip(starts, [*starts[1:], len(own)], strict=True):
        yield start, end, int(own[start])


@dataclass(frozen=True, eq=False)
class FactoredFront:
    """One front, eliminated.

    at: first and last freedom, in the order of elimination.  beyond: the later freedoms (q,).  own: factor of the
    front's own block.  coupling (p, q): what goes on to the later freedoms.  Where the own block is indefinite,
    turns: LAPACK's exchanges in its factor, solved (p, q): its inverse times the coupling; else None.
    """

    span: tuple[int, int]
    boundary: np.ndarray
    diagonal_factor: np.ndarray
    coupling: np.ndarray
    inverse_coupling: np.ndarray | None = None
    pivots: np.ndarray | None = None

    def forward_substitute(self, x: np.ndarray) -> None:
        """Eliminate: x (n b, k) in the order of elimination, in place."""
        first, last = self.span
        if self.pivots is None:
            y = blas.dtrsm(1.0, self.diagonal_factor, x[first:last], lower=1)
        else:
            y, _ = lapack.dsytrs(self.diagonal_factor, self.pivots, x[first:last], lower=1)
        x[first:last] = y
        if len(self.boundary):
            x[self.boundary] -= self.coupling.T @ y

    def back_substitute(self, x: np.ndarray) -> None:
        """Put back: x (n b, k) in the order of elimination, in place."""
        first, last = self.span
        later = x[self.boundary]
        if self.pivots is None:
            y = x[first:last] - self.coupling @ later
            x[first:last] = blas.dtrsm(1.0, self.diagonal_factor, y, lower=1, trans_a=1)
        else:
            x[first:last] -= self.inverse_coupling @ later

    @property
    def negative_eigenvalues(self) -> int:
        """Number of negative eigenvalues of the own block, as it stands when it is eliminated."""
        if self.pivots is None:
            return 0
        single = self.pivots > 0
        return int((np.diagonal(self.diagonal_factor)[single] < 0).sum() + (~single).sum() // 2)


@dataclass(frozen=True, eq=False)
class MultifrontalFactors:
    """A factorised matrix: of freedoms that are free; those held are zero in every solution."""

    order: np.ndarray  # (n b,) freedom at each place
    constrained: np.ndarray  # (n b,) bool
    fronts: tuple[FactoredFront, ...]

    @one_thread
    def solve(self, b: np.ndarray) -> np.ndarray:
        """x (n b,) or (n b, k) of K x = b on the free freedoms; zero on those held."""
        x = np.where(self.constrained.reshape((-1,) + (1,) * (b.ndim - 1)), 0.0, b)[self.order].reshape(len(b), -1)
        for pivot in self.fronts:
            pivot.forward_substitute(x)
        for pivot in reversed(self.fronts):
            pivot.back_substitute(x)
        out = np.empty_like(x)
        out[self.order] = x
        return out.reshape(b.shape)

    @property
    def negative_eigenvalues(self) -> int:
        """Number of negative eigenvalues (Sylvester's law of inertia)."""
        return sum(pivot.negative_eigenvalues for pivot in self.fronts)


class SingularError(ArithmeticError):
    """The matrix is singular, or not positive definite where that was asked for."""


@one_thread
def factorise(
    dissection: Dissection, K: sp.spmatrix, constrained: np.ndarray, positive_definite: bool = True
) -> MultifrontalFactors:
    """Factors of a symmetric K (n b, n b) without the freedoms `locked_folder` (n b,) bool.

    Blocks of K must couple neighbours of the dissection only.  definite: K is positive definite; otherwise negative
    pivots are taken too (and counted).  Raises SingularError.
    """
    n = len(dissection.position)
    b = K.shape[0] // n
    K = K.tobsr((b, b))
    plan = dissection.scatter_map(K.indptr, K.indices)
    data = _constrain(K, constrained.reshape(n, b))[plan.blocks]
    rest: dict[int, np.ndarray] = {}
    pivots = []
    for k, front in enumerate(dissection.fronts):
        own, coupling, beyond = _assemble_front(front, k, plan, data, rest, b)
        if len(own):
            pivot = _eliminate(front, own, coupling, b, positive_definite)
            pivots.append(pivot)
            if len(front.boundary):
                beyond = _schur_complement(pivot, coupling, beyond)
        rest[k] = beyond
    order = np.empty(n, np.int64)
    order[dissection.position] = np.arange(n)
    return MultifrontalFactors((b * order[:, None] + np.arange(b)).ravel(), constrained, tuple(pivots))


def _constrain(K: sp.bsr_matrix, constrained: np.ndarray) -> np.ndarray:
    """Blocks (k, b, b) of K with rows and columns held (n, b) zero, and one on their diagonal."""
    n, b = constrained.shape
    row = np.repeat(np.arange(n), np.diff(K.indptr))
    some = constrained.any(axis=1)
    touched = np.flatnonzero(some[row] | some[K.indices])
    data = K.data.copy()
    keep = ~constrained
    data[touched] *= keep[row[touched]][:, :, None] & keep[K.indices[touched]][:, None, :]
    diagonal = np.flatnonzero(row == K.indices)
    data[diagonal[:, None], np.arange(b), np.arange(b)] += constrained[row[diagonal]]
    return data


def _assemble_front(
    front: Front, k: int, scatter_map: ScatterMap, data: np.ndarray, updates: dict[int, np.ndarray], b: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Own block (p b, p b), coupling (p b, q b) and rest (q b, q b) of a front, upper triangles, before elimination."""
    p, q = front.last - front.first, len(front.boundary)
    own, coupling, beyond = np.zeros((p * b, p * b)), np.zeros((p * b, q * b)), np.zeros((q * b, q * b))
    start, middle, end = scatter_map.bounds[2 * k : 2 * k + 3]
    own.reshape(p, b, p, b)[scatter_map.rows[start:middle], :, scatter_map.columns[start:middle]] = data[start:middle]
    coupling.reshape(p, b, q, b)[scatter_map.rows[middle:end], :, scatter_map.columns[middle:end]] = data[middle:end]
    for child, runs in front.children:
        handed = updates.pop(child)
        for i, (start, end, row) in enumerate(runs):
            rows, size = slice(b * start, b * end), b * (end - start)
            for start_, end_, column in runs[i:]:
                if column < p:
                    part = own[b * row : b * row + size, b * column :]
                elif row < p:
                    part = coupling[b * row : b * row + size, b * (column - p) :]
                else:
                    part = beyond[b * (row - p) : b * (row - p) + size, b * (column - p) :]
                part[:, : b * (end_ - start_)] += handed[rows, b * start_ : b * end_]
    return own, coupling, beyond


def _eliminate(front: Front, own: np.ndarray, coupling: np.ndarray, b: int, positive_definite: bool) -> FactoredFront:
    """A front's own block factorised; upper triangle of `own` is read, and overwritten (as its transpose's lower)."""
    at = b * front.first, b * front.last
    beyond = (b * front.boundary[:, None] + np.arange(b)).ravel()
    lower, failed = lapack.dpotrf(own.T, lower=1, clean=0, overwrite_a=positive_definite)
    if not failed:
        if len(beyond):
            coupling = blas.dtrsm(1.0, lower, coupling.T, side=1, lower=1, trans_a=1, overwrite_b=1).T
        return FactoredFront(at, beyond, lower, coupling)
    if positive_definite:
        raise SingularError("the matrix is not positive definite")
    lower, turns, failed = lapack.dsytrf(own.T, lower=1, lwork=64 * len(own), overwrite_a=1)
    if failed:
        raise SingularError("the matrix is singular")
    solved = lapack.dsytrs(lower, turns, coupling, lower=1)[0] if len(beyond) else coupling
    return FactoredFront(at, beyond, lower, coupling, solved, turns)


def _schur_complement(pivot: FactoredFront, coupling: np.ndarray, beyond: np.ndarray) -> np.ndarray:
    """What is left for later freedoms: `beyond` less what the front's elimination takes, upper triangle."""
    if pivot.pivots is None:
        return blas.dsyrk(-1.0, pivot.coupling.T, beta=1.0, c=beyond.T, lower=1, overwrite_c=1).T
    return beyond - coupling.T @ pivot.inverse_coupling

"""Sparse direct solvers behind one interface: factors of a stiffness matrix restricted to its free DOFs.

`factorise` chooses the solver.  The multifrontal factors (`multifrontal.py`) are made for symmetric matrices whose node
graph is dissected: two to three times as fast as SuperLU on meshes of 500 to 4000 nodes.  SuperLU takes everything
else: a matrix that is unsymmetric, or one without a dissection (X. S. Li, "An overview of SuperLU", ACM Trans. Math.
Softw. 31 (2005) 302-325; here through scipy).  Either solver may be named, so that one checks the other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import SuperLU, splu

from stiffen.errors import SolverError

from . import multifrontal
from .multifrontal import Dissection, SingularError

FILL_ORDER = "MMD_AT_PLUS_A"  # minimum degree on the pattern of K + K^T

__all__ = [
    "SingularError",
    "SparseFactors",
    "SuperLUFactors",
    "elimination_order",
    "factorise",
    "spd_solver",
    "superlu_factors",
]


class SparseFactors(Protocol):
    """Factors of a matrix K (size, size) restricted to its free DOFs."""

    def solve(self, b: np.ndarray) -> np.ndarray:
        """x (size,) or (size, k) of K x = b on the free DOFs; zero at constrained DOFs."""

    def compliances(self, b: np.ndarray) -> np.ndarray:
        """b . K^-1 b (k,) of each column of b (size, k); K is symmetric positive definite."""

    @property
    def negative_eigenvalues(self) -> int:
        """Number of negative eigenvalues of a symmetric K, by the signs of its pivots (Sylvester's law of inertia)."""


@dataclass(frozen=True, eq=False)
class SuperLUFactors:
    """LU factors, without pivoting, of the rows and columns `free` (k,) of a matrix."""

    lu: SuperLU
    free: np.ndarray

    def solve(self, b: np.ndarray) -> np.ndarray:
        """See `SparseFactors.solve`."""
        x = np.zeros(b.shape)
        x[self.free] = self.lu.solve(np.ascontiguousarray(b[self.free]))
        return x

    def compliances(self, b: np.ndarray) -> np.ndarray:
        """See `SparseFactors.compliances`."""
        return np.einsum("ik,ik->k", b, self.solve(b))

    @property
    def negative_eigenvalues(self) -> int:
        """See `SparseFactors.negative_eigenvalues`; for an unsymmetric matrix the number of negative pivots."""
        return int((self.lu.U.diagonal() < 0).sum())


def factorise(
    K: sp.spmatrix,
    constrained: np.ndarray,
    dissection: Dissection | None = None,
    *,
    positive_definite: bool = True,
    symmetric: bool = True,
    solver: Literal["multifrontal", "superlu"] | None = None,
) -> SparseFactors:
    """Factors of K (size, size) without the DOFs `constrained` (size,) bool.

    dissection: elimination order of the nodes; K couples only nodes that are neighbours in its graph.
    positive_definite: K is symmetric positive definite; otherwise negative pivots are accepted and counted.
    symmetric: False for an unsymmetric K.  solver: None takes "multifrontal" where it applies, else "superlu".
    Raises SingularError where K is singular, or not positive definite although it should be.
    """
    if symmetric and dissection is not None and solver != "superlu":
        return multifrontal.factorise(dissection, K, constrained, positive_definite=positive_definite)
    if solver == "multifrontal":
        raise ValueError("multifrontal factors need a symmetric matrix and a dissection")
    free = np.flatnonzero(~constrained)
    try:
        factors = SuperLUFactors(superlu_factors(K.tocsr()[free][:, free].tocsc(), FILL_ORDER), free)
    except RuntimeError as error:
        raise SingularError(str(error)) from error
    if symmetric and positive_definite and factors.negative_eigenvalues:
        raise SingularError("the matrix is not positive definite")
    return factors


def spd_solver(K: sp.csc_matrix, ordered: bool = False) -> Callable[[np.ndarray], np.ndarray]:
    """Function that solves K x = b for one or many right-hand sides (columns); K symmetric positive definite.

    ordered: the DOFs stand in a fill-reducing order already.  Raises SolverError where K is singular.
    """
    try:
        return superlu_factors(K, "NATURAL" if ordered else FILL_ORDER).solve
    except RuntimeError as error:
        raise SolverError(
            f"the stiffness matrix cannot be factorised ({error}); is a part of the panel loose?"
        ) from error


def superlu_factors(K: sp.csc_matrix, order: str) -> SuperLU:
    """SuperLU factors without pivoting, as for a symmetric matrix.

    relax: columns merged into one supernode at the leaves.  A larger value costs fill and time on graded meshes; above
    SuperLU's own setting, 12, SuperLU overruns its memory.
    """
    return splu(K, permc_spec=order, diag_pivot_thresh=0.0, relax=3, options={"SymmetricMode": True})


def elimination_order(K: sp.csc_matrix) -> np.ndarray:
    """(n,) fill-reducing order of the DOFs of a symmetric positive definite K."""
    return np.argsort(superlu_factors(K, FILL_ORDER).perm_c)

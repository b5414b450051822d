"""Largest eigenvalues of K^-1 B by block Lanczos, for symmetric K (positive definite) and B.

A solve with several right-hand sides takes little more time than one with a single one.  So blocks of vectors reach the
accuracy that a search wants in half the time of single ones (G. H. Golub and C. F. Van Loan, Matrix Computations,
4th ed. 2013, section 10.3.6, from memory; here with the inner product of K and full reorthogonalisation).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.linalg
import scipy.sparse as sp

BLOCK = 4  # vectors at least; not fewer than are asked for, so that equal eigenvalues are all found
MAX_BLOCKS = 40
NOTHING = 1e-3  # of the largest eigenvalue of either sign: so small a one is not sought more closely than that
LEAST_NORM = 1e-10  # squared, over the largest of its block: a direction below it depends on the others
ROUND_OFF = 1e-24  # the same over the largest before what is known was taken away: nothing new is left


def largest_eigenvalues(
    solve: Callable[[np.ndarray], np.ndarray], B: sp.spmatrix, count: int, tolerance: float
) -> tuple[np.ndarray, np.ndarray]:
    """The largest eigenvalues of K^-1 B (<= count,), falling, and their vectors (n, <= count), of unit norm in K.

    solve: K^-1 times a matrix (n, k).  B: (n, n) symmetric, not necessarily definite.  tolerance: relative accuracy of
    the eigenvalues.  The start vectors are random, with a fixed seed.
    """
    n = B.shape[0]
    KW = np.asarray(B @ np.random.default_rng(0).standard_normal((n, min(max(BLOCK, count), n))))
    W = solve(KW)
    Q, KQ, BQ = (np.zeros((n, 0)) for _ in range(3))
    every: list[np.ndarray] = []
    shapes = np.zeros((0, 0))
    for _ in range(MAX_BLOCKS):
        whole = float(np.einsum("ik,ik->k", W, KW).max())
        for _ in range(2):  # twice is enough for full accuracy
            known = KQ.T @ W
            W, KW = W - Q @ known, KW - KQ @ known
        norms, directions = scipy.linalg.eigh(W.T @ KW)
        new = norms > max(LEAST_NORM * norms[-1], ROUND_OFF * whole)
        if not new.any():
            break
        scaled = directions[:, new] / np.sqrt(norms[new])
        W, KW = W @ scaled, KW @ scaled
        BW = np.asarray(B @ W)
        Q, KQ, BQ = np.hstack([Q, W]), np.hstack([KQ, KW]), np.hstack([BQ, BW])
        rising, shapes = scipy.linalg.eigh(Q.T @ BQ)
        every.append(rising[::-1][:count])
        if _settled(every, min(count, n), tolerance, NOTHING * float(np.abs(rising).max())):
            break
        KW = BW
        W = solve(BW)
    values = every[-1] if every else np.zeros(0)
    return values, Q @ shapes[:, ::-1][:, : len(values)]


def _settled(every: list[np.ndarray], count: int, tolerance: float, small: float) -> bool:
    """True if the eigenvalues of the last block, by their changes from the two before, change no more.

    They converge faster and faster: each change is at most the one before it times the ratio of these two.
    """
    if len(every) < 3 or len(every[-3]) < count:
        return False
    earlier, last = np.abs(every[-2] - every[-3]), np.abs(every[-1] - every[-2])
    next_change = last * np.minimum(last / np.maximum(earlier, np.finfo(float).tiny), 1.0)
    return bool(np.all(next_change <= tolerance * np.maximum(np.abs(every[-1]), small)))

"""A bound no layout of the candidates can beat on the ribbed plate, and proofs that none meets the demands.

Least cost . x over x in {0, 1} where at most one of each clique of conflicting candidates is in and every cut (`cuts`)
holds.  With x in [0, 1] this is a linear program whose value no layout beats; cuts are made where they say most until
the bound stops rising.  Plain cutting planes jump about and need hundreds of rounds; here each round cuts between the
program's own point and the best point known to meet the demands ("in-out" separation: Ben-Ameur & Neto, Networks 49
(2007) 3-17, from memory), so that the bound is stable and rises fast.

No number of a solver is believed: each bound is worked out again from the multipliers, with which it holds whatever
the solver did (Neumaier & Shcherbina, Math. Program. 99 (2004) 283-296, from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sp
from scipy.optimize import OptimizeResult, linprog

from .cuts import Cut, Cutter, Floor, scout_limits
from .errors import SolverError
from .ribbed import Scout

OPTIMAL, FEASIBLE, INFEASIBLE, NOTHING_FOUND = "optimal", "feasible", "infeasible", "nothing found"
ROUNDS = 60
CLOSE = 0.005  # the bound has converged when the fractional gap is less
MIX = 0.5  # how far from the inner point toward the program's point a cut is made
CERTAIN = 1e-7  # a certificate must clear nothing by so much


def status_of(result: OptimizeResult) -> str:
    """What scipy's linear or mixed-integer solver (HiGHS) has shown; SolverError where it failed.

    A limit that was reached (status 1) leaves what was found feasible, never optimal.  INFEASIBLE means: no layout of
    these candidates in this model.
    """
    if result.status == 0:
        return OPTIMAL
    if result.status == 1:
        return NOTHING_FOUND if result.x is None else FEASIBLE
    if result.status == 2:
        return INFEASIBLE
    raise SolverError(f"the linear program could not be solved: {result.message}")


def clique_cover(conflicts: sp.sparray) -> sp.csr_array:
    """(k, n) 0/1: cliques of the symmetric `conflicts` (n, n), every conflict in at least one; greedy."""
    blocked = conflicts.toarray().astype(bool)
    bare = blocked.copy()  # conflicts in no clique yet
    rows: list[np.ndarray] = []
    for i in range(len(blocked)):
        while bare[i].any():
            members = [i]
            open_to = blocked[i].copy()
            score = bare[i].astype(np.int32)
            while open_to.any():
                j = int(np.argmax(np.where(open_to, score, -1)))
                members.append(j)
                open_to &= blocked[j]
                score += bare[j]
            clique = np.array(members)
            bare[np.ix_(clique, clique)] = False
            rows.append(clique)
    starts = np.concatenate([[0], np.cumsum([len(row) for row in rows])]).astype(int)
    columns = np.concatenate(rows) if rows else np.zeros(0, int)
    return sp.csr_array((np.ones(len(columns)), columns, starts), shape=(len(rows), len(blocked)))

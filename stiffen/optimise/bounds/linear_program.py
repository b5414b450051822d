"""The linear program that bounds a choice of candidates, and the one place where the solver's answers are read.

Least cost . x over x in {0, 1} where at most one of each clique of conflicting candidates is in and every cut (`cuts`)
holds; with x in [0, 1] its value is one that no layout beats.  No number of the solver is believed: each bound is
worked out again from the multipliers, with which it holds whatever the solver did (Neumaier & Shcherbina, Math.
Program. 99 (2004) 283-296, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.optimize import OptimizeResult, linprog

from stiffen.errors import SolverError
from stiffen.model.outcomes import BoundStatus
from stiffen.surrogate.stiffened_plate import StiffenedPlate

from .cutting_planes import Cut, CutGenerator, GuaranteedStiffness, surrogate_limits

NODE_ROW = -1  # `Cut.demand` of a row that a node of a tree asks for itself
ROW_TOLERANCE = 1e-7  # by how much a packing row must be broken to be added


def status_of(result: OptimizeResult) -> BoundStatus:
    """What scipy's linear or mixed-integer solver (HiGHS) has shown; SolverError where it failed.

    A limit that was reached (status 1) leaves what was found feasible, never optimal.  INFEASIBLE means: no layout of
    these candidates in this model.
    """
    if result.status == 0:
        return BoundStatus.OPTIMAL
    if result.status == 1:
        return BoundStatus.NOTHING_FOUND if result.x is None else BoundStatus.FEASIBLE
    if result.status == 2:
        return BoundStatus.INFEASIBLE
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


def exclusion_row(x: np.ndarray, n: int) -> Cut:
    """The row that excludes the one layout whose first n places are x[:n], which the surrogate says misses a demand."""
    sign = np.where(x > 0.5, -1.0, 1.0)
    sign[n:] = 0.0
    return Cut(NODE_ROW, np.zeros(0), np.zeros(0), -1, (), sign, 1.0 - float(x[:n].sum()))


def at_least_one_row(members: np.ndarray, size: int) -> Cut:
    """The row that asks for at least one of the candidates `members`; size: of x."""
    row = np.zeros(size)
    row[members] = 1.0
    return Cut(NODE_ROW, np.zeros(0), np.zeros(0), -1, (), row, 1.0)


@dataclass(frozen=True, eq=False)
class LinearProgram:
    """Least cost . x, packing x <= capacity, lower <= x <= upper; the cuts come with each solve.

    x: the candidates, then the dies.  packing: `clique_count` rows with capacity 1; rows that say a die is in where one
    of a clique of its beads is, with capacity 0; last the number of beads, and of dies, with the greatest allowed.
    """

    cost: np.ndarray
    packing: sp.csr_array
    capacity: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    clique_count: int

    def is_feasible(self, x: np.ndarray) -> bool:
        """True where x (n,) keeps its bounds and the packing rows."""
        rows = (self.packing @ x <= self.capacity + ROW_TOLERANCE).all()
        return bool(rows and (x >= self.lower).all() and (x <= self.upper).all())

    @property
    def count_limits(self) -> np.ndarray:
        """(2,) 1 where the number of beads, of dies, is limited at all."""
        return (self.packing[-2:] @ np.ones(len(self.cost)) > self.capacity[-2:]).astype(float)

    @property
    def trivial_bound(self) -> float:
        """The bound without any cut or row."""
        return float(np.minimum(self.cost * self.lower, self.cost * self.upper).sum())

    def dual_bound(
        self, reduced_costs: np.ndarray, cuts: list[Cut], cut_weights: np.ndarray, packing_weights: np.ndarray
    ) -> float:
        """A value that no x of the program goes below, for any multipliers >= 0."""
        asked = sum(weight * cut.lower_limit for weight, cut in zip(cut_weights, cuts, strict=True))
        return float(
            asked
            - packing_weights @ self.capacity
            + np.minimum(reduced_costs * self.lower, reduced_costs * self.upper).sum()
        )

    def reduced_costs(
        self, cost: np.ndarray, cuts: list[Cut], cut_weights: np.ndarray, packing_weights: np.ndarray
    ) -> np.ndarray:
        """(n,) cost of each candidate less what it brings to the cuts, plus what it takes up."""
        left = cost + self.packing.T @ packing_weights
        for weight, cut in zip(cut_weights, cuts, strict=True):
            if weight > 0:
                left = left - weight * cut.coefficients
        return left


@dataclass(frozen=True, eq=False)
class LinearSolution:
    """x (n,); value: the bound; reduced costs (n,); multipliers of the cuts and of the packing rows, all >= 0."""

    x: np.ndarray
    value: float
    reduced_costs: np.ndarray
    cut_weights: np.ndarray
    packing_weights: np.ndarray


def solve_program(
    program: LinearProgram, cuts: list[Cut], elastic: bool = False, active_rows: np.ndarray | None = None
) -> LinearSolution | None:
    """The linear program; None where the solver calls it infeasible.

    elastic: x that misses the worst of cuts and numbers least; a value above 0 shows that no x keeps all.
    active_rows: packing rows (bool) to begin with; others are added as they are broken.
    """
    n, m = len(program.cost), len(cuts)
    rows = sp.csr_array(-np.array([cut.coefficients for cut in cuts]).reshape(m, n))
    least = -np.array([cut.lower_limit for cut in cuts])
    use = np.zeros(len(program.capacity), bool) if active_rows is None else active_rows.copy()
    use[-2:] = True
    cost, lower, upper = program.cost, program.lower, program.upper
    if elastic:
        cost = np.append(np.zeros(n), 1.0)
        lower, upper = np.append(lower, -1.0), np.append(upper, np.inf)
    while True:
        A = sp.vstack([rows, program.packing[use]])
        if elastic:
            slack = np.repeat([-1.0, 0.0], [m, use.sum()])
            slack[-2:] = -program.count_limits
            A = sp.hstack([A, sp.csr_array(slack[:, None])])
        b = np.concatenate([least, program.capacity[use]])
        result = linprog(cost, A.tocsr(), b, bounds=np.stack([lower, upper], axis=1), method="highs")
        status = status_of(result)
        if status == BoundStatus.INFEASIBLE:
            return None
        if status != BoundStatus.OPTIMAL:
            raise SolverError(f"the linear program was cut short: {result.message}")
        x = result.x[:n]
        broken = (program.packing @ x > program.capacity + ROW_TOLERANCE) & ~use
        if not broken.any():
            break
        use |= broken
    multipliers = np.maximum(-result.ineqlin.marginals, 0.0)
    y, mu = multipliers[:m], np.zeros(len(use))
    mu[use] = multipliers[m:]
    left = program.reduced_costs(np.zeros(n) if elastic else program.cost, cuts, y, mu)
    return LinearSolution(x, program.dual_bound(left, cuts, y, mu), left, y, mu)


@dataclass(frozen=True, eq=False)
class SelectionProblem:
    """A choice to be made: n candidates, conflicts (n, n), costs and dies, and the demands' limits on the surrogate."""

    conflicts: sp.csr_array
    dies: np.ndarray  # (n,) places of the candidates' dies in x, or none
    generator: CutGenerator
    guaranteed: GuaranteedStiffness
    program: LinearProgram

    @property
    def n(self) -> int:
        """Number of candidates."""
        return self.conflicts.shape[0]

    @property
    def has_whole_costs(self) -> bool:
        """True where every cost is a whole number."""
        return np.array_equal(self.program.cost, np.round(self.program.cost))

    def scope(self) -> str:
        """What a bound of this task covers, in words."""
        panel = self.generator.surrogate.panel
        counted = [panel.demands[i] for i in self.generator.limits]
        out = [demand.label for demand in panel.demands if demand not in counted]
        words = f"{self.n} candidates on the ribbed plate: {', '.join(demand.label for demand in counted)}"
        return f"{words}; left out: {', '.join(out)}" if out else words

    def indicator(self, chosen: tuple[int, ...]) -> np.ndarray:
        """x of a choice."""
        x = np.zeros(len(self.program.cost))
        x[list(chosen)] = 1.0
        if len(self.dies):
            x[self.dies[list(chosen)]] = 1.0
        return x

    def cost(self, chosen: tuple[int, ...]) -> float:
        """What a choice costs."""
        return float(self.program.cost @ self.indicator(chosen))

    def is_met(self, chosen: tuple[int, ...]) -> bool:
        """True where a choice keeps the packing rows and the fixed beads, and meets the demands on the surrogate."""
        if not self.program.is_feasible(self.indicator(chosen)):
            return False
        surrogate, limits = self.generator.surrogate, self.generator.limits
        values = surrogate.respond(tuple(sorted(chosen))).values
        at_most = {i: surrogate.panel.demands[i].at_most for i in limits}
        return all(values[i] <= limits[i] if at_most[i] else values[i] >= limits[i] for i in limits)


@dataclass(frozen=True, eq=False)
class CostTerms:
    """What counts besides the demands.  n candidates.

    cost: (n,), default the number of beads.  dies, die_cost: (n,) number of each candidate's die, and what each die
    used costs once.  beads: (n,) how many beads each candidate stands for, default 1.  beads_at_most, dies_at_most: in
    a layout.  fixed: candidates that are in.
    """

    cost: np.ndarray | None = None
    dies: np.ndarray | None = None
    die_cost: float = 0.0
    beads: np.ndarray | None = None
    beads_at_most: float = math.inf
    dies_at_most: float = math.inf
    fixed: tuple[int, ...] = ()


def selection_problem(
    surrogate: StiffenedPlate,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: CostTerms | None = None,
) -> SelectionProblem:
    """The problem of the cheapest layout of the surrogate's candidates.

    conflicts: (n, n) symmetric bool.  limits: demand index -> value on the surrogate, default the demands' own limits
    (`cutting_planes.surrogate_limits`).  Raises ValueError where the fixed candidates conflict or are too many.
    """
    terms = terms or CostTerms()
    n = len(surrogate.first_rows) - 1
    conflicts = sp.csr_array(conflicts)
    beads = np.ones(n) if terms.beads is None else np.asarray(terms.beads, float)
    names, dies = (np.zeros(0), np.zeros(0, int)) if terms.dies is None else np.unique(terms.dies, return_inverse=True)
    cliques = clique_cover(conflicts)
    by_die = _die_rows(cliques, dies, len(names))
    beside = sp.csr_array((cliques.shape[0], len(names)))
    last = sp.csr_array(np.block([[beads, np.zeros(len(names))], [np.zeros(n), np.ones(len(names))]]))
    packing = sp.vstack([sp.hstack([cliques, beside]), by_die, last]).tocsr()
    room = np.repeat([1.0, 0.0], [cliques.shape[0], by_die.shape[0]])
    most = min(terms.beads_at_most, beads.sum()), min(terms.dies_at_most, len(names))
    cost = np.append(beads if terms.cost is None else terms.cost, np.full(len(names), terms.die_cost))
    lower = np.zeros(n + len(names))
    lower[list(terms.fixed)] = 1.0
    program = LinearProgram(cost, packing, np.append(room, most), lower, np.ones(n + len(names)), cliques.shape[0])
    cutter = CutGenerator(surrogate, surrogate_limits(surrogate) if limits is None else limits, len(names))
    job = SelectionProblem(
        conflicts, n + dies, cutter, cutter.guaranteed_stiffness(tuple(sorted(terms.fixed))), program
    )
    if not program.is_feasible(job.indicator(terms.fixed)):
        raise ValueError(f"fixed candidates {terms.fixed} exclude each other, or are more than is allowed")
    return job


def _die_rows(cliques: sp.csr_array, dies: np.ndarray, count: int) -> sp.csr_array:
    """(k, n + count): of the candidates of one die in a clique no more are in than the die is, that is 1 or none."""
    rows: list[tuple[np.ndarray, int]] = []
    n = cliques.shape[1]
    for die in range(count):
        mine = dies == die
        left = mine.copy()
        for row in range(cliques.shape[0]):
            members = cliques.indices[cliques.indptr[row] : cliques.indptr[row + 1]]
            members = members[mine[members]]
            if left[members].any():
                rows.append((members, die))
                left[members] = False
        rows += [(np.array([i]), die) for i in np.flatnonzero(left)]
    at = np.repeat(np.arange(len(rows)), [len(members) + 1 for members, _ in rows])
    columns = [np.append(members, n + die) for members, die in rows]
    values = [np.append(np.ones(len(members)), -1.0) for members, _ in rows]
    flat = np.concatenate(columns) if rows else np.zeros(0, int)
    return sp.csr_array((np.concatenate(values) if rows else np.zeros(0), (at, flat)), shape=(len(rows), n + count))

"""Branch and bound: the cheapest layout of a few dozen candidates on the ribbed plate, proven.

A node fixes some candidates in or out.  Its linear program with cuts bounds the cost of every layout below it.  The
node with the least bound is opened first.  Deflection cuts made at a node use the beads that are fixed in, so they
become exact on the way down.
"""

from __future__ import annotations

import heapq
import itertools
import math
import time
from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sp

from stiffen.fem.blas_threads import one_thread
from stiffen.surrogate.stiffened_plate import StiffenedPlate

from .cutting_planes import Cut, GuaranteedStiffness
from .infeasibility import PROOF_TOLERANCE
from .linear_program import (
    NODE_ROW,
    CostTerms,
    LinearProgram,
    LinearSolution,
    SelectionProblem,
    at_least_one_row,
    exclusion_row,
    selection_problem,
    solve_program,
)
from .lower_bound import COST_TOLERANCE, CostBound, bound_result, checked_cost

INTEGRALITY_TOLERANCE = 1e-6  # a share this close to 0 or 1 is one of them
MIN_SPLIT_SHARE = 0.02  # shares, and sums of shares, this far from 0 and 1 are worth a split
MAX_CUT_ROUNDS_PER_NODE = 6  # of cuts before a node is split
MAX_IDLE_CUT_SLACK = 0.3  # a cut without effect that x keeps by more is dropped
MIN_BOUND_RISE = 0.002  # fraction of the bound by which a round must raise it to be followed by another


@dataclass(order=True)
class Node:
    """The layouts within the bounds of `program`; none of them costs less than `bound`.

    cuts, active_rows: the cuts, and the packing rows (bool), that gave the bound.
    """

    bound: float
    number: int
    program: LinearProgram = field(compare=False)
    cuts: list[Cut] = field(compare=False)
    active_rows: np.ndarray | None = field(compare=False, default=None)


@dataclass(eq=False)
class BranchAndBound:
    """One branch and bound: open nodes, all cuts made, the best layout."""

    problem: SelectionProblem
    deadline: float
    best_cost: float = math.inf
    chosen: tuple[int, ...] | None = None
    known_cuts: list[Cut] = field(default_factory=list)
    guaranteed: dict[tuple[int, ...], GuaranteedStiffness] = field(default_factory=dict)
    nodes_opened: int = 0

    def cutoff(self) -> float:
        """A node with this bound holds nothing better than the best layout."""
        if self.problem.has_whole_costs:
            return self.best_cost - 1 + COST_TOLERANCE
        return self.best_cost - COST_TOLERANCE * max(abs(self.best_cost), 1.0)

    def run(self) -> float:
        """Open nodes until none is left or time is up; returns the bound."""
        count = itertools.count()
        heap = [Node(self.problem.program.trivial_bound, next(count), self.problem.program, [])]
        while heap:
            if time.monotonic() > self.deadline:
                return min(self.best_cost, heap[0].bound)
            node = heapq.heappop(heap)
            if node.bound >= self.cutoff():
                break
            self.nodes_opened += 1
            for child in self.branch(node):
                child.number = -next(count)  # of equal bounds the newest first
                heapq.heappush(heap, child)
        return self.best_cost

    def branch(self, node: Node) -> list[Node]:
        """Bound a node; its two parts, or nothing where it is done with."""
        program, cuts, value, tight = node.program, list(node.cuts), node.bound, node.active_rows
        n = self.problem.n
        if (program.packing[: program.clique_count] @ program.lower > 1.5).any() or (
            program.lower > program.upper
        ).any():
            return []  # two that exclude each other would have to be in
        if np.array_equal(program.lower[:n], program.upper[:n]):
            self.try_layout(program.lower)
            return []
        x, low = program.upper, tuple(np.flatnonzero(program.lower[:n] > 0.5).tolist())
        for round_ in range(MAX_CUT_ROUNDS_PER_NODE):
            solved = solve_program(program, cuts, active_rows=tight)
            if solved is None:
                if solve_program(program, cuts, elastic=True).value > PROOF_TOLERANCE:
                    return []
                break
            x, rise, tight = solved.x, solved.value - value, solved.packing_weights > 0
            value = max(value, solved.value)
            if value >= self.cutoff():
                return []
            program = self.fix_by_reduced_costs(program, solved)
            cuts = [cut for cut, y in zip(cuts, solved.cut_weights, strict=True) if y > 0 or _is_needed(cut, x)]
            whole = bool(np.all(np.abs(x - np.round(x))[:n] < INTEGRALITY_TOLERANCE))
            if whole:
                x = self.problem.indicator(_chosen(x, n))
                if self.try_layout(x) and value >= self.cutoff():
                    return []  # the program's best is a layout: nothing else here is cheaper
            elif round_ and rise < MIN_BOUND_RISE * abs(value):
                break
            missed = self.violated_cuts(x, low)
            if not missed:
                if not whole:
                    break
                missed = [exclusion_row(x, n)]
            cuts += missed
        return [Node(value, 0, part, cuts + more, tight) for part, more in child_programs(program, x, n)]

    def fix_by_reduced_costs(self, program: LinearProgram, solution: LinearSolution) -> LinearProgram:
        """The program without the choices that would cost more than the best layout, by their reduced costs."""
        spare = self.cutoff() - solution.value
        upper = np.where((solution.reduced_costs > spare) & (program.lower < 0.5), 0.0, program.upper)
        lower = np.where((solution.reduced_costs < -spare) & (program.upper > 0.5), 1.0, program.lower)
        return replace(program, lower=lower, upper=upper)

    def try_layout(self, x: np.ndarray) -> bool:
        """True where whole x is a layout that meets the demands; kept if it is the cheapest so far."""
        chosen = _chosen(x, self.problem.n)
        if not self.problem.is_met(chosen):
            return False
        cost = self.problem.cost(chosen)
        if cost < self.best_cost:
            self.best_cost, self.chosen = cost, chosen
        return True

    def violated_cuts(self, x: np.ndarray, certain: tuple[int, ...]) -> list[Cut]:
        """Cuts that x misses: of those made before, else new ones."""
        inside = set(certain)
        known = [
            cut
            for cut in self.known_cuts
            if inside.issuperset(cut.certain) and cut.violation(x) > INTEGRALITY_TOLERANCE
        ]
        if known:
            return known
        if certain not in self.guaranteed:
            self.guaranteed = {certain: self.problem.generator.guaranteed_stiffness(certain)}
        new = [
            cut
            for cut in self.problem.generator.cuts(x, self.guaranteed[certain])
            if cut.violation(x) > INTEGRALITY_TOLERANCE
        ]
        self.known_cuts += new
        return new


def _chosen(x: np.ndarray, n: int) -> tuple[int, ...]:
    return tuple(np.flatnonzero(x[:n] > 0.5).tolist())


def _is_needed(cut: Cut, x: np.ndarray) -> bool:
    return cut.demand == NODE_ROW or cut.violation(x) > -MAX_IDLE_CUT_SLACK


def child_programs(program: LinearProgram, x: np.ndarray, n: int) -> list[tuple[LinearProgram, list[Cut]]]:
    """Two programs, each with rows of its own, that share out the layouts and both exclude a fractional x.

    Of many candidates that exclude each other, neighbours are nearly alike, so to leave one out changes little.  So
    first: none of a clique, or one of it; then one half of a clique or the other; a single candidate last.
    """
    cliques = program.packing[: program.clique_count]
    total = cliques @ x
    k = _largest_positive(np.where((total > MIN_SPLIT_SHARE) & (total < 1 - MIN_SPLIT_SHARE), total, 0.0))
    if k >= 0:
        members = cliques[[k]].indices
        return [(_excluding(program, members), []), (program, [at_least_one_row(members, len(x))])]
    k = _largest_positive(
        np.where(
            total > 1 - MIN_SPLIT_SHARE,
            cliques @ ((x > MIN_SPLIT_SHARE) & (x < 1 - MIN_SPLIT_SHARE)).astype(float),
            0.0,
        )
    )
    if k >= 0:
        members = np.sort(cliques[[k]].indices)
        share = np.cumsum(x[members])
        half = int(np.argmin(np.abs(share - 0.5))) + 1
        if MIN_SPLIT_SHARE < share[half - 1] < 1 - MIN_SPLIT_SHARE:
            return [(_excluding(program, members[half:]), []), (_excluding(program, members[:half]), [])]
    shares = np.where(x > 1 - MIN_SPLIT_SHARE, 0.5 * MIN_SPLIT_SHARE, x)[:n]
    i = int(np.argmax(np.where((program.upper > program.lower)[:n], shares, -1.0)))
    lower = program.lower.copy()
    lower[i] = 1.0
    return [(_excluding(program, np.array([i])), []), (replace(program, lower=lower), [])]


def _largest_positive(score: np.ndarray) -> int:
    """Place of the largest positive value, -1 where there is none."""
    k = int(np.argmax(score)) if len(score) else -1
    return k if k >= 0 and score[k] > 0 else -1


def _excluding(program: LinearProgram, members: np.ndarray) -> LinearProgram:
    upper = program.upper.copy()
    upper[members] = 0.0
    return replace(program, upper=upper)


@one_thread
def cheapest_layout(
    surrogate: StiffenedPlate,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: CostTerms | None = None,
    *,
    quantity: str = "number of beads",
    known: tuple[int, ...] | None = None,
    seconds: float = 20.0,
) -> CostBound:
    """The layout of least cost that meets the demands on the surrogate, with the proof.

    Arguments as in `lower_bound.lower_bound`.
    `CostBound.chosen` is that layout, or the best found when time was up; `rounds` counts the nodes opened.
    """
    begun = time.monotonic()
    job = selection_problem(surrogate, conflicts, limits, terms)
    tree = BranchAndBound(job, begun + seconds)
    if known is not None:
        tree.best_cost, tree.chosen = checked_cost(job, known), known
    value = tree.run()
    paid = None if tree.chosen is None else tree.best_cost
    return bound_result(job, quantity, value, paid, tree.nodes_opened, time.monotonic() - begun, tree.chosen)

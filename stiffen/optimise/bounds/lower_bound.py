"""A bound no layout of the candidates can beat on the ribbed plate.

Cuts are added to the linear program (`program`) where they say most until its value stops rising.  Plain cutting
planes jump about and need hundreds of rounds; here each round cuts between the program's own point and the best point
known to meet the demands ("in-out" separation: Ben-Ameur & Neto, Networks 49 (2007) 3-17, from memory), so that the
bound is stable and rises fast.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.outcomes import BoundStatus, relative_gap
from stiffen.surrogate.stiffened_plate import StiffenedPlate

from .cutting_planes import Cut
from .infeasibility import PROOF_TOLERANCE, InfeasibilityCertificate, is_valid, make_certificate
from .linear_program import (
    CostTerms,
    SelectionProblem,
    at_least_one_row,
    selection_problem,
    solve_program,
)

MAX_CUT_ROUNDS = 100
CONVERGED_GAP = 0.01  # the bound has converged when the fractional gap to the best point inside is less
IN_OUT_WEIGHT = 0.5  # how far from the inner point toward the program's point a cut is made
INNER_POINT_WEIGHT = 0.25  # the same while no inner point is known yet, from the point that misses least
INNER_POINT_TOLERANCE = 1e-4  # fraction of a demand by which the best blend is known well enough
CUT_TOLERANCE = 1e-9  # a cut missed by less is kept
COST_TOLERANCE = 1e-6  # round-off in a sum of whole costs


@dataclass(frozen=True)
class CostBound:
    """No layout costs less than `value`; gap: (known - value)/known of the best layout known, None without one.

    status: OPTIMAL (known = value: proven best), FEASIBLE (a layout is known, the gap is open), INFEASIBLE (no layout
    of these candidates in this model; value is infinite), NOTHING_FOUND (no layout known, none excluded).
    """

    quantity: str
    value: float
    known: float | None
    status: BoundStatus
    rounds: int
    scope: str
    seconds: float
    chosen: tuple[int, ...] | None = None

    @property
    def gap(self) -> float | None:
        """Fraction of the known cost that is not proven to be needed."""
        if self.known is None or not math.isfinite(self.value):
            return None
        return relative_gap(self.value, self.known)


@dataclass(eq=False)
class CuttingPlaneRun:
    """The rounds of one bound: cuts so far, the best point inside, the bound."""

    problem: SelectionProblem
    deadline: float
    cuts: list[Cut] = field(default_factory=list)
    inner_point: np.ndarray | None = None  # meets all demands, as far as the cuts can tell
    value: float = -math.inf
    rounds: int = 0
    certificate: InfeasibilityCertificate | None = None

    def out_of_time(self) -> bool:
        """True when the deadline has passed or the rounds are used up."""
        return time.monotonic() > self.deadline or self.rounds >= MAX_CUT_ROUNDS

    def cut(self, x: np.ndarray) -> float:
        """Cut at x; by how much x misses the worst demand."""
        new = self.problem.generator.cuts(x, self.problem.guaranteed)
        self.cuts += new
        self.rounds += 1
        return max((one.violation(x) for one in new), default=-1.0)

    def find_inner_point(self, enough_violation: float = PROOF_TOLERANCE) -> None:
        """Find a point that meets all demands, or the proof that there is none: least t by which cuts are missed.

        enough: the proof is made stronger until t, a fraction of a demand, exceeds this.
        """
        best, least, tight = None, math.inf, None
        self.cut(self.problem.program.upper)  # everything at once: where that fails, nothing can do
        while not self.out_of_time():
            solved = solve_program(self.problem.program, self.cuts, elastic=True, active_rows=tight)
            tight = solved.packing_weights > 0
            if solved.value > PROOF_TOLERANCE:
                self.certificate = make_certificate(self.cuts, solved)
            if solved.value > enough_violation:
                return
            x = solved.x if best is None else best + INNER_POINT_WEIGHT * (solved.x - best)
            missed = self.cut(x)
            if missed < least:
                best, least = x, missed
            if missed <= CUT_TOLERANCE and self.problem.program.is_feasible(x):
                self.inner_point = x
                return
            if (
                0 < least < solved.value + INNER_POINT_TOLERANCE
            ):  # the best blend just misses, by less than a proof could show
                return

    def raise_bound(self) -> None:
        """Raise the bound until it meets the best point inside, or time is up."""
        program = self.problem.program
        self.value = program.trivial_bound
        best = math.inf if self.inner_point is None else float(program.cost @ self.inner_point)
        tight = None
        while True:
            solved = solve_program(program, self.cuts, active_rows=tight)
            if solved is None:
                return
            tight = solved.packing_weights > 0
            self.value = max(self.value, solved.value)
            if best - self.value <= CONVERGED_GAP * abs(best) or self.inner_point is None or self.out_of_time():
                return
            x = self.inner_point + IN_OUT_WEIGHT * (solved.x - self.inner_point)
            if self.cut(x) <= CUT_TOLERANCE:
                self.inner_point, best = x, min(best, float(program.cost @ x))


@one_thread
def lower_bound(
    surrogate: StiffenedPlate,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: CostTerms | None = None,
    *,
    quantity: str = "number of beads",
    known: tuple[int, ...] | None = None,
    seconds: float = 20.0,
) -> CostBound:
    """The least cost that no layout of the surrogate's candidates can beat.

    Arguments as in `linear_program.selection_problem`.  quantity: name of the cost.  known: a layout that meets the
    demands, for the gap; ValueError where it does not.
    """
    begun = time.monotonic()
    job = selection_problem(surrogate, conflicts, limits, terms)
    paid = None if known is None else checked_cost(job, known)
    rise = CuttingPlaneRun(job, begun + seconds)
    if known is None:
        rise.find_inner_point()
    else:
        rise.inner_point = job.indicator(known)
        rise.cuts += at_least_one_bead(job)
    if rise.certificate is not None and is_valid(rise.certificate, job):
        rise.value = math.inf
    else:
        rise.raise_bound()
    return bound_result(job, quantity, rise.value, paid, rise.rounds, time.monotonic() - begun, known)


def at_least_one_bead(problem: SelectionProblem) -> list[Cut]:
    """Rows that ask for a bead and a die at all, where the fixed beads alone do not do; blends get round the price."""
    lower = problem.program.lower
    fixed = np.flatnonzero(lower[: problem.n] > 0)
    if problem.is_met(tuple(fixed.tolist())):
        return []
    rows = [at_least_one_row(np.setdiff1d(np.arange(problem.n), fixed), len(lower))]
    if len(problem.dies):
        rows.append(at_least_one_row(np.unique(problem.dies), len(lower)))
    return rows


def checked_cost(problem: SelectionProblem, chosen: tuple[int, ...]) -> float:
    """Cost of a layout, after a look whether it is one and meets the demands; ValueError otherwise."""
    if problem.conflicts[list(chosen)][:, list(chosen)].nnz:
        raise ValueError(f"layout {chosen}: some of these candidates exclude each other")
    if not problem.is_met(chosen):
        raise ValueError(f"layout {chosen} does not meet the demands, or lacks a fixed bead, or has too many beads")
    return problem.cost(chosen)


def bound_result(
    problem: SelectionProblem,
    quantity: str,
    value: float,
    known: float | None,
    rounds: int,
    seconds: float,
    chosen: tuple[int, ...] | None,
) -> CostBound:
    """The bound in words; whole costs make it whole."""
    if math.isfinite(value) and problem.has_whole_costs:
        value = float(math.ceil(value - COST_TOLERANCE))
    if known is None:
        status = BoundStatus.INFEASIBLE if value == math.inf else BoundStatus.NOTHING_FOUND
    else:
        if value > known + COST_TOLERANCE * max(abs(known), 1.0):
            raise SolverError(f"the bound {value:g} beats a layout of cost {known:g}: one of the two is wrong")
        value = min(value, known)
        status = BoundStatus.OPTIMAL if value >= known - COST_TOLERANCE * max(abs(known), 1.0) else BoundStatus.FEASIBLE
    return CostBound(quantity, value, known, status, rounds, problem.scope(), seconds, chosen)


@one_thread
def is_infeasible(
    surrogate: StiffenedPlate,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: CostTerms | None = None,
    *,
    seconds: float = 10.0,
) -> bool:
    """True where it is proven, and the proof audited, that no layout of the surrogate's candidates meets the demands.

    False where some blend of candidates meets them, or time is up: that says nothing.
    Arguments as in `linear_program.selection_problem`.
    """
    job = selection_problem(surrogate, conflicts, limits, terms)
    proof = infeasibility_certificate(job, seconds)
    return proof is not None and is_valid(proof, job)


def infeasibility_certificate(problem: SelectionProblem, seconds: float) -> InfeasibilityCertificate | None:
    """A proof that no layout meets the demands, or None; not yet audited."""
    rise = CuttingPlaneRun(problem, time.monotonic() + seconds)
    rise.find_inner_point()
    return rise.certificate

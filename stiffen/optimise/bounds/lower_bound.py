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
from stiffen.surrogate.stiffened_plate import Scout

from .cutting_planes import Cut
from .infeasibility import CERTAIN, Certificate, certificate, holds
from .linear_program import FEASIBLE, INFEASIBLE, NOTHING_FOUND, OPTIMAL, Task, Terms, one_of, solve, task

ROUNDS = 100
CLOSE = 0.01  # the bound has converged when the fractional gap to the best point inside is less
MIX = 0.5  # how far from the inner point toward the program's point a cut is made
LOOK = 0.25  # the same while no inner point is known yet, from the point that misses least
EVEN = 1e-4  # fraction of a demand by which the best blend is known well enough
TRUE = 1e-9  # a cut missed by less is kept
WHOLE = 1e-6  # round-off in a sum of whole costs


@dataclass(frozen=True)
class Bound:
    """No layout costs less than `value`; gap: (known - value)/known of the best layout known, None without one.

    status: OPTIMAL (known = value: proven best), FEASIBLE (a layout is known, the gap is open), INFEASIBLE (no layout
    of these candidates in this model; value is infinite), NOTHING_FOUND (no layout known, none excluded).
    """

    what: str
    value: float
    known: float | None
    status: str
    rounds: int
    covers: str
    seconds: float
    chosen: tuple[int, ...] | None = None

    @property
    def gap(self) -> float | None:
        """Fraction of the known cost that is not proven to be needed."""
        if self.known is None or not math.isfinite(self.value):
            return None
        return max(0.0, (self.known - self.value) / self.known) if self.known > 0 else 0.0


@dataclass(eq=False)
class Rise:
    """The rounds of one bound: cuts so far, the best point inside, the bound."""

    task: Task
    deadline: float
    cuts: list[Cut] = field(default_factory=list)
    inside: np.ndarray | None = None  # meets all demands, as far as the cuts can tell
    value: float = -math.inf
    rounds: int = 0
    proof: Certificate | None = None

    def out_of_time(self) -> bool:
        """True when the deadline has passed or the rounds are used up."""
        return time.monotonic() > self.deadline or self.rounds >= ROUNDS

    def cut(self, x: np.ndarray) -> float:
        """Cut at x; by how much x misses the worst demand."""
        new = self.task.cutter.cuts(x, self.task.floor)
        self.cuts += new
        self.rounds += 1
        return max((one.missed(x) for one in new), default=-1.0)

    def look_inside(self, enough: float = CERTAIN) -> None:
        """Find a point that meets all demands, or the proof that there is none: least t by which cuts are missed.

        enough: the proof is made stronger until t, a fraction of a demand, exceeds this.
        """
        best, least, tight = None, math.inf, None
        self.cut(self.task.program.upper)  # everything at once: where that fails, nothing can do
        while not self.out_of_time():
            solved = solve(self.task.program, self.cuts, elastic=True, tight=tight)
            tight = solved.mu > 0
            if solved.value > CERTAIN:
                self.proof = certificate(self.cuts, solved)
            if solved.value > enough:
                return
            x = solved.x if best is None else best + LOOK * (solved.x - best)
            missed = self.cut(x)
            if missed < least:
                best, least = x, missed
            if missed <= TRUE and self.task.program.keeps(x):
                self.inside = x
                return
            if 0 < least < solved.value + EVEN:  # the best blend just misses, by less than a proof could show
                return

    def rise(self) -> None:
        """Raise the bound until it meets the best point inside, or time is up."""
        program = self.task.program
        self.value = program.trivial
        best = math.inf if self.inside is None else float(program.cost @ self.inside)
        tight = None
        while True:
            solved = solve(program, self.cuts, tight=tight)
            if solved is None:
                return
            tight = solved.mu > 0
            self.value = max(self.value, solved.value)
            if best - self.value <= CLOSE * abs(best) or self.inside is None or self.out_of_time():
                return
            x = self.inside + MIX * (solved.x - self.inside)
            if self.cut(x) <= TRUE:
                self.inside, best = x, min(best, float(program.cost @ x))


@one_thread
def bound(
    scout: Scout,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: Terms | None = None,
    *,
    what: str = "number of beads",
    known: tuple[int, ...] | None = None,
    seconds: float = 20.0,
) -> Bound:
    """The least cost that no layout of the scout's candidates can beat; arguments as in `linear_program.task`.

    what: name of the cost.  known: a layout that meets the demands, for the gap; ValueError where it does not.
    """
    begun = time.monotonic()
    job = task(scout, conflicts, limits, terms)
    paid = None if known is None else checked(job, known)
    rise = Rise(job, begun + seconds)
    if known is None:
        rise.look_inside()
    else:
        rise.inside = job.layout(known)
        rise.cuts += some_bead(job)
    if rise.proof is not None and holds(rise.proof, job):
        rise.value = math.inf
    else:
        rise.rise()
    return record(job, what, rise.value, paid, rise.rounds, time.monotonic() - begun, known)


def some_bead(job: Task) -> list[Cut]:
    """Rows that ask for a bead and a die at all, where the fixed beads alone do not do; blends get round the price."""
    lower = job.program.lower
    fixed = np.flatnonzero(lower[: job.n] > 0)
    if job.met(tuple(fixed.tolist())):
        return []
    rows = [one_of(np.setdiff1d(np.arange(job.n), fixed), len(lower))]
    if len(job.dies):
        rows.append(one_of(np.unique(job.dies), len(lower)))
    return rows


def checked(job: Task, chosen: tuple[int, ...]) -> float:
    """Cost of a layout, after a look whether it is one and meets the demands; ValueError otherwise."""
    if job.conflicts[list(chosen)][:, list(chosen)].nnz:
        raise ValueError(f"layout {chosen}: some of these candidates exclude each other")
    if not job.met(chosen):
        raise ValueError(f"layout {chosen} does not meet the demands, or lacks a fixed bead, or has too many beads")
    return job.cost(chosen)


def record(
    job: Task,
    what: str,
    value: float,
    known: float | None,
    rounds: int,
    seconds: float,
    chosen: tuple[int, ...] | None,
) -> Bound:
    """The bound in words; whole costs make it whole."""
    if math.isfinite(value) and job.whole:
        value = float(math.ceil(value - WHOLE))
    if known is None:
        status = INFEASIBLE if value == math.inf else NOTHING_FOUND
    else:
        if value > known + WHOLE * max(abs(known), 1.0):
            raise SolverError(f"the bound {value:g} beats a layout of cost {known:g}: one of the two is wrong")
        value = min(value, known)
        status = OPTIMAL if value >= known - WHOLE * max(abs(known), 1.0) else FEASIBLE
    return Bound(what, value, known, status, rounds, job.covers(), seconds, chosen)


@one_thread
def proven_impossible(
    scout: Scout,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: Terms | None = None,
    *,
    seconds: float = 10.0,
) -> bool:
    """True where it is proven, and the proof audited, that no layout of the scout's candidates meets the demands.

    False where some blend of candidates meets them, or time is up: that says nothing.
    Arguments as in `linear_program.task`.
    """
    job = task(scout, conflicts, limits, terms)
    proof = impossibility(job, seconds)
    return proof is not None and holds(proof, job)


def impossibility(job: Task, seconds: float) -> Certificate | None:
    """A proof that no layout meets the demands, or None; not yet audited."""
    rise = Rise(job, time.monotonic() + seconds)
    rise.look_inside()
    return rise.proof

"""Branch and bound: the cheapest layout of a few dozen candidates on the ribbed plate, proven.

A node says of some candidates that they are in or out; its linear program with cuts (`program`, `cuts`) bounds what is
below it.  The node with the least bound is opened first.  Deflection cuts made at a node know which beads are in for
certain, so they grow exact on the way down.
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
from stiffen.surrogate.stiffened_plate import Scout

from .cutting_planes import Cut, Floor
from .infeasibility import CERTAIN
from .linear_program import OWN, Program, Solved, Task, Terms, no_good, one_of, solve, task
from .lower_bound import WHOLE, Bound, checked, record

WHOLE_X = 1e-6  # a share this close to 0 or 1 is one of them
PART = 0.02  # shares, and sums of shares, this far from 0 and 1 are worth a split
ROUNDS_AT_NODE = 6  # of cuts before a node is split
IDLE = 0.3  # a cut without effect that x keeps by more is dropped
RISE = 0.002  # fraction of the bound by which a round must raise it to be followed by another


@dataclass(order=True)
class Node:
    """A part of all layouts: those that keep the program's bounds; no layout in it costs less than `bound`.

    cuts, tight: those that told so, of cuts and packing rows.
    """

    bound: float
    number: int
    program: Program = field(compare=False)
    cuts: list[Cut] = field(compare=False)
    tight: np.ndarray | None = field(compare=False, default=None)


@dataclass(eq=False)
class Tree:
    """One branch and bound: open nodes, all cuts made, the best layout."""

    task: Task
    deadline: float
    best: float = math.inf
    chosen: tuple[int, ...] | None = None
    pool: list[Cut] = field(default_factory=list)
    floors: dict[tuple[int, ...], Floor] = field(default_factory=dict)
    opened: int = 0

    def cutoff(self) -> float:
        """A node with this bound holds nothing better than the best layout."""
        if self.task.whole:
            return self.best - 1 + WHOLE
        return self.best - WHOLE * max(abs(self.best), 1.0)

    def run(self) -> float:
        """Open nodes until none is left or time is up; returns the bound."""
        count = itertools.count()
        heap = [Node(self.task.program.trivial, next(count), self.task.program, [])]
        while heap:
            if time.monotonic() > self.deadline:
                return min(self.best, heap[0].bound)
            node = heapq.heappop(heap)
            if node.bound >= self.cutoff():
                break
            self.opened += 1
            for child in self.split(node):
                child.number = -next(count)  # of equal bounds the newest first
                heapq.heappush(heap, child)
        return self.best

    def split(self, node: Node) -> list[Node]:
        """Bound a node; its two parts, or nothing where it is done with."""
        program, cuts, value, tight = node.program, list(node.cuts), node.bound, node.tight
        n = self.task.n
        if (program.packing[: program.cliques] @ program.lower > 1.5).any() or (program.lower > program.upper).any():
            return []  # two that exclude each other would have to be in
        if np.array_equal(program.lower[:n], program.upper[:n]):
            self.try_out(program.lower)
            return []
        x, low = program.upper, tuple(np.flatnonzero(program.lower[:n] > 0.5).tolist())
        for round_ in range(ROUNDS_AT_NODE):
            solved = solve(program, cuts, tight=tight)
            if solved is None:
                if solve(program, cuts, elastic=True).value > CERTAIN:
                    return []
                break
            x, rise, tight = solved.x, solved.value - value, solved.mu > 0
            value = max(value, solved.value)
            if value >= self.cutoff():
                return []
            program = self.narrowed(program, solved)
            cuts = [cut for cut, y in zip(cuts, solved.y, strict=True) if y > 0 or _needed(cut, x)]
            whole = bool(np.all(np.abs(x - np.round(x))[:n] < WHOLE_X))
            if whole:
                x = self.task.layout(_in(x, n))
                if self.try_out(x) and value >= self.cutoff():
                    return []  # the program's best is a layout: nothing else here is cheaper
            elif round_ and rise < RISE * abs(value):
                break
            missed = self.missed(x, low)
            if not missed:
                if not whole:
                    break
                missed = [no_good(x, n)]
            cuts += missed
        return [Node(value, 0, part, cuts + more, tight) for part, more in parts(program, x, n)]

    def narrowed(self, program: Program, solved: Solved) -> Program:
        """The program without the choices that would cost more than the best layout, by their reduced costs."""
        spare = self.cutoff() - solved.value
        upper = np.where((solved.left > spare) & (program.lower < 0.5), 0.0, program.upper)
        lower = np.where((solved.left < -spare) & (program.upper > 0.5), 1.0, program.lower)
        return replace(program, lower=lower, upper=upper)

    def try_out(self, x: np.ndarray) -> bool:
        """True where whole x is a layout that meets the demands; kept if it is the cheapest so far."""
        chosen = _in(x, self.task.n)
        if not self.task.met(chosen):
            return False
        cost = self.task.cost(chosen)
        if cost < self.best:
            self.best, self.chosen = cost, chosen
        return True

    def missed(self, x: np.ndarray, low: tuple[int, ...]) -> list[Cut]:
        """Cuts that x misses: of those made before, else new ones."""
        inside = set(low)
        known = [cut for cut in self.pool if inside.issuperset(cut.low) and cut.missed(x) > WHOLE_X]
        if known:
            return known
        if low not in self.floors:
            self.floors = {low: self.task.cutter.floor(low)}
        new = [cut for cut in self.task.cutter.cuts(x, self.floors[low]) if cut.missed(x) > WHOLE_X]
        self.pool += new
        return new


def _in(x: np.ndarray, n: int) -> tuple[int, ...]:
    return tuple(np.flatnonzero(x[:n] > 0.5).tolist())


def _needed(cut: Cut, x: np.ndarray) -> bool:
    return cut.demand == OWN or cut.missed(x) > -IDLE


def parts(program: Program, x: np.ndarray, n: int) -> list[tuple[Program, list[Cut]]]:
    """Two programs, each with rows of its own, that share out the layouts and both exclude a fractional x.

    Of many candidates that exclude each other, neighbours are nearly alike, so to leave one out changes little.  So
    first: none of a clique, or one of it; then one half of a clique or the other; a single candidate last.
    """
    cliques = program.packing[: program.cliques]
    total = cliques @ x
    k = _largest(np.where((total > PART) & (total < 1 - PART), total, 0.0))
    if k >= 0:
        members = cliques[[k]].indices
        return [(_without(program, members), []), (program, [one_of(members, len(x))])]
    k = _largest(np.where(total > 1 - PART, cliques @ ((x > PART) & (x < 1 - PART)).astype(float), 0.0))
    if k >= 0:
        members = np.sort(cliques[[k]].indices)
        share = np.cumsum(x[members])
        half = int(np.argmin(np.abs(share - 0.5))) + 1
        if PART < share[half - 1] < 1 - PART:
            return [(_without(program, members[half:]), []), (_without(program, members[:half]), [])]
    shares = np.where(x > 1 - PART, 0.5 * PART, x)[:n]
    i = int(np.argmax(np.where((program.upper > program.lower)[:n], shares, -1.0)))
    lower = program.lower.copy()
    lower[i] = 1.0
    return [(_without(program, np.array([i])), []), (replace(program, lower=lower), [])]


def _largest(score: np.ndarray) -> int:
    """Place of the largest positive value, -1 where there is none."""
    k = int(np.argmax(score)) if len(score) else -1
    return k if k >= 0 and score[k] > 0 else -1


def _without(program: Program, members: np.ndarray) -> Program:
    upper = program.upper.copy()
    upper[members] = 0.0
    return replace(program, upper=upper)


@one_thread
def cheapest(
    scout: Scout,
    conflicts: sp.sparray | np.ndarray,
    limits: dict[int, float] | None = None,
    terms: Terms | None = None,
    *,
    what: str = "number of beads",
    known: tuple[int, ...] | None = None,
    seconds: float = 20.0,
) -> Bound:
    """The layout of least cost that meets the demands on the scout, with the proof.

    Arguments as in `lower_bound.bound`.
    `Bound.chosen` is that layout, or the best found when time was up; `rounds` counts the nodes opened.
    """
    begun = time.monotonic()
    job = task(scout, conflicts, limits, terms)
    tree = Tree(job, begun + seconds)
    if known is not None:
        tree.best, tree.chosen = checked(job, known), known
    value = tree.run()
    paid = None if tree.chosen is None else tree.best
    return record(job, what, value, paid, tree.opened, time.monotonic() - begun, tree.chosen)

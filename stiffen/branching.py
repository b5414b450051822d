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

from .bound import WHOLE, Bound, checked, record
from .cuts import Cut, Floor
from .program import Task, solve, task
from .proof import CERTAIN
from .ribbed import Scout
from .threads import one_thread

WHOLE_X = 1e-6  # a share this close to 0 or 1 is one of them
ROUNDS_AT_NODE = 6  # of cuts before a node is split
IDLE = 0.3  # a cut without effect that x keeps by more is dropped
RISE = 0.002  # fraction of the bound by which a round must raise it to be followed by another


@dataclass(order=True)
class Node:
    """Candidates that are in or out: bounds of x.  bound: no layout below costs less; cuts that told so."""

    bound: float
    number: int
    lower: np.ndarray = field(compare=False)
    upper: np.ndarray = field(compare=False)
    cuts: list[Cut] = field(compare=False)


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
        program = self.task.program
        count = itertools.count()
        heap = [Node(program.trivial, next(count), program.lower, program.upper, [])]
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
        if np.array_equal(node.lower, node.upper):
            self.try_out(node.lower)
            return []
        program = replace(self.task.program, lower=node.lower, upper=node.upper)
        low = tuple(np.flatnonzero(node.lower > 0.5).tolist())
        cuts, value, x = list(node.cuts), node.bound, node.upper
        for round_ in range(ROUNDS_AT_NODE):
            solved = solve(program, cuts)
            if solved is None:
                if solve(program, cuts, elastic=True).value > CERTAIN:
                    return []
                break
            x, rise = solved.x, solved.value - value
            value = max(value, solved.value)
            if value >= self.cutoff():
                return []
            cuts = [cut for cut, y in zip(cuts, solved.y, strict=True) if y > 0 or cut.missed(x) > -IDLE]
            whole = bool(np.all(np.abs(x - np.round(x)) < WHOLE_X))
            if whole:
                x = np.round(x)
                if self.try_out(x):  # the program's best is a layout: nothing below is cheaper
                    return []
            elif round_ and rise < RISE * abs(value):
                break
            missed = self.missed(x, low)
            if not missed:
                if not whole:
                    break
                missed = [self.task.no_good(x)]
            cuts += missed
        return self.parts(node, x, value, cuts)

    def try_out(self, x: np.ndarray) -> bool:
        """True where whole x is a layout that meets the demands; kept if it is the cheapest so far."""
        chosen = tuple(np.flatnonzero(x > 0.5).tolist())
        if not self.task.met(chosen):
            return False
        cost = float(self.task.program.cost[list(chosen)].sum())
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

    def parts(self, node: Node, x: np.ndarray, value: float, cuts: list[Cut]) -> list[Node]:
        """The node without one candidate, and with it and so without all that conflict with it."""
        open_ = node.upper > node.lower
        shares = np.where(open_, np.where(x > 1 - WHOLE_X, 0.5 * WHOLE_X, x), -1.0)
        i = int(np.argmax(shares))
        without, lower, upper = node.upper.copy(), node.lower.copy(), node.upper.copy()
        without[i] = 0.0
        lower[i] = 1.0
        upper[self.task.conflicts[[i]].indices] = 0.0
        return [Node(value, 0, node.lower, without, cuts), Node(value, 0, lower, upper, cuts)]


@one_thread
def cheapest(
    scout: Scout,
    conflicts: sp.sparray | np.ndarray,
    cost: np.ndarray | None = None,
    *,
    what: str = "number of beads",
    limits: dict[int, float] | None = None,
    fixed: tuple[int, ...] = (),
    beads_at_most: int | None = None,
    known: tuple[int, ...] | None = None,
    seconds: float = 20.0,
) -> Bound:
    """The layout of least cost that meets the demands on the scout, with the proof; arguments as in `bound.bound`.

    `Bound.chosen` is that layout, or the best found when time was up; `rounds` counts the nodes opened.
    """
    begun = time.monotonic()
    job = task(scout, conflicts, cost, limits=limits, fixed=fixed, beads_at_most=beads_at_most)
    tree = Tree(job, begun + seconds)
    if known is not None:
        tree.best, tree.chosen = checked(job, known), known
    value = tree.run()
    paid = None if tree.chosen is None else tree.best
    return record(job, what, value, paid, tree.opened, time.monotonic() - begun, tree.chosen)

"""Choosing beads on the scout: a greedy start and local moves, fewest minutes at the bench once all demands are met.

A choice is a rising tuple of candidate numbers.  Everything is repeatable: the same seed gives the same choice.
"""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from stiffen.model.panel import Panel
from stiffen.surrogate.stiffened_plate import Response, Scout

GOAL = 0.98  # the scout is asked for a little more than the limit
SHARPNESS = 8.0  # how much the worst demand counts over the others when candidates are ranked
FAR = 1.3  # a greedy choice that misses by more is not worth local moves
TAKEN = 2  # choices made beforehand, the best ones, that are improved
LOOK = 6  # candidates tried in earnest at each step
LEVEL = 3  # greedy steps in a row that may leave the worst demand as it is
KICKS = 12  # times in a row that a choice may be half torn down and built up again for nothing
FEWEST = 20  # candidates, among which each is tried as the first; up to FEW where nothing else met
FEW = 60  # candidates, among which minutes too are worth such kicks; among more only what misses is


@dataclass(frozen=True)
class Choice:
    """Candidates chosen, the worst calibrated badness (over 1: not met), minutes.

    key: smaller is better: first by how much `worst` misses the goal, then minutes.
    """

    chosen: tuple[int, ...]
    worst: float
    minutes: float
    key: tuple[float, float]


@dataclass(eq=False)
class Chooser:
    """The scout, what excludes what, what each candidate costs, and how the judge corrects the scout.

    blocked: (candidates, candidates) bool.  minutes: (candidates,).  ratio: demand index -> judge over scout.
    near: for each candidate those it may be nudged to: slid, turned, longer or shorter, of another die.
    fixed: candidates that stay.  ignored: demands (by index) left to the judge, see `ignore`.  goal: worst badness that
    is good enough; 0 asks for the stiffest.  die_minutes: what each die costs once.  beads, dies: (candidates,) how
    many beads each stands for, and the number of its die; at most `beads_at_most` and `dies_at_most` in a choice.
    Evaluations are remembered.
    """

    scout: Scout
    blocked: np.ndarray
    minutes: np.ndarray
    deadline: float
    goal: float = GOAL
    die_minutes: float = 0.0
    beads: np.ndarray | None = None
    dies: np.ndarray | None = None
    beads_at_most: int | None = None
    dies_at_most: int | None = None
    ratio: dict[int, float] = field(default_factory=dict)
    near: tuple[tuple[int, ...], ...] = ()
    fixed: tuple[int, ...] = ()
    ignored: set[int] = field(default_factory=set)
    seen: dict[tuple[int, ...], Response] = field(default_factory=dict)

    @property
    def panel(self) -> Panel:
        """The panel the scout stands for."""
        return self.scout.panel

    def respond(self, chosen: tuple[int, ...]) -> Response:
        """The scout's answer, remembered."""
        if chosen not in self.seen:
            self.seen[chosen] = self.scout.respond(chosen, self.ignored)
        return self.seen[chosen]

    def ignore(self, demands: Collection[int]) -> None:
        """Leave these demands, by index, to the judge, and no others."""
        if not self.ignored <= set(demands):
            self.seen = {}
        self.ignored = set(demands)

    def bad(self, response: Response) -> dict[int, float]:
        """Calibrated badness of each demand the scout knows."""
        return {
            i: self.panel.demands[i].badness(value * self.ratio.get(i, 1.0))
            for i, value in response.values.items()
            if i not in self.ignored
        }

    def weigh(self, chosen: tuple[int, ...]) -> Choice:
        """A choice with its worst demand and its minutes."""
        worst = max(self.bad(self.respond(chosen)).values(), default=0.0)
        minutes = float(self.minutes[list(chosen)].sum())
        if self.die_minutes:
            minutes += self.die_minutes * len(np.unique(self.dies[list(chosen)]))
        return Choice(chosen, worst, minutes, (max(worst - self.goal, 0.0), minutes))

    def allowed(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) bool: those that may join."""
        here = list(chosen)
        free = ~self.blocked[here].any(axis=0)
        free[here] = False
        if self.beads_at_most is not None:
            free &= self.beads[here].sum() + self.beads <= self.beads_at_most
        if self.dies_at_most is not None:
            used = np.unique(self.dies[here])
            if len(used) >= self.dies_at_most:
                free &= np.isin(self.dies, used)
        return free

    @property
    def thrift(self) -> float:
        """The power of a candidate's minutes that its gain is divided by: 1, or 0 where the stiffest is asked for."""
        return 1.0 if self.goal else 0.0

    def asked(self, chosen: tuple[int, ...]) -> bool:
        """True for a choice that nothing speaks against: no conflict, not too many beads or dies."""
        here = list(chosen)
        few = self.beads_at_most is None or self.beads[here].sum() <= self.beads_at_most
        alike = self.dies_at_most is None or len(np.unique(self.dies[here])) <= self.dies_at_most
        return bool(few and alike and not self.blocked[np.ix_(here, here)].any())

    def worth(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) first-order gain of each in the worst demands, were it added to a choice."""
        response = self.respond(chosen)
        return self.scout.gains(response, {i: b ** (SHARPNESS - 1) for i, b in self.bad(response).items()})

    def ranked(self, chosen: tuple[int, ...], jitter: np.ndarray, thrift: float | None = None) -> list[int]:
        """The most promising candidates to add, by first-order gain in the worst demands over minutes**thrift."""
        thrift = self.thrift if thrift is None else thrift
        gain = self.worth(chosen) * self.allowed(chosen) * jitter / self.minutes**thrift
        order = np.argsort(-gain, kind="stable")[: 4 * LOOK]
        picked: list[int] = []
        for i in order:  # near twins of a better one tell nothing new
            if gain[i] > 0 and len(picked) < LOOK and sum(self.blocked[i, j] for j in picked) < 3:
                picked.append(int(i))
        return picked

    def out_of_time(self) -> bool:
        """True when the deadline has passed."""
        return time.monotonic() > self.deadline


def greedy(
    chooser: Chooser, start: tuple[int, ...], rng: np.random.Generator, noise: float = 0.0, thrift: float | None = None
) -> Choice:
    """Add the candidate that brings the worst demands down most a minute, until all are met or none fits.

    thrift: default the chooser's; 0 leaves the minutes out, as many cheap beads may leave no room for a good one.
    Where several places are equally bad no single bead helps: then the most promising one is taken all the same.
    """
    thrift = chooser.thrift if thrift is None else thrift
    now = best = chooser.weigh(start)
    level = 0
    while now.worst > chooser.goal and level < LEVEL and not chooser.out_of_time():
        jitter = np.exp(noise * rng.standard_normal(len(chooser.minutes)))
        tries = [chooser.weigh(tuple(sorted((*now.chosen, i)))) for i in chooser.ranked(now.chosen, jitter, thrift)]
        if not tries:
            break
        better = [one for one in tries if one.worst < now.worst * 0.999]
        level = 0 if better else level + 1
        now = min(
            better or tries[:1],
            key=lambda one: (max(one.worst, chooser.goal) - now.worst) / (one.minutes - now.minutes + 1e-9) ** thrift,
        )
        best = min(best, now, key=lambda one: one.key)
    return best


def improved(chooser: Chooser, now: Choice, rng: np.random.Generator) -> Choice:
    """Local moves until none helps: drop a bead, nudge one, or swap one (or two) for what the gains then propose."""
    moved = True
    while moved and not chooser.out_of_time():
        moved = False
        for attempt in (_dropped, _swapped, _nudged):
            better = attempt(chooser, now, rng)
            if better is not None:
                now, moved = better, True
                break
    return now


def _loose(chooser: Chooser, now: Choice) -> list[int]:
    """Chosen candidates that may go, least useful a minute first."""
    gain = chooser.worth(now.chosen) / chooser.minutes**chooser.thrift
    return sorted((i for i in now.chosen if i not in chooser.fixed), key=lambda i: (gain[i], i))


def _dropped(chooser: Chooser, now: Choice, rng: np.random.Generator) -> Choice | None:
    for out in _loose(chooser, now):
        if chooser.out_of_time():
            return None
        one = chooser.weigh(tuple(i for i in now.chosen if i != out))
        if one.key < now.key:
            return one
    return None


def _nudged(chooser: Chooser, now: Choice, rng: np.random.Generator) -> Choice | None:
    """One bead slid, turned, longer or shorter, or of another die."""
    for out in _loose(chooser, now) if chooser.near else []:
        rest = tuple(i for i in now.chosen if i != out)
        allowed = chooser.allowed(rest)
        for into in chooser.near[out]:
            if chooser.out_of_time():
                return None
            if not allowed[into]:
                continue
            one = chooser.weigh(tuple(sorted((*rest, into))))
            if one.key < now.key:
                return one
    return None


def _swapped(chooser: Chooser, now: Choice, rng: np.random.Generator) -> Choice | None:
    still = np.ones(len(chooser.minutes))
    loose = _loose(chooser, now)
    pairs = [(i,) for i in loose] + [(i, j) for k, i in enumerate(loose[:4]) for j in loose[k + 1 : 5]]
    for out in pairs:
        if chooser.out_of_time():
            return None
        rest = tuple(i for i in now.chosen if i not in out)
        for into in chooser.ranked(rest, still):
            if into in out:
                continue
            one = chooser.weigh(tuple(sorted((*rest, into))))
            if one.key < now.key:
                return one
    return None


def best_choice(chooser: Chooser, seed: int, starts: int, own: tuple[tuple[int, ...], ...] = ()) -> Choice:
    """The best of several greedy starts and of choices made beforehand, `own`, improved by local moves.

    At least one start is always finished greedily; the result is never worse than one of `own`.
    """
    rng = np.random.default_rng(seed)
    weighed: list[Choice] = []
    for made in own:
        if weighed and chooser.out_of_time():
            break
        weighed.append(chooser.weigh(made))
    begun = [_tried(chooser, one, rng) for one in sorted(weighed, key=lambda one: one.key)[:TAKEN]]
    best = min(begun, key=lambda one: one.key, default=None)
    for k in range(starts):
        one = _tried(chooser, greedy(chooser, chooser.fixed, rng, 0.35 * (k > 1), 0.0 if k == 1 else None), rng)
        if best is None or one.key < best.key:
            best = one
        if chooser.out_of_time() or (chooser.goal and best.worst > FAR and k > 0):
            break
    many = len(chooser.minutes)
    if chooser.goal and (many <= FEWEST or (many <= FEW and best.worst > chooser.goal)):
        for i in np.flatnonzero(chooser.allowed(chooser.fixed)):  # each as the first: the best one alone may mislead
            if chooser.out_of_time():
                break
            one = _tried(chooser, greedy(chooser, tuple(sorted((*chooser.fixed, int(i)))), rng), rng)
            best = min(best, one, key=lambda one: one.key)
    return kicked(chooser, best, rng) if best.worst <= FAR or not chooser.goal else best


def _tried(chooser: Chooser, one: Choice, rng: np.random.Generator) -> Choice:
    """Improved by local moves, but where it misses by far."""
    return improved(chooser, one, rng) if one.worst <= FAR or not chooser.goal else one


def kicked(chooser: Chooser, best: Choice, rng: np.random.Generator) -> Choice:
    """Tear down about half of the best choice, build up again with noise and improve, until that fails KICKS times.

    Swaps of one or two beads cannot leave a choice that only three at once would better.
    """
    fails, few = 0, len(chooser.minutes) <= FEW
    while fails < KICKS and (few or best.worst > chooser.goal) and not chooser.out_of_time():
        keep = [i for i in best.chosen if i in chooser.fixed or rng.random() < 0.5]
        one = improved(chooser, greedy(chooser, tuple(keep), rng, 0.8), rng)
        fails = 0 if one.key < best.key else fails + 1
        best = min(best, one, key=lambda one: one.key)
    return best

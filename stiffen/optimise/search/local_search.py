"""Choosing beads on the scout: a greedy start and local moves, fewest minutes at the bench once all demands are met.

A choice is a rising tuple of candidate numbers.  Everything is repeatable: the same seed gives the same choice.
"""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from stiffen.model.panel import Panel
from stiffen.surrogate.stiffened_plate import StiffenedPlate, SurrogateResponse

TARGET_UTILISATION = 0.98  # the scout is asked for a little more than the limit
WORST_DEMAND_EXPONENT = 8.0  # how much the worst demand counts over the others when candidates are ranked
LOCAL_SEARCH_LIMIT = 1.3  # a greedy choice that misses by more is not worth local moves
IMPROVED_INITIAL_CHOICES = 2  # choices made beforehand, the best ones, that are improved
CANDIDATES_PER_STEP = 6  # candidates tried in earnest at each step
MAX_STALLED_STEPS = 3  # greedy steps in a row that may leave the worst demand as it is
MAX_FAILED_RESTARTS = 12  # times in a row that a choice may be half torn down and built up again for nothing
EXHAUSTIVE_START_CANDIDATES = 20  # candidates, among which each is tried as the first; up to FEW where nothing else met
EXHAUSTIVE_RESTART_CANDIDATES = (
    60  # candidates, among which minutes too are worth such kicks; among more only what misses is
)


@dataclass(frozen=True)
class Choice:
    """Candidates chosen, the worst calibrated badness (over 1: not met), minutes.

    key: smaller is better: first by how much `worst` misses the goal, then minutes.
    """

    chosen: tuple[int, ...]
    utilisation: float
    minutes: float
    rank: tuple[float, float]


@dataclass(eq=False)
class SelectionObjective:
    """The scout, what excludes what, what each candidate costs, and how the judge corrects the scout.

    blocked: (candidates, candidates) bool.  minutes: (candidates,).  ratio: demand index -> judge over scout.
    near: for each candidate those it may be nudged to: slid, turned, longer or shorter, of another die.
    fixed: candidates that stay.  ignored: demands (by index) left to the judge, see `ignore`.  goal: worst badness that
    is good enough; 0 asks for the stiffest.  die_minutes: what each die costs once.  beads, dies: (candidates,) how
    many beads each stands for, and the number of its die; at most `beads_at_most` and `dies_at_most` in a choice.
    Evaluations are remembered.
    """

    surrogate: StiffenedPlate
    conflicts: np.ndarray
    minutes: np.ndarray
    deadline: float
    target: float = TARGET_UTILISATION
    die_minutes: float = 0.0
    bead_counts: np.ndarray | None = None
    die_numbers: np.ndarray | None = None
    beads_at_most: int | None = None
    dies_at_most: int | None = None
    calibration: dict[int, float] = field(default_factory=dict)
    neighbours: tuple[tuple[int, ...], ...] = ()
    fixed: tuple[int, ...] = ()
    ignored: set[int] = field(default_factory=set)
    responses: dict[tuple[int, ...], SurrogateResponse] = field(default_factory=dict)

    @property
    def panel(self) -> Panel:
        """The panel the scout stands for."""
        return self.surrogate.panel

    def respond(self, chosen: tuple[int, ...]) -> SurrogateResponse:
        """The scout's answer, remembered."""
        if chosen not in self.responses:
            self.responses[chosen] = self.surrogate.respond(chosen, self.ignored)
        return self.responses[chosen]

    def ignore(self, demands: Collection[int]) -> None:
        """Leave these demands, by index, to the judge, and no others."""
        if not self.ignored <= set(demands):
            self.responses = {}
        self.ignored = set(demands)

    def utilisations(self, response: SurrogateResponse) -> dict[int, float]:
        """Calibrated badness of each demand the scout knows."""
        return {
            i: self.panel.demands[i].utilisation(value * self.calibration.get(i, 1.0))
            for i, value in response.values.items()
            if i not in self.ignored
        }

    def evaluate(self, chosen: tuple[int, ...]) -> Choice:
        """A choice with its worst demand and its minutes."""
        worst = max(self.utilisations(self.respond(chosen)).values(), default=0.0)
        minutes = float(self.minutes[list(chosen)].sum())
        if self.die_minutes:
            minutes += self.die_minutes * len(np.unique(self.die_numbers[list(chosen)]))
        return Choice(chosen, worst, minutes, (max(worst - self.target, 0.0), minutes))

    def allowed(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) bool: those that may join."""
        here = list(chosen)
        free = ~self.conflicts[here].any(axis=0)
        free[here] = False
        if self.beads_at_most is not None:
            free &= self.bead_counts[here].sum() + self.bead_counts <= self.beads_at_most
        if self.dies_at_most is not None:
            used = np.unique(self.die_numbers[here])
            if len(used) >= self.dies_at_most:
                free &= np.isin(self.die_numbers, used)
        return free

    @property
    def cost_exponent(self) -> float:
        """The power of a candidate's minutes that its gain is divided by: 1, or 0 where the stiffest is asked for."""
        return 1.0 if self.target else 0.0

    def is_feasible(self, chosen: tuple[int, ...]) -> bool:
        """True for a choice that nothing speaks against: no conflict, not too many beads or dies."""
        here = list(chosen)
        few = self.beads_at_most is None or self.bead_counts[here].sum() <= self.beads_at_most
        alike = self.dies_at_most is None or len(np.unique(self.die_numbers[here])) <= self.dies_at_most
        return bool(few and alike and not self.conflicts[np.ix_(here, here)].any())

    def gains(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) first-order gain of each in the worst demands, were it added to a choice."""
        response = self.respond(chosen)
        return self.surrogate.gains(
            response, {i: b ** (WORST_DEMAND_EXPONENT - 1) for i, b in self.utilisations(response).items()}
        )

    def ranked_additions(
        self, chosen: tuple[int, ...], jitter: np.ndarray, cost_exponent: float | None = None
    ) -> list[int]:
        """The most promising candidates to add, by first-order gain in the worst demands over minutes**thrift."""
        cost_exponent = self.cost_exponent if cost_exponent is None else cost_exponent
        gain = self.gains(chosen) * self.allowed(chosen) * jitter / self.minutes**cost_exponent
        order = np.argsort(-gain, kind="stable")[: 4 * CANDIDATES_PER_STEP]
        picked: list[int] = []
        for i in order:  # near twins of a better one tell nothing new
            if gain[i] > 0 and len(picked) < CANDIDATES_PER_STEP and sum(self.conflicts[i, j] for j in picked) < 3:
                picked.append(int(i))
        return picked

    def out_of_time(self) -> bool:
        """True when the deadline has passed."""
        return time.monotonic() > self.deadline


def greedy(
    objective: SelectionObjective,
    start: tuple[int, ...],
    rng: np.random.Generator,
    noise: float = 0.0,
    cost_exponent: float | None = None,
) -> Choice:
    """Add the candidate that brings the worst demands down most a minute, until all are met or none fits.

    thrift: default the chooser's; 0 leaves the minutes out, as many cheap beads may leave no room for a good one.
    Where several places are equally bad no single bead helps: then the most promising one is taken all the same.
    """
    cost_exponent = objective.cost_exponent if cost_exponent is None else cost_exponent
    now = best = objective.evaluate(start)
    level = 0
    while now.utilisation > objective.target and level < MAX_STALLED_STEPS and not objective.out_of_time():
        jitter = np.exp(noise * rng.standard_normal(len(objective.minutes)))
        tries = [
            objective.evaluate(tuple(sorted((*now.chosen, i))))
            for i in objective.ranked_additions(now.chosen, jitter, cost_exponent)
        ]
        if not tries:
            break
        better = [one for one in tries if one.utilisation < now.utilisation * 0.999]
        level = 0 if better else level + 1
        now = min(
            better or tries[:1],
            key=lambda one: (
                (max(one.utilisation, objective.target) - now.utilisation)
                / (one.minutes - now.minutes + 1e-9) ** cost_exponent
            ),
        )
        best = min(best, now, key=lambda one: one.rank)
    return best


def local_search(objective: SelectionObjective, choice: Choice, rng: np.random.Generator) -> Choice:
    """Local moves until none helps: drop a bead, nudge one, or swap one (or two) for what the gains then propose."""
    moved = True
    while moved and not objective.out_of_time():
        moved = False
        for attempt in (_try_drop, _try_swap, _try_nudge):
            better = attempt(objective, choice, rng)
            if better is not None:
                choice, moved = better, True
                break
    return choice


def _removable(objective: SelectionObjective, choice: Choice) -> list[int]:
    """Chosen candidates that may go, least useful a minute first."""
    gain = objective.gains(choice.chosen) / objective.minutes**objective.cost_exponent
    return sorted((i for i in choice.chosen if i not in objective.fixed), key=lambda i: (gain[i], i))


def _try_drop(objective: SelectionObjective, choice: Choice, rng: np.random.Generator) -> Choice | None:
    for out in _removable(objective, choice):
        if objective.out_of_time():
            return None
        one = objective.evaluate(tuple(i for i in choice.chosen if i != out))
        if one.rank < choice.rank:
            return one
    return None


def _try_nudge(objective: SelectionObjective, choice: Choice, rng: np.random.Generator) -> Choice | None:
    """One bead slid, turned, longer or shorter, or of another die."""
    for out in _removable(objective, choice) if objective.neighbours else []:
        rest = tuple(i for i in choice.chosen if i != out)
        allowed = objective.allowed(rest)
        for into in objective.neighbours[out]:
            if objective.out_of_time():
                return None
            if not allowed[into]:
                continue
            one = objective.evaluate(tuple(sorted((*rest, into))))
            if one.rank < choice.rank:
                return one
    return None


def _try_swap(objective: SelectionObjective, choice: Choice, rng: np.random.Generator) -> Choice | None:
    still = np.ones(len(objective.minutes))
    loose = _removable(objective, choice)
    pairs = [(i,) for i in loose] + [(i, j) for k, i in enumerate(loose[:4]) for j in loose[k + 1 : 5]]
    for out in pairs:
        if objective.out_of_time():
            return None
        rest = tuple(i for i in choice.chosen if i not in out)
        for into in objective.ranked_additions(rest, still):
            if into in out:
                continue
            one = objective.evaluate(tuple(sorted((*rest, into))))
            if one.rank < choice.rank:
                return one
    return None


def multistart(
    objective: SelectionObjective, seed: int, starts: int, initial_choices: tuple[tuple[int, ...], ...] = ()
) -> Choice:
    """The best of several greedy starts and of choices made beforehand, `own`, improved by local moves.

    At least one start is always finished greedily; the result is never worse than one of `own`.
    """
    rng = np.random.default_rng(seed)
    weighed: list[Choice] = []
    for made in initial_choices:
        if weighed and objective.out_of_time():
            break
        weighed.append(objective.evaluate(made))
    begun = [
        _improved_if_close(objective, one, rng)
        for one in sorted(weighed, key=lambda one: one.rank)[:IMPROVED_INITIAL_CHOICES]
    ]
    best = min(begun, key=lambda one: one.rank, default=None)
    for k in range(starts):
        one = _improved_if_close(
            objective, greedy(objective, objective.fixed, rng, 0.35 * (k > 1), 0.0 if k == 1 else None), rng
        )
        if best is None or one.rank < best.rank:
            best = one
        if objective.out_of_time() or (objective.target and best.utilisation > LOCAL_SEARCH_LIMIT and k > 0):
            break
    many = len(objective.minutes)
    if objective.target and (
        many <= EXHAUSTIVE_START_CANDIDATES
        or (many <= EXHAUSTIVE_RESTART_CANDIDATES and best.utilisation > objective.target)
    ):
        for i in np.flatnonzero(
            objective.allowed(objective.fixed)
        ):  # each as the first: the best one alone may mislead
            if objective.out_of_time():
                break
            one = _improved_if_close(objective, greedy(objective, tuple(sorted((*objective.fixed, int(i)))), rng), rng)
            best = min(best, one, key=lambda one: one.rank)
    return (
        perturbed_restarts(objective, best, rng)
        if best.utilisation <= LOCAL_SEARCH_LIMIT or not objective.target
        else best
    )


def _improved_if_close(objective: SelectionObjective, choice: Choice, rng: np.random.Generator) -> Choice:
    """Improved by local moves, but where it misses by far."""
    return (
        local_search(objective, choice, rng)
        if choice.utilisation <= LOCAL_SEARCH_LIMIT or not objective.target
        else choice
    )


def perturbed_restarts(objective: SelectionObjective, best: Choice, rng: np.random.Generator) -> Choice:
    """Tear down about half of the best choice, build up again with noise and improve, until that fails KICKS times.

    Swaps of one or two beads cannot leave a choice that only three at once would better.
    """
    fails, few = 0, len(objective.minutes) <= EXHAUSTIVE_RESTART_CANDIDATES
    while fails < MAX_FAILED_RESTARTS and (few or best.utilisation > objective.target) and not objective.out_of_time():
        keep = [i for i in best.chosen if i in objective.fixed or rng.random() < 0.5]
        one = local_search(objective, greedy(objective, tuple(keep), rng, 0.8), rng)
        fails = 0 if one.rank < best.rank else fails + 1
        best = min(best, one, key=lambda one: one.rank)
    return best

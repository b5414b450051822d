"""Selection of beads on the surrogate: greedy starts, local moves and restarts.

A choice is a rising tuple of candidate numbers.  It is to meet the demands with the least bench time, or to be as stiff
as possible.  Everything is repeatable: the same seed gives the same choice, if the clock does not end the selection.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from stiffen.model.panel import Panel
from stiffen.surrogate.stiffened_plate import StiffenedPlate, SurrogateResponse

from .budget import UNLIMITED, Budget
from .settings import DEFAULT_SETTINGS, SearchSettings


@dataclass(frozen=True)
class BeadSelection:
    """A choice and its worth.

    chosen: candidate numbers, rising.  utilisation: of the worst demand on the calibrated surrogate; above 1 it is not
    met.  minutes: bench time of its beads.  rank: smaller is better: by how much the utilisation exceeds the target,
    then by minutes.
    """

    chosen: tuple[int, ...]
    utilisation: float
    minutes: float
    rank: tuple[float, float]


@dataclass(eq=False)
class SelectionObjective:
    """What a selection is to achieve, and which choices are feasible.

    conflicts: (candidates, candidates) bool.  minutes: (candidates,) bench time of each.  stiffest: the goal is the
    lowest utilisation, whatever the bench time.  die_minutes: bench time of each die that is used, once.  bead_counts,
    die_numbers: (candidates,) beads that each candidate stands for, and the number of its die; a choice has at most
    `beads_at_most` and `dies_at_most`.  calibration: demand index -> value of the shell model over that of the
    surrogate.  neighbours: for each candidate those that it may be nudged to: moved, turned, longer, shorter, of
    another die.  fixed: candidates that every choice holds.  ignored: indices of demands left to the shell model.
    responses: the surrogate's, remembered.
    """

    surrogate: StiffenedPlate
    conflicts: np.ndarray
    minutes: np.ndarray
    stiffest: bool = False
    settings: SearchSettings = DEFAULT_SETTINGS
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
        """The panel that the surrogate models."""
        return self.surrogate.panel

    @property
    def target(self) -> float:
        """Utilisation at which a choice is good enough; 0 for the stiffest, which can always be stiffer."""
        return 0.0 if self.stiffest else self.settings.target_utilisation

    @property
    def cost_exponent(self) -> float:
        """Exponent of the minutes that divide a candidate's gain: 1, or 0 for the stiffest."""
        return 0.0 if self.stiffest else 1.0

    def respond(self, chosen: tuple[int, ...]) -> SurrogateResponse:
        """The surrogate's response, remembered."""
        if chosen not in self.responses:
            self.responses[chosen] = self.surrogate.respond(chosen, self.ignored)
        return self.responses[chosen]

    def ignore(self, demands: Collection[int]) -> None:
        """Leave the demands of these indices to the shell model, and no others."""
        if not self.ignored <= set(demands):
            self.responses = {}
        self.ignored = set(demands)

    def utilisations(self, response: SurrogateResponse) -> dict[int, float]:
        """Demand index -> calibrated utilisation, for the demands that the surrogate covers."""
        return {
            i: self.panel.demands[i].utilisation(value * self.calibration.get(i, 1.0))
            for i, value in response.values.items()
            if i not in self.ignored
        }

    def evaluate(self, chosen: tuple[int, ...]) -> BeadSelection:
        """Utilisation and minutes of a choice."""
        utilisation = max(self.utilisations(self.respond(chosen)).values(), default=0.0)
        minutes = float(self.minutes[list(chosen)].sum())
        if self.die_minutes:
            minutes += self.die_minutes * len(np.unique(self.die_numbers[list(chosen)]))
        return BeadSelection(chosen, utilisation, minutes, (max(utilisation - self.target, 0.0), minutes))

    def allowed(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) bool: those that may join a choice."""
        numbers = list(chosen)
        allowed = ~self.conflicts[numbers].any(axis=0)
        allowed[numbers] = False
        if self.beads_at_most is not None:
            allowed &= self.bead_counts[numbers].sum() + self.bead_counts <= self.beads_at_most
        if self.dies_at_most is not None:
            used = np.unique(self.die_numbers[numbers])
            if len(used) >= self.dies_at_most:
                allowed &= np.isin(self.die_numbers, used)
        return allowed

    def is_feasible(self, chosen: tuple[int, ...]) -> bool:
        """True for a choice without conflicts that has not too many beads or dies."""
        numbers = list(chosen)
        beads_fit = self.beads_at_most is None or self.bead_counts[numbers].sum() <= self.beads_at_most
        dies_fit = self.dies_at_most is None or len(np.unique(self.die_numbers[numbers])) <= self.dies_at_most
        return bool(beads_fit and dies_fit and not self.conflicts[np.ix_(numbers, numbers)].any())

    def gains(self, chosen: tuple[int, ...]) -> np.ndarray:
        """(candidates,) first-order gain of each in the worst demands if it joined a choice."""
        response = self.respond(chosen)
        weights = {i: value**self.settings.gain_exponent for i, value in self.utilisations(response).items()}
        return self.surrogate.gains(response, weights)

    def ranked_additions(
        self, chosen: tuple[int, ...], noise: np.ndarray, cost_exponent: float | None = None
    ) -> list[int]:
        """The most promising candidates to add, by gain * noise / minutes**cost_exponent.

        noise: (candidates,).  Candidates that conflict with several better ones are passed over: they lie in the same
        place.
        """
        cost_exponent = self.cost_exponent if cost_exponent is None else cost_exponent
        settings = self.settings
        score = self.gains(chosen) * self.allowed(chosen) * noise / self.minutes**cost_exponent
        shortlist = np.argsort(-score, kind="stable")[: settings.shortlist_factor * settings.candidates_per_step]
        picked: list[int] = []
        for i in shortlist:
            alike = sum(self.conflicts[i, j] for j in picked) > settings.max_shortlist_conflicts
            if score[i] > 0 and len(picked) < settings.candidates_per_step and not alike:
                picked.append(int(i))
        return picked

    def is_promising(self, choice: BeadSelection) -> bool:
        """True for a choice that local moves may bring to the target."""
        return self.stiffest or choice.utilisation <= self.settings.promising_limit


def greedy(
    objective: SelectionObjective,
    start: tuple[int, ...],
    rng: np.random.Generator,
    noise: float = 0.0,
    cost_exponent: float | None = None,
    limit: Budget = UNLIMITED,
) -> BeadSelection:
    """Add beads one at a time until the target is reached, none fits, or time is up; the best choice on the way.

    Each step takes the candidate that lowers the utilisation most per minute**cost_exponent.  noise: standard
    deviation of the logarithm of the noise on gains.  cost_exponent: default the objective's; 0 ignores the minutes,
    as many cheap beads may leave no room for a good one.  Where several places are equally bad no single bead helps:
    then the candidate of the largest gain is taken, for `max_stalled_steps` steps at most.
    """
    cost_exponent = objective.cost_exponent if cost_exponent is None else cost_exponent
    settings, target = objective.settings, objective.target
    current = best = objective.evaluate(start)
    stalled = 0
    while current.utilisation > target and stalled < settings.max_stalled_steps and not limit.is_spent:
        factors = np.exp(noise * rng.standard_normal(len(objective.minutes)))
        additions = objective.ranked_additions(current.chosen, factors, cost_exponent)
        trials = [objective.evaluate(tuple(sorted((*current.chosen, i)))) for i in additions]
        if not trials:
            break
        better = [one for one in trials if one.utilisation < current.utilisation * settings.greedy_improvement]
        stalled = 0 if better else stalled + 1

        def slope(one: BeadSelection, before: BeadSelection = current) -> float:
            change = max(one.utilisation, target) - before.utilisation
            return change / (one.minutes - before.minutes + 1e-9) ** cost_exponent

        current = min(better or trials[:1], key=slope)
        best = min(best, current, key=lambda one: one.rank)
    return best


def local_search(
    objective: SelectionObjective, choice: BeadSelection, rng: np.random.Generator, limit: Budget = UNLIMITED
) -> BeadSelection:
    """Local moves until none helps or time is up: drop a bead, swap one or two for another, nudge one."""
    while not limit.is_spent:
        for move in (_try_drop, _try_swap, _try_nudge):
            better = move(objective, choice, limit)
            if better is not None:
                choice = better
                break
        else:
            break
    return choice


def _removable(objective: SelectionObjective, choice: BeadSelection) -> list[int]:
    """Candidates of a choice that are not fixed, those of least gain per minute first."""
    gain = objective.gains(choice.chosen) / objective.minutes**objective.cost_exponent
    return sorted((i for i in choice.chosen if i not in objective.fixed), key=lambda i: (gain[i], i))


def _try_drop(objective: SelectionObjective, choice: BeadSelection, limit: Budget) -> BeadSelection | None:
    """The first better choice with one bead less; None if there is none or time is up.  So for the other moves."""
    for removed in _removable(objective, choice):
        if limit.is_spent:
            return None
        trial = objective.evaluate(tuple(i for i in choice.chosen if i != removed))
        if trial.rank < choice.rank:
            return trial
    return None


def _try_nudge(objective: SelectionObjective, choice: BeadSelection, limit: Budget) -> BeadSelection | None:
    """One bead moved, turned, longer, shorter, or of another die."""
    for removed in _removable(objective, choice) if objective.neighbours else []:
        rest = tuple(i for i in choice.chosen if i != removed)
        allowed = objective.allowed(rest)
        for added in objective.neighbours[removed]:
            if limit.is_spent:
                return None
            if not allowed[added]:
                continue
            trial = objective.evaluate(tuple(sorted((*rest, added))))
            if trial.rank < choice.rank:
                return trial
    return None


def _try_swap(objective: SelectionObjective, choice: BeadSelection, limit: Budget) -> BeadSelection | None:
    """One bead, or two of the least useful, replaced by one of the most promising candidates."""
    no_noise = np.ones(len(objective.minutes))
    removable = _removable(objective, choice)
    pairs = itertools.combinations(removable[: objective.settings.paired_swap_beads], 2)
    for removed in [*((i,) for i in removable), *pairs]:
        if limit.is_spent:
            return None
        rest = tuple(i for i in choice.chosen if i not in removed)
        for added in objective.ranked_additions(rest, no_noise):
            if added in removed:
                continue
            trial = objective.evaluate(tuple(sorted((*rest, added))))
            if trial.rank < choice.rank:
                return trial
    return None


def multistart(
    objective: SelectionObjective,
    seed: int,
    starts: int,
    initial_choices: tuple[tuple[int, ...], ...] = (),
    limit: Budget = UNLIMITED,
) -> BeadSelection:
    """The best of several greedy starts and of initial choices, each improved by local moves, then by restarts.

    At least one greedy start is made, even if time is up.  The result is never worse than the first initial choice, nor
    than any of them if there is time to evaluate them.
    """
    settings, rng = objective.settings, np.random.default_rng(seed)
    evaluated: list[BeadSelection] = []
    for chosen in initial_choices:
        if evaluated and limit.is_spent:
            break
        evaluated.append(objective.evaluate(chosen))
    evaluated.sort(key=lambda one: one.rank)
    improved = [_improved(objective, one, rng, limit) for one in evaluated[: settings.improved_initial_choices]]
    best = min(improved, key=lambda one: one.rank, default=None)
    for k in range(starts):  # by gain per minute, by gain alone, with noise
        noise, cost_exponent = settings.start_noise * (k > 1), 0.0 if k == 1 else None
        trial = greedy(objective, objective.fixed, rng, noise, cost_exponent, limit)
        trial = _improved(objective, trial, rng, limit)
        if best is None or trial.rank < best.rank:
            best = trial
        if limit.is_spent or (k > 0 and not objective.is_promising(best)):
            break
    count = len(objective.minutes)
    few = count <= settings.exhaustive_start_candidates
    missed = count <= settings.exhaustive_restart_candidates and best.utilisation > objective.target
    if not objective.stiffest and (few or missed):
        for i in np.flatnonzero(objective.allowed(objective.fixed)):  # the first bead by gain may mislead
            if limit.is_spent:
                break
            start = tuple(sorted((*objective.fixed, int(i))))
            trial = _improved(objective, greedy(objective, start, rng, limit=limit), rng, limit)
            best = min(best, trial, key=lambda one: one.rank)
    return perturbed_restarts(objective, best, rng, limit) if objective.is_promising(best) else best


def _improved(
    objective: SelectionObjective, choice: BeadSelection, rng: np.random.Generator, limit: Budget
) -> BeadSelection:
    """A promising choice improved by local moves; another one as it is."""
    return local_search(objective, choice, rng, limit) if objective.is_promising(choice) else choice


def perturbed_restarts(
    objective: SelectionObjective, best: BeadSelection, rng: np.random.Generator, limit: Budget = UNLIMITED
) -> BeadSelection:
    """Restarts from parts of the best choice, until `max_failed_restarts` in a row find nothing better or time is up.

    Each keeps some of its beads at random, adds others greedily with noise and improves the outcome by local moves.
    Swaps of one or two beads alone cannot leave a choice that only a change of three would improve.
    """
    settings, failed = objective.settings, 0
    few = len(objective.minutes) <= settings.exhaustive_restart_candidates
    while failed < settings.max_failed_restarts and (few or best.utilisation > objective.target):
        if limit.is_spent:
            break
        keep = settings.restart_keep_probability
        kept = tuple(i for i in best.chosen if i in objective.fixed or rng.random() < keep)
        trial = greedy(objective, kept, rng, settings.restart_noise, limit=limit)
        trial = local_search(objective, trial, rng, limit)
        failed = 0 if trial.rank < best.rank else failed + 1
        best = min(best, trial, key=lambda one: one.rank)
    return best

"""The search at one gauge, in stages: one bead, two, ... of one die; then the same with two dies, and so on.

Each stage draws regular layouts of its number of beads, as a person would, and tunes the best of these and of the
stages before by moves that the surrogate evaluates.  The shell model decides, and calibrates the surrogate.  A stage
depends only on the stages before it.  So a search with wider limits on beads and dies repeats all that one with tighter
limits does, and never ends with a worse layout.

Where a few beads more bring nothing the stages end.  Then many beads are tried if their even layouts promise more.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np

from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.model.tools import BeadDie
from stiffen.optimise.candidates.bead_rules import BeadRules, Group
from stiffen.optimise.candidates.neat_patterns import (
    MOST_PITCHES,
    close_rows,
    neat_variants,
    parallel_sets,
    spaced_rows,
)
from stiffen.optimise.candidates.regular_patterns import SPREADS, Family, families, regular_layouts, spread_layouts
from stiffen.optimise.candidates.straight_beads import candidate_spacing
from stiffen.shop import layout_check
from stiffen.surrogate.laminated_panel import Guesses

from ..budget import Budget
from ..finish.strike_out import calibrated_worst
from ..state import SearchState
from .moves import Choice, MoveMaker, beads_of, both_moves, first_new, key_of, sort_key

# beads: stages up to this draw all families, later ones the best at many pitches; one bead more for the stiffest
FIRST_COUNTS = 3
# beads: stages up to this draw the best families with their beads close together too, later ones where that is better
CLOSE_COUNTS = 4
LOOK_AHEAD = (8, 12)  # beads: stages whose even layouts are tried where a few beads more bring nothing
PATIENCE_NEAR = 2  # times as many stages without a gain, where the best layout nearly meets the demands
STIFFEST_PITCHES = 7  # of a neat layout that are tried for the stiffest
FRAME_COUNT = 2  # beads: more frames than this are not drawn
GROWTH = 1  # part of the seed: `_start_grown` draws other random numbers than `_tune`
REGULAR_GIVE_UP = 1.3  # times the worst utilisation of the stages before: the same limit for regular layouts
GIVE_UP = 1.05  # times the worst utilisation before a move: a demand over it ends the evaluation of the move
# The largest stress is local: shell over surrogate was 0.72 to 1.66 for a dozen layouts of one panel.  So no layout's
# ratio is used for another, and the surrogate's stress counts as if the least of them held for all.
STRESS_FACTOR = 0.7
FACTOR_LIMITS = (0.5, 2.0)  # shell over surrogate: a ratio beyond them is a fault of one value, not a calibration
STANDARD_SPACING = 12.0  # mm: `candidate_spacing` of a panel up to 650 mm from corner to corner


@dataclass(frozen=True)
class Trial:
    """A choice and the utilisations of its demands by the surrogate, not calibrated."""

    choice: Choice
    utilisations: tuple[float, ...]


@dataclass(eq=False)
class GaugeSearch:
    """The search at one gauge (mm) under one symmetry.

    dies: that may be used.  factors: for each demand, utilisation by the shell over that by the surrogate, of the
    latest layout that both evaluated; fixed for stress.  calibrated: number of layouts that gave factors.  bests:
    the best trials of all stages so far, in turn.  known: all trials, by `key_of` their choice.
    family_values: utilisation of each family's best layout in the latest stage that drew it.  better_close: families
    whose beads were better close together than apart when both were drawn last.  shell_known: verdicts of the shell by
    `key_of`; None for a layout that its quick mesh refused.
    """

    state: SearchState
    rules: BeadRules
    dies: tuple[BeadDie, ...]
    factors: np.ndarray
    calibrated: int = 0
    bests: list[Trial] = field(default_factory=list)
    known: dict[frozenset, Trial] = field(default_factory=dict)
    family_values: dict[Family, float] = field(default_factory=dict)
    better_close: set[Family] = field(default_factory=set)
    shell_known: dict[frozenset, Verdict | None] = field(default_factory=dict)
    _under_way: set[frozenset] = field(default_factory=set)  # keys of choices that are being evaluated

    @cached_property
    def _pool_started(self) -> Callable[[], tuple[Group, ...]]:
        return self.state.runner.start_pool(self.gauge, self.rules.mirror_axes, self.dies)

    @cached_property
    def pool(self) -> tuple[Group, ...]:
        """Groups that moves may add; made when they are first asked for, or on a worker since `_start_pool`."""
        return self._pool_started()

    def _start_pool(self) -> None:
        """Start making `pool` beside what follows, as that takes a while."""
        _ = self._pool_started

    @property
    def best(self) -> Trial | None:
        """The best trial of all stages so far."""
        return self.bests[-1] if self.bests else None

    @property
    def gauge(self) -> float:
        """mm."""
        return self.rules.gauge

    @property
    def lowest_utilisation(self) -> float:
        """Largest calibrated utilisation of the best trial; infinite without one."""
        return math.inf if self.best is None else self.worst(self.best)

    @cached_property
    def _slide(self) -> float:
        return self.state.settings.first_slide * candidate_spacing(self.state.panel) / STANDARD_SPACING

    def _batch_size(self, count: int) -> int:
        """Moves in a batch of a stage of `count` beads."""
        effort = self.state.effort
        return effort.batch_size if count <= FIRST_COUNTS or self.state.stiffest else effort.later_batch_size

    def _is_tuned(self, trial: Trial, count: int) -> bool:
        """True if a trial of a stage of `count` beads is so near to the demands that moves may meet them."""
        effort = self.state.effort
        limit = effort.tuning_limit if count <= FIRST_COUNTS else effort.later_tuning_limit
        return self.state.stiffest or self.worst(trial) <= limit

    @cached_property
    def bare_guesses(self) -> Guesses:
        """Equilibria of the bare sheet: nearer to those of most layouts than another layout's, so a fifth is saved."""
        return self.state.runner.confirm(self.rules.layout(()))[1]

    # ---------------------------------------------------------------------------------------------------- evaluations

    def utilisation(self, trial: Trial) -> float:
        """Power mean, of exponent `norm_exponent`, of the calibrated utilisations of a trial's demands."""
        values = np.array(trial.utilisations) * self.factors
        if not np.isfinite(values).all():
            return math.inf
        exponent = self.state.settings.norm_exponent
        worst = float(values.max(initial=0.0))
        return round(worst * float(np.mean((values / worst) ** exponent) ** (1 / exponent)) if worst else 0.0, 6)

    def worst(self, trial: Trial) -> float:
        """Largest calibrated utilisation of a trial's demands."""
        return calibrated_worst(trial.utilisations, self.factors)

    def evaluate(self, choices: list[Choice], guesses: Guesses, no_worse_than: float = math.inf) -> list[Trial]:
        """Trials of some choices, each evaluated once in this search.

        no_worse_than: utilisation; the evaluation of a choice ends at the first demand over it.
        """
        return self._start(choices, guesses, no_worse_than)()

    def _start(
        self, choices: list[Choice], guesses: Guesses, no_worse_than: float = math.inf
    ) -> Callable[[], list[Trial]]:
        """Start `evaluate` on workers; a function that waits for the trials, called in the order of the starts."""
        new = {key_of(choice): choice for choice in choices}
        new = {key: choice for key, choice in new.items() if key not in self.known and key not in self._under_way}
        self._under_way.update(new)
        layouts = [self.rules.layout(choice) for choice in new.values()]
        limits = None
        if math.isfinite(no_worse_than):
            limits = tuple(float(no_worse_than / factor) for factor in self.factors)
        begun = time.monotonic()
        started = self.state.runner.start_batch(layouts, guesses, limits)

        def finish() -> list[Trial]:
            for (key, choice), wait in zip(new.items(), started, strict=True):
                self.known[key] = Trial(choice, wait())
            self._under_way.difference_update(new)
            if new:
                self.state.move_seconds = (time.monotonic() - begun) / len(new)
            self.state.count += len(new)
            return [self.known[key_of(choice)] for choice in choices]

        return finish

    # --------------------------------------------------------------------------------------------------------- stages

    def stages(self, budget: Budget, counts: tuple[int, ...], dies_at_most: int) -> Iterator[Verdict]:
        """All stages up to some limits.  Yields the verdict of each stage's layout that meets the demands, few beads
        first; nothing for goal "stiffest".

        counts: numbers of beads of the stages, rising.
        """
        met = yield from self._rounds(budget, counts, dies_at_most)
        if not met and self.best is not None and not self.state.stiffest and not budget.is_spent:
            many = self._promising(tuple(count for count in counts if count in LOOK_AHEAD), self.best)
            yield from self._rounds(budget, many, dies_at_most, self.best)

    def _rounds(
        self, budget: Budget, counts: tuple[int, ...], dies_at_most: int, start: Trial | None = None
    ) -> Generator[Verdict, None, bool]:
        """Stages of one die, then of two, and so on.  Yields as `stages`; returns whether the demands were met.

        start: the best trial of the stages before.
        """
        state, settings = self.state, self.state.settings
        fixed = len(self.rules.fixed[0])
        chain: dict[tuple[int, int], Trial] = {}
        met = near = False
        for dies in range(1, dies_at_most + 1):
            before = start if dies == 1 else None
            stalled = 0
            for count in counts:
                if count < fixed:
                    continue
                if budget.is_spent:
                    state.cut_short = True
                    break
                one_die = chain.get((count, 1))
                if one_die is not None and not state.stiffest and self.worst(one_die) > settings.more_dies_limit:
                    continue
                starts = [one for one in (before, chain.get((count, dies - 1))) if one is not None]
                state.work.stage = (counts.index(count) + (dies - 1) * len(counts)) / (len(counts) * dies_at_most)
                tried = state.count
                trial = self._stage(budget, count, dies, starts)
                if trial is None:
                    continue
                if state.count > tried:
                    gains = before is None or self._gains(trial, before)
                    stalled = 0 if gains or count <= FIRST_COUNTS else stalled + 1
                near = not met and not state.stiffest and self._is_tuned(trial, count)
                before = chain[count, dies] = trial
                if self.best is None or self.order(trial) < self.order(self.best):
                    self.bests.append(trial)
                verdict = self._ask_shell(trial)
                if verdict is not None and verdict.met and not state.stiffest:
                    met = True
                    yield verdict
                if stalled >= state.effort.stalled * (PATIENCE_NEAR if near else 1) and not state.stiffest:
                    counts = counts[: counts.index(count) + 1]
                    break
        return met

    def _promising(self, counts: tuple[int, ...], before: Trial) -> tuple[int, ...]:
        """Of some numbers of beads those with an even layout that is notably better than the best of all stages so far.

        The better half of the families is drawn.  Some demands are met by many beads only, while a few more bring
        nothing.
        """
        straight = [one for one in self._better_half(families(self.rules, self.dies)) if one.angle is not None]
        limit, promising = self.state.settings.stage_gain * self.worst(before), list[int]()
        for count in counts:
            allowed = MoveMaker(self.rules, self.dies, count, 1).allows
            new = count - len(self.rules.fixed[0])
            drawn = [(family, one) for family in straight
                     for one in spread_layouts(self.rules, family, new, SPREADS[:2]) if allowed(one)]  # fmt: skip
            trials = self.evaluate([choice for _, choice in drawn], self.bare_guesses, limit)
            better = [(family, one) for (family, _), one in zip(drawn, trials, strict=True) if self._gains(one, before)]
            for family, one in better:
                self.family_values[family] = min(self.utilisation(one), self.family_values.get(family, math.inf))
            promising += [count] if better else []
        return tuple(promising)

    def _gains(self, trial: Trial, before: Trial) -> bool:
        """True if a stage's best trial is notably better than that of the stage before."""
        return self.utilisation(trial) < self.state.settings.stage_gain * self.utilisation(before)

    def _stage(self, budget: Budget, count: int, dies: int, starts: list[Trial]) -> Trial | None:
        """The best trial of at most `count` beads of at most `dies` dies.

        What is new in this stage is tuned: its best regular layout, or the best of the stages before with a bead more.
        """
        state = self.state
        grown = self._start_grown(count, dies, starts)
        regular = self._start_regular(count, starts) if dies == 1 else None
        fresh = [trial for trials in grown for trial in trials()] + (regular() if regular else [])
        if not fresh and not starts:
            fresh = self.evaluate([()], {})
        if not state.stiffest and any(self._is_tuned(one, count) for one in fresh):
            self._start_pool()
        fresh += self._neat(count, dies, fresh)
        fresh = sorted((trial for trial in dict.fromkeys(fresh) if trial not in starts), key=self.order)
        batches = state.effort.stiffest_batches if state.stiffest else state.effort.batches
        tuned = [self._tune(budget, trial, count, dies, batches) for trial in fresh[: state.effort.starts]]
        if not tuned and starts and dies > 1:
            tuned = [self._tune(budget, min(starts, key=self.order), count, dies, batches)]
        return min([*starts, *tuned], key=self.order, default=None)

    def order(self, trial: Trial) -> tuple:
        """Sort key: smaller is better; ties by a fixed order."""
        return self.utilisation(trial), len(beads_of(trial.choice)), sort_key(trial.choice)

    def _start_regular(self, count: int, starts: list[Trial]) -> Callable[[], list[Trial]]:
        """Start evaluating regular layouts of `count` beads: of all families in the first stages, then of the best."""
        state = self.state
        every = families(self.rules, self.dies)
        if count > FRAME_COUNT:
            every = [family for family in every if family.angle is not None]
        ranked = [one for one in self._ranked(every) if math.isfinite(self.family_values[one])]
        best = ranked[: state.effort.families + state.stiffest]  # one more where no demand ends the search
        if count > FIRST_COUNTS + state.stiffest:
            kept = best
        else:
            kept = every if state.stiffest else self._better_half(every)
        new = count - len(self.rules.fixed[0])
        allowed = MoveMaker(self.rules, self.dies, count, 1).allows
        apart = [(one, choice) for one in kept for choice in self._drawn(one, new) if allowed(choice)]
        close = kept if state.stiffest else best
        if count > CLOSE_COUNTS and not state.stiffest:
            close = [one for one in best if one in self.better_close]
        together = [(one, choice) for one in close for choice in close_rows(self.rules, one, new) if allowed(choice)]
        drawn = apart + together
        state.report(f"{self.gauge:g} mm: trying {len(drawn)} even layouts of {count} beads")
        guesses = self.bare_guesses if drawn else {}
        limit = math.inf if state.stiffest else REGULAR_GIVE_UP * min(map(self.worst, starts), default=math.inf)
        started = self._start([choice for _, choice in drawn], guesses, limit)

        def finish() -> list[Trial]:
            trials = started()
            of_apart = self._least_of_families(apart, trials[: len(apart)])
            of_together = self._least_of_families(together, trials[len(apart) :])
            better = {one for one, value in of_together.items() if value < of_apart.get(one, math.inf)}
            self.better_close = (self.better_close - of_together.keys()) | better
            self.family_values |= of_together | of_apart | {one: of_together[one] for one in better}
            return trials

        return finish

    def _least_of_families(self, drawn: list[tuple[Family, Choice]], trials: list[Trial]) -> dict[Family, float]:
        """Utilisation of each family's best trial."""
        values: dict[Family, float] = {}
        for (family, _), trial in zip(drawn, trials, strict=True):
            values[family] = min(self.utilisation(trial), values.get(family, math.inf))
        return values

    def _ranked(self, every: list[Family]) -> list[Family]:
        """Of some families those that were drawn, the best first; ties in the order given."""
        return sorted((one for one in every if one in self.family_values), key=self.family_values.__getitem__)

    def _better_half(self, every: list[Family]) -> list[Family]:
        """The better half of some families and those that were not drawn yet, in the order given."""
        ranked = self._ranked(every)
        left_out = ranked[max((len(ranked) + 1) // 2, self.state.effort.families) :]
        return [one for one in every if one not in left_out]

    def _drawn(self, family: Family, count: int) -> Iterator[Choice]:
        """A family's layouts of so many new beads: evenly spread in the first stages, then also at other pitches.

        For the stiffest all that a person would draw, so that it is never worse than these.
        """
        if self.state.stiffest:
            yield from regular_layouts(self.rules, family, count)
        else:
            yield from spread_layouts(self.rules, family, count, SPREADS[:1])
        if count > FIRST_COUNTS:
            yield from spaced_rows(self.rules, family, count)

    def _neat(self, count: int, dies: int, fresh: list[Trial]) -> list[Trial]:
        """The best layouts of a stage with their longest set of parallel beads at other pitches."""
        state = self.state
        allowed = MoveMaker(self.rules, self.dies, count, dies).allows
        started = []
        for trial in sorted(dict.fromkeys(fresh), key=self.order)[: state.effort.respaced]:
            sets = parallel_sets(trial.choice)
            if not sets or (self.worst(trial) > state.effort.respacing_limit and not state.stiffest):
                continue
            pitches = STIFFEST_PITCHES if state.stiffest else MOST_PITCHES
            variants = neat_variants(self.rules, trial.choice, sets[0], most_pitches=pitches)
            choices = [one for one in variants if allowed(one)]
            started.append(self._start(choices, self.bare_guesses, GIVE_UP * self.worst(trial)))
        return [trial for trials in started for trial in trials()]

    def _start_grown(self, count: int, dies: int, starts: list[Trial]) -> list[Callable[[], list[Trial]]]:
        """Start evaluating the layouts of the stages before with one group more, of each as many as a batch holds."""
        state = self.state
        near = [one for one in starts if self._is_tuned(one, count)]
        if not near:  # the pool takes a while to make
            return []
        maker = MoveMaker(self.rules, self.dies, count, dies, self.pool)
        rng = np.random.default_rng([state.seed, round(1000 * self.gauge), count, dies, GROWTH])
        started = []
        for start in near:
            known = {*self.known, *self._under_way}
            choices = first_new(maker.additions(start.choice, rng), known, self._batch_size(count))
            started.append(self._start(choices, self.bare_guesses, GIVE_UP * self.worst(start)))
        return started

    def _tune(self, budget: Budget, start: Trial, count: int, dies: int, batches: int) -> Trial:
        """A trial improved by some batches of moves."""
        state, settings = self.state, self.state.settings
        if not self._is_tuned(start, count):
            return start
        size = self._batch_size(count)
        maker = MoveMaker(self.rules, self.dies, count, dies, self.pool)
        rng = np.random.default_rng([state.seed, round(1000 * self.gauge), count, dies])
        best, step, guesses = start, self._slide, self.bare_guesses
        if state.stiffest:  # many batches follow, for which nearer guesses pay
            guesses = state.runner.confirm(self.rules.layout(start.choice))[1]
        combined: list[Choice] = []
        before = best
        cold: Callable[[], tuple[float, ...]] | None = None  # waits for the latest move, solved without first guesses
        for number in range(batches):
            if budget.is_spent:
                state.cut_short = True
                break
            choices = [*combined, *first_new(maker.moves(best.choice, step, rng), self.known, size)][:size]
            if not choices:
                step /= 2
                continue
            state.report(f"{self.gauge:g} mm: moving {len(beads_of(best.choice))} beads, round {number + 1}")
            trials = sorted(self.evaluate(choices, guesses, GIVE_UP * self.worst(best)), key=self.order)
            if cold is not None:
                best, cold = self._confirmed(best, before, cold()), None
            better = [one for one in trials if self._improves(one, best)]
            pairs = [both_moves(maker, best.choice, better[0].choice, other.choice) for other in better]
            combined = [pair for pair in pairs if pair is not None]
            if not better:
                step = max(step / 2, settings.last_slide)
                continue
            before, best = best, better[0]
            if state.stiffest:
                values, guesses = state.runner.confirm(self.rules.layout(best.choice))
                cold = partial(tuple, values)
            else:
                cold = state.runner.start_cold(self.rules.layout(best.choice))  # beside the next batch
        return best if cold is None else self._confirmed(best, before, cold())

    def _improves(self, trial: Trial, best: Trial) -> bool:
        return self.utilisation(trial) < self.state.settings.improvement * self.utilisation(best)

    def _confirmed(self, trial: Trial, before: Trial, utilisations: tuple[float, ...]) -> Trial:
        """A trial with its utilisations solved without first guesses; the one before it if these are no better."""
        confirmed = self.known[key_of(trial.choice)] = Trial(trial.choice, utilisations)
        return confirmed if self._improves(confirmed, before) else before

    # ------------------------------------------------------------------------------------------------ the shell model

    def _ask_shell(self, trial: Trial) -> Verdict | None:
        """The shell's verdict on a trial that may meet the demands or serves to calibrate; None if it is not asked."""
        state, settings = self.state, self.state.settings
        layout = self.rules.layout(trial.choice)
        key = key_of(trial.choice)
        if key in self.shell_known:
            return self.shell_known[key]
        worst = self.worst(trial)
        # another layout's calibration may be off by a tenth, so the shell is asked too where the surrogate is content
        alone = calibrated_worst(trial.utilisations, first_factors(state.panel))
        promising = min(worst, alone) <= (1.0 if self.calibrated else settings.calibration_limit)
        if not promising and not state.stiffest:
            return None
        if not trial.choice or layout_check.audit(state.panel, layout):
            return None
        verdict = None
        if worst <= settings.quick_pass_limit and not state.stiffest:
            state.runner.start_confirm(layout)  # `collect` asks for it where the layout meets the demands
        if self.calibrated and worst <= settings.sure_limit and state.full_in_time:
            # both meshes at once, as the finer one will be asked
            state.evaluator.start_quickly(layout)
            state.evaluate(layout)
        values = state.evaluator.quick_utilisations(layout)
        self.calibrate(trial, values)
        passes = state.evaluator.expected([layout])[0] <= settings.quick_pass_limit
        if not state.full_in_time:
            state.cut_short = True
            state.passed_quickly += [layout] if passes else []
            return None
        if passes or state.stiffest or layout in state.evaluator.verdicts:
            verdict = state.evaluate(layout)
            own = state.evaluator.utilisations(verdict)
            if all(map(math.isfinite, own)):
                self.calibrate(trial, own)
        self.shell_known[key] = verdict
        return verdict

    def calibrate(self, trial: Trial, shell: tuple[float, ...]) -> None:
        """Set the factors by one layout that both models have evaluated.  shell: its utilisations by the shell."""
        by_surrogate = np.array(trial.utilisations)
        values = np.array(shell)
        usable = np.isfinite(values) & np.isfinite(by_surrogate) & (by_surrogate > 0) & (values > 0)
        ratios = values / np.where(usable, by_surrogate, 1.0)
        local = np.array([demand.kind == "stress" for demand in self.state.panel.demands], dtype=bool)
        self.factors = np.where(usable & ~local, np.clip(ratios, *FACTOR_LIMITS), self.factors)
        self.calibrated += 1
        state = self.state
        state.evaluator.record_utilisation(self.gauge, float(np.max(values, initial=0.0)))


def first_factors(panel: Panel) -> np.ndarray:
    """(demands,) factors before any layout has calibrated the surrogate."""
    return np.array([STRESS_FACTOR if demand.kind == "stress" else 1.0 for demand in panel.demands])

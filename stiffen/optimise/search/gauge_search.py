"""One gauge under way: beads by the scout, corrected by the judge; or one layout at a time by the judge alone."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from stiffen.analysis.screening import LARGE_DEFLECTION_RATIO
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.panel import Panel
from stiffen.model.results import NOT_DECIDED, DemandResult, Verdict
from stiffen.optimise.bounds.statements import is_small_deflection
from stiffen.optimise.candidates.candidate_set import CandidateSet, minutes_per_bead
from stiffen.optimise.candidates.neighbours import neighbours
from stiffen.optimise.candidates.regular_patterns import best_per_count, regular_layouts
from stiffen.optimise.candidates.straight_beads import main_directions
from stiffen.shop import layout_check, process_plan
from stiffen.surrogate.stiffened_plate import StiffenedPlate, stiffened_plate

from .local_search import TARGET_UTILISATION, Choice, SelectionObjective, multistart
from .proposals import SURROGATE_REJECT_LIMIT, Improvements, propose
from .state import SearchState, rank

MAX_CALIBRATION_ROUNDS = 6  # times the judge may correct the scout at one gauge
GREEDY_STARTS = 3  # greedy starts at each of them
SHELL_ONLY_DEMANDS = ("stress", "buckling")  # demands only the judge sees
DIRECT_TIME_SHARE = 0.4  # share of the time left that layouts judged one by one may take at one gauge
FIRST_PASS_DIRECT_TIME_SHARE = 0.2  # the same on the way up the gauges
FIRST_PASS_DIRECT_LIMIT = 1.3  # a gauge whose best misses by more is not looked at one by one on the way up
STIFFEST_IMPROVEMENT = (
    0.995  # of the badness of the stiffest judged so far: a layout not better by this is not judged in full
)
STIFFEST_DIRECT_TIME_SHARE = 0.9  # the same where the stiffest is asked for and nothing comes after
PARTIAL_SURROGATE_DIVISOR = (
    4.0  # times less for the scout where the stiffest is asked for and it does not see all demands
)
SECOND_ATTEMPT_LIMIT = 1.3  # a symmetric layout that misses by more is not tried again without symmetry


@dataclass(eq=False)
class GaugeSearch:
    """One gauge under way; plate: the scout with each bead by itself; tried, looking: layouts judged one by one."""

    gauge: float
    mirror_axes: str
    candidates: CandidateSet
    surrogate: StiffenedPlate
    objective: SelectionObjective
    begun: float
    setup_seconds: float  # seconds to draw it up
    large_deflection: bool = False
    surrogate_cut_short: bool = False  # the scout had too little time
    surrogate_close: bool = False  # the scout comes so near that the judge may say met
    starts: tuple[tuple[int, ...], ...] = ()  # choices to begin with: somebody's own, the scout's last
    improvements: Improvements = field(default_factory=list)
    proposals: Iterator[tuple[int, ...]] | None = None

    @classmethod
    def prepare(cls, state: SearchState, gauge: float, mirror_axes: str) -> GaugeSearch:
        """Candidates and scout at a gauge, layouts mirrored along the axes `along`."""
        state.report(f"{gauge:g} mm: drawing candidates{', mirrored' if mirror_axes else ''}")
        begun = time.monotonic()
        known = state.initial_layouts
        if state.best is not None and state.best.layout.gauge == gauge:
            known = (*known, state.best.layout)
        own = tuple(dict.fromkeys(bead for layout in known for bead in layout.beads))
        before = next(reversed(state.gauge_searches.values()), None)
        pool = CandidateSet.of(state.panel, gauge, mirror_axes, own, before.candidates if before else None)
        state.candidate_count = max(state.candidate_count, len(pool.beads) + len(pool.holes))
        choices = [pool.choice_of(layout.beads) for layout in known]
        starts = tuple(choice for choice in choices if choice is not None)
        plate = stiffened_plate(
            state.panel,
            gauge,
            pool.beads,
            reuse=before.surrogate if before else None,
        )
        chooser = selection_objective(state.panel, pool, plate)
        return cls(gauge, mirror_axes, pool, plate, chooser, begun, time.monotonic() - begun, starts=starts)

    def record_miss(self, state: SearchState) -> None:
        """Record that nothing was found, and by how much the best misses: by the shell, or else by the ribbed plate."""
        best, by_surrogate = state.best_utilisations.get(self.gauge, math.inf), False
        scouted = min((self.objective.evaluate(start).utilisation for start in self.starts), default=math.inf)
        asked = state.panel.demands
        if not self.objective.ignored and not any(d.kind in SHELL_ONLY_DEMANDS for d in asked) and 1 < scouted < best:
            best, by_surrogate = scouted, True
        state.reasons[self.gauge] = GaugeOutcome(
            self.gauge,
            GaugeStatus.NOT_FOUND,
            miss=best - 1 if math.isfinite(best) else None,
            miss_by_surrogate=by_surrogate,
            seconds=time.monotonic() - self.begun,
        )

    def surrogate_loop(self, state: SearchState, share: float) -> Verdict | None:
        """The sheet as it is if that will do; else beads by the scout, corrected by the judge.

        share: of the time left, for choosing by the scout.
        """
        panel, gauge = state.panel, self.gauge
        bare = self.candidates.layout(gauge, self.candidates.fixed_groups)
        bad, heavy = state.screen(bare)
        if bad <= 1 or panel.goal == "stiffest":
            verdict = state.evaluate(bare)
            if verdict.met and panel.goal == "lightest":
                state.reasons[gauge] = GaugeOutcome(gauge, GaugeStatus.FLAT)
                return verdict
        drawn = self.evaluate_initial_layouts(state)
        self.objective.ignore([i for i in heavy if not is_small_deflection(panel.demands[i], gauge)])
        missing = _unreachable_frequencies(self.objective)
        if missing and panel.goal == "lightest":
            state.evaluate(bare)
            state.reasons[gauge] = GaugeOutcome(
                gauge, GaugeStatus.OUT_OF_REACH, candidates=len(self.candidates.beads), demands=missing
            )
            return drawn
        share /= 1 if panel.goal == "lightest" or not heavy else PARTIAL_SURROGATE_DIVISOR
        self.objective.deadline = time.monotonic() + share * max(state.seconds_left, 0.0)
        starts = (
            *self.starts,
            *best_per_count(self.regular_choices, self.objective.gains(self.candidates.fixed_groups)),
        )
        verdict, worst, last = _calibrated_search(state, gauge, self.candidates, self.objective, starts)
        self.starts = (*self.starts, last)
        self.surrogate_cut_short = self.objective.out_of_time()
        state.cut_short |= self.surrogate_cut_short
        self.surrogate_close = (
            self.objective.evaluate(last).utilisation <= SECOND_ATTEMPT_LIMIT or panel.goal == "stiffest"
        )
        self.large_deflection = worst is not None and (
            worst in self.objective.ignored or panel.demands[worst].kind in SHELL_ONLY_DEMANDS
        )
        verdict = min((one for one in (verdict, drawn) if one), key=lambda one: rank(panel, one), default=None)
        if panel.goal == "stiffest":
            state.reasons[gauge] = GaugeOutcome(gauge, GaugeStatus.STIFFEST)
        elif verdict is None:
            if (
                gauge not in state.best_utilisations
            ):  # nothing was worth judging: what came nearest says by how much it misses
                state.evaluate(self.candidates.layout(gauge, last))
            self.record_miss(state)
        else:
            state.reasons[gauge] = GaugeOutcome(gauge, GaugeStatus.BEADED, beads=len(verdict.layout.beads))
        return verdict

    def evaluate_initial_layouts(self, state: SearchState) -> Verdict | None:
        """Judge what somebody has drawn, on this gauge, where it keeps the rules; the best that meets."""
        layouts = [replace(layout, gauge=self.gauge) for layout in state.initial_layouts]
        verdicts = [state.evaluate(layout) for layout in layouts if not layout_check.audit(state.panel, layout)]
        return min((one for one in verdicts if one.met), key=lambda one: rank(state.panel, one), default=None)

    @cached_property
    def regular_choices(self) -> list[tuple[int, ...]]:
        """What a hand would draw, as choices of the pool: with the mirror images it lacks, and with the fixed ones."""
        pool, chooser = self.candidates, self.objective
        drawn = regular_layouts(pool.beads, pool.bead_conflicts, main_directions(chooser.panel))
        choices = dict.fromkeys(pool.choice_with(numbers) for numbers in drawn)
        return [choice for choice in choices if chooser.is_feasible(choice)]

    def direct_search(self, state: SearchState, share: float) -> Verdict | None:
        """Judge layouts one by one on the quick mesh, where large deflection decides, or what the scout is off by.

        First those a hand would draw, but for those that fail a frequency on the scout; then local moves on the best.
        Asked again, it goes on where it stopped.  share: of the time left.
        """
        if not self.large_deflection and not self.surrogate_close:
            return None
        chooser, best = self.objective, self.improvements
        end = time.monotonic() + share * state.seconds_left
        if self.proposals is None:
            best.append((math.inf, self.candidates.fixed_groups))
            self.proposals = propose(
                chooser, self.candidates, state.seed, self.starts, self.regular_choices, self.large_deflection, best
            )
        told = math.inf
        while time.monotonic() <= end:
            chosen = next(self.proposals)
            layout = self.candidates.layout(self.gauge, chosen)
            bad = state.quick_utilisation(layout, best[-1][0])
            if bad < best[-1][0]:
                best.append((bad, chosen))
                state.report(f"{self.gauge:g} mm: {len(chosen)} beads, judged one by one, badness {bad:.2f}")
                if bad <= 1 if chooser.target else bad < STIFFEST_IMPROVEMENT * told:
                    told = bad
                    verdict = state.evaluate(layout)
                    if verdict.met and chooser.target:
                        state.reasons[self.gauge] = GaugeOutcome(
                            self.gauge, GaugeStatus.BEADED, beads=len(verdict.layout.beads), by_direct_search=True
                        )
                        return verdict
        state.cut_short = True
        state.best_utilisations[self.gauge] = min(best[-1][0], state.best_utilisations.get(self.gauge, math.inf))
        if chooser.target:
            self.record_miss(state)
        return None


def count_beads(count: int) -> str:
    """So many beads."""
    return f"{count} bead{'' if count == 1 else 's'}"


def selection_objective(panel: Panel, candidates: CandidateSet, surrogate: StiffenedPlate) -> SelectionObjective:
    """The scout with the bead candidates of `pool`."""
    each = minutes_per_bead(panel, candidates.beads)
    dies = {die.name: k for k, die in enumerate(panel.tools.bead_dies)}
    stiffest = panel.goal == "stiffest"
    return SelectionObjective(
        surrogate=surrogate.grouped(candidates.group_starts),
        conflicts=candidates.group_conflicts,
        minutes=candidates.sum_by_group(each),
        deadline=math.inf,
        target=0.0 if stiffest else TARGET_UTILISATION,
        die_minutes=panel.tools.roller.die_change_minutes + process_plan.MINUTES_PER_TRIAL_STRIP,
        bead_counts=np.diff(candidates.group_starts),
        die_numbers=np.array([dies.get(bead.die.name, -1) for bead in candidates.leading_beads]),
        beads_at_most=panel.beads_at_most,
        dies_at_most=panel.dies_at_most,
        neighbours=neighbours(candidates.leading_beads),
        fixed=candidates.fixed_groups,
    )


def _unreachable_frequencies(objective: SelectionObjective) -> tuple[str, ...]:
    """Labels of the frequencies that the surrogate misses even with every bead candidate at once, conflicts ignored.

    Each bead only adds stiffness and no mass, so no choice among them does better on the ribbed plate; HOPELESS leaves
    room for what the ribbed plate is off.  Only frequencies: other demands may be met beyond small deflections, where
    this model does not speak.
    """
    bad = objective.utilisations(objective.surrogate.respond(tuple(range(len(objective.minutes)))))
    demands = objective.panel.demands
    return tuple(
        demands[i].label for i, b in bad.items() if demands[i].kind == "frequency" and b > SURROGATE_REJECT_LIMIT
    )


def is_large_deflection(demand: DemandResult) -> bool:
    """True where a load bends the sheet so far that the scout has nothing to say."""
    return demand.kind != "frequency" and demand.deflection_over_thickness > LARGE_DEFLECTION_RATIO


def _calibrated_search(
    state: SearchState,
    gauge: float,
    candidates: CandidateSet,
    objective: SelectionObjective,
    initial_choices: tuple[tuple[int, ...], ...],
) -> tuple[Verdict | None, int | None, tuple[int, ...]]:
    """Choose by the scout, ask the judge, correct the scout, until the judge says met.

    The verdict, or None and the number of the demand that stood in the way; the last choice.
    """
    worst, choice = None, None
    for k in range(MAX_CALIBRATION_ROUNDS):
        state.report(f"{gauge:g} mm: choosing among {len(candidates.beads)} beads, round {k + 1}")
        choice = multistart(objective, state.seed + k, GREEDY_STARTS, initial_choices)
        if choice.utilisation > SURROGATE_REJECT_LIMIT and objective.target:
            bad = objective.utilisations(objective.respond(choice.chosen))
            return None, max(bad, key=bad.__getitem__), choice.chosen
        verdict = state.evaluate(candidates.layout(gauge, choice.chosen))
        if verdict.met and objective.target:
            return verdict, None, choice.chosen
        worst = verdict.demands.index(verdict.governing_demand)
        objective.ignore([i for i in objective.ignored if is_large_deflection(verdict.demands[i])])
        if not calibrate(objective, choice, verdict) or objective.out_of_time() or worst in objective.ignored:
            break
    return None, worst, choice.chosen


def calibrate(objective: SelectionObjective, choice: Choice, verdict: Verdict) -> bool:
    """Set the judge/scout ratio of each demand from one judged choice; False where nothing new was learnt."""
    response = objective.respond(choice.chosen)
    before = dict(objective.calibration)
    for i, value in response.values.items():
        judged = verdict.demands[i]
        if judged.decided_by == NOT_DECIDED:
            continue
        fraction = judged.mesh_error or 0.0
        worse = 1 + fraction if objective.panel.demands[i].at_most else 1 - fraction
        objective.calibration[i] = judged.value * worse / value
    return any(abs(objective.calibration[i] / before.get(i, 1.0) - 1) > 1e-4 for i in objective.calibration)

"""The search at one gauge: selection on the calibrated surrogate, and direct search with the shell model."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

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

from .budget import Budget
from .local_search import BeadSelection, SelectionObjective, multistart
from .proposals import Chosen, Proposals
from .settings import DEFAULT_SETTINGS, SearchSettings
from .state import SearchState

SHELL_ONLY_DEMANDS = ("stress", "buckling")  # the surrogate does not cover these


class CalibratedSelection(NamedTuple):
    """What selection and calibration in turn led to.

    verdict: of a layout that meets the demands, or None.  obstacle: index of the demand that was missed last, or None.
    chosen: the last choice.
    """

    verdict: Verdict | None
    obstacle: int | None
    chosen: Chosen


@dataclass(eq=False)
class GaugeSearch:
    """The search at one gauge with one set of candidates.

    gauge: mm.  mirror_axes: axes that layouts are mirrored along, "" for none.  surrogate: with each bead candidate by
    itself; the objective's has one for each mirror group.  begun: on the clock of `time.monotonic`.  setup_seconds:
    what candidates and surrogate took.  initial_choices: of the initial layouts, the incumbent, and the last
    selection.

    After `surrogate_loop`: large_deflection: the surrogate does not cover the demand that governs.  surrogate_close: it
    comes so close to the target that the shell model may find the demands met.  surrogate_cut_short: it lacked time.
    """

    gauge: float
    mirror_axes: str
    candidates: CandidateSet
    surrogate: StiffenedPlate
    objective: SelectionObjective
    begun: float
    setup_seconds: float
    initial_choices: tuple[Chosen, ...] = ()
    large_deflection: bool = False
    surrogate_close: bool = False
    surrogate_cut_short: bool = False
    proposals: Proposals | None = None

    @classmethod
    def prepare(cls, state: SearchState, gauge: float, mirror_axes: str) -> GaugeSearch:
        """Candidates and surrogate at a gauge (mm), taken over from the gauge before where they are the same."""
        state.report(f"{gauge:g} mm: generating bead candidates{', mirrored' if mirror_axes else ''}")
        begun = time.monotonic()
        panel, best = state.panel, state.incumbent.verdict
        layouts = state.initial_layouts
        if best is not None and best.layout.gauge == gauge:
            layouts = (*layouts, best.layout)
        drawn_beads = tuple(dict.fromkeys(bead for layout in layouts for bead in layout.beads))
        before = next(reversed(state.gauge_searches.values()), None)
        reuse = before.candidates if before else None
        candidates = CandidateSet.of(panel, gauge, mirror_axes, drawn_beads, reuse)
        state.candidate_count = max(state.candidate_count, len(candidates.beads) + len(candidates.holes))
        choices = (candidates.choice_of(layout.beads) for layout in layouts)
        initial_choices = tuple(choice for choice in choices if choice is not None)
        surrogate = stiffened_plate(panel, gauge, candidates.beads, reuse=before.surrogate if before else None)
        objective = selection_objective(panel, candidates, surrogate, state.settings)
        setup_seconds = time.monotonic() - begun
        return cls(gauge, mirror_axes, candidates, surrogate, objective, begun, setup_seconds, initial_choices)

    # ------------------------------------------------------------------------------------------ with the surrogate

    def surrogate_loop(self, state: SearchState, budget: Budget, share: float) -> Verdict | None:
        """The verdict of a layout that meets the demands; None if none is found.

        First the layout without further beads, then the initial layouts, then beads selected on the surrogate, which
        the shell model calibrates.  share: of the budget, for the selection.  For the goal "stiffest" the search goes
        on after this in any case.
        """
        panel, gauge, objective = state.panel, self.gauge, self.objective
        bare = self.candidates.layout(gauge, self.candidates.fixed_groups)
        utilisation, large = state.evaluator.screen(bare)
        if utilisation <= 1 or state.stiffest:
            verdict = state.evaluate(bare)
            if verdict.met and not state.stiffest:
                state.record(GaugeOutcome(gauge, GaugeStatus.FLAT))
                return verdict
        initial = self.evaluate_initial_layouts(state)
        objective.ignore([i for i in large if not is_small_deflection(panel.demands[i], gauge)])
        unreachable = _unreachable_frequencies(objective)
        if unreachable and not state.stiffest:
            state.evaluate(bare)
            count = len(self.candidates.beads)
            state.record(GaugeOutcome(gauge, GaugeStatus.OUT_OF_REACH, candidates=count, demands=unreachable))
            return initial
        if state.stiffest and large:
            share /= state.settings.partial_surrogate_divisor
        selected = self._select_in_time(state, budget.share(share))
        verdict = state.incumbent.best_met([one for one in (selected, initial) if one])
        if state.stiffest:
            state.record(GaugeOutcome(gauge, GaugeStatus.STIFFEST))
        elif verdict is None:
            if gauge not in state.evaluator.lowest_utilisations:  # so that the outcome can say by how much it misses
                state.evaluate(self.candidates.layout(gauge, self.initial_choices[-1]))
            self.record_miss(state)
        else:
            state.record(GaugeOutcome(gauge, GaugeStatus.BEADED, beads=len(verdict.layout.beads)))
        return verdict

    def _select_in_time(self, state: SearchState, limit: Budget) -> Verdict | None:
        """Select beads on the surrogate until time is up; the verdict of a layout that meets the demands, if any."""
        objective = self.objective
        regular = best_per_count(self.regular_choices, objective.gains(self.candidates.fixed_groups))
        found = self._calibrated_selection(state, (*self.initial_choices, *regular), limit)
        self.initial_choices = (*self.initial_choices, found.chosen)
        self.surrogate_cut_short = limit.is_spent
        state.cut_short |= self.surrogate_cut_short
        self.surrogate_close = objective.is_promising(objective.evaluate(found.chosen))
        self.large_deflection = found.obstacle is not None and (
            found.obstacle in objective.ignored or state.panel.demands[found.obstacle].kind in SHELL_ONLY_DEMANDS
        )
        return found.verdict

    def _calibrated_selection(
        self, state: SearchState, initial_choices: tuple[Chosen, ...], limit: Budget
    ) -> CalibratedSelection:
        """Select beads on the surrogate, evaluate them with the shell model and calibrate the surrogate, in turn.

        This ends when the demands are met, the surrogate sees no way, nothing new is learnt, or time is up.
        """
        objective, settings = self.objective, state.settings
        obstacle, choice = None, None
        for k in range(settings.max_calibration_rounds):
            count = len(self.candidates.beads)
            state.report(
                f"{self.gauge:g} mm: selecting from {count} bead candidates on the ribbed plate, round {k + 1}"
            )
            choice = multistart(objective, state.seed + k, settings.greedy_starts, initial_choices, limit)
            if choice.utilisation > settings.surrogate_reject_limit and not objective.stiffest:
                utilisations = objective.utilisations(objective.respond(choice.chosen))
                return CalibratedSelection(None, max(utilisations, key=utilisations.__getitem__), choice.chosen)
            verdict = state.evaluate(self.candidates.layout(self.gauge, choice.chosen))
            if verdict.met and not objective.stiffest:
                return CalibratedSelection(verdict, None, choice.chosen)
            obstacle = verdict.demands.index(verdict.governing_demand)
            objective.ignore([i for i in objective.ignored if is_large_deflection(verdict.demands[i])])
            learnt = calibrate(objective, choice, verdict)
            if not learnt or limit.is_spent or obstacle in objective.ignored:
                break
        return CalibratedSelection(None, obstacle, choice.chosen)

    def evaluate_initial_layouts(self, state: SearchState) -> Verdict | None:
        """Evaluate the initial layouts that keep the shop's rules at this gauge; the best that meets the demands."""
        layouts = [replace(layout, gauge=self.gauge) for layout in state.initial_layouts]
        verdicts = [state.evaluate(layout) for layout in layouts if not layout_check.audit(state.panel, layout)]
        return state.incumbent.best_met(verdicts)

    @cached_property
    def regular_choices(self) -> list[Chosen]:
        """Choices of parallel beads or frames, with their mirror images and the fixed beads, that are feasible."""
        candidates = self.candidates
        directions = main_directions(self.objective.panel)
        layouts = regular_layouts(candidates.beads, candidates.bead_conflicts, directions)
        choices = dict.fromkeys(candidates.choice_with(numbers) for numbers in layouts)
        return [choice for choice in choices if self.objective.is_feasible(choice)]

    # ---------------------------------------------------------------------------------------- with the shell model

    def direct_search(self, state: SearchState, budget: Budget, share: float) -> Verdict | None:
        """Evaluate proposed layouts one after the other on the quick mesh, and each that may meet the demands in full.

        Only if large deflection governs, or the surrogate came close.  Called again, it goes on where it stopped.
        share: of the budget.  Returns the first verdict that meets the demands; None for the stiffest, and if time is
        up.
        """
        if not self.large_deflection and not self.surrogate_close:
            return None
        gauge, limit = self.gauge, budget.share(share)
        if self.proposals is None:
            self.proposals = Proposals(
                self.objective,
                self.candidates,
                state.seed,
                self.initial_choices,
                self.regular_choices,
                self.large_deflection,
            )
        proposals, last_full = self.proposals, math.inf
        while not limit.is_spent:
            choice = proposals.next()
            layout = self.candidates.layout(gauge, choice)
            utilisation = state.evaluator.quick_utilisation(layout, proposals.best_utilisation)
            if not proposals.record(choice, utilisation):
                continue
            state.report(
                f"{gauge:g} mm: {len(layout.beads)} beads on the quick shell mesh, utilisation {utilisation:.2f}"
            )
            worth_full = (
                utilisation < state.settings.stiffest_improvement * last_full if state.stiffest else utilisation <= 1
            )
            if not worth_full:
                continue
            last_full = utilisation
            verdict = state.evaluate(layout)
            if verdict.met and not state.stiffest:
                beads = len(verdict.layout.beads)
                state.record(GaugeOutcome(gauge, GaugeStatus.BEADED, beads=beads, by_direct_search=True))
                return verdict
        state.cut_short = True
        state.evaluator.record_utilisation(gauge, proposals.best_utilisation)
        if not state.stiffest:
            self.record_miss(state)
        return None

    def record_miss(self, state: SearchState) -> None:
        """Record that nothing was found, and the smallest miss: on the shell model or, if smaller, the surrogate."""
        lowest, by_surrogate = state.evaluator.lowest_utilisation(self.gauge), False
        on_surrogate = min((self.objective.evaluate(one).utilisation for one in self.initial_choices), default=math.inf)
        covered = not self.objective.ignored and not any(d.kind in SHELL_ONLY_DEMANDS for d in state.panel.demands)
        if covered and 1 < on_surrogate < lowest:
            lowest, by_surrogate = on_surrogate, True
        state.record(
            GaugeOutcome(
                self.gauge,
                GaugeStatus.NOT_FOUND,
                miss=lowest - 1 if math.isfinite(lowest) else None,
                miss_by_surrogate=by_surrogate,
                seconds=time.monotonic() - self.begun,
            )
        )


def selection_objective(
    panel: Panel,
    candidates: CandidateSet,
    surrogate: StiffenedPlate,
    settings: SearchSettings = DEFAULT_SETTINGS,
) -> SelectionObjective:
    """The objective of a selection among the mirror groups of some candidates.

    surrogate: with each bead candidate by itself.
    """
    die_numbers = {die.name: k for k, die in enumerate(panel.tools.bead_dies)}
    return SelectionObjective(
        surrogate=surrogate.grouped(candidates.group_starts),
        conflicts=candidates.group_conflicts,
        minutes=candidates.sum_by_group(minutes_per_bead(panel, candidates.beads)),
        stiffest=panel.goal == "stiffest",
        settings=settings,
        die_minutes=panel.tools.roller.die_change_minutes + process_plan.MINUTES_PER_TRIAL_STRIP,
        bead_counts=np.diff(candidates.group_starts),
        die_numbers=np.array([die_numbers.get(bead.die.name, -1) for bead in candidates.leading_beads]),
        beads_at_most=panel.beads_at_most,
        dies_at_most=panel.dies_at_most,
        neighbours=neighbours(candidates.leading_beads),
        fixed=candidates.fixed_groups,
    )


def _unreachable_frequencies(objective: SelectionObjective) -> tuple[str, ...]:
    """Labels of the frequencies that the surrogate misses even with all candidates at once, conflicts ignored.

    A bead adds stiffness to the surrogate and no mass, so no choice does better on it; `surrogate_reject_limit` leaves
    room for the surrogate's error.  Other demands may be met beyond small deflections, which the surrogate does not
    cover.
    """
    demands, limit = objective.panel.demands, objective.settings.surrogate_reject_limit
    everything = objective.surrogate.respond(tuple(range(len(objective.minutes))))
    missed = [i for i, value in objective.utilisations(everything).items() if value > limit]
    return tuple(demands[i].label for i in missed if demands[i].kind == "frequency")


def is_large_deflection(demand: DemandResult) -> bool:
    """True if a load bends the sheet beyond the small deflections that the surrogate covers."""
    return demand.kind != "frequency" and demand.deflection_over_thickness > LARGE_DEFLECTION_RATIO


def calibrate(objective: SelectionObjective, choice: BeadSelection, verdict: Verdict) -> bool:
    """Set the calibration of each demand by a choice that the shell model has evaluated; False if it hardly changes.

    The value of the shell model is taken with its mesh error, on the unfavourable side.
    """
    response = objective.respond(choice.chosen)
    before = dict(objective.calibration)
    for i, value in response.values.items():
        result = verdict.demands[i]
        if result.decided_by == NOT_DECIDED:
            continue
        error = result.mesh_error or 0.0
        unfavourable = 1 + error if objective.panel.demands[i].at_most else 1 - error
        objective.calibration[i] = result.value * unfavourable / value
    tolerance = objective.settings.calibration_tolerance
    return any(abs(factor / before.get(i, 1.0) - 1) > tolerance for i, factor in objective.calibration.items())

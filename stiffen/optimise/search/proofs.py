"""Proofs after a search: that lighter gauges cannot meet the demands, and that less bench time cannot do."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from stiffen.errors import SolverError
from stiffen.model.layout import Bead
from stiffen.model.outcomes import BoundRecord
from stiffen.model.results import Verdict
from stiffen.optimise.bounds.linear_program import CostTerms
from stiffen.optimise.bounds.lower_bound import COST_TOLERANCE, CostBound
from stiffen.optimise.bounds.statements import (
    BoundInstance,
    bench_minutes,
    bench_minutes_bound,
    bound_record,
    infeasibility_outcome,
)
from stiffen.optimise.candidates.candidate_set import minutes_per_bead
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.surrogate.stiffened_plate import stiffened_plate

from .budget import Budget
from .gauge_search import GaugeSearch
from .state import SearchState

BoundMethod = Callable[[BoundInstance, Verdict, float], CostBound | None]


def prove(state: SearchState, limit: Budget, bound_method: BoundMethod = bench_minutes_bound) -> BoundRecord | None:
    """Prove what can be proven: lighter gauges infeasible, which replaces their outcomes; a bound on the bench time.

    bound_method: computes the bound.  None if the goal is "stiffest", the demands are not met, or nothing is proven.
    """
    best = state.incumbent.verdict
    if state.stiffest or best is None:
        return None
    lighter = [gauge for gauge in sorted(state.panel.gauges) if gauge < best.layout.gauge or not best.met]
    searched = [gauge for gauge in lighter if gauge in state.gauge_searches]
    for k, gauge in enumerate(searched):
        state.report(f"{gauge:g} mm: proving whether any layout can meet the demands")
        seconds = limit.seconds_left / (len(searched) - k + best.met)
        proven = infeasibility_outcome(bound_instance(state, state.gauge_searches[gauge]), seconds)
        if proven is not None:
            state.record(proven)
    if not best.met or best.layout.gauge not in state.gauge_searches:
        return None
    state.report("finding a bound on the bench time")
    bound = _checked_bound(state, best, limit, bound_method)
    if bound is None:
        return None
    return bound_record(bound, best.layout.gauge, all(state.outcomes[gauge].is_infeasible for gauge in lighter))


def _checked_bound(state: SearchState, best: Verdict, limit: Budget, bound_method: BoundMethod) -> CostBound | None:
    """A bound on the bench time of the beads of the best layout; None if a layout that was found undercuts it."""
    gauge = best.layout.gauge
    instance = bound_instance(state, state.gauge_searches[gauge], best.layout.beads)
    verdicts = state.evaluator.verdicts.values()
    met = [verdict for verdict in verdicts if verdict.met and verdict.layout.gauge == gauge]
    same_beads = [verdict for verdict in met if verdict.layout.beads == best.layout.beads]
    fewest_holes = min(same_beads, key=lambda verdict: len(verdict.layout.holes))
    try:
        bound = bound_method(instance, fewest_holes, limit.seconds_left)
    except SolverError:
        return None
    choices = (instance.bead_numbers(verdict.layout) for verdict in met)
    found = [bench_minutes(instance.terms, choice) for choice in choices if choice is not None]
    return None if bound is None or min(found) < bound.value - COST_TOLERANCE else bound


def bound_instance(state: SearchState, gauge_search: GaugeSearch, extra_beads: tuple[Bead, ...] = ()) -> BoundInstance:
    """Every bead candidate of a gauge by itself, as bounds need it.

    extra_beads: beads that join where they are no candidates.
    """
    panel, gauge, candidates = state.panel, gauge_search.gauge, gauge_search.candidates
    beads, conflicts, surrogate = candidates.beads, candidates.bead_conflicts, gauge_search.surrogate
    new = tuple(bead for bead in extra_beads if bead not in beads)
    if new:
        n, beads = len(beads), beads + new
        wider = conflict_matrix(panel, gauge, beads, ()).toarray()
        wider[:n, :n] = conflicts
        surrogate, conflicts = surrogate.joined(stiffened_plate(panel, gauge, new)), wider
    dies = list(dict.fromkeys(bead.die for bead in beads))
    terms = CostTerms(
        cost=minutes_per_bead(panel, beads),
        dies=np.array([dies.index(bead.die) for bead in beads], int),
        die_cost=gauge_search.objective.die_minutes,
        beads_at_most=math.inf if panel.beads_at_most is None else panel.beads_at_most,
        dies_at_most=math.inf if panel.dies_at_most is None else panel.dies_at_most,
        fixed=candidates.fixed_groups,
    )
    return BoundInstance(beads, surrogate, conflicts, terms)

"""Removal of beads that the shell model does not need, where the surrogate could not tell which ones they are."""

from __future__ import annotations

from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import Verdict
from stiffen.shop import layout_check

from .budget import Budget
from .gauge_search import GaugeSearch
from .state import SearchState


def remove_unneeded_beads(state: SearchState, budget: Budget, verdict: Verdict, gauge_search: GaugeSearch) -> Verdict:
    """The verdict of a layout that still meets the demands with fewer beads, as far as time allows; else the one given.

    Half of the beads that are not fixed are left out at once, then a quarter and so on, those of least gain on the
    surrogate first.  In the end each bead that remains was tried alone.
    """
    candidates, objective, gauge = gauge_search.candidates, gauge_search.objective, gauge_search.gauge
    chosen = candidates.choice_of(verdict.layout.beads)
    if chosen is None or verdict.layout.gauge != gauge:
        return verdict
    size = max(len(chosen) // 2, 1)
    while size:
        gain = objective.gains(chosen)
        removable = sorted((i for i in chosen if i not in candidates.fixed_groups), key=lambda i: (gain[i], i))
        for first in range(0, len(removable), size):
            rest = tuple(i for i in chosen if i not in removable[first : first + size])
            if budget.is_spent:
                state.cut_short = True
                return verdict
            layout = candidates.layout(gauge, rest)
            rejected = objective.evaluate(rest).utilisation > state.settings.surrogate_reject_limit
            if rejected or layout_check.audit(state.panel, layout):
                continue
            state.report(f"{gauge:g} mm: trying {len(layout.beads)} of {len(verdict.layout.beads)} beads")
            quick = state.evaluator.quick_utilisation(layout, 1.0)
            if quick <= 1 and (fewer := state.evaluate(layout)).met:
                verdict, chosen = fewer, rest
                state.record(GaugeOutcome(gauge, GaugeStatus.BEADED, beads=len(layout.beads)))
                break
        else:
            size //= 2
    return verdict

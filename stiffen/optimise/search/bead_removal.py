"""Beads out again that the judge does not need: the scout is slow to see which where large deflection decides."""

from __future__ import annotations

from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.results import Verdict
from stiffen.shop import layout_check

from .gauge_search import GaugeSearch, count_beads
from .proposals import SURROGATE_REJECT_LIMIT
from .state import SearchState


def remove_unneeded_beads(state: SearchState, verdict: Verdict, gauge_search: GaugeSearch) -> Verdict:
    """A verdict that is met with as few of the layout's beads as the time left allows to find out.

    Half of them go at once, then a quarter and so on; those first that the scout says do least.
    """
    panel, pool, chooser = state.panel, gauge_search.candidates, gauge_search.objective
    chosen = pool.choice_of(verdict.layout.beads)
    if chosen is None or verdict.layout.gauge != gauge_search.gauge:
        return verdict
    size = max(len(chosen) // 2, 1)
    while size:
        gain = chooser.gains(chosen)
        loose = sorted((i for i in chosen if i not in pool.fixed_groups), key=lambda i: (gain[i], i))
        for first in range(0, len(loose), size):
            rest = tuple(i for i in chosen if i not in loose[first : first + size])
            if state.seconds_left <= 0:
                state.cut_short |= bool(loose)
                return verdict
            layout = pool.layout(gauge_search.gauge, rest)
            if chooser.evaluate(rest).utilisation > SURROGATE_REJECT_LIMIT or layout_check.audit(panel, layout):
                continue
            state.report(f"{gauge_search.gauge:g} mm: will {count_beads(len(layout.beads))} do?")
            if state.quick_utilisation(layout, 1.0) <= 1 and (fewer := state.evaluate(layout)).met:
                verdict, chosen = fewer, rest
                outcome = GaugeOutcome(gauge_search.gauge, GaugeStatus.BEADED, beads=len(layout.beads))
                state.reasons[gauge_search.gauge] = outcome
                break
        else:
            size //= 2
    return verdict

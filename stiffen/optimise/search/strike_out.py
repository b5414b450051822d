"""Removal of what a layout does not need: dies, beads and rows of holes without which the shell still finds all met."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stiffen.model.layout import Bead, Layout
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.shop import layout_check

from .budget import Budget
from .gauge_search import demand_utilisation
from .state import SearchState

LIKELY = 1.03  # utilisation by the calibrated surrogate up to which the shell is asked


def strike_out(state: SearchState, budget: Budget, verdict: Verdict, rules: BeadRules) -> Verdict:
    """The verdict of the layout without its needless parts; dies go first, then beads.

    Each part that the calibrated surrogate holds needless is tried by the shell.
    """
    while not budget.is_spent:
        layout = verdict.layout
        smaller = [one for one in _smaller(layout, rules) if not layout_check.audit(state.panel, one)]
        if not smaller:
            return verdict
        mine, guesses = state.runner.confirm(layout)
        shell = np.array(list(demand_utilisation(state, verdict)))
        own = np.array(mine)
        factors = np.where((own > 0) & np.isfinite(own), shell / np.where(own > 0, own, 1.0), 1.0)
        worst = [float((np.array(one) * factors).max(initial=0.0)) for one in state.runner.batch(smaller, guesses)]
        likely = [one for one, value in zip(smaller, worst, strict=True) if value <= LIKELY]
        for one in likely:
            state.report(f"{layout.gauge:g} mm: trying {len(one.beads)} of {len(layout.beads)} beads")
            found = state.evaluate(one, abandon_above=state.settings.quick_miss_limit)
            if found.met:
                verdict = found
                break
            if budget.is_spent:
                state.cut_short = True
                return verdict
        else:
            return verdict
    state.cut_short = True
    return verdict


def _smaller(layout: Layout, rules: BeadRules) -> list[Layout]:
    """The layout without one of its dies, then without one of its groups of beads, shortest first."""
    free = [bead for bead in layout.beads if not bead.fixed]
    out: list[Layout] = []
    dies = list(dict.fromkeys(bead.die for bead in free))
    if len(dies) > 1:
        by_use = sorted(dies, key=lambda die: sum(bead.length for bead in free if bead.die == die))
        out += [_without(layout, [bead for bead in free if bead.die == die]) for die in by_use]
    groups = rules.groups_of(layout) or tuple((bead,) for bead in free)
    for group in sorted(groups, key=lambda one: sum(bead.length for bead in one)):
        out.append(_without(layout, list(group)))
    return list(dict.fromkeys(out))


def _without(layout: Layout, beads: list[Bead]) -> Layout:
    return replace(layout, beads=tuple(bead for bead in layout.beads if bead not in beads))

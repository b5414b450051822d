"""Removal of what a layout does not need: dies and beads without which all demands stay met."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stiffen.model.layout import Bead, Layout
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.shop import layout_check

from ..budget import Budget
from ..state import SearchState

LIKELY = 1.05  # times the limit: utilisation by the calibrated surrogate up to which the shell is asked
ROUNDING = 1.0001  # a layout at the limit itself is evaluated to the end
# Kinds of demands for which the shell alone says whether a part is needed: without one bead the surrogate saw a
# buckling load fall by a seventh that rose by a twentieth, and stress is local.
BY_SHELL = ("stress", "buckling")
AT_ONCE = 2  # layouts that the shell evaluates at once; fixed, so that the number of workers changes nothing


def strike_out(
    state: SearchState, budget: Budget, layout: Layout, rules: BeadRules, limit: float | None = None
) -> Layout:
    """The layout without its needless parts; dies go first, then beads.

    A layout without one part that passes by the calibrated surrogate, demands of `BY_SHELL` aside, is tried on the
    shell's quick mesh.  limit: largest utilisation of a layout that passes; default `safe_pass_limit`, so that the
    demands stay met.
    """
    limit = state.settings.safe_pass_limit if limit is None else limit
    while True:
        smaller = [one for one in _smaller(layout, rules) if not layout_check.audit(state.panel, one)]
        if not smaller:
            return layout
        mine, guesses = state.runner.confirm(layout)
        ranks = np.array([demand.kind not in BY_SHELL for demand in state.panel.demands], dtype=bool)
        factors = np.where(ranks, calibration(state, layout, mine), 0.0)
        trials = state.runner.batch(smaller, guesses, give_up_above(LIKELY * limit, factors))
        worst = [calibrated_worst(tuple(np.where(ranks, one, 0.0).tolist()), factors) for one in trials]
        likely = [one for one, value in zip(smaller, worst, strict=True) if value <= LIKELY * limit]
        found = None
        for first in range(0, len(likely), AT_ONCE):
            if budget.is_spent:
                state.cut_short = True
                return layout
            batch = likely[first : first + AT_ONCE]
            state.report(f"{layout.gauge:g} mm: do {len(batch[0].beads)} of {len(layout.beads)} beads suffice?")
            expected = state.evaluator.expected(batch)
            passing = [one for one, value in zip(batch, expected, strict=True) if value <= limit]
            if passing:
                found = passing[0]
                break
        if found is None:
            return layout
        layout = found


def calibration(state: SearchState, layout: Layout, surrogate: tuple[float, ...]) -> np.ndarray:
    """(demands,) utilisation expected from the shell over that of the surrogate, for one layout."""
    shell = np.array(state.evaluator.quick_utilisations(layout))
    shell = shell * np.array(state.evaluator.mesh_factors.get(layout.gauge, (1.0,) * len(shell)))
    values = np.array(surrogate)
    usable = np.isfinite(values) & np.isfinite(shell) & (values > 0)
    return np.where(usable, shell / np.where(usable, values, 1.0), 1.0)


def calibrated_worst(surrogate: tuple[float, ...], factors: np.ndarray | list[float]) -> float:
    """Largest utilisation by the surrogate after its demands' factors; 0 without demands."""
    return float((np.array(surrogate) * factors).max(initial=0.0))


def give_up_above(limit: float, factors: np.ndarray | list[float]) -> tuple[float, ...]:
    """Utilisation of each demand by the surrogate above which a layout's calibrated one is over a limit for certain."""
    return tuple(float(ROUNDING * limit / max(factor, 1e-9)) for factor in factors)


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

"""Neat layouts: beads of a layout put at one pitch and in one length where the demands stay met.

A layout is neater the fewer distinct dimensions a person must measure to mark it out
(`shop.marking_out.distinct_dimensions`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.bead_rules import BeadRules, Group
from stiffen.optimise.candidates.neat_patterns import neat_variants, parallel_sets
from stiffen.optimise.candidates.straightened_beads import straightened
from stiffen.shop import layout_check, process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

from ..budget import Budget
from ..state import SearchState
from .strike_out import AT_ONCE, LIKELY, calibrated_worst, calibration

SHELL_TRIALS = 3  # batches of variants that the shell's quick mesh evaluates


def neaten(
    state: SearchState, budget: Budget, layout: Layout, rules: BeadRules, limit: float, more: Sequence[int] = (0,)
) -> Layout | None:
    """The neatest variant of a layout whose utilisation is at most `limit`; the layout itself counts as one.

    None if none keeps the limit.  more: numbers of beads that may be added to a set of parallel beads; fewer beads come
    before fewer dimensions.  The surrogate, calibrated by the shell on the layout, picks the variants; the shell's
    quick mesh decides.
    """
    groups = rules.groups_of(layout)
    fallback = layout if state.evaluator.expected([layout])[0] <= limit else None
    if not groups or budget.is_spent:
        return fallback
    values, guesses = state.runner.confirm(layout)
    factors = calibration(state, layout, values)
    choices: list[tuple[Group, ...]] = [groups]
    values_of: dict[Layout, float] = {}
    for number in range(-1, len(parallel_sets(groups))):
        made = _variants(state, rules, choices[0], number, layout, more)
        if not made:
            continue
        state.report(f"{layout.gauge:g} mm: trying {len(made)} neater layouts of {len(layout.beads)} beads")
        trials = state.runner.batch([_with(rules, one, layout) for one in made], guesses)
        worst = [calibrated_worst(one, factors) for one in trials]
        ranked = sorted(zip(worst, made, strict=True), key=lambda one: one[0])
        values_of |= {_with(rules, one, layout): value for value, one in ranked}
        passing = [one for value, one in ranked if value <= LIKELY * limit]
        nearly = [one for _, one in ranked[:1]]
        choices = sorted(passing, key=lambda one: _order(state, _with(rules, one, layout))) or (nearly + choices)
    order = dict.fromkeys(_with(rules, one, layout) for one in (*choices, groups))
    likely = [one for one in order if not layout_check.audit(state.panel, one)]
    if fallback is not None:
        likely = [one for one in likely if _order(state, one) < _order(state, fallback)]
    tried = _to_try(likely, values_of)
    for first in range(0, len(tried), AT_ONCE):
        if budget.is_spent:
            break
        batch = tried[first : first + AT_ONCE]
        for one, value in zip(batch, state.evaluator.expected(batch), strict=True):
            if value <= limit:
                return one
    return fallback


def _to_try(likely: list[Layout], values_of: dict[Layout, float]) -> list[Layout]:
    """The layouts that the shell evaluates, of some in order: the first, and last those that surely pass.

    values_of: utilisation by the surrogate.  So a layout that is only rounded has its turn where even ones miss.
    """
    count = (SHELL_TRIALS - 1) * AT_ONCE
    safest = sorted(likely[count:], key=lambda one: (round(values_of.get(one, math.inf), 6), likely.index(one)))[
        :AT_ONCE
    ]
    return [*likely[:count], *sorted(safest, key=likely.index)]


def _variants(
    state: SearchState, rules: BeadRules, choice: tuple[Group, ...], number: int, layout: Layout, more: Sequence[int]
) -> list[tuple[Group, ...]]:
    """Variants of one parallel set, or (-1) of curved beads made straight; within the panel's limits on beads."""
    sets = parallel_sets(choice)
    if number >= len(sets):
        return []
    panel = state.panel
    made = list(straightened(rules, choice) if number < 0 else neat_variants(rules, choice, sets[number], more))
    return [one for one in made if panel.within_count_limits(_with(rules, one, layout))]


def _with(rules: BeadRules, choice: Sequence[Group], layout: Layout) -> Layout:
    return rules.layout(choice, layout.holes)


def _order(state: SearchState, layout: Layout) -> tuple:
    """Fewest beads first, then fewest dimensions, then fewest odd ones, then least time."""
    dimensions = distinct_dimensions(state.panel, layout)
    return len(layout.beads), dimensions.count, dimensions.odd, round(process_plan.minutes(state.panel, layout), 1)

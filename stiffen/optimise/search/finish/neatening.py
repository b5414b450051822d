"""Neat layouts: beads of a layout put at one pitch and in one length where the demands stay met.

A layout is neater the fewer distinct dimensions a person must measure to mark it out
(`shop.marking_out.distinct_dimensions`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.bead_rules import BeadRules, Group
from stiffen.optimise.candidates.ends_on_hole_lines import ended_on_hole_lines
from stiffen.optimise.candidates.even_layouts import even_layouts, free_strips
from stiffen.optimise.candidates.neat_patterns import neat_variants, parallel_sets
from stiffen.optimise.candidates.straightened_beads import straightened
from stiffen.optimise.candidates.whole_millimetres import is_on_whole_millimetres, on_whole_millimetres
from stiffen.shop import layout_check, process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

from ..budget import Budget
from ..limits import cost, within_limits
from ..state import SearchState
from .strike_out import AT_ONCE, LIKELY, calibrated_worst, calibration, give_up_above

MORE_BEADS = 2  # that an even layout drawn anew may have
NEAT_LIKELY = 1.015  # times the limit: utilisation by the surrogate up to which the shell is asked about a neat variant
GIVE_UP = 1.2  # times the limit: utilisation of a demand by the surrogate at which a variant is evaluated no further
EVEN_AT_ONCE = 8  # even layouts that the surrogate evaluates before the shell is asked
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
    last = len(parallel_sets(groups)) - 1
    for number in range(-1, last + 1):
        made = _variants(state, rules, choices[0], number, layout, more)
        if number == last and fallback is not None:  # no other set follows that could make more of them
            made = [one for one in made if _is_better(state, _with(rules, one, layout), fallback)]
        if not made:
            continue
        state.report(f"{layout.gauge:g} mm: trying {len(made)} neater layouts of {len(layout.beads)} beads")
        layouts = [_with(rules, one, layout) for one in made]
        trials = state.runner.batch(layouts, guesses, give_up_above(GIVE_UP * limit, factors))
        worst = [calibrated_worst(one, factors) for one in trials]
        ranked = sorted(zip(worst, made, strict=True), key=lambda one: one[0])
        values_of |= {_with(rules, one, layout): value for value, one in ranked}
        passing = [one for value, one in ranked if value <= NEAT_LIKELY * limit]
        nearly = [one for _, one in ranked[:1]]
        choices = sorted(passing, key=lambda one: _order(state, _with(rules, one, layout))) or (nearly + choices)
    order = dict.fromkeys(_with(rules, one, layout) for one in (*choices, groups))
    likely = [one for one in order if _is_better(state, one, fallback)]
    tried = _to_try(likely, values_of)
    return _first_that_keeps(state, budget, tried, limit) or fallback


def drawn_evenly(state: SearchState, budget: Budget, layout: Layout, rules: BeadRules, limit: float) -> Layout | None:
    """An even layout of the same dies with no more dimensions to measure than a layout has; None if none keeps `limit`.

    It costs at most `mass_tolerance` more, in grams and minutes.  Fewest dimensions first, then least
    minutes.
    """
    panel, free = state.panel, [bead for bead in layout.beads if not bead.fixed]
    if not free or budget.is_spent:
        return None
    dearest = (1 + state.settings.mass_tolerance) * cost(panel, layout)
    dimensions = distinct_dimensions(panel, layout).count
    made = [
        rules.layout(choice, layout.holes)
        for die, side in dict.fromkeys((bead.die, bead.side) for bead in free if bead.die.profile != "step")
        for strip in free_strips(rules, die, side)
        for count in range(2, len(free) + MORE_BEADS + 1)
        for choice in even_layouts(rules, die, side, strip, count)
    ]
    made = [one for one in dict.fromkeys(made) if within_limits(panel, one) and cost(panel, one) <= dearest]
    made = [one for one in made if distinct_dimensions(panel, one).count <= dimensions and one != layout]
    if not made:
        return None
    made.sort(key=lambda one: _order(state, one)[1:])
    state.report(f"{layout.gauge:g} mm: trying {len(made)} even layouts")
    values, guesses = state.runner.confirm(layout)
    ranks = np.array([demand.kind != "stress" for demand in panel.demands])  # of stresses the shell decides alone
    factors = calibration(state, layout, values)[ranks]
    give_up = np.full(len(ranks), math.inf)
    give_up[ranks] = LIKELY * limit / factors
    tried = 0
    for first in range(0, len(made), EVEN_AT_ONCE):
        part = made[first : first + EVEN_AT_ONCE]
        trials = np.array(state.runner.batch(part, guesses, tuple(give_up.tolist())))[:, ranks]
        worst = [calibrated_worst(tuple(one), factors) for one in trials.tolist()]
        likely = [one for one, value in zip(part, worst, strict=True) if value <= LIKELY * limit]
        passing = [one for one in likely if not layout_check.audit(panel, one)][: SHELL_TRIALS * AT_ONCE - tried]
        tried += len(passing)
        found = _first_that_keeps(state, budget, passing, limit)
        if found is not None or tried == SHELL_TRIALS * AT_ONCE or budget.is_spent:
            return found
    return None


def _first_that_keeps(state: SearchState, budget: Budget, layouts: list[Layout], limit: float) -> Layout | None:
    """The first layout that keeps `limit` by the shell model; None if none does, or none in time."""
    for first in range(0, len(layouts), AT_ONCE):
        if budget.is_spent:
            break
        batch = layouts[first : first + AT_ONCE]
        for one, value in zip(batch, state.evaluator.expected(batch), strict=True):
            if value <= limit:
                return one
    return None


def rounded_to_millimetres(state: SearchState, layout: Layout, rules: BeadRules, limit: float) -> Layout:
    """The layout with the ends of its beads on whole or half millimetres if it keeps `limit` so; else as it is."""
    groups = rules.groups_of(layout)
    if not groups or all(is_on_whole_millimetres(bead) for group in groups for bead in group):
        return layout
    rounded = on_whole_millimetres(rules, groups)
    if rounded is None:
        return layout
    made = _with(rules, rounded, layout)
    kept = not layout_check.audit(state.panel, made) and state.evaluator.expected([made])[0] <= limit
    return made if kept else layout


def with_ends_on_hole_lines(state: SearchState, layout: Layout, rules: BeadRules, limit: float) -> Layout | None:
    """The layout with its beads cut back to lines of holes, if that takes less measuring and keeps `limit`; or None."""
    groups = rules.groups_of(layout)
    cut = ended_on_hole_lines(rules, groups, layout.holes) if groups else None
    if cut is None:
        return None
    made = _with(rules, cut, layout)
    fewer = distinct_dimensions(state.panel, made).count < distinct_dimensions(state.panel, layout).count
    kept = fewer and not layout_check.audit(state.panel, made) and state.evaluator.expected([made])[0] <= limit
    return made if kept else None


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


def _is_better(state: SearchState, layout: Layout, fallback: Layout | None) -> bool:
    """True for a layout that keeps all rules and comes before the fallback."""
    comes_before = fallback is None or _order(state, layout) < _order(state, fallback)
    return comes_before and not layout_check.audit(state.panel, layout)


def _order(state: SearchState, layout: Layout) -> tuple:
    """Fewest beads first, then fewest dimensions, then fewest odd ones, then least time."""
    dimensions = distinct_dimensions(state.panel, layout)
    return len(layout.beads), dimensions.count, dimensions.odd, round(process_plan.minutes(state.panel, layout), 1)

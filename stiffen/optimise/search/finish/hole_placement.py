"""Placement of flared holes, the last step of a search: rows and grids that save mass while the demands stay met."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from stiffen.model.layout import Hole, Layout
from stiffen.optimise.candidates.hole_patterns import Row, hole_patterns
from stiffen.shop import layout_check, process_plan
from stiffen.shop.marking_out.hole_rows import in_row_order

from ..budget import Budget
from ..limits import within_limits
from ..state import SearchState
from .strike_out import AT_ONCE, calibrated_worst, calibration

SURROGATE_SHARE = 0.99  # of the limit: utilisation by the calibrated surrogate up to which the shell is asked
Holes = tuple[Hole, ...]


def add_holes(
    state: SearchState, budget: Budget, layout: Layout, mirror_axes: str, grams_per_minute: float, limit: float
) -> Layout:
    """The layout with the pattern of flared holes that is worth most; the same layout where none is worth its minutes.

    Worth: the mass that they save, less `grams_per_minute` for each minute that they take.  limit: utilisation to keep.

    The surrogate, calibrated by the shell on the layout without holes, says how many rows of each pattern may stay; the
    shell's quick mesh decides.
    """
    if state.panel.flared_holes == "none":
        return layout
    panel = state.panel
    most = math.inf if panel.holes_at_most is None else panel.holes_at_most - len(_with(layout, ()).holes)
    patterns = hole_patterns(panel, layout.gauge, layout.beads, mirror_axes, most) if most > 0 else []
    if not patterns:
        return layout
    own_minutes, own_mass = process_plan.minutes(state.panel, layout), state.panel.mass(layout)

    def worth(one: Layout) -> float:
        """Grams that the holes of a layout save, less what their minutes must save."""
        minutes = process_plan.minutes(state.panel, one) - own_minutes
        return 1000 * (own_mass - panel.mass(one)) - grams_per_minute * minutes

    state.report(f"{layout.gauge:g} mm: flared holes in rows")
    values, guesses = state.runner.confirm(layout)
    factors = calibration(state, layout, values)

    def worst(holes: list[Holes]) -> list[float]:
        layouts = [_with(layout, one) for one in holes]
        return [calibrated_worst(one, factors) for one in state.runner.batch(layouts, guesses)]

    tried: set[Layout] = set()
    for _ in range(state.effort.hole_trials):
        found = (_feasible_rows(one, worst, SURROGATE_SHARE * limit, most) for one in patterns)
        drawn = [_with(layout, _joined(rows)) for rows in found if rows]
        drawn = [one for one in dict.fromkeys(drawn) if one not in tried and worth(one) > 0]
        drawn = [one for one in drawn if within_limits(panel, one) and not layout_check.audit(panel, one)]
        drawn.sort(key=lambda one: (-round(worth(one), 6), len(one.holes)))
        batch = drawn[:AT_ONCE]
        if not batch or budget.is_spent:
            break
        tried.update(batch)
        expected = state.evaluator.expected(batch)
        passing = [one for one, value in zip(batch, expected, strict=True) if value <= limit]
        if passing:
            return passing[0]
        for one in batch:
            factors = np.maximum(factors, calibration(state, one, state.runner.batch([one], guesses)[0]))
    return layout


def _joined(rows: tuple[Row, ...]) -> Holes:
    return tuple(hole for row in rows for hole in row)


def _with(layout: Layout, holes: Holes) -> Layout:
    """The layout with holes beside its fixed ones, numbered along their rows."""
    fixed = tuple(hole for hole in layout.holes if hole.fixed)
    return replace(layout, holes=(*fixed, *in_row_order(holes)))


def _feasible_rows(
    rows: tuple[Row, ...], worst: Callable[[list[Holes]], list[float]], target: float, most: float
) -> tuple[Row, ...]:
    """The rows of a pattern that the surrogate allows together: all, or those that cost least, one after the other.

    target: utilisation to keep.  most: number of holes.
    """
    rows = tuple(row for row in rows if len(row) <= most)
    if not rows:
        return ()
    alone = worst([_joined(rows), *rows]) if len(rows) > 1 else worst([_joined(rows)])
    if alone[0] <= target and len(_joined(rows)) <= most:
        return rows
    if len(rows) == 1:
        return ()
    order = [row for _, row in sorted(zip(alone[1:], rows, strict=True), key=lambda one: one[0])]
    steps = [tuple(order[:k]) for k in range(1, len(order))]
    steps = [step for step in steps if len(_joined(step)) <= most]
    values = worst([_joined(step) for step in steps])
    return max((step for step, value in zip(steps, values, strict=True) if value <= target), key=len, default=())

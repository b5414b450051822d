"""Placement of flared holes, the last step of a search: rows and grids that save mass while the demands stay met."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stiffen.model.layout import Hole, Layout
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.hole_patterns import Row, hole_patterns
from stiffen.shop import layout_check

from .budget import Budget
from .gauge_search import demand_utilisation
from .state import SearchState

TARGET = 0.99  # utilisation by the calibrated surrogate up to which the shell is asked


def add_holes(state: SearchState, budget: Budget, verdict: Verdict, mirror_axes: str) -> None:
    """Add the pattern of flared holes that saves most mass; its rows are thinned until the demands stay met.

    The surrogate, calibrated by the shell on the layout without holes, ranks patterns and rows; the shell decides.
    """
    layout = verdict.layout
    patterns = hole_patterns(state.panel, layout.gauge, layout.beads, mirror_axes)
    if not patterns:
        return
    state.report(f"{layout.gauge:g} mm: placing flared holes in rows")
    values, guesses = state.runner.confirm(layout)
    shell = np.array(list(demand_utilisation(state, verdict)))
    mine = np.array(values)
    factors = np.where((mine > 0) & np.isfinite(mine), shell / np.where(mine > 0, mine, 1.0), 1.0)

    def worst(holes: list[tuple[Hole, ...]]) -> list[float]:
        layouts = [_with(layout, rows) for rows in holes]
        return [float((np.array(one) * factors).max(initial=0.0)) for one in state.runner.batch(layouts, guesses)]

    def drawn() -> list[tuple[float, tuple[Row, ...]]]:
        """Patterns with as many of their rows as the surrogate allows, those of least mass first."""
        found = []
        for rows in patterns:
            chosen = _feasible_rows(rows, worst)
            if chosen:
                holes = tuple(hole for row in chosen for hole in row)
                found.append((state.panel.mass(_with(layout, holes)), chosen))
        return sorted(found, key=lambda one: (round(one[0], 6), len(one[1])))

    tried: set[tuple[Row, ...]] = set()
    for _ in range(state.effort.hole_trials):
        choices = [one for _, one in drawn() if one not in tried]
        if not choices or budget.is_spent:
            break
        rows = choices[0]
        tried.add(rows)
        holes = tuple(hole for row in rows for hole in row)
        holed = _with(layout, holes)
        if layout_check.audit(state.panel, holed):
            continue
        result = state.evaluate(holed, abandon_above=state.settings.quick_miss_limit)
        if result.met:
            return
        mine = np.array(state.runner.batch([holed], guesses)[0])
        shell = np.array(list(demand_utilisation(state, result)))
        usable = np.isfinite(shell) & np.isfinite(mine) & (mine > 0)
        factors = np.where(usable, np.maximum(factors, shell / np.where(usable, mine, 1.0)), factors)


def _with(layout: Layout, holes: tuple[Hole, ...]) -> Layout:
    """The layout with holes beside its fixed ones."""
    fixed = tuple(hole for hole in layout.holes if hole.fixed)
    return replace(layout, holes=(*fixed, *holes))


def _feasible_rows(rows: tuple[Row, ...], worst) -> tuple[Row, ...]:  # noqa: ANN001
    """The rows of a pattern that the surrogate allows together: all, or those that cost least, one after the other."""
    everything = tuple(hole for row in rows for hole in row)
    alone = worst([everything, *rows]) if len(rows) > 1 else worst([everything])
    if alone[0] <= TARGET:
        return rows
    if len(rows) == 1:
        return ()
    order = [row for _, row in sorted(zip(alone[1:], rows, strict=True), key=lambda one: one[0])]
    steps = [tuple(order[:k]) for k in range(1, len(order))]
    values = worst([tuple(hole for row in step for hole in row) for step in steps])
    return max((step for step, value in zip(steps, values, strict=True) if value <= TARGET), key=len, default=())

"""Placement of flared holes, the last step of a search: rows and grids that save mass while the demands stay met."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np

from stiffen.model.layout import Hole, Layout
from stiffen.model.panel import Panel
from stiffen.optimise.candidates.hole_patterns import Row, hole_patterns
from stiffen.shop import layout_check, process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions
from stiffen.shop.marking_out.hole_rows import in_row_order

from ..budget import Budget
from ..limits import within_limits
from ..state import SearchState
from .strike_out import AT_ONCE, calibrated_worst, calibration, give_up_above

SURROGATE_SHARE = 0.99  # of the limit: utilisation by the calibrated surrogate up to which the shell is asked
SAME_MASS = 0.001  # relative difference of mass that nobody would take more minutes for
MOST_COUNTED = 60  # patterns whose dimensions are counted
MOST_BESIDE_MISSES = 16  # patterns beside beads that miss the demands without holes: the lightest
ROWS_UP_TO = 1.1  # times the limit: utilisation of a pattern beside such beads, up to which some of its rows may do
GIVE_UP = 1.15  # times the limit: utilisation of a demand by the surrogate at which holes are evaluated no further
MOST_HOLES = 40  # in a panel whose file does not say: two hours of flaring; common practice, no source
WHOLES_AT_ONCE = 4  # patterns that are evaluated whole at once, so that all workers have something to do
Holes = tuple[Hole, ...]


@dataclass(frozen=True)
class Worth:
    """What holes are worth: the mass that they save, less so many grams for each minute that they take, and for each
    dimension more that a person must measure.

    limit: utilisation to keep.
    """

    grams_per_minute: float
    limit: float
    grams_per_dimension: float = 0.0


def worth_for_lightest(state: SearchState, layout: Layout, limit: float) -> Worth:
    """What holes beside a layout's beads are worth in the lightest layout: minutes count a little."""
    settings, panel = state.settings, state.panel
    grams_per_minute = settings.lightest_time_share * panel.grams_per_minute
    return Worth(grams_per_minute, limit, 1000 * settings.mass_per_dimension * panel.mass(layout))


def add_holes(
    state: SearchState,
    budget: Budget,
    bases: Sequence[Layout],
    mirror_axes: str,
    worths: Sequence[Worth],
    missing: Sequence[Layout] = (),
    trials: int | None = None,
) -> list[Layout]:
    """For each idea of worth, one of some layouts of a gauge with the pattern of flared holes that is worth most.

    Mass and minutes are counted from the first layout; it is returned where nothing is worth its minutes, and for a
    later idea where nothing is lighter than what was found for those before.  missing: layouts that may meet the
    demands with holes only; beside their beads only patterns without an odd dimension count.  Where the first layout is
    one of them, holes are needed whatever they are worth.  trials: evaluations by the shell for each idea of worth;
    default: those of the effort.

    The surrogate, calibrated by the shell on the first layout without holes, says how many rows of each pattern may
    stay; the shell's quick mesh decides.
    """
    panel, first = state.panel, bases[0]
    most = holes_left(panel, first)
    if panel.flared_holes == "none" or most <= 0:
        return [first] * len(worths)
    patterns = [(base, rows) for base in bases for rows in _patterns(panel, base, mirror_axes, most, base in missing)]
    if not patterns:
        return [first] * len(worths)
    state.report(f"{first.gauge:g} mm: flared holes in rows")
    placement = _Placement(state, budget, first, patterns, most, frozenset(missing))
    found: list[Layout] = []
    for worth in worths:
        holed = [panel.mass(one) for one in found if one != first]
        lighter_than = (1 - SAME_MASS) * min(holed, default=math.inf)
        found.append(placement.best(worth, lighter_than, trials or state.effort.hole_trials))
    return found


def further_holes(
    state: SearchState, budget: Budget, layout: Layout, mirror_axes: str, limit: float
) -> Iterator[Layout]:
    """A layout with flared holes, with patterns of other sizes added in turn in what room is left.

    Each saves what its minutes and its dimensions must save in the lightest layout.
    """
    for _ in range(state.effort.hole_kinds - 1):
        worth = worth_for_lightest(state, layout, limit)
        (more,) = add_holes(state, budget, (layout,), mirror_axes, (worth,), trials=state.effort.further_trials)
        if more == layout:
            return
        yield more
        layout = more


@dataclass(eq=False)
class _Placement:
    """Placement of holes at one gauge.

    first: the layout that others are compared with.  patterns: of holes, each beside the beads of a layout.  most:
    number of holes.  missing: layouts that may meet the demands with holes only.
    """

    state: SearchState
    budget: Budget
    first: Layout
    patterns: list[tuple[Layout, tuple[Row, ...]]]
    most: int
    missing: frozenset[Layout] = frozenset()
    known: dict[Layout, tuple[float, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Solve the first layout, and calibrate the surrogate on it."""
        values, self.guesses = self.state.runner.confirm(self.first)
        self.factors = calibration(self.state, self.first, values)

    def best(self, worth: Worth, lighter_than: float, trials: int) -> Layout:
        """The layout lighter than so many kg that is worth most and keeps the limit; the first one if there is none.

        trials: evaluations by the shell.
        """
        state, panel = self.state, self.state.panel
        # All holes of a pattern are worth the same: if the whole is worth something, no part of it is worth more.
        whole = self._worth_of_wholes(worth, lighter_than)
        least = -math.inf if self.first in self.missing else 0.0
        ranked = sorted((one for one in whole if whole[one] > least), key=lambda one: -whole[one])
        tried: list[Layout] = []
        for _ in range(trials):
            batch: list[Layout] = []
            for number, (base, rows) in enumerate(ranked):
                worst_kept = self._grams(batch[-1], worth) if len(batch) == AT_ONCE else -math.inf
                if self.budget.is_spent or worst_kept >= whole[base, rows]:
                    break
                if number % WHOLES_AT_ONCE == 0:
                    self._evaluate_wholes(ranked[number : number + WHOLES_AT_ONCE], SURROGATE_SHARE * worth.limit)
                found = self._with_feasible_rows(base, rows, SURROGATE_SHARE * worth.limit)
                if found is None or found in (*tried, *batch) or self._grams(found, worth) <= least:
                    continue
                if panel.mass(found) >= lighter_than:
                    continue
                if within_limits(panel, found) and not layout_check.audit(panel, found):
                    batch = sorted([*batch, found], key=lambda one: (-self._grams(one, worth), len(one.holes)))[
                        :AT_ONCE
                    ]
            if not batch or self.budget.is_spent:
                break
            tried += batch
            expected = state.evaluator.expected(batch)
            passing = [one for one, value in zip(batch, expected, strict=True) if value <= worth.limit]
            if passing:
                return passing[0]
            for one in batch:
                self._worst([one], worth.limit)
                self.factors = np.maximum(self.factors, calibration(state, one, self.known[one]))
        return self.first

    def _worth_of_wholes(self, worth: Worth, lighter_than: float) -> dict[tuple[Layout, tuple[Row, ...]], float]:
        """Grams that each whole pattern is worth, of those lighter than so many kg.

        Dimensions take longest to count, so they are counted of the `MOST_COUNTED` that may be worth most.
        """
        panel, plain = self.state.panel, replace(worth, grams_per_dimension=0.0)
        wholes = {one: with_holes(one[0], holes_of(one[1])) for one in self.patterns}
        found = {one: self._grams(made, plain) for one, made in wholes.items() if panel.mass(made) < lighter_than}
        if worth.grams_per_dimension:
            for one in sorted((one for one in found if found[one] > 0), key=lambda one: -found[one])[:MOST_COUNTED]:
                found[one] = self._grams(wholes[one], worth)
        return found

    def _grams(self, layout: Layout, worth: Worth) -> float:
        """Grams that a layout saves over the first, less what its minutes must save."""
        panel = self.state.panel
        saved = 1000 * (panel.mass(self.first) - panel.mass(layout))
        if worth.grams_per_minute:
            minutes = process_plan.minutes(panel, layout) - process_plan.minutes(panel, self.first)
            saved -= worth.grams_per_minute * minutes
        if worth.grams_per_dimension:
            more = distinct_dimensions(panel, layout).count - distinct_dimensions(panel, self.first).count
            saved -= worth.grams_per_dimension * more
        return round(saved, 6)

    def _worst(self, layouts: list[Layout], target: float) -> list[float]:
        """Largest utilisation of each layout by the calibrated surrogate, each computed once.

        Infinite where that of a demand is over `GIVE_UP` times the target.
        """
        new = [one for one in dict.fromkeys(layouts) if one not in self.known]
        limits = give_up_above(GIVE_UP * target, self.factors)
        self.known.update(zip(new, self.state.runner.batch(new, self.guesses, limits), strict=True))
        return [calibrated_worst(self.known[one], self.factors) for one in layouts]

    def _evaluate_wholes(self, patterns: Sequence[tuple[Layout, tuple[Row, ...]]], target: float) -> None:
        """Evaluate some patterns whole, so that they are known when their turn comes."""
        wholes = [with_holes(base, holes_of(rows)) for base, rows in patterns if len(holes_of(rows)) <= self.most]
        self._worst(wholes, target)

    def _with_feasible_rows(self, base: Layout, rows: tuple[Row, ...], target: float) -> Layout | None:
        """A layout with the rows of a pattern that the surrogate allows together; None if it allows none.

        All rows, or those that cost least, one after the other.  target: utilisation to keep.
        """
        whole = with_holes(base, holes_of(rows))
        if len(holes_of(rows)) <= self.most:
            worst = self._worst([whole], target)[0]
            if worst <= target:
                return whole
            if base in self.missing and worst > ROWS_UP_TO * target:
                return None
        if len(rows) < 2:
            return None
        alone = self._worst([with_holes(base, row) for row in rows], target)
        order = [row for _, row in sorted(zip(alone, rows, strict=True), key=lambda one: one[0])]
        steps = [holes_of(tuple(order[:k])) for k in range(1, len(order))]
        layouts = [with_holes(base, step) for step in steps if len(step) <= self.most]
        passing = [one for one, value in zip(layouts, self._worst(layouts, target), strict=True) if value <= target]
        return max(passing, key=lambda one: len(one.holes), default=None)


def _patterns(panel: Panel, base: Layout, mirror_axes: str, most: int, base_misses: bool) -> list[tuple[Row, ...]]:
    """Patterns of holes to try beside a layout's beads; beside one that misses the demands the lightest even ones."""
    patterns = hole_patterns(panel, base.gauge, base.beads, mirror_axes, most, base.holes)
    if not base_misses:
        return patterns
    wholes = {rows: with_holes(base, holes_of(rows)) for rows in patterns}
    lightest = sorted(wholes, key=lambda rows: round(panel.mass(wholes[rows]), 6))
    return list(
        islice((rows for rows in lightest if not distinct_dimensions(panel, wholes[rows]).odd), MOST_BESIDE_MISSES)
    )


def holes_left(panel: Panel, layout: Layout) -> int:
    """How many more holes may be placed beside a layout's: up to the panel's limit, or `MOST_HOLES` not fixed."""
    if panel.holes_at_most is not None:
        return panel.holes_at_most - len(layout.holes)
    return MOST_HOLES - sum(not hole.fixed for hole in layout.holes)


def holes_of(rows: tuple[Row, ...]) -> Holes:
    """The holes of some rows."""
    return tuple(hole for row in rows for hole in row)


def with_holes(layout: Layout, holes: Holes) -> Layout:
    """The layout with more holes, numbered along their rows after the fixed ones."""
    fixed = tuple(hole for hole in layout.holes if hole.fixed)
    free = tuple(hole for hole in layout.holes if not hole.fixed)
    return replace(layout, holes=(*fixed, *in_row_order((*free, *holes))))

"""The incumbent of a search: the best layout so far, and the order of layouts that decides which one is best."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from stiffen.analysis.evaluation import Evaluation
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop import process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

from .limits import price
from .settings import DEFAULT_SETTINGS, SearchSettings

OnBest = Callable[[Verdict], None]


def ignore_best(verdict: Verdict) -> None:
    """An `on_best` callback that does nothing."""


@dataclass(eq=False)
class Incumbent:
    """The best layout so far.

    on_best: called with the verdict of each new incumbent.  evaluation: the complete evaluation behind `verdict`; None
    if its mesh had no mesh error.
    """

    panel: Panel
    on_best: OnBest = ignore_best
    settings: SearchSettings = DEFAULT_SETTINGS
    verdict: Verdict | None = None
    evaluation: Evaluation | None = None

    @property
    def met(self) -> bool:
        """True if there is an incumbent and it meets all demands."""
        return self.verdict is not None and self.verdict.met

    def rank(self, verdict: Verdict) -> tuple:
        """`rank` by the panel and settings of this search."""
        return rank(self.panel, verdict, self.settings)

    def best_met(self, verdicts: list[Verdict]) -> Verdict | None:
        """Of some verdicts that meet all demands the best; None if none does."""
        return min((one for one in verdicts if one.met), key=self.rank, default=None)

    def consider(self, verdict: Verdict, evaluation: Evaluation | None = None) -> None:
        """Accept a verdict if it ranks before the incumbent."""
        if self.verdict is None or self.rank(verdict) < self.rank(self.verdict):
            self.accept(verdict, evaluation)

    def accept(self, verdict: Verdict, evaluation: Evaluation | None = None) -> None:
        """Make a verdict the incumbent whatever its rank, and call `on_best`, unless it is the incumbent already."""
        if verdict is not self.verdict:
            self.verdict, self.evaluation = verdict, evaluation
            self.on_best(verdict)


def rank(panel: Panel, verdict: Verdict, settings: SearchSettings = DEFAULT_SETTINGS) -> tuple:
    """Sort key of a verdict: smaller is better.

    Layouts that meet all demands come first, by `price` to within `mass_tolerance`, then minutes, then price.  Others,
    and all if the goal is "stiffest", are ordered by utilisation, then mass.
    """
    if not verdict.met or panel.goal == "stiffest":
        return (1, verdict.utilisation, verdict.mass_kg)
    minutes = process_plan.minutes(panel, verdict.layout)
    value = price(panel, verdict.mass_kg, minutes, panel.goal)
    return (0, round(math.log(value) / settings.mass_tolerance), minutes, value)


def in_order(
    panel: Panel, layouts: Iterable[Layout], goal: str, settings: SearchSettings = DEFAULT_SETTINGS
) -> list[Layout]:
    """Layouts that meet all demands, the best for a goal first: by price and by what must be measured.

    Each dimension to mark out adds `mass_per_dimension` of the mass to the price, or `minutes_per_dimension` to that of
    the quickest.  Of those within a quarter of `mass_tolerance` of the least, or within a minute for the quickest, the
    fewest dimensions decide.  The lightest are those within twice `mass_tolerance` of the least mass; among these
    minutes count a little too, by `lightest_time_share`.
    """
    every = list(dict.fromkeys(layouts))
    masses = {one: panel.mass(one) for one in every}
    minutes = {one: process_plan.minutes(panel, one) for one in every}
    dimensions = {one: distinct_dimensions(panel, one) for one in every}
    most = (1 + 2 * settings.mass_tolerance) * min(masses.values(), default=0.0)

    def value(layout: Layout) -> float:
        own = price(panel, masses[layout], minutes[layout], goal)
        if goal == "quickest":
            return own + settings.minutes_per_dimension * dimensions[layout].count
        if goal == "lightest":
            own += settings.lightest_time_share * panel.grams_per_minute * minutes[layout]
        return own + 1000 * settings.mass_per_dimension * masses[layout] * dimensions[layout].count

    values = {one: value(one) for one in every}
    able = [values[one] for one in every if goal != "lightest" or masses[one] <= most]
    least = min(able, default=0.0)
    room = 1.0 if goal == "quickest" else 0.25 * settings.mass_tolerance * least

    def key(layout: Layout) -> tuple:
        if goal == "lightest" and masses[layout] > most:
            return 2, round(masses[layout], 6), values[layout]
        if values[layout] > least + room:
            return 1, round(values[layout], 6), dimensions[layout].odd
        return 0, dimensions[layout].count, round(values[layout], 6), round(minutes[layout], 6), dimensions[layout].odd

    return sorted(every, key=key)

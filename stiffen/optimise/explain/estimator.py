"""Estimates for changed layouts and panels: surrogate or quick shell mesh, calibrated at one evaluated layout."""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cache, partial

import numpy as np

from stiffen.errors import StiffenError
from stiffen.fem.blas_threads import start_job
from stiffen.model.explanation import SHELL, SURROGATE, SURROGATE_AND_SHELL, Estimate
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import Verdict
from stiffen.optimise.search.finish.strike_out import BY_SHELL
from stiffen.optimise.search.runner import LayoutRunner, shell_utilisations, utilisations
from stiffen.optimise.search.stages.gauge_search import FACTOR_LIMITS

Variant = tuple[Panel, Layout]


@dataclass(frozen=True, eq=False)
class Estimator:
    """Estimates variants of one panel, by the surrogate and by the shell's quick mesh.

    verdict: of the layout to compare with, by the shell.  executor: runs the evaluations; None for this process.
    quick_utilisations: of that layout on the quick mesh, if they are known.
    """

    panel: Panel
    verdict: Verdict
    executor: Executor | None = None
    quick_utilisations: tuple[float, ...] | None = None
    _bases: dict[str, Callable[[], tuple[float, ...]]] = field(default_factory=dict)  # the layout itself, by model

    def __post_init__(self) -> None:
        known = self.quick_utilisations
        if known is not None:
            self._bases[SHELL] = lambda: known

    @property
    def here(self) -> Estimate:
        """The layout's own values."""
        own = [d.utilisation(r.value) for d, r in zip(self.panel.demands, self.verdict.demands, strict=True)]
        return self._estimate(own, [1.0] * len(own), SHELL)

    def layouts(self, layouts: Sequence[Layout]) -> list[Estimate]:
        """Estimates of other layouts of the same panel and gauge: by the surrogate, demands of BY_SHELL by the shell.

        The largest stress is local, and the surrogate's is up to 1.7 times off either way.  Without a bead a sheet may
        buckle by large deflection where with it linear theory holds, and there the surrogate was 1.4 times off.
        """
        demands = self.panel.demands
        asked = [i for i, demand in enumerate(demands) if demand.kind in BY_SHELL]
        ranked = [i for i in range(len(demands)) if i not in asked]
        if not layouts:
            return []
        every = (self.verdict.layout, *layouts)
        shell = _started(self.executor, _shell_utilisations, self._with_demands(asked), every) if asked else None
        found = np.empty((len(every), len(demands)))
        if ranked:
            runner = LayoutRunner(self._with_demands(ranked), self.executor)
            base, guesses = runner.confirm(self.verdict.layout)
            found[:, ranked] = [base, *runner.batch(layouts, guesses)]
        if shell is not None:
            found[:, asked] = [values() for values in shell]
        factors = self._factors(found[0].tolist())
        model = SURROGATE if not asked else SHELL if not ranked else SURROGATE_AND_SHELL
        return [self._estimate(values, factors, model) for values in found[1:].tolist()]

    def _with_demands(self, numbers: Sequence[int]) -> Panel:
        """The panel with its demands of these numbers alone."""
        return replace(self.panel, demands=tuple(self.panel.demands[i] for i in numbers))

    def variants(self, variants: Sequence[Variant]) -> list[Estimate]:
        """Estimates by the surrogate of changed panels with their layouts."""
        return self._start(variants, _surrogate_utilisations, SURROGATE)()

    def confirm(self, variants: Sequence[Variant], stop_above: float = math.inf) -> list[Estimate]:
        """Estimates of the same by the shell's quick mesh; see `screening.quick_utilisations` for `stop_above`."""
        return self.start_confirm(variants, stop_above)()

    def start_confirm(self, variants: Sequence[Variant], stop_above: float = math.inf) -> Callable[[], list[Estimate]]:
        """Start `confirm` on the workers; a function that waits for the estimates."""
        return self._start(variants, partial(_shell_utilisations, stop_above=stop_above), SHELL)

    def _start(self, variants: Sequence[Variant], function: Callable, model: str) -> Callable[[], list[Estimate]]:
        if not variants:
            return list
        if model not in self._bases:
            (own,) = _started(self.executor, function, self.panel, [self.verdict.layout])
            self._bases[model] = cache(own)
        started = [start_job(self.executor, function, pickle.dumps(panel), layout) for panel, layout in variants]

        def finish() -> list[Estimate]:
            factors = self._factors(self._bases[model]())
            return [self._estimate(result(), factors, model) for result in started]

        return finish

    def _factors(self, base: Sequence[float]) -> list[float]:
        """For each demand the shell's utilisation of the layout over that of another model."""
        factors = []
        for demand, result, other in zip(self.panel.demands, self.verdict.demands, base, strict=True):
            own = demand.utilisation(result.value)
            usable = math.isfinite(own) and math.isfinite(other) and own > 0 and other > 0
            factors.append(min(max(own / other, FACTOR_LIMITS[0]), FACTOR_LIMITS[1]) if usable else 1.0)
        return factors

    def _estimate(self, found: Sequence[float], factors: Sequence[float], model: str) -> Estimate:
        expected = [value * factor for value, factor in zip(found, factors, strict=True)]
        values = [_value(demand, value) for demand, value in zip(self.panel.demands, expected, strict=True)]
        return Estimate(tuple(values), max(expected, default=0.0), model)


def _value(demand: Demand, utilisation: float) -> float:
    """The value of a demand that gives a utilisation."""
    if not math.isfinite(utilisation):
        return math.nan
    if demand.at_most:
        return utilisation * demand.limit
    return demand.limit / utilisation if utilisation > 0 else math.inf


def _started(
    executor: Executor | None, function: Callable, panel: Panel, layouts: Sequence[Layout]
) -> list[Callable[[], tuple[float, ...]]]:
    """Start a function of a pickled panel and a layout for each layout; functions that wait for the utilisations."""
    pickled = pickle.dumps(panel)
    return [start_job(executor, function, pickled, layout) for layout in layouts]


def _surrogate_utilisations(pickled: bytes, layout: Layout) -> tuple[float, ...]:
    return _or_infinite(pickled, lambda: utilisations(pickled, layout, {}))


def _shell_utilisations(pickled: bytes, layout: Layout, stop_above: float = math.inf) -> tuple[float, ...]:
    return _or_infinite(pickled, lambda: shell_utilisations(pickled, layout, stop_above))


def _or_infinite(pickled: bytes, evaluate: Callable[[], tuple[float, ...]]) -> tuple[float, ...]:
    """The utilisations, or infinite ones for a variant that cannot be meshed or is not held."""
    try:
        return evaluate()
    except StiffenError:
        return (math.inf,) * len(pickle.loads(pickled).demands)

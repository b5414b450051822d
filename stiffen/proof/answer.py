"""The answer of the proof: as computed, softer or stiffer, what explains it, and what that means for the demands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from stiffen.analysis.evaluation import evaluate
from stiffen.errors import StiffenError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult

from .builds import apply_build
from .expectation import Expectation
from .explanations import Explanation, explanations
from .measurements import DIAL_ERROR, RULER_ERROR, RULER_FROM, Measured, mean_and_error
from .responses import Push, Responses

Progress = Callable[[float | None, str], None]
AS_COMPUTED, SOFTER, STIFFER, MIXED = "as computed", "softer", "stiffer", "softer in part, stiffer in part"
MAX_CONSEQUENCES = 6  # explanations whose demands are evaluated


@dataclass(frozen=True)
class Comparison:
    """One value measured beside the one computed, both in `unit`.

    error: of the reading.  stiffer_if_more: True of a frequency, False of a deflection.
    """

    name: str
    unit: str
    measured: float
    error: float
    value: float
    low: float
    high: float
    stiffer_if_more: bool = False

    @property
    def state(self) -> str:
        """AS_COMPUTED if the reading with its error meets the range that was left open, else SOFTER or STIFFER."""
        if self.low - self.error <= self.measured <= self.high + self.error:
            return AS_COMPUTED
        return STIFFER if (self.measured > self.high) == self.stiffer_if_more else SOFTER

    @property
    def deviation(self) -> float:
        """Measured over computed, less 1."""
        return self.measured / self.value - 1


@dataclass(frozen=True)
class Consequence:
    """What an explanation means: the demands of the panel built that way; empty if they could not be computed."""

    explanation: Explanation
    demands: tuple[DemandResult, ...]

    @property
    def met(self) -> bool:
        """True if every demand is met."""
        return bool(self.demands) and all(demand.met for demand in self.demands)


@dataclass(frozen=True)
class Answer:
    """The values compared, the explanations tried, the best first, and what those that fit mean for the demands."""

    comparisons: tuple[Comparison, ...]
    explanations: tuple[Explanation, ...]
    consequences: tuple[Consequence, ...]

    @property
    def state(self) -> str:
        """AS_COMPUTED, SOFTER, STIFFER or MIXED."""
        states = {one.state for one in self.comparisons} - {AS_COMPUTED}
        return MIXED if len(states) > 1 else states.pop() if states else AS_COMPUTED

    @property
    def as_it_should_be(self) -> bool:
        """True if the panel is as computed and no explanation that fits means that a demand is missed."""
        return self.state == AS_COMPUTED and not any(one.demands and not one.met for one in self.consequences)

    @property
    def fitting(self) -> tuple[Explanation, ...]:
        """The explanations within the error of every reading."""
        return tuple(one for one in self.explanations if one.fits)


def reading_error(expected: float, given: float | None = None) -> float:
    """Error, mm, of a reading of about `expected` mm: the one given, else that of a ruler or a dial gauge."""
    return given if given is not None else RULER_ERROR if expected >= RULER_FROM else DIAL_ERROR


def push_readings(
    pushes: Sequence[Push], measured: Measured, expected: np.ndarray, error: float | None
) -> tuple[np.ndarray, np.ndarray]:
    """(k,) mean readings and (k,) their errors, mm, for each push; NaN where nothing was read."""
    values, errors = np.full(len(pushes), np.nan), np.full(len(pushes), np.nan)
    for k, push in enumerate(pushes):
        for one in measured.pushes:
            if one.place == push.place and abs(one.kg - push.kg) < 1e-6:
                values[k], errors[k] = mean_and_error(one.mm, reading_error(float(expected[k]), error))
    return values, errors


def compare(
    responses: Responses, expected: Expectation, readings: np.ndarray, errors: np.ndarray
) -> tuple[Comparison, ...]:
    """The comparisons of all responses that were measured."""
    return tuple(
        Comparison(
            one.name, one.unit, float(readings[k]), float(errors[k]), float(expected.value[k]),
            float(expected.low[k]), float(expected.high[k]), one.stiffer_if_more,
        )
        for k, one in enumerate(responses.observables)
        if np.isfinite(readings[k])
    )  # fmt: skip


def answer(
    panel: Panel,
    layout: Layout,
    measured: Measured,
    responses: Responses,
    scale: np.ndarray,
    expected: Expectation,
    readings: np.ndarray,
    errors: np.ndarray,
    progress: Progress,
) -> Answer:
    """The answer to all that was measured.  readings, errors: (k,), NaN where nothing was; scale: see `expectation`.

    An explanation fits if it lies within the error of each reading; the model's own error is added to that.
    """
    both = np.hypot(errors, np.array([one.model_error for one in responses.observables]) * readings)
    parts = tuple({one.part for one, value in zip(responses.observables, readings, strict=True) if np.isfinite(value)})
    tried = explanations(panel, layout, measured, responses.only(parts), scale, readings, both)
    fitting = [one for one in tried if one.fits][:MAX_CONSEQUENCES]
    found = []
    for one in fitting:
        progress(None, f"demands, {one.build.hold.label}")
        found.append(Consequence(one, _demands(panel, layout, one, responses.mesh_level)))
    return Answer(compare(responses, expected, readings, errors), tried, tuple(found))


def _demands(panel: Panel, layout: Layout, explanation: Explanation, mesh_level: str) -> tuple[DemandResult, ...]:
    """The demands of a build; none if they cannot be computed."""
    try:
        built, as_built = apply_build(panel, layout, explanation.build)
        return evaluate(built, as_built, mesh_level=mesh_level, mesh_error=False).verdict.demands
    except StiffenError:
        return ()

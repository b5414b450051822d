"""Which single difference from the drawing explains the values measured, by computing the panel with it.

One push does not tell thickness, depth and hold apart: every explanation that fits within the error is listed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from stiffen.errors import StiffenError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .builds import DEPTH_RATIOS, Build, dies_used, other_holds, stated_holds
from .expectation import base_build
from .measurements import Measured
from .responses import HANGING, Responses

NOTHING, THICKNESS, DEPTH = "nothing", "thickness", "depth"
THICKNESS_RATIOS = (0.82, 0.91, 1.0, 1.1)  # of the gauge, for which the panel is computed
FINE = 400  # points between the computed ones


@dataclass(frozen=True)
class Explanation:
    """A way in which the panel may have been built, and how well it explains the values measured.

    varied: NOTHING, THICKNESS or DEPTH.  value: thickness, mm, or depth as a share of the dies' depth; None if nothing
    was varied.  low, high: the values within which all readings fit.  predicted: (k,) responses.  misfit: the largest
    distance of a response from its reading, over the error.
    """

    varied: str
    build: Build
    predicted: tuple[float, ...]
    misfit: float
    value: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def fits(self) -> bool:
        """True if it explains every reading within its error."""
        return self.misfit <= 1.0


def explanations(
    panel: Panel,
    layout: Layout,
    measured: Measured,
    responses: Responses,
    scale: np.ndarray,
    readings: np.ndarray,
    errors: np.ndarray,
) -> tuple[Explanation, ...]:
    """All explanations tried, the best first: nothing, one thickness or one depth, for each way of holding.

    Thickness and depth are varied only if they were not measured.  readings, errors: (k,), NaN where nothing was read.
    scale: see `expectation`.  A way of holding that does not hold the panel is left out.
    """
    used = np.isfinite(readings)
    base = base_build(layout, measured, panel)
    found = []

    def predict(build: Build) -> np.ndarray:
        return responses.of(build) * scale

    def misfit(predicted: np.ndarray) -> float:
        return float(np.max(np.abs(predicted - readings)[used] / errors[used]))

    holds = (*stated_holds(panel), *other_holds(panel))
    for hold in holds[:1] if responses.parts == (HANGING,) else holds:  # nothing holds a panel that hangs
        start = replace(base, hold=hold)
        try:
            predicted = predict(start)
        except StiffenError:
            continue
        found.append(Explanation(NOTHING, start, tuple(predicted), misfit(predicted)))
        for varied, values, builds in _families(layout, measured, start):
            try:
                grid = np.array([predict(build) for build in builds])
            except StiffenError:
                continue
            fit = _best(np.array(values), grid[:, used], readings[used], errors[used])
            if fit is None:
                continue
            value, low, high = fit
            build = _build(layout, measured, start, varied, value)
            try:
                predicted = predict(build)
            except StiffenError:
                continue
            found.append(Explanation(varied, build, tuple(predicted), misfit(predicted), value, low, high))
    return tuple(sorted(found, key=lambda one: (not one.fits, round(one.misfit, 6))))


def _families(layout: Layout, measured: Measured, start: Build) -> Iterator[tuple[str, tuple[float, ...], list[Build]]]:
    """What is varied, its values and their builds."""
    if not measured.thickness:
        values = tuple(ratio * layout.gauge for ratio in THICKNESS_RATIOS)
        yield THICKNESS, values, [_build(layout, measured, start, THICKNESS, value) for value in values]
    if any(die.name not in measured.depths for die in dies_used(layout)):
        yield DEPTH, DEPTH_RATIOS, [_build(layout, measured, start, DEPTH, value) for value in DEPTH_RATIOS]


def _build(layout: Layout, measured: Measured, start: Build, varied: str, value: float) -> Build:
    if varied == THICKNESS:
        return replace(start, thickness=value)
    return build_of_depth(layout, measured, start, value)


def build_of_depth(layout: Layout, measured: Measured, start: Build, ratio: float) -> Build:
    """A build whose beads have a share of their dies' depth, but for those that were measured."""
    depths = {die.name: ratio * die.depth for die in dies_used(layout) if die.name not in measured.depths}
    if ratio > 1 - 1e-9 or not depths:
        return start
    return replace(start, depths=tuple(sorted({**depths, **dict(start.depths)}.items())))


def _best(
    values: np.ndarray, grid: np.ndarray, readings: np.ndarray, errors: np.ndarray
) -> tuple[float, float, float] | None:
    """The value whose interpolated responses lie nearest, and the ends of those that fit; None if an end misses."""
    fine = np.linspace(values[0], values[-1], FINE + 1)
    responses = np.exp(PchipInterpolator(values, np.log(np.maximum(grid, 1e-12)))(fine))
    misfit = np.max(np.abs(responses - readings) / errors, axis=1)
    best = int(np.argmin(misfit))
    if misfit[best] > 1 and best in (0, FINE):
        return None
    fits = np.flatnonzero(misfit <= 1)
    low, high = (fine[fits[0]], fine[fits[-1]]) if len(fits) else (fine[best], fine[best])
    return float(fine[best]), float(low), float(high)

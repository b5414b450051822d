"""What to expect of the finished panel, and what thickness, depth and hold leave open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.errors import StiffenError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.thickness_tolerance import thickness_tolerance

from .builds import Build, dies_used, range_holds, stated_holds
from .measurements import CALLIPER_ERROR, MICROMETER_ERROR, Measured, mean_and_error
from .responses import Responses

UNMEASURED_DEPTH_SHARE = 0.10  # of the die's depth, by which a bead may be shallower: common practice, no source


@dataclass(frozen=True)
class OpenRange:
    """What one property leaves open: its name, its bounds in words, and (k,) smallest and largest response factors."""

    name: str
    words: str
    low: np.ndarray
    high: np.ndarray


@dataclass(frozen=True)
class Expectation:
    """Responses (k,) of the panel as drawn or measured, with their lowest and highest values, and what opens them."""

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    parts: tuple[OpenRange, ...]


def base_build(layout: Layout, measured: Measured, panel: Panel) -> Build:
    """The panel as measured, as drawn where nothing was measured, held as the file says."""
    thickness = mean_and_error(measured.thickness, 0.0)[0] if measured.thickness else layout.gauge
    depths = tuple((name, mean_and_error(values, 0.0)[0]) for name, values in sorted(measured.depths.items()))
    return Build(thickness, depths, stated_holds(panel)[0])


def expectation(
    panel: Panel, layout: Layout, measured: Measured, responses: Responses, scale: np.ndarray
) -> Expectation:
    """What to expect, by varying thickness, depth and hold one by one; all of them at their worst at once bound it.

    scale: (k,) factor of the finer mesh's responses over those of `responses`.
    """
    base = base_build(layout, measured, panel)
    value = responses.of(base)
    parts = []
    for name, words, builds in (
        _thickness_range(panel, layout, measured, base),
        _depth_range(layout, measured, base),
        _hold_range(panel, base),
    ):
        ratios = [np.ones_like(value)]
        for build in builds:
            try:
                ratios.append(responses.of(build) / value)
            except StiffenError:
                continue  # the panel is not held that way, or its bead cannot have that depth
        if len(ratios) > 1:
            parts.append(OpenRange(name, words, np.min(ratios, axis=0), np.max(ratios, axis=0)))
    model_errors = np.array([one.model_error for one in responses.observables])
    low, high = value * scale * (1 - model_errors), value * scale * (1 + model_errors)
    for part in parts:
        low, high = low * part.low, high * part.high
    return Expectation(value * scale, low, high, tuple(parts))


def _thickness_range(panel: Panel, layout: Layout, measured: Measured, base: Build) -> tuple[str, str, list[Build]]:
    if measured.thickness:
        t, error = mean_and_error(measured.thickness, MICROMETER_ERROR)
        words = f"{t:.2f} mm as measured, within {error:.2g} mm"
    else:
        tolerance = thickness_tolerance(panel.material, layout.gauge)
        t, error = layout.gauge, tolerance.mm
        words = f"{t:g} mm, within {error:g} mm ({tolerance.standard}), not measured yet"
    return "thickness", words, [Build(t + sign * error, base.depths, base.hold) for sign in (-1, 1)]


def _depth_range(layout: Layout, measured: Measured, base: Build) -> tuple[str, str, list[Build]]:
    low, high, words = {}, {}, []
    for die in dies_used(layout):
        if die.name in measured.depths:
            depth, error = mean_and_error(measured.depths[die.name], CALLIPER_ERROR)
            low[die.name], high[die.name] = depth - error, depth + error
            words.append(f"{die.name} {depth:.1f} mm as measured, within {error:.2g} mm")
        else:
            low[die.name], high[die.name] = (1 - UNMEASURED_DEPTH_SHARE) * die.depth, die.depth
            words.append(f"{die.name} {low[die.name]:.1f} to {die.depth:g} mm, not measured yet")
    ends = [low, high] if low else []
    builds = [Build(base.thickness, tuple(sorted(depths.items())), base.hold) for depths in ends]
    return "depth of the beads", "; ".join(words), builds


def _hold_range(panel: Panel, base: Build) -> tuple[str, str, list[Build]]:
    holds = [hold for hold in range_holds(panel) if hold != base.hold]
    words = "; ".join([base.hold.label, *(hold.label for hold in holds)])
    return "hold of the edges", words, [Build(base.thickness, base.depths, hold) for hold in holds]

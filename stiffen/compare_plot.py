"""Up to six layouts in one picture: the sheets, and a bar for each of mass, demands and work."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .comparing import Entry, labels, shared_limit, shortened
from .plots import INK, LETTERS, PALE, WIDE, canvas, draw_over, proportion, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR = {"facecolor": "#3a7490", "edgecolor": INK}
MISSED = {"facecolor": "white", "edgecolor": INK, "hatch": "////"}
LIMIT = "#131f45"
ACROSS = 3  # pictures, and bar charts, side by side
TITLE = 20  # letters


def compare_picture(entries: Sequence[Entry], path: str | Path) -> None:
    """PNG of the layouts, numbered, and bars of what `comparing.table` tells.

    Bars of demands that are missed are hatched; a line marks the limit where all share it.  Raises InputError where
    the place cannot be written.
    """
    charts = _charts(entries)
    across = min(ACROSS, max(2, len(entries)))
    sheets = -(-len(entries) // across)
    rows = -(-len(charts) // ACROSS)
    tall = WIDE / across * max(proportion(entry.panel) for entry in entries) + 0.75
    low = 0.85 + 0.27 * len(entries)
    figure = canvas(sheets * tall + rows * low + 0.4)
    upper, lower = figure.subfigures(2, 1, height_ratios=[sheets * tall, rows * low])
    axes = upper.subplots(sheets, across, squeeze=False).ravel()
    for number, (axis, entry) in enumerate(zip(axes, entries, strict=False), 1):
        draw_over(axis, entry.panel, entry.verdict.layout, casing=False)
        met = "met" if entry.verdict.met else "NOT MET"
        axis.set_title(
            f"{number}: {shortened(entry.title, TITLE)}\n{entry.verdict.layout.gauge:g} mm, {met}", fontsize=LETTERS
        )
    for axis in axes[len(entries) :]:
        axis.set_axis_off()
    bars = lower.subplots(rows, ACROSS, squeeze=False).ravel()
    for axis, chart in zip(bars, charts, strict=False):
        _draw_bars(axis, *chart)
    for axis in bars[len(charts) :]:
        axis.set_axis_off()
    if any(entry.missed for entry in entries):
        lower.supxlabel("hatched: demand not met", fontsize=LETTERS)
    save(figure, path)


Chart = tuple[str, list[float], list[bool], float | None]  # title with unit, values, met, limit


def _charts(entries: Sequence[Entry]) -> list[Chart]:
    good = [True] * len(entries)
    charts: list[Chart] = [("mass, kg", [entry.verdict.mass_kg for entry in entries], good, None)]
    for label in labels(entries):
        found = [entry.demand(label) for entry in entries]
        unit = next(one.unit for one in found if one)
        values = [np.nan if one is None else one.value for one in found]
        met = [one is None or one.met for one in found]
        name = f"{label}, {'times' if unit == 'x' else unit}"
        charts.append((name, values, met, shared_limit(entries, label)))
    charts.append(("to roll, m", [entry.verdict.layout.rolled_length / 1000 for entry in entries], good, None))
    charts.append(("minutes", [float(round(entry.minutes)) for entry in entries], good, None))
    return charts


def _draw_bars(axis: Axes, title: str, values: list[float], met: list[bool], limit: float | None) -> None:
    """Bars from the top down, the value at the end of each, the limit as a line."""
    finite = [value for value in values if np.isfinite(value)]
    top = max([*finite, limit or 0.0]) or 1.0
    for place, (value, good) in enumerate(zip(values, met, strict=True)):
        if np.isfinite(value):
            axis.barh(place, value, height=0.68, linewidth=0.8, **(BAR if good else MISSED))
        words = f"{value:.3g}" if np.isfinite(value) else "-"
        axis.annotate(
            words, (value if np.isfinite(value) else 0.0, place), xytext=(3, 0), textcoords="offset points",
            va="center_baseline", fontsize=LETTERS,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=5,
        )  # fmt: skip
    if limit is not None:
        axis.axvline(limit, color=LIMIT, linewidth=1.6, dashes=(4, 2), zorder=4)
        title = f"{title}\nlimit {limit:g} (dashed)"
    axis.set_title(title, fontsize=LETTERS, loc="left")
    axis.set_xlim(0, 1.28 * top)
    axis.set_ylim(len(values) - 0.45, -0.55)
    axis.set_yticks(range(len(values)), [str(number) for number in range(1, len(values) + 1)], fontsize=LETTERS)
    axis.set_xticks([])
    axis.spines[["top", "right", "bottom"]].set_visible(False)
    axis.spines["left"].set_color(PALE)
    axis.tick_params(axis="y", length=0)

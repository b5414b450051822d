"""Comparison of up to six layouts on one page: pictures of the sheets, bars of mass, demands and work."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stiffen.output.report.comparison import Entry, demand_labels, shared_limit, shortened

from .style import (
    FIGURE_WIDTH,
    FONT_SIZE,
    GRID_COLOUR,
    LINE_CHARS,
    LINE_COLOUR,
    aspect_ratio,
    draw_panel_over,
    new_figure,
    save_png,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR_STYLE = {"facecolor": "#3a7490", "edgecolor": LINE_COLOUR}
MISSED_BAR_STYLE = {"facecolor": "white", "edgecolor": LINE_COLOUR, "hatch": "////"}
LIMIT_COLOUR = "#131f45"
COLUMNS = 3  # pictures or bar charts side by side
MAX_TITLE_CHARS = 20
PAGE_HEIGHT = 10.0  # inches; fits on A4 and Letter
CHART_HEAD_HEIGHT = 0.62  # inches, above the bars of a chart
BAR_PITCH = 0.23  # inches
LINE_PITCH = 0.2  # inches, of the notes
SHEET_TITLE_HEIGHT, MIN_SHEET_HEIGHT = 0.8, 0.8  # inches: above the picture of a sheet; of the picture


@dataclass(frozen=True)
class _Chart:
    """One bar chart.  title: with unit.  bars: (layout number, value, met).  limit: None if limits differ."""

    title: str
    bars: list[tuple[int, float, bool]]
    limit: float | None = None


def comparison_picture(entries: Sequence[Entry], path: str | Path) -> None:
    """PNG of the numbered layouts and of bars with the values of `comparison.comparison_table`, on one page.

    Bars of demands not met are hatched.  A dashed line marks a limit that all layouts share.  A demand made of one
    layout only is listed as text.  Raises InputError if the file cannot be written.
    """
    charts = _charts(entries)
    bars_per_row = [max(len(chart.bars) for chart in charts[i : i + COLUMNS]) for i in range(0, len(charts), COLUMNS)]
    chart_heights = [CHART_HEAD_HEIGHT + BAR_PITCH * bars for bars in bars_per_row]
    charts_height = sum(chart_heights)
    notes = textwrap.wrap(_single_demands_text(entries), LINE_CHARS)
    if any(not met for chart in charts for *_, met in chart.bars):
        notes.append("hatched: demand not met")
    columns = min(COLUMNS, max(2, len(entries)))
    sheet_rows = -(-len(entries) // columns)
    lower_height = charts_height + LINE_PITCH * len(notes)
    room = (PAGE_HEIGHT - charts_height - LINE_PITCH * len(notes)) / sheet_rows - SHEET_TITLE_HEIGHT
    row_height = SHEET_TITLE_HEIGHT + min(
        FIGURE_WIDTH / columns * max(aspect_ratio(entry.panel) for entry in entries), max(MIN_SHEET_HEIGHT, room)
    )
    figure = new_figure(sheet_rows * row_height + lower_height)
    upper, lower = figure.subfigures(2, 1, height_ratios=[sheet_rows * row_height, lower_height])
    axes = upper.subplots(sheet_rows, columns, squeeze=False).ravel()
    for number, (axis, entry) in enumerate(zip(axes, entries, strict=False), 1):
        draw_panel_over(axis, entry.panel, entry.verdict.layout, casing=False)
        met = "met" if entry.verdict.met else "NOT MET"
        axis.set_title(
            f"{number}: {shortened(entry.title, MAX_TITLE_CHARS)}\n{entry.verdict.layout.gauge:g} mm, {met}",
            fontsize=FONT_SIZE,
        )
    bars = lower.subplots(len(chart_heights), COLUMNS, squeeze=False, height_ratios=chart_heights).ravel()
    for number, (axis, chart) in enumerate(zip(bars, charts, strict=False)):
        _draw_bars(axis, chart, bars_per_row[number // COLUMNS])
    for axis in (*axes[len(entries) :], *bars[len(charts) :]):
        axis.set_axis_off()
    if notes:
        lower.supxlabel("\n".join(notes), fontsize=FONT_SIZE)
    save_png(figure, path)


def _charts(entries: Sequence[Entry]) -> list[_Chart]:
    """The charts of mass, demands and work, those with most bars first."""

    def plain(title: str, values: Sequence[float]) -> _Chart:
        return _Chart(title, [(number, value, True) for number, value in enumerate(values, 1)])

    charts = [plain("mass, kg", [entry.verdict.mass_kg for entry in entries])]
    for label in demand_labels(entries):
        found = [(number, one) for number, entry in enumerate(entries, 1) if (one := entry.demand(label))]
        if len(found) > 1:
            unit = "times" if found[0][1].unit == "x" else found[0][1].unit
            bars = [(number, one.value, one.met) for number, one in found]
            charts.append(_Chart(f"{label}, {unit}", bars, shared_limit(entries, label)))
    charts.append(plain("to roll, m", [entry.verdict.layout.rolled_length / 1000 for entry in entries]))
    charts.append(plain("minutes", [float(round(entry.minutes)) for entry in entries]))
    return sorted(charts, key=lambda chart: -len(chart.bars))


def _single_demands_text(entries: Sequence[Entry]) -> str:
    """Demands that are made of one layout only, as a sentence."""
    parts = []
    for label in demand_labels(entries):
        found = [(number, one) for number, entry in enumerate(entries, 1) if (one := entry.demand(label))]
        if len(found) == 1:
            ((number, one),) = found
            missed = "" if one.met else ", NOT MET"
            parts.append(f"{label} ({number}) {_value_text(one.value)} {one.unit}, limit {one.limit:g}{missed}")
    return f"Demanded of one layout only: {'; '.join(parts)}." if parts else ""


def _value_text(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else "-"


def _draw_bars(axis: Axes, chart: _Chart, most_bars: int) -> None:
    """Draw bars from the top down, values at the right, a line at the limit.  most_bars: of the charts in this row."""
    finite = [value for _, value, _ in chart.bars if np.isfinite(value)]
    top = max([*finite, chart.limit or 0.0]) or 1.0
    for place, (_, value, met) in enumerate(chart.bars):
        if np.isfinite(value):
            axis.barh(place, value, height=0.68, linewidth=0.8, **(BAR_STYLE if met else MISSED_BAR_STYLE))
        style = {"ha": "right", "va": "center_baseline", "fontsize": FONT_SIZE}
        axis.text(0.93, place, _value_text(value), transform=axis.get_yaxis_transform(), **style)
    title = chart.title
    if chart.limit is not None:
        axis.plot(
            [chart.limit] * 2, [-0.5, len(chart.bars) - 0.5], color=LIMIT_COLOUR, linewidth=1.6, dashes=(4, 2), zorder=4
        )
        title += f"\nlimit {chart.limit:g} (dashed)"
    axis.set_title(title, fontsize=FONT_SIZE, loc="left")
    axis.set_xlim(0, 1.5 * top)
    axis.set_ylim(most_bars - 0.45, -0.55)
    axis.set_yticks(range(len(chart.bars)), [f"{number}" for number, *_ in chart.bars], fontsize=FONT_SIZE)
    axis.set_xticks([])
    axis.spines[:].set_visible(False)
    axis.vlines(0, -0.5, len(chart.bars) - 0.5, color=GRID_COLOUR, linewidth=0.8)
    axis.tick_params(axis="y", length=0)

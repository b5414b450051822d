"""Mass against stiffness: the layouts that a sweep found, and the flat sheets that meet the same demands."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.model.panel import Panel
from stiffen.optimise.search.sweep import SweepPlan, SweepRow, result_of, shown_demand

from .style import FONT_SIZE, GRID_COLOUR, LINE_COLOUR, new_figure, save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOUND_COLOUR, FLAT_COLOUR = "#1f4878", "#c8641e"
LABEL_BELOW, LABEL_ABOVE = -8, 8  # points from a mark to its label
LABEL_SPACING = 0.1  # share of the axis; closer labels would touch
PlotPoint = tuple[float, float]


def sweep_picture(panel: Panel, sweep_plan: SweepPlan, rows: tuple[SweepRow, ...], path: str | Path) -> None:
    """PNG of mass against the value of one demand, a mark for each row, stiffer to the right.

    The demand is that of `shown_demand`, its values those of the shell model.  Open marks: demands not met.  Raises
    InputError if the file cannot be written.
    """
    demand = shown_demand(sweep_plan, rows)
    one = panel.demands[demand]
    figure = new_figure(5.4)
    axis = figure.subplots()
    axis.margins(x=0.12, y=0.2)
    _draw_flat(axis, rows, demand)
    _draw_found(axis, rows, demand)
    if one.at_most:
        axis.invert_xaxis()
    unit = "times" if one.unit == "x" else one.unit
    axis.set_xlabel(f"{one.label} as computed, {unit}; stiffer to the right", fontsize=FONT_SIZE)
    axis.set_ylabel("mass, kg", fontsize=FONT_SIZE)
    axis.set_title(
        f"{panel.name}: mass against stiffness\nat each mark: {sweep_plan.title(panel)}; gauge", fontsize=FONT_SIZE
    )
    axis.set_ylim(bottom=0)
    axis.grid(color=GRID_COLOUR, linewidth=0.6)
    axis.tick_params(labelsize=FONT_SIZE)
    axis.spines[["top", "right"]].set_visible(False)
    axis.legend(fontsize=FONT_SIZE, frameon=True, loc="upper left")
    save_png(figure, path)


def _draw_found(axis: Axes, rows: tuple[SweepRow, ...], demand: int) -> None:
    """Draw the layouts found: mass against the value of the demand."""
    places: dict[PlotPoint, list[SweepRow]] = {}
    for row in rows:
        place = result_of(row, demand).value, row.result.verdict.mass_kg
        if math.isfinite(place[0]):
            places.setdefault(place, []).append(row)
    axis.plot([x for x, _ in sorted(places)], [y for _, y in sorted(places)], "-", color=FOUND_COLOUR, linewidth=1.8)
    in_legend = set()
    left, right = axis.get_xlim()
    free = {LABEL_BELOW: -math.inf, LABEL_ABOVE: -math.inf}  # x up to which labels at this level reach, about
    for place, here in sorted(places.items()):
        met = here[0].result.verdict.met
        label = "layouts found" if met else "best found, NOT MET"
        face = FOUND_COLOUR if met else "white"
        entry = None if label in in_legend else label
        axis.plot(*place, "o", color=FOUND_COLOUR, markersize=8, markerfacecolor=face, label=entry)
        in_legend.add(label)
        level = LABEL_BELOW if place[0] >= free[LABEL_BELOW] or free[LABEL_BELOW] <= free[LABEL_ABOVE] else LABEL_ABOVE
        free[level] = place[0] + LABEL_SPACING * (right - left)
        values = ", ".join(f"{row.value:g}" for row in here)
        axis.annotate(
            f"{values}\n{here[0].result.verdict.layout.gauge:g} mm", place, xytext=(0, level),
            textcoords="offset points", ha="center", va="top" if level < 0 else "bottom", fontsize=FONT_SIZE,
            color=LINE_COLOUR,
        )  # fmt: skip


def _draw_flat(axis: Axes, rows: tuple[SweepRow, ...], demand: int) -> None:
    """Draw the lightest flat sheets that meet the demands of the rows, each once."""
    flat = {
        (baseline.verdict.demands[demand].value, baseline.mass_kg): baseline.gauge_mm
        for baseline in (row.result.flat_baseline for row in rows)
        if baseline.verdict is not None
    }
    if not flat:
        return
    axis.plot(
        *zip(*sorted(flat), strict=True), "s--", color=FLAT_COLOUR, linewidth=1.4, markersize=7,
        markerfacecolor="white", label="flat sheets that meet the same demands",
    )  # fmt: skip
    for place, gauge in flat.items():
        axis.annotate(
            f"{gauge:g} mm", place, xytext=(0, 9), textcoords="offset points", ha="center", fontsize=FONT_SIZE,
            color=LINE_COLOUR,
        )  # fmt: skip

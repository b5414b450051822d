"""Mass against stiffness: the layouts that a sweep found, and the flat sheets that meet the same demands."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.model.panel import Panel
from stiffen.optimise.search.sweep import SweepPlan, SweepRow
from stiffen.output.report.sweep_table import result_of, shown_demand

from .point_labels import PointLabel, label_points
from .style import FONT_SIZE, GRID_COLOUR, LINE_CHARS, figures, name_figure, new_figure, save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOUND_COLOUR, FLAT_COLOUR = "#1f4878", "#c8641e"
AXES_SIZE = (160.0, 108.0)  # mm on paper, about
PlotPoint = tuple[float, float]


def sweep_picture(panel: Panel, sweep_plan: SweepPlan, rows: tuple[SweepRow, ...], path: str | Path) -> None:
    """PNG of mass against the value of one demand, a mark for each row, stiffer to the right.

    The demand is that of `shown_demand`, its values those of the shell model.  Open marks: demands not met.  Raises
    InputError if the file cannot be written.  Triangles: the time limit cut the search short.
    """
    demand = shown_demand(sweep_plan, rows)
    one = panel.demands[demand]
    figure = new_figure(6.0)
    axis = figure.subplots()
    axis.margins(x=0.12, y=0.2)
    flat = _draw_flat(axis, rows, demand)
    places = _draw_found(axis, rows, demand)
    if one.at_most:
        axis.invert_xaxis()
    unit = "times" if one.unit == "x" else one.unit
    axis.set_xlabel(f"{one.label} as computed, {unit}; stiffer to the right", fontsize=FONT_SIZE)
    axis.set_ylabel("mass, kg", fontsize=FONT_SIZE)
    axis.set_ylim(bottom=0)
    labels = [PointLabel(*at, _found_text(sweep_plan, here, demand)) for at, here in sorted(places.items())]
    labels += [PointLabel(*at, f"{gauge:g} mm") for at, gauge in sorted(flat.items())]
    curves = [([x for x, _ in sorted(line)], [y for _, y in sorted(line)]) for line in (places, flat)]
    label_points(axis, labels, curves, AXES_SIZE)
    axis.grid(color=GRID_COLOUR, linewidth=0.6)
    axis.tick_params(labelsize=FONT_SIZE)
    axis.spines[["top", "right"]].set_visible(False)
    axis.legend(fontsize=FONT_SIZE, frameon=False, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2)
    title = f"at each point: {sweep_plan.title(panel)}, asked and reached; gauge"
    name_figure(figure, [f"{panel.name}: mass against stiffness", *textwrap.wrap(title, LINE_CHARS)])
    save_png(figure, path)


def _found_text(sweep_plan: SweepPlan, rows: Sequence[SweepRow], demand: int) -> str:
    """What was asked in these rows and what their layout reached."""
    one_state = len({row.result.verdict.met for row in rows}) == 1  # else the mark shows those that are met
    asked = ", ".join(f"{row.value:g}{'' if one_state or row.result.verdict.met else ' (not met)'}" for row in rows)
    reached, gauge = figures(result_of(rows[0], demand).value), rows[0].result.verdict.layout.gauge
    if sweep_plan.kind == "limit" and sweep_plan.demand == demand:
        return f"asked {asked}\nreached {reached}\n{gauge:g} mm"
    noun = "dies" if sweep_plan.kind == "dies" else "gauge" if sweep_plan.kind == "gauge" else "limit"
    return f"{noun} {asked}\nreached {reached}" + ("" if sweep_plan.kind == "gauge" else f"\n{gauge:g} mm")


def _draw_found(axis: Axes, rows: tuple[SweepRow, ...], demand: int) -> dict[PlotPoint, list[SweepRow]]:
    """Draw the layouts found: mass against the value of the demand.  Returns the rows of each point."""
    places: dict[PlotPoint, list[SweepRow]] = {}
    for row in rows:
        place = result_of(row, demand).value, row.result.verdict.mass_kg
        if math.isfinite(place[0]):
            places.setdefault(place, []).append(row)
    good = sorted(place for place, here in places.items() if any(map(_is_sound, here)))
    axis.plot([x for x, _ in good], [y for _, y in good], "-", color=FOUND_COLOUR, linewidth=1.8)
    in_legend = set()
    for place, here in sorted(places.items()):
        met = [row for row in here if row.result.verdict.met]
        cut_short = all(row.result.cut_short for row in met or here)
        label = f"{'layouts found' if met else 'best found, NOT MET'}{', cut short' if cut_short else ''}"
        axis.plot(
            *place, "^" if cut_short else "o", color=FOUND_COLOUR, markersize=8,
            markerfacecolor=FOUND_COLOUR if met else "white", label=None if label in in_legend else label,
        )  # fmt: skip
        in_legend.add(label)
    return places


def _is_sound(row: SweepRow) -> bool:
    """True for a row that is met and not cut short; the line joins these alone."""
    return row.result.verdict.met and not row.result.cut_short


def _draw_flat(axis: Axes, rows: tuple[SweepRow, ...], demand: int) -> dict[PlotPoint, float]:
    """Draw the lightest flat sheets that meet the demands of the rows, each once.  Returns the gauge at each point."""
    flat = {
        (baseline.verdict.demands[demand].value, baseline.mass_kg): baseline.gauge_mm
        for baseline in (row.result.flat_baseline for row in rows)
        if baseline.verdict is not None and baseline.mass_kg is not None and baseline.gauge_mm is not None
    }
    if flat:
        axis.plot(
            *zip(*sorted(flat), strict=True), "s--", color=FLAT_COLOUR, linewidth=1.4, markersize=7,
            markerfacecolor="white", label="flat sheets that meet the same demands",
        )  # fmt: skip
    return flat

"""Mass against stiffness in one picture: what a sweep found, beside the flat sheets that do as well."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.model.panel import Panel
from stiffen.optimise.search.sweep import Plan, Row, result_of, shown

from .style import INK, LETTERS, PALE, canvas, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOUND, FLAT = "#1f4878", "#c8641e"
BELOW, ABOVE = -8, 8  # points from a mark to its label
CLOSE = 0.1  # of the axis: labels nearer than this would touch
Point = tuple[float, float]


def sweep_picture(panel: Panel, what: Plan, rows: tuple[Row, ...], path: str | Path) -> None:
    """PNG: mass of each row over what the judge found for the demand that stands for stiffness, stiffer to the right.

    Open marks: demands not met.  Raises InputError where the place cannot be written.
    """
    demand = shown(what, rows)
    one = panel.demands[demand]
    figure = canvas(5.4)
    axis = figure.subplots()
    axis.margins(x=0.12, y=0.2)
    _draw_flat(axis, rows, demand)
    _draw_found(axis, rows, demand)
    if one.at_most:
        axis.invert_xaxis()
    unit = "times" if one.unit == "x" else one.unit
    axis.set_xlabel(f"{one.label} as judged, {unit}; stiffer to the right", fontsize=LETTERS)
    axis.set_ylabel("mass, kg", fontsize=LETTERS)
    axis.set_title(f"{panel.name}: mass against stiffness\nat each: {what.head(panel)}; the sheet", fontsize=LETTERS)
    axis.set_ylim(bottom=0)
    axis.grid(color=PALE, linewidth=0.6)
    axis.tick_params(labelsize=LETTERS)
    axis.spines[["top", "right"]].set_visible(False)
    axis.legend(fontsize=LETTERS, frameon=True, loc="upper left")
    save(figure, path)


def _draw_found(axis: Axes, rows: tuple[Row, ...], demand: int) -> None:
    places: dict[Point, list[Row]] = {}
    for row in rows:
        place = result_of(row, demand).value, row.found.verdict.mass_kg
        if math.isfinite(place[0]):
            places.setdefault(place, []).append(row)
    axis.plot([x for x, _ in sorted(places)], [y for _, y in sorted(places)], "-", color=FOUND, linewidth=1.8)
    told = set()
    left, right = axis.get_xlim()
    free = {BELOW: -math.inf, ABOVE: -math.inf}  # where the last label on this level ends, nearly
    for place, here in sorted(places.items()):
        met = here[0].found.verdict.met
        words = "layouts found" if met else "best found, NOT MET"
        face = FOUND if met else "white"
        axis.plot(*place, "o", color=FOUND, markersize=8, markerfacecolor=face, label=None if words in told else words)
        told.add(words)
        level = BELOW if place[0] >= free[BELOW] or free[BELOW] <= free[ABOVE] else ABOVE
        free[level] = place[0] + CLOSE * (right - left)
        values = ", ".join(f"{row.value:g}" for row in here)
        axis.annotate(
            f"{values}\n{here[0].found.verdict.layout.gauge:g} mm", place, xytext=(0, level),
            textcoords="offset points", ha="center", va="top" if level < 0 else "bottom", fontsize=LETTERS, color=INK,
        )  # fmt: skip


def _draw_flat(axis: Axes, rows: tuple[Row, ...], demand: int) -> None:
    """The lightest flat sheets that meet the demands of the rows, each once."""
    flat = {
        (rival.verdict.demands[demand].value, rival.mass_kg): rival.gauge_mm
        for rival in (row.found.rival for row in rows)
        if rival.verdict is not None
    }
    if not flat:
        return
    axis.plot(
        *zip(*sorted(flat), strict=True), "s--", color=FLAT, linewidth=1.4, markersize=7, markerfacecolor="white",
        label="flat sheets that do the same",
    )  # fmt: skip
    for place, gauge in flat.items():
        axis.annotate(
            f"{gauge:g} mm", place, xytext=(0, 9), textcoords="offset points", ha="center", fontsize=LETTERS,
            color=INK,
        )  # fmt: skip

"""Load-deflection curves in one picture, with the load at which they cross."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from stiffen.analysis.panel_model import LINEAR_LIMIT
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .load_deflection import describe_crossing, find_crossings, load_controlled_curve
from .point_labels import PointLabel, label_points
from .style import (
    COLOUR_SCALE,
    FONT_SIZE,
    GRID_COLOUR,
    LINE_CHARS,
    LINE_COLOUR,
    figures,
    name_figure,
    new_figure,
    save_png,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TitledCurve = tuple[str, np.ndarray, np.ndarray]  # title, loads, largest deflections, mm

LINE_STYLES = (("#131f45", "-", "o"), ("#c8641e", "--", "s"), ("#4d8a77", "-.", "^"), ("#8a8a8a", ":", "D"))
CAPTION_LINE_CHARS = 74  # letters in a line below the picture
AXES_SIZE = (165.0, 105.0)  # mm on paper, about
LEGEND_CHARS = 44  # letters of all titles up to which the legend is one line
MAX_MARKED_POINTS = 20  # a curve with more points gets no marks
MAX_LOAD_FACTOR = 1.5  # largest load of a linear curve, over the load of the case


def curve_picture(
    panel: Panel,
    curves: Sequence[TitledCurve],
    path: str | Path,
    *,
    case: str = "",
    load: str = "load factor (1: the load of the case)",
) -> None:
    """PNG of load-deflection curves with their crossings marked and described.

    curves: title, loads (k,), largest deflections (k,) mm, starting at rest.  case: for the title.  load: label of the
    load axis, its unit after a comma.  Raises ValueError for a curve without a load, InputError if the file cannot be
    written.
    """
    figure = new_figure(6.0)
    axis = figure.subplots()
    _draw_curves(axis, curves)
    axis.set_xlabel(load, fontsize=FONT_SIZE)
    axis.set_ylabel("largest deflection, mm", fontsize=FONT_SIZE)
    title = f"{panel.name}, case {case}" if case else panel.name
    name_figure(figure, textwrap.wrap(f"{title}: deflection under a growing load", LINE_CHARS))
    sentences = [_describe_pair(one, other, load) for one, other in pairwise(curves)]
    caption = "\n".join(line for text in sentences for line in textwrap.wrap(text, CAPTION_LINE_CHARS))
    figure.supxlabel(caption, fontsize=FONT_SIZE)
    save_png(figure, path)


def case_curves(titled: Sequence[tuple[str, Verdict]], case: str) -> list[TitledCurve]:
    """The load-deflection curve of a case for each verdict: of the large-deflection solver, else the linear one.

    A linear curve ends at the limit of linear theory.  A verdict without result fields, or without the case, is left
    out.
    """
    curves = []
    for title, verdict in titled:
        fields = verdict.fields
        if fields is None or case not in fields.deflection:
            continue
        if case in fields.curves:
            curve = fields.curves[case]
            curves.append((title, curve.load_factors, curve.largest_deflections))
            continue
        w = float(np.abs(fields.deflection[case]).max())
        end = min(MAX_LOAD_FACTOR, LINEAR_LIMIT * verdict.layout.gauge / w) if w > 0 else MAX_LOAD_FACTOR
        curves.append((f"{title} (linear)", np.array([0.0, end]), np.array([0.0, end * w])))
    return curves


def _describe_pair(one: TitledCurve, other: TitledCurve, load: str) -> str:
    unit = load.split(",")[-1].strip() if "," in load else "times the load"
    return describe_crossing((one[0], other[0]), (one[1:], other[1:]), unit)


def _draw_curves(axis: Axes, curves: Sequence[TitledCurve]) -> None:
    for (title, loads, deflections), (colour, style, mark) in zip(curves, LINE_STYLES, strict=False):
        p, w = load_controlled_curve(loads, deflections)
        axis.plot(p, w, style, color=colour, linewidth=1.8, label=title)
        if len(loads) <= MAX_MARKED_POINTS:
            loaded = np.asarray(loads) > 0
            at = np.asarray(loads)[loaded], np.asarray(deflections)[loaded]
            axis.plot(*at, mark, color=colour, markersize=4.5, markerfacecolor="white")
    crossings = [crossing for one, other in pairwise(curves) for crossing in find_crossings(one[1:], other[1:])]
    for crossing in crossings:
        axis.axvline(crossing.load, color=LINE_COLOUR, linewidth=0.8, dashes=(2, 2))
        axis.plot(
            crossing.load,
            crossing.deflection,
            "o",
            color=COLOUR_SCALE[-1],
            markersize=11,
            markerfacecolor="none",
            mew=1.6,
        )
    axis.axhline(0, color=LINE_COLOUR, linewidth=0.8)
    axis.set_xlim(left=0)
    axis.set_ylim(bottom=0)
    drawn = [load_controlled_curve(loads, deflections) for _, loads, deflections in curves]
    upright = [(np.full(2, crossing.load), np.array(axis.get_ylim())) for crossing in crossings]
    labels = [PointLabel(one.load, one.deflection, f"cross at {figures(one.load, trim=True)}") for one in crossings]
    label_points(axis, labels, [*drawn, *upright], AXES_SIZE)
    axis.grid(color=GRID_COLOUR, linewidth=0.6)
    axis.tick_params(labelsize=FONT_SIZE)
    columns = 1 if sum(len(title) for title, *_ in curves) > LEGEND_CHARS else len(curves)
    axis.legend(fontsize=FONT_SIZE, frameon=False, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=columns)
    axis.spines[["top", "right"]].set_visible(False)

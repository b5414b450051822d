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
from stiffen.output.drawing.primitives import spread

from .load_deflection import Crossing, crossing, raised, tell
from .style import INK, LETTERS, PALE, SCALE, canvas, save

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Titled = tuple[str, np.ndarray, np.ndarray]  # title, loads, largest deflections, mm

LINES = (("#131f45", "-", "o"), ("#c8641e", "--", "s"), ("#4d8a77", "-.", "^"), ("#8a8a8a", ":", "D"))
COLUMN = 74  # letters in a line under the picture
ASIDE, APART = 0.03, 0.06  # of the axes: words from a crossing, and from words to words
MARKED = 20  # points of a curve, so few that each gets a mark
FURTHEST = 1.5  # of the load, as far as a curve goes


def curve_picture(
    panel: Panel,
    curves: Sequence[Titled],
    path: str | Path,
    *,
    case: str = "",
    load: str = "share of the load of the case",
) -> None:
    """PNG of titled curves (title, loads (k,), largest deflections (k,) mm) from rest on, crossings marked and told.

    case: for the title.  load: what the loads are, with their unit.  Raises ValueError for a curve without a load,
    InputError where the place cannot be written.
    """
    figure = canvas(6.0)
    axis = figure.subplots()
    _draw(axis, curves)
    axis.set_xlabel(load, fontsize=LETTERS)
    axis.set_ylabel("largest deflection, mm", fontsize=LETTERS)
    title = f"{panel.name}, case {case}" if case else panel.name
    axis.set_title(f"{title}: deflection under a growing load", fontsize=LETTERS)
    words = [_compare(one, other, load) for one, other in pairwise(curves)]
    under = "\n".join(line for one in words for line in textwrap.wrap(one, COLUMN))
    figure.supxlabel(under, fontsize=LETTERS)
    save(figure, path)


def case_curves(titled: Sequence[tuple[str, Verdict]], case: str) -> list[Titled]:
    """The curve of a case for each verdict: what the large-deflection solver found, else the linear line.

    The line ends where linear theory does.  A verdict without maps, or without the case, is left out.
    """
    found = []
    for title, verdict in titled:
        maps = verdict.maps
        if maps is None or case not in maps.deflection:
            continue
        if case in maps.curves:
            curve = maps.curves[case]
            found.append((title, curve.factors, curve.largest))
            continue
        w = float(np.abs(maps.deflection[case]).max())
        end = min(FURTHEST, LINEAR_LIMIT * verdict.layout.gauge / w) if w > 0 else FURTHEST
        found.append((f"{title} (linear)", np.array([0.0, end]), np.array([0.0, end * w])))
    return found


def _compare(one: Titled, other: Titled, load: str) -> str:
    unit = load.split(",")[-1].strip() if "," in load else "of the load"
    return tell((one[0], other[0]), (one[1:], other[1:]), unit)


def _draw(axis: Axes, curves: Sequence[Titled]) -> None:
    for (title, loads, deflections), (colour, style, mark) in zip(curves, LINES, strict=False):
        p, w = raised(loads, deflections)
        axis.plot(p, w, style, color=colour, linewidth=1.8, label=title)
        if len(loads) <= MARKED:
            some = np.asarray(loads) > 0
            at = np.asarray(loads)[some], np.asarray(deflections)[some]
            axis.plot(*at, mark, color=colour, markersize=4.5, markerfacecolor="white")
    crossings = [place for one, other in pairwise(curves) for place in crossing(one[1:], other[1:])]
    for place in crossings:
        axis.axvline(place.load, color=INK, linewidth=0.8, dashes=(2, 2))
        axis.plot(place.load, place.deflection, "o", color=SCALE[-1], markersize=11, markerfacecolor="none", mew=1.6)
    axis.axhline(0, color=INK, linewidth=0.8)
    axis.set_xlim(left=0)
    axis.set_ylim(bottom=0)
    _tell_crossings(axis, crossings)
    axis.grid(color=PALE, linewidth=0.6)
    axis.tick_params(labelsize=LETTERS)
    axis.legend(fontsize=LETTERS, frameon=True, loc="best")
    axis.spines[["top", "right"]].set_visible(False)


def _tell_crossings(axis: Axes, crossings: Sequence[Crossing]) -> None:
    """The load of each crossing, right of it and below, no two on each other."""
    rising = sorted(crossings, key=lambda place: place.deflection)
    low, high = axis.get_ylim()
    row = APART * (high - low)
    levels = spread([place.deflection - row for place in rising], row, low + 0.7 * row, high)
    for place, level in zip(rising, levels, strict=True):
        axis.annotate(
            f"cross at {place.load:.3g}",
            (place.load, place.deflection),
            xytext=(place.load + ASIDE * axis.get_xlim()[1], level),
            fontsize=LETTERS,
            va="center",
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.8, "shrinkB": 6},
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            zorder=4,
        )

"""The layouts that a search proposes: each drawn to one scale, and below them mass against minutes at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.model.panel import Panel
from stiffen.model.results import Alternative, Proposal

from .point_labels import PointLabel, label_points
from .style import FONT_SIZE, GRID_COLOUR, aspect_ratio, draw_panel_over, new_figure, save_png

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CURVE_COLOUR, PRICE_COLOUR = "#1f4878", "#c8641e"
CURVE_HEIGHT = 3.6  # inches
SHEET_WIDTH = 2.4  # inches, of each drawing
CAPTION_HEIGHT = 1.0  # inches above each drawing
MARKERS = {"lightest": "v", "recommended": "o", "quickest": "s"}
AXES_SIZE = (165.0, 68.0)  # mm on paper, of the diagram, about
ROOM = 0.25  # of the curve's range, left free round it


def proposals_picture(
    panel: Panel, proposals: Sequence[Proposal], alternatives: Sequence[Alternative], path: str | Path
) -> None:
    """PNG of the proposals side by side, and of the curve of mass (kg) against minutes on which they lie.

    Dashed: layouts that cost as much as the recommended one, at `Panel.grams_per_minute`.  Raises InputError if the
    file cannot be written.
    """
    sheets = CAPTION_HEIGHT + SHEET_WIDTH * aspect_ratio(panel)
    figure = new_figure(sheets + CURVE_HEIGHT)
    top, bottom = figure.subfigures(2, 1, squeeze=False, height_ratios=(sheets, CURVE_HEIGHT))[:, 0]
    for axis, proposal in zip(top.subplots(1, len(proposals), squeeze=False)[0], proposals, strict=True):
        _draw_sheet(axis, panel, proposal)
    _draw_curve(bottom.subplots(), panel, proposals, alternatives)
    save_png(figure, path)


def _draw_sheet(axis: Axes, panel: Panel, proposal: Proposal) -> None:
    draw_panel_over(axis, panel, proposal.verdict.layout, casing=False)
    axis.set_aspect("equal")
    axis.set_axis_off()
    mass = f"{proposal.verdict.layout.gauge:g} mm, {proposal.verdict.mass_kg:.3f} kg\n{proposal.minutes:.0f} minutes"
    axis.set_title("\nand ".join(proposal.names) + f"\n{mass}", fontsize=FONT_SIZE)


def _places(proposals: Sequence[Proposal], alternatives: Sequence[Alternative]) -> list[tuple[float, float]]:
    """Minutes and mass (kg) of the layouts to draw, rising.

    What takes fewer minutes at the bench than the quickest proposal has more to measure, and is left out.
    """
    proposed = {(one.minutes, one.verdict.mass_kg) for one in proposals}
    least = min(minutes for minutes, _ in proposed)
    others = {(one.minutes, one.mass_kg) for one in alternatives if one.minutes >= least}
    return sorted(others | proposed)


def _draw_curve(axis: Axes, panel: Panel, proposals: Sequence[Proposal], alternatives: Sequence[Alternative]) -> None:
    places = _places(proposals, alternatives)
    best = [place for k, place in enumerate(places) if all(mass > place[1] for _, mass in places[:k])]
    axis.step([x for x, _ in best], [y for _, y in best], where="post", color=CURVE_COLOUR, linewidth=1.8)
    x0, x1 = places[0][0], max(x for x, _ in places)
    y0, y1 = min(y for _, y in places), max(y for _, y in places)
    wide, high = max(x1 - x0, 5.0), max(y1 - y0, 0.02 * y1)
    axis.set_xlim(x0 - ROOM * wide, x1 + 2 * ROOM * wide)
    axis.set_ylim(y0 - ROOM * high, y1 + ROOM * high)
    curves = [([x for x, _ in best for _ in (0, 1)][1:], [y for _, y in best for _ in (0, 1)][:-1])]
    for proposal in proposals:
        x, y = proposal.minutes, proposal.verdict.mass_kg
        axis.plot(x, y, MARKERS[proposal.names[0]], color=CURVE_COLOUR, markersize=9, zorder=4)
        if "recommended" in proposal.names and panel.grams_per_minute:
            slope = panel.grams_per_minute / 1000
            ends = list(axis.get_xlim())
            curves.append((ends, [y + slope * (x - end) for end in ends]))
            axis.plot(*curves[-1], "--", color=PRICE_COLOUR, linewidth=1.2, zorder=1)
    labels = [PointLabel(one.minutes, one.verdict.mass_kg, " and ".join(one.names)) for one in proposals]
    label_points(axis, labels, curves, AXES_SIZE)
    axis.set_xlabel("minutes at the bench", fontsize=FONT_SIZE)
    axis.set_ylabel("mass, kg", fontsize=FONT_SIZE)
    if panel.grams_per_minute:
        axis.set_title(
            f"dashed: worth the same at {panel.grams_per_minute:g} g a minute", fontsize=FONT_SIZE, color=PRICE_COLOUR
        )
    axis.grid(color=GRID_COLOUR, linewidth=0.6)
    axis.tick_params(labelsize=FONT_SIZE)
    axis.spines[["top", "right"]].set_visible(False)

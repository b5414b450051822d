"""Style and parts shared by all pictures: colours, letters, figure, PNG file, the panel drawn over a map.

The colour scale runs from light to dark, so it stays readable on a grey printer and for every kind of colour vision.
Capitals are 3 mm high on paper.  matplotlib is loaded only when a picture is drawn; its global state is not changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from shapely.geometry import LineString, Polygon

from stiffen.io.files import atomic_write
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOUR_SCALE = ("#fbf7ea", "#ead9a4", "#bcbf8a", "#72a08f", "#3a7490", "#1f4878", "#131f45")  # light to dark
LINE_COLOUR = "#1c1c1c"
GRID_COLOUR = "#d8d8d8"
FIGURE_WIDTH = 7.5  # inches; fits on A4 and Letter in portrait
DPI = 200
FONT_SIZE = 11.8  # points; capitals 3 mm high
BORDER = 0.07  # inches, kept free round what is drawn
LINE_CHARS = 66  # letters in a line across the whole picture


def new_figure(height: float, width: float = FIGURE_WIDTH) -> Figure:
    """An empty white figure of height x width inches."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained", facecolor="white")
    engine = figure.get_layout_engine()
    assert engine is not None
    engine.set(w_pad=BORDER, h_pad=BORDER)
    return figure


def name_figure(figure: Figure, lines: Sequence[str], font_size: float = FONT_SIZE) -> None:
    """Write lines at the top of a figure, which grows by their height."""
    height = 2 * BORDER + 1.25 * font_size / 72 * len(lines)
    width, before = figure.get_size_inches()
    figure.set_size_inches(width, before + height)
    whole = before + height
    engine = figure.get_layout_engine()
    assert engine is not None
    engine.set(rect=(0.0, 0.0, 1.0, before / whole))
    top = 1.0 - BORDER / whole
    name = figure.text(0.5, top, "\n".join(lines), fontsize=font_size, ha="center", va="top")
    name.set_in_layout(False)


def save_png(figure: Figure, path: str | Path) -> None:
    """Write a figure as PNG, under a temporary name that is then renamed.  A dollar sign in a text starts no formula.

    Raises InputError if the file cannot be written.
    """
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        text.set_parse_math(False)
    figure.draw_without_rendering()  # the layout settles in the second drawing
    with atomic_write(path) as fresh:
        figure.savefig(fresh, dpi=DPI, format="png")


def figures(value: float, count: int = 3, trim: bool = False) -> str:
    """A number with so many figures, never with an exponent.  trim: without zeros at the end."""
    if not np.isfinite(value):
        return "no value"
    if value == 0:
        return "0"
    places = max(0, count - 1 - int(np.floor(np.log10(abs(float(f"{value:.{count - 1}e}"))))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if trim and "." in text else text


def aspect_ratio(panel: Panel) -> float:
    """Height over width of the sheet, limited to 0.1 ... 2."""
    x0, y0, x1, y1 = panel.region.bounds
    return min(2.0, max(0.1, (y1 - y0) / (x1 - x0)))


def draw_panel_over(axis: Axes, panel: Panel, layout: Layout, casing: bool = True) -> None:
    """Draw outline, cut-outs, folds, beads and holes over a map: dark lines, by default with a white casing."""
    from matplotlib.patheffects import withStroke

    def line(ring: object, style: str = "-", width: float = 1.0) -> None:
        effects = [withStroke(linewidth=width + 1.4, foreground="white")] if casing else []
        axis.plot(*np.asarray(ring).T[:2], style, color=LINE_COLOUR, linewidth=width, path_effects=effects, zorder=3)

    line(Polygon(panel.outline).exterior.coords, width=1.4)
    for cutout in panel.cutouts:
        axis.fill(*np.asarray(cutout.ring).T, color="white", zorder=2)
        line(Polygon(cutout.ring).exterior.coords)
    for path in panel.fold_lines:
        line(path, "-.", 0.8)
    for bead in layout.beads:
        band = LineString(bead.path).buffer(bead.die.width / 2, cap_style="flat")
        for ring in (band.exterior, *band.interiors):
            line(ring.coords, "-" if bead.side == "up" else "--", 0.8)
    for hole in layout.holes:
        axis.fill(*circle_points(hole.at, hole.die.pilot).T, color="white", zorder=2)
        line(circle_points(hole.at, hole.die.pilot), "-" if hole.side == "up" else "--", 0.8)
    axis.use_sticky_edges = False
    axis.margins(0.01)
    axis.set_aspect("equal")
    axis.set(xticks=[], yticks=[])
    axis.spines[:].set_visible(False)


def circle_points(at: tuple[float, float], diameter: float) -> np.ndarray:
    """(61, 2) points on a circle."""
    angle = np.linspace(0.0, 2 * np.pi, 61)
    return np.column_stack([at[0] + diameter / 2 * np.cos(angle), at[1] + diameter / 2 * np.sin(angle)])

"""Picture of a layout with its sizes, seen on the "up" face.  All lengths in mm, measured from the datum corner."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.explanation import Explanation
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.output.drawing.bench_view import datum_corner, plural
from stiffen.output.drawing.face_marking import positions_around
from stiffen.output.drawing.keep_out_marks import KeepOutMark, keep_out_marks
from stiffen.output.drawing.label_placement import place_labels
from stiffen.output.drawing.primitives import TEXT_CLEARANCE, Label, text_width
from stiffen.output.report.explanation_sections import shade_of
from stiffen.shop.process_plan import ProcessPlan, plan_for
from stiffen.shop.rollability import in_rolling_order

from .bead_labels import place_bead_labels
from .style import (
    FIGURE_WIDTH,
    FONT_SIZE,
    GRID_COLOUR,
    LINE_CHARS,
    LINE_COLOUR,
    aspect_ratio,
    circle_points,
    name_figure,
    new_figure,
    save_png,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.path import Path as MatplotlibPath

FACE_STYLES = {
    "up": ("#b5532a", "-"),
    "down": ("#2a6f97", "--"),
}  # colour and line style of beads and flares, by the face on which they stand
HALO_WIDTH = 3.5  # points; white outline that keeps letters clear of the lines behind them
SHEET_WIDTH_SHARE = 0.82  # of the figure's width, that the sheet takes
LIST_BESIDE_ASPECT = 1.4  # of a sheet as narrow as this (height over width) the list stands beside it
SHEET_SHARE_BESIDE = 0.5  # of the figure's width, for the sheet beside the list
CAPITAL_HEIGHT = 3.0  # mm on paper
FASTENER_RADIUS = 1.0  # mm on paper, of the mark of a rivet or bolt
LIST_LINE_CHARS = 72  # letters in a line of the position list
LIST_COLUMN_GAP = 2  # letters between columns
HATCHES = {45.0: "////", 135.0: r"\\", 90.0: "||||"}  # by the direction of the hatching
LEGEND_CHARS = 34  # letters of one entry of the legend
DARKEST = 0.55  # opacity of the bead that adds most
SHEET_COLOUR, KEEP_OUT_COLOUR = "#f2efe6", "#777777"


def layout_picture(
    panel: Panel,
    layout: Layout,
    path: str | Path,
    *,
    plan: ProcessPlan | None = None,
    verdict: Verdict | None = None,
    explanation: Explanation | None = None,
) -> None:
    """PNG of a layout on the "up" face, beads numbered in rolling order, with a list of all positions below.

    plan: the process plan of this layout, if there is one already.  verdict: of this layout; marks where the push of
    each softness demand deflects the sheet most.  explanation: of this layout; the more a bead adds, the darker it is.
    Raises InputError if the file cannot be written.
    """
    layout = plan_for(panel, layout, plan).layout if plan else in_rolling_order(panel, layout)
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    shape = aspect_ratio(panel)
    beads, holes = _position_rows(panel, layout)
    beside = shape > LIST_BESIDE_ASPECT and bool(beads + holes)
    width = FIGURE_WIDTH * (SHEET_SHARE_BESIDE if beside else 1.0)
    scale = SHEET_WIDTH_SHARE * width * 25.4 / (x1 - x0) * min(1.0, shape * (x1 - x0) / (y1 - y0))
    pushes = [demand for demand in verdict.demands if demand.kind == "softness" and demand.at] if verdict else []
    shaded = explanation is not None and bool(explanation.parts)
    legend_rows = (len(keep_out_marks(panel, layout)) + len(pushes) + 2 * shaded + 1) // 2
    height = 0.86 * width * shape + 1.15 + 0.2 * legend_rows
    listed = [line.replace(" to ", "\n     to ") for line in (*beads, *holes)] if beside else []
    listed = listed or [*_in_columns(beads), *_in_columns(holes)]
    lines = sum(1 + line.count("\n") for line in listed)
    figure = new_figure(max(height, 1.0 + 0.2 * (lines + 2 * legend_rows)) if beside else height + 0.2 * lines)
    if beside:
        axis, aside = figure.subplots(1, 2, width_ratios=(SHEET_SHARE_BESIDE, 1 - SHEET_SHARE_BESIDE))
        aside.set_axis_off()
        draw_layout(axis, panel, layout, scale, verdict, explanation, legend_axis=aside)
        style = {"va": "bottom", "fontsize": FONT_SIZE, "family": "monospace"}
        aside.text(0.0, 0.0, "\n".join(listed), transform=aside.transAxes, **style)
    else:
        draw_layout(figure.subplots(), panel, layout, scale, verdict, explanation)
        figure.supxlabel("\n".join(listed), fontsize=FONT_SIZE, family="monospace", multialignment="left")
    name_figure(figure, _head_lines(panel, layout))
    save_png(figure, path)


def _head_lines(panel: Panel, layout: Layout) -> list[str]:
    """Name, size, sheet, and what is rolled and flared."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    size = f"{x1 - x0:.1f} x {y1 - y0:.1f} mm, {panel.material.name}, {layout.gauge:g} mm thick"
    beads = f"{plural(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll; " if layout.beads else ""
    holes = f"{plural(layout.holes, 'flared hole')}; " if layout.holes else ""
    first = f"{panel.name}: {size}"
    named = [first] if len(first) <= LINE_CHARS else [*textwrap.wrap(panel.name, LINE_CHARS), size]
    return [*named, f"{beads}{holes}seen on the up face"]


def draw_layout(
    axis: Axes,
    panel: Panel,
    layout: Layout,
    scale: float,
    verdict: Verdict | None = None,
    explanation: Explanation | None = None,
    legend_axis: Axes | None = None,
) -> None:
    """Draw the sheet with its beads and holes on axes in mm.

    scale: mm on paper over mm of sheet, about.  legend_axis: empty axes for the legend; default: above the sheet.
    """
    x0, y0 = datum_corner(panel)
    _draw_sheet(axis, panel, layout, (x0, y0))
    for bead in layout.beads:
        draw_bead(axis, bead, np.asarray(bead.path, dtype=float) - (x0, y0), shade_of(explanation, bead) or 0.0)
    for hole in layout.holes:
        draw_hole(axis, hole, (hole.at[0] - x0, hole.at[1] - y0))
    _label_beads(axis, panel, layout, (x0, y0), scale)
    _label_holes(axis, layout, (x0, y0), scale)
    axis.set_aspect("equal")
    axis.set_xlabel("X from the datum corner, mm", fontsize=FONT_SIZE)
    axis.set_ylabel("Y, mm", fontsize=FONT_SIZE)
    axis.tick_params(labelsize=FONT_SIZE)
    axis.grid(color=GRID_COLOUR, linewidth=0.4)
    axis.set_axisbelow(True)
    axis.spines[:].set_visible(False)
    sides = {bead.side for bead in layout.beads} | {hole.side for hole in layout.holes}
    pushes = _draw_worst_pushes(axis, verdict, (x0, y0)) if verdict else []
    shaded = [bead.side for bead in layout.beads if shade_of(explanation, bead)]
    _draw_legend(
        legend_axis or axis, sides, keep_out_marks(panel, layout), [*pushes, *_shade_key(shaded)], legend_axis is None
    )


def _position_rows(panel: Panel, layout: Layout) -> tuple[list[str], list[str]]:
    """The ends of all beads and the centres of all holes, a line of text each."""
    x0, y0 = datum_corner(panel)

    def xy(at: tuple[float, float]) -> tuple[str, str]:
        return f"{at[0] - x0:.1f},", f"{at[1] - y0:.1f}"

    beads = [
        (
            f"{n}",
            bead.die.name,
            *xy(bead.path[0]),
            *(("and", "back", "") if bead.closed else ("to", *xy(bead.path[-1]))),
        )
        for n, bead in enumerate(layout.beads, 1)
    ]
    holes = [
        (f"H{n}", "cut", f"{round(hole.die.cut_diameter, 1):g}", "at", *xy(hole.at))
        for n, hole in enumerate(layout.holes, 1)
    ]
    return _aligned(beads), _aligned(holes)


def _aligned(rows: list[tuple[str, ...]]) -> list[str]:
    """Rows as text in even columns: the first two aligned left, the others right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        " ".join(
            word.ljust(width) if i < 2 else word.rjust(width)
            for i, (word, width) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    ]


def _in_columns(entries: list[str]) -> list[str]:
    """Entries in as many even columns as fit in a line, filled column by column."""
    if not entries:
        return []
    width = max(map(len, entries)) + LIST_COLUMN_GAP
    rows = -(-len(entries) // max(1, (LIST_LINE_CHARS + LIST_COLUMN_GAP) // width))
    return ["".join(entry.ljust(width) for entry in entries[row::rows]).rstrip() for row in range(rows)]


def _draw_sheet(axis: Axes, panel: Panel, layout: Layout, origin: tuple[float, float]) -> None:
    """Draw what the panel file gives: outline, cut-outs, keep-outs that concern the layout, folds, rivets and bolts."""

    def from_origin(points: Iterable) -> np.ndarray:
        return (np.asarray(points, dtype=float) - origin).T

    axis.fill(*from_origin(panel.outline), facecolor=SHEET_COLOUR, edgecolor=LINE_COLOUR, linewidth=1.4)
    for cutout in panel.cutouts:
        axis.fill(*from_origin(cutout.ring), facecolor="white", edgecolor=LINE_COLOUR, linewidth=1.2)
    for mark in _drawn_keep_outs(panel, layout):
        style = {"hatch": HATCHES[mark.hatch_angle], "edgecolor": KEEP_OUT_COLOUR, "linewidth": 0.8}
        for ring in mark.parts:
            axis.fill(*from_origin(ring), fill=False, **style)
        at = max(map(Polygon, mark.parts), key=lambda part: part.area).representative_point()
        axis.text(
            at.x - origin[0], at.y - origin[1], mark.name, ha="center", va="center_baseline", fontsize=FONT_SIZE,
            color=LINE_COLOUR, path_effects=_halo(), zorder=5,
        )  # fmt: skip
    for line in panel.fold_lines:
        axis.plot(*from_origin(line), color=LINE_COLOUR, linewidth=1.0, dashes=(10, 3, 2, 3))
    for support in panel.supports:
        if fasteners := support.fasteners():
            axis.plot(*from_origin(fasteners), "+", color=LINE_COLOUR, markersize=5, markeredgewidth=0.8)


def _drawn_keep_outs(panel: Panel, layout: Layout) -> list[KeepOutMark]:
    """The keep-outs that concern the layout, without those over the whole sheet."""
    return [mark for mark in keep_out_marks(panel, layout) if not mark.over_whole_sheet]


def draw_bead(axis: Axes, bead: Bead, path: np.ndarray, shade: float = 0.0) -> None:
    """Draw a bead's edges and axis.  path: its axis from the datum corner.  shade: 0 ... 1, how dark it is filled."""
    from matplotlib.patches import PathPatch

    colour, style = FACE_STYLES[bead.side]
    band = LineString(path).buffer(bead.die.width / 2, cap_style="flat")
    for edge in (band.exterior, *band.interiors):
        axis.plot(*np.asarray(edge.coords).T, style, color=colour, linewidth=1.1)
    if shade:
        axis.add_patch(
            PathPatch(_outline_path(band), facecolor=colour, edgecolor="none", alpha=DARKEST * shade, zorder=1.5)
        )
    axis.plot(*path.T, color=colour, linewidth=0.8, dashes=(8, 3, 2, 3))


def _outline_path(shape: Polygon) -> MatplotlibPath:
    """The rings of a polygon as one path, holes left open."""
    from matplotlib.path import Path as MatplotlibPath

    rings = [np.asarray(ring.coords) for ring in (shape.exterior, *shape.interiors)]
    return MatplotlibPath.make_compound_path(*(MatplotlibPath(ring, closed=True) for ring in rings))


def _label_beads(axis: Axes, panel: Panel, layout: Layout, origin: tuple[float, float], scale: float) -> None:
    """Write number, die and length of each bead on it, clear of everything else that is drawn."""

    def from_origin(shape: BaseGeometry) -> BaseGeometry:
        return translate(shape, -origin[0], -origin[1])

    rings = [Polygon(panel.outline).exterior, *(Polygon(cutout.ring).exterior for cutout in panel.cutouts)]
    marks = [Polygon(part) for mark in _drawn_keep_outs(panel, layout) for part in mark.parts]
    folds = [LineString(line) for line in panel.fold_lines]
    fasteners = [Point(at).buffer(FASTENER_RADIUS / scale) for one in panel.supports for at in one.fasteners()]
    flares = [Point(hole.at).buffer(hole.die.flange / 2) for hole in layout.holes]
    obstacles = [
        from_origin(shape.buffer(TEXT_CLEARANCE / scale)) for shape in (*rings, *marks, *folds, *fasteners, *flares)
    ]
    for line in place_bead_labels(layout.beads, obstacles, origin, CAPITAL_HEIGHT / scale):
        axis.text(
            *line.at, line.text, rotation=line.rotation, rotation_mode="anchor", ha="center", va="baseline",
            fontsize=FONT_SIZE, color=LINE_COLOUR, zorder=5,
            bbox={"facecolor": SHEET_COLOUR, "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip


def draw_hole(axis: Axes, hole: Hole, at: tuple[float, float]) -> None:
    """Draw a flared hole: the edge of its flare, and the pilot hole.  at: its centre from the datum corner, mm."""
    colour, style = FACE_STYLES[hole.side]
    axis.plot(*circle_points(at, hole.die.flange).T, style, color=colour, linewidth=0.9)
    axis.fill(*circle_points(at, hole.die.pilot).T, facecolor="white", edgecolor=colour, linewidth=1.1)


def _label_holes(axis: Axes, layout: Layout, datum_corner: tuple[float, float], scale: float) -> None:
    """Write H1, H2, ... in the middle of each hole if the flare is wide enough, else beside it."""
    height, (x0, y0) = CAPITAL_HEIGHT / scale, datum_corner
    labels = []
    for number, hole in enumerate(layout.holes, 1):
        (x, y), name = (hole.at[0] - x0, hole.at[1] - y0), f"H{number}"
        inside = [(x, y, 0.0)] if text_width(name, height) < hole.die.flange else []
        beside = positions_around((x, y), hole.die.flange / 2, name, height)
        labels.append(Label("", name, Point(x, y), (*inside, *beside)))
    style = {"fontsize": FONT_SIZE, "color": LINE_COLOUR, "path_effects": _halo(), "zorder": 5}
    for line in (line for lines in place_labels(labels, [], height).values() for line in lines):
        axis.text(*line.at, line.text, ha="center", va="baseline", **style)


def _draw_worst_pushes(axis: Axes, verdict: Verdict, origin: tuple[float, float]) -> list:
    """Mark the softest place of each softness demand; returns the marks for the legend."""
    marks = []
    for demand in verdict.demands:
        if demand.kind == "softness" and demand.at:
            x, y = demand.at[0] - origin[0], demand.at[1] - origin[1]
            label = f"worst push, {demand.force:g} N: {demand.value:.2g} mm"
            marks += axis.plot(
                [x], [y], "X", markersize=9, color=LINE_COLOUR, markeredgecolor="white", label=label, zorder=6
            )
    return marks


def _halo() -> list:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=HALO_WIDTH, foreground="white")]


def _shade_key(sides: Sequence[str]) -> list:
    """The legend's entry for shaded beads; none if there are none."""
    from matplotlib.patches import Patch

    return [
        Patch(facecolor=FACE_STYLES[side][0], alpha=DARKEST, label="the darker, the more it adds") for side in sides[:1]
    ]


def _draw_legend(axis: Axes, used: set[str], keep_outs: Sequence[KeepOutMark], pushes: list, above: bool) -> None:
    """Draw the legend: the faces on which beads and flares stand proud, each keep-out, the worst pushes."""
    from matplotlib.patches import Patch

    handles = [
        Patch(fill=False, edgecolor=colour, linestyle=style, label=f"stands proud {side}")
        for side, (colour, style) in FACE_STYLES.items()
        if side in used
    ]
    for mark in keep_outs:
        label = textwrap.shorten(mark.text, LEGEND_CHARS, placeholder="..")
        style = {"edgecolor": KEEP_OUT_COLOUR, "hatch": HATCHES[mark.hatch_angle]}
        if mark.over_whole_sheet:  # not hatched in the picture either
            label, style = f"{label} (whole sheet)", {"edgecolor": "none"}
        handles.append(Patch(fill=False, label=label, **style))
    handles += pushes
    if not handles:
        return
    columns = (2 if keep_outs or pushes else 3) if above else 1
    where = {"loc": "lower center" if above else "upper left", "bbox_to_anchor": (0.5, 1.0) if above else (0.0, 1.0)}
    axis.legend(handles=handles, ncols=columns, frameon=False, fontsize=FONT_SIZE, borderaxespad=0.2, **where)

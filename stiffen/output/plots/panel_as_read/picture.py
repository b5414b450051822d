"""Picture of a panel as it was read: what holds it, what pushes on it, what must stay clear, what is asked of it.

Each thing has its mark in the picture and a row in the list, which says in words what was understood.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely.geometry import Polygon

from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.output.drawing.folded_view import FACE_GREY, FoldedView, folded_view
from stiffen.output.drawing.keep_out_marks import keep_out_marks
from stiffen.output.drawing.label_placement import place_labels

from ..layout_picture import draw_bead, draw_hole
from ..style import FIGURE_WIDTH, FONT_SIZE, LINE_COLOUR, save_png
from .canvas import LETTER, Canvas, draw_arrow
from .load_marks import draw_load, draw_worst_places
from .row_list import INTRO, LETTER_WIDTH, LINE, LIST_FONT, wrapped_rows, write_list
from .sheet_marks import (
    draw_datum,
    draw_keep_out,
    draw_mass,
    draw_sheet,
    draw_trim,
    keep_clear_of_bead,
    keep_clear_of_hole,
)
from .support_marks import draw_support
from .words import head_lines, panel_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = FIGURE_WIDTH * 25.4  # of the figure, mm; the other lengths below too
EDGE, ROOM, TOP_ROOM = 4.0, 13.0, 8.5  # free border; room round and over the sheet for supports, labels and sizes
TALL = 1.25  # a sheet higher than this times its width has the list beside it
TALL_WIDTH, MIN_TALL_HEIGHT, MAX_SHEET_HEIGHT = 84.0, 120.0, 215.0  # of a sheet beside a list; of any sheet
HEAD_LINE, HEAD_LETTER_WIDTH = 5.6, 2.35  # from line to line of the head; of a letter, on average
FOLDED_SIZE = (62.0, 46.0)  # the folded part, beside or above the list
SIZE_FONT, LABEL_FONT = 10.5, 11.0
LOAD_ORDER = ("line", "patch", "pressure", "inertia")  # in which loads are drawn: first those with one place


def panel_picture(panel: Panel, path: str | Path, *, verdict: Verdict | None = None) -> None:
    """PNG of a panel as read.

    verdict: of a layout of this panel; marks where a patch at the worst place deflects the sheet most.
    Raises InputError if the file cannot be written.
    """
    save_png(panel_figure(panel, verdict), path)


def panel_figure(panel: Panel, verdict: Verdict | None = None) -> Figure:
    """The figure of `panel_picture`."""
    from matplotlib.figure import Figure

    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    wide, high = x1 - x0, y1 - y0
    beside = high > TALL * wide
    folded = folded_view(panel, panel.layout())
    folded_height = FOLDED_SIZE[1] + LINE if folded else 0.0
    sheet_width = min(TALL_WIDTH, MAX_SHEET_HEIGHT / high * wide) if beside else WIDTH - 2 * (EDGE + ROOM)
    list_left = EDGE + sheet_width + 2 * ROOM if beside else EDGE
    list_width = WIDTH - EDGE - list_left - (FOLDED_SIZE[0] + 3 if folded and not beside else 0.0)
    intro = textwrap.wrap(INTRO, int(list_width / LETTER_WIDTH))
    lines = wrapped_rows(panel_rows(panel), list_width)
    list_height = LINE * (sum(len(texts) for _, texts in lines) + len(intro))
    most = min(MAX_SHEET_HEIGHT, max(MIN_TALL_HEIGHT, list_height + folded_height)) if beside else MAX_SHEET_HEIGHT
    scale = min(sheet_width / wide, most / high)
    room, drawn = scale * wide + 2 * ROOM, scale * high + ROOM + TOP_ROOM
    head = [
        line for text in head_lines(panel) for line in textwrap.wrap(text, int((WIDTH - 2 * EDGE) / HEAD_LETTER_WIDTH))
    ]
    head_height = HEAD_LINE * len(head) + EDGE
    if beside:
        height = head_height + max(drawn, list_height + folded_height + TOP_ROOM) + EDGE
    else:
        height = head_height + drawn + max(list_height, folded_height) + EDGE
    figure = Figure(figsize=(WIDTH / 25.4, height / 25.4), facecolor="white")
    top = height - head_height

    def place(left: float, bottom: float, width: float, tall: float) -> Axes:
        axis = figure.add_axes((left / WIDTH, bottom / height, width / WIDTH, tall / height))
        axis.set(xlim=(0, width), ylim=(0, tall))
        axis.set_axis_off()
        return axis

    for number, text in enumerate(head):
        at = (height - EDGE - HEAD_LINE * number) / height
        figure.text(EDGE / WIDTH, at, text, fontsize=FONT_SIZE + (1.5 if not number else 0), va="top",
                    weight="bold" if not number else "normal", color=LINE_COLOUR)  # fmt: skip
    left = (list_left - room) / 2 if beside else (WIDTH - room) / 2
    axis = place(left, top - drawn, room, drawn)
    reach = ROOM / scale
    axis.set(xlim=(-reach, wide + reach), ylim=(-reach, high + TOP_ROOM / scale))
    _draw(axis, panel, scale, verdict)
    list_top = top - TOP_ROOM if beside else top - drawn
    if folded:
        at = (
            (list_left, list_top - FOLDED_SIZE[1])
            if beside
            else (WIDTH - EDGE - FOLDED_SIZE[0], list_top - FOLDED_SIZE[1])
        )
        _draw_folded(place(*at, *FOLDED_SIZE), folded)
        list_top -= folded_height if beside else 0.0
    write_list(place(list_left, list_top - list_height, list_width, list_height), intro, lines, list_height)
    return figure


def _draw(axis: Axes, panel: Panel, scale: float, verdict: Verdict | None) -> None:
    """Draw all marks, then their labels where they cover nothing."""
    from matplotlib.patheffects import withStroke

    marks = Canvas(axis, panel, scale)
    draw_sheet(marks)
    draw_datum(marks)
    _draw_sizes(axis, marks, panel)
    for number, trim in enumerate(panel.trims, 1):
        draw_trim(marks, f"T{number}", trim.path)
    for bead in panel.beads:
        draw_bead(axis, bead, marks.points(bead.path))
        keep_clear_of_bead(marks, bead)
    for hole in panel.holes:
        draw_hole(axis, hole, tuple(marks.points(hole.at)[0]))
        keep_clear_of_hole(marks, hole)
    for keep_out in keep_out_marks(panel):
        draw_keep_out(marks, keep_out)
    for number, support in enumerate(panel.supports, 1):
        draw_support(marks, f"S{number}", support)
    for number, mass in enumerate(panel.masses, 1):
        draw_mass(marks, f"M{number}", mass.at)
    whole = 0
    order = sorted(enumerate(panel.loads, 1), key=lambda pair: LOAD_ORDER.index(pair[1].kind))
    for number, load in order:
        draw_load(marks, f"L{number}", load, whole)
        whole += load.kind == "inertia" or (load.kind == "pressure" and not load.polygon)
    if verdict:
        draw_worst_places(marks, verdict)
    height = LETTER / scale
    fewest_places_first = sorted((label for label, _ in marks.labels), key=lambda label: len(label.positions))
    placed = place_labels(fewest_places_first, marks.obstacles, height)
    colours = dict(marks.labels)
    halo = [withStroke(linewidth=2.5, foreground="white")]
    for label, lines in placed.items():
        for line in lines:
            axis.text(
                *line.at, line.text, rotation=line.rotation, rotation_mode="anchor", ha="center", va="baseline",
                fontsize=LABEL_FONT, weight="bold", color=colours[label], path_effects=halo, zorder=6,
            )  # fmt: skip


def _draw_sizes(axis: Axes, marks: Canvas, panel: Panel) -> None:
    """The two outer sizes, as dimension lines under the sheet and to its right."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    wide, high, off = x1 - x0, y1 - y0, (ROOM - 3.2) / marks.scale
    for ends, text, at, turn in (
        (((0.0, -off), (wide, -off)), f"{round(wide, 1):g}", (wide / 2, -off), 0),
        (((wide + off, 0.0), (wide + off, high)), f"{round(high, 1):g}", (wide + off, high / 2), 90),
    ):
        draw_arrow(axis, ends[0], ends[1], LINE_COLOUR, 0.7, "<|-|>")
        box = {"facecolor": "white", "edgecolor": "none", "pad": 1.2}
        style: Any = {"fontsize": SIZE_FONT, "color": LINE_COLOUR, "zorder": 5, "bbox": box}
        axis.text(at[0], at[1], text, rotation=turn, ha="center", va="center", **style)
        marks.keep_clear_of_line(ends, 1.6)
        marks.keep_clear_of_line((at, at), 4.0)


def _draw_folded(axis: Axes, view: FoldedView) -> None:
    """The folded part from one side and above; the up face is white, the down face grey."""
    (width, height), (wide, high) = FOLDED_SIZE, view.size
    scale = min((width - 4) / wide, (height - 9) / high)
    shift = np.array([(width - scale * wide) / 2, (height - 5 - scale * high) / 2])

    def on_paper(points: Sequence) -> np.ndarray:
        return np.asarray(points).reshape(-1, 2) * scale + shift

    for face in view.faces:
        grey = f"{FACE_GREY[face.is_up]}"
        axis.fill(*on_paper(face.rings[0]).T, facecolor=grey, edgecolor=grey, linewidth=0.3)
        for ring in face.rings[1:]:
            axis.fill(*on_paper(ring).T, facecolor="white", linewidth=0)
        for edge in face.edges:
            axis.plot(*on_paper(edge).T, color=LINE_COLOUR, linewidth=0.9)
    x, y = on_paper(view.up)[0]
    axis.text(x, y, "UP FACE", ha="center", va="center", fontsize=8, color=LINE_COLOUR)
    axis.text(width / 2, height - 1, "folded", ha="center", va="top", fontsize=LIST_FONT, color=LINE_COLOUR)

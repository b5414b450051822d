"""The list below the picture: a row for each thing, with its mark and its symbol.  mm on paper."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..layout_picture import FACE_STYLES, HATCHES, KEEP_OUT_COLOUR
from ..style import LINE_COLOUR, circle_points
from .canvas import draw_arrow
from .load_marks import LOAD_COLOUR
from .sheet_marks import FOLDED_COLOURS, TRIM_COLOUR
from .support_marks import SUPPORT_COLOUR
from .words import PanelRow

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LINE = 5.4  # from line to line
MARK_WIDTH, SYMBOL_WIDTH = 13.0, 9.0  # columns before the text
LETTER_WIDTH = 2.06  # of a letter, on average
LIST_FONT = 10.5
NUMBER_AND_UNIT = re.compile(r"(\d) (mm|kg|N|Hz|kPa)\b")  # stay on one line
INTRO = "Seen on the up face. X and Y count from the datum corner, in mm."


def wrapped_rows(rows: Sequence[PanelRow], width: float) -> list[tuple[PanelRow, list[str]]]:
    """Each row with the lines of its text."""
    letters = int((width - MARK_WIDTH - SYMBOL_WIDTH) / LETTER_WIDTH)
    return [(row, textwrap.wrap(NUMBER_AND_UNIT.sub("\\1\u00a0\\2", row.text), letters)) for row in rows]


def write_list(axis: Axes, intro: list[str], lines: list[tuple[PanelRow, list[str]]], height: float) -> None:
    """A row for each thing: its mark, its symbol, what was understood of it."""
    level = height - LINE / 2
    style: Any = {"fontsize": LIST_FONT, "color": LINE_COLOUR, "va": "center_baseline"}
    for number, text in enumerate(intro):
        level -= LINE if number else 0.0
        axis.text(0, level, text, **style)
    asked = False
    for row, texts in lines:
        level -= LINE
        first = row.kind == "demand" and not asked
        asked = asked or row.kind == "demand"
        axis.text(0, level, row.mark or ("asked" if first else ""), weight="bold", **style)
        _draw_symbol(axis, row, MARK_WIDTH + SYMBOL_WIDTH / 2 - 1, level)
        for number, text in enumerate(texts):
            level -= LINE if number else 0.0
            axis.text(MARK_WIDTH + SYMBOL_WIDTH, level, text, **style)


def _draw_symbol(axis: Axes, row: PanelRow, x: float, y: float) -> None:
    """The symbol of a row, 6 mm wide, in the colours of the picture."""
    ends = [x - 3, x + 3]
    clamped = "cannot tilt" in row.text and "square" not in row.text
    if row.kind in ("edge", "rest"):
        axis.plot(ends, [y + 1, y + 1], color=SUPPORT_COLOUR, linewidth=2.4)
        if row.kind == "edge":
            for tick in np.arange(x - 2.6, x + 3.1, 1.4):
                if clamped:
                    axis.plot([tick - 1, tick], [y + 1, y - 1], color=SUPPORT_COLOUR, linewidth=0.8)
                axis.plot([tick, tick - 1], [y + 1, y - 1], color=SUPPORT_COLOUR, linewidth=0.8)
        else:
            axis.plot([x - 1.8, x, x + 1.8], [y - 0.5] * 3, "o", mfc="white", color=SUPPORT_COLOUR, markersize=4)
    elif row.kind in ("rivets", "bolts"):
        axis.plot(
            [x],
            [y],
            "o" if row.kind == "rivets" else "H",
            mfc=SUPPORT_COLOUR if clamped else "white",
            color=SUPPORT_COLOUR,
            markersize=7,
        )
        if not clamped:
            axis.plot([x], [y], "+", color=SUPPORT_COLOUR, markersize=4)
    elif row.kind in ("pressure", "patch", "line", "inertia"):
        if "up face" not in row.text and "down face" not in row.text:  # in the plane of the sheet
            draw_arrow(axis, (x - 3.2, y), (x + 3.2, y), LOAD_COLOUR, 1.2)
            return
        axis.plot([x], [y], "o", mfc="white", color=LOAD_COLOUR, markersize=8)
        away = "onto the down face" not in row.text and "toward the up face" not in row.text
        axis.plot([x], [y], "x" if away else "o", color=LOAD_COLOUR, markersize=5 if away else 3)
    elif row.kind == "keep_out":
        kinds = [kind for kind in ("bead", "hole") if kind in row.text.split(" here")[0]]
        angle = 45.0 if len(kinds) == 2 else 135.0 if kinds == ["bead"] else 90.0
        axis.fill([x - 3, x + 3, x + 3, x - 3], [y - 1.7, y - 1.7, y + 1.7, y + 1.7], fill=False,
                  hatch=2 * HATCHES[angle], edgecolor=KEEP_OUT_COLOUR, linewidth=0.8)  # fmt: skip
    elif row.kind == "trim":
        axis.plot(ends, [y, y], color=TRIM_COLOUR, linewidth=4.5, alpha=0.55)
    elif row.kind == "mass":
        axis.plot([x], [y], "s", color=LINE_COLOUR, markersize=7)
    elif row.kind in ("bead", "hole"):
        colour, dashes = FACE_STYLES["up" if "proud up" in row.text else "down"]
        if row.kind == "bead":
            for side in (-1.1, 1.1):
                axis.plot(ends, [y + side, y + side], dashes, color=colour, linewidth=1.1)
        else:
            axis.plot(*circle_points((x, y), 3.6).T, dashes, color=colour, linewidth=0.9)
            axis.plot(*circle_points((x, y), 2.2).T, color=colour, linewidth=1.1)
    elif row.kind == "fold":
        axis.fill(
            [x - 3, x + 3, x + 3, x - 3],
            [y, y, y - 1.8, y - 1.8],
            color=FOLDED_COLOURS["the up face" in row.text],
            linewidth=0,
        )
        axis.plot(ends, [y, y], color=LINE_COLOUR, linewidth=1.1, dashes=(6, 2, 1, 2))

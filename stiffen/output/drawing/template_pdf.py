"""The paper template: the marking of one face at 1:1, to lay on the sheet metal and punch through.

On A4 or Letter it takes several sheets of paper, after a first page with their map.  On a roll it is one long sheet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from shapely.geometry import Point, Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop.process_plan import ProcessPlan

from .bench_view import FaceView, face_view
from .dxf_writer import LAYERS
from .face_marking import build_marking, positions_around
from .pdf import MIN_CAPITAL_HEIGHT, PAPER_SIZES, Page, PdfDocument, printed_width, wrap_words
from .primitives import XY, Hatch, Label, Marking
from .running_dimensions import running_dimensions
from .tiling import (
    CAPITAL_HEIGHT,
    FOOT_STRIP,
    LEGEND_ROW_PITCH,
    SIDE_STRIP,
    UNPRINTABLE_EDGE,
    Tile,
    Tiling,
    draw_legend,
    draw_map,
    draw_page_footer,
    draw_tile,
    place_texts,
    roll_width,
    tile_drawing,
    tile_marking,
    used_tiles,
)
from .title_block import CAUTIONS

MAX_TILES = 150  # sheets of paper; a larger drawing goes on a roll
LINE_PITCH = 1.65 * MIN_CAPITAL_HEIGHT  # from one line of text to the next, mm


def write_template(
    panel: Panel,
    layout: Layout,
    path: str | Path,
    *,
    plan: ProcessPlan | None = None,
    face: str = "up",
    paper: str = "a4",
) -> None:
    """Write the template of one face as PDF; the "down" face is mirrored, for marking the back.

    plan: the process plan of this layout; made here if None.  paper: "a4", "letter" or "roll"; a panel that needs
    more than 150 sheets of paper goes on a roll.  The file is written under a temporary name, then renamed.  Raises
    InputError if it cannot be written.
    """
    view = face_view(panel, layout, face, plan)
    marking = build_marking(view, CAPITAL_HEIGHT)
    marking = replace(marking, labels=(*marking.labels, *_row_labels(view, CAPITAL_HEIGHT)))
    tiling = tile_marking(marking, paper, _roll_foot_height(view, marking))
    tiles = used_tiles(tiling, marking)
    if len(tiles) > MAX_TILES:
        tiling = tile_drawing(marking.bounds, "roll", _roll_foot_height(view, marking))
        tiles = used_tiles(tiling, marking)
    cover = tiling.paper != "roll" or len(tiles) > 1
    pages = len(tiles) + cover
    texts = place_texts(tiling, tiles, marking, CAPITAL_HEIGHT)
    footer = panel.name, f"{face} face, {layout.gauge:g} mm sheet"
    with PdfDocument(path, f"{panel.name}: template, {face} face") as document:
        if cover:
            _draw_cover(document, view, marking, tiling, tiles, pages)
        for number, tile in enumerate(tiles, 1 + cover):
            page = document.new_page(tiling.width, tiling.height)
            name = tile.name if cover else ""
            draw_page_footer(page, tiling.foot, (*footer, f"page {number} of {pages}, 1:1, mm"), name)
            draw_tile(page, tiling, tile, marking, texts[tile])
            if not cover:
                _draw_roll_foot(page, view, marking, tiling)


def _draw_cover(
    document: PdfDocument, view: FaceView, marking: Marking, tiling: Tiling, tiles: tuple[Tile, ...], pages: int
) -> None:
    """Draw the first page: map of the sheets, instructions, legend, cautions."""
    paper_width, paper_height = PAPER_SIZES.get(tiling.paper, PAPER_SIZES["a4"])
    page = document.new_page(paper_width, paper_height)
    draw_page_footer(page, FOOT_STRIP, (view.panel.name, f"{view.face} face", f"page 1 of {pages}: map of the sheets"))
    left, right = UNPRINTABLE_EDGE + SIDE_STRIP, paper_width - UNPRINTABLE_EDGE
    rows, width = legend_rows(marking), right - left
    steps = [wrap_words(step, width - 6.0) for step in (*_instructions(view, len(tiles) > 1), *_rows_to_check(view))]
    cautions = [line for caution in CAUTIONS for line in wrap_words(caution, width)]
    y = paper_height - UNPRINTABLE_EDGE - 6.0
    title = f"{view.panel.name}: paper template"
    large = min(6.0, max(4.5, 6.0 * width / printed_width(title, 6.0, bold=True)))
    for line in wrap_words(title, width, large, bold=True):
        page.text((left, y), line, large, bold=True)
        y -= 1.5 * large
    y += 1.5 * large
    y = _draw_lines(
        page,
        (left, y - LINE_PITCH),
        [line for text in _description(view, tiling.paper.capitalize()) for line in wrap_words(text, width)],
    )
    low = UNPRINTABLE_EDGE + FOOT_STRIP + len(cautions) * LINE_PITCH
    _draw_lines(page, (left, low), cautions)
    low += LINE_PITCH + len(rows) * LEGEND_ROW_PITCH
    draw_legend(page, (left, low), width, rows)
    low += 2.0 * LINE_PITCH + sum(map(len, steps)) * LINE_PITCH
    at = low
    for number, lines in enumerate(steps, 1):
        page.text((left, at - LINE_PITCH), f"{number}.", MIN_CAPITAL_HEIGHT)
        at = _draw_lines(page, (left + 6.0, at), lines)
    draw_map(page, (left, low + LINE_PITCH, right, y - LINE_PITCH), tiling, tiles, marking)


def _draw_lines(page: Page, at: XY, lines: Iterable[str]) -> float:
    """Draw lines of text from `at` down; return the y of the last."""
    x, y = at
    for line in lines:
        y -= LINE_PITCH
        page.text((x, y), line, MIN_CAPITAL_HEIGHT)
    return y


def _description(view: FaceView, paper: str) -> list[str]:
    """Material, thickness, paper and face of the template."""
    if view.face == "up":
        face = "For the UP face."
    else:
        face = "MIRRORED, for the DOWN face: lay it on the back of the sheet."
    if view.raised_roll:
        face += f" With this face up in the roller, the raised roll is {view.raised_roll}."
    return [f"{view.panel.material.name}, {view.layout.gauge:g} mm. Paper: {paper}.", face]


def _instructions(view: FaceView, joined: bool) -> list[str]:
    """The steps from the printer to the marked sheet."""
    x0, y0, x1, y1 = Polygon(view.panel.outline).bounds
    ends = "both ends of each bead axis and at " if view.layout.beads else ""
    join = ("Overlap the sheets so that crosses of the same name meet, and tape them. Cut off paper that hides lines.",)
    return [
        'Print at 100 % ("actual size"), never "fit to page". Measure both 100 mm bars on every sheet of paper.',
        *(join if joined else ()),
        f"Before you mark, measure the finished outline: {x1 - x0:.1f} mm wide, {y1 - y0:.1f} mm high.",
        f"Tape the paper to the sheet. Punch through at {ends}each hole centre; scribe.",
    ]


def _rows_to_check(view: FaceView) -> list[str]:
    """What to check with a tape after marking: rows at one pitch, from the datum edges."""
    rows = [
        f"{one.text.split('   ')[0]}: {axis} {one.value:.1f}, {one.row}"
        for along, axis in enumerate("XY")
        for one in running_dimensions(view, along)
        if one.row
    ]
    return [f"Check the rows with a tape. {'; '.join(rows)}."] if rows else []


def _row_labels(view: FaceView, height: float) -> Iterator[Label]:
    """Start and pitch of each row, beside its first hole or the end of its first bead; none where there is no room."""
    for along, axis in enumerate("XY"):
        for one in running_dimensions(view, along):
            for row, at in one.starts:
                text = f"{axis} {one.value:.1f}, {row}"
                radii = [hole.die.flange / 2 for hole in view.layout.holes if hole.at == at]
                radius = radii[0] if radii else max(bead.die.width for bead in view.layout.beads) / 2
                positions = [
                    place
                    for further in (0.0, 3.0, 6.0)
                    for place in positions_around(at, radius + further * height, text, height)
                ]
                yield Label("NUMBER", text, Point(at), tuple(positions), optional=True)


PURPOSE_WITHOUT_BEADS = {"CUT": "finished outline and cut-outs: cut here"}


def legend_rows(marking: Marking) -> list[tuple[str, str]]:
    """The layers on the drawing, and the purpose of their lines."""
    used = {item.layer for item in marking.items if not isinstance(item, Hatch)}
    rolled = used & {"BEAD AXIS", "OTHER FACE"}
    return [
        (layer, LAYERS[layer][-1] if rolled else PURPOSE_WITHOUT_BEADS.get(layer, LAYERS[layer][-1]))
        for layer in LAYERS
        if layer in used
    ]


LEGEND_COLUMN_WIDTH = 185.0  # mm, for the longest row of the legend


def _roll_foot_lines(view: FaceView, width: float) -> list[str]:
    """Description, instructions and cautions, in lines of at most `width` mm."""
    return [
        line
        for text in (
            *_description(view, "one roll"),
            *_instructions(view, joined=False),
            *_rows_to_check(view),
            *CAUTIONS,
        )  # fmt: skip
        for line in wrap_words(text, width)
    ]


def _roll_foot_height(view: FaceView, marking: Marking) -> float:
    """Height of the strip at the foot of a roll, mm."""
    width = roll_width(marking.bounds) - 2 * UNPRINTABLE_EDGE - SIDE_STRIP
    rows = math.ceil(len(legend_rows(marking)) / max(1, width // LEGEND_COLUMN_WIDTH))
    return FOOT_STRIP + rows * LEGEND_ROW_PITCH + len(_roll_foot_lines(view, width)) * LINE_PITCH + 10.0


def _draw_roll_foot(page: Page, view: FaceView, marking: Marking, tiling: Tiling) -> None:
    """Draw the legend, in as many columns as fit, then description, instructions and cautions."""
    rows, width = legend_rows(marking), page.width - 2 * UNPRINTABLE_EDGE - SIDE_STRIP
    columns = max(1, int(width // LEGEND_COLUMN_WIDTH))
    deep, top = math.ceil(len(rows) / columns), UNPRINTABLE_EDGE + tiling.foot - 6.0
    for column in range(columns):
        at = UNPRINTABLE_EDGE + SIDE_STRIP + column * width / columns, top
        draw_legend(page, at, width / columns - 2.0, rows[column * deep : (column + 1) * deep])
    lines_at = UNPRINTABLE_EDGE + SIDE_STRIP, top - deep * LEGEND_ROW_PITCH + 1.0
    _draw_lines(page, lines_at, _roll_foot_lines(view, width))

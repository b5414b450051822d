"""The paper template: the marking of one face at 1:1, to lay on the sheet and punch through.

On A4 or Letter it goes over several sheets, after a first page with their map; on a roll it is one long sheet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

from shapely.geometry import Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop.process_plan import ProcessPlan

from .bench_view import FaceView, face_view
from .dxf_writer import LAYERS
from .face_marking import build_marking
from .pdf import MIN_CAPITAL_HEIGHT, PAPER_SIZES, Page, PdfDocument, printed_width, wrap_words
from .primitives import XY, Hatch, Marking
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
    used_tiles,
)
from .title_block import CAUTIONS

MAX_TILES = 150  # sheets; beyond that a roll is taken
LINE_PITCH = 1.65 * MIN_CAPITAL_HEIGHT  # from one line of words to the next, mm


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

    paper: "a4", "letter" or "roll"; a panel that would take over 150 sheets goes on a roll all the same.  Written to a
    temporary name, then renamed.  Raises InputError where the place cannot be written.
    """
    seen = face_view(panel, layout, face, plan)
    drawn = build_marking(seen, CAPITAL_HEIGHT)
    spread = tile_drawing(drawn.bounds, paper, _roll_foot_height(seen, drawn))
    tiles = used_tiles(spread, drawn)
    if len(tiles) > MAX_TILES:
        spread = tile_drawing(drawn.bounds, "roll", _roll_foot_height(seen, drawn))
        tiles = used_tiles(spread, drawn)
    cover = spread.paper != "roll" or len(tiles) > 1
    pages = len(tiles) + cover
    words = place_texts(spread, tiles, drawn, CAPITAL_HEIGHT)
    what = panel.name, f"{face} face, {layout.gauge:g} mm sheet"
    with PdfDocument(path, f"{panel.name}: template, {face} face") as book:
        if cover:
            _draw_cover(book, seen, drawn, spread, tiles, pages)
        for number, tile in enumerate(tiles, 1 + cover):
            page = book.new_page(spread.width, spread.height)
            name = tile.name if cover else ""
            draw_page_footer(page, spread.foot, (*what, f"page {number} of {pages}, 1:1, mm"), name)
            draw_tile(page, spread, tile, drawn, words[tile])
            if not cover:
                _draw_roll_foot(page, seen, drawn, spread)


def _draw_cover(
    book: PdfDocument, seen: FaceView, drawn: Marking, spread: Tiling, tiles: tuple[Tile, ...], pages: int
) -> None:
    """The first page: the map, how to join the sheets, what the lines mean."""
    width, height = PAPER_SIZES.get(spread.paper, PAPER_SIZES["a4"])
    page = book.new_page(width, height)
    draw_page_footer(page, FOOT_STRIP, (seen.panel.name, f"{seen.face} face", f"page 1 of {pages}: map of the sheets"))
    left, right = UNPRINTABLE_EDGE + SIDE_STRIP, width - UNPRINTABLE_EDGE
    rows, room = legend_rows(drawn), right - left
    steps = [wrap_words(step, room - 6.0) for step in _instructions(seen, len(tiles) > 1)]
    cautions = [line for caution in CAUTIONS for line in wrap_words(caution, room)]
    y = height - UNPRINTABLE_EDGE - 6.0
    title = f"{seen.panel.name}: paper template"
    large = min(6.0, max(4.5, 6.0 * room / printed_width(title, 6.0, bold=True)))
    for line in wrap_words(title, room, large, bold=True):
        page.text((left, y), line, large, bold=True)
        y -= 1.5 * large
    y += 1.5 * large
    y = _draw_lines(
        page,
        (left, y - LINE_PITCH),
        [line for words in _description(seen, spread.paper.capitalize()) for line in wrap_words(words, room)],
    )
    low = UNPRINTABLE_EDGE + FOOT_STRIP + len(cautions) * LINE_PITCH
    _draw_lines(page, (left, low), cautions)
    low += LINE_PITCH + len(rows) * LEGEND_ROW_PITCH
    draw_legend(page, (left, low), room, rows)
    low += 2.0 * LINE_PITCH + sum(map(len, steps)) * LINE_PITCH
    at = low
    for number, lines in enumerate(steps, 1):
        page.text((left, at - LINE_PITCH), f"{number}.", MIN_CAPITAL_HEIGHT)
        at = _draw_lines(page, (left + 6.0, at), lines)
    draw_map(page, (left, low + LINE_PITCH, right, y - LINE_PITCH), spread, tiles, drawn)


def _draw_lines(page: Page, at: XY, lines: Iterable[str]) -> float:
    """Lines of words from `at` down; hands back the level of the last."""
    x, y = at
    for words in lines:
        y -= LINE_PITCH
        page.text((x, y), words, MIN_CAPITAL_HEIGHT)
    return y


def _description(seen: FaceView, paper: str) -> list[str]:
    """What the template is of, for which face, on which paper."""
    if seen.face == "up":
        face = "For the UP face."
    else:
        face = "MIRRORED, for the DOWN face: lay it on the back of the sheet."
    if seen.raised_roll:
        face += f" With this face up in the roller, the raised roll is {seen.raised_roll}."
    return [f"{seen.panel.material.name}, {seen.layout.gauge:g} mm. Paper: {paper}.", face]


def _instructions(seen: FaceView, joined: bool) -> list[str]:
    """From the printer to the marked sheet."""
    x0, y0, x1, y1 = Polygon(seen.panel.outline).bounds
    ends = "both ends of each bead axis and at " if seen.layout.beads else ""
    join = ("Lay the sheets over each other so that crosses of the same name meet; tape. Cut off what hides lines.",)
    return [
        'Print at 100 % ("actual size"), never "fit to page". Measure both 100 mm bars on every sheet of paper.',
        *(join if joined else ()),
        f"Measure across the outline before you mark: {x1 - x0:.1f} mm wide, {y1 - y0:.1f} mm high.",
        f"Tape the paper to the sheet. Punch through at {ends}each hole centre; scribe.",
    ]


PURPOSE_WITHOUT_BEADS = {"CUT": "finished outline and cut-outs: cut here"}


def legend_rows(drawn: Marking) -> list[tuple[str, str]]:
    """Layers on the drawing, and what their lines are for."""
    there = {item.layer for item in drawn.items if not isinstance(item, Hatch)}
    rolled = there & {"BEAD AXIS", "OTHER FACE"}
    return [
        (layer, LAYERS[layer][-1] if rolled else PURPOSE_WITHOUT_BEADS.get(layer, LAYERS[layer][-1]))
        for layer in LAYERS
        if layer in there
    ]


LEGEND_COLUMN_WIDTH = 185.0  # mm that the longest words of the key need


def _roll_foot_lines(seen: FaceView, room: float) -> list[str]:
    """What the sheet is, what to do with it, and the cautions."""
    return [
        line
        for words in (*_description(seen, "one roll"), *_instructions(seen, joined=False), *CAUTIONS)
        for line in wrap_words(words, room)
    ]


def _roll_foot_height(seen: FaceView, drawn: Marking) -> float:
    """Of the strip that the foot of a roll needs."""
    room = roll_width(drawn.bounds) - 2 * UNPRINTABLE_EDGE - SIDE_STRIP
    rows = math.ceil(len(legend_rows(drawn)) / max(1, room // LEGEND_COLUMN_WIDTH))
    return FOOT_STRIP + rows * LEGEND_ROW_PITCH + len(_roll_foot_lines(seen, room)) * LINE_PITCH + 10.0


def _draw_roll_foot(page: Page, seen: FaceView, drawn: Marking, spread: Tiling) -> None:
    """Below the drawing of a roll: the key, in columns where there is room, what the sheet is, cautions."""
    rows, room = legend_rows(drawn), page.width - 2 * UNPRINTABLE_EDGE - SIDE_STRIP
    columns = max(1, int(room // LEGEND_COLUMN_WIDTH))
    deep, top = math.ceil(len(rows) / columns), UNPRINTABLE_EDGE + spread.foot - 6.0
    for column in range(columns):
        at = UNPRINTABLE_EDGE + SIDE_STRIP + column * room / columns, top
        draw_legend(page, at, room / columns - 2.0, rows[column * deep : (column + 1) * deep])
    _draw_lines(
        page, (UNPRINTABLE_EDGE + SIDE_STRIP, top - deep * LEGEND_ROW_PITCH + 1.0), _roll_foot_lines(seen, room)
    )

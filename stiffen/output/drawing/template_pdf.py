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

from .bench_view import View, view
from .dxf_writer import LAYERS
from .face_marking import marking
from .pdf import LEAST, SIZES, Book, Page, length, wrapped
from .primitives import XY, Hatch, Marking
from .tiling import (
    EDGE,
    FOOT,
    LETTERS,
    ROW,
    SIDE,
    Tile,
    Tiling,
    draw_map,
    draw_tile,
    furnish,
    key,
    lettering,
    roll_width,
    tiling,
    used,
)
from .title_block import CAUTIONS

MOST = 150  # sheets; beyond that a roll is taken
LINE = 1.65 * LEAST  # from one line of words to the next, mm


def write_template(panel: Panel, layout: Layout, path: str | Path, paper: str = "a4", face: str = "up") -> None:
    """Write the template of one face as PDF; the "down" face is mirrored, for marking the back.

    paper: "a4", "letter" or "roll"; a panel that would take over 150 sheets goes on a roll all the same.  Written to a
    temporary name, then renamed.  Raises InputError where the place cannot be written.
    """
    seen = view(panel, layout, face)
    drawn = marking(seen, LETTERS)
    spread = tiling(drawn.bounds, paper, _foot_height(seen, drawn))
    tiles = used(spread, drawn)
    if len(tiles) > MOST:
        spread = tiling(drawn.bounds, "roll", _foot_height(seen, drawn))
        tiles = used(spread, drawn)
    cover = spread.paper != "roll" or len(tiles) > 1
    pages = len(tiles) + cover
    words = lettering(spread, tiles, drawn, LETTERS)
    what = panel.name, f"{face} face, {layout.gauge:g} mm sheet"
    with Book(path, f"{panel.name}: template, {face} face") as book:
        if cover:
            _cover(book, seen, drawn, spread, tiles, pages)
        for number, tile in enumerate(tiles, 1 + cover):
            page = book.page(spread.width, spread.height)
            name = tile.name if cover else ""
            furnish(page, spread.foot, (*what, f"page {number} of {pages}, 1:1, mm"), name)
            draw_tile(page, spread, tile, drawn, words[tile])
            if not cover:
                _foot(page, seen, drawn, spread)


def _cover(book: Book, seen: View, drawn: Marking, spread: Tiling, tiles: tuple[Tile, ...], pages: int) -> None:
    """The first page: the map, how to join the sheets, what the lines mean."""
    width, height = SIZES.get(spread.paper, SIZES["a4"])
    page = book.page(width, height)
    furnish(page, FOOT, (seen.panel.name, f"{seen.face} face", f"page 1 of {pages}: map of the sheets"))
    left, right = EDGE + SIDE, width - EDGE
    rows, room = key_rows(drawn), right - left
    steps = [wrapped(step, room - 6.0) for step in _steps(seen, len(tiles) > 1)]
    cautions = [line for caution in CAUTIONS for line in wrapped(caution, room)]
    y = height - EDGE - 6.0
    title = f"{seen.panel.name}: paper template"
    large = min(6.0, max(4.5, 6.0 * room / length(title, 6.0, bold=True)))
    for line in wrapped(title, room, large, bold=True):
        page.text((left, y), line, large, bold=True)
        y -= 1.5 * large
    y += 1.5 * large
    y = _lines(
        page,
        (left, y - LINE),
        [line for words in _about(seen, spread.paper.capitalize()) for line in wrapped(words, room)],
    )
    low = EDGE + FOOT + len(cautions) * LINE
    _lines(page, (left, low), cautions)
    low += LINE + len(rows) * ROW
    key(page, (left, low), room, rows)
    low += 2.0 * LINE + sum(map(len, steps)) * LINE
    at = low
    for number, lines in enumerate(steps, 1):
        page.text((left, at - LINE), f"{number}.", LEAST)
        at = _lines(page, (left + 6.0, at), lines)
    draw_map(page, (left, low + LINE, right, y - LINE), spread, tiles, drawn)


def _lines(page: Page, at: XY, lines: Iterable[str]) -> float:
    """Lines of words from `at` down; hands back the level of the last."""
    x, y = at
    for words in lines:
        y -= LINE
        page.text((x, y), words, LEAST)
    return y


def _about(seen: View, paper: str) -> list[str]:
    """What the template is of, for which face, on which paper."""
    if seen.face == "up":
        face = "For the UP face."
    else:
        face = "MIRRORED, for the DOWN face: lay it on the back of the sheet."
    if seen.rolls:
        face += f" With this face up in the roller, the raised roll is {seen.rolls}."
    return [f"{seen.panel.material.name}, {seen.layout.gauge:g} mm. Paper: {paper}.", face]


def _steps(seen: View, joined: bool) -> list[str]:
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


UNROLLED = {"CUT": "finished outline and cut-outs: cut here"}


def key_rows(drawn: Marking) -> list[tuple[str, str]]:
    """Layers on the drawing, and what their lines are for."""
    there = {item.layer for item in drawn.items if not isinstance(item, Hatch)}
    rolled = there & {"BEAD AXIS", "OTHER FACE"}
    return [
        (layer, LAYERS[layer][-1] if rolled else UNROLLED.get(layer, LAYERS[layer][-1]))
        for layer in LAYERS
        if layer in there
    ]


COLUMN = 185.0  # mm that the longest words of the key need


def _foot_words(seen: View, room: float) -> list[str]:
    """What the sheet is, what to do with it, and the cautions."""
    return [
        line
        for words in (*_about(seen, "one roll"), *_steps(seen, joined=False), *CAUTIONS)
        for line in wrapped(words, room)
    ]


def _foot_height(seen: View, drawn: Marking) -> float:
    """Of the strip that the foot of a roll needs."""
    room = roll_width(drawn.bounds) - 2 * EDGE - SIDE
    rows = math.ceil(len(key_rows(drawn)) / max(1, room // COLUMN))
    return FOOT + rows * ROW + len(_foot_words(seen, room)) * LINE + 10.0


def _foot(page: Page, seen: View, drawn: Marking, spread: Tiling) -> None:
    """Below the drawing of a roll: the key, in columns where there is room, what the sheet is, cautions."""
    rows, room = key_rows(drawn), page.width - 2 * EDGE - SIDE
    columns = max(1, int(room // COLUMN))
    deep, top = math.ceil(len(rows) / columns), EDGE + spread.foot - 6.0
    for column in range(columns):
        at = EDGE + SIDE + column * room / columns, top
        key(page, at, room / columns - 2.0, rows[column * deep : (column + 1) * deep])
    _lines(page, (EDGE + SIDE, top - deep * ROW + 1.0), _foot_words(seen, room))

"""The board pages as PDF, at 1:1, with the two lengths to measure on each."""

from __future__ import annotations

from pathlib import Path

from stiffen.errors import Fault, InputError
from stiffen.output.drawing.pdf import MEDIUM_PEN, PAPER_SIZES, Page, PdfDocument, printed_width

from .scene.board import (
    ACROSS,
    ALONG,
    BOARD_HEIGHT,
    BOARD_WIDTH,
    CELLS,
    MARKER,
    MAX_PAGES,
    SQUARE,
    black_squares,
    marker_squares,
)

BAR_GAP = 5.0  # mm from the board to the bar that is measured
TICK = 2.5  # mm, half length of its end ticks
TEXT_HEIGHT = 3.0  # mm
SEAM = 0.02  # mm by which neighbouring black cells overlap, so that no white hairline shows between them


def write_board_pages(path: str | Path, pages: int = 4, paper: str = "a4") -> None:
    """Write so many different board pages.  paper: "a4" or "letter".  InputError if the path cannot be written."""
    if not 1 <= pages <= MAX_PAGES:
        raise InputError([Fault("--pages", f"is {pages}", f"1 to {MAX_PAGES} pages, each with markers of its own")])
    width, height = PAPER_SIZES[paper]
    with PdfDocument(path, "stiffen: board pages for a photo of a template") as document:
        for number in range(pages):
            draw_board_page(document.new_page(width, height), number, pages)


def draw_board_page(page: Page, number: int, pages: int) -> None:
    """Draw one page; number counts from 0."""
    x0, y0 = (page.width - BOARD_WIDTH) / 2, (page.height - BOARD_HEIGHT) / 2
    for x, y in black_squares():
        _square(page, x0 + x, y0 + y, SQUARE, 0.0)
    cell = MARKER / CELLS
    for x, y, cells in marker_squares(number):
        _square(page, x0 + x, y0 + y, MARKER, 0.0)
        for row in range(CELLS):
            for first, last in _white_runs(cells[row]):
                low = y0 + y + (CELLS - 1 - row) * cell
                _box(page, x0 + x + first * cell, low - SEAM, x0 + x + last * cell, low + cell + SEAM, 1.0)
        for row in range(CELLS):  # white rows overlap: black cells between them are drawn again over the overlap
            for column in range(CELLS):
                if cells[row, column]:
                    _square(page, x0 + x + column * cell, y0 + y + (CELLS - 1 - row) * cell, cell, 0.0)
    _draw_bars(page, x0, y0)
    text = f'stiffen, board page {number + 1} of {pages}. Print at 100 % ("actual size").'
    page.text((x0, y0 + BOARD_HEIGHT + 4.0), text, TEXT_HEIGHT, bold=True)


def _white_runs(row: object) -> list[tuple[int, int]]:
    """First and last + 1 of each run of white cells."""
    runs, begin = [], None
    for place, black in enumerate([*row, True]):  # type: ignore[misc]
        if not black and begin is None:
            begin = place
        elif black and begin is not None:
            runs.append((begin, place))
            begin = None
    return runs


def _square(page: Page, x: float, y: float, side: float, grey: float) -> None:
    _box(page, x, y, x + side, y + side, grey)


def _box(page: Page, x0: float, y0: float, x1: float, y1: float, grey: float) -> None:
    page.fill([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], grey)


def _draw_bars(page: Page, x0: float, y0: float) -> None:
    """The bars to measure: across below the board, along on its left."""
    low, left = y0 - BAR_GAP, x0 - BAR_GAP
    a, b = x0 + (BOARD_WIDTH - ACROSS) / 2, y0 + (BOARD_HEIGHT - ALONG) / 2
    across, along = f"--across: {ACROSS:g} mm at 100 %", f"--along: {ALONG:g} mm at 100 %"
    gap_x, gap_y = (printed_width(text, TEXT_HEIGHT) / 2 + 2.0 for text in (across, along))
    middle = a + ACROSS / 2, b + ALONG / 2
    for begin, end in ((a, middle[0] - gap_x), (middle[0] + gap_x, a + ACROSS)):
        page.line([(begin, low), (end, low)], MEDIUM_PEN)
    for begin, end in ((b, middle[1] - gap_y), (middle[1] + gap_y, b + ALONG)):
        page.line([(left, begin), (left, end)], MEDIUM_PEN)
    for x in (a, a + ACROSS):
        page.line([(x, low - TICK), (x, low + TICK)], MEDIUM_PEN)
    for y in (b, b + ALONG):
        page.line([(left - TICK, y), (left + TICK, y)], MEDIUM_PEN)
    page.text((middle[0], low - TEXT_HEIGHT / 2), across, TEXT_HEIGHT, align="center")
    page.text((left + TEXT_HEIGHT / 2, middle[1]), along, TEXT_HEIGHT, rotation=90.0, align="center")

"""Words and tables set down a page and on to the next, never smaller than is read at arm's length.

A `Section` is what cards are made of; `text_lines` sets it as plain text, a `Flow` on paper.  Lengths in mm.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from stiffen.output.drawing.pdf import (
    MIN_CAPITAL_HEIGHT,
    PAPER_SIZES,
    THIN_PEN,
    Box,
    Page,
    PdfDocument,
    printed_width,
    wrap_words,
)

MAX_LINE_CHARS = 100  # letters in a line of plain text
LEFT, RIGHT, TOP, BOTTOM = 14.0, 8.0, 8.0, 15.0
LINE = 1.46 * MIN_CAPITAL_HEIGHT  # from line to line
GAP = 2.8  # between columns
RULED = 8.5  # from row to row of a table to fill in
HANG = 8.0  # what a numbered paragraph is set in by
WHOLE = 5  # lines up to which a paragraph is kept on one page
FOLD = 4  # rows from which a narrow table is set in two halves side by side


@dataclass(frozen=True)
class Table:
    """Rows of words under a head; `right_aligned` names the columns that stand at the right.

    ruled: high rows, to be filled in by hand.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right_aligned: tuple[int, ...] = ()
    to_fill_in: bool = False


@dataclass(frozen=True)
class Section:
    """A title, then paragraphs and tables."""

    title: str
    parts: tuple[str | Table, ...]


# ---------------------------------------------------------------------------------------------------------- plain text


def columns(head: Sequence[str], rows: Iterable[Sequence[str]], right_aligned: Sequence[int] = ()) -> list[str]:
    """Rows under a head in even columns, two blanks between.

    `right_aligned` names the columns that stand at the right.
    """
    table = [tuple(head), *(tuple(row) for row in rows)]
    widths = [max(len(row[i]) for row in table) for i in range(len(head))]

    def line(row: tuple[str, ...]) -> str:
        cells = (
            cell.rjust(width) if i in right_aligned else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    return [line(table[0]), "  ".join("-" * width for width in widths), *map(line, table[1:])]


def text_lines(section: Section) -> Iterator[str]:
    """The section as lines of at most 100 letters, set in by two blanks, an empty line round each table."""
    yield section.title
    before = None
    for part in section.parts:
        if before is not None and (isinstance(part, Table) or isinstance(before, Table)):
            yield ""
        lines = (
            columns(part.head, part.rows, part.right_aligned) if isinstance(part, Table) else [part.replace("\t", " ")]
        )
        for line in lines:
            yield from _wrapped_line(f"  {line}")
        before = part


def _wrapped_line(line: str) -> list[str]:
    """One line folded at 100 letters, the rest set in under its beginning."""
    inset = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, MAX_LINE_CHARS, subsequent_indent=inset, break_on_hyphens=False) or [""]


# --------------------------------------------------------------------------------------------------------------- paper


class Flow:
    """Pages that fill from the top; `close` puts the foot on each of them."""

    def __init__(self, book: PdfDocument, paper: str, name: str) -> None:
        """paper: "a4" or "letter"; a roll has no pages, so its cards are A4.  name: stands at the foot of each page."""
        self.book, self.name = book, name
        self.size = PAPER_SIZES.get(paper, PAPER_SIZES["a4"])
        self.pages: list[Page] = []
        self.beside: Box | None = None
        self._turn()

    def _turn(self) -> None:
        """Begin a page."""
        self.pages.append(self.book.new_page(*self.size))
        self.y, self.beside = self.size[1] - TOP, None

    @property
    def page(self) -> Page:
        """The page being filled."""
        return self.pages[-1]

    @property
    def room(self) -> float:
        """Width for words at this level."""
        right = self.size[0] - RIGHT
        if self.beside and self.y > self.beside[1]:
            right = self.beside[0] - GAP
        return right - LEFT

    def need(self, height: float) -> None:
        """Begin a page where less than `height` is left."""
        if self.y - height < BOTTOM:
            self._turn()

    def box(self, width: float, height: float) -> Box:
        """A box at the right, beside which the words go on."""
        self.need(height)
        x1, y1 = self.size[0] - RIGHT, self.y
        self.beside = (x1 - width, y1 - height, x1, y1)
        return self.beside

    def past(self) -> None:
        """Go on below the box."""
        if self.beside:
            self.y, self.beside = min(self.y, self.beside[1]), None

    def title(self, words: str) -> None:
        """The title of the whole."""
        for line in wrap_words(words, self.room, 5.0, bold=True):
            self.y -= 7.5
            self.page.text((LEFT, self.y), line, 5.0, bold=True)
        self.y -= 1.0

    def section(self, section: Section) -> None:
        """A heading and what stands under it."""
        self.need((1.6 + self._kept(section.parts)) * LINE)
        self.y -= 1.25 * LINE
        self.page.text((LEFT, self.y), section.title, MIN_CAPITAL_HEIGHT, bold=True)
        self.page.line([(LEFT, self.y - 1.2), (LEFT + self.room, self.y - 1.2)], THIN_PEN)
        self.y -= 0.35 * LINE
        for number, part in enumerate(section.parts):
            if isinstance(part, Table):
                self.y -= 0.4 * LINE if number else 0.0
                self.table(part)
            else:
                self.words(part)

    def _kept(self, parts: Sequence[str | Table]) -> float:
        """How many lines must stand on the page of their heading: all of a short section, or what is kept whole."""
        if isinstance(parts[0], Table):
            return 4.4
        words = [part for part in parts if isinstance(part, str)]
        lines = [len(self._wrapped(part)[1]) for part in words]
        if len(words) == len(parts) and sum(lines) <= WHOLE:
            return sum(lines)
        return lines[0] if lines[0] <= WHOLE else 2

    def _wrapped(self, words: str, bold: bool = False) -> tuple[str, list[str]]:
        """What hangs out to the left, and the lines."""
        head, _, rest = words.rpartition("\t")
        return head, wrap_words(rest, self.room - (HANG if head else 0.0), MIN_CAPITAL_HEIGHT, bold)

    def words(self, words: str, bold: bool = False) -> None:
        """A paragraph; what stands before a tab hangs out to the left of the rest."""
        head, lines = self._wrapped(words, bold)
        inset = HANG if head else 0.0
        if len(lines) <= WHOLE:
            self.need(len(lines) * LINE)
        for i, line in enumerate(lines):
            self.need(LINE)
            self.y -= LINE
            if head and i == 0:
                self.page.text((LEFT, self.y), head, MIN_CAPITAL_HEIGHT, bold=bold)
            self.page.text((LEFT + inset, self.y), line, MIN_CAPITAL_HEIGHT, bold=bold)

    def table(self, table: Table) -> None:
        """A table; a long and narrow one in parts side by side; the head again on a new page."""
        pitch = RULED if table.to_fill_in else LINE
        widths = _widths(table, self.room)
        total = sum(widths) + GAP * (len(widths) - 1)
        parts = int((self.room + 2 * GAP) / (total + 2 * GAP))
        if not table.to_fill_in and len(table.rows) >= FOLD and parts > 1:
            rows = table.rows
            while rows:
                self.need(4 * pitch)
                fits = int((self.y - BOTTOM - 1.3 * LINE) / pitch)
                deep = min(fits, -(-len(rows) // parts))
                self._side_by_side(replace(table, rows=rows[: parts * deep]), deep, parts, widths, pitch)
                rows = rows[parts * deep :]
        else:
            self._block(LEFT, table, widths, pitch)
        self.y -= 0.3 * LINE

    def _side_by_side(self, table: Table, deep: int, parts: int, widths: Sequence[float], pitch: float) -> None:
        """The first `deep` rows at the left, the others beside them in turn."""
        start = self.y
        step = (self.room + 2 * GAP) / parts
        for k in reversed(range(-(-len(table.rows) // deep))):
            self.y = start
            self._block(LEFT + k * step, replace(table, rows=table.rows[k * deep : (k + 1) * deep]), widths, pitch)

    def _block(self, x: float, table: Table, widths: Sequence[float], pitch: float) -> None:
        self._head(x, table, widths)
        for row in table.rows:
            cells = [wrap_words(cell, width) for cell, width in zip(row, widths, strict=True)]
            deep = max(map(len, cells))
            if self.y - deep * pitch < BOTTOM:
                self._turn()
                self._head(x, table, widths)
            for line in range(deep):
                self.y -= pitch
                self._row(x, [cell[line] if line < len(cell) else "" for cell in cells], widths, table.right_aligned)
            if table.to_fill_in:
                self._rule(x, widths, deep * pitch)

    def _rule(self, x: float, widths: Sequence[float], high: float) -> None:
        """Lines round the cells of the row just set."""
        low, right = self.y - 1.5, x + sum(widths) + GAP * len(widths)
        for level in (low, low + high):
            self.page.line([(x - GAP / 2, level), (right - GAP / 2, level)], THIN_PEN)
        for width in (0.0, *widths):
            x += width + (GAP if width else 0.0)
            self.page.line([(x - GAP / 2, low), (x - GAP / 2, low + high)], THIN_PEN)

    def _head(self, x: float, table: Table, widths: Sequence[float]) -> None:
        """The head, its words over each other where a column is narrow."""
        cells = [wrap_words(words, width) for words, width in zip(table.head, widths, strict=True)]
        deep = max(map(len, cells))
        self.need((deep + 1.5) * LINE)
        for line in range(deep):
            self.y -= LINE
            above = [line - deep + len(cell) for cell in cells]
            self._row(
                x,
                [cell[i] if i >= 0 else "" for cell, i in zip(cells, above, strict=True)],
                widths,
                table.right_aligned,
            )
        self.page.line([(x, self.y - 1.1), (x + sum(widths) + GAP * (len(widths) - 1), self.y - 1.1)], THIN_PEN)
        self.y -= 0.3 * LINE

    def _row(self, x: float, cells: Sequence[str], widths: Sequence[float], right: Sequence[int]) -> None:
        for i, (cell, width) in enumerate(zip(cells, widths, strict=True)):
            if cell and i in right:
                self.page.text((x + width, self.y), cell, MIN_CAPITAL_HEIGHT, align="right")
            elif cell:
                self.page.text((x, self.y), cell, MIN_CAPITAL_HEIGHT)
            x += width + GAP

    def close(self) -> None:
        """The foot of every page: the name and the page's number of how many."""
        for number, page in enumerate(self.pages, 1):
            count = f"page {number} of {len(self.pages)}"
            room = self.size[0] - LEFT - RIGHT
            lines = wrap_words(self.name, room - printed_width(count) - GAP)[:2]
            low = 6.0 if len(lines) > 1 else 8.0
            page.line([(LEFT, low + 4.5 * len(lines)), (LEFT + room, low + 4.5 * len(lines))], THIN_PEN)
            for level, words in enumerate(reversed(lines)):
                page.text((LEFT, low + 4.2 * level), words, MIN_CAPITAL_HEIGHT)
            page.text((LEFT + room, low), count, MIN_CAPITAL_HEIGHT, align="right")


def _widths(table: Table, room: float) -> list[float]:
    """Widths of columns; where they are too wide together heads are folded first, then the widest cells."""

    def widest(cells: Iterable[str]) -> float:
        return max(map(printed_width, cells), default=0.0) + 0.05

    columns_ = list(zip(*table.rows, strict=True)) or [()] * len(table.head)
    heads = [widest([words]) for words in table.head]
    whole = [widest(cells) for cells in columns_]
    widths = [max(pair) for pair in zip(heads, whole, strict=True)]
    head_words = [widest(words.split()) for words in table.head]
    cell_words = [widest(word for cell in cells for word in cell.split()) for cells in columns_]
    for least in ([max(pair) for pair in zip(head_words, whole, strict=True)],
                  [max(pair) for pair in zip(head_words, cell_words, strict=True)]):  # fmt: skip
        while (over := sum(widths) + GAP * (len(widths) - 1) - room) > 1e-9:
            slack = [width - small for width, small in zip(widths, least, strict=True)]
            if max(slack) <= 1e-9:
                break
            i = max((i for i in range(len(widths)) if slack[i] > 1e-9), key=lambda i: widths[i])
            widths[i] -= min(over, slack[i], max(1.0, 0.2 * slack[i]))
    return widths

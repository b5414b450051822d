"""Sections of text and tables, which cards are made of, and how they look as plain text.

`page_flow` sets the same sections on paper.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

MAX_LINE_CHARS = 100  # in plain text


@dataclass(frozen=True)
class Table:
    """A table of texts.

    head: one text a column.  rows: as many texts each.  right_aligned: positions of the right-aligned columns.
    to_fill_in: the cells are framed and high enough to write in.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right_aligned: tuple[int, ...] = ()
    to_fill_in: bool = False


@dataclass(frozen=True)
class Section:
    """A title, then paragraphs and tables.

    In a paragraph what stands before a tab, as in "3.\\ttext", hangs out to the left.
    keep_together: the section is not divided between two pages.  to_tick: on paper each numbered paragraph has a box
    to tick.
    """

    title: str
    parts: tuple[str | Table, ...]
    keep_together: bool = False
    to_tick: bool = False


def columns(head: Sequence[str], rows: Iterable[Sequence[str]], right_aligned: Sequence[int] = ()) -> list[str]:
    """A table as lines of plain text, two blanks between columns.  right_aligned: positions of such columns."""
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
    """The section as lines of at most 100 characters, indented by two blanks, an empty line around each table."""
    yield section.title
    before = None
    for part in section.parts:
        if before is not None and (isinstance(part, Table) or isinstance(before, Table)):
            yield ""
        if isinstance(part, Table):
            lines = columns(part.head, part.rows, part.right_aligned)
        else:
            lines = [part.replace("\t", " ")]
        for line in lines:
            yield from _wrapped_line(f"  {line}")
        before = part


def _wrapped_line(line: str) -> list[str]:
    """One line wrapped at 100 characters; what follows is indented under its beginning."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, MAX_LINE_CHARS, subsequent_indent=indent, break_on_hyphens=False) or [""]

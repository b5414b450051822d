"""The lines to mark with a tape and a square: each from the datum corner and from the line before it.

With a tape that stays hooked on the datum edge one reads the first; with a rule that is moved on, the second.  mm.
"""

from __future__ import annotations

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.output.drawing.bench_view import datum_corner, mark_points, number_ranges

from .sections import Table

MAX_LINES = 40  # in one direction: beyond it a curved layout is marked from the template
NOTE = (
    "Mark these lines across the sheet, square to its datum edge; the last column says what lies on each. From last: "
    "the step from the line before, for a rule that is moved on; the steps add up to the places from the datum corner."
)


def tape_tables(panel: Panel, layout: Layout) -> list[str | Table]:
    """Tables of the lines at places X and at places Y, and how to use them; nothing for no line or very many."""
    tables = [_table(panel, layout, axis) for axis in (0, 1)]
    rows = [len(table.rows) for table in tables]
    return [*tables, NOTE] if 0 < max(rows) <= MAX_LINES else []


def _table(panel: Panel, layout: Layout, axis: int) -> Table:
    """The lines at all places of marks along one axis."""
    origin = datum_corner(panel)[axis]
    on_line: dict[int, list[tuple[str, tuple[str, int]]]] = {}

    def add(at: tuple[float, float], role: str, name: tuple[str, int]) -> None:
        tenths = round(10 * float(f"{at[axis] - origin:.1f}"))  # as the other tables of the card round it
        on_line.setdefault(tenths, []).append((role, name))

    for number, bead in enumerate(layout.beads, 1):
        start, *between, stop = mark_points(bead)
        add(start.at, "start", ("", number))
        for point in between:
            add(point.at, "via", ("", number))
        if not bead.closed:
            add(stop.at, "end", ("", number))
    for number, hole in enumerate(layout.holes, 1):
        add(hole.at, "hole", ("H", number))
    rows, last = [], 0
    for tenths in sorted(on_line):
        rows.append((f"{tenths / 10:.1f}", f"{(tenths - last) / 10:.1f}", _what(on_line[tenths])))
        last = tenths
    return Table(("XY"[axis], "from last", "on it"), tuple(rows), (0, 1))


def _what(marks: list[tuple[str, tuple[str, int]]]) -> str:
    """'start of 1-3, end of 4, H2' of the marks on one line."""
    words = []
    for role in ("start", "end", "via", "hole"):
        names = [name for one, name in marks if one == role]
        if names:
            words.append(number_ranges(names) if role == "hole" else f"{role} of {number_ranges(names)}")
    return ", ".join(words)

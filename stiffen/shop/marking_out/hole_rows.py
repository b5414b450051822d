"""Rows of flared holes of one die and face at one pitch, as a person marks and numbers them.  mm."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from stiffen.model.layout import Hole, Point

SAME_PLACE = 0.1  # mm: places that agree to it are one place


@dataclass(frozen=True)
class HoleRow:
    """Holes of one die and face on a line at one pitch, from `start` on; a single hole is a row of one.

    holes: in order along the row.  The step from one hole to the next points to +x, or to +y along y.
    """

    holes: tuple[Hole, ...]

    @property
    def start(self) -> Point:
        """Centre of the first hole."""
        return self.holes[0].at

    @property
    def pitch(self) -> float:
        """Distance between the centres of neighbours, to 0.001 mm; 0 for a single hole."""
        return round(math.dist(self.holes[0].at, self.holes[1].at), 3) if len(self.holes) > 1 else 0.0

    @property
    def direction(self) -> float:
        """Angle of the row to x, degrees in (-90, 90]; 0 for a single hole."""
        if len(self.holes) < 2:
            return 0.0
        (x0, y0), (x1, y1) = self.holes[0].at, self.holes[-1].at
        return round(math.degrees(math.atan2(y1 - y0, x1 - x0)), 3) + 0.0


def hole_rows(holes: Sequence[Hole]) -> tuple[HoleRow, ...]:
    """The rows that some holes form: those of the least pitch first found, of these the longest; each hole in one row.

    By die and face; rows along x from the bottom up, then those across from left to right.
    """
    by_kind: dict[tuple, list[Hole]] = defaultdict(list)
    for hole in holes:
        by_kind[-hole.die.flange, hole.die.name, hole.side].append(hole)
    rows = []
    for kind in sorted(by_kind):
        rows += sorted(_rows(by_kind[kind]), key=_reading_order)
    return tuple(rows)


def in_row_order(holes: Sequence[Hole]) -> tuple[Hole, ...]:
    """The holes row by row, which numbers them along their rows."""
    return tuple(hole for row in hole_rows(holes) for hole in row.holes)


def _reading_order(row: HoleRow) -> tuple:
    x, y = round(row.start[0], 1), round(row.start[1], 1)
    return (1, x, y) if row.direction > 45 else (0, y, x)


def _rows(holes: list[Hole]) -> list[HoleRow]:
    """Rows of holes of one kind."""
    left = {_cell(hole.at): hole for hole in holes}
    found = []
    while left:
        runs = (run for start in left for run in _runs_from(start, left))
        best = min(runs, key=_preference, default=None)
        if best is None:
            found += [HoleRow((hole,)) for hole in left.values()]
            break
        found.append(HoleRow(tuple(left.pop(cell) for cell in best)))
    return found


def _runs_from(start: Point, left: dict[Point, Hole]) -> list[list[Point]]:
    """The longest run of equal steps from one place to each other place that lies to its right or above it."""
    runs = []
    for other in left:
        step = other[0] - start[0], other[1] - start[1]
        if step[0] < -SAME_PLACE or (abs(step[0]) <= SAME_PLACE and step[1] <= 0):
            continue
        run = [start, other]
        while (following := _near((run[-1][0] + step[0], run[-1][1] + step[1]), left)) is not None:
            run.append(following)
        runs.append(run)
    return runs


def _preference(run: list[Point]) -> tuple:
    """Sort key: least pitch, then most holes, then along x or y, then from the bottom left."""
    (x0, y0), (x1, y1) = run[:2]
    oblique = min(abs(x1 - x0), abs(y1 - y0)) > SAME_PLACE
    return round(math.dist(run[0], run[1])), -len(run), oblique, y0, x0


def _cell(point: Point) -> Point:
    return round(point[0], 1), round(point[1], 1)


def _near(point: Point, left: dict[Point, Hole]) -> Point | None:
    """The place among those left that agrees with a point."""
    return next((one for one in left if math.dist(one, point) <= 2 * SAME_PLACE), None)

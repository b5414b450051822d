"""Rows of flared holes of one die and face at one pitch, as a person marks and numbers them.  mm."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

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
    return _rows_by_kind(tuple(holes))


@lru_cache(maxsize=256)
def _rows_by_kind(holes: tuple[Hole, ...]) -> tuple[HoleRow, ...]:
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
        best = min(_runs_of_least_pitch(list(left)), key=_preference, default=None)
        if best is None:
            found += [HoleRow((hole,)) for hole in left.values()]
            break
        found.append(HoleRow(tuple(left.pop(cell) for cell in best)))
    return found


def _runs_of_least_pitch(places: list[Point]) -> list[list[Point]]:
    """The longest run of equal steps from each place to each that is nearest to it, to the right of it or above.

    Nearest: to whole mm, of all pairs of places.
    """
    xy = np.array(places)
    dx, dy = (xy[None] - xy[:, None]).transpose(2, 0, 1)
    ahead = (dx > SAME_PLACE) | ((np.abs(dx) <= SAME_PLACE) & (dy > 0))
    if not ahead.any():
        return []
    apart = np.rint(np.hypot(dx, dy))
    near = {(math.floor(x), math.floor(y)): (x, y) for x, y in places}
    return [_run(places[i], places[j], near) for i, j in np.argwhere(ahead & (apart == apart[ahead].min())).tolist()]


def _run(first: Point, second: Point, near: dict[tuple[int, int], Point]) -> list[Point]:
    """Places at equal steps, from two of them on.  near: every place by its whole mm, rounded down."""
    step = second[0] - first[0], second[1] - first[1]
    run = [first, second]
    while (following := _near((run[-1][0] + step[0], run[-1][1] + step[1]), near)) is not None:
        run.append(following)
    return run


def _preference(run: list[Point]) -> tuple:
    """Sort key: least pitch, then most holes, then along x or y, then from the bottom left."""
    (x0, y0), (x1, y1) = run[:2]
    oblique = min(abs(x1 - x0), abs(y1 - y0)) > SAME_PLACE
    return round(math.dist(run[0], run[1])), -len(run), oblique, y0, x0


def _cell(point: Point) -> Point:
    return round(point[0], 1), round(point[1], 1)


def _near(point: Point, near: dict[tuple[int, int], Point]) -> Point | None:
    """The place that agrees with a point, of those by their whole mm."""
    x, y = ({math.floor(value - 2 * SAME_PLACE), math.floor(value + 2 * SAME_PLACE)} for value in point)
    found = (near.get(cell) for cell in product(x, y))
    return next((one for one in found if one is not None and math.dist(one, point) <= 2 * SAME_PLACE), None)

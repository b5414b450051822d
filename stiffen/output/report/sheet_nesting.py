"""Places rectangular blanks on stock sheets in shelves, so that every cut goes straight across the rest of the sheet.

A guillotine shear, or snips along a line, can cut nothing else.  Packing without this rule might save a little sheet.
No library is used: those for Python are not maintained.  Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

CUT_GAP = 5.0  # mm between blanks, because a cut wanders: common practice, no source


@dataclass(frozen=True)
class Blank:
    """A rectangle to cut, mm."""

    name: str
    width: float
    height: float


@dataclass(frozen=True)
class PlacedBlank:
    """A blank on a sheet.  sheet: number from 1.  x, y: lower left corner, mm.  rotated: by 90 degrees."""

    blank: Blank
    sheet: int
    x: float
    y: float
    rotated: bool

    @property
    def size(self) -> tuple[float, float]:
        """Extent along x and y, mm."""
        size = self.blank.width, self.blank.height
        return size[::-1] if self.rotated else size


def fits(blank: Blank, sheet: tuple[float, float]) -> bool:
    """True if the blank fits on one sheet, rotated or not."""
    return all(side <= room for side, room in zip(sorted((blank.width, blank.height)), sorted(sheet), strict=True))


def nest(blanks: Sequence[Blank], sheet: tuple[float, float], gap: float = CUT_GAP) -> tuple[PlacedBlank, ...]:
    """Place all blanks on as few sheets as it can, and on as little of the last one.

    A heuristic: it tries shelves along both sides of the sheet, three preferred poses of the blanks (`_first_pose`) and
    the highest or the longest blank first, and keeps the best.  The grain of the sheet is ignored.  Raises ValueError
    for a blank that is larger than the sheet.
    """
    if too_large := [blank.name for blank in blanks if not fits(blank, sheet)]:
        raise ValueError(f"larger than a sheet of {sheet[0]:g} x {sheet[1]:g} mm: {', '.join(too_large)}")
    tries = (
        _fill_shelves(blanks, sheet, gap, across, lie, by_height)
        for across, lie, by_height in product((False, True), ("lying", "standing", "as given"), (True, False))
    )
    return min(tries, key=_used_sheet, default=())


def _used_sheet(placed: Sequence[PlacedBlank]) -> tuple[int, float]:
    """Number of sheets used, and the used area of the last one, mm2."""
    last = max((one.sheet for one in placed), default=0)
    ends = [(one.x + one.size[0], one.y + one.size[1]) for one in placed if one.sheet == last]
    return last, max((x for x, _ in ends), default=0.0) * max((y for _, y in ends), default=0.0)


@dataclass
class _Shelf:
    """A strip across a sheet.  position: distance of its lower edge from the sheet's edge.  height: across the strip.
    used_length: length taken by blanks.  mm.
    """

    sheet: int
    position: float
    height: float
    used_length: float = 0.0


def _fill_shelves(
    blanks: Sequence[Blank], sheet: tuple[float, float], gap: float, across: bool, lie: str, by_height: bool
) -> tuple[PlacedBlank, ...]:
    """First fit: each blank goes on the first shelf that holds it, else on a new one.

    across: shelves run along y, not x.  lie: see `_first_pose`.  by_height: the highest blank first, else the longest.
    """
    long, deep = sheet[::-1] if across else sheet
    order = sorted(blanks, key=lambda one: _first_pose(one, across, lie)[:: -1 if by_height else 1], reverse=True)
    shelves: list[_Shelf] = []
    placed = []
    for blank in order:
        for shelf in shelves:
            pose = _pose_on_shelf(blank, shelf, long, gap, across, lie)
            if pose:
                break
        else:
            shelf, pose = _new_shelf(blank, shelves, long, deep, gap, across, lie)
            shelves.append(shelf)
        length, _, rotated = pose
        start = shelf.used_length + gap if shelf.used_length else 0.0
        shelf.used_length = start + length
        x, y = (shelf.position, start) if across else (start, shelf.position)
        placed.append(PlacedBlank(blank, shelf.sheet, x, y, rotated))
    return tuple(placed)


def _first_pose(blank: Blank, across: bool, lie: str) -> tuple[float, float]:
    """Extent along and across the shelf, mm, in the pose that is tried first.

    lie: "lying" (long side along the shelf), "standing" (long side across it) or "as given".
    """
    length, height = (blank.height, blank.width) if across else (blank.width, blank.height)
    if lie == "lying":
        return max(length, height), min(length, height)
    if lie == "standing":
        return min(length, height), max(length, height)
    return length, height


def _poses(blank: Blank, across: bool, lie: str) -> Iterator[tuple[float, float, bool]]:
    """Extent along and across the shelf and whether the blank is rotated, for the first pose and the other."""
    plain = (blank.height, blank.width) if across else (blank.width, blank.height)
    first = _first_pose(blank, across, lie)
    yield (*first, first != plain)
    yield (*first[::-1], first == plain)


def _pose_on_shelf(
    blank: Blank, shelf: _Shelf, long: float, gap: float, across: bool, lie: str
) -> tuple[float, float, bool] | None:
    """The first pose in which the shelf still holds the blank, or None."""
    left = long - shelf.used_length - (gap if shelf.used_length else 0.0)
    return next((pose for pose in _poses(blank, across, lie) if pose[0] <= left and pose[1] <= shelf.height), None)


def _new_shelf(
    blank: Blank, shelves: list[_Shelf], long: float, deep: float, gap: float, across: bool, lie: str
) -> tuple[_Shelf, tuple[float, float, bool]]:
    """A new shelf for the blank, on the first sheet with room, else on a new sheet; and the pose of the blank on it.

    long, deep: extent of the sheet along and across its shelves, mm.
    """
    poses = [pose for pose in _poses(blank, across, lie) if pose[0] <= long and pose[1] <= deep]
    sheets = max((shelf.sheet for shelf in shelves), default=0)
    for number in range(1, sheets + 1):
        used = max(shelf.position + shelf.height for shelf in shelves if shelf.sheet == number) + gap
        for pose in poses:
            if used + pose[1] <= deep:
                return _Shelf(number, used, pose[1]), pose
    return _Shelf(sheets + 1, 0.0, poses[0][1]), poses[0]

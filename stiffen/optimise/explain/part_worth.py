"""What each bead and each row of flared holes adds: the demands of the layout without it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from stiffen.model.explanation import PartWorth
from stiffen.model.layout import Bead, Hole, Layout

from .estimator import Estimator

MAX_PARTS = 24  # beads and rows of which each is estimated; of a layout with more, beads are taken by die and direction
LITTLE = 0.02  # share of the largest utilisation, that a bead adds at most to count as adding little
SAME_LINE = 1.0  # mm: centres of holes within it stand in a row

Part = tuple[tuple[Bead, ...], tuple[Hole, ...]]


def part_worths(estimator: Estimator) -> tuple[PartWorth, ...]:
    """What each part of the layout adds, in the order of the layout: beads, then rows of holes.

    Beads that add little each are estimated once more together, as the last entry: one may do the work of another.
    """
    layout = estimator.verdict.layout
    worths = _worths(estimator, parts(layout))
    small = tuple(bead for one in worths if one.share < LITTLE for bead in one.beads)
    if len(small) > 1:
        worths += _worths(estimator, [(small, ())])
    return tuple(worths)


def _worths(estimator: Estimator, found: list[Part]) -> list[PartWorth]:
    layout, panel, here = estimator.verdict.layout, estimator.panel, estimator.here.utilisation
    smaller = [_without(layout, part) for part in found]
    return [
        PartWorth(
            *part,
            estimate,
            estimate.utilisation / here - 1 if here > 0 else 0.0,
            panel.mass(less) - panel.mass(layout),
        )
        for part, less, estimate in zip(found, smaller, estimator.layouts(smaller), strict=True)
    ]


def parts(layout: Layout) -> list[Part]:
    """The beads, each for itself, and the rows of holes of one die on one face."""
    rows = [((), row) for row in hole_rows(layout.holes)]
    beads: list[Part] = [((bead,), ()) for bead in layout.beads]
    if len(beads) + len(rows) > MAX_PARTS:
        alike: dict[tuple, list[Bead]] = {}
        for bead in layout.beads:
            (x0, y0), (x1, y1) = bead.path[0], bead.path[-1]
            alike.setdefault((bead.die, bead.side, abs(x1 - x0) < abs(y1 - y0), len(bead.path)), []).append(bead)
        beads = [(tuple(group), ()) for group in alike.values()]
    return [*beads, *rows]


def hole_rows(holes: tuple[Hole, ...]) -> Iterator[tuple[Hole, ...]]:
    """Holes of one die and face in rows along x or along y, the longest rows first; single holes last."""
    left = list(holes)
    while left:
        rows = [
            tuple(
                other
                for other in left
                if (other.die, other.side) == (hole.die, hole.side) and abs(other.at[axis] - hole.at[axis]) <= SAME_LINE
            )
            for hole in left
            for axis in (1, 0)
        ]
        longest = max(rows, key=len)
        yield longest
        left = [hole for hole in left if hole not in longest]


def _without(layout: Layout, part: Part) -> Layout:
    beads, holes = part
    return replace(
        layout,
        beads=tuple(bead for bead in layout.beads if bead not in beads),
        holes=tuple(hole for hole in layout.holes if hole not in holes),
    )

"""What each bead and each row of flared holes adds and costs: demands, mass and minutes of the layout without it."""

from __future__ import annotations

from dataclasses import replace

from stiffen.model.explanation import PartWorth
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.shop import process_plan
from stiffen.shop.marking_out.hole_rows import hole_rows

from .estimator import Estimator

MAX_PARTS = 24  # beads and rows of which each is estimated; of a layout with more, beads are taken by die and direction
LITTLE = 0.02  # share of the largest utilisation, that a bead adds at most to count as adding little

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
    minutes = process_plan.minutes(panel, layout)
    return [
        PartWorth(
            *part,
            estimate,
            estimate.utilisation / here - 1 if here > 0 else 0.0,
            panel.mass(less) - panel.mass(layout),
            minutes - process_plan.minutes(panel, less),
        )
        for part, less, estimate in zip(found, smaller, estimator.layouts(smaller), strict=True)
    ]


def parts(layout: Layout) -> list[Part]:
    """The beads, each for itself, and the rows of holes of one die on one face."""
    rows = [((), row.holes) for row in hole_rows(layout.holes)]
    beads: list[Part] = [((bead,), ()) for bead in layout.beads]
    if len(beads) + len(rows) > MAX_PARTS:
        alike: dict[tuple, list[Bead]] = {}
        for bead in layout.beads:
            (x0, y0), (x1, y1) = bead.path[0], bead.path[-1]
            alike.setdefault((bead.die, bead.side, abs(x1 - x0) < abs(y1 - y0), len(bead.path)), []).append(bead)
        beads = [(tuple(group), ()) for group in alike.values()]
    return [*beads, *rows]


def _without(layout: Layout, part: Part) -> Layout:
    beads, holes = part
    return replace(
        layout,
        beads=tuple(bead for bead in layout.beads if bead not in beads),
        holes=tuple(hole for hole in layout.holes if hole not in holes),
    )

"""Limits of the bead roller (throat, curves, lengths), rolling order, and how often the sheet is turned.

Plan coordinates and distances in mm.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from stiffen.model.layout import Bead, Layout, Point
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie

from .clearance import LENGTH_TOLERANCE

MAX_PATH_DEVIATION = 0.5  # mm by which a hand-steered bead may cut a corner of the path: common practice, no source
KEPT_DEVIATIONS = 4096  # paths: candidates of several dies share them
DIRECTION_TOLERANCE = 5.0  # degrees between the directions of two beads up to which the sheet need not be turned


# ---------------------------------------------------------------------------------------------------------- one bead


def sheet_extents(panel: Panel, bead: Bead) -> tuple[float, float]:
    """Greatest extent of the sheet to the left and to the right of the path, square to it, mm.

    Each straight piece of the path is one position in the rolls.  The flat outline counts, because beads are rolled
    before the sheet is folded.
    """
    path = np.asarray(bead.path, dtype=float)
    pieces = np.diff(path, axis=0)
    lengths = np.linalg.norm(pieces, axis=1)
    has_length = lengths > 1e-9
    tangent = pieces[has_length] / lengths[has_length, None]
    to_left = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    outline = np.asarray(panel.outline, dtype=float)
    offset = outline @ to_left.T - np.einsum("ij,ij->i", path[:-1][has_length], to_left)
    return float(offset.max()), float(-offset.min())


def allowed_frame_sides(panel: Panel, bead: Bead) -> tuple[str, ...]:
    """Sides of the path ("left", "right" of its direction) that may face the roller's frame.

    All sheet on that side must fit into the throat in every position of the path, measured square to it.  The side
    with less sheet comes first.  Empty if the bead cannot be rolled.
    """
    left, right = sheet_extents(panel, bead)
    sides = sorted([(left, "left"), (right, "right")])
    return tuple(side for extent, side in sides if extent <= panel.tools.roller.throat + LENGTH_TOLERANCE)


def preferred_frame_side(panel: Panel, bead: Bead) -> str | None:
    """The first of `allowed_frame_sides`; None if the bead cannot be rolled."""
    return next(iter(allowed_frame_sides(panel, bead)), None)


def path_deviation(bead: Bead, radius: float) -> float:
    """Greatest distance (mm) of the path from the nearest curve that never turns tighter than `radius` mm.

    The path is closed by a disc of that radius (dilation, then erosion).  The disc cannot enter a corner tighter than
    itself, and the part that it leaves unswept is the part that the curve cuts off.  A sharp corner between long legs
    gives radius (1 - cos(turn/2)).
    """
    return 0.0 if len(bead.path) == 2 else _path_deviation(bead.path, bead.closed, radius)


@lru_cache(maxsize=KEPT_DEVIATIONS)
def _path_deviation(path: tuple[Point, ...], closed: bool, radius: float) -> float:
    line, thin = LineString(path), 0.05
    swept = line.buffer(radius + thin, quad_segs=128).buffer(-radius, quad_segs=128)
    if closed and not swept.interiors:  # the whole frame is smaller than the disc
        return float(shapely.maximum_inscribed_circle(Polygon(path)).length)
    rims = [np.array(ring.coords) for ring in (swept.exterior, *swept.interiors)]
    rim = np.vstack([*rims, *((ring[1:] + ring[:-1]) / 2 for ring in rims)])
    return max(float(line.distance(shapely.points(rim)).max()) - thin, 0.0)


def min_bead_length(die: BeadDie) -> float:
    """Shortest bead with two closed ends, mm: two run-outs and one width between (common practice, no source)."""
    return 2 * die.run_out_length + die.width


def side_allowed(panel: Panel, side: str) -> bool:
    """True if beads and lips may stand proud on this side of the panel."""
    return panel.bead_side in ("either", side)


# ------------------------------------------------------------------------------------------------------- all the beads


def rolling_order(panel: Panel, beads: tuple[Bead, ...]) -> tuple[int, ...]:
    """Positions in `beads`, in rolling order: die by die, then face by face, then from the middle of the sheet outward.

    The die, and the face, with the greater length to roll comes first.  Beads in the middle are rolled first, because
    the sheet round them can still move when the rolls draw it in (common practice, no source).
    """
    middle = Polygon(panel.outline).centroid
    by_die: dict[str, float] = defaultdict(float)
    by_face: dict[tuple[str, str], float] = defaultdict(float)
    for bead in beads:
        by_die[bead.die.name] += bead.length
        by_face[bead.die.name, bead.side] += bead.length

    def rank(position: int) -> tuple:
        bead = beads[position]
        die, side = bead.die.name, bead.side
        return -by_die[die], die, -by_face[die, side], side, LineString(bead.path).distance(middle), position

    return tuple(sorted(range(len(beads)), key=rank))


def in_rolling_order(panel: Panel, layout: Layout) -> Layout:
    """The layout with its beads in rolling order, which gives them their numbers at the bench."""
    return replace(layout, beads=tuple(layout.beads[i] for i in rolling_order(panel, layout.beads)))


def frame_sides(panel: Panel, beads: tuple[Bead, ...]) -> tuple[str | None, ...]:
    """Side of each path that faces the roller's frame, for beads rolled in the order given.

    The side stays the same from one bead to the next where the throat allows it.  None for a bead that the throat does
    not let pass.
    """
    sides: list[str | None] = []
    for position, bead in enumerate(beads):
        allowed = allowed_frame_sides(panel, bead)
        same = _side_along(bead, beads[position - 1], sides[-1]) if position else None
        sides.append(same if same in allowed else next(iter(allowed), None))
    return tuple(sides)


def reorientations_before(beads: tuple[Bead, ...], sides: tuple[str | None, ...]) -> tuple[bool, ...]:
    """For each bead: True if the sheet is turned between the bead before and this one, rolled in the order given.

    The sheet is turned for another direction (over 5 degrees), for another side at the frame, and for the other face
    up.  False for the first bead.  sides: as `frame_sides` gives them.
    """
    turned = [False] if beads else []
    for position, (before, bead) in enumerate(pairwise(beads), 1):
        angle = abs(direction(before) - direction(bead)) % 180
        turned.append(
            min(angle, 180 - angle) > DIRECTION_TOLERANCE
            or before.side != bead.side
            or sides[position] != _side_along(bead, before, sides[position - 1])
        )
    return tuple(turned)


def reorientations(panel: Panel, beads: tuple[Bead, ...]) -> int:
    """How often the sheet is turned between two beads, rolled in the order given; see `reorientations_before`."""
    return sum(reorientations_before(beads, frame_sides(panel, beads)))


def direction(bead: Bead) -> float:
    """Direction of a bead in degrees: from its start to its stop, or along the first piece of a closed one."""
    (x0, y0), (x1, y1) = bead.path[0], bead.path[1 if bead.closed else -1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


def _side_along(bead: Bead, other: Bead, side: str | None) -> str | None:
    """The side of `bead` that equals a side of `other`: left and right are exchanged if their directions oppose."""
    if side is None or math.cos(math.radians(direction(bead) - direction(other))) > 0:
        return side
    return "left" if side == "right" else "right"

"""The rough blank: how far rolling draws the sheet in, how much is left outside the outline for it, the straight cuts.

All lengths in mm.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon, box
from shapely.geometry.polygon import orient

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from . import bead_section

TRIM_MARGIN = 3.0  # mm on each side beyond the draw-in: common practice, no source
MIN_ALLOWANCE = 5.0  # mm, also from the datum corner to the edge of the blank: common practice, no source
ROUNDING_TOLERANCE = 0.001  # mm; less draw-in is ignored, because coordinates read from a file are rounded
SCAN_LINES = 49  # lines across the sheet in each direction, along which the draw-in is summed
MIN_STRAIGHT_SIDE = 20.0  # mm; shorter sides belong to a rounded corner
MAX_CORNER_TURN = math.radians(100.0)  # a sharper corner gets one more line: its tip would stand out far
MIN_LINE_ANGLE = math.radians(1.0)  # between two lines that meet
COVER_TOLERANCE = 0.02  # mm, when shapes are compared
HALF_NOTCH_WIDTH = 20.0  # mm, half of the width up to which a notch counts as narrow


def max_draw_in(panel: Panel, layout: Layout) -> tuple[float, float]:
    """Greatest draw-in of the sheet along x and along y, mm.  The least is 0: then the metal stretches instead.

    Lines are laid across the sheet.  Each sums the draw-in of the beads that it crosses, times the sine of the angle
    between bead and line.  The largest sum counts.
    """
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    ys, xs = (np.linspace(low, high, SCAN_LINES + 2)[1:-1] for low, high in ((y0, y1), (x0, x1)))
    along_x = max(_draw_in_along(layout, ((x0, y), (x1, y)), 0) for y in ys)
    along_y = max(_draw_in_along(layout, ((x, y0), (x, y1)), 1) for x in xs)
    return along_x, along_y


def _draw_in_along(layout: Layout, line: tuple, axis: int) -> float:
    """Sum of the draw-in of all beads that a line along an axis (0: x, 1: y) crosses, mm."""
    scan = np.array(line)
    total = 0.0
    for bead in layout.beads:
        path = np.array(bead.path)
        offset = path[:, 1 - axis] - scan[0, 1 - axis]
        is_crossed = (offset[:-1] < 0) != (offset[1:] < 0)
        pieces = np.diff(path, axis=0)[is_crossed]
        sines = np.abs(pieces[:, 1 - axis]) / np.linalg.norm(pieces, axis=1)
        total += bead_section.draw_in(bead.die) * float(np.sum(sines))
    return total


def trim_allowance(panel: Panel, layout: Layout) -> tuple[float, float]:
    """mm left on each side along x and along y at the rough cut: half the greatest draw-in, and a margin.

    Whole millimetres, MIN_ALLOWANCE or more, so that the scribed outline and the datum corner stay on metal; (0, 0) for
    a layout without beads, which is cut to size.
    """
    if not layout.beads:
        return 0.0, 0.0
    x, y = (
        max(MIN_ALLOWANCE, float(math.ceil(most / 2 + TRIM_MARGIN - ROUNDING_TOLERANCE)))
        for most in max_draw_in(panel, layout)
    )
    return x, y


def rough_outline(panel: Panel, layout: Layout, allowance: tuple[float, float] | None = None) -> Polygon:
    """The outline to cut before rolling, in plan: straight lines outside the finished outline by the trim allowance.

    Each long side gives one line.  Rounded corners give none or few, so that the blank can be sheared.  The datum
    corner (least x, least y of the finished outline) lies on the blank, MIN_ALLOWANCE or more from its edge.  Notches
    narrower than 40 mm are filled, because they are cut after rolling.  A layout without beads is cut to its finished
    outline.
    allowance: result of `trim_allowance`, if computed before.
    """
    outline = Polygon(panel.outline)
    x, y = trim_allowance(panel, layout) if allowance is None else allowance
    if not (x > 0 and y > 0):
        return outline
    mitre = {"join_style": "mitre", "mitre_limit": 2.0}
    filled = outline.buffer(HALF_NOTCH_WIDTH, **mitre).buffer(-HALF_NOTCH_WIDTH, **mitre).union(outline)
    # One buffer for two allowances: scale the plan so that both become 1 mm, offset it, and scale it back.
    needed = affinity.scale(filled, 1 / x, 1 / y, origin=(0, 0)).buffer(1.0)
    needed = affinity.scale(needed, x, y, origin=(0, 0))
    for shape in (filled, filled.convex_hull):
        cut = _straight_cut(shape, x, y)
        if cut is not None and cut.buffer(COVER_TOLERANCE).covers(needed):
            return _with_datum_corner(cut, outline)
    return box(*needed.bounds)


def _straight_cut(shape: Polygon, x: float, y: float) -> Polygon | None:
    """The polygon of straight lines round a shape, x and y mm outside it; None if lines do not meet.

    Between two long sides follow further lines where the outline turns by more than MAX_CORNER_TURN, and one line
    across the metal in a rounded inner corner.
    """
    ring = np.array(orient(shape.simplify(0.01)).exterior.coords)[:-1]
    sides = np.roll(ring, -1, axis=0) - ring
    angles = np.arctan2(sides[:, 1], sides[:, 0])
    turns = (angles - np.roll(angles, 1) + math.pi) % (2 * math.pi) - math.pi  # at the start of each side
    long = np.flatnonzero(np.hypot(*sides.T) >= MIN_STRAIGHT_SIDE)
    lines = []
    for here, after in zip(long, [*long[1:], *(long[:1] + len(ring))], strict=True):
        between = np.arange(here + 1, after + 1)
        turn = float(turns[between % len(ring)].sum())
        lines.append(_line_outside(angles[here], ring[[here, (here + 1) % len(ring)]], x, y))
        further = math.ceil(turn / MAX_CORNER_TURN - 1e-9) - 1 if turn > 0 else int(len(between) > 1)
        corner = ring[between % len(ring)]
        for part in range(1, further + 1):
            lines.append(_line_outside(angles[here] + turn * part / (further + 1), corner, x, y))
    corners = [_meeting_point(a, b) for a, b in pairwise([*lines, *lines[:1]])]
    if len(corners) < 3 or any(corner is None for corner in corners):
        return None
    cut = Polygon(np.round(np.array(corners, dtype=float), 6))
    return cut if cut.is_valid else None


def _line_outside(angle: float, points: np.ndarray, x: float, y: float) -> tuple[float, float, float]:
    """The line n . p = c with points (k, 2) on its left, as (n_x, n_y, c); angle: its direction.

    It keeps off the points by the support of an ellipse of half axes x and y, as an offset with two allowances does.
    """
    normal = np.array([math.sin(angle), -math.cos(angle)])
    return float(normal[0]), float(normal[1]), float((points @ normal).max() + math.hypot(x * normal[0], y * normal[1]))


def _meeting_point(a: tuple[float, float, float], b: tuple[float, float, float]) -> tuple[float, float] | None:
    """Where two lines meet; None if they are nearly parallel."""
    determinant = a[0] * b[1] - a[1] * b[0]
    if abs(determinant) < math.sin(MIN_LINE_ANGLE):
        return None
    return (a[2] * b[1] - a[1] * b[2]) / determinant, (a[0] * b[2] - a[2] * b[0]) / determinant


def _with_datum_corner(cut: Polygon, outline: Polygon) -> Polygon:
    """The blank with the metal at its lower left left on, if the datum corner would lie off it or near its edge."""
    x, y, _, _ = outline.bounds
    near = box(x - MIN_ALLOWANCE, y - MIN_ALLOWANCE, x + MIN_ALLOWANCE, y + MIN_ALLOWANCE)
    if cut.buffer(COVER_TOLERANCE).covers(near):
        return cut
    hull = cut.union(near).convex_hull
    if cut.convex_hull.area - cut.area < COVER_TOLERANCE * cut.length:
        return hull
    x0, y0, _, _ = hull.bounds
    ring = np.array(cut.exterior.coords)
    lowest_left = ring[ring[:, 0] < x0 + COVER_TOLERANCE][:, 1].min(initial=y + MIN_ALLOWANCE)
    leftmost_low = ring[ring[:, 1] < y0 + COVER_TOLERANCE][:, 0].min(initial=x + MIN_ALLOWANCE)
    whole = cut.union(near).union(Polygon([(x0, y0), (leftmost_low, y0), (x0, lowest_left)]))
    return Polygon(whole.exterior).simplify(0.001) if isinstance(whole, Polygon) else hull

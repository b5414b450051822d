"""The rough blank: how far rolling draws the sheet in, and how much is left outside the outline for it.  mm."""

from __future__ import annotations

import math

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from . import bead_section

TRIM_MARGIN = 3.0  # mm on each side beyond the draw-in: common practice, no source
ROUNDING_TOLERANCE = 0.001  # mm; less draw-in is ignored, because coordinates read from a file are rounded
SCAN_LINES = 49  # lines across the sheet in each direction, along which the draw-in is summed
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

    Whole millimetres; (0, 0) for a layout without beads, which is cut to size.
    """
    if not layout.beads:
        return 0.0, 0.0
    x, y = (float(math.ceil(most / 2 + TRIM_MARGIN - ROUNDING_TOLERANCE)) for most in max_draw_in(panel, layout))
    return x, y


def rough_outline(panel: Panel, layout: Layout, allowance: tuple[float, float] | None = None) -> Polygon:
    """The outline to cut before rolling, in plan: the finished outline offset by the trim allowance.

    Notches narrower than 40 mm are filled, because they are cut after rolling.  A layout without beads is cut to its
    finished outline.  allowance: result of `trim_allowance`, if computed before.
    """
    outline = Polygon(panel.outline)
    x, y = trim_allowance(panel, layout) if allowance is None else allowance
    if not (x > 0 and y > 0):
        return outline
    # One buffer for two allowances: scale the plan so that both become 1 mm, offset it, and scale it back.
    scaled = affinity.scale(outline, 1 / x, 1 / y, origin=(0, 0))
    mitre = {"join_style": "mitre", "mitre_limit": 2.0}
    wider = affinity.scale(scaled.buffer(1.0, **mitre), x, y, origin=(0, 0))
    return wider.buffer(HALF_NOTCH_WIDTH, **mitre).buffer(-HALF_NOTCH_WIDTH, **mitre)

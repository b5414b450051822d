"""Candidates for flared holes: a square lattice over the panel, and a row along its edge.

mm.  The same panel gives the same holes in the same order.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import Hole
from stiffen.model.panel import Panel
from stiffen.shop import clearance, layout_check
from stiffen.shop.spacing_rules import spacing as spacing_of

from .straight_beads import candidate_spacing, fixed_beads_and_holes, proud_side


def hole_candidates(panel: Panel, gauge: float) -> tuple[Hole, ...]:
    """Every flared hole of the lattice and of the edge row that can be made next to the panel's fixed beads and holes.

    For each die: a square lattice about the middle of the panel, its pitch half that of touching holes or
    `candidate_spacing`, whichever is larger; and a row along the panel's edge, evenly spaced and as near to the edge as
    the rules allow.
    """
    fixed, side = fixed_beads_and_holes(panel), proud_side(panel)
    sheet = Polygon(panel.outline)
    found: list[Hole] = []
    for die in panel.tools.hole_dies:
        if layout_check.hole_die_violations(panel, die, gauge):
            continue
        region = clearance.hole_feasible_region(panel, die, gauge, *fixed)
        pitch = die.flange + clearance.pair_clearance(panel.tools, "hole", "hole", gauge)
        lattice = _square_lattice(sheet.bounds, max(pitch / 2, candidate_spacing(panel)))
        inset = die.flange / 2 + spacing_of(panel.tools, "hole_edge", gauge) + 4 * clearance.LENGTH_TOLERANCE
        centres = np.vstack([lattice, _rim_row(sheet.buffer(-inset), pitch)])
        inside = shapely.contains_xy(region, centres[:, 0], centres[:, 1])
        found += [Hole(die, (float(x), float(y)), side) for x, y in centres[inside]]
    return tuple(found)


def _square_lattice(bounds: tuple[float, ...], pitch: float) -> np.ndarray:
    """Points (k, 2) of a square lattice over the bounds (x0, y0, x1, y1), one of them in the middle."""
    axes = []
    for low, high in ((bounds[0], bounds[2]), (bounds[1], bounds[3])):
        count = math.floor((high - low) / 2 / pitch)
        axes.append((low + high) / 2 + pitch * np.arange(-count, count + 1))
    x, y = np.meshgrid(*axes)
    return np.column_stack([x.ravel(), y.ravel()])


def _rim_row(shape: BaseGeometry, pitch: float) -> np.ndarray:
    """Points (k, 2) along the outer rims of a shape, evenly spaced, at least `pitch` mm apart along the rim."""
    rims = [part.exterior for part in shapely.get_parts(shape) if not part.is_empty]
    rows = [rim.interpolate(np.arange(n := int(rim.length / pitch)) / max(n, 1), normalized=True) for rim in rims]
    return shapely.get_coordinates(np.concatenate([*rows, np.empty(0)]))

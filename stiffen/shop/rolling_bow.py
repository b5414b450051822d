"""Bow of the sheet that rolling may leave: an upper estimate, used to prefer layouts with beads on both faces.

Assumption: rolling leaves the metal of every bead at yield along the bead, as welding leaves a seam (the
shrinkage-force method of weld distortion, from memory); the rest stays elastic.  This force acts off the centroid of
the section and bends the sheet along the bead: curvature = yield A e / (E I).  No greater stress can remain, so the
true bow is less.  Its direction depends on the roller.  Equal beads on both faces cancel.

mm, MPa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import LineString

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Panel

from .bead_section import section_properties

CUT_COUNT = 40  # cuts across the sheet in each direction
MIN_IMPROVEMENT = 1e-6  # mm of bow; guards against endless changes by rounding


@dataclass(frozen=True)
class RollingBow:
    """Greatest bow along x and along y: radius (mm, inf for flat) and rise over the extent of the sheet (mm)."""

    radius_x: float
    radius_y: float
    bow_x: float
    bow_y: float


def rolling_bow(panel: Panel, layout: Layout) -> RollingBow:
    """Greatest bow of a layout, by the assumption above, before the sheet is flattened by hand, folded or fitted."""
    bounds = np.array(panel.region.bounds)
    size = bounds[2:] - bounds[:2]
    curvature = [
        abs(np.mean([_curvature_at_cut(panel, layout, axis, at) for at in _cut_positions(bounds, axis)]))
        for axis in (0, 1)
    ]
    radius = [float(1 / k) if k > 1e-12 else math.inf for k in curvature]
    bow = [float(k * length**2 / 8) for k, length in zip(curvature, size, strict=True)]
    return RollingBow(*radius, *bow)


def with_balanced_faces(panel: Panel, layout: Layout) -> Layout:
    """The layout with beads moved to the other face as long as that reduces the bow, if the panel allows both faces.

    One bead is moved at a time, the one that reduces the bow most.  Fixed beads and steps stay.  The result must be
    evaluated anew.
    """
    if panel.bead_side != "either":
        return layout
    bow = _greatest_bow(panel, layout)
    while True:
        changed = [_with_face_changed(layout, i) for i, bead in enumerate(layout.beads) if _may_change_face(bead)]
        least, index = min(((_greatest_bow(panel, other), i) for i, other in enumerate(changed)), default=(bow, 0))
        if least >= bow - MIN_IMPROVEMENT:
            return layout
        bow, layout = least, changed[index]


def _may_change_face(bead: Bead) -> bool:
    return not bead.fixed and bead.die.profile != "step"


def _with_face_changed(layout: Layout, index: int) -> Layout:
    beads = list(layout.beads)
    beads[index] = replace(beads[index], side="down" if beads[index].side == "up" else "up")
    return replace(layout, beads=tuple(beads))


def _greatest_bow(panel: Panel, layout: Layout) -> float:
    bow = rolling_bow(panel, layout)
    return max(bow.bow_x, bow.bow_y)


def _cut_positions(bounds: np.ndarray, axis: int) -> np.ndarray:
    low, high = bounds[axis], bounds[2 + axis]
    return low + (np.arange(CUT_COUNT) + 0.5) / CUT_COUNT * (high - low)


def _curvature_at_cut(panel: Panel, layout: Layout, axis: int, at: float) -> float:
    """Curvature along an axis (0: x, 1: y) at a cut square to it, 1/mm, toward the "up" face.

    A bead at an angle to the axis counts as a rib: its force times the cosine of the angle, its stiffness times cos^3.
    """
    t = layout.gauge
    low, high = panel.region.bounds[1 - axis] - 1, panel.region.bounds[3 - axis] + 1
    ends = ((at, low), (at, high)) if axis == 0 else ((low, at), (high, at))
    width = panel.region.intersection(LineString(ends)).length
    cut = [(bead, cos) for bead in layout.beads for cos in _crossing_cosines(bead, axis, at)]
    if not cut or not width:
        return 0.0
    ribs = [section_properties(bead.die, t, bead.die.width) for bead, _ in cut]
    z = np.array([rib.centroid * (1 if bead.side == "up" else -1) for rib, (bead, _) in zip(ribs, cut, strict=True)])
    area, own, plan = (np.array(column) for column in zip(*((rib.area, rib.I, rib.width) for rib in ribs), strict=True))
    cos = np.array([c for _, c in cut])
    flat = t * (width - (plan * cos**3).sum())
    middle = (area * cos**3 * z).sum() / (flat + (area * cos**3).sum())
    inertia = flat * (t**2 / 12 + middle**2) + ((own + area * (z - middle) ** 2) * cos**3).sum()
    moment = panel.material.yield_strength * (area * cos * (z - middle)).sum()
    return float(moment / (panel.material.E * inertia))


def _crossing_cosines(bead: Bead, axis: int, at: float) -> list[float]:
    """Cosine of the angle to the axis, of each piece of a bead's path that crosses the cut."""
    path = np.array(bead.path, dtype=float)
    before = path[:, axis] < at
    pieces = np.diff(path, axis=0)[before[:-1] != before[1:]]
    return (np.abs(pieces[:, axis]) / np.linalg.norm(pieces, axis=1)).tolist()

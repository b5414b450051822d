"""How far a layout may bow the sheet when it is rolled: an estimate, to prefer balanced layouts by.

Assumption: rolling leaves the metal of every bead stressed to yield along the bead, as a weld leaves its seam (the
shrinkage-force method of weld distortion, from memory), and the rest elastic.  That force, off the middle of the
section, bends the sheet along the bead: curvature = yield A e / (E I).  It is the most that can be left, so the true
bow is less; which way it goes depends on the roller.  Beads of one kind on both faces cancel.

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


@dataclass(frozen=True)
class RollingBow:
    """Radius (mm, inf for none) to which the sheet may curl along x and along y, and the bow (mm) over its extent."""

    radius_x: float
    radius_y: float
    bow_x: float
    bow_y: float


def rolling_bow(panel: Panel, layout: Layout) -> RollingBow:
    """The curl of a layout by the assumption above, before anything is flattened, folded or fitted."""
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
    """The layout with beads turned to the other face wherever that bows it less, where the panel allows both.

    Fixed beads and steps stay.  One bead is turned at a time, the one that helps most; the judge has to look at what
    comes out.
    """
    if panel.bead_side != "either":
        return layout
    bow = _greatest_bow(panel, layout)
    while True:
        turned = [
            _with_face_changed(layout, place) for place, bead in enumerate(layout.beads) if _may_change_face(bead)
        ]
        found = min(((_greatest_bow(panel, other), place) for place, other in enumerate(turned)), default=(bow, 0))
        if found[0] >= bow - 1e-6:
            return layout
        bow, layout = found[0], turned[found[1]]


def _may_change_face(bead: Bead) -> bool:
    return not bead.fixed and bead.die.profile != "step"


def _with_face_changed(layout: Layout, index: int) -> Layout:
    beads = list(layout.beads)
    beads[index] = replace(beads[index], side="down" if beads[index].side == "up" else "up")
    return replace(layout, beads=tuple(beads))


def _greatest_bow(panel: Panel, layout: Layout) -> float:
    found = rolling_bow(panel, layout)
    return max(found.bow_x, found.bow_y)


def _cut_positions(bounds: np.ndarray, axis: int) -> np.ndarray:
    low, high = bounds[axis], bounds[2 + axis]
    return low + (np.arange(CUT_COUNT) + 0.5) / CUT_COUNT * (high - low)


def _curvature_at_cut(panel: Panel, layout: Layout, axis: int, at: float) -> float:
    """Curvature along an axis (1/mm, toward the up face) at a cut square to it.

    A bead that crosses the cut at an angle counts as a rib: force by cos, stiffness by cos^3 of its turn.
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
    """Cosine of the turn from the axis of each piece of a bead's path that crosses the cut."""
    path = np.array(bead.path, dtype=float)
    before = path[:, axis] < at
    pieces = np.diff(path, axis=0)[before[:-1] != before[1:]]
    return (np.abs(pieces[:, axis]) / np.linalg.norm(pieces, axis=1)).tolist()

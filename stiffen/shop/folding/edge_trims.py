"""Edge trims at the bench: the length to cut, the slit of a tube, its ends, the curve that it must follow.  mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, Polygon

from stiffen.model.panel import EdgeTrim, Panel

SLIT_CLEARANCE = 0.2  # mm of a slit over the sheet's thickness: common practice, no source
MIN_TUBE_BEND = 3.0  # radius of a tube's axis over its diameter, below which it kinks by hand: common practice
MAX_MITRES = 8  # corners of one trim that are named one by one
CORNER_TURN = 20.0  # degrees between two chords that make a corner, not a curve


@dataclass(frozen=True)
class TrimCut:
    """An edge trim as it is cut: its length, and what to say about slit, ends and curves."""

    length: float
    notes: tuple[str, ...]


def trim_cut(panel: Panel, trim: EdgeTrim, t: float) -> TrimCut:
    """How to cut an edge trim for sheet of t mm.  A tube reaches half its diameter over the edge it stands on."""
    ring = Polygon(panel.outline).exterior
    line = LineString(ring.coords) if trim.path is None else LineString(trim.path)
    corners, tightest = _turns(np.array(line.coords), line.is_ring)
    notes = []
    if trim.tube:
        slit = t + SLIT_CLEARANCE
        notes.append(
            f"slit the tube along its whole length, {slit:.1f} mm wide, in one line on the side toward the sheet;"
            " deburr the slit and both ends. Push it on until the sheet touches the far wall."
        )
    if len(corners) > MAX_MITRES:
        notes.append(f"it turns {len(corners)} corners: cut it in pieces there, or end it before them.")
    elif corners:
        places = ", ".join(f"{place:.0f}" for place in corners)
        notes.append(f"mitre it at {len(corners)} corners, {places} mm from its beginning.")
    if math.isfinite(tightest) and len(corners) <= MAX_MITRES:
        bend = f"bend it{' before it is slit' if trim.tube else ''}, to radius {tightest:.0f} mm at the tightest"
        kink = trim.tube and tightest < MIN_TUBE_BEND * trim.tube
        notes.append(f"{bend}{'; so tight it kinks by hand: fill it with sand, or end it before' if kink else ''}.")
    return TrimCut(float(line.length), tuple(notes))


def _turns(points: np.ndarray, closed: bool) -> tuple[list[float], float]:
    """Positions of corners along a line, mm, and the least radius of its curves; infinite if it has none."""
    step = np.diff(points, axis=0)
    length = np.linalg.norm(step, axis=1)
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.abs((np.diff(heading) + math.pi) % (2 * math.pi) - math.pi)
    place = np.cumsum(length)[:-1]
    is_corner = turn > math.radians(CORNER_TURN)
    curved = (turn > math.radians(0.2)) & ~is_corner
    radii = (length[:-1] + length[1:])[curved] / 2 / turn[curved]
    corners = [float(s) for s in place[is_corner]]
    if closed and abs((heading[0] - heading[-1] + math.pi) % (2 * math.pi) - math.pi) > math.radians(CORNER_TURN):
        corners = [0.0, *corners]
    return corners, float(radii.min(initial=math.inf))

"""Bead candidates that are not straight: parts of frames, bows, and lines along the flat panel's bending moments.

mm.  All can be rolled and keep to the room that `rules` leaves; the same panel gives the same ones in the same order.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from stiffen.analysis.loads import plan_areas
from stiffen.fem.triangle import curvature
from stiffen.model.layout import Bead
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import layout_check
from stiffen.surrogate.stiffened_plate import Scout, scout

from .straight_beads import (
    FRAME_INSETS,
    OBLIQUE,
    fixed_items,
    frame_ring,
    line_spacing,
    main_directions,
    parallels,
    proud_side,
)

BOW = 0.12  # rise of a bow over its chord
LEAST_TURN = math.radians(20.0)  # a part of a frame that turns less is a straight line, of which there are enough
LINES = 8  # along the moments, for each demand
APART = 3  # times the candidates' spacing between these
STEP = 10.0  # of a line that is traced
ASTRAY = math.radians(45.0)  # a line ends where the moment's direction leaves its own by more
SHARES = (1.0, 0.7)  # of a line's free length
FINE = 0.1  # mm by which a path may be simplified


def course_candidates(panel: Panel, gauge: float) -> tuple[Bead, ...]:
    """Beads of every die but the stepped ones along paths that are not straight, and along the bending moments."""
    dies = [
        d for d in panel.tools.bead_dies if d.profile != "step" and not layout_check.bead_die_breaches(panel, d, gauge)
    ]
    if not dies:
        return ()
    traced = moment_lines(scout(panel, gauge))
    found: list[Bead] = []
    for die in dies:
        room = layout_check.bead_room(panel, die, gauge, *fixed_items(panel))
        trim = (die.width + layout_check.pair_gap(panel.tools, "bead", "bead", gauge)) / 2
        for line in (*_frame_parts(panel, room, trim), *_bows(panel, room), *_clipped(traced, room)):
            bead = _bead(panel, die, line)
            if bead is not None:
                found.append(bead)
    return tuple(dict.fromkeys(found))


def _bead(panel: Panel, die: BeadDie, line: BaseGeometry) -> Bead | None:
    """The bead along a line, straight where the line nearly is; None where it is too short or cannot be rolled."""
    if line.geom_type != "LineString" or line.length < layout_check.least_length(die):
        return None
    path = np.array(shapely.simplify(line, FINE).coords)
    bead = Bead(die, tuple((float(x), float(y)) for x, y in path), proud_side(panel))
    bends = layout_check.path_miss(bead, panel.tools.roller.least_path_radius) <= layout_check.CORNER_CUT
    return bead if bends and line.is_simple and layout_check.frame_side(panel, bead) is not None else None


def _frame_parts(panel: Panel, room: BaseGeometry, trim: float) -> Iterator[BaseGeometry]:
    """Halves and quarters of the frames that `candidates` makes; of those that meet an obstacle, what is left of them.

    trim: mm by which each part is shortened at both ends, so that two of them can follow each other.
    """
    sheet = Polygon(panel.outline)
    x0, y0, x1, y1 = sheet.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    halves = [box(x0, y0, x, y1), box(x, y0, x1, y1), box(x0, y0, x1, y), box(x0, y, x1, y1)]
    quarters = [a.intersection(b) for a in halves[:2] for b in halves[2:]]
    for share in FRAME_INSETS:
        ring = frame_ring(sheet, share * min(x1 - x0, y1 - y0), panel.tools.roller.least_path_radius)
        if ring is None:
            continue
        line = LineString(ring)
        for part in (*halves, *quarters) if room.covers(line) else (room,):
            for piece in shapely.get_parts(shapely.line_merge(line.intersection(part))):
                if piece.length > 4 * trim:
                    short = substring(piece, trim, piece.length - trim)
                    if _turn(short) > LEAST_TURN:
                        yield short


def _turn(line: BaseGeometry) -> float:
    """Radians that a path turns, all its bends added up."""
    step = np.diff(np.array(line.coords), axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return float(np.abs(np.diff(heading)).sum())


def _bows(panel: Panel, room: BaseGeometry) -> Iterator[BaseGeometry]:
    """Arcs over the straight lines in the outline's own directions, to either side."""
    spacing, bounds = OBLIQUE * line_spacing(panel), Polygon(panel.outline).bounds
    for angle in main_directions(panel):
        lines = parallels(bounds, math.radians(angle), spacing)
        for chord in shapely.get_parts(shapely.intersection(lines, room)):
            if chord.geom_type != "LineString" or chord.is_empty:
                continue
            ends = np.array(chord.coords)
            for rise in (BOW, -BOW):
                yield from _longest(LineString(bow(ends[0], ends[-1], rise)), room)


def bow(start: np.ndarray, stop: np.ndarray, rise: float) -> np.ndarray:
    """Points (n, 2) of the arc from start to stop that rises to its left by a fraction of its chord."""
    chord = stop - start
    half = 2 * math.atan(2 * rise)  # half the arc's angle
    turn = np.linspace(-half, half, 3 + 2 * math.ceil(abs(half) / math.radians(4.0)))
    along = (np.sin(turn) / math.sin(half) + 1) / 2
    up = (np.cos(turn) - math.cos(half)) / (2 * math.sin(half))
    return start + along[:, None] * chord + up[:, None] * np.array([-chord[1], chord[0]])


def _longest(line: BaseGeometry, room: BaseGeometry) -> list[BaseGeometry]:
    pieces = shapely.get_parts(line.intersection(room))
    return [max(pieces, key=shapely.length)] if len(pieces) else []


def _clipped(lines: list[np.ndarray], room: BaseGeometry) -> Iterator[BaseGeometry]:
    for line in lines:
        for piece in _longest(LineString(line), room):
            for share in SHARES:
                gone = (1 - share) / 2 * piece.length
                yield substring(piece, gone, piece.length - gone)


def moment_lines(flat: Scout) -> list[np.ndarray]:
    """Paths (n, 2) that follow the larger principal bending moment of the flat panel, for each demand a scout knows.

    They start where that moment is largest, keep apart, and turn no tighter than the roller can.
    """
    response = flat.respond(())
    apart = APART * line_spacing(flat.panel)
    out: list[np.ndarray] = []
    for _, u, _ in response.pairs.values():
        field = _Moments(flat, u)
        mine: list[LineString] = []
        for seed in field.places[np.argsort(-field.size, kind="stable")]:
            if len(mine) == LINES:
                break
            if all(line.distance(shapely.points(seed)) > apart for line in mine):
                path = np.vstack([field.traced(seed, 1.0)[:0:-1], field.traced(seed, -1.0)])
                if len(path) > 1:
                    mine.append(LineString(path))
                    out.append(path)
    return out


class _Moments:
    """Principal moments at the nodes of a scout's mesh: places (n, 2), size (n,) of the larger, its direction."""

    def __init__(self, flat: Scout, u: np.ndarray) -> None:
        plan, triangles = flat.mesh.plan, flat.mesh.triangles
        full = np.where(flat.number >= 0, u[flat.number], 0.0)
        corners = curvature(plan[triangles], plan_areas(plan[triangles]), np.eye(3))
        at = (3 * triangles[:, :, None] + np.arange(3)).reshape(-1, 9)
        kappa = np.einsum("mpij,mj->mpi", corners, full[at]).reshape(-1, 3)
        count = np.bincount(triangles.ravel(), minlength=len(plan))
        x, y, twice = (np.bincount(triangles.ravel(), k, len(plan)) / np.maximum(count, 1) for k in kappa.T)
        mean, nu = (x + y) / 2, flat.panel.material.nu
        differ = np.hypot((x - y) / 2, twice / 2) * (1 - nu) / (1 + nu)  # of moments over D (1 + nu)
        steep = 0.5 * np.arctan2(twice, x - y) + np.where(mean < 0, math.pi / 2, 0.0)
        self.places, self.size, self.angle = plan, np.abs(mean) + differ, steep
        self.tree = cKDTree(plan)
        self.inside = flat.panel.region.buffer(1e-6)
        self.tightest = STEP / (1.05 * flat.panel.tools.roller.least_path_radius)

    def traced(self, seed: np.ndarray, sense: float) -> np.ndarray:
        """Points from a seed on, in one sense, until the sheet ends or the moments turn too sharply to be followed."""
        place, heading = seed, self.angle[self.tree.query(seed)[1]] + (0.0 if sense > 0 else math.pi)
        path = [place]
        while len(path) < 1000:
            place = place + STEP * np.array([math.cos(heading), math.sin(heading)])
            if not shapely.contains_xy(self.inside, *place):
                break
            path.append(place)
            off = (self.angle[self.tree.query(place)[1]] - heading + math.pi / 2) % math.pi - math.pi / 2
            if abs(off) > ASTRAY:
                break
            heading += min(max(off, -self.tightest), self.tightest)
        return np.array(path)

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
from stiffen.fem.triangle import curvature_matrix
from stiffen.model.layout import Bead
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance, layout_check, rollability
from stiffen.surrogate.stiffened_plate import StiffenedPlate, stiffened_plate

from .straight_beads import (
    FRAME_INSET_SHARES,
    OBLIQUE_SPACING_FACTOR,
    candidate_spacing,
    fixed_beads_and_holes,
    frame_ring,
    main_directions,
    parallel_lines,
    proud_side,
)

BOW_RISE = 0.12  # rise of a bow over its chord
MIN_FRAME_PART_TURN = math.radians(
    20.0
)  # a part of a frame that turns less is a straight line, of which there are enough
MOMENT_LINES_PER_DEMAND = 8  # along the moments, for each demand
MOMENT_LINE_SPACING_FACTOR = 3  # times the candidates' spacing between these
TRACE_STEP = 10.0  # of a line that is traced
MAX_TRACE_DEVIATION = math.radians(45.0)  # a line ends where the moment's direction leaves its own by more
LENGTH_SHARES = (1.0, 0.7)  # of a line's free length
SIMPLIFY_TOLERANCE = 0.1  # mm by which a path may be simplified


def curved_bead_candidates(panel: Panel, gauge: float) -> tuple[Bead, ...]:
    """Beads of every die but the stepped ones along paths that are not straight, and along the bending moments."""
    dies = [
        d
        for d in panel.tools.bead_dies
        if d.profile != "step" and not layout_check.bead_die_violations(panel, d, gauge)
    ]
    if not dies:
        return ()
    traced = moment_lines(stiffened_plate(panel, gauge))
    found: list[Bead] = []
    for die in dies:
        room = clearance.bead_feasible_region(panel, die, gauge, *fixed_beads_and_holes(panel))
        trim = (die.width + clearance.pair_clearance(panel.tools, "bead", "bead", gauge)) / 2
        for line in (*_frame_parts(panel, room, trim), *_bow_lines(panel, room), *_clipped_lines(traced, room)):
            bead = _bead_along(panel, die, line)
            if bead is not None:
                found.append(bead)
    return tuple(dict.fromkeys(found))


def _bead_along(panel: Panel, die: BeadDie, path_line: BaseGeometry) -> Bead | None:
    """The bead along a line, straight where the line nearly is; None where it is too short or cannot be rolled."""
    if path_line.geom_type != "LineString" or path_line.length < rollability.min_bead_length(die):
        return None
    path = np.array(shapely.simplify(path_line, SIMPLIFY_TOLERANCE).coords)
    bead = Bead(die, tuple((float(x), float(y)) for x, y in path), proud_side(panel))
    bends = rollability.path_deviation(bead, panel.tools.roller.least_path_radius) <= rollability.MAX_PATH_DEVIATION
    return (
        bead if bends and path_line.is_simple and rollability.preferred_frame_side(panel, bead) is not None else None
    )


def _frame_parts(panel: Panel, region: BaseGeometry, end_gap: float) -> Iterator[BaseGeometry]:
    """Halves and quarters of the frames that `candidates` makes; of those that meet an obstacle, what is left of them.

    trim: mm by which each part is shortened at both ends, so that two of them can follow each other.
    """
    sheet = Polygon(panel.outline)
    x0, y0, x1, y1 = sheet.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    halves = [box(x0, y0, x, y1), box(x, y0, x1, y1), box(x0, y0, x1, y), box(x0, y, x1, y1)]
    quarters = [a.intersection(b) for a in halves[:2] for b in halves[2:]]
    for share in FRAME_INSET_SHARES:
        ring = frame_ring(sheet, share * min(x1 - x0, y1 - y0), panel.tools.roller.least_path_radius)
        if ring is None:
            continue
        line = LineString(ring)
        for part in (*halves, *quarters) if region.covers(line) else (region,):
            for piece in shapely.get_parts(shapely.line_merge(line.intersection(part))):
                if piece.length > 4 * end_gap:
                    short = substring(piece, end_gap, piece.length - end_gap)
                    if _total_turn(short) > MIN_FRAME_PART_TURN:
                        yield short


def _total_turn(line: BaseGeometry) -> float:
    """Radians that a path turns, all its bends added up."""
    step = np.diff(np.array(line.coords), axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    return float(np.abs(np.diff(heading)).sum())


def _bow_lines(panel: Panel, region: BaseGeometry) -> Iterator[BaseGeometry]:
    """Arcs over the straight lines in the outline's own directions, to either side."""
    spacing, bounds = OBLIQUE_SPACING_FACTOR * candidate_spacing(panel), Polygon(panel.outline).bounds
    for angle in main_directions(panel):
        lines = parallel_lines(bounds, math.radians(angle), spacing)
        for chord in shapely.get_parts(shapely.intersection(lines, region)):
            if chord.geom_type != "LineString" or chord.is_empty:
                continue
            ends = np.array(chord.coords)
            for rise in (BOW_RISE, -BOW_RISE):
                yield from _longest_piece(LineString(bow_arc(ends[0], ends[-1], rise)), region)


def bow_arc(start: np.ndarray, stop: np.ndarray, rise: float) -> np.ndarray:
    """Points (n, 2) of the arc from start to stop that rises to its left by a fraction of its chord."""
    chord = stop - start
    half = 2 * math.atan(2 * rise)  # half the arc's angle
    turn = np.linspace(-half, half, 3 + 2 * math.ceil(abs(half) / math.radians(4.0)))
    along = (np.sin(turn) / math.sin(half) + 1) / 2
    up = (np.cos(turn) - math.cos(half)) / (2 * math.sin(half))
    return start + along[:, None] * chord + up[:, None] * np.array([-chord[1], chord[0]])


def _longest_piece(line: BaseGeometry, region: BaseGeometry) -> list[BaseGeometry]:
    pieces = shapely.get_parts(line.intersection(region))
    return [max(pieces, key=shapely.length)] if len(pieces) else []


def _clipped_lines(lines: list[np.ndarray], region: BaseGeometry) -> Iterator[BaseGeometry]:
    for line in lines:
        for piece in _longest_piece(LineString(line), region):
            for share in LENGTH_SHARES:
                gone = (1 - share) / 2 * piece.length
                yield substring(piece, gone, piece.length - gone)


def moment_lines(surrogate: StiffenedPlate) -> list[np.ndarray]:
    """Paths (n, 2) that follow the larger principal bending moment of the flat panel, for each demand a scout knows.

    They start where that moment is largest, keep apart, and turn no tighter than the roller can.
    """
    response = surrogate.respond(())
    apart = MOMENT_LINE_SPACING_FACTOR * candidate_spacing(surrogate.panel)
    out: list[np.ndarray] = []
    for _, u, _ in response.adjoint_fields.values():
        field = _PrincipalMoments(surrogate, u)
        mine: list[LineString] = []
        for seed in field.nodes[np.argsort(-field.magnitude, kind="stable")]:
            if len(mine) == MOMENT_LINES_PER_DEMAND:
                break
            if all(line.distance(shapely.points(seed)) > apart for line in mine):
                path = np.vstack([field.trace(seed, 1.0)[:0:-1], field.trace(seed, -1.0)])
                if len(path) > 1:
                    mine.append(LineString(path))
                    out.append(path)
    return out


class _PrincipalMoments:
    """Principal moments at the nodes of a scout's mesh: places (n, 2), size (n,) of the larger, its direction."""

    def __init__(self, flat: StiffenedPlate, u: np.ndarray) -> None:
        plan, triangles = flat.mesh.plan, flat.mesh.triangles
        full = np.where(flat.dof_numbers >= 0, u[flat.dof_numbers], 0.0)
        corners = curvature_matrix(plan[triangles], plan_areas(plan[triangles]), np.eye(3))
        at = (3 * triangles[:, :, None] + np.arange(3)).reshape(-1, 9)
        kappa = np.einsum("mpij,mj->mpi", corners, full[at]).reshape(-1, 3)
        count = np.bincount(triangles.ravel(), minlength=len(plan))
        x, y, twice = (np.bincount(triangles.ravel(), k, len(plan)) / np.maximum(count, 1) for k in kappa.T)
        mean, nu = (x + y) / 2, flat.panel.material.nu
        differ = np.hypot((x - y) / 2, twice / 2) * (1 - nu) / (1 + nu)  # of moments over D (1 + nu)
        steep = 0.5 * np.arctan2(twice, x - y) + np.where(mean < 0, math.pi / 2, 0.0)
        self.nodes, self.magnitude, self.direction = plan, np.abs(mean) + differ, steep
        self.tree = cKDTree(plan)
        self.sheet_region = flat.panel.region.buffer(1e-6)
        self.max_turn_per_step = TRACE_STEP / (1.05 * flat.panel.tools.roller.least_path_radius)

    def trace(self, seed: np.ndarray, sign: float) -> np.ndarray:
        """Points from a seed on, in one sense, until the sheet ends or the moments turn too sharply to be followed."""
        place, heading = seed, self.direction[self.tree.query(seed)[1]] + (0.0 if sign > 0 else math.pi)
        path = [place]
        while len(path) < 1000:
            place = place + TRACE_STEP * np.array([math.cos(heading), math.sin(heading)])
            if not shapely.contains_xy(self.sheet_region, *place):
                break
            path.append(place)
            off = (self.direction[self.tree.query(place)[1]] - heading + math.pi / 2) % math.pi - math.pi / 2
            if abs(off) > MAX_TRACE_DEVIATION:
                break
            heading += min(max(off, -self.max_turn_per_step), self.max_turn_per_step)
        return np.array(path)

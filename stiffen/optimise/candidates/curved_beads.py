"""Curved bead candidates: parts of frames, circular bows, and lines along the flat panel's bending moments.

Lengths in mm.  All can be rolled and lie in the feasible region of `layout_check`.  The same panel gives the same
candidates in the same order.
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

from stiffen.errors import SolverError
from stiffen.model.layout import Bead
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance, layout_check, rollability
from stiffen.surrogate.laminated_panel import LaminatedPanel

from .straight_beads import (
    OBLIQUE_SPACING_FACTOR,
    candidate_spacing,
    fixed_beads_and_holes,
    frame_insets,
    frame_ring,
    main_directions,
    parallel_lines,
    proud_side,
)

BOW_RISE = 0.12  # rise of a bow over its chord
MIN_FRAME_PART_TURN = math.radians(
    20.0
)  # a part of a frame that turns less is a straight line; `straight_beads` has it
MOMENT_LINES_PER_DEMAND = 8
MOMENT_LINE_SPACING_FACTOR = 3  # least distance between moment lines over `candidate_spacing`
TRACE_STEP = 10.0  # mm between the points of a moment line
MAX_TRACE_POINTS = 1000
MAX_TRACE_DEVIATION = math.radians(45.0)  # a line ends where the direction of the moment turns away by more
LENGTH_SHARES = (1.0, 0.7)  # of a moment line's feasible length
EXACT = 1e-16  # tolerance of a mode: so exact that mirror images differ by round-off alone, whatever the solver
SIMPLIFY_TOLERANCE = 0.1  # mm by which the points of a path may be moved when it is simplified


def curved_bead_candidates(
    panel: Panel, gauge: float, surrogate: LaminatedPanel, dies: tuple[BeadDie, ...] | None = None
) -> tuple[Bead, ...]:
    """Beads of some dies (default: every usable die) except step dies along parts of frames, bows and moment lines.

    They keep clear of the panel's fixed beads and holes; no two are equal.
    """
    tools, fixed = panel.tools, fixed_beads_and_holes(panel)
    usable = [die for die in tools.bead_dies if not layout_check.bead_die_violations(panel, die, gauge)]
    chosen = [die for die in usable if die.profile != "step" and (dies is None or die in dies)]
    if not chosen:
        return ()
    moments = moment_lines(surrogate)
    found: list[Bead] = []
    for die in chosen:
        region = clearance.bead_feasible_region(panel, die, gauge, *fixed)
        end_gap = (die.width + clearance.pair_clearance(tools, "bead", "bead", gauge)) / 2
        lines = (*_frame_parts(panel, region, end_gap), *_bow_lines(panel, region), *_clipped_lines(moments, region))
        beads = (_bead_along(panel, die, line) for line in lines)
        found += [bead for bead in beads if bead is not None]
    return tuple(dict.fromkeys(found))


def _bead_along(panel: Panel, die: BeadDie, path_line: BaseGeometry) -> Bead | None:
    """The bead along a line, its path simplified; None if the line is too short or cannot be rolled."""
    if path_line.geom_type != "LineString" or path_line.length < rollability.min_bead_length(die):
        return None
    path = np.array(shapely.simplify(path_line, SIMPLIFY_TOLERANCE).coords)
    bead = Bead(die, tuple((float(x), float(y)) for x, y in path), proud_side(panel))
    deviation = rollability.path_deviation(bead, panel.tools.roller.least_path_radius)
    if deviation > rollability.MAX_PATH_DEVIATION or not path_line.is_simple:
        return None
    return bead if rollability.preferred_frame_side(panel, bead) is not None else None


def _frame_parts(panel: Panel, region: BaseGeometry, end_gap: float) -> Iterator[BaseGeometry]:
    """Halves and quarters of the closed frames; of a frame that meets an obstacle, the pieces between obstacles.

    end_gap: mm by which each part is shortened at both ends, so that two parts can follow each other.
    """
    sheet = Polygon(panel.outline)
    x0, y0, x1, y1 = sheet.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    halves = [box(x0, y0, x, y1), box(x, y0, x1, y1), box(x0, y0, x1, y), box(x0, y, x1, y1)]
    quarters = [a.intersection(b) for a in halves[:2] for b in halves[2:]]
    for inset in frame_insets(sheet):
        ring = frame_ring(sheet, inset, panel.tools.roller.least_path_radius)
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
    """Sum of the absolute turns of a path, radians."""
    steps = np.diff(np.array(line.coords), axis=0)
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    return float(np.abs(np.diff(heading)).sum())


def _bow_lines(panel: Panel, region: BaseGeometry) -> Iterator[BaseGeometry]:
    """Arcs over chords in the main directions, bowed to either side."""
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
    """Points (n, 2) of a circular arc from start to stop.

    It rises to the left of the chord, by the fraction `rise` of the chord's length.
    """
    chord = stop - start
    half_angle = 2 * math.atan(2 * rise)
    angle = np.linspace(-half_angle, half_angle, 3 + 2 * math.ceil(abs(half_angle) / math.radians(4.0)))
    along = (np.sin(angle) / math.sin(half_angle) + 1) / 2
    across = (np.cos(angle) - math.cos(half_angle)) / (2 * math.sin(half_angle))
    return start + along[:, None] * chord + across[:, None] * np.array([-chord[1], chord[0]])


def _longest_piece(line: BaseGeometry, region: BaseGeometry) -> list[BaseGeometry]:
    """The longest piece of a line inside the region, as a list of one; empty if there is none."""
    pieces = shapely.get_parts(line.intersection(region))
    return [max(pieces, key=shapely.length)] if len(pieces) else []


def _clipped_lines(lines: list[np.ndarray], region: BaseGeometry) -> Iterator[BaseGeometry]:
    """The longest piece of each line inside the region, shortened equally at both ends to each of LENGTH_SHARES."""
    for line in lines:
        for piece in _longest_piece(LineString(line), region):
            for share in LENGTH_SHARES:
                cut = (1 - share) / 2 * piece.length
                yield substring(piece, cut, piece.length - cut)


def moment_lines(surrogate: LaminatedPanel) -> list[np.ndarray]:
    """Paths (n, 2) along the larger principal bending moment of the flat panel, for each demand that bends it.

    Each path passes through a node where that moment is large.  Paths of one demand keep their distance there, and none
    turns tighter than the roller can follow.
    """
    spacing = MOMENT_LINE_SPACING_FACTOR * candidate_spacing(surrogate.panel)
    paths: list[np.ndarray] = []
    for u in _displacement_fields(surrogate):
        moments = _PrincipalMoments(surrogate, u)
        lines: list[LineString] = []
        for seed in moments.nodes[np.argsort(-moments.magnitude.round(6), kind="stable")]:
            if len(lines) == MOMENT_LINES_PER_DEMAND:
                break
            if all(line.distance(shapely.points(seed)) > spacing for line in lines):
                path = np.vstack([moments.trace(seed, 1.0)[:0:-1], moments.trace(seed, -1.0)])
                if len(path) > 1:
                    lines.append(LineString(path))
                    paths.append(path)
    return paths


def _displacement_fields(surrogate: LaminatedPanel) -> Iterator[np.ndarray]:
    """Linear displacements (6 n,) of the flat panel: each case with a demand, the softest push, the first mode."""
    model = next(iter(surrogate.models.values()))
    for kind, case in dict.fromkeys((demand.kind, demand.case) for demand in surrogate.panel.demands):
        try:
            if kind == "frequency":
                yield model.linear_model.modes(1, EXACT)[1][:, 0]
            elif kind == "softness":
                x, y, _ = model.softness[model.softness[:, 2].argmax()]
                yield model.linear_model.solve(model.push_forces((float(x), float(y)), 1.0))
            elif case is not None:
                yield model.linear_solution(case)[1]
        except SolverError:
            continue  # the panel is not held in this case; its evaluation reports that


class _PrincipalMoments:
    """The larger principal bending moment of the flat panel at the nodes of its mesh, under displacements `u` (6 n,).

    nodes: (n, 2) mm in plan.  magnitude: (n,) N mm/mm.  direction: (n,) radians in plan, in which the moment bends.
    """

    def __init__(self, surrogate: LaminatedPanel, u: np.ndarray) -> None:
        plan, triangles = surrogate.mesh.plan, surrogate.mesh.triangles
        shell = next(iter(surrogate.models.values())).linear_model.shell
        _, moment = shell.resultants(u)
        local = np.stack([moment[:, [0, 2]], moment[:, [2, 1]]], axis=1)
        in_plan = surrogate.axes.transpose(0, 2, 1) @ local @ surrogate.axes
        count = np.bincount(triangles.ravel(), minlength=len(plan))
        x, y, twist = (
            np.bincount(triangles.ravel(), np.repeat(part, 3), len(plan)) / np.maximum(count, 1)
            for part in (in_plan[:, 0, 0], in_plan[:, 1, 1], in_plan[:, 0, 1])
        )
        mean, deviator = (x + y) / 2, np.hypot((x - y) / 2, twist)
        direction = 0.5 * np.arctan2(2 * twist, x - y) + np.where(mean < 0, math.pi / 2, 0.0)
        self.nodes, self.magnitude, self.direction = plan, np.abs(mean) + deviator, direction
        self.tree = cKDTree(plan)
        self.sheet_region = surrogate.panel.region.buffer(1e-6)
        self.max_turn_per_step = TRACE_STEP / (1.05 * surrogate.panel.tools.roller.least_path_radius)

    def trace(self, seed: np.ndarray, sign: float) -> np.ndarray:
        """Points (k, 2) from a seed along the moment, one way (sign 1 or -1).

        The line ends at the edge of the sheet, or where the moment turns too sharply.
        """
        point, heading = seed, self.direction[self.tree.query(seed)[1]] + (0.0 if sign > 0 else math.pi)
        path = [point]
        while len(path) < MAX_TRACE_POINTS:
            point = point + TRACE_STEP * np.array([math.cos(heading), math.sin(heading)])
            if not shapely.contains_xy(self.sheet_region, *point):
                break
            path.append(point)
            turn = (self.direction[self.tree.query(point)[1]] - heading + math.pi / 2) % math.pi - math.pi / 2
            if abs(turn) > MAX_TRACE_DEVIATION:
                break
            heading += min(max(turn, -self.max_turn_per_step), self.max_turn_per_step)
        return np.array(path)

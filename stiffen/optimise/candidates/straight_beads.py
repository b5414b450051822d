"""Bead candidates along straight lines, along the panel's edges (steps), and along closed frames.

Each can be rolled with one of the shop's dies beside the panel's fixed beads and holes.  Lengths in mm,
directions in degrees.  The same panel gives the same candidates in the same order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import SIDES, Bead, Hole
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance, layout_check, rollability
from stiffen.shop.spacing_rules import spacing as spacing_of

ANGLE_STEP = 15.0  # degrees between the directions that are tried whatever the outline
LONG_EDGE_SHARE = 0.4  # of the longest straight edge: edges at least this long give a direction
MIN_MAIN_EDGE_SHARE = 0.1  # of the outline that runs along the first main direction; else that is x
MIN_OBLIQUE_ANGLE = 15.0  # degrees from both main directions at which an edge gives a third main direction,
MIN_OBLIQUE_EDGE_SHARE = 0.2  # if at least this share of the outline runs along it
MAX_OTHER_DIRECTIONS = 4  # further edge directions that are tried; a disc would give one for each of its corners
LENGTH_SHARES = (1.0, 0.8, 0.6)  # of the free length: lengths tried in the main directions
OBLIQUE_SPACING_FACTOR = 5  # spacing in all other directions, in full length only, over that in the main directions
FRAME_CORNER_STEP = math.radians(5.0)  # angle of one chord of a frame's rounded corner
LEAST_ROUND_CORNERS = 24  # of a polygon that stands for a round sheet
ROUND = 0.5  # mm by which its corners may lie off the circle
FRAME_INSET_SHARES = (0.08, 0.12, 0.16, 0.22, 0.3)  # of the panel's short side: insets of the frames


def bead_candidates(
    panel: Panel, gauge: float, *, angles: Sequence[float] | None = None, spacing: float | None = None
) -> tuple[Bead, ...]:
    """Every straight, frame and step bead that can be rolled next to the panel's fixed beads and holes, no two alike.

    angles: degrees; straight beads are drawn in these directions only, at `spacing` and in all lengths.  Default: the
    `main_directions` at `spacing`, the first two in all lengths, the third in full length; other directions of the
    outline and all multiples of 15 degrees in full length at five times the spacing.  spacing: mm between parallel
    beads, default `candidate_spacing`.
    """
    spacing = spacing or candidate_spacing(panel)
    fixed = fixed_beads_and_holes(panel)
    found: dict[tuple, Bead] = {}
    for die in panel.tools.bead_dies:
        if layout_check.bead_die_violations(panel, die, gauge):
            continue
        region = clearance.bead_feasible_region(panel, die, gauge, *fixed)
        if die.profile == "step":
            made = _step_beads(panel, die, region, gauge)
        else:
            made = _beads_of_die(panel, die, region, angles, spacing)
        for bead in made:
            found.setdefault((die.name, _path_key(bead)), bead)
    return tuple(found.values())


def straight_bead_candidates(panel: Panel, gauge: float, dies: tuple[BeadDie, ...]) -> tuple[Bead, ...]:
    """Steps, frames, and straight beads in directions other than the main ones, of some dies; see `bead_candidates`."""
    main = main_directions(panel)
    wide = bead_candidates(panel, gauge, spacing=OBLIQUE_SPACING_FACTOR * candidate_spacing(panel))
    return tuple(bead for bead in wide if bead.die in dies and (len(bead.path) > 2 or not _runs_along(bead, main)))


def _runs_along(bead: Bead, directions: tuple[float, ...]) -> bool:
    """True for a straight bead, not a step, in one of some directions (degrees)."""
    (x0, y0), (x1, y1) = bead.path
    angle = math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180
    return bead.die.profile != "step" and any(abs((angle - one + 90) % 180 - 90) < 1.0 for one in directions)


def candidate_spacing(panel: Panel) -> float:
    """mm between neighbouring parallel candidates: 12 mm on panels up to 650 mm from corner to corner.

    On larger panels it grows in proportion, so that panels of all sizes have about as many candidates.
    """
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    return 12.0 * max(1.0, math.hypot(x1 - x0, y1 - y0) / 650)


def edge_directions(panel: Panel) -> tuple[float, ...]:
    """Directions of the outline's long straight edges, degrees in [0, 180), to 0.1 degrees; longest total first."""
    return tuple(_edge_length_by_direction(panel))


def _edge_length_by_direction(panel: Panel) -> dict[float, float]:
    """Direction (degrees) -> total length (mm) of the outline's long straight edges; longest total first."""
    ring = np.array(shapely.simplify(Polygon(panel.outline), 0.05).exterior.coords)
    edges = np.diff(ring, axis=0)
    lengths = np.hypot(*edges.T)
    degrees = np.round(np.degrees(np.arctan2(edges[:, 1], edges[:, 0])) % 180, 1) % 180
    total: dict[float, float] = {}
    for angle, length in sorted(zip(degrees.tolist(), lengths.tolist(), strict=True)):
        if length >= LONG_EDGE_SHARE * lengths.max():
            total[angle] = total.get(angle, 0.0) + length
    return {angle: total[angle] for angle in sorted(total, key=lambda angle: (-round(total[angle], 1), angle))}


def main_directions(panel: Panel) -> tuple[float, ...]:
    """Directions (degrees) in which candidates lie close together: one to three.

    Along the longest edges, or x where no edge is long, as on a disc; square to them, unless the panel is a narrow
    strip; along the next longest edges where these are oblique to both and long enough.
    """
    length = _edge_length_by_direction(panel)
    directions = tuple(length)
    first = directions[0] if length[directions[0]] >= MIN_MAIN_EDGE_SHARE * Polygon(panel.outline).length else 0.0
    x0, y0, x1, y1 = rotate(Polygon(panel.outline), -first).bounds
    is_strip = y1 - y0 < LONG_EDGE_SHARE * (x1 - x0)
    main = (first,) if is_strip else (first, round((first + 90) % 180, 1))
    oblique = [a for a in directions if all(abs((a - one + 90) % 180 - 90) > MIN_OBLIQUE_ANGLE for one in main)]
    least = MIN_OBLIQUE_EDGE_SHARE * Polygon(panel.outline).length
    return (*main, *(angle for angle in oblique[:1] if length[angle] >= least))


def proud_side(panel: Panel) -> str:
    """Side on which candidates stand proud: the panel's; "up" if the panel allows either."""
    return panel.bead_side if panel.bead_side in SIDES else "up"


def fixed_beads_and_holes(panel: Panel) -> tuple[tuple[Bead, ...], tuple[Hole, ...]]:
    """The panel's own beads and holes that every layout must keep."""
    return tuple(bead for bead in panel.beads if bead.fixed), tuple(hole for hole in panel.holes if hole.fixed)


def _beads_of_die(
    panel: Panel, die: BeadDie, region: BaseGeometry, angles: Sequence[float] | None, spacing: float
) -> Iterator[Bead]:
    """Straight and frame beads of one die in its feasible region; `angles` and `spacing` as in `bead_candidates`."""
    if region.is_empty:
        return
    if angles is not None:
        main, others = tuple(angles), ()
    else:
        main = main_directions(panel)
        edges = [angle for angle in edge_directions(panel) if angle not in main][:MAX_OTHER_DIRECTIONS]
        steps = np.arange(0.0, 180.0, ANGLE_STEP).tolist()
        others = tuple(dict.fromkeys(angle for angle in (*edges, *steps) if angle not in main))
    for k, angle in enumerate(main):
        shares = LENGTH_SHARES if k < 2 or angles is not None else LENGTH_SHARES[:1]
        yield from _straight_beads(panel, die, region, angle, spacing, shares)
    yield from _frame_beads(panel, die, region)
    for angle in others:
        yield from _straight_beads(panel, die, region, angle, OBLIQUE_SPACING_FACTOR * spacing, LENGTH_SHARES[:1])


def _step_beads(panel: Panel, die: BeadDie, region: BaseGeometry, gauge: float) -> Iterator[Bead]:
    """A step along each straight edge, as near to it as the rules allow: its longest feasible piece."""
    min_length, side = rollability.min_bead_length(die), proud_side(panel)
    corners = np.array(shapely.simplify(Polygon(panel.outline), 0.05).exterior.coords)
    inset = die.width / 2 + spacing_of(panel.tools, "step_edge", gauge) + 4 * clearance.LENGTH_TOLERANCE
    for start, stop in zip(corners[:-1], corners[1:], strict=True):
        tangent = (stop - start) / np.linalg.norm(stop - start)
        inward = inset * np.array([-tangent[1], tangent[0]]) * (1 if _is_counterclockwise(corners) else -1)
        pieces = shapely.get_parts(shapely.intersection(shapely.linestrings([start + inward, stop + inward]), region))
        longest = max(pieces, key=shapely.length, default=None)
        if longest is None or longest.geom_type != "LineString" or longest.length < min_length:
            continue
        bead = Bead(die, _path_points(np.array(longest.coords)), side)
        if rollability.preferred_frame_side(panel, bead) is not None:
            yield bead


def _is_counterclockwise(ring: np.ndarray) -> bool:
    return shapely.is_ccw(shapely.linearrings(ring))


def _straight_beads(
    panel: Panel, die: BeadDie, region: BaseGeometry, angle: float, spacing: float, length_shares: Iterable[float]
) -> Iterator[Bead]:
    """Straight beads in one direction (degrees), `spacing` mm apart, one of them through the middle of the panel.

    length_shares: lengths, as shares of each line's feasible length; the beads lie in the middle of it.
    """
    min_length, side = rollability.min_bead_length(die), proud_side(panel)
    lines = parallel_lines(Polygon(panel.outline).bounds, math.radians(angle), spacing)
    for piece in shapely.get_parts(shapely.intersection(lines, region)):
        if piece.geom_type != "LineString" or piece.length < min_length:
            continue
        if rollability.preferred_frame_side(panel, Bead(die, tuple(piece.coords), side)) is None:
            continue
        ends = np.array(piece.coords)
        ends = ends[np.lexsort((ends[:, 1], ends[:, 0]))]
        middle = ends.mean(axis=0)
        for share in length_shares:
            if share * piece.length >= min_length:
                yield Bead(die, _path_points(middle + share * (ends - middle)), side)


def parallel_lines(bounds: tuple[float, ...], angle: float, spacing: float) -> np.ndarray:
    """Parallel lines at `angle` (radians) that cover the bounds (x0, y0, x1, y1), one of them through the middle."""
    x0, y0, x1, y1 = bounds
    middle, radius = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), math.hypot(x1 - x0, y1 - y0) / 2
    tangent, normal = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    count = math.floor(radius / spacing)
    feet = middle + np.arange(-count, count + 1)[:, None] * spacing * normal
    return shapely.linestrings(np.stack([feet - radius * tangent, feet + radius * tangent], axis=1))


def _frame_beads(panel: Panel, die: BeadDie, region: BaseGeometry) -> Iterator[Bead]:
    """Closed frames parallel to the outline, with the tightest corners that the roller can follow."""
    sheet, side, radius = Polygon(panel.outline), proud_side(panel), panel.tools.roller.least_path_radius
    for inset in frame_insets(sheet):
        ring = frame_ring(sheet, inset, radius)
        if ring is None or not region.covers(shapely.linestrings(ring)):
            continue
        bead = Bead(die, _path_points(ring), side)
        if rollability.preferred_frame_side(panel, bead) is not None:
            yield bead


def frame_insets(sheet: Polygon) -> list[float]:
    """Insets of the frames that are tried, mm from the outline: multiples of 5, rising."""
    x0, y0, x1, y1 = sheet.bounds
    return sorted({5.0 * max(1, round(share * min(x1 - x0, y1 - y0) / 5)) for share in FRAME_INSET_SHARES})


def frame_ring(sheet: Polygon, inset: float, radius: float) -> np.ndarray | None:
    """Closed ring (n, 2) at `inset` mm inside the outline, no tighter than `radius` mm; None if it does not fit.

    On a round sheet a circle, its radius a whole number of mm.
    """
    if (circle := circle_of(sheet)) is None:
        return rounded_ring(_inset_corners(sheet, inset, radius), radius)
    x, y, outer = circle
    own = round(outer - inset)
    if own < radius:
        return None
    turn = np.linspace(0.0, 2 * np.pi, 1 + math.ceil(2 * math.pi / FRAME_CORNER_STEP - 1e-6))
    ring = np.column_stack([x + own * np.cos(turn), y + own * np.sin(turn)]).round(3) + 0.0
    ring[-1] = ring[0]
    return ring


def circle_of(sheet: Polygon) -> tuple[float, float, float] | None:
    """Centre and radius (x, y, radius) of a round sheet, drawn as a polygon of many corners; None for another."""
    x0, y0, x1, y1 = sheet.bounds
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    corners = np.array(shapely.simplify(sheet, 1e-6).exterior.coords)[:-1]
    reach = np.hypot(*(corners - (x, y)).T)
    is_round = len(corners) >= LEAST_ROUND_CORNERS and np.ptp(reach) <= ROUND
    return (x, y, float(reach.mean())) if is_round else None


def _inset_corners(sheet: Polygon, inset: float, radius: float) -> np.ndarray:
    """Corners (k, 2) of the outline moved in by `inset` mm; curves tighter than `radius` mm become sharp corners.

    Empty if nothing is left, or more than one part.
    """
    shape = sheet
    for step in (radius, -inset - 2 * radius, radius):  # opens re-entrant corners first, then the others
        shape = shape.buffer(step, join_style="mitre", mitre_limit=20)
    if shape.is_empty or shape.geom_type != "Polygon":
        return np.empty((0, 2))
    return np.array(shapely.simplify(shape, 0.01).exterior.coords)[:-1]


def rounded_ring(corners: np.ndarray, radius: float) -> np.ndarray | None:
    """Closed ring (m, 2) along `corners` (k, 2) with an arc of `radius` mm at each; None if the arcs do not fit."""
    if len(corners) < 3:
        return None
    edges = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(*edges.T)
    heading = np.arctan2(edges[:, 1], edges[:, 0])
    heading_before = np.roll(heading, 1)
    turn = (heading - heading_before + np.pi) % (2 * np.pi) - np.pi
    tangent_length = radius * np.tan(np.abs(turn) / 2)  # that the arc takes from the edge on either side
    if (tangent_length + np.roll(tangent_length, -1) > length + 1e-6).any():
        return None
    arcs = [_arc_points(*corner, radius) for corner in zip(corners, heading_before, turn, tangent_length, strict=True)]
    ring = np.vstack([*arcs, arcs[0][:1]])
    kept = np.append(True, np.hypot(*np.diff(ring, axis=0).T) > 1e-6)
    kept[-1] = True
    return ring[kept]


def _arc_points(corner: np.ndarray, heading: float, turn: float, tangent_length: float, radius: float) -> np.ndarray:
    """Points (n, 2) of the arc that replaces a corner.

    It begins `tangent_length` mm before the corner, with direction `heading`, and turns by `turn` (radians, left
    positive).
    """
    start = corner - tangent_length * np.array([math.cos(heading), math.sin(heading)])
    angle = np.linspace(0.0, turn, 1 + math.ceil(abs(turn) / FRAME_CORNER_STEP + 1e-9))
    radius = math.copysign(radius, turn)
    x, y = np.sin(heading + angle) - math.sin(heading), math.cos(heading) - np.cos(heading + angle)
    return start + radius * np.column_stack([x, y])


def _path_points(coordinates: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in coordinates)


def _path_key(bead: Bead) -> tuple:
    """The same for beads whose paths are the same to 0.01 mm."""
    return tuple(np.round(bead.path, 2).ravel())

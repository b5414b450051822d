"""Every bead and hole the shop's dies could make in a panel, and which of them exclude each other.

mm.  Straight beads on all dies, angles and offsets; closed frames parallel to the outline; flared holes on a lattice.
The same panel gives the same candidates in the same order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy import sparse
from shapely.affinity import rotate
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from stiffen.model.layout import SIDES, Bead, Hole
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance, layout_check, rollability
from stiffen.shop.spacing_rules import spacing as spacing_of

ANGLE_STEP = 15.0  # between angles tried whatever the outline
LONG_EDGE_SHARE = 0.4  # of the longest straight edge: an edge from there on gives a direction of its own
MIN_OBLIQUE_ANGLE = (
    15.0  # degrees off those two, from which another direction of the outline gets close offsets as well,
)
MIN_OBLIQUE_EDGE_SHARE = 0.2  # where so large a share of the outline runs along it
MAX_OTHER_DIRECTIONS = (
    4  # so many more of the outline's directions are tried at all: a disc has one at each of its corners
)
LENGTH_SHARES = (1.0, 0.8, 0.6)  # shares of the free length
OBLIQUE_SPACING_FACTOR = 5  # times wider offsets, and full lengths only, in the other directions
FRAME_CORNER_STEP = math.radians(5.0)  # a chord of a frame's corner
FRAME_INSET_SHARES = (0.08, 0.12, 0.16, 0.22, 0.3)  # of the short side


@dataclass(frozen=True, eq=False)
class Candidates:
    """Beads, holes, and `conflict_matrix`: (n, n) symmetric bool csr_array over the beads, then the holes."""

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    conflicts: sparse.csr_array


def candidates(panel: Panel, gauge: float, *, spacing: float | None = None) -> Candidates:
    """All candidates next to the panel's own fixed beads and holes, which are not among them.

    spacing: mm between neighbouring parallel beads, default `candidate_spacing`.
    """
    beads = bead_candidates(panel, gauge, spacing=spacing)
    holes = hole_candidates(panel, gauge)
    return Candidates(beads, holes, conflict_matrix(panel, gauge, beads, holes))


def bead_candidates(
    panel: Panel, gauge: float, *, angles: Sequence[float] | None = None, spacing: float | None = None
) -> tuple[Bead, ...]:
    """Every bead that could be rolled alone, no two alike.

    angles: directions of the straight lines in degrees, all at `spacing` and in three lengths; default: so the
    `main_directions` (the third in full length only), and the outline's others and all multiples of 15 degrees at five
    times the spacing, full length.
    """
    spacing = spacing or candidate_spacing(panel)
    fixed = fixed_beads_and_holes(panel)
    found: dict[tuple, Bead] = {}
    for die in panel.tools.bead_dies:
        if layout_check.bead_die_violations(panel, die, gauge):
            continue
        room = clearance.bead_feasible_region(panel, die, gauge, *fixed)
        if die.profile == "step":
            made = _step_beads(panel, die, room, gauge)
        else:
            made = _beads_of_die(panel, die, room, angles, spacing)
        for bead in made:
            found.setdefault((die.name, _path_key(bead)), bead)
    return tuple(found.values())


def hole_candidates(panel: Panel, gauge: float) -> tuple[Hole, ...]:
    """Holes of every flaring die on a square lattice about the middle of the panel, half a hole's pitch apart.

    Also in a row round the panel, evenly spaced and as near to its edge as they may be.
    """
    fixed, side = fixed_beads_and_holes(panel), proud_side(panel)
    found: list[Hole] = []
    for die in panel.tools.hole_dies:
        if layout_check.hole_die_violations(panel, die, gauge):
            continue
        room = clearance.hole_feasible_region(panel, die, gauge, *fixed)
        pitch = die.flange + clearance.pair_clearance(panel.tools, "hole", "hole", gauge)
        centres = _square_lattice(Polygon(panel.outline).bounds, max(pitch / 2, candidate_spacing(panel)))
        inset = die.flange / 2 + spacing_of(panel.tools, "hole_edge", gauge) + 4 * clearance.LENGTH_TOLERANCE
        centres = np.vstack([centres, _rim_row(Polygon(panel.outline).buffer(-inset), pitch)])
        inside = shapely.contains_xy(room, centres[:, 0], centres[:, 1])
        found += [Hole(die, (float(x), float(y)), side) for x, y in centres[inside]]
    return tuple(found)


def conflict_matrix(panel: Panel, gauge: float, beads: Sequence[Bead], holes: Sequence[Hole]) -> sparse.csr_array:
    """Which two of the beads, then holes, cannot be made in one sheet: (n, n) symmetric bool, no diagonal."""
    items: list[Bead | Hole] = [*beads, *holes]
    groups: dict[tuple, list[int]] = {}
    for place, item in enumerate(items):
        groups.setdefault((clearance.kind_of(item), item.die), []).append(place)
    trees = [_DieGroup(kind, items, np.array(places)) for (kind, _), places in groups.items()]
    pairs = [_close_pairs(panel, gauge, a, b) for n, a in enumerate(trees) for b in trees[: n + 1]]
    rows, columns = np.hstack(pairs) if pairs else np.empty((2, 0), dtype=int)
    both = np.concatenate([rows, columns]), np.concatenate([columns, rows])
    matrix = sparse.coo_array((np.ones(len(both[0]), dtype=bool), both), shape=(len(items), len(items)))
    matrix = matrix.tocsr()
    matrix.setdiag(False)
    matrix.eliminate_zeros()
    return matrix


def candidate_spacing(panel: Panel) -> float:
    """mm between neighbouring parallel candidates: 12 on panels up to 650 mm corner to corner, in proportion beyond.

    So panels of all sizes have about as many candidates.
    """
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    return 12.0 * max(1.0, math.hypot(x1 - x0, y1 - y0) / 650)


def edge_directions(panel: Panel) -> tuple[float, ...]:
    """Directions of the outline's long straight edges, degrees in [0, 180), to 0.1 degrees, most edge length first."""
    return tuple(_edge_length_by_direction(panel))


def _edge_length_by_direction(panel: Panel) -> dict[float, float]:
    """mm of the outline's long straight edges by their directions, most first."""
    ring = np.array(shapely.simplify(Polygon(panel.outline), 0.05).exterior.coords)
    edge = np.diff(ring, axis=0)
    length = np.hypot(*edge.T)
    degrees = np.round(np.degrees(np.arctan2(edge[:, 1], edge[:, 0])) % 180, 1) % 180
    total: dict[float, float] = {}
    for angle, one in sorted(zip(degrees.tolist(), length.tolist(), strict=True)):
        if one >= LONG_EDGE_SHARE * length.max():
            total[angle] = total.get(angle, 0.0) + one
    return {angle: total[angle] for angle in sorted(total, key=lambda angle: (-round(total[angle], 1), angle))}


def main_directions(panel: Panel) -> tuple[float, ...]:
    """Degrees: along the outline's longest edges; square to them, but for strips; along the next ones where they lie
    aslant.
    """
    length = _edge_length_by_direction(panel)
    own = tuple(length)
    turned = rotate(Polygon(panel.outline), -own[0])
    x0, y0, x1, y1 = turned.bounds
    out = (own[0], round((own[0] + 90) % 180, 1))[: 2 if y1 - y0 >= LONG_EDGE_SHARE * (x1 - x0) else 1]
    aslant = [angle for angle in own if all(abs((angle - one + 90) % 180 - 90) > MIN_OBLIQUE_ANGLE for one in out)]
    return (
        *out,
        *(angle for angle in aslant[:1] if length[angle] >= MIN_OBLIQUE_EDGE_SHARE * Polygon(panel.outline).length),
    )


def proud_side(panel: Panel) -> str:
    """The face candidates stand proud on: the panel's, up where either will do."""
    return panel.bead_side if panel.bead_side in SIDES else "up"


def fixed_beads_and_holes(panel: Panel) -> tuple[tuple[Bead, ...], tuple[Hole, ...]]:
    """The beads and holes that the panel's file has decided already."""
    return tuple(bead for bead in panel.beads if bead.fixed), tuple(hole for hole in panel.holes if hole.fixed)


# --------------------------------------------------------------------------------------------------------------- beads


def _beads_of_die(
    panel: Panel, die: BeadDie, region: BaseGeometry, angles: Sequence[float] | None, spacing: float
) -> Iterator[Bead]:
    if region.is_empty:
        return
    if angles is not None:
        own, oblique = tuple(angles), ()
    else:
        own = main_directions(panel)
        others = [angle for angle in edge_directions(panel) if angle not in own][:MAX_OTHER_DIRECTIONS]
        steps = np.arange(0.0, 180.0, ANGLE_STEP).tolist()
        oblique = tuple(dict.fromkeys(angle for angle in (*others, *steps) if angle not in own))
    for k, angle in enumerate(own):
        yield from _straight_beads(
            panel, die, region, angle, spacing, LENGTH_SHARES if k < 2 or angles is not None else LENGTH_SHARES[:1]
        )
    yield from _frame_beads(panel, die, region)
    for angle in oblique:
        yield from _straight_beads(panel, die, region, angle, OBLIQUE_SPACING_FACTOR * spacing, LENGTH_SHARES[:1])


def _step_beads(panel: Panel, die: BeadDie, region: BaseGeometry, gauge: float) -> Iterator[Bead]:
    """A step along each straight edge, as near to it as may be: the longest piece that there is room for."""
    least, side = rollability.min_bead_length(die), proud_side(panel)
    corners = np.array(shapely.simplify(Polygon(panel.outline), 0.05).exterior.coords)
    inset = die.width / 2 + spacing_of(panel.tools, "step_edge", gauge) + 4 * clearance.LENGTH_TOLERANCE
    for start, stop in zip(corners[:-1], corners[1:], strict=True):
        along = (stop - start) / np.linalg.norm(stop - start)
        inward = inset * np.array([-along[1], along[0]]) * (1 if _is_counterclockwise(corners) else -1)
        pieces = shapely.get_parts(shapely.intersection(shapely.linestrings([start + inward, stop + inward]), region))
        longest = max(pieces, key=shapely.length, default=None)
        if longest is None or longest.geom_type != "LineString" or longest.length < least:
            continue
        bead = Bead(die, _path_points(np.array(longest.coords)), side)
        if rollability.preferred_frame_side(panel, bead) is not None:
            yield bead


def _is_counterclockwise(ring: np.ndarray) -> bool:
    return shapely.is_ccw(shapely.linearrings(ring))


def _straight_beads(
    panel: Panel, die: BeadDie, region: BaseGeometry, angle: float, spacing: float, length_shares: Iterable[float]
) -> Iterator[Bead]:
    """Straight beads at one angle (degrees), the offsets even about the middle of the panel."""
    least, side = rollability.min_bead_length(die), proud_side(panel)
    lines = parallel_lines(Polygon(panel.outline).bounds, math.radians(angle), spacing)
    for piece in shapely.get_parts(shapely.intersection(lines, region)):
        if piece.geom_type != "LineString" or piece.length < least:
            continue
        if rollability.preferred_frame_side(panel, Bead(die, tuple(piece.coords), side)) is None:
            continue
        ends = np.array(piece.coords)
        ends = ends[np.lexsort((ends[:, 1], ends[:, 0]))]
        middle = ends.mean(axis=0)
        for share in length_shares:
            if share * piece.length >= least:
                yield Bead(die, _path_points(middle + share * (ends - middle)), side)


def parallel_lines(bounds: tuple[float, ...], angle: float, spacing: float) -> np.ndarray:
    """Parallel lines over the whole of the bounds, one through their middle."""
    x0, y0, x1, y1 = bounds
    middle, radius = np.array([(x0 + x1) / 2, (y0 + y1) / 2]), math.hypot(x1 - x0, y1 - y0) / 2
    along, square = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
    many = math.floor(radius / spacing)
    feet = middle + np.arange(-many, many + 1)[:, None] * spacing * square
    return shapely.linestrings(np.stack([feet - radius * along, feet + radius * along], axis=1))


def _frame_beads(panel: Panel, die: BeadDie, region: BaseGeometry) -> Iterator[Bead]:
    """Closed frames parallel to the outline, their corners as wide as the roller can follow."""
    sheet, side, radius = Polygon(panel.outline), proud_side(panel), panel.tools.roller.least_path_radius
    x0, y0, x1, y1 = sheet.bounds
    for share in FRAME_INSET_SHARES:
        inset = share * min(x1 - x0, y1 - y0)
        ring = frame_ring(sheet, inset, radius)
        if ring is None or not region.covers(shapely.linestrings(ring)):
            continue
        bead = Bead(die, _path_points(ring), side)
        if rollability.preferred_frame_side(panel, bead) is not None:
            yield bead


def frame_ring(sheet: Polygon, inset: float, radius: float) -> np.ndarray | None:
    """The ring (n, 2), closed, `inset_outline` inside the outline, no tighter than `radius`; None where there is none."""
    return rounded_ring(_inset_corners(sheet, inset, radius), radius)


def _inset_corners(sheet: Polygon, inset: float, radius: float) -> np.ndarray:
    """Corners (k, 2) of the outline moved in by `inset_outline`, curves tighter than `radius` made sharp corners again.

    Empty where nothing is left, or more than one part.
    """
    shape = sheet
    for step in (radius, -inset - 2 * radius, radius):  # first opens corners that point in, then those that point out
        shape = shape.buffer(step, join_style="mitre", mitre_limit=20)
    if shape.is_empty or shape.geom_type != "Polygon":
        return np.empty((0, 2))
    return np.array(shapely.simplify(shape, 0.01).exterior.coords)[:-1]


def rounded_ring(corners: np.ndarray, radius: float) -> np.ndarray | None:
    """The ring through `corners` (k, 2) with an arc of `radius` at each, (m, 2), closed; None where they do not fit."""
    if len(corners) < 3:
        return None
    after = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(*after.T)
    heading = np.arctan2(after[:, 1], after[:, 0])
    before = np.roll(heading, 1)
    turn = (heading - before + np.pi) % (2 * np.pi) - np.pi
    used = radius * np.tan(np.abs(turn) / 2)  # of the edge on either side of a corner
    if (used + np.roll(used, -1) > length + 1e-6).any():
        return None
    arcs = [_arc_points(*corner, radius) for corner in zip(corners, before, turn, used, strict=True)]
    ring = np.vstack([*arcs, arcs[0][:1]])
    kept = np.append(True, np.hypot(*np.diff(ring, axis=0).T) > 1e-6)
    kept[-1] = True
    return ring[kept]


def _arc_points(corner: np.ndarray, heading: float, turn: float, tangent_length: float, radius: float) -> np.ndarray:
    """Points of the arc that replaces a corner: from `used_tiles` before it, heading there, turning left where turn > 0."""
    start = corner - tangent_length * np.array([math.cos(heading), math.sin(heading)])
    turned = np.linspace(0.0, turn, 1 + math.ceil(abs(turn) / FRAME_CORNER_STEP + 1e-9))
    radius = math.copysign(radius, turn)
    across = np.sin(heading + turned) - math.sin(heading), math.cos(heading) - np.cos(heading + turned)
    return start + radius * np.column_stack(across)


def _path_points(coordinates: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in coordinates)


def _path_key(bead: Bead) -> tuple:
    return tuple(np.round(bead.path, 2).ravel())


# ------------------------------------------------------------------------------------------------ holes and conflicts


def _square_lattice(bounds: tuple[float, ...], pitch: float) -> np.ndarray:
    """Points (k, 2) of a square lattice over the bounds, one in their middle."""
    axes = []
    for low, high in ((bounds[0], bounds[2]), (bounds[1], bounds[3])):
        many = math.floor((high - low) / 2 / pitch)
        axes.append((low + high) / 2 + pitch * np.arange(-many, many + 1))
    x, y = np.meshgrid(*axes)
    return np.column_stack([x.ravel(), y.ravel()])


def _rim_row(shape: BaseGeometry, pitch: float) -> np.ndarray:
    """Points (k, 2) along the rims of a shape, evenly spaced, at least `pitch` apart along it."""
    rims = [part.exterior for part in shapely.get_parts(shape) if not part.is_empty]
    rows = [rim.interpolate(np.arange(n := int(rim.length / pitch)) / max(n, 1), normalized=True) for rim in rims]
    return shapely.get_coordinates(np.concatenate([*rows, np.empty(0)]))


class _DieGroup:
    """Candidates of one die: their places among all, and a tree of their axes or centres."""

    def __init__(self, kind: str, items: list[Bead | Hole], numbers: np.ndarray) -> None:
        cores = [clearance.axis_and_half_width(items[place]) for place in numbers]
        self.kind, self.numbers, self.half_width = kind, numbers, cores[0][1]
        self.axes = np.array([shape for shape, _ in cores])
        self.tree = STRtree(self.axes)


def _close_pairs(panel: Panel, gauge: float, a: _DieGroup, b: _DieGroup) -> np.ndarray:
    """Places (2, m) of pairs, one of each group, that are too close."""
    gap = clearance.pair_clearance(panel.tools, a.kind, b.kind, gauge)
    distance = a.half_width + b.half_width + gap - clearance.LENGTH_TOLERANCE
    first, second = b.tree.query(a.axes, predicate="dwithin", distance=distance)
    return np.stack([a.numbers[first], b.numbers[second]])

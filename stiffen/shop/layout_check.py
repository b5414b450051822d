"""What the shop allows: spacing, throat, curves, conflicts; and the audit of any layout by geometry.

Plan coordinates and distances in mm.  A bead takes up its axis widened by half its width all round, ends included;
a flared hole takes up the disc inside its fold circle.  Every spacing is measured from there.  A stepped bead belongs
along an edge, and an open end on a free one; elsewhere beads keep clear of edges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPoint, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from stiffen.errors import InputError
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import rated_thickness
from stiffen.model.panel import Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Tools

from .bead_section import tightest_radius
from .bead_surface import raised_side
from .bends import flanges, fold_crossings, least_flat, relief_hole
from .flared_holes import min_flared_diameter
from .spacing_rules import spacing, spacing_faults

LENGTH_TOLERANCE = 0.02  # mm; no mark on sheet is finer
MIN_OPEN_END_ANGLE = 45.0  # degrees: an open end meets its edge at no less: common practice, no source
MAX_PATH_DEVIATION = 0.5  # mm by which a hand-steered bead may cut a corner of the path: common practice, no source
QUARTER_SEGMENTS = 32  # chords of a quarter circle, for buffers: 0.02 mm on a radius of 65 mm

Feature = Bead | Hole


class Violation(NamedTuple):
    """One rule not kept: where in the layout, what is wrong, by how many mm (None where it is not a length)."""

    where: str
    what: str
    short_by_mm: float | None = None

    def __str__(self) -> str:
        short = "" if self.short_by_mm is None else f" (short by {self.short_by_mm:.1f} mm)"
        return f"{self.where}: {self.what}{short}"


class Obstacle(NamedTuple):
    """Something a bead or hole keeps clear of: what it is, its shape in plan, mm from footprint to shape."""

    description: str
    shape: BaseGeometry
    clearance: float


# ---------------------------------------------------------------------------------------------- spacing and footprints


def _check_spacing(tools: Tools) -> None:
    if faults := spacing_faults(tools):
        raise InputError(faults)


def axis_and_half_width(feature: Feature) -> tuple[BaseGeometry, float]:
    """Axis and half width of a bead, or centre and radius of a hole's fold circle."""
    if isinstance(feature, Bead):
        return LineString(feature.path), feature.die.width / 2
    return Point(feature.at), feature.die.flange / 2


def bead_footprint(bead: Bead) -> Polygon:
    """The sheet a bead takes up: half the die's width round its axis, half discs at the ends."""
    axis, half = axis_and_half_width(bead)
    return axis.buffer(half, quad_segs=QUARTER_SEGMENTS)


def hole_footprint(hole: Hole) -> Polygon:
    """The sheet a flared hole takes up: the disc inside its fold circle."""
    centre, half = axis_and_half_width(hole)
    return centre.buffer(half, quad_segs=QUARTER_SEGMENTS)


def kind_of(feature: Feature) -> str:
    """ "bead" or "hole"."""
    return "bead" if isinstance(feature, Bead) else "hole"


def edge_clearance(tools: Tools, feature: Feature, t: float) -> float:
    """mm that must stay between an item's footprint and the edge of the sheet."""
    stepped = isinstance(feature, Bead) and feature.die.profile == "step"
    return spacing(tools, "step_edge" if stepped else f"{kind_of(feature)}_edge", t)


def pair_clearance(tools: Tools, kind: str, other: str, t: float) -> float:
    """mm that must stay between the footprints of two items of these kinds in sheet of t mm."""
    return spacing(tools, "_".join(sorted((kind, other))), t)


def too_close(a: Feature, b: Feature, tools: Tools, t: float) -> bool:
    """True where two beads or holes are too close to be made in the same sheet."""
    return _pair_shortfall(a, b, pair_clearance(tools, kind_of(a), kind_of(b), t)) > LENGTH_TOLERANCE


def _pair_shortfall(a: Feature, b: Feature, gap: float) -> float:
    shape, half = axis_and_half_width(b)
    return _shortfall(axis_and_half_width(a), shape, gap + half)


def _shortfall(item: tuple[BaseGeometry, float], shape: BaseGeometry, clearance: float) -> float:
    """mm by which an item comes closer to a shape than `gap` from its footprint."""
    geometry, half = item
    return half + clearance - geometry.distance(shape)


# ----------------------------------------------------------------------------------------------------------- obstacles


def obstacles(panel: Panel, gauge: float, kind: str) -> list[Obstacle]:
    """All in the panel, its outline apart, that an item of `kind` ("bead" or "hole") keeps clear of."""
    return [
        *_opening_obstacles(panel, gauge, kind),
        *_fold_obstacles(panel, gauge, kind),
        *(found for support in panel.supports for found in _support_obstacles(panel, support, gauge, kind)),
    ]


def _opening_obstacles(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    gap = spacing(panel.tools, f"{kind}_cutout", gauge)
    for number, cutout in enumerate(panel.cutouts, 1):
        yield Obstacle(f"cut-out {number}", Polygon(cutout.ring), gap)
    gap = spacing(panel.tools, f"{kind}_keep_out", gauge)
    for number, keep_out in enumerate(panel.keep_outs, 1):
        if kind in keep_out.against:
            what = f"keep-out {number}" + (f" ({keep_out.why})" if keep_out.why else "")
            yield Obstacle(what, Polygon(keep_out.polygon), gap)


def _fold_obstacles(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    for number, fold in enumerate(panel.folds, 1):
        gap = spacing(panel.tools, f"{kind}_fold", gauge, fold.radius)
        yield Obstacle(f"fold {number}", LineString(fold.line), gap)


def _support_obstacles(panel: Panel, support: Support, gauge: float, kind: str) -> Iterator[Obstacle]:
    path = support.path
    if support.kind == "bolts" and support.at:
        gap = spacing(panel.tools, f"{kind}_rivet", gauge, support.diameter)
        yield Obstacle("bolt", MultiPoint(support.at), gap)
    elif support.kind == "rivets":
        # The whole row, not its rivets alone: what is riveted on there needs flat sheet between them too.
        gap = spacing(panel.tools, f"{kind}_rivet", gauge, support.diameter)
        yield Obstacle("rivet row", LineString(path) if path else Polygon(panel.outline).exterior, gap)
    elif path:
        gap = spacing(panel.tools, f"{kind}_support", gauge)
        yield Obstacle(f"line of a support ({support.kind})", LineString(path), gap)


# ---------------------------------------------------------------------------------------------------------------- room


def bead_feasible_region(
    panel: Panel, die: BeadDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Where the axis of a bead of this die may lie, next to the beads and holes that are there already.

    For a step, as near an edge as it may come; how far from it is not looked at.
    """
    edge = "step_edge" if die.profile == "step" else None
    return _feasible_region(panel, gauge, "bead", die.width / 2, (*beads, *holes), edge)


def hole_feasible_region(
    panel: Panel, die: HoleDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Where the centre of a hole of this die may lie, next to the beads and holes that are there already."""
    return _feasible_region(panel, gauge, "hole", die.flange / 2, (*beads, *holes))


def _feasible_region(
    panel: Panel, gauge: float, kind: str, half: float, others: tuple[Feature, ...], edge: str | None = None
) -> BaseGeometry:
    _check_spacing(panel.tools)
    grow = {"quad_segs": QUARTER_SEGMENTS}
    clear = half + 2 * LENGTH_TOLERANCE  # chords of the buffers' arcs lie a little inside
    room = Polygon(panel.outline).buffer(-clear - spacing(panel.tools, edge or f"{kind}_edge", gauge), **grow)
    taken = [found.shape.buffer(clear + found.clearance, **grow) for found in obstacles(panel, gauge, kind)]
    for other in others:
        shape, other_half = axis_and_half_width(other)
        gap = pair_clearance(panel.tools, kind, kind_of(other), gauge)
        taken.append(shape.buffer(clear + gap + other_half, **grow))
    return room.difference(shapely.union_all(taken))


# ---------------------------------------------------------------------------------------------- throat and curves


def sheet_extents(panel: Panel, bead: Bead) -> tuple[float, float]:
    """Greatest extent of the sheet to the left and to the right of the path, square to it, mm.

    Each straight piece of the path is one position in the rolls; the flat outline counts, as beads go in first.
    """
    path = np.asarray(bead.path, dtype=float)
    pieces = np.diff(path, axis=0)
    lengths = np.linalg.norm(pieces, axis=1)
    moving = lengths > 1e-9
    tangent = pieces[moving] / lengths[moving, None]
    to_left = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    outline = np.asarray(panel.outline, dtype=float)
    offset = outline @ to_left.T - np.einsum("ij,ij->i", path[:-1][moving], to_left)
    return float(offset.max()), float(-offset.min())


def allowed_frame_sides(panel: Panel, bead: Bead) -> tuple[str, ...]:
    """Sides of the path ("left", "right" of its direction) that may go to the roller's frame, the one with less sheet
    first; empty: cannot be rolled.

    All the sheet on that side must lie within the throat, measured square to the path, for every position of it.
    """
    left, right = sheet_extents(panel, bead)
    sides = sorted([(left, "left"), (right, "right")])
    return tuple(side for extent, side in sides if extent <= panel.tools.roller.throat + LENGTH_TOLERANCE)


def preferred_frame_side(panel: Panel, bead: Bead) -> str | None:
    """The first of `allowed_frame_sides`, or None."""
    return next(iter(allowed_frame_sides(panel, bead)), None)


def path_deviation(bead: Bead, radius: float) -> float:
    """Greatest distance (mm) from the path of the nearest curve that never turns tighter than `radius` mm.

    By closing the path with a disc of that radius: the disc cannot enter a corner tighter than itself, and what it
    leaves unswept there is what the curve cuts off.  Sharp corner between long legs: radius (1 - cos(turn/2)).
    """
    if len(bead.path) == 2:
        return 0.0
    line, thin = LineString(bead.path), 0.05
    swept = line.buffer(radius + thin, quad_segs=128).buffer(-radius, quad_segs=128)
    if bead.closed and not swept.interiors:  # the disc finds no room inside the frame at all
        return float(shapely.maximum_inscribed_circle(Polygon(bead.path)).length)
    rims = [np.array(ring.coords) for ring in (swept.exterior, *swept.interiors)]
    rim = np.vstack([*rims, *((ring[1:] + ring[:-1]) / 2 for ring in rims)])
    return max(float(line.distance(shapely.points(rim)).max()) - thin, 0.0)


def min_bead_length(die: BeadDie) -> float:
    """Shortest open bead, mm: two run-outs and one width between them (common practice, no source)."""
    return 2 * die.run_out_length + die.width


def side_allowed(panel: Panel, side: str) -> bool:
    """True where beads and lips may stand proud on this side."""
    return panel.bead_side in ("either", side)


# --------------------------------------------------------------------------------------------------- dies and sheet


def bead_die_violations(panel: Panel, die: BeadDie, gauge: float, where: str = "") -> list[Violation]:
    """What keeps a bead die from this sheet: the roller's rating, the least bend radius."""
    breaches = []
    rated = rated_thickness(panel.material, panel.tools.roller.rated_steel)
    if gauge > rated + 1e-6:
        what = f"{gauge:g} mm {panel.material.name} is over the roller's rating of {rated:.2f} mm for this material"
        breaches.append(Violation(where, what, gauge - rated))
    radius, least = tightest_radius(die), panel.material.least_bend_radius(gauge)
    if radius is not None and least is not None and radius - gauge / 2 < least - 1e-6:
        inner = radius - gauge / 2
        what = f"die {die.name} bends to an inside radius of {inner:.2f} mm, least for {gauge:g} mm is {least:.2f} mm"
        breaches.append(Violation(where, what, least - inner))
    return breaches


def hole_die_violations(panel: Panel, die: HoleDie, gauge: float, where: str = "") -> list[Violation]:
    """What keeps a flaring die from this sheet: a hole too small for the thickness (`flared_holes.FLARE_LIMITS`)."""
    least = min_flared_diameter(panel.material, gauge)
    if least is None or die.finished >= least - 1e-6:
        return []
    sheet = f"{gauge:g} mm {panel.material.name}"
    what = f"{die.finished:g} mm finished, least flared hole in {sheet} is {least:g} mm"
    return [Violation(where, what, least - die.finished)]


# --------------------------------------------------------------------------------------------------------------- audit


def audit(panel: Panel, layout: Layout) -> tuple[Violation, ...]:
    """Every rule a layout breaks, by measured distances; empty where it can be made as it stands.

    Raises InputError for a die that cannot be and for spacings of the shop that no rule knows.
    """
    _check_spacing(panel.tools)
    items: list[Bead | Hole] = [*layout.beads, *layout.holes]
    names = [f"bead[{n}] {bead.die.name}" for n, bead in enumerate(layout.beads, 1)]
    names += [f"hole[{n}] {hole.die.name}" for n, hole in enumerate(layout.holes, 1)]
    found: list[Violation] = []
    for name, item in zip(names, items, strict=True):
        if not side_allowed(panel, item.side):
            found.append(Violation(name, f"stands proud on the {item.side} side, allowed is {panel.bead_side}"))
        if isinstance(item, Bead):
            found += bead_die_violations(panel, item.die, layout.gauge, name)
            found += _path_violations(panel, item, name)
        else:
            found += hole_die_violations(panel, item.die, layout.gauge, name)
        found += _place_violations(panel, item, layout.gauge, name)
    found += _pair_violations(panel, items, names, layout.gauge)
    return tuple(found)


def _path_violations(panel: Panel, bead: Bead, name: str) -> Iterator[Violation]:
    roller = panel.tools.roller
    if not LineString(bead.path).is_simple:
        yield Violation(name, "the path crosses itself")
    least = min_bead_length(bead.die) - sum(bead.open_ends) * bead.die.run_out_length
    if not bead.closed and bead.length < least - LENGTH_TOLERANCE:
        yield Violation(name, f"{bead.length:.1f} mm long, at least {least:.1f} mm", least - bead.length)
    miss = path_deviation(bead, roller.least_path_radius)
    if miss > MAX_PATH_DEVIATION:
        what = f"turns tighter than the roller's {roller.least_path_radius:g} mm, which would leave it by {miss:.1f} mm"
        yield Violation(name, what, miss - MAX_PATH_DEVIATION)
    if preferred_frame_side(panel, bead) is None:
        left, right = sheet_extents(panel, bead)
        what = f"{left:.0f} mm of sheet left and {right:.0f} mm right of it, the throat takes {roller.throat:g} mm"
        yield Violation(name, what, min(left, right) - roller.throat)


def _place_violations(panel: Panel, feature: Feature, gauge: float, name: str) -> Iterator[Violation]:
    own, sheet = axis_and_half_width(feature), Polygon(panel.outline)
    gap = edge_clearance(panel.tools, feature, gauge)
    if not sheet.buffer(LENGTH_TOLERANCE).covers(own[0]):
        yield Violation(name, "leaves the sheet", own[1] + gap)
    elif isinstance(feature, Bead):
        yield from _open_end_violations(panel, feature, gauge, name)
        inner, edge = _beside_open_ends(
            feature, sheet.exterior, (own[1] + gap) / math.sin(math.radians(MIN_OPEN_END_ANGLE))
        )
        yield from _obstacle_violations((inner, own[1]), Obstacle("edge of the sheet", edge, gap), name)
        if feature.die.profile == "step":
            yield from _step_reach_violations(panel, feature, gauge, name)
    else:
        yield from _obstacle_violations(own, Obstacle("edge of the sheet", sheet.exterior, gap), name)
    for obstacle in obstacles(panel, gauge, kind_of(feature)):
        yield from _obstacle_violations(own, obstacle, name)


def _step_reach_violations(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Violation]:
    """A step that lifts more than a strip along an edge."""
    line, most = LineString(bead.path), spacing(panel.tools, "step_reach", gauge)
    limit = raised_side(bead.path, panel.outline) * (most + bead.die.width / 2)
    strip, wide = (line.buffer(many * limit, single_sided=True, join_style="mitre") for many in (1, 4))
    beyond = shapely.get_coordinates(wide.difference(strip).intersection(Polygon(panel.outline)))
    away = float(line.distance(shapely.points(beyond)).max(initial=0.0)) - bead.die.width / 2
    if away > most + LENGTH_TOLERANCE:
        what = f"up to {away:.1f} mm from the edge; a step belongs along an edge, at most {most:.1f} mm from it"
        yield Violation(name, what, away - most)


def _beside_open_ends(bead: Bead, edge: BaseGeometry, length: float) -> tuple[BaseGeometry, BaseGeometry]:
    """The axis without so many mm at each open end, and the edge it keeps clear of.

    Where nothing would be left of the axis, all of it, and the edge without so much of it about each open end.
    """
    line = LineString(bead.path)
    start, stop = (length * is_open for is_open in bead.open_ends)
    if start + stop < line.length:
        return substring(line, start, line.length - stop), edge
    ends = zip((bead.path[0], bead.path[-1]), bead.open_ends, strict=True)
    return line, edge.difference(shapely.union_all([Point(end).buffer(length) for end, is_open in ends if is_open]))


def _open_end_violations(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Violation]:
    """Open ends off the edge, along it rather than over it, or on an edge that is held or trimmed."""
    edge = Polygon(panel.outline).exterior
    path = np.asarray(bead.path, dtype=float)
    gap = spacing(panel.tools, "bead_open_end", gauge) + bead.die.width / 2
    taken = [(f"edge trim {n}", trim.path) for n, trim in enumerate(panel.trims, 1)]
    taken += [
        (f"support {n} ({support.kind})", support.path)
        for n, support in enumerate(panel.supports, 1)
        if support.kind in ("edge", "rest") and support.path is None
    ]
    for word, is_open, (end, inner) in zip(("start", "stop"), bead.open_ends, (path[:2], path[:-3:-1]), strict=True):
        if not is_open:
            continue
        place = Point(end)
        if edge.distance(place) > LENGTH_TOLERANCE:
            yield Violation(name, f"open {word} is not on the edge of the sheet", edge.distance(place))
            continue
        turn = _angle_to_edge(edge, place, inner - end)
        if turn < MIN_OPEN_END_ANGLE - 0.5:
            yield Violation(
                name, f"open {word} meets the edge at {turn:.0f} degrees, at least {MIN_OPEN_END_ANGLE:.0f}"
            )
        for what, line in taken:
            shape = edge if line is None else LineString(line)
            if gap - shape.distance(place) > LENGTH_TOLERANCE:
                what = f"open {word} on an edge that is not free: {what}"
                yield Violation(name, what, gap - shape.distance(place))


def _angle_to_edge(edge: BaseGeometry, place: Point, along: np.ndarray) -> float:
    """Degrees, 0 to 90, between a direction and the edge at a place on it."""
    at = edge.project(place)
    before, after = (np.array(edge.interpolate(s % edge.length).coords[0]) for s in (at - 0.5, at + 0.5))
    side = after - before
    cross = abs(side[0] * along[1] - side[1] * along[0]) / np.linalg.norm(side) / np.linalg.norm(along)
    return math.degrees(math.asin(min(1.0, cross)))


def _obstacle_violations(own: tuple[BaseGeometry, float], obstacle: Obstacle, name: str) -> Iterator[Violation]:
    what, shape, gap = obstacle
    short = _shortfall(own, shape, gap)
    if short > LENGTH_TOLERANCE:
        yield Violation(name, f"{gap - short:.1f} mm from {what}, at least {gap:.1f} mm", short)


def _pair_violations(panel: Panel, features: list[Feature], names: list[str], gauge: float) -> Iterator[Violation]:
    for second, item in enumerate(features):
        for first in range(second):
            other = features[first]
            gap = pair_clearance(panel.tools, kind_of(item), kind_of(other), gauge)
            short = _pair_shortfall(item, other, gap)
            if short > LENGTH_TOLERANCE:
                what = f"{gap - short:.1f} mm from {names[first]}, at least {gap:.1f} mm"
                yield Violation(names[second], what, short)


def audit_supports(panel: Panel) -> tuple[Violation, ...]:
    """Rivets and bolts of the panel itself that sit too near an edge, or too near each other (warnings)."""
    found: list[Violation] = []
    for number, support in enumerate(panel.supports, 1):
        centres = np.array(support.fasteners())
        if support.diameter <= 0 or len(centres) == 0:
            continue
        where = f"support[{number}] {support.kind}"
        found += _edge_distance_violations(panel, centres, support.diameter, where)
        found += _pitch_violations(panel, centres, support.diameter, where)
    return tuple(found)


def _edge_distance_violations(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Violation]:
    least = spacing(panel.tools, "rivet_edge", min(panel.gauges), d)
    points = shapely.points(centres)
    distance = np.where(panel.region.contains(points), panel.region.boundary.distance(points), 0.0)
    worst = int(distance.argmin())
    if distance[worst] < least - LENGTH_TOLERANCE:
        x, y = centres[worst]
        what = f"{distance[worst]:.1f} mm from an edge at ({x:.1f}, {y:.1f}), at least {least:.1f} mm"
        yield Violation(where, what, float(least - distance[worst]))


def _pitch_violations(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Violation]:
    if len(centres) < 2:
        return
    least = spacing(panel.tools, "rivet_pitch", min(panel.gauges), d)
    nearest = float(cKDTree(centres).query(centres, k=2)[0][:, 1].min())
    if nearest < least - LENGTH_TOLERANCE:
        what = f"centres {nearest:.1f} mm apart, at least {least:.1f} mm"
        yield Violation(where, what, least - nearest)


def audit_folds(panel: Panel, gauge: float) -> tuple[Violation, ...]:
    """Folds of the panel itself that are too tight for the sheet, leave too little to hold, or meet (warnings)."""
    found: list[Violation] = []
    least, wanted = panel.material.least_bend_radius(gauge), least_flat(gauge, panel.tools.folding_brake.least_flat)
    for number, fold in enumerate(panel.folds, 1):
        if least is not None and fold.radius < least - 1e-6:
            sheet = f"{gauge:g} mm {panel.material.name}"
            what = f"inside radius {fold.radius:g} mm, least for {sheet} is {least:.2f} mm"
            found.append(Violation(f"fold {number}", what, least - fold.radius))
    for flange in flanges(panel, gauge):
        if flange.flat < wanted - LENGTH_TOLERANCE:
            what = f"{max(flange.flat, 0.0):.1f} mm flat is left beyond the bend, the folder needs {wanted:.1f} mm"
            found.append(Violation(f"fold {flange.number}", what, wanted - flange.flat))
    for i, j, (x, y) in fold_crossings(panel):
        hole = relief_hole(max(panel.folds[i - 1].radius, panel.folds[j - 1].radius), gauge)
        what = f"meet at ({x:.1f}, {y:.1f}): drill a relief hole of {hole:.1f} mm there first"
        found.append(Violation(f"fold {i} and fold {j}", what))
    return tuple(found)

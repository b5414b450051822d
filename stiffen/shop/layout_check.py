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
from .bead_surface import lifted_side
from .bends import corners, flanges, least_flat, relief_hole
from .flared_holes import least_flared
from .spacing_rules import spacing, spacing_faults

SLACK = 0.02  # mm; no mark on sheet is finer
STEEPEST = 45.0  # degrees: an open end meets its edge at no less: common practice, no source
CORNER_CUT = 0.5  # mm by which a hand-steered bead may cut a corner of the path: common practice, no source
QUARTER_SEGMENTS = 32  # chords of a quarter circle, for buffers: 0.02 mm on a radius of 65 mm

Item = Bead | Hole


class Breach(NamedTuple):
    """One rule not kept: where in the layout, what is wrong, by how many mm (None where it is not a length)."""

    where: str
    what: str
    short_by_mm: float | None = None

    def __str__(self) -> str:
        short = "" if self.short_by_mm is None else f" (short by {self.short_by_mm:.1f} mm)"
        return f"{self.where}: {self.what}{short}"


class Obstacle(NamedTuple):
    """Something a bead or hole keeps clear of: what it is, its shape in plan, mm from footprint to shape."""

    what: str
    shape: BaseGeometry
    gap: float


# ---------------------------------------------------------------------------------------------- spacing and footprints


def _check_spacing(tools: Tools) -> None:
    if faults := spacing_faults(tools):
        raise InputError(faults)


def core(item: Item) -> tuple[BaseGeometry, float]:
    """Axis and half width of a bead, or centre and radius of a hole's fold circle."""
    if isinstance(item, Bead):
        return LineString(item.path), item.die.width / 2
    return Point(item.at), item.die.flange / 2


def bead_footprint(bead: Bead) -> Polygon:
    """The sheet a bead takes up: half the die's width round its axis, half discs at the ends."""
    axis, half = core(bead)
    return axis.buffer(half, quad_segs=QUARTER_SEGMENTS)


def hole_footprint(hole: Hole) -> Polygon:
    """The sheet a flared hole takes up: the disc inside its fold circle."""
    centre, half = core(hole)
    return centre.buffer(half, quad_segs=QUARTER_SEGMENTS)


def kind_of(item: Item) -> str:
    """ "bead" or "hole"."""
    return "bead" if isinstance(item, Bead) else "hole"


def edge_gap(tools: Tools, item: Item, t: float) -> float:
    """mm that must stay between an item's footprint and the edge of the sheet."""
    stepped = isinstance(item, Bead) and item.die.profile == "step"
    return spacing(tools, "step_edge" if stepped else f"{kind_of(item)}_edge", t)


def pair_gap(tools: Tools, kind: str, other: str, t: float) -> float:
    """mm that must stay between the footprints of two items of these kinds in sheet of t mm."""
    return spacing(tools, "_".join(sorted((kind, other))), t)


def clash(a: Item, b: Item, tools: Tools, t: float) -> bool:
    """True where two beads or holes are too close to be made in the same sheet."""
    return _pair_short(a, b, pair_gap(tools, kind_of(a), kind_of(b), t)) > SLACK


def _pair_short(a: Item, b: Item, gap: float) -> float:
    shape, half = core(b)
    return _short(core(a), shape, gap + half)


def _short(item: tuple[BaseGeometry, float], shape: BaseGeometry, gap: float) -> float:
    """mm by which an item comes closer to a shape than `gap` from its footprint."""
    geometry, half = item
    return half + gap - geometry.distance(shape)


# ----------------------------------------------------------------------------------------------------------- obstacles


def obstacles(panel: Panel, gauge: float, kind: str) -> list[Obstacle]:
    """All in the panel, its outline apart, that an item of `kind` ("bead" or "hole") keeps clear of."""
    return [
        *_openings(panel, gauge, kind),
        *_folds(panel, gauge, kind),
        *(found for support in panel.supports for found in _support(panel, support, gauge, kind)),
    ]


def _openings(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    gap = spacing(panel.tools, f"{kind}_cutout", gauge)
    for number, cutout in enumerate(panel.cutouts, 1):
        yield Obstacle(f"cut-out {number}", Polygon(cutout.ring), gap)
    gap = spacing(panel.tools, f"{kind}_keep_out", gauge)
    for number, keep_out in enumerate(panel.keep_outs, 1):
        if kind in keep_out.against:
            what = f"keep-out {number}" + (f" ({keep_out.why})" if keep_out.why else "")
            yield Obstacle(what, Polygon(keep_out.polygon), gap)


def _folds(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    for number, fold in enumerate(panel.folds, 1):
        gap = spacing(panel.tools, f"{kind}_fold", gauge, fold.radius)
        yield Obstacle(f"fold {number}", LineString(fold.line), gap)


def _support(panel: Panel, support: Support, gauge: float, kind: str) -> Iterator[Obstacle]:
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


def bead_room(
    panel: Panel, die: BeadDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Where the axis of a bead of this die may lie, next to the beads and holes that are there already.

    For a step, as near an edge as it may come; how far from it is not looked at.
    """
    edge = "step_edge" if die.profile == "step" else None
    return _room(panel, gauge, "bead", die.width / 2, (*beads, *holes), edge)


def hole_room(
    panel: Panel, die: HoleDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Where the centre of a hole of this die may lie, next to the beads and holes that are there already."""
    return _room(panel, gauge, "hole", die.flange / 2, (*beads, *holes))


def _room(
    panel: Panel, gauge: float, kind: str, half: float, others: tuple[Item, ...], edge: str | None = None
) -> BaseGeometry:
    _check_spacing(panel.tools)
    grow = {"quad_segs": QUARTER_SEGMENTS}
    clear = half + 2 * SLACK  # chords of the buffers' arcs lie a little inside
    room = Polygon(panel.outline).buffer(-clear - spacing(panel.tools, edge or f"{kind}_edge", gauge), **grow)
    taken = [found.shape.buffer(clear + found.gap, **grow) for found in obstacles(panel, gauge, kind)]
    for other in others:
        shape, other_half = core(other)
        gap = pair_gap(panel.tools, kind, kind_of(other), gauge)
        taken.append(shape.buffer(clear + gap + other_half, **grow))
    return room.difference(shapely.union_all(taken))


# ---------------------------------------------------------------------------------------------- throat and curves


def reach(panel: Panel, bead: Bead) -> tuple[float, float]:
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


def frame_sides(panel: Panel, bead: Bead) -> tuple[str, ...]:
    """Sides of the path ("left", "right" of its direction) that may go to the roller's frame, the one with less sheet
    first; empty: cannot be rolled.

    All the sheet on that side must lie within the throat, measured square to the path, for every position of it.
    """
    left, right = reach(panel, bead)
    sides = sorted([(left, "left"), (right, "right")])
    return tuple(side for extent, side in sides if extent <= panel.tools.roller.throat + SLACK)


def frame_side(panel: Panel, bead: Bead) -> str | None:
    """The first of `frame_sides`, or None."""
    return next(iter(frame_sides(panel, bead)), None)


def path_miss(bead: Bead, radius: float) -> float:
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


def least_length(die: BeadDie) -> float:
    """Shortest open bead, mm: two run-outs and one width between them (common practice, no source)."""
    return 2 * die.run_out_length + die.width


def side_allowed(panel: Panel, side: str) -> bool:
    """True where beads and lips may stand proud on this side."""
    return panel.bead_side in ("either", side)


# --------------------------------------------------------------------------------------------------- dies and sheet


def bead_die_breaches(panel: Panel, die: BeadDie, gauge: float, where: str = "") -> list[Breach]:
    """What keeps a bead die from this sheet: the roller's rating, the least bend radius."""
    breaches = []
    rated = rated_thickness(panel.material, panel.tools.roller.rated_steel)
    if gauge > rated + 1e-6:
        what = f"{gauge:g} mm {panel.material.name} is over the roller's rating of {rated:.2f} mm for this material"
        breaches.append(Breach(where, what, gauge - rated))
    radius, least = tightest_radius(die), panel.material.least_bend_radius(gauge)
    if radius is not None and least is not None and radius - gauge / 2 < least - 1e-6:
        inner = radius - gauge / 2
        what = f"die {die.name} bends to an inside radius of {inner:.2f} mm, least for {gauge:g} mm is {least:.2f} mm"
        breaches.append(Breach(where, what, least - inner))
    return breaches


def hole_die_breaches(panel: Panel, die: HoleDie, gauge: float, where: str = "") -> list[Breach]:
    """What keeps a flaring die from this sheet: a hole too small for the thickness (`flared_holes.LIMITS`)."""
    least = least_flared(panel.material, gauge)
    if least is None or die.finished >= least - 1e-6:
        return []
    sheet = f"{gauge:g} mm {panel.material.name}"
    what = f"{die.finished:g} mm finished, least flared hole in {sheet} is {least:g} mm"
    return [Breach(where, what, least - die.finished)]


# --------------------------------------------------------------------------------------------------------------- audit


def audit(panel: Panel, layout: Layout) -> tuple[Breach, ...]:
    """Every rule a layout breaks, by measured distances; empty where it can be made as it stands.

    Raises InputError for a die that cannot be and for spacings of the shop that no rule knows.
    """
    _check_spacing(panel.tools)
    items: list[Bead | Hole] = [*layout.beads, *layout.holes]
    names = [f"bead[{n}] {bead.die.name}" for n, bead in enumerate(layout.beads, 1)]
    names += [f"hole[{n}] {hole.die.name}" for n, hole in enumerate(layout.holes, 1)]
    found: list[Breach] = []
    for name, item in zip(names, items, strict=True):
        if not side_allowed(panel, item.side):
            found.append(Breach(name, f"stands proud on the {item.side} side, allowed is {panel.bead_side}"))
        if isinstance(item, Bead):
            found += bead_die_breaches(panel, item.die, layout.gauge, name)
            found += _path_breaches(panel, item, name)
        else:
            found += hole_die_breaches(panel, item.die, layout.gauge, name)
        found += _place_breaches(panel, item, layout.gauge, name)
    found += _pair_breaches(panel, items, names, layout.gauge)
    return tuple(found)


def _path_breaches(panel: Panel, bead: Bead, name: str) -> Iterator[Breach]:
    roller = panel.tools.roller
    if not LineString(bead.path).is_simple:
        yield Breach(name, "the path crosses itself")
    least = least_length(bead.die) - sum(bead.open_ends) * bead.die.run_out_length
    if not bead.closed and bead.length < least - SLACK:
        yield Breach(name, f"{bead.length:.1f} mm long, at least {least:.1f} mm", least - bead.length)
    miss = path_miss(bead, roller.least_path_radius)
    if miss > CORNER_CUT:
        what = f"turns tighter than the roller's {roller.least_path_radius:g} mm, which would leave it by {miss:.1f} mm"
        yield Breach(name, what, miss - CORNER_CUT)
    if frame_side(panel, bead) is None:
        left, right = reach(panel, bead)
        what = f"{left:.0f} mm of sheet left and {right:.0f} mm right of it, the throat takes {roller.throat:g} mm"
        yield Breach(name, what, min(left, right) - roller.throat)


def _place_breaches(panel: Panel, item: Item, gauge: float, name: str) -> Iterator[Breach]:
    own, sheet = core(item), Polygon(panel.outline)
    gap = edge_gap(panel.tools, item, gauge)
    if not sheet.buffer(SLACK).covers(own[0]):
        yield Breach(name, "leaves the sheet", own[1] + gap)
    elif isinstance(item, Bead):
        yield from _open_end_breaches(panel, item, gauge, name)
        inner, edge = _beside_open_ends(item, sheet.exterior, (own[1] + gap) / math.sin(math.radians(STEEPEST)))
        yield from _too_close((inner, own[1]), Obstacle("edge of the sheet", edge, gap), name)
        if item.die.profile == "step":
            yield from _too_far(panel, item, gauge, name)
    else:
        yield from _too_close(own, Obstacle("edge of the sheet", sheet.exterior, gap), name)
    for obstacle in obstacles(panel, gauge, kind_of(item)):
        yield from _too_close(own, obstacle, name)


def _too_far(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Breach]:
    """A step that lifts more than a strip along an edge."""
    line, most = LineString(bead.path), spacing(panel.tools, "step_reach", gauge)
    limit = lifted_side(bead.path, panel.outline) * (most + bead.die.width / 2)
    strip, wide = (line.buffer(many * limit, single_sided=True, join_style="mitre") for many in (1, 4))
    beyond = shapely.get_coordinates(wide.difference(strip).intersection(Polygon(panel.outline)))
    away = float(line.distance(shapely.points(beyond)).max(initial=0.0)) - bead.die.width / 2
    if away > most + SLACK:
        what = f"up to {away:.1f} mm from the edge; a step belongs along an edge, at most {most:.1f} mm from it"
        yield Breach(name, what, away - most)


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


def _open_end_breaches(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Breach]:
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
        if edge.distance(place) > SLACK:
            yield Breach(name, f"open {word} is not on the edge of the sheet", edge.distance(place))
            continue
        turn = _angle_to(edge, place, inner - end)
        if turn < STEEPEST - 0.5:
            yield Breach(name, f"open {word} meets the edge at {turn:.0f} degrees, at least {STEEPEST:.0f}")
        for what, line in taken:
            shape = edge if line is None else LineString(line)
            if gap - shape.distance(place) > SLACK:
                what = f"open {word} on an edge that is not free: {what}"
                yield Breach(name, what, gap - shape.distance(place))


def _angle_to(edge: BaseGeometry, place: Point, along: np.ndarray) -> float:
    """Degrees, 0 to 90, between a direction and the edge at a place on it."""
    at = edge.project(place)
    before, after = (np.array(edge.interpolate(s % edge.length).coords[0]) for s in (at - 0.5, at + 0.5))
    side = after - before
    cross = abs(side[0] * along[1] - side[1] * along[0]) / np.linalg.norm(side) / np.linalg.norm(along)
    return math.degrees(math.asin(min(1.0, cross)))


def _too_close(own: tuple[BaseGeometry, float], obstacle: Obstacle, name: str) -> Iterator[Breach]:
    what, shape, gap = obstacle
    short = _short(own, shape, gap)
    if short > SLACK:
        yield Breach(name, f"{gap - short:.1f} mm from {what}, at least {gap:.1f} mm", short)


def _pair_breaches(panel: Panel, items: list[Item], names: list[str], gauge: float) -> Iterator[Breach]:
    for second, item in enumerate(items):
        for first in range(second):
            other = items[first]
            gap = pair_gap(panel.tools, kind_of(item), kind_of(other), gauge)
            short = _pair_short(item, other, gap)
            if short > SLACK:
                what = f"{gap - short:.1f} mm from {names[first]}, at least {gap:.1f} mm"
                yield Breach(names[second], what, short)


def audit_supports(panel: Panel) -> tuple[Breach, ...]:
    """Rivets and bolts of the panel itself that sit too near an edge, or too near each other (warnings)."""
    found: list[Breach] = []
    for number, support in enumerate(panel.supports, 1):
        centres = np.array(support.fasteners())
        if support.diameter <= 0 or len(centres) == 0:
            continue
        where = f"support[{number}] {support.kind}"
        found += _edge_distance(panel, centres, support.diameter, where)
        found += _pitch(panel, centres, support.diameter, where)
    return tuple(found)


def _edge_distance(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Breach]:
    least = spacing(panel.tools, "rivet_edge", min(panel.gauges), d)
    points = shapely.points(centres)
    distance = np.where(panel.region.contains(points), panel.region.boundary.distance(points), 0.0)
    worst = int(distance.argmin())
    if distance[worst] < least - SLACK:
        x, y = centres[worst]
        what = f"{distance[worst]:.1f} mm from an edge at ({x:.1f}, {y:.1f}), at least {least:.1f} mm"
        yield Breach(where, what, float(least - distance[worst]))


def _pitch(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Breach]:
    if len(centres) < 2:
        return
    least = spacing(panel.tools, "rivet_pitch", min(panel.gauges), d)
    nearest = float(cKDTree(centres).query(centres, k=2)[0][:, 1].min())
    if nearest < least - SLACK:
        what = f"centres {nearest:.1f} mm apart, at least {least:.1f} mm"
        yield Breach(where, what, least - nearest)


def audit_folds(panel: Panel, gauge: float) -> tuple[Breach, ...]:
    """Folds of the panel itself that are too tight for the sheet, leave too little to hold, or meet (warnings)."""
    found: list[Breach] = []
    least, wanted = panel.material.least_bend_radius(gauge), least_flat(gauge, panel.tools.folder.least_flat)
    for number, fold in enumerate(panel.folds, 1):
        if least is not None and fold.radius < least - 1e-6:
            sheet = f"{gauge:g} mm {panel.material.name}"
            what = f"inside radius {fold.radius:g} mm, least for {sheet} is {least:.2f} mm"
            found.append(Breach(f"fold {number}", what, least - fold.radius))
    for flange in flanges(panel, gauge):
        if flange.flat < wanted - SLACK:
            what = f"{max(flange.flat, 0.0):.1f} mm flat is left beyond the bend, the folder needs {wanted:.1f} mm"
            found.append(Breach(f"fold {flange.number}", what, wanted - flange.flat))
    for i, j, (x, y) in corners(panel):
        hole = relief_hole(max(panel.folds[i - 1].radius, panel.folds[j - 1].radius), gauge)
        what = f"meet at ({x:.1f}, {y:.1f}): drill a relief hole of {hole:.1f} mm there first"
        found.append(Breach(f"fold {i} and fold {j}", what))
    return tuple(found)

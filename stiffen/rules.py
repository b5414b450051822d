"""What the shop allows: spacing, throat, curves, conflicts; and the audit of any layout by geometry.

Plan coordinates and distances in mm.  A bead takes up its axis widened by half its width all round, ends included;
a flared hole takes up the disc inside its fold circle.  Every spacing is measured from there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, MultiPoint, Point, Polygon
from shapely.geometry.base import BaseGeometry

from .errors import Fault, InputError
from .layout import Bead, Hole, Layout
from .material import Material, rated_thickness
from .panel import Panel, Support
from .section import tightest_radius
from .tools import BeadDie, HoleDie, Tools

COMMON = "common practice, no source"
AC43 = "FAA AC 43.13-1B (1998), chapter 4"
SLACK = 0.02  # mm; no mark on sheet is finer
CORNER_CUT = 0.5  # mm by which a hand-steered bead may cut a corner of the path: common practice, no source
QUARTER_SEGMENTS = 32  # chords of a quarter circle, for buffers: 0.02 mm on a radius of 65 mm

Item = Bead | Hole


@dataclass(frozen=True)
class Rule:
    """One spacing rule.

    value(t, d): mm, for sheet of t mm; d is the diameter of the fastener, or the inside radius of the fold.
    """

    name: str
    what: str
    formula: str
    value: Callable[[float, float], float]
    source: str = COMMON


SPACING: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule("bead_edge", "bead to edge of the sheet", "max(12, 8 t)", lambda t, d: max(12.0, 8 * t)),
        Rule("bead_cutout", "bead to cut-out", "max(12, 8 t)", lambda t, d: max(12.0, 8 * t)),
        Rule("bead_fold", "bead to fold line", "max(10, 4 t + R)", lambda t, d: max(10.0, 4 * t + d)),
        Rule("bead_rivet", "bead to rivet row or bolt, centre", "max(8, 2 d)", lambda t, d: max(8.0, 2 * d)),
        Rule("bead_support", "bead to a line it rests on", "max(6, 4 t)", lambda t, d: max(6.0, 4 * t)),
        Rule("bead_bead", "bead to bead", "max(10, 6 t)", lambda t, d: max(10.0, 6 * t)),
        Rule("bead_hole", "bead to fold circle of a flared hole", "max(10, 6 t)", lambda t, d: max(10.0, 6 * t)),
        Rule("bead_keep_out", "bead to keep-out", "0", lambda t, d: 0.0),
        Rule("hole_edge", "fold circle to edge of the sheet", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        Rule("hole_cutout", "fold circle to cut-out", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        Rule("hole_fold", "fold circle to fold line", "max(8, 4 t + R)", lambda t, d: max(8.0, 4 * t + d)),
        Rule("hole_rivet", "fold circle to rivet row or bolt", "max(8, 2 d)", lambda t, d: max(8.0, 2 * d)),
        Rule("hole_support", "fold circle to a line it rests on", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        Rule("hole_hole", "fold circle to fold circle", "max(8, 6 t)", lambda t, d: max(8.0, 6 * t)),
        Rule("hole_keep_out", "fold circle to keep-out", "0", lambda t, d: 0.0),
        Rule("rivet_edge", "rivet or bolt centre to edge of the sheet", "2 d", lambda t, d: 2 * d, AC43),
        Rule("rivet_pitch", "rivet or bolt to the next, centres", "3 d", lambda t, d: 3 * d, AC43),
    )
}

# Least diameter (mm) of a flared hole by greatest sheet thickness (mm): one fabricator's published limits for flared
# holes, taken as the finished diameter.  Sheet over the last row keeps its diameter; like alloys share a row.
FLARED_LIMITS: dict[str, tuple[tuple[float, float], ...]] = {
    "5052": ((1.60, 12.7), (2.03, 19.05), (3.18, 25.4)),
    "6061": ((1.60, 12.7), (2.54, 25.4), (3.18, 31.75)),
    "2024": ((0.64, 12.7),),
    "G90": ((1.91, 12.7),),
    "1008": ((1.50, 12.7), (1.88, 25.4), (3.02, 31.75)),
    "304": ((1.22, 12.7), (1.52, 19.05), (1.88, 25.4), (3.18, 31.75)),
}
FLARED_ALIKE = {"5754": "5052", "5251": "5052", "1050": "5052", "3003": "5052", "DC01": "1008", "DX51D": "G90"}


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


def spacing(tools: Tools, name: str, t: float, d: float = 0.0) -> float:
    """mm that rule `name` asks for in this shop: its own value where it has one, else the table's."""
    own = tools.spacing.get(name)
    return float(own) if own is not None else SPACING[name].value(t, d)


def spacing_faults(tools: Tools) -> tuple[Fault, ...]:
    """One fault for each of the shop's own spacings that no rule knows or that is not a length.

    `audit` and the rooms refuse tools that have any, so that a misspelt rule is never passed over.
    """
    faults = []
    for name, value in tools.spacing.items():
        if name not in SPACING:
            faults.append(Fault(f"spacing.{name}", "no such rule", f"one of {', '.join(SPACING)}"))
        elif not 0 <= value < math.inf:
            faults.append(Fault(f"spacing.{name}", f"{value:g} mm", "0 or more"))
    return tuple(faults)


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
    """Where the axis of a bead of this die may lie, next to the beads and holes that are there already."""
    return _room(panel, gauge, "bead", die.width / 2, (*beads, *holes))


def hole_room(
    panel: Panel, die: HoleDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Where the centre of a hole of this die may lie, next to the beads and holes that are there already."""
    return _room(panel, gauge, "hole", die.flange / 2, (*beads, *holes))


def _room(panel: Panel, gauge: float, kind: str, half: float, others: tuple[Item, ...]) -> BaseGeometry:
    _check_spacing(panel.tools)
    grow = {"quad_segs": QUARTER_SEGMENTS}
    clear = half + 2 * SLACK  # chords of the buffers' arcs lie a little inside
    room = Polygon(panel.outline).buffer(-clear - spacing(panel.tools, f"{kind}_edge", gauge), **grow)
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
    """What keeps a flaring die from this sheet: a hole too small for the thickness (`FLARED_LIMITS`)."""
    least = least_flared(panel.material, gauge)
    if least is None or die.finished >= least - 1e-6:
        return []
    sheet = f"{gauge:g} mm {panel.material.name}"
    what = f"{die.finished:g} mm finished, least flared hole in {sheet} is {least:g} mm"
    return [Breach(where, what, least - die.finished)]


def least_flared(material: Material, t: float) -> float | None:
    """Least finished diameter (mm) of a flared hole in t mm sheet by `FLARED_LIMITS`; None for an alloy not in it."""
    alloy = material.name.split("-")[0].removesuffix("A")
    rows = FLARED_LIMITS.get(FLARED_ALIKE.get(alloy, alloy))
    if rows is None:
        return None
    return next((diameter for thickest, diameter in rows if t <= thickest + 1e-6), rows[-1][1])


# --------------------------------------------------------------------------------------------------------------- audit


def audit(panel: Panel, layout: Layout) -> tuple[Breach, ...]:
    """Every rule a layout breaks, by measured distances; empty where it can be made as it stands.

    Raises InputError for a die that cannot be and for spacings of the shop that no rule knows.
    """
    _check_spacing(panel.tools)
    items = [*layout.beads, *layout.holes]
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
    if not bead.closed and bead.length < least_length(bead.die) - SLACK:
        least = least_length(bead.die)
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
    kind = kind_of(item)
    own, sheet = core(item), Polygon(panel.outline)
    gap = spacing(panel.tools, f"{kind}_edge", gauge)
    if not sheet.covers(own[0]):
        yield Breach(name, "leaves the sheet", own[1] + gap)
    else:
        yield from _too_close(own, Obstacle("edge of the sheet", sheet.exterior, gap), name)
    for obstacle in obstacles(panel, gauge, kind):
        yield from _too_close(own, obstacle, name)


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

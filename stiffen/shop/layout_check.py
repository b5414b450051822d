"""The rules of the shop applied to a layout: `audit` lists every rule that the layout breaks, by measured distances.

Rules of spacing are in `spacing_rules`, footprints and distances in `clearance`, throat and curves in `rollability`.
Plan coordinates and distances in mm.  A stepped bead belongs along an edge, and an open end lies on a free edge;
elsewhere beads keep clear of edges.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import NamedTuple

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from stiffen.model.layout import Bead, Layout
from stiffen.model.material import rated_thickness
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie, HoleDie

from .bead_section import tightest_radius
from .bead_surface import raised_side
from .clearance import (
    LENGTH_TOLERANCE,
    Feature,
    Obstacle,
    axis_and_half_width,
    check_spacing,
    edge_clearance,
    kind_of,
    obstacles,
    pair_clearance,
    pair_shortfall,
    shortfall,
)
from .flared_holes import max_lip_strain, min_flared_diameter, pilot_cuts
from .rollability import (
    MAX_PATH_DEVIATION,
    min_bead_length,
    path_deviation,
    preferred_frame_side,
    sheet_extents,
    side_allowed,
)
from .spacing_rules import spacing

MIN_OPEN_END_ANGLE = 45.0  # degrees between an open end and its edge: common practice, no source
# Fraction by which sheet may exceed the roller's rating before beads are ruled out.  The rating is a maker's round
# figure for mild steel, and it is carried over to other sheet by tensile strengths that scatter by as much.  Between
# the two the card warns.  Common practice, no source.
RATING_TOLERANCE = 0.15
ROUNDING = 0.05  # mm; a shortfall that would print as 0.0 mm breaks no rule


class Violation(NamedTuple):
    """One rule that is broken: where in the layout, what is wrong, by how many mm (None if it is not a length)."""

    where: str
    what: str
    short_by_mm: float | None = None

    def __str__(self) -> str:
        short = "" if self.short_by_mm is None else f" (short by {self.short_by_mm:.1f} mm)"
        return f"{self.where}: {self.what}{short}"


def _worth_saying(violations: Iterable[Violation]) -> list[Violation]:
    """Those whose shortfall does not round to 0."""
    return [one for one in violations if one.short_by_mm is None or one.short_by_mm >= ROUNDING]


# ------------------------------------------------------------------------------------------------------ dies and sheet


def bead_die_violations(panel: Panel, die: BeadDie, gauge: float, where: str = "") -> list[Violation]:
    """Rules that a bead die breaks in sheet of this gauge: the roller's rating and the least bend radius."""
    violations = []
    rated = rated_thickness(panel.material, panel.tools.roller.rated_steel)
    if gauge > rated * (1 + RATING_TOLERANCE):
        what = (
            f"{gauge:g} mm {panel.material.name} is over the roller's rating of {rated:.2f} mm for this material by "
            f"{100 * (gauge / rated - 1):.0f} %; {100 * RATING_TOLERANCE:.0f} % is the most that a rating may be off"
        )
        violations.append(Violation(where, what, gauge - rated))
    radius, least = tightest_radius(die), panel.material.least_bend_radius(gauge)
    if radius is not None and least is not None and radius - gauge / 2 < least - 1e-6:
        inner = radius - gauge / 2
        what = f"die {die.name} bends to an inside radius of {inner:.2f} mm, least for {gauge:g} mm is {least:.2f} mm"
        violations.append(Violation(where, what, least - inner))
    return _worth_saying(violations)


def why_no_beads(panel: Panel, gauge: float) -> str:
    """Why no die of the shop can roll a bead in sheet of this gauge; "" if one can.

    A reason that holds for all dies stands alone.
    """
    found = [bead_die_violations(panel, die, gauge) for die in panel.tools.bead_dies]
    if not found:
        return "the shop has no bead die"
    if not all(found):
        return ""
    reasons = [[violation.what for violation in violations] for violations in found]
    common = [what for what in reasons[0] if all(what in others for others in reasons)]
    return "; ".join(common or dict.fromkeys(what for whats in reasons for what in whats))


def hole_die_violations(
    panel: Panel, die: HoleDie, gauge: float, where: str = "", check_lip: bool = True
) -> list[Violation]:
    """Rules that a flaring die breaks: its hole is too small for the gauge, or its lip stretches beyond what is taken.

    See `flared_holes.FLARE_LIMITS` and `flared_holes.max_lip_strain`.  What a rim stands is not known well, so a search
    leaves such a die out (check_lip), but `audit` does not refuse a hole that the user asks for; the card warns.
    """
    violations = []
    sheet = f"{gauge:g} mm {panel.material.name}"
    least = min_flared_diameter(panel.material, gauge)
    if least is not None and die.finished < least - 1e-6:
        what = f"{die.finished:g} mm finished, least flared hole in {sheet} is {least:g} mm by one fabricator's list"
        violations.append(Violation(where, what, least - die.finished))
    limit = max_lip_strain(panel.material, gauge)
    if check_lip and die.lip_strain >= limit + 0.005 and not pilot_cuts(die, panel.tools.cutters, limit):
        what = (
            f"stretches the lip by {100 * die.lip_strain:.0f} %, {sheet} is taken to stand {100 * limit:.0f} %, and "
            "no cutter here keeps to that: flare one in scrap first"
        )
        violations.append(Violation(where, what))
    return _worth_saying(violations)


# ---------------------------------------------------------------------------------------------------------- the layout


def audit(panel: Panel, layout: Layout) -> tuple[Violation, ...]:
    """Every rule of the shop that a layout breaks; empty if the layout can be made as it is.

    Beads and holes are named by their position in the layout, from 1.  Raises InputError for a die whose sizes
    contradict each other, and for faulty spacings of the shop.
    """
    check_spacing(panel.tools)
    features: list[Feature] = [*layout.beads, *layout.holes]
    names = [f"bead[{n}] {bead.die.name}" for n, bead in enumerate(layout.beads, 1)]
    names += [f"hole[{n}] {hole.die.name}" for n, hole in enumerate(layout.holes, 1)]
    violations: list[Violation] = []
    for name, feature in zip(names, features, strict=True):
        if not side_allowed(panel, feature.side):
            what = f"stands proud on the {feature.side} side, allowed is {panel.bead_side}"
            violations.append(Violation(name, what))
        if isinstance(feature, Bead):
            violations += bead_die_violations(panel, feature.die, layout.gauge, name)
            violations += _path_violations(panel, feature, name)
        else:
            violations += hole_die_violations(panel, feature.die, layout.gauge, name, check_lip=False)
        violations += _place_violations(panel, feature, layout.gauge, name)
    violations += _pair_violations(panel, features, names, layout.gauge)
    return tuple(_worth_saying(violations))


def _path_violations(panel: Panel, bead: Bead, name: str) -> Iterator[Violation]:
    roller = panel.tools.roller
    if not LineString(bead.path).is_simple:
        yield Violation(name, "the path crosses itself")
    least = min_bead_length(bead.die) - sum(bead.open_ends) * bead.die.run_out_length
    if not bead.closed and bead.length < least - LENGTH_TOLERANCE:
        yield Violation(name, f"{bead.length:.1f} mm long, at least {least:.1f} mm", least - bead.length)
    deviation = path_deviation(bead, roller.least_path_radius)
    if deviation > MAX_PATH_DEVIATION:
        radius = f"{roller.least_path_radius:g} mm"
        what = f"turns tighter than the roller's {radius}, which would leave it by {deviation:.1f} mm"
        yield Violation(name, what, deviation - MAX_PATH_DEVIATION)
    if preferred_frame_side(panel, bead) is None:
        left, right = sheet_extents(panel, bead)
        what = f"{left:.0f} mm of sheet left and {right:.0f} mm right of it, the throat takes {roller.throat:g} mm"
        yield Violation(name, what, min(left, right) - roller.throat)


def _place_violations(panel: Panel, feature: Feature, gauge: float, name: str) -> Iterator[Violation]:
    """Distances to the edge of the sheet and to all obstacles."""
    footprint, sheet = axis_and_half_width(feature), Polygon(panel.outline)
    axis, half_width = footprint
    clearance = edge_clearance(panel, feature, gauge)
    if not sheet.buffer(LENGTH_TOLERANCE).covers(axis):
        yield Violation(name, "leaves the sheet", half_width + clearance)
    elif isinstance(feature, Bead):
        yield from _open_end_violations(panel, feature, gauge, name)
        length = (half_width + clearance) / math.sin(math.radians(MIN_OPEN_END_ANGLE))
        inner, edge = _away_from_open_ends(feature, sheet.exterior, length)
        yield from _obstacle_violations((inner, half_width), Obstacle("edge of the sheet", edge, clearance), name)
        if feature.die.profile == "step":
            yield from _step_reach_violations(panel, feature, gauge, name)
    else:
        yield from _obstacle_violations(footprint, Obstacle("edge of the sheet", sheet.exterior, clearance), name)
    for _, alike in groupby(obstacles(panel, gauge, kind_of(feature)), key=lambda obstacle: obstacle.description):
        # a bend and the sheet that the clamp bar holds behind it are one place: the greater shortfall is told once
        found = [(one, violation) for one in alike for violation in _obstacle_violations(footprint, one, name)]
        if len(found) > 1 and found[0][0].edge is None and found[1][0].edge is not None:
            across = footprint[0].distance(found[0][0].shape) == 0
            found = found[:1] if across else [max(found[:2], key=lambda pair: pair[1].short_by_mm or 0.0), *found[2:]]
        yield from (violation for _, violation in found)


def _step_reach_violations(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Violation]:
    """A step that raises more of the sheet than a strip along an edge."""
    line, most = LineString(bead.path), spacing(panel.tools, "step_reach", gauge)
    reach = raised_side(bead.path, panel.outline) * (most + bead.die.width / 2)
    strip, wide = (line.buffer(many * reach, single_sided=True, join_style="mitre") for many in (1, 4))
    beyond = shapely.get_coordinates(wide.difference(strip).intersection(Polygon(panel.outline)))
    away = float(line.distance(shapely.points(beyond)).max(initial=0.0)) - bead.die.width / 2
    if away > most + LENGTH_TOLERANCE:
        what = f"up to {away:.1f} mm from the edge; a step belongs along an edge, at most {most:.1f} mm from it"
        yield Violation(name, what, away - most)


def _away_from_open_ends(bead: Bead, edge: BaseGeometry, length: float) -> tuple[BaseGeometry, BaseGeometry]:
    """The part of the axis that must keep clear of the edge, and the edge that it keeps clear of.

    The axis is shortened by `length` mm at each open end.  If nothing would remain of it, the whole axis counts, and
    the part of the edge within `length` mm of the open ends is left out instead.
    """
    line = LineString(bead.path)
    start, stop = (length * is_open for is_open in bead.open_ends)
    if start + stop < line.length:
        return substring(line, start, line.length - stop), edge
    ends = zip((bead.path[0], bead.path[-1]), bead.open_ends, strict=True)
    return line, edge.difference(shapely.union_all([Point(end).buffer(length) for end, is_open in ends if is_open]))


def _open_end_violations(panel: Panel, bead: Bead, gauge: float, name: str) -> Iterator[Violation]:
    """Open ends that are not on the edge, meet it at too small an angle, or lie on a supported or trimmed edge."""
    edge = Polygon(panel.outline).exterior
    path = np.asarray(bead.path, dtype=float)
    clearance = spacing(panel.tools, "bead_open_end", gauge) + bead.die.width / 2
    occupied = [(f"edge trim {n}", trim.path) for n, trim in enumerate(panel.trims, 1)]
    occupied += [
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
        angle = _angle_to_edge(edge, place, inner - end)
        if angle < MIN_OPEN_END_ANGLE - 0.5:
            what = f"open {word} meets the edge at {angle:.0f} degrees, at least {MIN_OPEN_END_ANGLE:.0f}"
            yield Violation(name, what)
        for description, line in occupied:
            short = clearance - (edge if line is None else LineString(line)).distance(place)
            if short > LENGTH_TOLERANCE:
                yield Violation(name, f"open {word} on an edge that is not free: {description}", short)


def _angle_to_edge(edge: BaseGeometry, place: Point, along: np.ndarray) -> float:
    """Degrees, 0 to 90, between a direction and the edge at a place on it."""
    at = edge.project(place)
    before, after = (np.array(edge.interpolate(s % edge.length).coords[0]) for s in (at - 0.5, at + 0.5))
    side = after - before
    cross = abs(side[0] * along[1] - side[1] * along[0]) / np.linalg.norm(side) / np.linalg.norm(along)
    return math.degrees(math.asin(min(1.0, cross)))


def _obstacle_violations(footprint: tuple[BaseGeometry, float], obstacle: Obstacle, name: str) -> Iterator[Violation]:
    short = shortfall(footprint, obstacle.shape, obstacle.clearance)
    if short > LENGTH_TOLERANCE:
        least = obstacle.clearance
        if obstacle.edge is not None:  # the shape is a strip along it: the strip's width counts, from the edge on
            axis, half_width = footprint
            least = max(obstacle.edge.distance(Point(at)) for at in shapely.get_coordinates(obstacle.shape))
            if obstacle.shape.distance(axis) == 0:
                short = least + half_width - obstacle.edge.distance(axis)
        what = f"{least - short:.1f} mm from {obstacle.description}, at least {least:.1f} mm{obstacle.why}"
        yield Violation(name, what, short)


def _pair_violations(panel: Panel, features: list[Feature], names: list[str], gauge: float) -> Iterator[Violation]:
    for second, feature in enumerate(features):
        for first in range(second):
            other = features[first]
            clearance = pair_clearance(panel.tools, kind_of(feature), kind_of(other), gauge)
            short = pair_shortfall(feature, other, clearance)
            if short > LENGTH_TOLERANCE:
                what = f"{clearance - short:.1f} mm from {names[first]}, at least {clearance:.1f} mm"
                yield Violation(names[second], what, short)


# ----------------------------------------------------------------------------------------------------- the panel itself


def audit_supports(panel: Panel) -> tuple[Violation, ...]:
    """Rivets and bolts of the panel itself that are too near an edge, or too near each other (warnings)."""
    violations: list[Violation] = []
    for number, support in enumerate(panel.supports, 1):
        centres = np.array(support.fasteners())
        if support.diameter <= 0 or len(centres) == 0:
            continue
        where = f"support[{number}] {support.kind}"
        violations += _edge_distance_violations(panel, centres, support.diameter, where)
        violations += _pitch_violations(panel, centres, support.diameter, where)
    return tuple(_worth_saying(violations))


def _edge_distance_violations(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Violation]:
    """The fastener nearest to an edge of the sheet or of a cut-out; centres: (n, 2)."""
    least = spacing(panel.tools, "rivet_edge", min(panel.gauges), d)
    points = shapely.points(centres)
    distance = np.where(panel.region.contains(points), panel.region.boundary.distance(points), 0.0)
    worst = int(distance.argmin())
    if distance[worst] < least - LENGTH_TOLERANCE:
        x, y = centres[worst]
        what = f"{distance[worst]:.1f} mm from an edge at ({x:.1f}, {y:.1f}), at least {least:.1f} mm"
        yield Violation(where, what, float(least - distance[worst]))


def _pitch_violations(panel: Panel, centres: np.ndarray, d: float, where: str) -> Iterator[Violation]:
    """The two fasteners nearest to each other; centres: (n, 2)."""
    if len(centres) < 2:
        return
    least = spacing(panel.tools, "rivet_pitch", min(panel.gauges), d)
    nearest = float(cKDTree(centres).query(centres, k=2)[0][:, 1].min())
    if nearest < least - LENGTH_TOLERANCE:
        what = f"centres {nearest:.1f} mm apart, at least {least:.1f} mm"
        yield Violation(where, what, least - nearest)

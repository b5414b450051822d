"""Footprints and clearances of beads and flared holes, and the feasible region for one more.

Plan coordinates and distances in mm.  The footprint of a bead is its axis widened by half the bead's width all round,
ends included.  The footprint of a flared hole is the disc inside its fold circle.  Every distance of `spacing_rules` is
measured from the footprint.  `layout_check` treats the edge of the sheet separately, because a stepped bead belongs
along an edge and an open end lies on one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import shapely
from shapely.geometry import LineString, MultiPoint, Point, Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.errors import InputError
from stiffen.model.layout import Bead, Hole
from stiffen.model.panel import Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Tools

from .folding.bend_zones import bend_zones
from .folding.curved_flange import bend_ring, curved_flange_name
from .spacing_rules import spacing, spacing_faults

LENGTH_TOLERANCE = 0.02  # mm, of measured distances; finer than any mark on sheet
QUARTER_SEGMENTS = 32  # chords of a quarter circle, for buffers: 0.02 mm on a radius of 65 mm

Feature = Bead | Hole


class Obstacle(NamedTuple):
    """Something that beads or holes keep clear of: its name, its shape in plan, mm from footprint to shape.

    edge: the line from which a distance is told where it is not that to the shape.  why: said after the distance.
    """

    description: str
    shape: BaseGeometry
    clearance: float
    edge: BaseGeometry | None = None
    why: str = ""


# ---------------------------------------------------------------------------------------------------------- footprints


def axis_and_half_width(feature: Feature) -> tuple[BaseGeometry, float]:
    """Axis and half width of a bead, or centre and radius of a hole's fold circle."""
    if isinstance(feature, Bead):
        return LineString(feature.path), feature.die.width / 2
    return Point(feature.at), feature.die.flange / 2


def bead_footprint(bead: Bead) -> Polygon:
    """The sheet that a bead takes up: half the die's width round its axis, with half discs at the ends."""
    axis, half_width = axis_and_half_width(bead)
    return axis.buffer(half_width, quad_segs=QUARTER_SEGMENTS)


def hole_footprint(hole: Hole) -> Polygon:
    """The sheet that a flared hole takes up: the disc inside its fold circle."""
    centre, radius = axis_and_half_width(hole)
    return centre.buffer(radius, quad_segs=QUARTER_SEGMENTS)


def kind_of(feature: Feature) -> str:
    """ "bead" or "hole", as the names of the spacing rules have it."""
    return "bead" if isinstance(feature, Bead) else "hole"


# ----------------------------------------------------------------------------------------------------------- distances


def check_spacing(tools: Tools) -> None:
    """Raise InputError if the shop's own spacings name no rule, or hold a value that is not a length."""
    if faults := spacing_faults(tools):
        raise InputError(faults)


def edge_clearance(panel: Panel, feature: Feature, t: float) -> float:
    """mm that must stay between the footprint of a bead or hole and the edge of the sheet, t mm thick."""
    is_step = isinstance(feature, Bead) and feature.die.profile == "step"
    return _edge_spacing(panel, "step_edge" if is_step else f"{kind_of(feature)}_edge", t)


def _edge_spacing(panel: Panel, rule: str, t: float) -> float:
    """mm of a spacing rule for the edge, or what the panel asks for flared holes where that is more."""
    return max(spacing(panel.tools, rule, t), panel.hole_edge if rule == "hole_edge" else 0.0)


def pair_clearance(tools: Tools, kind: str, other: str, t: float) -> float:
    """mm that must stay between two footprints in sheet of t mm; kinds are "bead" or "hole"."""
    return spacing(tools, "_".join(sorted((kind, other))), t)


def too_close(a: Feature, b: Feature, tools: Tools, t: float) -> bool:
    """True if two beads or holes are too close to be made in the same sheet of t mm."""
    return pair_shortfall(a, b, pair_clearance(tools, kind_of(a), kind_of(b), t)) > LENGTH_TOLERANCE


def pair_shortfall(a: Feature, b: Feature, clearance: float) -> float:
    """mm missing to `clearance` between two footprints; negative if they are further apart."""
    shape, half_width = axis_and_half_width(b)
    return shortfall(axis_and_half_width(a), shape, clearance + half_width)


def shortfall(feature: tuple[BaseGeometry, float], shape: BaseGeometry, clearance: float) -> float:
    """mm missing to `clearance` between a footprint and a shape; negative if they are further apart.

    feature: as `axis_and_half_width` gives it.
    """
    axis, half_width = feature
    return half_width + clearance - axis.distance(shape)


# ----------------------------------------------------------------------------------------------------------- obstacles


def obstacles(panel: Panel, gauge: float, kind: str) -> list[Obstacle]:
    """Everything in the panel, except its outline, that a feature of `kind` ("bead" or "hole") keeps clear of."""
    return [
        *_opening_obstacles(panel, gauge, kind),
        *_fold_obstacles(panel, gauge, kind),
        *(obstacle for support in panel.supports for obstacle in _support_obstacles(panel, support, gauge, kind)),
    ]


def _opening_obstacles(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    """Cut-outs and keep-outs."""
    clearance = spacing(panel.tools, f"{kind}_cutout", gauge)
    for number, cutout in enumerate(panel.cutouts, 1):
        yield Obstacle(f"cut-out {number}", Polygon(cutout.ring), clearance)
    clearance = spacing(panel.tools, f"{kind}_keep_out", gauge)
    for number, keep_out in enumerate(panel.keep_outs, 1):
        if kind in keep_out.against:
            description = f"keep-out {number}" + (f" ({keep_out.why})" if keep_out.why else "")
            yield Obstacle(description, Polygon(keep_out.polygon), clearance)


def _fold_obstacles(panel: Panel, gauge: float, kind: str) -> Iterator[Obstacle]:
    """Bends, between their tangent lines, and the sheet that the clamp bar holds while they are folded."""
    for zone in bend_zones(panel, gauge):
        yield Obstacle(f"the bend of {zone.where}", zone.strip, spacing(panel.tools, f"{kind}_fold", gauge))
        if zone.foot is not None:
            why = f", which the clamp bar holds and would crush it: move it, or fold before the {kind} is made"
            yield Obstacle(f"the bend of {zone.where}", zone.foot, 0.0, zone.inner, why)
    for flange in panel.curved_flanges:
        ring = bend_ring(flange, gauge, panel.tools.folding_brake.neutral, beyond=True)
        name = curved_flange_name(panel, flange)
        yield Obstacle(f"the curved flange of {name}", ring, spacing(panel.tools, f"{kind}_fold", gauge))


def _support_obstacles(panel: Panel, support: Support, gauge: float, kind: str) -> Iterator[Obstacle]:
    path = support.path
    if support.kind == "bolts" and support.at:
        clearance = spacing(panel.tools, f"{kind}_rivet", gauge, support.diameter)
        yield Obstacle("bolt", MultiPoint(support.at), clearance)
    elif support.kind == "rivets":
        # The whole row counts, not its rivets alone: the part riveted on needs flat sheet between them too.
        clearance = spacing(panel.tools, f"{kind}_rivet", gauge, support.diameter)
        yield Obstacle("rivet row", LineString(path) if path else Polygon(panel.outline).exterior, clearance)
    elif path:
        clearance = spacing(panel.tools, f"{kind}_support", gauge)
        yield Obstacle(f"line of a support ({support.kind})", LineString(path), clearance)


# ---------------------------------------------------------------------------------------------------- feasible regions


def bead_feasible_region(
    panel: Panel, die: BeadDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Plan region in which the axis of one more bead of this die may lie, beside the given beads and holes.

    For a step, the region reaches as near to an edge as a step may come.  The rule that a step lies no further than
    `step_reach` from the edge is left to `layout_check.audit`.  Raises InputError for faulty spacings of the shop.
    """
    edge_rule = "step_edge" if die.profile == "step" else None
    return _feasible_region(panel, gauge, "bead", die.width / 2, (*beads, *holes), edge_rule)


def hole_feasible_region(
    panel: Panel, die: HoleDie, gauge: float, beads: tuple[Bead, ...] = (), holes: tuple[Hole, ...] = ()
) -> BaseGeometry:
    """Plan region in which the centre of one more hole of this die may lie, beside the given beads and holes.

    Raises InputError for faulty spacings of the shop.
    """
    return _feasible_region(panel, gauge, "hole", die.flange / 2, (*beads, *holes))


def _feasible_region(
    panel: Panel,
    gauge: float,
    kind: str,
    half_width: float,
    others: tuple[Feature, ...],
    edge_rule: str | None = None,
) -> BaseGeometry:
    check_spacing(panel.tools)
    arcs = {"quad_segs": QUARTER_SEGMENTS}
    offset = half_width + 2 * LENGTH_TOLERANCE  # the chords of a buffer lie a little inside its arcs
    edge = _edge_spacing(panel, edge_rule or f"{kind}_edge", gauge)
    region = Polygon(panel.outline).buffer(-offset - edge, **arcs)
    blocked = [obstacle.shape.buffer(offset + obstacle.clearance, **arcs) for obstacle in obstacles(panel, gauge, kind)]
    for other in others:
        shape, other_half_width = axis_and_half_width(other)
        clearance = pair_clearance(panel.tools, kind, kind_of(other), gauge)
        blocked.append(shape.buffer(offset + clearance + other_half_width, **arcs))
    return region.difference(shapely.union_all(blocked))

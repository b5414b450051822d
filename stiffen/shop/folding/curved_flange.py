"""The blank of a part with flanges along arcs of its outline, and what is told of each.

mm, degrees.  Across the bend the flat is that of a straight flange (`flange_blank`); along it the free edge is
longer or shorter than the finished one, see `edge_strain`.  The change of thickness that comes of it is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from stiffen.errors import Fault, InputError
from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.panel import Panel
from stiffen.model.sheet_geometry import XY, Ring
from stiffen.shop.bends import bend_allowance, relief_slot, setback

from .edge_strain import flange_strain, strain_words
from .flange_blank import MIN_SLOT_AREA, MIN_SLOT_WIDTH, EdgeFlange
from .notches import NOTCH_CLEARANCE, CutBlank

END_TOLERANCE = 0.3  # mm from a given end of an arc to a corner of the outline
ARC_TOLERANCE = 0.1  # mm by which corners of the outline may lie off the arc
SMOOTH = 5.0  # degrees between two flanges that still meet smoothly
LEAST_END_RADIUS = 2.0  # mm of the free edge of a flange inside its arc


@dataclass(frozen=True)
class ArcFlange:
    """A flange along an arc of the finished outline, as asked for.

    first, last: positions in the ring of the corners at which the arc begins and ends, counter-clockwise round the
    sheet.  The rest as in `CurvedFlange`.
    """

    first: int
    last: int
    centre: XY
    edge_radius: float
    start: float
    sweep: float
    is_outside: bool
    leg: float
    angle: float
    bend_radius: float

    @property
    def sign(self) -> float:
        """+1 for a flange outside its arc, -1 inside."""
        return 1.0 if self.is_outside else -1.0


def arc_of(outline: Ring, ends: Sequence[XY]) -> tuple[tuple[int, int, XY, float, float, float, bool] | None, str]:
    """The arc of the outline with two ends and a point between them: the first fields of `ArcFlange`.

    None, and what is wrong, where the outline has no such arc.
    """
    points = np.array(outline)
    count = len(points)
    marks = []
    for end in (ends[0], ends[2]):
        gaps = np.linalg.norm(points - end, axis=1)
        if gaps.min() > END_TOLERANCE:
            return None, f"no corner of the outline lies at ({end[0]:g}, {end[1]:g})"
        marks.append(int(np.argmin(gaps)))
    for first, last in (marks, marks[::-1]):
        run = [(first + k) % count for k in range((last - first) % count + 1)]
        if len(run) < 3 or shapely.LineString(points[run]).distance(shapely.Point(ends[1])) > END_TOLERANCE:
            continue
        centre, radius = _circle(points[run])
        off = np.abs(np.linalg.norm(points[run] - centre, axis=1) - radius).max()
        if off > ARC_TOLERANCE:
            return None, f"the outline between these ends is no arc: its corners lie up to {off:.2f} mm off one"
        towards = points[run] - centre
        angles = np.unwrap(np.arctan2(towards[:, 1], towards[:, 0]))
        sweep = math.degrees(angles[-1] - angles[0])
        start = math.degrees(angles[0] if sweep > 0 else angles[-1])
        place = (float(centre[0]), float(centre[1]))
        return (first, last, place, radius, start, abs(sweep), sweep > 0), ""
    return None, "the second point does not lie on the outline between the other two"


def _circle(points: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre and radius of the circle nearest to points (n, 2), by linear least squares."""
    origin = points.mean(axis=0)
    x = points - origin
    found = np.linalg.lstsq(np.column_stack([2 * x, np.ones(len(x))]), (x**2).sum(axis=1), rcond=None)[0]
    return origin + found[:2], math.sqrt(max(found[2] + found[0] ** 2 + found[1] ** 2, 0.0))


def curved_blank(
    outline: Ring,
    straight: CutBlank,
    walls: Sequence[EdgeFlange],
    arcs: Sequence[tuple[int, ArcFlange]],
    t: float,
    neutral: float,
) -> tuple[Ring, tuple[CurvedFlange, ...]]:
    """The blank with its curved flanges, and these.

    outline: finished.  straight: the blank with its straight flanges, `walls`.  arcs: each with its number among all
    flanges, for messages.  t: the thickest sheet, mm.  Raises InputError where a flange has no room.
    """
    base = Polygon(outline)
    flanges: list[CurvedFlange] = []
    strips: list[Polygon] = []
    slots = [*straight.notches]
    served: set[int] = set()
    for number, arc in arcs:
        where = f"flange {number}"
        back = setback(abs(arc.angle), arc.bend_radius, t)
        taken = bend_allowance(abs(arc.angle), arc.bend_radius, t, neutral)
        end = arc.leg + taken - 2 * back
        if end <= taken - back:
            what = f"leg {arc.leg:g} mm leaves no flat beside its bend"
            raise InputError([Fault(where, what, f"more than {back:.1f} mm")])
        end_radius = arc.edge_radius + arc.sign * end
        if end_radius < LEAST_END_RADIUS:
            what = f"leg {arc.leg:g} mm reaches the centre of its arc, radius {arc.edge_radius:.1f} mm"
            raise InputError([Fault(where, what, "a shorter leg, or a larger radius")])
        flange = CurvedFlange(
            arc.centre, arc.edge_radius, arc.edge_radius + arc.sign * (taken / 2 - back), end_radius,
            arc.start, arc.sweep, arc.is_outside, arc.angle, arc.bend_radius, arc.leg,
        )  # fmt: skip
        strip = flange.ring(arc.edge_radius, end_radius)
        outer = flange.ring(arc.edge_radius + arc.sign * min(1.0, end / 2), end_radius)
        others = [base, *strips]
        if not strip.is_valid or any(outer.intersection(one).area > MIN_SLOT_AREA for one in others):
            what = "lies on the base or on another flange in the flat"
            raise InputError([Fault(where, what, "a shorter leg, or make it of two parts")])
        _check_neighbours(where, outline, arc, walls, [one for _, one in arcs])
        shared = served | {wall.side for wall in walls} | {(wall.side + 1) % len(outline) for wall in walls}
        depth = max(relief_slot(arc.bend_radius, t)[1], NOTCH_CLEARANCE + back)
        width = max(relief_slot(arc.bend_radius, t)[0], MIN_SLOT_WIDTH)
        for corner in {arc.first, arc.last} - shared:
            slot = _slot(outline, arc, corner, width, depth, end)
            if base.intersection(slot).area > MIN_SLOT_AREA:
                slots.append(slot)
        served |= {arc.first, arc.last}
        flanges.append(flange)
        strips.append(flange.ring(arc.edge_radius - arc.sign * min(0.5, arc.edge_radius / 2), end_radius))
    blank = shapely.union_all([Polygon(straight.outline), *strips]).difference(shapely.union_all(slots))
    blank = shapely.set_precision(blank, 1e-6).simplify(1e-6)
    if not isinstance(blank, Polygon) or blank.interiors:
        raise InputError([Fault("flange", "the flanges meet in the flat", "shorter legs")])
    ring = shapely.geometry.polygon.orient(shapely.remove_repeated_points(blank, 1e-4)).exterior.coords[:-1]
    return tuple((float(x), float(y)) for x, y in ring), tuple(flanges)


def _slot(outline: Ring, arc: ArcFlange, corner: int, width: float, depth: float, end: float) -> Polygon:
    """The slot beside an end of a curved flange, from behind its bend to its free edge."""
    at = np.array(outline[corner])
    radial = (at - arc.centre) / np.linalg.norm(at - arc.centre)
    out = arc.sign * radial
    is_start = (corner == arc.first) == arc.is_outside  # the end at which the arc's angle is least
    turn = -1.0 if is_start else 1.0
    beside = turn * np.array([-radial[1], radial[0]])
    corners = [at - depth * out, at - depth * out + width * beside, at + (end + 1) * out + width * beside]
    return Polygon([*corners, at + (end + 1) * out])


def _check_neighbours(
    where: str, outline: Ring, arc: ArcFlange, walls: Sequence[EdgeFlange], arcs: Sequence[ArcFlange]
) -> None:
    """Raise InputError where another flange meets a curved one at a corner, not smoothly."""
    count = len(outline)
    points = np.array(outline)
    for corner, is_last in ((arc.first, False), (arc.last, True)):
        side = corner if is_last else (corner - 1) % count
        bears = any(wall.side == side for wall in walls)
        bears |= any(one is not arc and (one.first if is_last else one.last) == corner for one in arcs)
        if not bears:
            continue
        step = points[(side + 1) % count] - points[side]
        radial = points[corner] - arc.centre
        lean = math.degrees(math.asin(min(1.0, abs(step @ radial) / np.linalg.norm(step) / np.linalg.norm(radial))))
        if lean > SMOOTH:
            x, y = points[corner]
            what = f"meets another flange at ({x:g}, {y:g}) under {lean:.0f} degrees"
            raise InputError([Fault(where, what, "round the corner between them, or leave one of them out")])


# --- at the bench ------------------------------------------------------------


def bend_ring(flange: CurvedFlange, t: float, neutral: float, beyond: bool = False) -> Polygon:
    """The sheet that the bend of a curved flange takes; with the flange `beyond` it, if asked."""
    sign = 1.0 if flange.is_outside else -1.0
    half = bend_allowance(abs(flange.angle), flange.bend_radius, t, neutral) / 2
    outer = flange.end_radius if beyond else flange.fold_radius + sign * half
    return flange.ring(max(flange.fold_radius - sign * half, 1.0), outer)


def curved_flange_name(panel: Panel, flange: CurvedFlange) -> str:
    """Its number among the folds: curved flanges follow the straight ones."""
    return f"fold {len(panel.folds) + panel.curved_flanges.index(flange) + 1}"


def outside_leg(flange: CurvedFlange, t: float, neutral: float) -> float:
    """Outside size that a curved flange comes out with in sheet of t mm; the blank is that of the thickest."""
    half = bend_allowance(abs(flange.angle), flange.bend_radius, t, neutral) / 2
    flat = abs(flange.end_radius - flange.fold_radius) - half
    return flat + setback(abs(flange.angle), flange.bend_radius, t)


def curved_flange_steps(panel: Panel, t: float) -> list[str]:
    """How each curved flange is turned up, as sentences."""
    told = []
    for flange in panel.curved_flanges:
        side = "up" if flange.angle > 0 else "down"
        inner_face = flange.edge_radius - t if flange.is_outside else flange.edge_radius + t
        former = f"over a hardwood former that lies on the base, its edge cut to R {inner_face:.1f}"
        words = strain_words(flange_strain(flange, panel.material), "its free edge is", "it")
        name = curved_flange_name(panel, flange)
        told.append(
            f"{name[0].upper()}{name[1:]}, curved: {abs(flange.angle):g} degrees {side}, inside radius "
            f"{flange.bend_radius:g} mm, {former}, a little at a time from the middle to both ends; {words}. "
            f"It comes out {outside_leg(flange, t, panel.tools.folding_brake.neutral):.1f} mm high outside."
        )
    return told

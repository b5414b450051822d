"""What a folding brake can bend, fingers between sides that stand already, and what to bend a large radius round.

mm, degrees, MPa.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

from shapely.geometry import Point

from stiffen.model.material import Material, rated_thickness
from stiffen.model.panel import Panel
from stiffen.model.tools import FoldingBrake
from stiffen.shop.bends import is_round_bend
from stiffen.shop.roller_settings import loaded_curvature

from .bend_zones import BendZone

STANDING_REACH = 30.0  # mm from the end of a fold line within which a flange that stands is in the bar's way
MAX_FINGERS = 12  # of a set that is tried in all combinations
MIN_FINGER_SHARE = 0.9  # of a bend that fingers must press on: common practice, no source


def rated_fold_thickness(brake: FoldingBrake, material: Material, length: float) -> float | None:
    """Thickest sheet, mm, that the brake bends over `length` mm; None if its rating is not given.

    The bending moment of a line is proportional to R_m t^2 L, as for the roller: over its own length the brake bends
    `rated_steel` mm of mild steel (common practice, no source).  A shorter bend counts as one of the brake's length
    unless the brake's length is given.
    """
    if brake.rated_steel is None:
        return None
    share = 1.0 if brake.length is None else brake.length / length
    return rated_thickness(material, brake.rated_steel) * math.sqrt(share)


def is_round(zone: BendZone, t: float) -> bool:
    """True if a bend is too wide for the brake's nose and is made round a tube."""
    return is_round_bend(zone.fold.radius, t)


def former_radius(radius: float, material: Material, t: float) -> float:
    """Inside radius, mm, to bend to, so that the sheet springs back to `radius`.

    Gardiner 1957 (from memory); see `roller_settings.loaded_curvature`.
    """
    return 1 / loaded_curvature(1 / radius, material, t)


def former_angle(angle: float, radius: float, material: Material, t: float) -> float:
    """Degrees to bend to on the former, so that the bend springs back to `angle`: its arc keeps its length."""
    return abs(angle) * (radius + t / 2) / (former_radius(radius, material, t) + t / 2)


def fingers_for(fingers: Sequence[float], length: float) -> tuple[float, ...]:
    """The fingers, widest first, that together come nearest to `length` mm without being wider; () if none fits."""
    fitting = sorted((width for width in fingers if width <= length), reverse=True)[:MAX_FINGERS]
    best: tuple[float, ...] = ()
    for count in range(1, len(fitting) + 1):
        for chosen in combinations(fitting, count):
            if sum(best) < sum(chosen) <= length + 1e-9:
                best = chosen
    return best


def standing_ends(zones: Sequence[BendZone], position: int) -> int:
    """At how many ends of a bend, 0 to 2, a flange stands that was folded before it.

    zones: all bends in the order in which they are made.  A lip on the same flange is not in the way.
    """
    zone = zones[position]
    ends = [Point(zone.plan.line.coords[k]) for k in (0, -1)]
    sign = math.copysign(1.0, zone.fold.angle)
    count = 0
    for end in ends:
        for other in zones[:position]:
            same_side = math.copysign(1.0, other.fold.angle) == sign
            parallel = abs(zone.plan.along @ other.plan.out) < 0.2
            on_flange = zone.plan.polygon.buffer(0.1).covers(other.plan.line.interpolate(0.5, normalized=True))
            if same_side and not parallel and not on_flange and other.plan.line.distance(end) <= STANDING_REACH:
                count += 1
                break
    return count


def brake_faults(panel: Panel, zones: Sequence[BendZone], t: float) -> Iterator[tuple[str, str, float | None]]:
    """Where, what is wrong with its cure, and mm short, for each bend that the brake cannot make.

    A bend made round a tube needs no brake.
    """
    brake = panel.tools.folding_brake
    for position, zone in enumerate(zones):
        if is_round(zone, t):
            continue
        if brake.length is not None and zone.length > brake.length + 1e-6:
            what = f"{zone.length:.0f} mm long, the folding brake takes {brake.length:g} mm: have it folded"
            yield zone.where, what, zone.length - brake.length
        rated = rated_fold_thickness(brake, panel.material, zone.length)
        if rated is not None and t > rated + 1e-6:
            what = (
                f"{t:g} mm {panel.material.name} over {zone.length:.0f} mm is over the folding brake's rating of "
                f"{rated:.2f} mm for it: a thinner sheet, a shorter bend or a stronger brake"
            )
            yield zone.where, what, t - rated
        if zone.fold.radius < brake.nose - 1e-6:
            what = (
                f"inside radius {zone.fold.radius:g} mm, the brake's nose makes {brake.nose:g} mm: "
                f"give the fold radius = {brake.nose:g}, or use a sharper nose"
            )
            yield zone.where, what, brake.nose - zone.fold.radius
        if brake.fingers and standing_ends(zones, position) == 2:
            pressed = sum(fingers_for(brake.fingers, zone.length))
            if pressed < MIN_FINGER_SHARE * zone.length:
                what = (
                    f"between sides that stand, {zone.length:.0f} mm long, and the brake's fingers add up to "
                    f"{pressed:g} mm of it at most: get a finger that fills it, or fold one side by hand afterwards"
                )
                yield zone.where, what, MIN_FINGER_SHARE * zone.length - pressed

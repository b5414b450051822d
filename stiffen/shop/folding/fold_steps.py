"""How each fold is made, as sentences.  mm, degrees."""

from __future__ import annotations

from itertools import groupby

from stiffen.model.panel import Panel
from stiffen.shop.bends import Flange, flanges

from .bend_zones import BendZone, bend_zones
from .brake import fingers_for, former_angle, former_radius, is_round, standing_ends


def fold_steps(panel: Panel, t: float) -> list[str]:
    """One step for each run of folds that are made alike, in order."""
    zones = {zone.number: (position, zone) for position, zone in enumerate(bend_zones(panel, t))}
    ordered = [one for _, one in sorted(zones.values(), key=lambda pair: pair[0])]
    told = []
    for flange in flanges(panel, t):
        if flange.number in zones:
            position, zone = zones[flange.number]
            told.append((flange.number, _how(panel, t, flange, zone) + _fingers(panel, ordered, position, t)))
    return [
        f"Fold {', '.join(str(number) for number, _ in alike)}: {how}"
        for how, alike in ((how, list(run)) for how, run in groupby(told, key=lambda pair: pair[1]))
    ]


def _how(panel: Panel, t: float, flange: Flange, zone: BendZone) -> str:
    """Angle, side, radius, tools and the size that comes out."""
    fold = zone.fold
    side = "up" if fold.angle > 0 else "down"
    size = f"the flange comes out {flange.outside:.1f} mm high outside."
    if is_round(zone, t):
        return f"{abs(fold.angle):g} degrees {side}, {round_bend_text(panel, t, zone)} {size[0].upper()}{size[1:]}"
    return (
        f"{abs(fold.angle):g} degrees {side}, inside radius {fold.radius:g} mm, the line in the middle of the "
        f"{flange.allowance:.1f} mm that the bend takes; {size}"
    )


def round_bend_text(panel: Panel, t: float, zone: BendZone) -> str:
    """How a bend of large radius is made: round which tube, how far, and between which lines."""
    fold, material = zone.fold, panel.material
    inside = former_radius(fold.radius, material, t)
    angle = former_angle(fold.angle, fold.radius, material, t)
    if angle < 0.995 * 360:
        pressed = f"bent to {angle:.0f} degrees it springs back to R {fold.radius:g} and {abs(fold.angle):g} degrees"
    else:
        pressed = "it springs back by more than a full turn: such a bend stays in the sheet only if it is held"
    return (
        f"round a tube of {2 * inside:.0f} mm outside, inside radius {fold.radius:g} mm when it is done: {pressed} "
        f"(estimate, Gardiner 1957; try a scrap strip). The bend takes {zone.allowance:.1f} mm, between its two "
        f"tangent lines, {zone.allowance / 2:.1f} mm on either side of the middle line."
    )


def _fingers(panel: Panel, zones: list[BendZone], position: int, t: float) -> str:
    """Which fingers to set, for a bend between sides that stand already."""
    zone = zones[position]
    if is_round(zone, t) or standing_ends(zones, position) < 2:
        return ""
    brake = panel.tools.folding_brake
    if not brake.fingers:
        return f" It lies between sides that stand: set fingers of {zone.length:.0f} mm in all, or less, between them."
    chosen = fingers_for(brake.fingers, zone.length)
    if not chosen:
        return ""
    widths = " + ".join(f"{width:g}" for width in chosen)
    return f" It lies between sides that stand: set fingers {widths} mm ({sum(chosen):g} of {zone.length:.0f} mm)."

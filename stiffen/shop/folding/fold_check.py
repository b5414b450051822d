"""Rules of the folds of a panel: what lies in or near a bend, its radius, its flange, the limits of the brake.

Plan coordinates and distances in mm.  Distances to a bend are measured from its tangent lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from stiffen.model.panel import Panel, Support
from stiffen.shop.bends import flanges, fold_crossings, least_flat, relief_hole, setback
from stiffen.shop.layout_check import Violation
from stiffen.shop.spacing_rules import spacing

from .bend_zones import BendZone, bend_zones
from .brake import brake_faults
from .curved_flange import bend_ring, curved_flange_name, outside_leg
from .edge_strain import flange_strain, strain_words

LENGTH_TOLERANCE = 0.02  # mm
ON_FOLD_LINE = 0.5  # mm from the fold line within which a fastener is said to lie on it


def audit_folds(panel: Panel, gauge: float) -> tuple[Violation, ...]:
    """Every rule that the folds of a panel break in sheet of `gauge` mm; empty if they can be made as they are."""
    zones = bend_zones(panel, gauge)
    return (
        *_bend_faults(panel, gauge),
        *(Violation(*fault) for fault in brake_faults(panel, zones, gauge)),
        *_fastener_faults(panel, zones, gauge),
        *_opening_faults(panel, zones, gauge),
        *_mass_faults(panel, zones),
        *_curved_faults(panel, gauge),
    )


def _bend_faults(panel: Panel, gauge: float) -> Iterator[Violation]:
    """Bends too tight for the sheet, flanges too short for the brake, folds that meet."""
    least = panel.material.least_bend_radius(gauge)
    for number, fold in enumerate(panel.folds, 1):
        if least is not None and fold.radius < least - 1e-6:
            sheet = f"{gauge:g} mm {panel.material.name}"
            what = f"inside radius {fold.radius:g} mm, least for {sheet} is {least:.2f} mm"
            yield Violation(f"fold {number}", what, least - fold.radius)
    min_flat = least_flat(gauge, panel.tools.folding_brake.least_flat)
    for flange in flanges(panel, gauge):
        if flange.flat < min_flat - LENGTH_TOLERANCE:
            flat = max(flange.flat, 0.0)
            what = f"{flat:.1f} mm flat is left beyond the bend, the folding brake needs {min_flat:.1f} mm"
            yield Violation(f"fold {flange.number}", what, min_flat - flange.flat)
    for i, j, (x, y) in fold_crossings(panel):
        hole = relief_hole(max(panel.folds[i - 1].radius, panel.folds[j - 1].radius), gauge)
        what = f"meet at ({x:.1f}, {y:.1f}): drill a relief hole of {hole:.1f} mm there first"
        yield Violation(f"fold {i} and fold {j}", what)


# ---------------------------------------------------------------------------------------------- fasteners and openings


def _fastener_faults(panel: Panel, zones: Sequence[BendZone], gauge: float) -> Iterator[Violation]:
    """Rivets and bolts in a bend or too near it, and rows that run through one."""
    for number, support in enumerate(panel.supports, 1):
        centres = np.array(support.fasteners())
        if not len(centres) or support.diameter <= 0:
            continue
        where, least = f"support[{number}] {support.kind}", spacing(panel.tools, "rivet_fold", gauge, support.diameter)
        for zone in zones:
            yield from _row_faults(where, support, zone)
            gaps = shapely.distance(zone.strip, shapely.points(centres))
            for k in np.flatnonzero(gaps < least - LENGTH_TOLERANCE):
                (x, y), gap = centres[k], float(gaps[k])
                one = f"{support.kind[:-1]} at ({x:.1f}, {y:.1f})"
                if gap > 0:
                    what = f"{one} is {gap:.1f} mm from the bend of {zone.where}, at least {least:.1f} mm"
                else:
                    off = abs(float(zone.plan.offset(centres[k : k + 1])[0]))
                    place = "on the line" if off <= ON_FOLD_LINE else "in the bend"
                    what = f"{one} lies {place} of {zone.where}"
                reach = zone.allowance / 2 + least
                yield Violation(where, f"{what}: put it {reach:.1f} mm or more from the fold line", least - gap)


def _curved_faults(panel: Panel, gauge: float) -> Iterator[Violation]:
    """Curved flanges that are too tight, too short, strained too far, or with fasteners in the bend."""
    neutral = panel.tools.folding_brake.neutral
    least_radius, min_flat = panel.material.least_bend_radius(gauge), least_flat(gauge)
    for flange in panel.curved_flanges:
        where = curved_flange_name(panel, flange)
        strain = flange_strain(flange, panel.material)
        if not strain.fits:
            words = strain_words(strain, "its free edge is", "it")
            yield Violation(where, f"{words}; or give it a shorter leg")
        if least_radius is not None and flange.bend_radius < least_radius - 1e-6:
            what = f"inside radius {flange.bend_radius:g} mm, least for {gauge:g} mm {panel.material.name} is"
            yield Violation(where, f"{what} {least_radius:.2f} mm", least_radius - flange.bend_radius)
        flat = outside_leg(flange, gauge, neutral) - setback(abs(flange.angle), flange.bend_radius, gauge)
        if flat < min_flat - LENGTH_TOLERANCE:
            what = f"{max(flat, 0.0):.1f} mm flat is left beyond the bend, at least {min_flat:.1f} mm"
            yield Violation(where, what, min_flat - flat)
        strip = bend_ring(flange, gauge, neutral)
        for number, support in enumerate(panel.supports, 1):
            centres = np.array(support.fasteners())
            if not len(centres) or support.diameter <= 0:
                continue
            least = spacing(panel.tools, "rivet_fold", gauge, support.diameter)
            gaps = shapely.distance(strip, shapely.points(centres))
            for k in np.flatnonzero(gaps < least - LENGTH_TOLERANCE):
                (x, y), gap = centres[k], float(gaps[k])
                what = f"{support.kind[:-1]} at ({x:.1f}, {y:.1f}) is {gap:.1f} mm from the bend of {where}"
                yield Violation(f"support[{number}] {support.kind}", f"{what}, at least {least:.1f} mm", least - gap)


def _mass_faults(panel: Panel, zones: Sequence[BendZone]) -> Iterator[Violation]:
    """Things that are bolted on in a bend."""
    for number, mass in enumerate(panel.masses, 1):
        for zone in zones:
            if zone.strip.distance(Point(mass.at)) == 0:
                x, y = mass.at
                what = f"at ({x:.1f}, {y:.1f}) lies in the bend of {zone.where}: bolt it to flat sheet"
                yield Violation(f"mass[{number}] {mass.what}".rstrip(), what)


def _row_faults(where: str, support: Support, zone: BendZone) -> Iterator[Violation]:
    """A row of rivets that runs across a bend: the part riveted on would have to be folded with the sheet."""
    if support.kind != "rivets" or support.path is None:
        return
    across = LineString(support.path).intersection(zone.strip)
    for piece in shapely.get_parts(across):
        if piece.length < LENGTH_TOLERANCE:
            continue
        offset = zone.plan.offset(np.array([piece.coords[0], piece.coords[-1]]))
        if np.ptp(offset) > 0.9 * zone.allowance:  # from one tangent line to the other
            x, y = piece.interpolate(0.5, normalized=True).coords[0]
            what = f"the row runs through the bend of {zone.where} at ({x:.1f}, {y:.1f}): end it before the bend"
            yield Violation(where, f"{what} and begin another row beyond it")


def _opening_faults(panel: Panel, zones: Sequence[BendZone], gauge: float) -> Iterator[Violation]:
    """Cut-outs in a bend or too near it.  One that takes in the end of a fold line is its relief."""
    least = spacing(panel.tools, "cutout_fold", gauge)
    for number, cutout in enumerate(panel.cutouts, 1):
        shape = Polygon(cutout.ring)
        centre = shape.centroid
        for zone in zones:
            ends = [Point(zone.plan.line.coords[k]) for k in (0, -1)]
            others = [other.plan.line for other in zones if other is not zone]
            if any(shape.distance(end) < LENGTH_TOLERANCE for end in ends) or any(
                not shape.intersection(line).is_empty and shape.intersects(zone.plan.line) for line in others
            ):
                continue
            gap = float(zone.strip.distance(shape))
            if gap >= least - LENGTH_TOLERANCE:
                continue
            if gap > 0:
                what = (
                    f"{gap:.1f} mm from the bend of {zone.where}, at least {least:.1f} mm: the bend would pull it out "
                )
                what += "of shape; move it, or cut it after folding"
            else:
                x, y = shape.intersection(zone.strip).centroid.coords[0]
                what = f"lies in the bend of {zone.where} at ({x:.1f}, {y:.1f}): move it, or divide the flange there"
            yield Violation(f"cut-out {number} at ({centre.x:.1f}, {centre.y:.1f})", what, least - gap)

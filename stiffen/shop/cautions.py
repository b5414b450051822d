"""Warnings about making a layout: broken shop rules, warnings of the evaluation, cautions for the bench.  mm."""

from __future__ import annotations

import math

from shapely.geometry import Polygon, box

from stiffen.model.layout import Layout
from stiffen.model.material import Material, rated_thickness
from stiffen.model.panel import Load, Panel
from stiffen.model.results import Verdict
from stiffen.model.tools import BeadDie, HoleDie
from stiffen.model.unit_hints import unit_hints

from . import bead_section, flared_holes, rivets
from .clearance import bead_footprint, hole_footprint
from .folding.fold_check import audit_folds
from .layout_check import (
    RATING_TOLERANCE,
    Violation,
    audit,
    audit_supports,
    bead_die_violations,
    hole_die_violations,
)
from .rollability import direction, sheet_extents
from .rough_blank import trim_allowance

LEAST_SHARE_TOLD = 0.005  # fraction by which a limit in whole percent is exceeded before a caution speaks


def warning_lines(panel: Panel, verdict: Verdict) -> list[str]:
    """All warnings, each line once: broken shop rules, warnings of the evaluation, cautions for the bench.

    Beads and holes are named by their position in the verdict's layout.
    """
    layout = verdict.layout
    return list_warnings(audit(panel, layout), verdict, bench_cautions(panel, layout))


def list_warnings(violations: tuple[Violation, ...], verdict: Verdict, cautions: tuple[str, ...]) -> list[str]:
    """The lines of `warning_lines`, from violations and cautions computed before."""
    broken = [f"rule not kept: {violation}" for violation in violations]
    return list(dict.fromkeys((*broken, *verdict.warnings, *cautions)))


def bench_cautions(panel: Panel, layout: Layout, allowance: tuple[float, float] | None = None) -> tuple[str, ...]:
    """Cautions for the bench.

    They name values that may be in another unit, strains against the elongation, the roller's rating, the throat, loads
    on beads, rivets near edges, and folds.

    allowance: result of `rough_blank.trim_allowance`, if computed before.
    """
    cautions = [f"unit? {hint}" for hint in unit_hints(panel)]
    if layout.beads:
        cautions += _rating_cautions(panel, layout.gauge)
    for die in dict.fromkeys(bead.die for bead in layout.beads):
        cautions += _bead_die_cautions(panel, die, layout.gauge)
    for flare in dict.fromkeys(hole.die for hole in layout.holes):
        cautions += _hole_die_cautions(panel, flare, layout.gauge)
    cautions += _throat_cautions(panel, layout, trim_allowance(panel, layout) if allowance is None else allowance)
    cautions += _load_cautions(panel, layout)
    cautions += map(str, audit_supports(panel))
    cautions += _rivet_pitch_cautions(panel, layout.gauge)
    cautions += (f"rule not kept: {violation}" for violation in audit_folds(panel, layout.gauge))
    return tuple(cautions)


def _rating_cautions(panel: Panel, t: float) -> list[str]:
    """Sheet over the roller's rating by less than the rating may be off."""
    rated = rated_thickness(panel.material, panel.tools.roller.rated_steel)
    if not LEAST_SHARE_TOLD <= t / rated - 1 <= RATING_TOLERANCE:
        return []
    return [
        f"{t:g} mm {panel.material.name} is {100 * (t / rated - 1):.0f} % over the roller's rating, {rated:.2f} mm for "
        "this material: roll the trial strip in light passes, and watch that the frame does not spring"
    ]


def _rivet_pitch_cautions(panel: Panel, t: float) -> list[str]:
    """Rivets so far apart that the sheet between two of them buckles or gapes."""
    most = rivets.max_pitch(panel.material, t)
    cautions = []
    for number, support in enumerate(panel.supports, 1):
        widest = max((gap for run in rivets.rivet_runs(support) for gap in run.gaps), default=0.0)
        if widest >= most + 0.05:
            buckles = rivets.inter_rivet_buckling_stress(panel.material, t, widest)
            cautions.append(
                f"support {number}: rivets {widest:.1f} mm apart. Pushed together along the row, {t:g} mm sheet "
                f"buckles between them at {buckles:.1f} MPa (3 pi^2 E t^2 / 12 pitch^2), and it may gape; "
                f"{most:.0f} mm at most holds to half its yield strength"
            )
    return cautions


def _throat_cautions(panel: Panel, layout: Layout, allowance: tuple[float, float]) -> list[str]:
    """Beads for which the throat is deep enough with the finished outline, but not with the larger rough blank."""
    cautions = []
    x, y = allowance
    for number, bead in enumerate(layout.beads, start=1):
        angle = math.radians(direction(bead))
        extra = abs(math.sin(angle)) * x + abs(math.cos(angle)) * y if len(bead.path) == 2 else max(x, y)
        spare = panel.tools.roller.throat - min(sheet_extents(panel, bead))
        if 0 <= spare <= extra - 0.5:  # both are told in whole mm
            cautions.append(
                f"bead {number}: the rough cut leaves {extra:.0f} mm on the side that goes to the roller's frame, the "
                f"throat has room for {spare:.0f} mm; cut that side closer"
            )
    return cautions


def _bead_die_cautions(panel: Panel, die: BeadDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    cautions = [str(violation) for violation in bead_die_violations(panel, die, t, name)]
    stretch, drawn = bead_section.stretch_strain(die), bead_section.draw_in(die)
    if _stretches_too_far(panel.material, die):
        cautions.append(
            f"{name}: if the sheet cannot move in, it stretches {100 * stretch:.0f} % and thins by "
            f"{100 * bead_section.thinning(die):.0f} %, elongation is {100 * limit:.0f} % (of a tensile bar; a narrow "
            f"bend stands more); if it can, each bead draws in {drawn:.1f} mm. The truth lies between: try a scrap "
            "strip."
        )
    bend = bead_section.bend_strain(die, t)
    if bend is None:
        cautions.append(f"{name}: neither radius is given, so its bend strain is not checked")
    elif _bends_too_far(panel.material, die, t):
        cautions.append(
            f"{name}: bends the outer fibre by {100 * bend:.0f} % at its tightest radius, elongation is "
            f"{100 * limit:.0f} % (of a tensile bar; a narrow bend stands more, how much is not known): look for "
            "cracks on the trial strip"
        )
    return cautions


def may_crack(material: Material, die: BeadDie, t: float) -> bool:
    """True where a bead of a die strains a sheet of thickness t, mm, beyond its elongation, so that a caution is given.

    Held sheet stretches as `bead_section.stretch_strain`; its outer fibre bends as `bead_section.bend_strain`.
    """
    return _stretches_too_far(material, die) or _bends_too_far(material, die, t)


def crack_note(panel: Panel, layout: Layout) -> str:
    """One phrase that names the dies of a layout that may crack its sheet; empty if there is none."""
    dies = dict.fromkeys(bead.die for bead in layout.beads)
    names = [die.name for die in dies if may_crack(panel.material, die, layout.gauge)]
    if not names:
        return ""
    return f"{'die' if len(names) == 1 else 'dies'} {', '.join(names)} may crack this sheet: try a scrap strip first"


def _stretches_too_far(material: Material, die: BeadDie) -> bool:
    return bead_section.stretch_strain(die) >= material.elongation + LEAST_SHARE_TOLD


def _bends_too_far(material: Material, die: BeadDie, t: float) -> bool:
    """A bend tolerates more strain than a tensile specimen, so a table of bend radii overrules the elongation."""
    bend = bead_section.bend_strain(die, t)
    beyond = bend is not None and bend >= material.elongation + LEAST_SHARE_TOLD
    return beyond and material.least_bend_radius(t) is None


def _hole_die_cautions(panel: Panel, die: HoleDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    cautions = [str(violation) for violation in hole_die_violations(panel, die, t, name)]
    thickest = flared_holes.max_flared_thickness(panel.material, die.finished)
    if thickest is not None and t > thickest + flared_holes.INCH_ROUNDING and not cautions:
        material = panel.material.name
        cautions.append(
            f"{name}: one fabricator lists flares of this size in {material} up to {thickest:g} mm; what this die "
            "takes is not known: try scrap"
        )
    cuts = flared_holes.best_cuts(die, panel.tools.cutters, flared_holes.max_lip_strain(panel.material, t))
    stretch = cuts[0].flare.lip_strain if cuts else die.lip_strain
    if stretch >= limit + LEAST_SHARE_TOLD and not any("stretches the lip" in caution for caution in cautions):
        cautions.append(
            f"{name}: stretches the lip by {100 * stretch:.0f} %, elongation is {100 * limit:.0f} % (of a tensile "
            "bar; a smooth rim stands more, how much is not known): flare one in scrap, smooth the rim before"
        )
    return cautions


def _load_cautions(panel: Panel, layout: Layout) -> list[str]:
    """Patch loads that press on a face on which beads or lips stand proud."""
    proud = [(f"bead {n}", bead.side, bead_footprint(bead)) for n, bead in enumerate(layout.beads, 1)]
    proud += [(f"flared hole {n}", hole.side, hole_footprint(hole)) for n, hole in enumerate(layout.holes, 1)]
    cautions = []
    for load in panel.loads:
        if load.kind != "patch":
            continue
        face = "up" if load.value > 0 else "down"
        patch = _patch(load)
        met = [name for name, side, shape in proud if side == face and (patch is None or shape.intersects(patch))]
        if met:
            names = ", ".join(met[:4]) + (f" and {len(met) - 4} more" if len(met) > 4 else "")
            verb, them = ("stands", "it") if len(met) == 1 else ("stand", "them")
            where = f"presses on the {face} face, where {names} {verb} proud"
            cautions.append(f"load {load.case} {where}: put {them} on the other face, or move {them}")
    return cautions


def _patch(load: Load) -> Polygon | None:
    """The rectangle under a patch load; None if the load may act anywhere."""
    if load.at is None or load.size is None:
        return None
    (x, y), (w, h) = load.at, load.size
    return box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)

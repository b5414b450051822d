"""The sheet to buy, the finished sizes, and the mass beside that of a flat sheet."""

from __future__ import annotations

from shapely.geometry import LineString, Polygon

from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.layout import Layout
from stiffen.model.panel import Fold, Panel
from stiffen.model.results import FlatSheetBaseline, Verdict
from stiffen.shop.bends import flanges, folded_base_size
from stiffen.shop.folding.curved_flange import curved_flange_name, outside_leg
from stiffen.shop.layout_check import why_no_beads
from stiffen.shop.process_plan import ProcessPlan
from stiffen.shop.work_steps import hands_needed

from .value_texts import MASS_RESOLUTION, mass_text, size_text

NO_FLAT_SHEET = "no flat sheet in the rack meets the demands"


def mass_comparison(verdict: Verdict, flat_baseline: FlatSheetBaseline) -> str:
    """One phrase: the mass compared with the flat sheet that meets the same demands."""
    if not verdict.demands:
        return "nothing asked, so there is no flat sheet to compare with"
    if flat_baseline.gauge_mm is None or flat_baseline.mass_kg is None:
        return _no_flat_sheet(flat_baseline)
    if not verdict.met:
        return f"the {flat_baseline.gauge_mm:g} mm flat sheet meets the demands with {mass_text(flat_baseline.mass_kg)}"
    less = flat_baseline.mass_kg - verdict.mass_kg
    flat = f"the {flat_baseline.gauge_mm:g} mm flat sheet that meets the demands ({mass_text(flat_baseline.mass_kg)})"
    if abs(less) < MASS_RESOLUTION:
        flat_too = not (verdict.layout.beads or verdict.layout.holes)
        return "the lightest flat sheet of the rack that meets the demands" if flat_too else f"as heavy as {flat}"
    share = 100 * abs(less) / flat_baseline.mass_kg
    return f"{mass_text(abs(less))} ({share:.0f} %) {'lighter' if less > 0 else 'HEAVIER'} than {flat}"


def _no_flat_sheet(flat_baseline: FlatSheetBaseline) -> str:
    """One phrase where no flat sheet of the rack does; it names the sheet outside the rack that would, if known."""
    if not flat_baseline.evaluated_gauges:
        return "flat sheets were not evaluated"
    if flat_baseline.outside_gauge_mm is None or flat_baseline.outside_mass_kg is None:
        return NO_FLAT_SHEET
    outside = f"{flat_baseline.outside_gauge_mm:g} mm, {mass_text(flat_baseline.outside_mass_kg)}"
    return f"{NO_FLAT_SHEET}; outside the rack {outside}, would"


def sheet_lines(
    panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None, plan: ProcessPlan
) -> list[str]:
    """What to buy and to cut, finished sizes, masses."""
    layout = verdict.layout
    rough, outline = plan.rough_outline, Polygon(panel.outline)
    mass_per_area = panel.material.rho * layout.gauge  # kg/mm2
    blank = mass_per_area * rough.area
    parts = {
        "trimmed edge": mass_per_area * (rough.area - outline.area),
        "cut-outs": mass_per_area * (outline.area - panel.region.area),
        "flared holes": verdict.blank_mass_kg - verdict.mass_kg,
    }
    removed = ", ".join(f"{what} {mass_text(mass)}" for what, mass in parts.items() if mass > 0.5 * MASS_RESOLUTION)
    return [
        f"Buy: {panel.material.name}, {layout.gauge:g} mm.",
        f"Blank: {size_text(rough)} ({'rough cut' if layout.beads else 'no beads: cut to size'}).",
        *_finished_sizes(panel, layout),
        *([f"Finished base: {size_text(Polygon(panel.finished))} outside."] if panel.finished else []),
        f"Mass: blank {mass_text(blank)}; removed {mass_text(blank - verdict.mass_kg)}"
        f"{f' ({removed})' if removed else ''}; finished {mass_text(verdict.mass_kg)}.",
        *_edge_trim_lines(panel),
        *_no_beads_lines(panel, verdict),
        *([hands] if (hands := hands_needed(panel, layout, rough)) else []),
        *([f"Against flat: {mass_comparison(verdict, flat_baseline)}."] if flat_baseline else []),
    ]


def _no_beads_lines(panel: Panel, verdict: Verdict) -> list[str]:
    """Why a sheet without beads has none, if that is known."""
    layout = verdict.layout
    if layout.beads or not panel.tools.bead_dies:
        return []
    without = "the sheet meets all demands without" if verdict.met and verdict.demands else ""
    reasons = [reason for reason in (without, why_no_beads(panel, layout.gauge)) if reason]
    return [f"No beads: {'; '.join(reasons)}."] if reasons else []


def _finished_sizes(panel: Panel, layout: Layout) -> list[str]:
    """The finished size of a flat part; of a folded part its flat size, then what the folds make of it."""
    flat = size_text(Polygon(panel.outline))
    if not panel.is_folded:
        return [f"Finished: {flat}, flat."]
    size = folded_base_size(panel, layout.gauge) if not panel.curved_flanges else None
    base = f"base {size[0]:.1f} x {size[1]:.1f} mm outside, " if size else ""
    heights = ", ".join(
        f"fold {flange.number} {flange.outside:.1f} mm {_fold_text(fold)}"
        for fold, flange in zip(panel.folds, flanges(panel, layout.gauge), strict=True)
    )
    neutral = panel.tools.folding_brake.neutral
    curved = ", ".join(
        f"{curved_flange_name(panel, one)} {outside_leg(one, layout.gauge, neutral):.1f} mm {_fold_text(one)}"
        for one in panel.curved_flanges
    )
    heights = ", ".join(filter(None, (heights, curved)))
    return [f"Finished, before folding: {flat}, flat.", f"Folded: {base}flanges outside {heights}."]


def _fold_text(fold: Fold | CurvedFlange) -> str:
    return f"({abs(fold.angle):g} degrees {'up' if fold.angle > 0 else 'down'})"


def _edge_trim_lines(panel: Panel) -> list[str]:
    """The mass of edge trim, which is not part of the finished mass."""
    total = sum(
        trim.kg_per_metre * (LineString(trim.path) if trim.path else Polygon(panel.outline).exterior).length / 1000
        for trim in panel.trims
    )
    return [f"Edge trim comes on top: {mass_text(total)}."] if panel.trims else []

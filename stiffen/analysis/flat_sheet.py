"""The flat-sheet baseline: the thinnest flat sheet that meets the same demands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, Verdict

from .evaluation import Progress, check, evaluate, no_progress
from .screening import QUICK_MISS_LIMIT, quick_utilisation

USUAL_GAUGES = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)  # mm: common practice, no source
NO_QUICK_RESULTS: Mapping[float, float] = {}
NO_VERDICTS: Mapping[float, Verdict] = {}


@one_thread
def flat_baseline(
    panel: Panel,
    *,
    mesh_level: str = "normal",
    quick_results: Mapping[float, float] = NO_QUICK_RESULTS,
    verdicts: Mapping[float, Verdict] = NO_VERDICTS,
    progress: Progress = no_progress,
) -> FlatSheetBaseline:
    """The thinnest gauge in the rack whose flat sheet, without bead or hole, meets the panel's demands.

    Each gauge is evaluated on the quick mesh with its mesh error, the frequency first.  If it misses by little there,
    the mesh of `mesh_level` decides.  quick_results: gauge -> utilisation on the quick mesh, where it is known already.
    Gauges whose quick utilisation is above QUICK_MISS_LIMIT are skipped.  verdicts: gauge -> verdict on the mesh of
    `mesh_level`, where it is known already.  Raises as `check`.
    """
    gauges = sorted(panel.gauges)
    for count, gauge in enumerate(gauges, start=1):
        progress(None, f"flat sheet of {gauge:g} mm")
        verdict = verdicts.get(gauge)
        if verdict is None:
            if quick_results.get(gauge, 0.0) > QUICK_MISS_LIMIT or _frequency_misses(panel, gauge, mesh_level):
                continue
            verdict = check(panel, Layout(gauge), mesh_level="quick")
            if not verdict.met and mesh_level != "quick" and verdict.utilisation <= QUICK_MISS_LIMIT:
                verdict = check(panel, Layout(gauge), mesh_level=mesh_level)
        if verdict.met:
            return FlatSheetBaseline(gauge, verdict.mass_kg, tuple(gauges[:count]), verdict)
    return FlatSheetBaseline(None, None, tuple(gauges))


def _frequency_misses(panel: Panel, gauge: float, mesh_level: str) -> bool:
    """Whether the flat sheet misses a frequency; the cheapest demand, so that others need not be evaluated.

    By the quick mesh; where it misses by little there, by the mesh of `mesh_level`.
    """
    frequencies = replace(panel, demands=tuple(demand for demand in panel.demands if demand.kind == "frequency"))
    by_quick_mesh = quick_utilisation(frequencies, Layout(gauge), stop_above=QUICK_MISS_LIMIT)
    if mesh_level == "quick" or not 1.0 < by_quick_mesh <= QUICK_MISS_LIMIT:
        return by_quick_mesh > QUICK_MISS_LIMIT
    return not evaluate(frequencies, Layout(gauge), mesh_level=mesh_level).verdict.met


@one_thread
def with_outside_gauge(
    panel: Panel, baseline: FlatSheetBaseline, *, progress: Progress = no_progress
) -> FlatSheetBaseline:
    """The baseline with the thinnest usual gauge above the rack whose flat sheet meets the demands.

    It is looked for by halving, on the quick mesh, only if the rack was evaluated and no sheet of it does.  Raises as
    `check`.
    """
    if baseline.gauge_mm is not None or not baseline.evaluated_gauges or not panel.demands:
        return baseline
    thicker = [gauge for gauge in USUAL_GAUGES if gauge > max(panel.gauges) + 1e-9]
    low, high, found = 0, len(thicker), None
    while low < high:
        middle = (low + high) // 2
        progress(None, f"flat sheet of {thicker[middle]:g} mm, outside the rack")
        if check(panel, Layout(thicker[middle]), mesh_level="quick").met:
            found, high = thicker[middle], middle
        else:
            low = middle + 1
    if found is None:
        return baseline
    return replace(baseline, outside_gauge_mm=found, outside_mass_kg=panel.mass(Layout(found)))

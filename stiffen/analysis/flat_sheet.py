"""The flat-sheet baseline: the thinnest flat sheet that meets the same demands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline

from .evaluation import Progress, check, no_progress
from .screening import QUICK_MISS_LIMIT, quick_utilisation

NO_QUICK_RESULTS: Mapping[float, float] = {}


@one_thread
def flat_baseline(
    panel: Panel,
    *,
    mesh_level: str = "normal",
    quick_results: Mapping[float, float] = NO_QUICK_RESULTS,
    progress: Progress = no_progress,
) -> FlatSheetBaseline:
    """The thinnest gauge in the rack whose flat sheet, without bead or hole, meets the panel's demands.

    Each gauge is evaluated on the quick mesh with its mesh error.  If it misses by little there, the mesh of
    `mesh_level` decides.  quick_results: gauge -> utilisation on the quick mesh, where it is known already.  Gauges
    whose quick utilisation is above QUICK_MISS_LIMIT are skipped.  Raises as `check`.
    """
    gauges = sorted(panel.gauges)
    only_frequencies = replace(panel, demands=tuple(demand for demand in panel.demands if demand.kind == "frequency"))
    for count, gauge in enumerate(gauges, start=1):
        progress(None, f"flat sheet of {gauge:g} mm")
        if (
            quick_results.get(gauge, 0.0) > QUICK_MISS_LIMIT
            or quick_utilisation(only_frequencies, Layout(gauge), stop_above=QUICK_MISS_LIMIT) > QUICK_MISS_LIMIT
        ):
            continue
        verdict = check(panel, Layout(gauge), mesh_level="quick")
        if not verdict.met and mesh_level != "quick" and verdict.utilisation <= QUICK_MISS_LIMIT:
            verdict = check(panel, Layout(gauge), mesh_level=mesh_level)
        if verdict.met:
            return FlatSheetBaseline(gauge, verdict.mass_kg, tuple(gauges[:count]), verdict)
    return FlatSheetBaseline(None, None, tuple(gauges))

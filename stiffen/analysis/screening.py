"""Quick evaluations for the search: the largest utilisation of a layout on the quick mesh, without a mesh error."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .demand_values import demand_value, require_known_demands
from .panel_model import Accuracy, PanelModel, build_panel_model
from .supports import in_plane_assumptions

QUICK_MISS_LIMIT = 1.05  # utilisation on the quick mesh above which a finer mesh will not meet the demand either
# Deflections differ by less than 1e-5 from those at full accuracy, far less than those of two meshes; a third is saved.
ACCURACY = Accuracy(tolerance=1e-3, mode_tolerance=1e-6, reuses_factors=True)
CHEAPEST_FIRST = ("frequency", "buckling", "softness", "stress", "deflection")


@one_thread
def quick_utilisation(panel: Panel, layout: Layout, stop_above: float = math.inf) -> float:
    """Largest utilisation over the demands and in-plane assumptions; 0 without demands.

    The cheapest demands come first.  Above `stop_above` the value found so far is returned.  Raises InputError for a
    demand that cannot be evaluated, MeshError, SolverError.
    """
    require_known_demands(panel)
    return _largest_utilisation(panel, _quick_models(panel, layout), stop_above)


@one_thread
def quick_utilisations(
    panel: Panel, layout: Layout, stop_above: float = math.inf, coarser: Mapping[str, PanelModel] | None = None
) -> tuple[float, ...]:
    """Utilisation of each demand on the quick mesh: the worst over the in-plane assumptions.  Raises as above.

    A value over `stop_above` is that found so far; the true one may be larger.  coarser: in-plane assumption -> model
    of the layout on a coarser mesh, see `PanelModel`.
    """
    require_known_demands(panel)
    models = _quick_models(panel, layout)
    if coarser is not None:
        models = [replace(model, coarser=coarser[model.assumed]) for model in models]
    return tuple(
        max((demand_value(model, demand, stop_above=stop_above).utilisation(demand) for model in models), default=0.0)
        for demand in panel.demands
    )


def _quick_models(panel: Panel, layout: Layout) -> list[PanelModel]:
    """Models on the quick mesh, one for each assumption on the in-plane restraint."""
    mesh = mesh_panel(panel, layout, mesh_level="quick")
    models = (build_panel_model(panel, layout, mesh, assumed) for assumed in in_plane_assumptions(panel))
    return [replace(model, accuracy=ACCURACY) for model in models]


def _largest_utilisation(panel: Panel, models: list[PanelModel], stop_above: float) -> float:
    worst = 0.0
    for demand in sorted(panel.demands, key=lambda d: CHEAPEST_FIRST.index(d.kind)):
        for model in models:
            worst = max(worst, demand_value(model, demand, stop_above=stop_above).utilisation(demand))
            if worst > stop_above:
                return worst
    return worst

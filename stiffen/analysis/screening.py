"""Quick evaluations for the search: the largest utilisation of a layout on the quick mesh, without a mesh error."""

from __future__ import annotations

import math

from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .demand_values import demand_value, linear_deflection_ratio, require_known_demands
from .panel_model import PanelModel, build_panel_model
from .supports import in_plane_assumptions

LARGE_DEFLECTION_RATIO = 2.0  # linear deflection over thickness above which a linear surrogate cannot rank layouts
QUICK_MISS_LIMIT = 1.05  # utilisation on the quick mesh above which a finer mesh will not meet the demand either
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
def screen(panel: Panel, layout: Layout, stop_above: float = math.inf) -> tuple[float, tuple[int, ...]]:
    """`quick_utilisation`, and the indices of the demands whose loads bend the sheet far beyond small deflections.

    Far beyond: linear deflection over thickness above LARGE_DEFLECTION_RATIO.
    """
    require_known_demands(panel)
    models = _quick_models(panel, layout)
    large = [
        i
        for i, demand in enumerate(panel.demands)
        if any(linear_deflection_ratio(model, demand) > LARGE_DEFLECTION_RATIO for model in models)
    ]
    return _largest_utilisation(panel, models, stop_above), tuple(large)


def _quick_models(panel: Panel, layout: Layout) -> list[PanelModel]:
    """Models on the quick mesh, one for each assumption on the in-plane restraint."""
    mesh = mesh_panel(panel, layout, mesh_level="quick")
    return [build_panel_model(panel, layout, mesh, assumed) for assumed in in_plane_assumptions(panel)]


def _largest_utilisation(panel: Panel, models: list[PanelModel], stop_above: float) -> float:
    worst = 0.0
    for demand in sorted(panel.demands, key=lambda d: CHEAPEST_FIRST.index(d.kind)):
        for model in models:
            worst = max(worst, demand_value(model, demand, stop_above=stop_above).utilisation(demand))
            if worst > stop_above:
                return worst
    return worst

"""Quick evaluations for the search, against the full evaluation on the same mesh."""

from dataclasses import replace

import pytest
from support.panels import SIX, lid

from stiffen.analysis import screening
from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import PanelModel
from stiffen.analysis.screening import quick_utilisation, quick_utilisations
from stiffen.errors import SolverError
from stiffen.model.layout import Layout
from stiffen.model.panel import DEMAND_KINDS, Demand
from stiffen.model.results import NONLINEAR
from stiffen.surrogate.laminated_panel import laminated_panel

LAYOUT = SIX["one B16 along"]


def test_the_utilisation_is_that_of_the_verdict_on_the_quick_mesh():
    panel = lid(demands=lid().demands[:2])
    verdict = check(panel, LAYOUT, mesh_level="quick", mesh_error=False)
    worst = max(d.utilisation(found.value) for d, found in zip(panel.demands, verdict.demands, strict=True))
    assert quick_utilisation(panel, LAYOUT) == pytest.approx(worst, rel=1e-5)
    assert quick_utilisation(replace(panel, demands=()), LAYOUT) == 0.0


def test_it_stops_at_the_first_demand_above_the_limit(monkeypatch):
    kinds = []
    full = screening.demand_value

    def recorded(model, demand, **options):
        kinds.append(demand.kind)
        return full(model, demand, **options)

    monkeypatch.setattr(screening, "demand_value", recorded)
    panel = lid(demands=(Demand("deflection", 1.0, "wind"), Demand("frequency", 1000.0)))
    assert quick_utilisation(panel, Layout(1.0), stop_above=1.0) > 1.0
    assert kinds == ["frequency"]  # the cheapest first


def test_each_demand_has_its_own_utilisation():
    panel = lid(demands=lid().demands[:2])
    found = quick_utilisations(panel, LAYOUT)
    assert max(found) == pytest.approx(quick_utilisation(panel, LAYOUT), rel=1e-12)
    alone = [quick_utilisation(replace(panel, demands=(demand,)), LAYOUT) for demand in panel.demands]
    assert found == pytest.approx(alone, rel=1e-12)


def test_every_kind_of_demand_has_its_place_in_the_order():
    assert sorted(screening.CHEAPEST_FIRST) == sorted(DEMAND_KINDS)


def test_the_surrogate_gives_first_guesses_and_changes_no_value():
    """A heavy foot on a lid with beads: the shell's equilibrium is found from the surrogate's, at the same place."""
    panel = lid(demands=(Demand("softness", 20.0, force=80.0), *lid().demands[:1]))
    surrogate = laminated_panel(panel, LAYOUT.gauge)
    coarser = {assumed: surrogate.model_of(LAYOUT, assumed) for assumed in surrogate.models}
    found = quick_utilisations(panel, LAYOUT, coarser=coarser)
    assert found == pytest.approx(quick_utilisations(panel, LAYOUT), rel=1e-5)
    assert any(key[0] == "push" for model in coarser.values() for key in model._cache), "pushed on the coarse mesh"


def test_where_the_coarser_mesh_finds_no_equilibrium_all_soft_places_are_pushed():
    panel = lid(demands=(Demand("softness", 20.0, force=80.0),))
    surrogate = laminated_panel(panel, LAYOUT.gauge)
    coarser = {}
    for assumed in surrogate.models:
        model = surrogate.model_of(LAYOUT, assumed)

        def fails(*args):
            raise SolverError("no equilibrium")

        object.__setattr__(model, "push_path", fails)
        coarser[assumed] = model
    found = quick_utilisations(panel, LAYOUT, coarser=coarser)
    assert found == pytest.approx(quick_utilisations(panel, LAYOUT), rel=1e-9)


def test_the_softness_of_probed_places_is_not_solved_for_again(monkeypatch):
    asked = []
    alone = PanelModel.softness_at
    monkeypatch.setattr(PanelModel, "softness_at", lambda model, place: asked.append(place) or alone(model, place))
    panel = lid(demands=(Demand("softness", 20.0, force=80.0),))
    surrogate = laminated_panel(panel, 1.0)
    value = surrogate.respond(Layout(1.0)).values[0]
    assert asked == [] and value.decided_by == NONLINEAR
    model = surrogate.model_of(Layout(1.0), next(iter(surrogate.models)))
    assert dict(zip(map(tuple, model.softness[:, :2]), model.softness[:, 2], strict=True))[value.at] == pytest.approx(
        alone(model, value.at), rel=1e-9
    )

"""Quick evaluations for the search, against the full evaluation on the same mesh."""

from dataclasses import replace

import pytest
from support.panels import SIX, lid

from stiffen.analysis import screening
from stiffen.analysis.evaluation import check
from stiffen.analysis.screening import quick_utilisation, quick_utilisations
from stiffen.model.layout import Layout
from stiffen.model.panel import DEMAND_KINDS, Demand

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

"""The flat-sheet baseline."""

from dataclasses import replace

import pytest
from support.panels import lid

from stiffen.analysis import flat_sheet
from stiffen.analysis.evaluation import check, evaluate
from stiffen.analysis.flat_sheet import flat_baseline, with_outside_gauge
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand


def test_baseline_is_the_thinnest_flat_sheet_that_meets():
    panel = replace(lid(), gauges=(1.0, 1.5, 2.0), demands=(Demand("frequency", 30.0),))
    found = flat_baseline(panel, mesh_level="quick")
    assert found.gauge_mm == 1.5 and found.mass_kg == pytest.approx(0.804)
    assert found.evaluated_gauges == (1.0, 1.5)
    none = flat_baseline(replace(panel, demands=(Demand("frequency", 300.0),)), mesh_level="quick")
    assert none.gauge_mm is None and none.evaluated_gauges == (1.0, 1.5, 2.0)


def test_gauges_known_to_miss_by_far_are_not_evaluated_again(monkeypatch):
    seen = []

    def recorded(panel, layout, **options):
        seen.append(layout.gauge)
        return 1.0

    monkeypatch.setattr(flat_sheet, "quick_utilisation", recorded)
    panel = replace(lid(), gauges=(1.0, 1.5), demands=(Demand("frequency", 30.0),))
    assert flat_baseline(panel, mesh_level="quick", quick_results={1.0: 1.5}).gauge_mm == 1.5
    assert seen == [1.5]


def test_a_frequency_missed_by_little_decides_alone_on_the_finer_mesh(monkeypatch):
    panel = replace(lid(), gauges=(1.0, 2.0))
    at_1_mm = check(replace(panel, demands=(Demand("frequency", 1.0),)), Layout(1.0)).demands[0].value
    seen = []

    def recorded(panel, layout, *, mesh_level):
        seen.append((layout.gauge, mesh_level, [demand.kind for demand in panel.demands]))
        return evaluate(panel, layout, mesh_level=mesh_level)

    monkeypatch.setattr(flat_sheet, "evaluate", recorded)
    monkeypatch.setattr(flat_sheet, "check", lambda panel, layout, **options: check(panel, layout, mesh_level="quick"))
    demands = (Demand("frequency", 1.03 * at_1_mm), Demand("softness", 100.0, force=1.0))
    assert flat_baseline(replace(panel, demands=demands)).gauge_mm == 2.0
    assert seen == [(1.0, "normal", ["frequency"])]


def test_the_flat_sheet_outside_the_rack_that_would_do():
    """Frequencies of flat sheet go with its thickness, so the gauge needed follows from one value."""
    panel = replace(lid(), gauges=(0.8, 1.0), demands=(Demand("frequency", 1.0),))
    at_1_mm = check(panel, Layout(1.0), mesh_level="quick").demands[0].value
    panel = replace(panel, demands=(Demand("frequency", 2.1 * at_1_mm),))
    baseline = flat_baseline(panel, mesh_level="quick")
    assert baseline.gauge_mm is None and baseline.outside_gauge_mm is None
    found = with_outside_gauge(panel, baseline)
    assert found.outside_gauge_mm == 2.5  # the first usual gauge of 2.1 mm or more
    assert found.outside_mass_kg == pytest.approx(panel.mass(Layout(2.5)))
    hopeless = replace(panel, demands=(Demand("frequency", 100 * at_1_mm),))
    assert with_outside_gauge(hopeless, flat_baseline(hopeless, mesh_level="quick")).outside_gauge_mm is None
    met = flat_baseline(replace(panel, demands=(Demand("frequency", 1.0),)), mesh_level="quick")
    assert with_outside_gauge(panel, met) is met

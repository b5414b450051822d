"""Evaluations shared between processes: the same values as in one."""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from support.panels import B16, lid, rows

from stiffen.analysis.evaluation import evaluate
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.search import runner
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.runner import LayoutRunner, demand_parts
from stiffen.shop.layout_check import audit

DEMANDS = (
    Demand("deflection", 0.2, "wind"),
    Demand("frequency", 60.0),
    Demand("stress", 2.0, "wind"),
    Demand("softness", 0.5, force=2.0),
)
PANEL = lid(300.0, 240.0, demands=DEMANDS)
LAYOUT = Layout(1.0, rows(B16, (80.0, 160.0), 50.0, 250.0))


def test_demands_of_one_case_stay_together_and_the_work_is_halved():
    assert sorted(map(sorted, demand_parts(PANEL))) == [[0, 2], [1, 3]]
    assert sorted(map(sorted, demand_parts(replace(PANEL, demands=DEMANDS[:1])))) == [[], [0]]


@pytest.mark.parametrize("count", [1, 2])
def test_two_workers_give_a_layout_the_values_of_one(count):
    layouts = [LAYOUT, Layout(1.0)][:count]
    with ThreadPoolExecutor(2) as pool:
        assert LayoutRunner(PANEL, pool).quick_batch(layouts) == LayoutRunner(PANEL).quick_batch(layouts)


def test_a_demand_without_an_equilibrium_spoils_no_other_whoever_evaluates_it(monkeypatch):
    def undecided(panel, *_):
        return tuple(math.inf if demand.kind == "deflection" else 0.5 for demand in panel.demands)

    monkeypatch.setattr(runner, "quick_utilisations", undecided)
    with ThreadPoolExecutor(2) as pool:
        found = [LayoutRunner(PANEL, workers).quick_batch([LAYOUT]) for workers in (None, pool)]
    assert found[0] == found[1] == [(math.inf, 0.5, 0.5, 0.5)]


def test_a_complete_evaluation_is_the_same_with_a_workers_help():
    alone = evaluate(PANEL, LAYOUT, mesh_level="normal").full_verdict()
    with ThreadPoolExecutor(2) as pool:
        shared, evaluation = Evaluator(PANEL, "normal", LayoutRunner(PANEL, pool)).evaluate(LAYOUT)
    assert shared.demands == alone.demands and shared.warnings == alone.warnings
    assert evaluation is not None and evaluation.full_verdict(fields=True).fields is not None


def test_what_was_evaluated_on_the_quick_mesh_is_known_and_nothing_else():
    evaluator = Evaluator(PANEL, "quick", LayoutRunner(PANEL))
    assert evaluator.known_quickly(LAYOUT) is None
    assert evaluator.quick_utilisations(LAYOUT) == evaluator.known_quickly(LAYOUT)
    assert evaluator.known_quickly(Layout(1.0)) is None


def test_a_layout_solved_on_a_worker_gives_the_values_and_the_first_guesses_of_this_process():
    here = LayoutRunner(PANEL)
    values, guesses = here.confirm(LAYOUT)
    with ThreadPoolExecutor(2) as pool:
        there = LayoutRunner(PANEL, pool)
        there.start_confirm(LAYOUT, Layout(1.0))
        cold = there.start_cold(LAYOUT)
        assert there.confirm(LAYOUT)[0] == cold() == values
        other = Layout(1.0, rows(B16, (90.0, 160.0), 50.0, 250.0))
        assert there.batch([other], there.confirm(LAYOUT)[1]) == here.batch([other], guesses)


def test_the_groups_that_moves_may_add_are_made_alike_on_a_worker_once_each_and_by_the_rules():
    rules = BeadRules(PANEL, 1.0, "x")
    with ThreadPoolExecutor(1) as pool:
        groups = LayoutRunner(PANEL, pool).start_pool(1.0, "x", rules.dies)()
    assert groups == LayoutRunner(PANEL).start_pool(1.0, "x", rules.dies)()
    assert len(set(groups)) == len(groups) > 50
    assert all(audit(PANEL, rules.layout((group,))) == () for group in groups[::20])

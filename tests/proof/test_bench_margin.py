"""Margins with shallow beads and thin sheet: against the shell on the changed panel, and by what must be so."""

from dataclasses import replace

import pytest
from support.panels import B16, lid, rows

import stiffen
from stiffen.analysis.screening import quick_utilisations
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand
from stiffen.optimise.explain import estimator
from stiffen.optimise.search import runner
from stiffen.proof.bench_margin import (
    DEPTH_SHARES,
    SHALLOW,
    _least_that_holds,
    _to_evaluate,
    bench_margin,
    start_bench_margin,
)
from stiffen.proof.builds import die_at_depth

LID = lid(300.0, 240.0, demands=(Demand("frequency", 60.0), Demand("deflection", 0.2, "wind")))
LAYOUT = Layout(1.0, rows(B16, (80.0, 160.0), 50.0, 250.0))


@pytest.fixture(scope="module")
def found():
    verdict = stiffen.check(LID, LAYOUT, mesh_level="quick", mesh_error=False)
    return verdict, bench_margin(LID, verdict)


def test_shallow_beads_are_those_of_a_shallower_die(found):
    _, margin = found
    die = die_at_depth(B16, 0.9 * B16.depth)
    beads = tuple(replace(bead, die=die) for bead in LAYOUT.beads)
    again = stiffen.check(LID, replace(LAYOUT, beads=beads), mesh_level="quick", mesh_error=False)
    assert margin.with_shallow_beads == pytest.approx([one.margin for one in again.demands], abs=0.005)


def test_thin_sheet_is_the_standards_and_costs_margin(found):
    verdict, margin = found
    assert margin.thin_sheet < 1.0 and margin.standard
    again = stiffen.check(LID, replace(LAYOUT, gauge=margin.thin_sheet), mesh_level="quick", mesh_error=False)
    assert margin.with_thin_sheet == pytest.approx([one.margin for one in again.demands], abs=0.005)
    assert all(a < one.margin for a, one in zip(margin.with_thin_sheet, verdict.demands, strict=True))


def test_the_least_depth_holds_and_the_next_does_not(found):
    verdict, _ = found
    limit = 0.995 * next(one.value for one in verdict.demands if one.kind == "frequency")
    tight = replace(LID, demands=(Demand("frequency", limit),))
    margin = bench_margin(tight, stiffen.check(tight, LAYOUT, mesh_level="quick", mesh_error=False))
    assert margin.least_depth_share is None and margin.with_shallow_beads[0] < 0


def test_known_values_of_the_quick_mesh_are_not_asked_for_again(found, monkeypatch):
    verdict, margin = found
    known, asked = quick_utilisations(LID, LAYOUT), []
    monkeypatch.setattr(
        estimator, "shell_utilisations", lambda *job: asked.append(job[1]) or runner.shell_utilisations(*job)
    )
    again = start_bench_margin(LID, verdict, None, known)()
    assert LAYOUT not in asked and len(asked) >= 2
    assert again.with_thin_sheet == pytest.approx(margin.with_thin_sheet, abs=1e-4)
    assert again.least_depth_share == margin.least_depth_share


def test_without_beads_only_the_sheet_counts():
    verdict = stiffen.check(LID, Layout(1.0), mesh_level="quick", mesh_error=False)
    margin = bench_margin(LID, verdict)
    assert margin.with_shallow_beads == () and margin.least_share_tried is None


@pytest.mark.parametrize("reached", [0.95, 0.9, 0.85, 0.72, 0.61, 0.55, 0.41, 0.3, 0.0])
@pytest.mark.parametrize("power", [1.0, 3.0])
def test_the_least_depth_is_found_as_if_all_were_evaluated(reached, power):
    def utilisation(share):
        return 0.9 + 0.1 * ((1 - share) / (1 - reached)) ** power

    depths = [SHALLOW, *DEPTH_SHARES]
    known = {share: utilisation(share) for share in (1.0, SHALLOW)}
    while wanted := _to_evaluate(depths, known):
        assert not set(wanted) & set(known)
        known |= {share: utilisation(share) for share in wanted}
    assert _least_that_holds(known) == min(share for share in (1.0, *depths) if utilisation(share) <= 1.0)
    assert power > 1.0 or len(known) <= 4, "in proportion: two more evaluations are enough"

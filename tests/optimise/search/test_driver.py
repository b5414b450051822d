"""The search on small panels: its layouts are legal, evaluated by the shell, repeatable and lighter than flat."""

import re
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import pytest
from support.panels import SHOP, lid, rows

import stiffen
from stiffen.analysis.screening import screen
from stiffen.model.layout import Bead, Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus, gauge_sentence
from stiffen.model.panel import Demand, Support
from stiffen.model.results import NONLINEAR
from stiffen.optimise.bounds.statements import is_small_deflection
from stiffen.optimise.search import driver
from stiffen.optimise.search.bead_removal import remove_unneeded_beads
from stiffen.optimise.search.budget import Budget
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.gauge_search import GaugeSearch
from stiffen.optimise.search.incumbent import Incumbent, rank
from stiffen.optimise.search.settings import SearchSettings
from stiffen.optimise.search.state import SearchState
from stiffen.shop.layout_check import audit
from stiffen.shop.rolling_bow import rolling_bow

LID = lid(
    300.0,
    240.0,
    gauges=(0.8, 1.0, 2.0),
    demands=(Demand("frequency", 110.0), Demand("deflection", 0.05, "wind")),
)


def state_of(panel):
    """The state of a search that has not begun, on the quick mesh."""
    return SearchState(Evaluator(panel, "quick"), Incumbent(panel))


@pytest.fixture(scope="module")
def found():
    bests = []
    result = driver.search(LID, seconds=20, mesh_level="quick", on_best=bests.append)
    return result, bests


def test_found_layout_is_met_lighter_and_legal(found):
    result, _ = found
    assert result.verdict.met and result.verdict.layout.beads
    assert result.flat_baseline.gauge_mm == 2.0
    assert result.verdict.mass_kg < 0.7 * result.flat_baseline.mass_kg
    assert audit(LID, result.verdict.layout) == ()
    assert LID.mass(result.verdict.layout) == pytest.approx(result.verdict.mass_kg)


def test_verdict_is_that_of_check(found):
    result, _ = found
    again = stiffen.check(LID, result.verdict.layout, mesh_level="quick")
    assert [d.value for d in again.demands] == pytest.approx([d.value for d in result.verdict.demands], rel=1e-6)


def test_on_best_gets_each_better_layout_the_best_last(found):
    result, bests = found
    assert bests[-1].layout == result.verdict.layout
    ranks = [rank(LID, verdict) for verdict in bests]
    assert ranks == sorted(ranks, reverse=True)


def test_lighter_gauges_have_a_reason(found):
    result, _ = found
    chosen = result.verdict.layout.gauge
    assert [outcome.gauge for outcome in result.gauge_outcomes] == [gauge for gauge in LID.gauges if gauge <= chosen]
    for outcome in result.gauge_outcomes:
        sentence = gauge_sentence(outcome)
        if outcome.gauge == chosen:
            assert outcome.status is GaugeStatus.BEADED
            assert sentence.startswith("met")
        else:
            proven = r"proven: no layout of \d+ bead candidates meets the demands"
            assert re.match(
                rf"{proven}|not found in \d+ s \(best misses by [\d.]+ %( on the ribbed plate)?\)", sentence
            ), sentence


@pytest.mark.slow
def test_same_seed_same_layout(found):
    again = driver.search(LID, seconds=20, mesh_level="quick")
    assert again.verdict.layout == found[0].verdict.layout


def test_impossible_demand_is_said_with_the_best_found():
    panel = replace(LID, gauges=(0.8,), demands=(Demand("frequency", 900.0),))
    result = driver.search(panel, seconds=5, mesh_level="quick")
    assert not result.verdict.met and result.flat_baseline.gauge_mm is None
    assert result.gauge_outcomes[0].is_infeasible
    sentence = gauge_sentence(result.gauge_outcomes[0])
    assert sentence.startswith("proven: no layout of ") and sentence.endswith("or more (ribbed-plate model; frequency)")
    assert result.bound is None


@pytest.mark.slow
def test_without_a_proof_a_gauge_is_not_found_in_so_many_seconds():
    panel = replace(LID, gauges=(0.8,), demands=(Demand("frequency", 280.0),))
    no_proofs = SearchSettings(proof_time_share=0.0)
    result = driver.search(panel, seconds=3, mesh_level="quick", settings=no_proofs)
    assert not result.verdict.met
    assert re.fullmatch(
        r"not found in \d+ s \(best misses by [\d.]+ %( on the ribbed plate)?\)",
        gauge_sentence(result.gauge_outcomes[0]),
    )


@pytest.mark.slow
def test_fixed_beads_stay():
    stays = replace(rows(SHOP.bead_dies[0], (120.0,), 40.0, 260.0)[0], fixed=True)
    result = driver.search(replace(LID, gauges=(1.0,), beads=(stays,)), seconds=10, mesh_level="quick")
    assert stays in result.verdict.layout.beads
    assert audit(LID, result.verdict.layout) == ()


def test_interrupt_ends_with_the_best_so_far():
    bests = []

    def interrupt(verdict):
        bests.append(verdict)
        raise KeyboardInterrupt

    result = driver.search(LID, mesh_level="quick", on_best=interrupt)
    assert result.interrupted and result.cut_short
    assert [verdict.layout for verdict in bests] == [result.verdict.layout]


@pytest.mark.slow
def test_restrained_sheet_under_a_large_load_gets_no_beads_that_it_does_not_need():
    # edges held in plane: the flat sheet carries a heavy push by membrane tension, and beads make it softer
    held = Support("edge", in_plane="held")
    foot = stiffen.Load("foot", "patch", 300.0, at=(150.0, 120.0), size=(60.0, 60.0))
    flat = lid(300.0, 240.0, supports=(held,), loads=(foot,), demands=(Demand("deflection", 4.5, "foot"),))
    result = driver.search(flat, seconds=10, mesh_level="quick")
    assert result.verdict.met and result.verdict.layout.beads == ()
    assert result.verdict.demands[0].decided_by == NONLINEAR


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"gauge": 1.1}, "gauge: 1.1 is not in the rack of the panel (one of: 0.8, 1, 2)"),
        ({"beads": 2}, "bead[2] B16: "),
    ],
    ids=["gauge", "rule"],
)
def test_a_start_that_breaks_a_rule_is_refused(change, message):
    from support.panels import rows

    layout = stiffen.Layout(
        change.get("gauge", 1.0), rows(SHOP.bead_dies[0], (60.0, 65.0)[: change.get("beads", 1)], 40, 260)
    )
    with pytest.raises(stiffen.InputError) as error:
        driver.search(LID, seconds=1, start=layout)
    assert message in str(error.value)


@pytest.mark.slow
def test_progress_tells_the_best_so_far_and_the_time_left(monkeypatch):
    reports = []
    driver.search(
        replace(LID, gauges=(2.0,)), seconds=30, mesh_level="quick", progress=lambda *report: reports.append(report)
    )
    fractions = [fraction for fraction, _ in reports]
    assert fractions == sorted(fractions) and fractions[0] >= 0 and fractions[-1] <= 1
    assert all(re.search(r"; \d+ s left$", message) for _, message in reports)
    assert re.search(r"best 2 mm, 0\.\d+ kg, margin \d+ %", reports[-1][1])


@pytest.mark.slow
def test_search_goes_on_from_a_layout(found):
    best = found[0].verdict.layout
    kept = replace(best, beads=(replace(best.beads[0], fixed=True), *best.beads[1:]))
    again = driver.search(LID, seconds=6, mesh_level="quick", start=kept)
    assert kept.beads[0] in again.verdict.layout.beads
    assert again.verdict.met and again.verdict.mass_kg <= found[0].verdict.mass_kg * 1.01


@pytest.mark.slow
def test_never_worse_than_the_beads_in_the_panels_own_file():
    # Large deflection governs, so the surrogate cannot rank; with hardly any time the drawn beads must still come out.
    foot = stiffen.Load("foot", "patch", 120.0, at=(150.0, 120.0), size=(40.0, 40.0))
    drawn = tuple(Bead(SHOP.bead_dies[1], ((x, 40.0), (x, 200.0))) for x in (100.0, 150.0, 200.0))
    panel = lid(300.0, 240.0, gauges=(0.8,), loads=(foot,), demands=(Demand("deflection", 1.0, "foot"),), beads=drawn)
    own = stiffen.check(panel, mesh_level="quick").demands[0].value
    bare = stiffen.check(panel, Layout(0.8), mesh_level="quick").demands[0]
    assert bare.decided_by == NONLINEAR and own < 0.8 * bare.value
    result = driver.search(panel, seconds=1, mesh_level="quick")
    assert audit(panel, result.verdict.layout) == ()
    assert result.verdict.demands[0].value <= own * (1 + 1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("move", [0.0, 15.0], ids=["too many beads", "too close to each other"])
def test_drawn_beads_that_may_not_be_are_not_handed_out(move):
    drawn = rows(SHOP.bead_dies[0], (100.0 + move, 130.0), 40.0, 260.0)
    panel = replace(LID, beads=drawn, gauges=(0.8,), beads_at_most=None if move else 1)
    result = driver.search(panel, seconds=1, mesh_level="quick")
    assert result.verdict.layout.beads != drawn
    assert audit(panel, result.verdict.layout) == ()
    assert len(result.verdict.layout.beads) <= 1 or move


@pytest.mark.slow
def test_beads_stand_on_both_faces_where_they_may():
    either = replace(LID, bead_side="either", demands=(Demand("frequency", 190.0),))
    layout = driver.search(either, seconds=20, mesh_level="quick").verdict.layout
    assert {bead.side for bead in layout.beads} == {"up", "down"} and audit(either, layout) == ()
    one_sided = replace(layout, beads=tuple(replace(bead, side="up") for bead in layout.beads))
    after, before = rolling_bow(either, layout), rolling_bow(either, one_sided)
    assert max(after.bow_x, after.bow_y) < max(before.bow_x, before.bow_y)


# ------------------------------------------------------------------------------------------------- whatever the worker


BATCH = [
    replace(LID, gauges=(0.8, 1.0), demands=(Demand("frequency", 90.0),)),
    lid(280.0, 220.0, gauges=(0.8, 1.0), demands=(Demand("frequency", 95.0),), name="other lid"),
]
AMPLE = {"seconds": 300.0, "mesh_level": "quick"}  # these searches end long before that: no clock has a say


@pytest.fixture(scope="module")
def here():
    return driver.search_all(BATCH, **AMPLE)


def same(there, here):
    """Every layout, verdict and reason the same, and none cut short by the clock."""
    assert [one.verdict.panel for one in there] == ["lid", "other lid"]
    assert not any(one.cut_short or one.stopped for one in (*there, *here))
    for a, b in zip(there, here, strict=True):
        assert a.verdict.layout.beads and a.verdict.layout == b.verdict.layout
        assert [d.value for d in a.verdict.demands] == [d.value for d in b.verdict.demands]


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_processes_give_the_same_layouts_as_one_by_one(here, workers):
    with ProcessPoolExecutor(workers) as pool:
        same(driver.search_all(BATCH, executor=pool, **AMPLE), here)


@pytest.mark.slow
def test_a_cluster_gives_the_same_layouts(here):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, memory_limit=None
        ) as cluster,
        distributed.Client(cluster) as client,
        client.get_executor() as pool,
    ):
        same(driver.search_all(BATCH, executor=pool, **AMPLE), here)


@pytest.mark.slow
def test_a_search_that_the_clock_ended_says_so():
    result = driver.search(LID, seconds=0.5, mesh_level="quick")
    assert result.cut_short and result.stopped == "0.5 s were not enough to try everything"


# -------------------------------------------------------------------------------------------------- parts of the search


@pytest.mark.slow
def test_beads_that_the_shell_model_does_not_need_are_removed():
    panel = replace(LID, gauges=(0.8,))
    state = state_of(panel)
    gauge_search = GaugeSearch.prepare(state, 0.8, "")
    fullest = max(gauge_search.regular_choices, key=len)
    many = state.evaluate(gauge_search.candidates.layout(0.8, fullest))
    assert many.met and len(fullest) >= 5
    few = remove_unneeded_beads(state, Budget.of(60.0), many, gauge_search)
    assert few.met and len(few.layout.beads) < len(fullest)
    assert state.incumbent.verdict is few
    assert state.outcomes[0.8] == GaugeOutcome(0.8, GaugeStatus.BEADED, beads=len(few.layout.beads))
    for k in range(len(few.layout.beads)):  # each of them is needed
        rest = few.layout.beads[:k] + few.layout.beads[k + 1 :]
        assert not state.evaluate(replace(few.layout, beads=rest)).met
    late = state_of(panel)
    assert remove_unneeded_beads(late, Budget.of(-1.0), many, gauge_search) is many
    assert late.cut_short


@pytest.mark.slow
def test_the_surrogate_covers_a_push_whose_limit_is_small_however_soft_the_bare_sheet():
    """The bare sheet deflects by twice its thickness, but what meets the limit stays within small deflections."""
    demand = Demand("softness", 0.4, force=10.0)
    assert is_small_deflection(demand, 0.8)
    assert not is_small_deflection(replace(demand, limit=4.0), 0.8)
    panel = replace(LID, gauges=(0.8,), demands=(demand,))
    state = state_of(panel)
    gauge_search = GaugeSearch.prepare(state, 0.8, "xy")
    assert screen(panel, gauge_search.candidates.layout(0.8, ()))[1] == (0,)
    assert gauge_search.surrogate_loop(state, Budget.of(60.0), 0.5).met
    assert gauge_search.objective.ignored == set()

"""What is said to be proven, against every layout of small cases and against layouts that try hard to beat it."""

import math
from dataclasses import replace

import numpy as np
import pytest
import small_cases as small
from support.panels import lid
from support.trike import GOOD, LAYOUT, PANEL
from threadpoolctl import threadpool_limits

from stiffen.errors import SolverError
from stiffen.model.layout import Layout
from stiffen.model.outcomes import BoundRecord, BoundStatus, GaugeOutcome, GaugeStatus, gauge_sentence
from stiffen.model.panel import Demand
from stiffen.model.results import DemandResult
from stiffen.optimise.bounds import statements
from stiffen.optimise.bounds.lower_bound import CostBound
from stiffen.optimise.search import driver
from stiffen.optimise.search.budget import Budget
from stiffen.optimise.search.driver import search_gauges
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.incumbent import Incumbent
from stiffen.optimise.search.local_search import SelectionObjective, multistart
from stiffen.optimise.search.proofs import prove
from stiffen.optimise.search.settings import SearchSettings
from stiffen.optimise.search.state import SearchState
from stiffen.output.report.shop_card import bound_text, card_text

NAMES = [panel.name for panel in small.PANELS]
LID = lid(300.0, 240.0, gauges=(0.8, 1.0), demands=(Demand("frequency", 110.0), Demand("deflection", 0.05, "wind")))


@pytest.fixture(scope="module", autouse=True)
def alone():
    """Small factors are faster on one thread."""
    with threadpool_limits(1, user_api="blas"):
        yield


def ground_of(case, limits=None):
    """A small case as ground; limits: of the demands, in place of the panel's own."""
    asked = {} if limits is None else limits
    demands = tuple(replace(one, limit=asked.get(i, one.limit)) for i, one in enumerate(case.panel.demands))
    plate = replace(case.surrogate, panel=replace(case.panel, demands=demands))
    return statements.BoundInstance(case.beads, plate, case.conflicts.toarray(), case.terms)


def utilisation(ground, values):
    """Worst utilisation of the demands that count."""
    demands = ground.panel.demands
    return max(
        demands[i].utilisation(values[i]) for i in statements.decided_demands(ground.panel, ground.surrogate.gauge)
    )


# ------------------------------------------------------------------------------------------------- no layout of these


@pytest.mark.parametrize("name", NAMES)
def test_no_layout_can_is_never_said_where_one_can(name, monkeypatch):
    """Demands from three times out of reach to within reach, most of them close to what the best layout just misses."""
    monkeypatch.setattr(statements, "LINEAR_LIMIT", math.inf)  # all demands count
    case = small.case(small.PANELS[NAMES.index(name)], pool=9, size=40.0)
    values = [case.surrogate.respond(layout).values for layout in small.layouts(case.conflicts.toarray())]
    plain = ground_of(case)
    own = min(utilisation(plain, one) for one in values)  # of the layout that comes nearest
    rng = np.random.default_rng(0)
    told = []
    for loosen in (0.33, *(1 + 0.05 * rng.standard_normal(4)), 1 + 1e-9):
        factor = own * loosen  # demands loosened so that the nearest layout has utilisation 1/loosen
        limits = {i: d.limit * (factor if d.at_most else 1 / factor) for i, d in enumerate(case.panel.demands)}
        ground = ground_of(case, limits)
        least = min(utilisation(ground, one) for one in values) - 1
        proven = statements.guaranteed_violation(ground, 20.0)
        assert proven <= max(least, 0.0) + 1e-6
        told.append(proven)
    assert told[0] > 0.2, "demands three times out of reach must be proven so, and by how much"


def test_words_name_candidates_model_demands_and_miss():
    case = small.case(small.PANELS[4], pool=8, size=40.0)
    words = gauge_sentence(statements.infeasibility_outcome(ground_of(case, {0: 90.0}), 20.0))
    assert words.startswith("proven: no layout of 8 bead candidates meets the demands, all miss by ")
    assert words.endswith("or more (ribbed-plate model; frequency, deflection wind)")
    assert statements.infeasibility_outcome(ground_of(case, {0: 1.0, 1: 0.5}), 20.0) is None
    assert statements.infeasibility_outcome(ground_of(case, {0: 90.0}), 0.0) is None, "no time: nothing is said"
    none = small.case(small.PANELS[4], pool=0, size=40.0)
    words = gauge_sentence(statements.infeasibility_outcome(ground_of(none, {0: 90.0}), 20.0))
    assert words.startswith("proven: no bead can be rolled in it, and flat it misses by ")


def test_demands_that_large_deflection_decides_do_not_count():
    panel = replace(LID, demands=(*LID.demands, Demand("stress", 1.5, "wind"), Demand("softness", 0.45, force=5.0)))
    assert statements.decided_demands(panel, 1.0) == (0, 1, 3)
    assert statements.decided_demands(panel, 0.8) == (0, 1)
    only = replace(LID, demands=(Demand("deflection", 3.0, "wind"),))
    assert statements.decided_demands(only, 1.0) == ()
    case = small.case(small.PANELS[0], pool=5, size=40.0)
    assert statements.guaranteed_violation(ground_of(case, {0: 0.51}), 5.0) == 0.0


# ------------------------------------------------------------------------------------------------------ least minutes


def evaluated(case, chosen, ratio, slack):
    """A made-up shell model that finds `ratio` times the surrogate's values, and demands with the margin `slack`."""
    values = case.surrogate.respond(chosen).values
    told, limits = [], {}
    for i, demand in enumerate(case.panel.demands):
        value = values[i] * ratio[i]
        limits[i] = value * (1 + slack) if demand.at_most else value / (1 + slack)
        told.append(DemandResult(demand.kind, demand.label, demand.unit, limits[i], value, slack, True, demand.case))
    layout = Layout(small.GAUGE, tuple(case.beads[i] for i in chosen))
    return replace(GOOD, layout=layout, demands=tuple(told)), limits


def rivals(case, chosen, ratio, ground, rng):
    """Layouts that might be cheaper: drops and swaps of this one, random ones, and what the search itself finds."""
    blocked = case.conflicts.toarray()
    for out in chosen:
        rest = tuple(i for i in chosen if i != out)
        yield rest
        for i in range(len(blocked)):
            if i not in chosen and not blocked[i, list(rest)].any():
                yield tuple(sorted((*rest, i)))
    for _ in range(40):
        yield random_layout(blocked, rng)
    chooser = SelectionObjective(
        ground.surrogate,
        blocked,
        case.minutes,
        settings=SearchSettings(target_utilisation=1.0),
        die_minutes=small.DIE_MINUTES,
        die_numbers=case.dies,
        calibration=ratio,
    )
    for seed in range(2):
        yield multistart(chooser, seed, 2).chosen


def random_layout(blocked, rng):
    chosen = []
    for i in rng.permutation(len(blocked))[: rng.integers(2, len(blocked))]:
        if not blocked[i, chosen].any():
            chosen.append(int(i))
    return tuple(sorted(chosen))


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("pool", [10, 44], ids=["proven", "bounded"])
def test_no_layout_that_is_as_good_beats_the_bound(name, pool, monkeypatch):
    monkeypatch.setattr(statements, "LINEAR_LIMIT", math.inf)  # all demands count
    case = small.case(small.PANELS[NAMES.index(name)], pool=pool, loose=15, size=45.0)
    rng = np.random.default_rng(pool)
    as_good = 0
    for _ in range(2):
        chosen = random_layout(case.conflicts.toarray(), rng)
        ratio = {i: float(rng.uniform(0.9, 1.1)) for i in range(len(case.panel.demands))}
        verdict, limits = evaluated(case, chosen, ratio, float(rng.uniform(0.0, 0.3)))
        ground = ground_of(case, limits)
        counts = statements.decided_demands(ground.panel, small.GAUGE)
        found = statements.bench_minutes_bound(ground, verdict, 2.0)
        own = statements.bench_minutes(case.terms, chosen)
        assert found.known == pytest.approx(own) and 0 <= found.value <= own + 1e-9
        for layout in rivals(case, chosen, ratio, ground, rng):
            values = case.surrogate.respond(layout).values
            if all(ground.panel.demands[i].utilisation(values[i] * ratio[i]) <= 1 for i in counts):
                as_good += layout != chosen
                assert statements.bench_minutes(case.terms, layout) >= found.value - 1e-9, layout
    assert as_good, "the test must have tried"


def test_nothing_is_bounded_for_a_layout_that_is_not_met_or_no_candidate():
    case = small.case(small.PANELS[0], pool=8, size=45.0)
    verdict, limits = evaluated(case, (0,), {0: 1.0}, 0.1)
    ground = ground_of(case, limits)
    assert statements.bench_minutes_bound(ground, verdict, 5.0) is not None
    missed = replace(verdict, demands=(replace(verdict.demands[0], met=False),))
    assert statements.bench_minutes_bound(ground, missed, 5.0) is None
    assert statements.bench_minutes_bound(ground, replace(verdict, layout=LAYOUT), 5.0) is None
    assert statements.bench_minutes_bound(ground, replace(verdict, layout=Layout(1.0)), 5.0) is None
    assert statements.bench_minutes_bound(ground, verdict, 0.0) is None


# ------------------------------------------------------------------------------------------------------- in the search


@pytest.fixture(scope="module")
def found():
    return driver.search(LID, seconds=30, mesh_level="quick")


def test_search_gives_a_bound_that_its_layout_keeps(found):
    bound = found.bound
    assert found.verdict.met and found.verdict.layout.beads and not found.cut_short
    assert bound.gauge == found.verdict.layout.gauge
    assert 0 < bound.value <= bound.known
    assert bound.gap == pytest.approx(1 - bound.value / bound.known)
    assert "candidates on the ribbed plate: frequency, deflection wind; limits corrected" in bound.covers


@pytest.mark.slow
def test_a_bound_that_a_found_layout_beats_is_not_handed_out():
    panel = replace(LID, gauges=(1.0,))
    state = SearchState(Evaluator(panel, "quick"), Incumbent(panel))
    search_gauges(state, Budget.of(60.0))

    def proven(share):
        """What is made of a bound that is this share of the minutes of the layout."""

        def method(instance, verdict, seconds):
            known = statements.bench_minutes(instance.terms, instance.bead_numbers(verdict.layout))
            return CostBound("m", share * known, known, BoundStatus.FEASIBLE, 1, "c", 0.1)

        return prove(state, Budget.of(1.0), method)

    def failing(instance, verdict, seconds):
        raise SolverError("the bound beats a layout")

    assert proven(1.01) is None
    assert prove(state, Budget.of(1.0), failing) is None
    assert proven(0.99).gap == pytest.approx(0.01)


@pytest.mark.slow
def test_a_bead_that_was_not_drawn_joins_the_ground(found):
    beads = found.verdict.layout.beads
    moved = replace(beads[0], path=tuple((x + 0.37, y) for x, y in beads[0].path))
    start = replace(found.verdict.layout, beads=(moved, *beads[1:]))
    again = driver.search(LID, seconds=4, mesh_level="quick", start=start)
    assert again.bound is not None and again.bound.value <= again.bound.known


def test_a_plate_joined_from_two_answers_as_one_made_at_once():
    from stiffen.surrogate.stiffened_plate import stiffened_plate

    case = small.case(small.PANELS[0], pool=8, size=45.0)
    parts = [stiffened_plate(case.panel, small.GAUGE, case.beads[k], size=45.0) for k in (slice(0, 5), slice(5, 8))]
    joined = parts[0].joined(parts[1])
    for chosen in ((0,), (1, 6), (5, 7)):
        assert joined.respond(chosen).values == pytest.approx(case.surrogate.respond(chosen).values, rel=1e-9)


# ---------------------------------------------------------------------------------------------------------- in words


def record(value, known):
    covers = "90 candidates on the ribbed plate: frequency"
    return BoundRecord("minutes for the beads", 1.0, value, known, covers, False)


def test_words_round_the_bound_down():
    assert "no layout takes less than 21.3 (proven; gap 22 %)" in bound_text(record(21.39, 27.4))
    assert "no layout takes less: proven" in bound_text(record(27.4, 27.4))
    assert "This covers 90 candidates on the ribbed plate: frequency" in bound_text(record(1.0, 2.0))


def test_card_tells_other_sheets_and_the_bound():
    infeasible = GaugeOutcome(0.8, GaugeStatus.INFEASIBLE, miss=0.001, candidates=90, demands=("frequency",))
    gauges = [infeasible, GaugeOutcome(1.0, GaugeStatus.BEADED, beads=3)]
    text = card_text(PANEL, GOOD, gauges=gauges, bound=record(21.39, 27.4))
    assert "0.8 mm: proven: no layout of 90 bead candidates meets the demands (ribbed-plate model; frequency)." in text
    assert "BENCH TIME" in text and "21.3" in text
    assert "21.3" not in card_text(PANEL, GOOD, gauges=gauges)

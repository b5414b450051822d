"""The parts of a search's state: time budgets, remembered evaluations, the incumbent, and progress lines."""

import re
from dataclasses import replace

import pytest
from support.panels import B16, lid
from support.trike import GOOD

from stiffen.model.layout import Bead, Layout
from stiffen.optimise.search import budget
from stiffen.optimise.search.budget import UNLIMITED, Budget
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.incumbent import Incumbent, rank
from stiffen.optimise.search.settings import SearchSettings
from stiffen.optimise.search.state import SearchState

LID = lid()


@pytest.fixture
def clock(monkeypatch):
    """A clock that stands at the seconds in its one item."""
    now = [100.0]
    monkeypatch.setattr(budget.time, "monotonic", lambda: now[0])
    return now


def test_parts_of_a_budget_leave_it_as_it_is(clock):
    whole = Budget.of(20.0)
    early, half = whole.without_last(5.0), whole.share(0.5)
    assert (whole.seconds_left, early.seconds_left, half.seconds_left) == (20.0, 15.0, 10.0)
    clock[0] += 12.0
    assert (whole.seconds_left, early.seconds_left, half.seconds_left) == (8.0, 3.0, -2.0)
    assert half.is_spent and not early.is_spent
    assert half.share(0.5).seconds_left == 0.0 and half.share(0.5).is_spent
    assert not UNLIMITED.is_spent and not UNLIMITED.share(0.1).is_spent


def test_a_reserve_may_grow_and_is_taken_off_shares_once(clock):
    kept = [0.0]
    whole = replace(Budget.of(20.0), reserve=lambda: kept[0])
    kept[0] = 4.0
    assert whole.seconds_left == 16.0 and whole.without_last(10.0).seconds_left == 6.0
    half = whole.share(0.5)
    kept[0] = 18.0
    assert half.seconds_left == 8.0 and whole.seconds_left == 2.0


def test_quick_values_are_remembered_by_geometry_and_a_bound_that_is_too_low_is_replaced():
    """Evaluation stops at the first demand over `stop_above`: what comes back then is a lower bound."""
    asked, values = [], {1.0: 1.5}

    def quick(panel, layout, stop_above):
        asked.append(stop_above)
        return values.get(stop_above, 1.8)

    evaluator = Evaluator(LID, "quick", quick=quick)
    one = Layout(1.0, (Bead(B16, ((60.0, 200.0), (440.0, 200.0))), Bead(B16, ((60.0, 100.0), (440.0, 100.0)))))
    same = Layout(1.0, tuple(replace(bead, path=bead.path[::-1]) for bead in one.beads[::-1]))
    ask = evaluator.quick_utilisation
    assert [ask(one, 1.0), ask(same, 1.2)] == [1.5, 1.5] and asked == [1.0]
    assert [ask(same, 1.7), ask(one, 1.7)] == [1.8, 1.8] and asked == [1.0, 1.7]
    assert [ask(one, 2.0), ask(one, 9.0)] == [1.8, 1.8] and asked == [1.0, 1.7, 2.0]


def test_screenings_are_remembered_and_tell_of_the_flat_sheets():
    asked = []

    def screening(panel, layout, stop_above):
        asked.append((layout, stop_above))
        return 1.2, (0,)

    evaluator = Evaluator(LID, "quick", SearchSettings(quick_miss_limit=1.3), screening=screening)
    beaded = Layout(1.0, (Bead(B16, ((60.0, 200.0), (440.0, 200.0))),))
    assert [evaluator.screen(one) for one in (Layout(0.8), beaded, beaded)] == [(1.2, (0,))] * 3
    assert asked == [(Layout(0.8), 1.3), (beaded, 1.3)]
    assert evaluator.flat_utilisations() == {0.8: 1.2}


def test_the_incumbent_changes_by_rank_or_if_told_to():
    bests = []
    incumbent = Incumbent(LID, bests.append)
    light, heavy = replace(GOOD, mass_kg=1.0), replace(GOOD, mass_kg=1.5)
    assert rank(LID, light) < rank(LID, heavy)
    incumbent.consider(heavy)
    incumbent.consider(light)
    incumbent.consider(heavy)
    assert bests == [heavy, light] and incumbent.verdict is light
    incumbent.accept(heavy)
    incumbent.accept(heavy)
    assert bests == [heavy, light, heavy]


def test_masses_within_the_tolerance_leave_the_rank_to_bench_time():
    light, heavy = replace(GOOD, mass_kg=1.0), replace(GOOD, mass_kg=1.04)
    assert rank(LID, heavy)[1] > rank(LID, light)[1]
    assert (
        rank(LID, heavy, SearchSettings(mass_tolerance=0.1))[1]
        == rank(LID, light, SearchSettings(mass_tolerance=0.1))[1]
    )


def test_progress_tells_the_share_of_time_the_incumbent_and_the_time_left(clock):
    lines = []
    state = SearchState(
        Evaluator(LID, "quick"), Incumbent(LID), whole=Budget.of(40.0), progress=lambda *line: lines.append(line)
    )
    clock[0] += 10.0
    state.report("one")
    state.incumbent.accept(GOOD)
    clock[0] += 40.0
    state.report("two")
    assert lines[0] == (0.25, "one; 30 s left")
    fraction, message = lines[1]
    assert fraction == 1.0
    assert re.fullmatch(r"two; best [\d.]+ mm, [\d.]+ kg, margin \d+ %; 0 s left", message)

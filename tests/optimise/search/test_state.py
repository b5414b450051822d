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
from stiffen.optimise.search.runner import LayoutRunner
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


class MadeUpRunner:
    """Stands in for the workers: every layout has the same utilisations on the quick mesh."""

    def __init__(self, values):
        self.values, self.asked = values, []

    def quick_batch(self, layouts):
        self.asked += layouts
        return [self.values for _ in layouts]


def test_quick_values_are_remembered_by_geometry():
    runner = MadeUpRunner((1.5, 0.4))
    evaluator = Evaluator(LID, "quick", runner)
    one = Layout(1.0, (Bead(B16, ((60.0, 200.0), (440.0, 200.0))), Bead(B16, ((60.0, 100.0), (440.0, 100.0)))))
    same = Layout(1.0, tuple(replace(bead, path=bead.path[::-1]) for bead in one.beads[::-1]))
    assert evaluator.quick_utilisations(one) == evaluator.quick_utilisations(same) == (1.5, 0.4)
    assert runner.asked == [one]
    assert evaluator.quick_batch([same, Layout(0.8)]) == [(1.5, 0.4)] * 2
    assert runner.asked == [one, Layout(0.8)]
    assert evaluator.flat_utilisations() == {0.8: 1.5}


def test_what_the_finer_mesh_will_say_is_expected_from_the_last_layout_on_both():
    evaluator = Evaluator(LID, "quick", MadeUpRunner((0.9, 1.0)))
    assert evaluator.expected([Layout(1.0)]) == [1.0]
    evaluator.mesh_factors[1.0] = (1.2, 0.95)
    assert evaluator.expected([Layout(1.0)]) == pytest.approx([1.08])
    assert evaluator.expected([Layout(0.8)]) == [1.0]


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
        Evaluator(LID, "quick", LayoutRunner(LID)),
        Incumbent(LID),
        LayoutRunner(LID),
        whole=Budget.of(40.0),
        progress=lambda *line: lines.append(line),
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

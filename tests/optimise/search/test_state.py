"""The parts of a search's state: time budgets, remembered evaluations, the incumbent, and progress lines."""

import math
import re
from dataclasses import replace

import pytest
from support.panels import B16, lid
from support.trike import GOOD

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand
from stiffen.optimise.search import budget, driver
from stiffen.optimise.search.budget import Budget
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.incumbent import Incumbent, rank
from stiffen.optimise.search.runner import LayoutRunner
from stiffen.optimise.search.settings import SearchSettings
from stiffen.optimise.search.state import SearchState
from stiffen.optimise.search.work_share import COLLECTED, SETTLED, UNTIL_MET, WorkShare

LID = lid()


@pytest.fixture
def clock(monkeypatch):
    """A clock that stands at the seconds in its one item."""
    now = [100.0]
    monkeypatch.setattr(budget.time, "monotonic", lambda: now[0])
    return now


def test_a_reserve_that_grows_is_taken_off_the_time_left(clock):
    kept = [0.0]
    whole = replace(Budget.of(20.0), reserve=lambda: kept[0])
    clock[0] += 3.0
    assert whole.seconds_left == 17.0
    kept[0] = 18.0
    assert whole.seconds_left == -1.0 and whole.is_spent


class TakesTime:
    """Stands in for the workers: an evaluation on the quick mesh takes 1 s of the clock, with a bead 3 s."""

    executor = None

    def __init__(self, clock):
        self.clock = clock

    def quick_batch(self, layouts):
        self.clock[0] += sum(3.0 if layout.beads else 1.0 for layout in layouts)
        return [(2.0,) for _ in layouts]


def timed_state(clock, seconds):
    """A state whose full evaluations take 10 s of the clock and are never met."""
    panel = replace(LID, demands=(Demand("frequency", 40.0),))
    runner, levels = TakesTime(clock), []

    def full(panel, layout, *, mesh_level, **options):
        levels.append(mesh_level)
        clock[0] += 10.0 if mesh_level == "normal" else 1.0
        return MadeUpEvaluation(panel, layout)

    evaluator = Evaluator(panel, "normal", runner, full=full)
    return SearchState(evaluator, Incumbent(panel), runner, whole=Budget.of(seconds)), levels


class MadeUpEvaluation:
    def __init__(self, panel, layout):
        worst = replace(GOOD.demands[-1], met=False, margin=-0.5)
        self.verdict = replace(GOOD, layout=layout, demands=(worst,), mesh_error=0.01)

    def full_verdict(self):
        return self.verdict


BEADED = Layout(0.8, (Bead(B16, ((100.0, 100.0), (300.0, 100.0))),))


def test_time_is_kept_for_what_comes_at_the_end(clock):
    state, _ = timed_state(clock, 60.0)
    assert driver._final_seconds(state, None) == 0.0
    assert driver._final_seconds(state, 60.0) == pytest.approx(6.0), "nothing measured yet: a share of the limit"
    state.evaluator.quick_utilisations(Layout(0.8))
    assert state.evaluator.latest_quick == 4.0, "with beads it would take four times as long"
    state.evaluator.quick_utilisations(BEADED)
    assert state.evaluator.latest_quick == 3.0 and state.evaluator.full_seconds == pytest.approx(10.5)
    state.move_seconds = 0.5
    assert driver._final_seconds(state, 60.0) == pytest.approx(6.0 + 8 * 0.5 + 1.5 * 10.5)
    assert driver._final_seconds(state, 20.0) == pytest.approx(2.0 + 8 * 0.5 + 3 * 3.0), "the end on the quick mesh"


@pytest.mark.parametrize(("seconds", "level"), [(60.0, "normal"), (15.0, "quick")])
def test_what_is_handed_out_is_evaluated_on_the_mesh_for_which_there_is_time(clock, seconds, level):
    state, levels = timed_state(clock, seconds)
    state.evaluator.quick_utilisations(BEADED)
    verdict = state.evaluate_for_the_end(BEADED)
    assert levels == [level] and state.incumbent.verdict is verdict and state.incumbent.evaluation is not None
    assert clock[0] - 100.0 <= seconds


def test_a_gauge_leaves_time_to_the_next(clock):
    budget = replace(Budget.of(30.0), reserve=lambda: 10.0)
    share = replace(budget, deadline=driver._share_of(budget, 2))
    assert share.seconds_left == pytest.approx(0.6 * 20.0)
    assert driver._share_of(budget, 1) == budget.deadline and driver._share_of(Budget.of(math.inf), 3) == math.inf


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


def test_the_share_of_work_rises_over_gauges_and_parts_and_never_falls():
    work, seen = WorkShare(), []
    for gauge in range(5):
        work.enter_gauge(gauge, 5)
        for stage in (0.0, 0.5, 1.0):
            work.stage = stage
            seen.append(work.done)
    assert seen == sorted(seen) and seen[0] == 0 and seen[-1] == pytest.approx(UNTIL_MET)
    work.enter(COLLECTED, SETTLED)
    assert work.done == COLLECTED
    work.enter_gauge(1, 5)
    assert work.done == COLLECTED


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
    assert re.fullmatch(r"two; best [\d.]+ mm [\d.]+ kg, \d+ % to spare; 0 s left", message)

"""Flared holes: only where they are worth their minutes, only if asked for, only while the demands stay met."""

from dataclasses import replace

import pytest
from support.panels import lid, rows

from stiffen.analysis.screening import quick_utilisation
from stiffen.model.layout import Hole, Layout
from stiffen.model.panel import Demand
from stiffen.optimise.search.budget import UNLIMITED
from stiffen.optimise.search.evaluator import Evaluator
from stiffen.optimise.search.finish.hole_placement import MOST_HOLES, Worth, add_holes, further_holes, holes_left
from stiffen.optimise.search.incumbent import Incumbent
from stiffen.optimise.search.runner import LayoutRunner
from stiffen.optimise.search.settings import DEFAULT_SETTINGS
from stiffen.optimise.search.state import SearchState
from stiffen.shop import process_plan
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions
from stiffen.shop.marking_out.hole_rows import in_row_order

LID = lid(300.0, 240.0, demands=(Demand("frequency", 75.0),), grams_per_minute=0.0)
BARE = Layout(1.0, rows(LID.tools.bead_dies[1], (120.0,), 40.0, 260.0))


def state_of(panel):
    runner = LayoutRunner(panel)
    return SearchState(Evaluator(panel, "quick", runner), Incumbent(panel), runner)


def placed(*others, **changes):
    panel = replace(LID, **changes)
    worth = Worth(panel.grams_per_minute, 0.985)
    return add_holes(state_of(panel), UNLIMITED, (BARE, *others), "xy", (worth,))[0]


@pytest.fixture(scope="module")
def at_any_price():
    return placed()


def test_holes_come_in_mirrored_rows_and_the_demands_stay_met(at_any_price):
    holes = at_any_price.holes
    assert len(holes) >= 4 and len({hole.die for hole in holes}) == 1
    assert audit(LID, at_any_price) == () and quick_utilisation(LID, at_any_price) <= 1
    places = {hole.at for hole in holes}
    assert {(round(300 - x, 3), y) for x, y in places} == places == {(x, round(240 - y, 3)) for x, y in places}


def test_holes_that_do_not_earn_their_minutes_are_not_made(at_any_price):
    saved = 1000 * (LID.mass(BARE) - LID.mass(at_any_price))
    minutes = process_plan.minutes(LID, at_any_price) - process_plan.minutes(LID, BARE)
    assert placed(grams_per_minute=5.0 * saved / minutes) == BARE
    cheap = placed(grams_per_minute=0.2 * saved / minutes)
    assert cheap.holes and 1000 * (LID.mass(BARE) - LID.mass(cheap)) > 0


def test_the_shell_is_asked_about_holes_no_oftener_than_is_allowed(monkeypatch):
    state, asked = state_of(LID), []
    monkeypatch.setattr(state.evaluator, "expected", lambda layouts: asked.append(layouts) or [2.0] * len(layouts))
    worth = Worth(LID.grams_per_minute, 0.985)
    assert add_holes(state, UNLIMITED, (BARE,), "xy", (worth,), trials=2) == [BARE]
    assert len(asked) == 2
    assert not set(asked[0]) & set(asked[1])  # what was refused is not asked again


def test_none_is_none():
    assert placed(flared_holes="none") == BARE
    assert placed(holes_at_most=0) == BARE


def test_limits_of_the_panel_are_kept(at_any_price):
    few = placed(holes_at_most=len(at_any_price.holes) - 1)
    assert 3 <= len(few.holes) < len(at_any_price.holes), "a grid is thinned, not given up"
    edge = 40.0
    for hole in placed(hole_edge=edge).holes:
        x, y = hole.at
        assert min(x, y, 300 - x, 240 - y) - hole.die.flange / 2 >= edge
    minutes = process_plan.minutes(LID, at_any_price)
    assert process_plan.minutes(LID, placed(minutes_at_most=minutes - 1)) <= minutes - 1


def test_holes_are_put_beside_the_beads_that_leave_most_room():
    crowded = Layout(1.0, rows(LID.tools.bead_dies[1], (60.0, 120.0, 180.0), 40.0, 260.0))
    worth = (Worth(0.0, 0.985),)
    alone, either = (add_holes(state_of(LID), UNLIMITED, one, "xy", worth)[0] for one in ((crowded,), (crowded, BARE)))
    assert alone.beads == crowded.beads and either.beads == BARE.beads
    assert LID.mass(either) < LID.mass(alone)


def test_other_sizes_follow_only_where_they_save_enough_for_what_must_be_measured():
    """A few small holes in a corner of a sheet that is stiff enough: larger ones follow in the room left."""
    panel = replace(LID, demands=(Demand("frequency", 30.0),))
    small = min(LID.tools.hole_dies, key=lambda die: die.flange)
    before = replace(BARE, holes=tuple(Hole(small, (40.0 + 65.0 * k, 40.0)) for k in range(3)))
    found = list(further_holes(state_of(panel), UNLIMITED, before, "", 0.985))
    assert found
    for more in found:
        assert set(before.holes) < set(more.holes) and audit(panel, more) == ()
        extra = distinct_dimensions(panel, more).count - distinct_dimensions(panel, before).count
        assert panel.mass(more) <= (1 - DEFAULT_SETTINGS.mass_per_dimension * extra) * panel.mass(before)
        before = more


def test_holes_are_numbered_along_their_rows(at_any_price):
    assert at_any_price.holes == in_row_order(at_any_price.holes)


def test_holes_of_the_panel_file_take_no_place_of_those_that_a_search_may_add():
    die = LID.tools.hole_dies[0]
    own = tuple(Hole(die, (6.0 * k, 20.0), "up", fixed=True) for k in range(45))
    assert holes_left(LID, Layout(1.0, holes=own)) == MOST_HOLES
    assert holes_left(LID, Layout(1.0, holes=(*own, replace(own[0], fixed=False)))) == MOST_HOLES - 1
    assert holes_left(replace(LID, holes_at_most=46), Layout(1.0, holes=own)) == 1

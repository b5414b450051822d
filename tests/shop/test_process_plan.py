"""Minutes at the bench, and the process plan that all writers share."""

from dataclasses import replace

import pytest
from support.bench import B16, F60, PANEL, SOFT, V14, across, upright

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Fold, Support
from stiffen.shop import cautions, layout_check, process_plan, rollability, rolling_bow, rough_blank, work_steps
from stiffen.shop.roller_settings import pass_depths


def test_minutes_add_up():
    beads = (across(100), across(150), across(200, V14))
    panel = replace(
        PANEL,
        folds=(Fold(((0, 20), (600, 20)), 90, 2),),
        supports=(Support("bolts", at=((10, 10), (590, 10)), diameter=6),),
    )
    layout = Layout(1.0, beads, (Hole(F60, (300, 300)),))
    found = process_plan.time_breakdown(panel, layout)
    passes = [len(pass_depths(die, SOFT)) for die in (B16, V14)]
    assert found["roll"] == pytest.approx((2 * passes[0] + passes[1]) * 400 / 800)
    assert found["die changes"] == 8
    assert found["set up"] == 3
    assert found["fold"] == process_plan.MINUTES_PER_FOLD
    assert found["mating holes"] == 2 * process_plan.MINUTES_PER_FASTENER
    assert found["deburr"] == pytest.approx(2.0 * process_plan.MINUTES_PER_DEBURRED_METRE)
    assert process_plan.minutes(panel, layout) == pytest.approx(sum(found.values()))


def test_fewer_dies_and_beads_take_less_time():
    one = process_plan.minutes(PANEL, Layout(1.0, (across(100), across(150))))
    assert process_plan.minutes(PANEL, Layout(1.0, (across(100),))) < one
    assert process_plan.minutes(PANEL, Layout(1.0, (across(100), across(150, V14)))) > one
    same = Bead(B16, ((160, 100), (440, 100))), Bead(B16, ((160, 150), (440, 150)))
    turned = process_plan.minutes(PANEL, Layout(1.0, (same[0], upright(300))))
    assert turned == pytest.approx(
        process_plan.minutes(PANEL, Layout(1.0, same)) + process_plan.MINUTES_PER_REORIENTATION
    )


# -------------------------------------------------------------------------------------------------------- process plan

MIXED = Layout(
    1.0,
    (across(60, V14), across(200, side="down"), upright(300), across(100), across(340)),
    (Hole(F60, (500, 200)),),
)
EITHER = replace(PANEL, bead_side="either")


def test_plan_holds_the_values_of_the_functions_that_it_replaces():
    plan = process_plan.process_plan(EITHER, MIXED)
    ordered = rollability.in_rolling_order(EITHER, MIXED)
    assert plan.layout == ordered
    assert tuple(MIXED.beads[position] for position in plan.rolling_order) == ordered.beads
    assert plan.frame_sides == rollability.frame_sides(EITHER, ordered.beads)
    assert plan.reorientations == rollability.reorientations(EITHER, ordered.beads) > 0
    assert plan.trim_allowance == rough_blank.trim_allowance(EITHER, ordered)
    assert plan.rough_outline.equals(rough_blank.rough_outline(EITHER, ordered))
    assert plan.bow == rolling_bow.rolling_bow(EITHER, ordered)
    assert plan.time_breakdown == process_plan.time_breakdown(EITHER, MIXED)
    assert plan.minutes == process_plan.minutes(EITHER, MIXED)
    assert plan.work_steps == work_steps.order_of_work(EITHER, ordered)
    assert plan.violations == layout_check.audit(EITHER, ordered) != ()
    assert plan.cautions == cautions.bench_cautions(EITHER, ordered) != ()
    assert [one.die for one in plan.roller_settings] == [B16, V14]


def test_sheet_is_turned_before_these_beads():
    """Beads are rolled in the order given: another direction, back again, then the other face up."""
    beads = (across(100), upright(300), across(150), across(200, side="down"), across(250, side="down"))
    sides = rollability.frame_sides(PANEL, beads)
    assert rollability.reorientations_before(beads, sides) == (False, True, True, True, False)
    assert rollability.reorientations_before((), ()) == ()


def test_plan_of_the_same_beads_in_another_order_is_taken():
    plan = process_plan.process_plan(EITHER, MIXED)
    assert process_plan.plan_for(EITHER, plan.layout, plan) is plan
    assert process_plan.plan_for(EITHER, MIXED, plan) is plan
    assert process_plan.plan_for(EITHER, MIXED, None) == plan


@pytest.mark.parametrize(
    "other",
    [replace(MIXED, gauge=1.5), replace(MIXED, holes=()), replace(MIXED, beads=(*MIXED.beads[1:], upright(320)))],
    ids=["gauge", "holes", "beads"],
)
def test_plan_of_another_layout_is_refused(other):
    plan = process_plan.process_plan(EITHER, MIXED)
    with pytest.raises(ValueError, match="another layout"):
        process_plan.plan_for(EITHER, other, plan)

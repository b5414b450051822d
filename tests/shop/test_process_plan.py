"""Minutes at the bench, and the process plan that all writers share."""

from dataclasses import replace

import pytest
from support.bench import B16, F60, PANEL, SOFT, TOOLS, V14, across, upright

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout, EdgeTrim, Fold, Support
from stiffen.model.tools import Trial
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
    each = {name: one.minutes for name, one in process_plan.BENCH_MINUTES.items()}
    assert found["roll"] == pytest.approx((2 * passes[0] + passes[1]) * 400 / 800)
    assert found["die changes"] == 8
    assert found["set up"] == 3
    assert found["fold"] == each["fold"]
    assert found["mating holes"] == 2 * each["drill_hole"]
    assert found["rivets and bolts"] == 2 * each["fit_bolt"]
    assert found["deburr"] == pytest.approx(2.0 * each["deburr_metre"])
    assert found["cut and trim"] == pytest.approx(2 * 2.0 * each["cut_metre"])
    assert found["template"] == each["template"]
    assert found["fit"] == each["fit_panel"]
    assert process_plan.minutes(panel, layout) == pytest.approx(sum(found.values()))


def test_fewer_dies_and_beads_take_less_time():
    one = process_plan.minutes(PANEL, Layout(1.0, (across(100), across(150))))
    assert process_plan.minutes(PANEL, Layout(1.0, (across(100),))) < one
    assert process_plan.minutes(PANEL, Layout(1.0, (across(100), across(150, V14)))) > one
    same = Bead(B16, ((160, 100), (440, 100))), Bead(B16, ((160, 150), (440, 150)))
    turned = process_plan.minutes(PANEL, Layout(1.0, (same[0], upright(300))))
    assert turned == pytest.approx(
        process_plan.minutes(PANEL, Layout(1.0, same)) + process_plan.BENCH_MINUTES["turn_sheet"].minutes
    )


def test_flat_sheet_is_cut_once():
    assert process_plan.time_breakdown(PANEL, Layout(1.0))["cut"] == pytest.approx(2.0 * 4.0)
    opening = Cutout(((40, 300), (140, 300), (140, 350), (40, 350)))  # 0.3 m round, cut once even where beads are
    opened = replace(PANEL, cutouts=(opening,))
    rolled = process_plan.time_breakdown(opened, Layout(1.0, (across(100),)))
    assert rolled["cut and trim"] == pytest.approx((2 * 2.0 + 0.3) * 4.0)


def test_the_shop_has_minutes_of_its_own():
    """Every piece of work counts: with one of them a minute longer, a panel that has it all takes longer."""
    panel = replace(
        PANEL,
        folds=(Fold(((0, 20), (600, 20)), 90, 2),),
        supports=(
            Support("bolts", at=((10, 10), (590, 10)), diameter=6),
            Support("rivets", path=((20, 390), (580, 390)), pitch=40, diameter=4),
        ),
        trims=(EdgeTrim(0.1),),
    )
    drawn = replace(F60, name="P60", draw_bolt=12.0)
    layout = Layout(1.0, (across(100), upright(300)), (Hole(F60, (100, 300)), Hole(drawn, (500, 300))))
    before = process_plan.minutes(panel, layout)
    for name, one in process_plan.BENCH_MINUTES.items():
        own = replace(panel, tools=replace(TOOLS, minutes={name: one.minutes + 1}))
        assert process_plan.minutes(own, layout) >= before + 0.99, name


def test_readings_that_are_there_need_no_strip():
    read = replace(PANEL, tools=replace(TOOLS, trials=(Trial("B16", "5754-H111", 1.0, (1.0, 4.0), (1.5, 5.5)),)))
    layout = Layout(1.0, (across(100), across(150, V14)))
    assert process_plan.time_breakdown(PANEL, layout)["trial strips"] == 10
    assert process_plan.time_breakdown(read, layout)["trial strips"] == 5


def test_a_die_that_punches_and_flares_needs_no_pilot_hole():
    drawn = replace(F60, name="P60", draw_bolt=12.0)
    found = process_plan.time_breakdown(PANEL, Layout(1.0, (), (Hole(drawn, (300, 300)),)))
    assert found["pilot holes"] == 0
    assert found["flare"] == process_plan.BENCH_MINUTES["draw_flare"].minutes


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

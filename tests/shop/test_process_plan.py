"""Order of work and minutes, and what to be wary of."""

import math
from dataclasses import replace

import pytest

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, EdgeTrim, Fold, Load, Panel, Support
from stiffen.model.tools import BeadDie, Cutter, HoleDie, Roller, Tools
from stiffen.shop import bead_section, cautions, process_plan, rollability, rough_blank, work_steps
from stiffen.shop.roller_settings import pass_depths

SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
B16 = BeadDie("B16", "round", 16, 5, shoulder_radius=2.5)
V14 = BeadDie("V14", "vee", 14, 4, nose_radius=2, shoulder_radius=1.5)
T24 = BeadDie("T24", "flat", 24, 6, nose_radius=3, shoulder_radius=3)
F60 = HoleDie("F60", pilot=43.03, finished=48, flange=60, rise=6)
ROLLER = Roller(throat=450, screw_lead=1.5, hand_speed=800, set_up_minutes=1, die_change_minutes=4)
TOOLS = Tools("test bench", ROLLER, (B16, V14, T24), (F60,))
PANEL = Panel("plain", SOFT, (1.0,), ((0, 0), (600, 0), (600, 400), (0, 400)), TOOLS)


def across(y, die=B16, side="up"):
    return Bead(die, ((100, y), (500, y)), side)


def upright(x, die=B16):
    return Bead(die, ((x, 60), (x, 340)))


# --------------------------------------------------------------------------------------------------- order and minutes


def test_rolling_order_by_die_from_the_middle_outward():
    beads = (across(60), across(340, V14), across(150), across(205), across(120, V14), across(300))
    assert rollability.rolling_order(PANEL, beads) == (3, 2, 5, 0, 4, 1)


def test_each_face_is_rolled_in_one_go():
    beads = (across(60, side="down"), across(120), across(180, side="down"), across(240), across(300))
    assert rollability.rolling_order(PANEL, beads) == (3, 1, 4, 2, 0)


def test_frame_comes_after_what_lies_inside_it():
    frame = Bead(B16, ((50, 50), (550, 50), (550, 350), (50, 350), (50, 50)))
    assert rollability.rolling_order(PANEL, (frame, across(200))) == (1, 0)


def test_regrips():
    assert rollability.reorientations(PANEL, (across(200), across(150), across(250))) == 0
    assert rollability.reorientations(PANEL, (across(100), upright(300), upright(350))) == 1
    assert rollability.reorientations(PANEL, (across(100), across(150, side="down"))) == 1
    reverse = Bead(B16, ((500, 150), (100, 150)))
    assert rollability.reorientations(PANEL, (across(100), reverse)) == 0
    nearly = Bead(B16, ((100, 150), (500, 148)))
    assert rollability.reorientations(PANEL, (Bead(B16, ((500, 100), (100, 101))), nearly)) == 0


def test_frame_side_is_kept_while_the_throat_allows():
    beads = (across(100), Bead(B16, ((500, 250), (100, 250))), across(350))
    assert rollability.frame_sides(PANEL, beads) == ("right", "left", "right")
    narrow = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=300)))
    assert rollability.frame_sides(narrow, beads) == ("right", "left", "left")
    assert rollability.reorientations(narrow, beads) == 1
    narrower = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=120)))
    assert rollability.frame_sides(narrower, beads) == ("right", None, "left")


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


# ------------------------------------------------------------------------------------------------------- order of work


def test_pull_in_counts_the_beads_a_line_crosses():
    """Three parallel beads draw in across, none along; beads end to end count once; a slope counts by its share."""
    drawn = bead_section.draw_in(B16)
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300))))) == pytest.approx(
        (0, 3 * drawn)
    )
    in_line = (Bead(B16, ((50, 200), (250, 200))), Bead(B16, ((350, 200), (550, 200))))
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, in_line)) == pytest.approx((0, drawn))
    slope = Bead(B16, ((100, 100), (300, 300)))
    assert rough_blank.max_draw_in(PANEL, Layout(1.0, (slope,))) == pytest.approx((drawn / math.sqrt(2),) * 2)
    assert rough_blank.max_draw_in(PANEL, Layout(1.0)) == (0, 0)


def test_trim_allowance_is_half_of_it_and_a_spare():
    x, y = rough_blank.trim_allowance(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300)))))
    assert x == 3
    assert y == math.ceil(1.5 * bead_section.draw_in(B16) + 3)
    x, y = rough_blank.trim_allowance(PANEL, Layout(1.0, tuple(map(upright, (100, 200, 300, 400)))))
    assert x == math.ceil(2 * bead_section.draw_in(B16) + 3)
    assert y == 3
    assert rough_blank.trim_allowance(PANEL, Layout(1.0)) == (0, 0)


def place(steps, words):
    found = [n for n, step in enumerate(steps) if words in step]
    assert len(found) == 1, f"{words!r} in {steps}"
    return found[0]


def test_order_of_work():
    panel = replace(
        PANEL,
        cutouts=(Cutout(((40, 300), (80, 300), (80, 340))),),
        folds=(Fold(((0, 20), (600, 20)), -90, 2),),
        supports=(Support("bolts", at=((10, 10), (590, 10)), diameter=6),),
        trims=(EdgeTrim(0.1),),
    )
    layout = Layout(1.0, (across(100), across(200), upright(300, V14)), (Hole(F60, (300, 300)),))
    steps = work_steps.order_of_work(panel, layout)
    order = [
        "Mark outline, openings", "Rough cut", "pilot hole 43.03 mm", "B16: roll a trial strip",
        "B16: roll bead 2, 1 in",
        "V14: roll a trial strip", "V14: roll bead 3 in", "turned 1 x", "Flare 1 x with die F60", "trim to it",
        "1 x cut-out",
        "Fold 1: 90 degrees down", "drill 2 x mating", "Deburr", "edge trim", "Fit the panel",
    ]  # fmt: skip
    places = [place(steps, words) for words in order]
    assert places == sorted(places)
    assert len(steps) == len(set(places))


def step(steps, words):
    return steps[place(steps, words)]


def test_rolling_step_tells_sides_run_outs_and_turns():
    both = Layout(1.0, (across(200), across(150, side="down"), across(250)))
    steps = work_steps.order_of_work(PANEL, both)
    told = step(steps, "roll bead")
    assert "roll bead 1 up, 3 up, 2 down in this order, each standing to the face named" in told
    assert "full depth from 12 mm after the start" in told  # 2.5 x 5 mm, to the even millimetre
    assert "turned 1 x" in step(steps, "taken out")
    one_sided = work_steps.order_of_work(PANEL, Layout(1.0, (across(150), across(200))))
    assert "standing up" in step(one_sided, "roll bead")
    assert not any("taken out" in line for line in one_sided)


def test_bow_is_told_where_beads_stand_on_one_face():
    one_sided = Layout(1.0, tuple(map(across, (80, 140, 200, 260, 320))))
    either = replace(PANEL, bead_side="either")
    told = step(work_steps.order_of_work(either, one_sided), "Bow to expect")
    assert "along x (radius" in told
    assert "both faces would bow it less" in told
    assert "both faces" not in step(work_steps.order_of_work(PANEL, one_sided), "Bow to expect")
    sides = ("up", "down", "up", "down")
    balanced = Layout(1.0, tuple(across(y, side=side) for y, side in zip((80, 160, 240, 320), sides, strict=True)))
    assert not any("Bow to expect" in line for line in work_steps.order_of_work(either, balanced))


def test_pilot_step_names_what_cuts_it():
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    told = step(work_steps.order_of_work(PANEL, layout), "pilot hole")
    assert "hole saw 43 mm" in told
    own = replace(PANEL, tools=replace(TOOLS, cutters=(Cutter("fly cutter", (42.5,)),)))
    assert "fly cutter 42.5 mm (the lip stretches 12 %)" in step(work_steps.order_of_work(own, layout), "pilot hole")
    none = replace(PANEL, tools=replace(TOOLS, cutters=(Cutter("fly cutter", (60.0,)),)))
    assert "as near below" not in step(work_steps.order_of_work(none, layout), "pilot hole")


def test_fold_step_tells_the_flange():
    """90 degrees, R 2, t 1: allowance pi/2 (2 + 0.447) = 3.84, setback 3, so 20 mm of sheet stand 21.1 mm high."""
    panel = replace(PANEL, folds=(Fold(((0, 20), (600, 20)), 90, 2),))
    told = step(work_steps.order_of_work(panel, Layout(1.0)), "Fold 1")
    assert "3.8 mm that the bend takes" in told
    assert "comes out 21.1 mm high outside" in told


def test_rows_of_rivets_are_told():
    panel = replace(
        PANEL,
        supports=(
            Support("rivets", path=((20, 10), (580, 10)), pitch=40, diameter=4),
            Support("bolts", at=((10, 200), (590, 200)), diameter=6),
        ),
    )
    told = step(work_steps.order_of_work(panel, Layout(1.0)), "mating hole")
    assert "drill 17 x mating hole through both parts: 15 x 4 mm rivet every 40.0 mm; 2 x 6 mm bolt." in told


def test_flat_sheet_needs_no_allowance():
    steps = work_steps.order_of_work(PANEL, Layout(1.0))
    assert not any("Rough" in step or "roll" in step for step in steps)
    assert steps[1] == "Cut to the outline."


# ------------------------------------------------------------------------------------------------------------ warnings


def test_a_mild_layout_has_no_warning():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    wide = HoleDie("wide", pilot=44, finished=48, flange=60, rise=4)
    assert cautions.bench_cautions(PANEL, Layout(1.0, (across(100, mild),), (Hole(wide, (300, 300)),))) == ()


def test_stretch_beyond_elongation_tells_both_ends():
    """Arc 12x4: S - w = 3.29 mm (recomputed), 27 % if held."""
    deep = BeadDie("deep", "round", 12, 4)
    (found,) = cautions.bench_cautions(PANEL, Layout(1.0, (across(100, deep), across(200, deep))))
    assert "stretches 27 %" in found
    assert "draws in 3.3 mm" in found
    assert "elongation is 15 %" in found


def test_bends_are_judged_by_strain_where_no_table_is():
    die = BeadDie("tight", "flat", 40, 2, nose_radius=2, shoulder_radius=2)
    layout = Layout(1.0, (across(100, die),))
    assert cautions.bench_cautions(PANEL, layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, material=replace(SOFT, bend_radius=())), layout)
    assert "outer fibre by 25 %" in found
    (found,) = cautions.bench_cautions(PANEL, Layout(1.0, (across(100, BeadDie("sharp", "flat", 40, 2)),)))
    assert "neither radius is given" in found


def test_lip_beyond_elongation():
    """45-degree flange, fold circle 60, 6 mm: blank hole 43.03, lip 48, 11.6 % (recomputed)."""
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    assert F60.lip_strain == pytest.approx(0.1155, abs=5e-4)
    assert cautions.bench_cautions(PANEL, layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, material=replace(SOFT, elongation=0.10)), layout)
    assert "stretches the lip by 12 %" in found


def test_rating_and_rivets():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    near = replace(PANEL, supports=(Support("rivets", path=((5, 5), (595, 5)), pitch=40, diameter=4.0),))
    rating, edge = cautions.bench_cautions(near, Layout(2.0, (across(100, mild),)))
    assert "over the roller's rating of 1.61 mm" in rating
    assert "support[1] rivets" in edge


@pytest.mark.parametrize(("spare", "told"), [(0, True), (4, True), (5, False)])
def test_a_rough_cut_that_the_throat_does_not_take_is_told(spare, told):
    layout = Layout(1.0, (across(200),))
    assert rough_blank.trim_allowance(PANEL, layout)[1] == 5
    tight = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=200 + spare)))
    words = f"the rough cut leaves 5 mm on the side that goes to the roller's frame, the throat has room for {spare} "
    assert any(words in line for line in cautions.bench_cautions(tight, layout)) == told


def test_flares_beyond_the_published_thickness():
    """Published for 2024-T3: 0.64 mm sheet only."""
    hard = replace(PANEL, material=replace(SOFT, name="2024-T3", bend_radius=()))
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    (found,) = cautions.bench_cautions(hard, layout)
    assert "no published limit for flares in 2024-T3 over 0.64 mm" in found
    assert cautions.bench_cautions(hard, replace(layout, gauge=0.6)) == ()


def test_beads_proud_under_a_load_are_told():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    layout = Layout(1.0, (across(100, mild), across(300, mild, "down")))
    foot = Load("foot", "patch", 883.0, at=(300, 120), size=(100, 100))
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(foot,)), layout)
    assert found == "load foot presses on the up face, where bead 1 stands proud: turn it, or move it"
    below = replace(foot, value=-883.0, at=(300, 290))
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(below,)), layout)
    assert "down face, where bead 2" in found
    assert cautions.bench_cautions(replace(PANEL, loads=(replace(foot, at=(300, 200), size=(50, 50)),)), layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(replace(foot, at=None),)), layout)
    assert "bead 1 stands proud" in found


def test_folds_are_judged_too():
    tight = replace(PANEL, folds=(Fold(((0, 2), (600, 2)), 90, 0.2),))
    radius, flat = cautions.bench_cautions(tight, Layout(1.0))
    assert "inside radius 0.2 mm, least for 1 mm 5754-H111 is 0.50 mm" in radius
    assert "1.5 mm flat is left beyond the bend, the folder needs 2.5 mm" in flat


def test_a_bead_that_is_square_but_for_a_hair_leaves_no_more_to_trim():
    """Places in a layout file are rounded: card and drawing must not differ by a millimetre once they are read back."""
    square = Layout(1.0, (Bead(B16, ((300.0, 50.0), (300.0, 350.0))),))
    nearly = Layout(1.0, (Bead(B16, ((300.0, 50.0), (299.99999, 350.0))),))
    assert rough_blank.trim_allowance(PANEL, nearly) == rough_blank.trim_allowance(PANEL, square)

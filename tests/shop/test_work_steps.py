"""The sentences and the order of the steps of work."""

import math
from dataclasses import replace

import pytest
from shapely.geometry import Polygon
from support.bench import B16, F60, PANEL, SOFT, TOOLS, V14, across, upright

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout, EdgeTrim, Fold, Support
from stiffen.model.tools import Cutter, Trial
from stiffen.shop import work_steps


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
        "Mark outline, openings", "Rough cut", "pilot hole 43 mm", "B16: roll a trial strip",
        "B16: roll bead 2, 1 in",
        "V14: roll a trial strip", "V14: roll bead 3, proud on the up face, in", "turned 1 x",
        "Flare 1 x with die F60", "trim to it",
        "1 x cut-out",
        "Fold 1: 90 degrees down", "clamp it flat. M6 bolt (6 mm), 2 x: drill 6.6 mm", "Fit the panel",
    ]  # fmt: skip
    places = [place(steps, words) for words in order]
    assert places == sorted(places)
    assert len(steps) == len(set(places))
    assert "Deburr all edges and holes. Fit the edge trim. Fit the panel. All bolts in" in steps[-1]


def step(steps, words):
    return steps[place(steps, words)]


def test_rolling_step_names_sides_run_outs_and_turns():
    both = Layout(1.0, (across(200), across(150, side="down"), across(250)))
    steps = work_steps.order_of_work(PANEL, both)
    text = step(steps, "roll bead")
    assert "roll bead 1 up, 3 up, 2 down in this order, proud on the face named" in text
    assert "full depth from 12 mm after the start" in text  # 2.5 x 5 mm, to the even millimetre
    assert "turned 1 x" in step(steps, "taken out")
    one_sided = work_steps.order_of_work(PANEL, Layout(1.0, (across(150), across(200))))
    assert "proud on the up face" in step(one_sided, "roll bead")
    assert not any("taken out" in line for line in one_sided)


def test_a_closed_bead_is_rolled_on_past_its_start():
    ring = Bead(B16, ((150, 100), (450, 100), (450, 300), (150, 300), (150, 100)))
    text = step(work_steps.order_of_work(PANEL, Layout(1.0, (ring,))), "roll bead")
    assert "closed bead 1: roll on past the start, 12 mm or more, until the join is as deep as the rest" in text
    assert "before the stop" not in text
    both = step(work_steps.order_of_work(PANEL, Layout(1.0, (ring, across(200)))), "roll bead")
    assert "before the stop; closed bead 1: roll on" in both


def test_bow_is_reported_where_beads_stand_on_one_face():
    one_sided = Layout(1.0, tuple(map(across, (80, 140, 200, 260, 320))))
    either = replace(PANEL, bead_side="either")
    text = step(work_steps.order_of_work(either, one_sided), "Bow to expect")
    assert "along x (radius" in text
    assert "both faces would bow it less" in text
    assert "both faces" not in step(work_steps.order_of_work(PANEL, one_sided), "Bow to expect")
    sides = ("up", "down", "up", "down")
    balanced = Layout(1.0, tuple(across(y, side=side) for y, side in zip((80, 160, 240, 320), sides, strict=True)))
    assert not any("Bow to expect" in line for line in work_steps.order_of_work(either, balanced))


def test_pilot_step_names_what_cuts_it():
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    text = step(work_steps.order_of_work(PANEL, layout), "pilot hole")
    assert "hole saw 43 mm" in text
    own = replace(PANEL, tools=replace(TOOLS, cutters=(Cutter("fly cutter", (42.5,)),)))
    told = step(work_steps.order_of_work(own, layout), "pilot hole")
    assert "fly cutter 42.5 mm (lip 6.2 mm high, stretched 12 %)" in told
    none = replace(PANEL, tools=replace(TOOLS, cutters=(Cutter("fly cutter", (60.0,)),)))
    assert "nearest size" not in step(work_steps.order_of_work(none, layout), "pilot hole")


def test_the_cutter_offered_keeps_the_lip_within_what_the_sheet_stands():
    """F60 in sheet of 11 %: a 40 mm hole stretches the lip by 15 %, a 44 mm one by 10 % (slant kept, by hand)."""
    hard = replace(
        PANEL,
        material=replace(SOFT, name="own alloy", elongation=0.11),
        tools=replace(TOOLS, cutters=(Cutter("hole saw", (40.0, 44.0)),)),
    )
    told = step(work_steps.order_of_work(hard, Layout(1.0, (), (Hole(F60, (300, 300)),))), "pilot hole")
    lip = 60 - (60 - 44) / math.sqrt(2)
    assert f"hole saw 44 mm (lip 5.7 mm high, stretched {100 * (lip / 44 - 1):.0f} %)" in told
    assert "hole saw 40" not in told


def test_a_die_drawn_by_its_bolt_needs_only_the_bolts_hole():
    drawn = replace(F60, name="P60", draw_bolt=12.5)
    steps = work_steps.order_of_work(PANEL, Layout(1.0, (), (Hole(drawn, (300, 300)), Hole(drawn, (100, 300)))))
    assert place(steps, "Drill 2 x 12.5 mm for the bolt of die P60") < place(steps, "Punch and flare 2 x with die P60")
    assert not any("pilot hole" in line for line in steps)


def test_no_trial_strip_is_asked_for_where_readings_are_entered():
    read = replace(PANEL, tools=replace(TOOLS, trials=(Trial("B16", "5754-H111", 1.0, (1.0, 4.0), (1.5, 5.5), 3),)))
    steps = work_steps.order_of_work(read, Layout(1.0, (across(100), across(150, V14))))
    assert [line.split(":")[0] for line in steps if "trial strip" in line] == ["Die V14"]
    assert "in 3 passes, the first only to set the track" in step(steps, "B16: roll bead")


def test_fold_step_gives_the_flange_size():
    """90 degrees, R 2, t 1: allowance pi/2 (2 + 0.447) = 3.84, setback 3, so 20 mm of sheet stand 21.1 mm high."""
    panel = replace(PANEL, folds=(Fold(((0, 20), (600, 20)), 90, 2),))
    text = step(work_steps.order_of_work(panel, Layout(1.0)), "Fold 1")
    assert "3.8 mm that the bend takes" in text
    assert "comes out 21.1 mm high outside" in text


def test_rows_of_rivets_are_named():
    panel = replace(
        PANEL,
        supports=(
            Support("rivets", path=((20, 10), (580, 10)), pitch=40, diameter=4),
            Support("bolts", at=((10, 200), (590, 200)), diameter=6),
        ),
    )
    steps = work_steps.order_of_work(panel, Layout(1.0))
    text = step(steps, "Rivets 4 mm, 15 x")
    assert "drill 4.1 mm through both parts" in text
    assert "a pin in every 4th hole" in text
    assert "15 in 14 x 40.0 mm (560.0 mm first to last)" in text
    assert "Grip of the rivet: 1 mm and the part below" in text
    assert "set the rivets" in steps[-1]
    onto = replace(panel, supports=(replace(panel.supports[0], onto=1.5),))
    assert "1 + 1.5 = 2.5 mm" in step(work_steps.order_of_work(onto, Layout(1.0)), "Rivets 4 mm")


def test_bolts_are_named_with_their_holes():
    """ISO 273 for M6: 6.4 fine, 6.6 medium, 7 coarse; a blind nut M6 usually goes into 9 mm (both from memory)."""
    bolts = Support("bolts", at=((20, 200), (580, 200)), diameter=6)

    def told(support):
        return step(work_steps.order_of_work(replace(PANEL, supports=(support,)), Layout(1.0)), "in the panel")

    assert "M6 bolt (6 mm), 2 x: drill 6.6 mm (ISO 273 medium) in the panel, 12 mm or more from its edge" in told(bolts)
    assert "blind nut M6 there: 9 mm" in told(bolts)
    assert "18 mm or more from its edge" in told(bolts)
    assert "set one in scrap first" in told(bolts)
    free = told(replace(bolts, in_plane="free"))
    assert "drill 7 mm (ISO 273 coarse)" in free
    assert "and 6.6 mm in the part below" in free
    assert "drill 6.4 mm (ISO 273 fine)" in told(replace(bolts, in_plane="held"))
    slips = told(replace(bolts, in_plane="held", slip=0.5))
    assert "drill 7 mm (for the slip asked for)" in slips
    assert "and 6.4 mm in the part below" in slips
    assert "6.35 mm bolt, 2 x: drill 7 mm" in told(replace(bolts, diameter=6.35))


@pytest.mark.parametrize(
    ("width", "gauge", "beads", "told"),
    [
        (600, 1.0, False, ""),
        (600, 1.0, True, "Bolt the roller down."),
        (1200, 1.0, True, "Bolt the roller down. Two pairs of hands: the sheet is 1.2 m long."),
        (850, 6.0, False, "Two pairs of hands: the sheet weighs 10 kg."),
    ],
)
def test_who_must_hold_on(width, gauge, beads, told):
    panel = replace(PANEL, gauges=(gauge,), outline=((0, 0), (width, 0), (width, 700), (0, 700)))
    layout = Layout(gauge, (across(100),) if beads else ())
    assert work_steps.hands_needed(panel, layout, Polygon(panel.outline)) == told


def test_flat_sheet_needs_no_allowance():
    steps = work_steps.order_of_work(PANEL, Layout(1.0))
    assert not any("Rough" in step or "roll" in step for step in steps)
    assert steps[1] == "Cut to the outline."

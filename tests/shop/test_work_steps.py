"""The sentences and the order of the steps of work."""

from dataclasses import replace

from support.bench import B16, F60, PANEL, TOOLS, V14, across, upright

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout, EdgeTrim, Fold, Support
from stiffen.model.tools import Cutter
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


def test_rolling_step_names_sides_run_outs_and_turns():
    both = Layout(1.0, (across(200), across(150, side="down"), across(250)))
    steps = work_steps.order_of_work(PANEL, both)
    text = step(steps, "roll bead")
    assert "roll bead 1 up, 3 up, 2 down in this order, each proud on the face named" in text
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
    assert "fly cutter 42.5 mm (the lip stretches 12 %)" in step(work_steps.order_of_work(own, layout), "pilot hole")
    none = replace(PANEL, tools=replace(TOOLS, cutters=(Cutter("fly cutter", (60.0,)),)))
    assert "nearest smaller size" not in step(work_steps.order_of_work(none, layout), "pilot hole")


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
    text = step(work_steps.order_of_work(panel, Layout(1.0)), "mating hole")
    assert "drill 17 x mating hole through both parts: 15 x 4 mm rivet every 40.0 mm; 2 x 6 mm bolt." in text


def test_flat_sheet_needs_no_allowance():
    steps = work_steps.order_of_work(PANEL, Layout(1.0))
    assert not any("Rough" in step or "roll" in step for step in steps)
    assert steps[1] == "Cut to the outline."

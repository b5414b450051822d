"""Roller settings, order and minutes, and the warnings that go with them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from stiffen import bench, section
from stiffen.errors import InputError
from stiffen.layout import Bead, Hole, Layout
from stiffen.material import Material
from stiffen.panel import Cutout, Fold, Panel, Support, Trim
from stiffen.tools import BeadDie, HoleDie, Roller, Tools, Trial

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


# ------------------------------------------------------------------------------------------------------------ settings


@pytest.mark.parametrize("die", [B16, V14, T24], ids=lambda die: die.profile)
def test_passes_rise_to_the_full_depth(die):
    depths = bench.pass_depths(die, SOFT)
    assert depths[0] == pytest.approx(die.depth / 4)
    assert depths[-1] == die.depth
    assert (np.diff(depths) > 0).all()


@pytest.mark.parametrize("die", [B16, V14, T24], ids=lambda die: die.profile)
@pytest.mark.parametrize("elongation", [0.05, 0.15, 0.28])
def test_no_pass_stretches_more_than_half_the_elongation(die, elongation):
    """Stretch at each depth from a bead drawn anew: the profile scaled to that depth."""
    depths = bench.pass_depths(die, replace(SOFT, elongation=elongation))
    across_it, rise = np.diff(section.profile(die), axis=0).T
    stretch = [np.hypot(across_it, rise * h / die.depth).sum() / die.width - 1 for h in depths]
    steps = np.diff(stretch)
    assert (steps <= elongation / 2 + 1e-3).all()
    assert (steps > elongation / 4).all() or len(steps) == 1  # nor more passes than it takes


def test_one_step_where_the_metal_allows_it():
    assert len(bench.pass_depths(BeadDie("shallow", "round", 30, 3), SOFT)) == 2


@pytest.mark.parametrize("radius", [2.0, 8.0, 40.0])
def test_curvature_before_obeys_gardiner(radius):
    """Gardiner 1957, from memory: R_i/R_f = 4 X^3 - 3 X + 1, X = R_i yield/(E t)."""
    before = 1 / bench.curvature_before(1 / radius, SOFT, 1.0)
    x = before * SOFT.yield_strength / SOFT.E
    assert before < radius
    assert before / radius == pytest.approx(4 * x**3 - 3 * x + 1)


def test_sheet_bent_below_yield_springs_back_flat():
    limit = 2 * SOFT.yield_strength / SOFT.E  # curvature at which the face of 1 mm sheet yields
    assert bench.curvature_before(0.0, SOFT, 1.0) == pytest.approx(limit, rel=1e-5)


def test_spring_back_of_a_half_circle_of_small_strain():
    """Shallow arc of constant length: depth goes with curvature, so the allowance is depth (k_i/k_f - 1)."""
    die = BeadDie("shallow", "round", 60, 0.9)
    k = 1 / section.half(die).nose
    expected = die.depth * (bench.curvature_before(k, SOFT, 1.0) / k - 1)
    assert bench.spring_back(die, SOFT, 1.0) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("die", [B16, V14, T24], ids=lambda die: die.profile)
def test_spring_back_grows_with_yield_and_thinness(die):
    soft = bench.spring_back(die, SOFT, 1.0)
    assert 0 < soft < 0.1 * die.depth
    assert bench.spring_back(die, replace(SOFT, yield_strength=160), 1.0) > 1.5 * soft
    assert bench.spring_back(die, SOFT, 0.5) > 1.5 * soft
    assert bench.spring_back(die, replace(SOFT, yield_strength=1e-6), 1.0) == pytest.approx(0, abs=1e-6)


def test_turns_are_depth_and_spring_back_over_lead():
    found = bench.settings(TOOLS, B16, SOFT, 1.0)
    assert not found.from_trial
    assert found.passes[-1].turns == pytest.approx((5 + found.springback) / 1.5)
    assert [one.turns / one.depth for one in found.passes] == pytest.approx(
        [found.passes[-1].turns / 5] * len(found.passes)
    )
    fine = replace(TOOLS, roller=replace(ROLLER, screw_lead=0.75))
    assert bench.settings(fine, B16, SOFT, 1.0).passes[0].turns == pytest.approx(2 * found.passes[0].turns)


def test_unknown_nose_is_said():
    found = bench.settings(TOOLS, BeadDie("sharp", "vee", 14, 4), SOFT, 1.0)
    assert found.springback == 0
    assert "nose radius not given" in found.note


STRIP = Trial("B16", "5754-H111", 1.02, (1.0, 2.0, 3.0, 4.0), (0.9, 2.1, 3.6, 5.2))


def with_trials(*trials):
    return replace(TOOLS, trials=trials)


def test_trial_rules():
    found = bench.settings(with_trials(STRIP), B16, SOFT, 1.0)
    assert found.from_trial
    assert found.springback == 0
    assert [one.depth for one in found.passes] == list(bench.pass_depths(B16, SOFT))
    turns = [one.turns for one in found.passes]
    assert turns == sorted(turns)
    for one in found.passes:  # between the readings on either side
        place = np.searchsorted(STRIP.depth, one.depth)
        low, high = (0.0, *STRIP.turns)[place], STRIP.turns[place]
        assert low <= one.turns <= high


@pytest.mark.parametrize(("depth", "turns"), [*zip(STRIP.depth, STRIP.turns, strict=True)])
def test_trial_is_met_at_its_own_readings(depth, turns):
    die = replace(B16, depth=depth)
    assert bench.settings(with_trials(STRIP), die, SOFT, 1.0).passes[-1].turns == pytest.approx(turns)


def test_straight_trial_gives_straight_turns():
    strip = Trial("B16", "5754-H111", 1.0, (4.0, 2.0), (6.0, 3.0))  # not in order
    found = bench.settings(with_trials(strip), B16, SOFT, 1.0)
    assert [one.turns for one in found.passes] == pytest.approx([one.depth / 1.5 for one in found.passes])


def test_screw_that_turns_before_it_marks():
    """The first half turn left no mark: nothing is interpolated from (0, 0)."""
    strip = Trial("B16", "5754-H111", 1.0, (0.5, 3.0), (0.0, 5.0))
    found = bench.settings(with_trials(strip), B16, SOFT, 1.0)
    assert [one.turns for one in found.passes] == pytest.approx([0.5 + one.depth / 2 for one in found.passes])


def test_nothing_beyond_the_deepest_mark():
    strip = Trial("B16", "5754-H111", 1.0, (1.0, 2.0), (1.5, 3.0))
    found = bench.settings(with_trials(strip), B16, SOFT, 1.0)
    assert [one.turns is None for one in found.passes] == [one.depth > 3.0 for one in found.passes]
    assert found.passes[-1].turns is None
    assert "reached 3 mm of 5 mm" in found.note


@pytest.mark.parametrize(
    "other",
    [
        replace(STRIP, thickness=1.06),
        replace(STRIP, thickness=0.94),
        replace(STRIP, die="V14"),
        replace(STRIP, material="DC01"),
    ],
)
def test_trial_of_something_else_does_not_count(other):
    assert not bench.settings(with_trials(other), B16, SOFT, 1.0).from_trial


def test_nearest_then_latest_trial():
    far, old, new = (
        replace(STRIP, thickness=t, turns=(s, 2 * s, 3 * s, 4 * s)) for t, s in ((1.04, 1), (1, 2), (1, 3))
    )
    assert bench.matching_trial(with_trials(far, old, new), B16, SOFT, 1.0) is new
    assert bench.matching_trial(with_trials(new, old, far), B16, SOFT, 1.0) is old


@pytest.mark.parametrize(
    ("turns", "depth"),
    [((1.0, 2.0), (2.0, 1.5)), ((1.0, 1.0), (1.0, 2.0)), ((), ()), ((1.0,), (1.0, 2.0)), ((0.0,), (0.0,))],
)
def test_trial_that_does_not_rise_is_refused(turns, depth):
    with pytest.raises(InputError, match="trial of B16 in 1 mm 5754-H111: the readings do not rise"):
        bench.settings(with_trials(Trial("B16", "5754-H111", 1.0, turns, depth)), B16, SOFT, 1.0)


# --------------------------------------------------------------------------------------------------- order and minutes


def test_rolling_order_by_die_from_the_middle_outward():
    beads = (across(60), across(340, V14), across(150), across(205), across(120, V14), across(300))
    assert bench.rolling_order(PANEL, beads) == (3, 2, 5, 0, 4, 1)


def test_frame_comes_after_what_lies_inside_it():
    frame = Bead(B16, ((50, 50), (550, 50), (550, 350), (50, 350), (50, 50)))
    assert bench.rolling_order(PANEL, (frame, across(200))) == (1, 0)


def test_regrips():
    assert bench.regrips(PANEL, (across(200), across(150), across(250))) == 0
    assert bench.regrips(PANEL, (across(100), upright(300), upright(350))) == 1
    assert bench.regrips(PANEL, (across(100), across(150, side="down"))) == 1
    reverse = Bead(B16, ((500, 150), (100, 150)))
    assert bench.regrips(PANEL, (across(100), reverse)) == 0
    nearly = Bead(B16, ((100, 150), (500, 148)))
    assert bench.regrips(PANEL, (Bead(B16, ((500, 100), (100, 101))), nearly)) == 0


def test_frame_side_is_kept_while_the_throat_allows():
    beads = (across(100), Bead(B16, ((500, 250), (100, 250))), across(350))
    assert bench.frame_sides(PANEL, beads) == ("right", "left", "right")
    narrow = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=300)))
    assert bench.frame_sides(narrow, beads) == ("right", "left", "left")
    assert bench.regrips(narrow, beads) == 1
    narrower = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=120)))
    assert bench.frame_sides(narrower, beads) == ("right", None, "left")


def test_minutes_add_up():
    beads = (across(100), across(150), across(200, V14))
    panel = replace(
        PANEL,
        folds=(Fold(((0, 20), (600, 20)), 90, 2),),
        supports=(Support("bolts", at=((10, 10), (590, 10)), diameter=6),),
    )
    layout = Layout(1.0, beads, (Hole(F60, (300, 300)),))
    found = bench.breakdown(panel, layout)
    passes = [len(bench.pass_depths(die, SOFT)) for die in (B16, V14)]
    assert found["roll"] == pytest.approx((2 * passes[0] + passes[1]) * 400 / 800)
    assert found["die changes"] == 8
    assert found["set up"] == 3
    assert found["fold"] == bench.FOLD_ONE
    assert found["mating holes"] == 2 * bench.FASTENER_ONE
    assert found["deburr"] == pytest.approx(2.0 * bench.DEBURR_METRE)
    assert bench.minutes(panel, layout) == pytest.approx(sum(found.values()))


def test_fewer_dies_and_beads_take_less_time():
    one = bench.minutes(PANEL, Layout(1.0, (across(100), across(150))))
    assert bench.minutes(PANEL, Layout(1.0, (across(100),))) < one
    assert bench.minutes(PANEL, Layout(1.0, (across(100), across(150, V14)))) > one
    same = Bead(B16, ((160, 100), (440, 100))), Bead(B16, ((160, 150), (440, 150)))
    turned = bench.minutes(PANEL, Layout(1.0, (same[0], upright(300))))
    assert turned == pytest.approx(bench.minutes(PANEL, Layout(1.0, same)) + bench.REGRIP)


# ------------------------------------------------------------------------------------------------------- order of work


def test_pull_in_counts_the_beads_a_line_crosses():
    """Three parallel beads draw in across, none along; beads end to end count once; a slope counts by its share."""
    drawn = section.pull_in(B16)
    assert bench.pull_in_range(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300))))) == pytest.approx((0, 3 * drawn))
    in_line = (Bead(B16, ((50, 200), (250, 200))), Bead(B16, ((350, 200), (550, 200))))
    assert bench.pull_in_range(PANEL, Layout(1.0, in_line)) == pytest.approx((0, drawn))
    slope = Bead(B16, ((100, 100), (300, 300)))
    assert bench.pull_in_range(PANEL, Layout(1.0, (slope,))) == pytest.approx((drawn / math.sqrt(2),) * 2)
    assert bench.pull_in_range(PANEL, Layout(1.0)) == (0, 0)


def test_trim_allowance_is_half_of_it_and_a_spare():
    x, y = bench.trim_allowance(PANEL, Layout(1.0, tuple(map(across, (100, 200, 300)))))
    assert x == 3
    assert y == math.ceil(1.5 * section.pull_in(B16) + 3)
    x, y = bench.trim_allowance(PANEL, Layout(1.0, tuple(map(upright, (100, 200, 300, 400)))))
    assert x == math.ceil(2 * section.pull_in(B16) + 3)
    assert y == 3
    assert bench.trim_allowance(PANEL, Layout(1.0)) == (0, 0)


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
        trims=(Trim(0.1),),
    )
    layout = Layout(1.0, (across(100), across(200), upright(300, V14)), (Hole(F60, (300, 300)),))
    steps = bench.order_of_work(panel, layout)
    order = [
        "Mark outline, openings", "Rough cut", "pilot hole 43.03 mm", "B16: roll a trial strip",
        "B16: roll bead 2, 1 in",
        "V14: roll a trial strip", "V14: roll bead 3 in", "Flare 1 x with die F60", "trim to it", "1 x cut-out",
        "Fold 1: 90 degrees down", "drill 2 x mating", "Deburr", "edge trim", "Fit the panel",
    ]  # fmt: skip
    places = [place(steps, words) for words in order]
    assert places == sorted(places)
    assert len(steps) == len(order)


def test_flat_sheet_needs_no_allowance():
    steps = bench.order_of_work(PANEL, Layout(1.0))
    assert not any("Rough" in step or "roll" in step for step in steps)
    assert steps[1] == "Cut to the outline."


# ------------------------------------------------------------------------------------------------------------ warnings


def test_a_mild_layout_has_no_warning():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    wide = HoleDie("wide", pilot=44, finished=48, flange=60, rise=4)
    assert bench.warnings(PANEL, Layout(1.0, (across(100, mild),), (Hole(wide, (300, 300)),))) == ()


def test_stretch_beyond_elongation_tells_both_ends():
    """Arc 12x4: S - w = 3.29 mm (recomputed), 27 % if held."""
    deep = BeadDie("deep", "round", 12, 4)
    (found,) = bench.warnings(PANEL, Layout(1.0, (across(100, deep), across(200, deep))))
    assert "stretches 27%" in found
    assert "draws in 3.3 mm" in found
    assert "elongation is 15%" in found


def test_bends_are_judged_by_strain_where_no_table_is():
    die = BeadDie("tight", "flat", 40, 2, nose_radius=2, shoulder_radius=2)
    layout = Layout(1.0, (across(100, die),))
    assert bench.warnings(PANEL, layout) == ()
    (found,) = bench.warnings(replace(PANEL, material=replace(SOFT, bend_radius=())), layout)
    assert "outer fibre by 25%" in found
    (found,) = bench.warnings(PANEL, Layout(1.0, (across(100, BeadDie("sharp", "flat", 40, 2)),)))
    assert "neither radius is given" in found


def test_lip_beyond_elongation():
    """45-degree flange, fold circle 60, 6 mm: blank hole 43.03, lip 48, 11.6 % (recomputed)."""
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    assert F60.lip_strain == pytest.approx(0.1155, abs=5e-4)
    assert bench.warnings(PANEL, layout) == ()
    (found,) = bench.warnings(replace(PANEL, material=replace(SOFT, elongation=0.10)), layout)
    assert "stretches the lip by 12%" in found


def test_rating_and_rivets():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    near = replace(PANEL, supports=(Support("rivets", path=((5, 5), (595, 5)), pitch=40, diameter=4.0),))
    rating, edge = bench.warnings(near, Layout(2.0, (across(100, mild),)))
    assert "over the roller's rating of 1.61 mm" in rating
    assert "support[1] rivets" in edge

"""Roller settings: passes, turns, spring-back, trial strips."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.records import unchecked

from stiffen.errors import InputError
from stiffen.io.tools_file import starter_tools
from stiffen.model.material import Material, materials
from stiffen.model.tools import BeadDie, Roller, Tools, Trial
from stiffen.shop import bead_section, roller_settings

SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
B16 = BeadDie("B16", "round", 16, 5, shoulder_radius=2.5)
V14 = BeadDie("V14", "vee", 14, 4, nose_radius=2, shoulder_radius=1.5)
T24 = BeadDie("T24", "flat", 24, 6, nose_radius=3, shoulder_radius=3)
S10 = BeadDie("S10", "step", 10, 4, nose_radius=3, shoulder_radius=3)
TOOLS = Tools("test bench", Roller(throat=450, screw_lead=1.5), (B16, V14, T24, S10))


@pytest.mark.parametrize("die", [B16, V14, T24, S10], ids=lambda die: die.profile)
def test_passes_rise_to_the_full_depth(die):
    depths = roller_settings.pass_depths(die, SOFT, 3)
    assert depths[0] == pytest.approx(die.depth / 4)
    assert depths[-1] == die.depth
    assert (np.diff(depths) > 0).all()


@pytest.mark.parametrize("die", [B16, V14, T24, S10], ids=lambda die: die.profile)
@pytest.mark.parametrize("passes", [2, 3, 4])
def test_passes_after_the_first_stretch_the_sheet_alike(die, passes):
    """Stretch at each depth from a bead drawn anew: the profile scaled to that depth."""
    depths = roller_settings.pass_depths(die, SOFT, passes)
    assert len(depths) == passes
    across_it, rise = np.diff(bead_section.profile_points(die), axis=0).T
    stretch = [np.hypot(across_it, rise * h / die.depth).sum() / die.width - 1 for h in depths]
    steps = np.diff(stretch)
    assert steps == pytest.approx(np.full(passes - 1, steps.mean()), abs=1e-4)


@pytest.mark.parametrize(
    ("die", "material", "passes"),
    [
        (BeadDie("shallow", "round", 30, 3, shoulder_radius=3), "5754-H111", 1),
        (BeadDie("shallow", "round", 30, 3, shoulder_radius=3), "304", 3),
        (BeadDie("B16", "round", 16, 4, shoulder_radius=2.5), "5754-H111", 2),
        (BeadDie("B20", "round", 20, 6, shoulder_radius=3), "1050A-H14", 3),
        (BeadDie("B20", "round", 20, 6, shoulder_radius=3), "3003-H14", 3),
        (BeadDie("B20", "round", 20, 6, shoulder_radius=3), "2024-T3", 4),
        (BeadDie("B20", "round", 20, 6, shoulder_radius=3), "304", 4),
        (BeadDie("V12", "vee", 12, 4, nose_radius=1.5, shoulder_radius=1.5), "304", 4),
    ],
)
def test_usual_number_of_passes(die, material, passes):
    """One to four, more for deep, sharp and hard: common practice, no source.  Half-hard pure aluminium is soft."""
    assert roller_settings.usual_passes(die, materials()[material]) == passes


def test_softer_sheet_never_takes_more_passes():
    dies = starter_tools().bead_dies
    by_yield = sorted(materials().values(), key=lambda one: one.yield_strength)
    for die in dies:
        counts = [roller_settings.usual_passes(die, one) for one in by_yield]
        assert counts == sorted(counts)
        assert 1 <= counts[0] <= counts[-1] <= 4


def test_the_trial_strip_rules_the_number_of_passes():
    found = roller_settings.roller_settings(with_trials(replace(STRIP, passes=2)), B16, SOFT, 1.0)
    assert len(found.passes) == 2
    assert "common practice" not in found.note
    without = roller_settings.roller_settings(with_trials(STRIP), B16, SOFT, 1.0)
    assert len(without.passes) == roller_settings.usual_passes(B16, SOFT)
    assert "common practice, no source" in without.note


def test_a_trial_may_name_the_material_otherwise():
    found = roller_settings.roller_settings(with_trials(replace(STRIP, material="EN AW-5754 H111")), B16, SOFT, 1.0)
    assert found.from_trial


@pytest.mark.parametrize(
    ("turns", "text"),
    [(0.125, "1/8"), (0.5, "1/2"), (1.0, "1"), (2.375, "2 3/8"), (10.0, "10"), (0.0, "0"), (1.03125, "1 1/32")],
)
def test_turns_are_told_as_a_hand_counts_them(turns, text):
    assert roller_settings.turns_text(turns) == text


@given(st.lists(st.floats(0.3, 3.0), min_size=1, max_size=6), st.floats(0.05, 20.0))
def test_settable_turns_rise_and_are_near(steps, scale):
    """Nearest eighth, unless two would become the same; never above the most that is allowed."""
    turns = [scale * turn for turn in np.cumsum(steps)]
    rounded = roller_settings.settable_turns(turns)
    assert rounded == sorted(set(rounded))
    assert rounded[0] > 0
    assert max(abs(a - b) for a, b in zip(turns, rounded, strict=True)) <= 1 / 16 + 1e-12
    capped = roller_settings.settable_turns(turns, most=turns[-1])
    assert capped[-1] <= turns[-1] + 1e-9
    assert all(b > a for a, b in pairwise(capped))


@pytest.mark.parametrize("radius", [2.0, 8.0, 40.0])
def test_curvature_before_obeys_gardiner(radius):
    """Gardiner 1957, from memory: R_i/R_f = 4 X^3 - 3 X + 1, X = R_i yield/(E t)."""
    before = 1 / roller_settings.loaded_curvature(1 / radius, SOFT, 1.0)
    x = before * SOFT.yield_strength / SOFT.E
    assert before < radius
    assert before / radius == pytest.approx(4 * x**3 - 3 * x + 1)


def test_sheet_bent_below_yield_springs_back_flat():
    limit = 2 * SOFT.yield_strength / SOFT.E  # curvature at which the face of 1 mm sheet yields
    assert roller_settings.loaded_curvature(0.0, SOFT, 1.0) == pytest.approx(limit, rel=1e-5)


def test_spring_back_of_a_half_circle_of_small_strain():
    """Shallow arc of constant length: depth goes with curvature, so the allowance is depth (k_i/k_f - 1)."""
    die = BeadDie("shallow", "round", 60, 0.9)
    k = 1 / bead_section.half_profile(die).nose_radius
    expected = die.depth * (roller_settings.loaded_curvature(k, SOFT, 1.0) / k - 1)
    assert roller_settings.springback(die, SOFT, 1.0) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("die", [B16, V14, T24, S10], ids=lambda die: die.profile)
def test_spring_back_grows_with_yield_and_thinness(die):
    soft = roller_settings.springback(die, SOFT, 1.0)
    assert 0 < soft < 0.1 * die.depth
    assert roller_settings.springback(die, replace(SOFT, yield_strength=160), 1.0) > 1.5 * soft
    assert roller_settings.springback(die, SOFT, 0.5) > 1.5 * soft
    assert roller_settings.springback(die, unchecked(SOFT, yield_strength=1e-6), 1.0) == pytest.approx(0, abs=1e-6)


def test_turns_are_depth_and_spring_back_over_lead():
    found = roller_settings.roller_settings(TOOLS, B16, SOFT, 1.0)
    assert not found.from_trial
    exact = (5 + found.springback) / 1.5
    assert found.passes[-1].turns == round(8 * exact) / 8
    assert [one.depth / one.turns for one in found.passes] == pytest.approx([5 / exact] * len(found.passes))
    fine = replace(TOOLS, roller=Roller(screw_lead=0.75))
    assert roller_settings.roller_settings(fine, B16, SOFT, 1.0).passes[-1].turns == round(16 * exact) / 8


def test_missing_nose_radius_is_reported():
    found = roller_settings.roller_settings(TOOLS, BeadDie("sharp", "vee", 14, 4), SOFT, 1.0)
    assert found.springback == 0
    assert "nose radius not given" in found.note


STRIP = Trial("B16", "5754-H111", 1.02, (1.0, 2.0, 3.0, 4.0), (0.9, 2.1, 3.6, 5.2))


def with_trials(*trials):
    return replace(TOOLS, trials=trials)


def test_trial_rules():
    found = roller_settings.roller_settings(with_trials(STRIP), B16, SOFT, 1.0)
    assert found.from_trial
    assert found.springback == 0
    for one, exact in zip(found.passes, roller_settings.pass_depths(B16, SOFT), strict=True):
        assert one.depth == pytest.approx(exact, abs=0.15)  # 1/16 turn of at most 1.6 mm each, and a bit
    turns = [one.turns for one in found.passes]
    assert turns == sorted(turns)
    for one in found.passes:  # between the readings on either side
        place = np.searchsorted(STRIP.depth, one.depth)
        low, high = (0.0, *STRIP.turns)[place], STRIP.turns[place]
        assert low <= one.turns <= high


@pytest.mark.parametrize(("depth", "turns"), [*zip(STRIP.depth, STRIP.turns, strict=True)])
def test_trial_is_met_at_its_own_readings(depth, turns):
    die = replace(B16, depth=depth)
    assert roller_settings.roller_settings(with_trials(STRIP), die, SOFT, 1.0).passes[-1].turns == pytest.approx(turns)


def test_straight_trial_gives_straight_turns():
    strip = unchecked(STRIP, thickness=1.0, turns=(4.0, 2.0), depth=(6.0, 3.0))  # not in order
    found = roller_settings.roller_settings(with_trials(strip), B16, SOFT, 1.0)
    assert [one.turns for one in found.passes] == pytest.approx([one.depth / 1.5 for one in found.passes])
    assert all(8 * one.turns == round(8 * one.turns) for one in found.passes)


def test_screw_that_turns_before_it_marks():
    """The first half turn left no mark, so the readings do not start from (0, 0)."""
    strip = Trial("B16", "5754-H111", 1.0, (0.5, 3.0), (0.0, 5.0))
    found = roller_settings.roller_settings(with_trials(strip), B16, SOFT, 1.0)
    assert [one.turns for one in found.passes] == pytest.approx([0.5 + one.depth / 2 for one in found.passes])


def test_nothing_beyond_the_deepest_mark():
    strip = Trial("B16", "5754-H111", 1.0, (1.0, 2.0), (1.5, 3.0))
    found = roller_settings.roller_settings(with_trials(strip), B16, SOFT, 1.0)
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
    assert not roller_settings.roller_settings(with_trials(other), B16, SOFT, 1.0).from_trial


def test_nearest_then_latest_trial():
    far, old, new = (
        replace(STRIP, thickness=t, turns=(s, 2 * s, 3 * s, 4 * s)) for t, s in ((1.04, 1), (1, 2), (1, 3))
    )
    assert roller_settings.matching_trial(with_trials(far, old, new), B16, SOFT, 1.0) is new
    assert roller_settings.matching_trial(with_trials(new, old, far), B16, SOFT, 1.0) is old


@pytest.mark.parametrize(
    ("turns", "depth"),
    [((1.0, 2.0), (2.0, 1.5)), ((1.0, 1.0), (1.0, 2.0)), ((), ()), ((1.0,), (1.0, 2.0)), ((0.0,), (0.0,))],
)
def test_trial_that_does_not_rise_is_refused(turns, depth):
    with pytest.raises(InputError, match="trial of B16 in 1 mm 5754-H111: the readings do not rise"):
        strip = unchecked(STRIP, thickness=1.0, turns=turns, depth=depth)
        roller_settings.roller_settings(with_trials(strip), B16, SOFT, 1.0)

"""Where load-deflection curves cross: made-up curves whose crossings are known by hand."""

import numpy as np
import pytest

from stiffen.output.plots.load_deflection import describe_crossing, find_crossings, load_controlled_curve

LOADS = np.linspace(0, 2, 41)
FLAT = (LOADS, 3 * LOADS ** (1 / 3))  # membrane tension: soft at first, then ever stiffer
BEADED = (LOADS, 2 * LOADS)  # linear: stiff at first, no gain later
TITLES = ("flat sheet", "beaded sheet")


def test_two_straight_lines_cross_where_algebra_says():
    # w = 1 + p and w = 3 p cross at p = 0.5, w = 1.5
    a, b = (np.array([0.0, 2.0]), np.array([1.0, 3.0])), (np.array([0.0, 2.0]), np.array([0.0, 6.0]))
    (one,) = find_crossings(a, b)
    assert (one.load, one.deflection) == pytest.approx((0.5, 1.5), rel=1e-12)
    assert one.stiffer_above == 0
    (other,) = find_crossings(b, a)
    assert other.stiffer_above == 1


def test_curves_given_at_different_loads_cross_at_the_same_load():
    # 3 p^(1/3) = 2 p at p = (3/2)^(3/2) = 1.8371; 41 points: straight chords err by up to 0.1 %
    (one,) = find_crossings(FLAT, BEADED)
    assert one.load == pytest.approx(1.5**1.5, rel=1e-3)
    assert one.stiffer_above == 0  # the flat sheet
    coarse = (np.array([0.0, 0.7, 2.0]), np.array([0.0, 1.4, 4.0]))
    assert find_crossings(FLAT, coarse)[0].load == pytest.approx(one.load, rel=1e-9)


def test_zero_load_is_no_crossing_and_the_stiffer_curve_is_named():
    softer = (LOADS, 5 * LOADS ** (1 / 3))
    assert find_crossings(FLAT, softer) == ()
    assert describe_crossing(TITLES, (FLAT, softer)) == (
        "The curves do not cross up to 2 times the load. Stiffer throughout: flat sheet, "
        "3.78 mm against 6.3 mm at the end."
    )


def test_two_crossings_are_both_found():
    wave = (LOADS, 2 * LOADS + 0.3 * np.sin(np.pi * LOADS / 0.8))  # meets 2 p at 0.8 and 1.6
    found = find_crossings(BEADED, wave)
    assert [one.load for one in found] == pytest.approx([0.8, 1.6], abs=1e-9)
    assert [one.stiffer_above for one in found] == [1, 0]
    assert "0.8 times the load (1.6 mm), and again at 1.6 times the load" in describe_crossing(TITLES, (BEADED, wave))


def test_a_touch_is_no_crossing_and_a_shared_stretch_counts_once():
    p = np.array([0.0, 1.0, 2.0, 3.0])
    straight = (p, p)
    assert find_crossings(straight, (p, np.array([0.0, 1.0, 2.5, 3.5]))) == ()
    assert find_crossings(straight, (p, np.array([0.0, 0.5, 2.0, 2.5]))) == ()
    meets = (np.arange(5.0), np.array([0, 0.5, 2.0, 3.0, 5.0]))
    assert find_crossings(straight, meets) == ()  # they part only beyond the end of the shorter curve
    (one,) = find_crossings((np.arange(5.0), np.arange(5.0)), meets)
    assert one.load == 2.0
    assert one.stiffer_above == 0


def test_curves_that_are_the_same_are_told_as_such():
    assert describe_crossing(TITLES, (FLAT, FLAT)) == "Both curves are the same up to 2 times the load."
    shaken = FLAT[1] * (1 + 1e-9 * (-1) ** np.arange(len(LOADS)))  # differences of rounding are no crossing
    assert find_crossings(FLAT, (LOADS, shaken)) == ()


def test_a_snap_through_is_a_jump_at_its_load():
    # up to 1.0 at 1 mm, back to 0.6 at 3 mm, on to 2.0 at 6.5 mm: regains 1.0 at 3 + 3.5 * 0.4/1.4 = 4 mm
    loads, w = np.array([0.0, 1.0, 0.6, 2.0]), np.array([0.0, 1.0, 3.0, 6.5])
    p, d = load_controlled_curve(loads, w)
    assert (np.diff(p) > 0).all()
    assert np.interp([0.5, 1.0, 1.0 + 1e-9, 1.4, 2.0], p, d) == pytest.approx([0.5, 1.0, 4.0, 5.0, 6.5], abs=1e-6)
    stiff = (np.array([0.0, 2.0]), np.array([0.0, 4.0]))  # 2 mm a load: softer before the snap, stiffer after
    (one,) = find_crossings((loads, w), stiff)
    assert one.load == pytest.approx(1.0, abs=1e-12)
    assert one.stiffer_above == 1


def test_a_path_that_never_regains_its_peak_ends_there():
    p, d = load_controlled_curve(np.array([0.0, 1.0, 0.5]), np.array([0.0, 1.0, 4.0]))
    assert (p.tolist(), d.tolist()) == ([0.0, 1.0], [0.0, 1.0])


@pytest.mark.parametrize("loads", [[0.0], [0.0, 0.0], [1.0, 0.5]], ids=["one point", "no load", "falls"])
def test_a_curve_without_load_is_refused(loads):
    with pytest.raises(ValueError, match="a load above"):
        find_crossings((np.array(loads), np.zeros(len(loads))), BEADED)

"""Setback, allowance, flat patterns and reliefs, against the worked examples and tables of the handbooks.

AC 43.13-1B: FAA advisory circular (1998), par. 4-56 and table 4-7.  FAA-H-8083-31: Aviation Maintenance Technician
Handbook, Airframe, vol. 1, chapter 4 (text of the chapter read; the figures were not at hand).
"""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stiffen.errors import InputError
from stiffen.model.material import Material
from stiffen.model.panel import Fold, Panel
from stiffen.model.tools import FoldingBrake, Roller, Tools
from stiffen.shop import bends
from stiffen.shop.bends import Bend
from stiffen.shop.folding.fold_check import audit_folds

INCH = 25.4
SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
TRAY = Panel("tray", SOFT, (1.0,), ((0, 0), (300, 0), (300, 200), (0, 200)), Tools("shop", Roller(), ()))


@pytest.mark.parametrize(("angle", "inches"), [(45, 0.130), (135, 0.758)])
def test_setback_of_the_worked_example(angle, inches):
    """AC 43.13-1B par. 4-56: R 0.25 in, t 0.064 in: 0.130 and 0.758 in."""
    assert bends.setback(angle, 0.25 * INCH, 0.064 * INCH) == pytest.approx(inches * INCH, abs=0.0005 * INCH)


@pytest.mark.parametrize(
    ("angle", "K"),
    [(1, 0.0087), (30, 0.2679), (45, 0.4142), (60, 0.5773), (72, 0.7265), (90, 1.0), (108, 1.376), (120, 1.732),
     (144, 3.077), (160, 5.671), (175, 22.90)],
)  # fmt: skip
def test_k_of_the_table(angle, K):
    """AC 43.13-1B table 4-7, four figures."""
    assert bends.setback(angle, 1.0, 0.0) == pytest.approx(K, rel=3e-4, abs=1e-4)


def test_channel_of_the_handbook():
    """FAA-H-8083-31: 0.040 in 2024-T3, R 0.16 in, flanges 1.00 in, bottom 2.00 in: setback 0.2, flats 0.8, 1.6, 0.8."""
    t, bend = 0.040 * INCH, Bend(90, 0.16 * INCH)
    assert bends.setback(90, bend.radius, t) == pytest.approx(0.2 * INCH)
    found = bends.flat_pattern([1.0 * INCH, 2.0 * INCH, 1.0 * INCH], [bend, bend], t)
    assert [flat / INCH for flat in found.flats] == pytest.approx([0.8, 1.6, 0.8])
    # its total developed width, from memory: 3.74 in, with a chart's allowance of 0.27 in for a formula's 0.279
    assert found.length / INCH == pytest.approx(3.74, abs=2 * 0.0095)


def test_allowance_is_the_empirical_formula():
    """(0.01743 R + 0.0078 t) N in the handbooks: 0.085 for R 0.032, t 0.050, N 90 in one published example (inches)."""
    assert bends.bend_allowance(90, 0.032, 0.050) == pytest.approx(0.085, abs=0.0005)
    for angle, radius, t in [(90, 2.0, 1.0), (45, 6.35, 1.63), (120, 0.5, 0.8)]:
        printed = angle * (0.01743 * radius + 0.0078 * t)  # four figures
        assert bends.bend_allowance(angle, radius, t) == pytest.approx(printed, rel=3e-3)


def test_four_bends_of_a_published_example():
    """Outside sizes 0.740, 0.420, 1.050, 1.000 in, three bends, R 0.032, t 0.050: 2.973 in flat (deduction 0.079)."""
    some = [Bend(90, 0.032 * INCH)] * 3
    found = bends.flat_pattern([x * INCH for x in (0.740, 0.420, 1.050, 1.000)], some, 0.050 * INCH)
    assert found.length / INCH == pytest.approx(2.973, abs=3 * 0.0005)


def test_folding_keeps_the_line_at_the_neutral_depth():
    """A right angle by geometry: flats to the tangent points and a quarter circle at R + K t."""
    found = bends.flat_pattern([30, 50], [Bend(90, 2)], 1.5, neutral=0.4)
    assert found.length == pytest.approx((30 - 3.5) + (50 - 3.5) + math.pi / 2 * 2.6)
    assert found.bend_lines == pytest.approx([30 - 3.5 + math.pi / 4 * 2.6])


several = st.lists(st.builds(Bend, st.floats(5, 150), st.floats(0, 10)), min_size=1, max_size=4)


@given(several, st.data(), st.floats(0.3, 3.0))
def test_sizes_come_back(some, data, t):
    least = [0.0, *(bends.setback(bend.angle, bend.radius, t) for bend in some), 0.0]
    sizes = [a + b + data.draw(st.floats(0.1, 300)) for a, b in zip(least, least[1:], strict=False)]
    flat = bends.flat_pattern(sizes, some, t)
    assert bends.outside_sizes(flat.length, flat.bend_lines, some, t) == pytest.approx(sizes, abs=1e-6)
    assert sum(flat.flats) < flat.length


def test_flat_pattern_reports_every_fault():
    with pytest.raises(InputError, match="leaves no flat") as caught:
        bends.flat_pattern([2.0, 50.0, 2.9], [Bend(90, 2), Bend(90, 2)], 1.0)
    assert [fault.where for fault in caught.value.faults] == ["size 1", "size 3"]
    with pytest.raises(InputError, match="1 for 3 sizes"):
        bends.flat_pattern([20, 20, 20], [Bend(90, 2)], 1.0)
    with pytest.raises(InputError, match="angle 190"):
        bends.flat_pattern([20, 20], [Bend(190, 2)], 1.0)
    with pytest.raises(InputError, match="need 1.8 mm more"):
        bends.outside_sizes(40.0, [20.0, 22.0], [Bend(90, 2)] * 2, 1.0)


def test_relief_holes_of_the_handbook():
    """FAA-H-8083-31: about twice the radius; at least 1/8 in up to 0.064 in, 3/16 in from 0.072 to 0.128 in."""
    assert bends.relief_hole(0.5, 0.064 * INCH) == pytest.approx(INCH / 8, abs=0.03)
    assert bends.relief_hole(0.5, 0.072 * INCH) == pytest.approx(3 * INCH / 16, abs=0.05)
    assert bends.relief_hole(4.0, 1.0) == 8.0


def test_relief_slot():
    """Fabricators' guides (common practice, no source): width at least 0.5 t, depth R + t + 0.5."""
    assert bends.relief_slot(2.0, 1.0) == (0.5, 3.5)


def test_least_flange():
    assert bends.least_flange(90, 2.0, 1.0) == pytest.approx(3.0 + 2.5)
    assert bends.least_flange(90, 2.0, 1.0, brake_minimum=8.0) == pytest.approx(11.0)


# ------------------------------------------------------------------------------------------------------ of a panel


def test_flange_of_a_panel_is_its_blank():
    """The fold line is the middle of the bend: 300 x 200, a 20 mm strip folded, as `flat_pattern` computes it."""
    panel = replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 2.0),))
    (flange,) = bends.flanges(panel, 1.0)
    small, _ = bends.outside_sizes(200, [20], [Bend(90, 2.0)], 1.0)
    assert flange.outside == pytest.approx(small)
    assert flange.flat == pytest.approx(20 - flange.allowance / 2)


def test_flange_that_ends_at_another_fold():
    lip = Fold(((0, 8), (300, 8)), 90, 2.0)
    panel = replace(TRAY, folds=(Fold(((0, 30), (300, 30)), -90, 2.0), lip))
    edge, wall = bends.flanges(panel, 1.0)  # the lip is made first
    sizes = bends.outside_sizes(200, [8, 30], [Bend(90, 2.0)] * 2, 1.0)
    assert (edge.outside, wall.outside) == pytest.approx(sizes[:2])


def test_own_neutral_line():
    tools = replace(TRAY.tools, folding_brake=FoldingBrake(neutral=0.35))
    own = replace(TRAY, tools=tools, folds=(Fold(((0, 20), (300, 20)), 90, 2),))
    assert bends.flanges(own, 1.0)[0].allowance == pytest.approx(math.pi / 2 * 2.35)


def test_corners_where_folds_meet():
    panel = replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 2), Fold(((20, 0), (20, 200)), 90, 3)))
    ((i, j, place),) = bends.fold_crossings(panel)
    assert (i, j) == (1, 2)
    assert place == pytest.approx((20, 20))
    apart = replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 2), Fold(((0, 180), (300, 180)), 90, 2)))
    assert bends.fold_crossings(apart) == ()


def test_audit_of_folds():
    """5754-H111 at 1 mm: least inside radius 0.5 t; 2.5 mm flat beyond the bend; a relief of twice the radius."""
    good = replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 2),))
    assert audit_folds(good, 1.0) == ()
    (tight,) = audit_folds(replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 0.3),)), 1.0)
    assert tight.short_by_mm == pytest.approx(0.2)
    (narrow,) = audit_folds(replace(TRAY, folds=(Fold(((0, 4), (300, 4)), 90, 2),)), 1.0)
    assert narrow.short_by_mm == pytest.approx(2.5 - (4 - math.pi / 4 * 2.447))
    grip = replace(good, tools=replace(TRAY.tools, folding_brake=FoldingBrake(least_flat=25.0)))
    assert "the folding brake needs 25.0 mm" in audit_folds(grip, 1.0)[0].what
    box = replace(TRAY, folds=(Fold(((0, 20), (300, 20)), 90, 2), Fold(((20, 0), (20, 200)), 90, 3)))
    (corner,) = audit_folds(box, 1.0)
    assert corner.where == "fold 1 and fold 2"
    assert "relief hole of 6.0 mm" in corner.what


@pytest.mark.parametrize("upright", [True, False])
def test_folded_base_of_a_channel_has_the_outside_size_that_its_flat_length_was_made_for(upright):
    """A channel 30 x 200 x 30 outside, R 3, t 1.5: flat = sum of outsides - 4 SB + 2 BA (AC 43.13-1B par. 4-56).

    SB = R + t = 4.5, BA = (0.01743 R + 0.0078 t) 90 = 5.76, so 253.5 mm; the fold lines are the middles of the bends.
    """
    setback, allowance = 4.5, (0.01743 * 3 + 0.0078 * 1.5) * 90
    flat = 260 - 4 * setback + 2 * allowance
    first = 30 - setback + allowance / 2
    lines = [((0.0, y), (400.0, y)) for y in (first, flat - first)]
    outline = ((0.0, 0.0), (400.0, 0.0), (400.0, flat), (0.0, flat))
    if upright:
        lines = [tuple((y, x) for x, y in line) for line in lines]
        outline = tuple((y, x) for x, y in outline)
    panel = replace(TRAY, outline=outline, folds=tuple(Fold(line, 90, 3.0) for line in lines))
    wanted = (200.0, 400.0) if upright else (400.0, 200.0)
    assert bends.folded_base_size(panel, 1.5) == pytest.approx(wanted, abs=0.05)
    assert [flange.outside for flange in bends.flanges(panel, 1.5)] == pytest.approx([30.0, 30.0], abs=0.05)
    assert bends.folded_base_size(replace(panel, folds=()), 1.5) is None

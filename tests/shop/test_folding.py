"""Folds at the bench: what lies in or near a bend, the clamp bar, the brake's limits, order, fingers, large radii."""

import math
from dataclasses import replace

import pytest

from stiffen.model.fold_plan import folding_order
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, Fold, Panel, PointMass, Support
from stiffen.model.sheet_geometry import circle_ring
from stiffen.model.tools import BeadDie, FoldingBrake, HoleDie, Roller, Tools
from stiffen.shop import layout_check
from stiffen.shop.bends import bend_allowance
from stiffen.shop.folding import brake
from stiffen.shop.folding.bend_zones import bend_zones
from stiffen.shop.folding.fold_check import audit_folds
from stiffen.shop.folding.fold_steps import fold_steps

B16 = BeadDie("B16", "round", 16.0, 4.0, shoulder_radius=2.5)
L50 = HoleDie("L50", pilot=35.86, finished=40.0, flange=50.0, rise=5.0)
SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
SHOP = Tools("shop", Roller(), (B16,), (L50,))
RING = ((0.0, 0.0), (1000.0, 0.0), (1000.0, 400.0), (0.0, 400.0))
R, T = 2.0, 1.0
BENT = math.pi / 4 * (R + 0.447 * T)  # fold line to tangent line
FOLDED = Panel("p", SOFT, (T,), RING, SHOP, folds=(Fold(((0.0, 60.0), (1000.0, 60.0)), 90.0, R),))


def told(panel, gauge=T):
    return [str(one) for one in audit_folds(panel, gauge)]


def with_brake(**values):
    return replace(FOLDED, tools=replace(SHOP, folding_brake=FoldingBrake(**values)))


# ---- beads and flares


def audited(panel, *items):
    beads = tuple(item for item in items if isinstance(item, Bead))
    holes = tuple(item for item in items if isinstance(item, Hole))
    return layout_check.audit(panel, Layout(T, beads, holes))


def test_a_flare_that_the_clamp_bar_would_crush_is_told():
    """11 mm from the bend, behind it: 4 t would do, the bar holds 15 mm.  On the flange's side it lies free."""
    behind = 60 + BENT + 11 + 25
    (one,) = audited(FOLDED, Hole(L50, (500.0, behind)))
    assert "11.0 mm from the bend of fold 1, at least 15.0 mm, which the clamp bar holds and would crush it" in one.what
    assert one.short_by_mm == pytest.approx(4.0, abs=1e-6)
    assert audited(FOLDED, Hole(L50, (500.0, behind + 4.1))) == ()
    assert audited(with_brake(clamp=10.0), Hole(L50, (500.0, behind))) == ()
    wide = replace(FOLDED, folds=(replace(FOLDED.folds[0], line=((0.0, 100.0), (1000.0, 100.0))),))
    assert audited(wide, Hole(L50, (500.0, 100 - BENT - 11 - 25))) == ()


def test_the_clamp_bar_counts_only_where_the_bend_is():
    """A short flange on a long edge: a bead beside it is not under the fingers."""
    ring = ((0, 60), (400, 60), (400, 0), (600, 0), (600, 60), (1000, 60), (1000, 400), (0, 400))
    panel = replace(FOLDED, outline=ring, folds=(Fold(((400, 60), (600, 60)), 90, R),))
    assert audited(panel, Bead(B16, ((30.0, 82.0), (360.0, 82.0)))) == ()
    assert len(audited(panel, Bead(B16, ((420.0, 82.0), (580.0, 82.0))))) == 1


def test_a_bead_over_the_bar_is_short_by_its_whole_way():
    """The axis lies 3 mm behind the tangent line: half a width and the rest of the 15 mm are missing."""
    (one,) = audited(FOLDED, Bead(B16, ((100.0, 60 + BENT + 3), (900.0, 60 + BENT + 3))))
    assert one.short_by_mm == pytest.approx(15 + 8 - 3)


# ---- fasteners and openings


def bolts(*at):
    return replace(FOLDED, supports=(Support("bolts", at=at, diameter=6.0),))


def test_a_bolt_on_the_fold_line_is_told():
    (one,) = told(bolts((300.0, 60.2), (300.0, 300.0)))
    assert one.startswith("support[1] bolts: bolt at (300.0, 60.2) lies on the line of fold 1: put it 13.9 mm or more")


def test_a_rivet_in_the_bend_and_one_too_near_it_are_told():
    panel = replace(
        FOLDED,
        supports=(
            Support("rivets", path=((100, 61.5), (900, 61.5)), pitch=400, diameter=4),
            Support("rivets", path=((100, 60 + BENT + 7.5), (900, 60 + BENT + 7.5)), pitch=400, diameter=4),
            Support("rivets", path=((100, 60 + BENT + 8.0), (900, 60 + BENT + 8.0)), pitch=400, diameter=4),
        ),
    )
    found = told(panel)
    assert sum("lies in the bend of fold 1" in one for one in found) == 3
    assert sum("is 7.5 mm from the bend of fold 1, at least 8.0 mm" in one for one in found) == 3
    assert len(found) == 6


def test_a_row_through_a_bend_is_told():
    panel = replace(FOLDED, supports=(Support("rivets", path=((500, 20), (500, 380)), pitch=90, diameter=4),))
    (one,) = told(panel)
    assert "the row runs through the bend of fold 1 at (500.0, 60.0): end it before the bend" in one


def test_a_cut_out_in_the_bend_is_told_and_a_relief_is_not():
    round_one = Cutout(circle_ring(500.0, 62.0, 20.0), (500.0, 62.0, 20.0))
    near = Cutout(((200, 60 + BENT + 3), (240, 60 + BENT + 3), (240, 120), (200, 120)))
    relief = Cutout(circle_ring(990.0, 60.0, 6.0), (990.0, 60.0, 6.0))
    found = told(replace(FOLDED, cutouts=(round_one, near)))
    assert found[0].startswith("cut-out 1 at (500.0, 62.0): lies in the bend of fold 1")
    assert "move it, or divide the flange there" in found[0]
    assert "cut-out 2" in found[1] and "3.0 mm from the bend of fold 1, at least 4.0 mm" in found[1]
    assert len(found) == 2
    assert len(told(replace(FOLDED, cutouts=(relief,)))) == 1  # inside the edge: a hole in the bend
    slit = replace(FOLDED, folds=(Fold(((0, 60), (1000, 60)), 90, R), Fold(((990, 0), (990, 400)), 90, R)))
    both = replace(slit, cutouts=(relief,))
    assert not [one for one in told(both) if "cut-out" in one]


def test_a_part_bolted_on_in_the_bend_is_told():
    panel = replace(FOLDED, masses=(PointMass((400.0, 61.0), 0.5, "lamp"), PointMass((400.0, 200.0), 0.5)))
    assert told(panel) == ["mass[1] lamp: at (400.0, 61.0) lies in the bend of fold 1: bolt it to flat sheet"]


# ---- the brake


def test_a_long_bend_in_thick_sheet_is_over_the_rating():
    """R_m t^2 L as for the roller: 1.2 mm steel over 1 m takes 1.2 sqrt(340/190) = 1.61 mm of this sheet over 1 m."""
    panel = with_brake(rated_steel=1.2, length=1000.0)
    assert told(panel, 1.6) == []
    steel = Material("DC01", 210e3, 0.3, 7.85e-6, 200, 340, 0.28)
    (one,) = told(replace(panel, material=steel), 1.5)
    assert "1.5 mm DC01 over 1000 mm is over the folding brake's rating of 1.20 mm for it" in one
    short = replace(panel, material=steel, outline=((0, 0), (500, 0), (500, 400), (0, 400)))
    short = replace(short, folds=(Fold(((0, 60), (500, 60)), 90, R),))
    assert told(short, 1.5) == []  # half the length takes sqrt(2) times the thickness: 1.70 mm
    assert brake.rated_fold_thickness(short.tools.folding_brake, steel, 500.0) == pytest.approx(1.2 * math.sqrt(2))


def test_a_bend_longer_than_the_brake_and_one_tighter_than_its_nose():
    (one,) = told(with_brake(length=900.0))
    assert "1000 mm long, the folding brake takes 900 mm" in one and "short by 100.0" in one
    (one,) = told(with_brake(nose=3.0))
    assert "inside radius 2 mm, the brake's nose makes 3 mm: give the fold radius = 3" in one


X, Y, H = 300.0, 200.0, 30.0
NOTCH = 4.0
TRAY_RING = (
    (-H, NOTCH), (NOTCH, NOTCH), (NOTCH, -H), (X - NOTCH, -H), (X - NOTCH, NOTCH), (X + H, NOTCH),
    (X + H, Y - NOTCH), (X - NOTCH, Y - NOTCH), (X - NOTCH, Y + H), (NOTCH, Y + H), (NOTCH, Y - NOTCH), (-H, Y - NOTCH),
)  # fmt: skip
SIDES = (
    Fold(((0, NOTCH), (0, Y - NOTCH)), 90, R),
    Fold(((NOTCH, 0), (X - NOTCH, 0)), 90, R),
    Fold(((X, NOTCH), (X, Y - NOTCH)), 90, R),
    Fold(((NOTCH, Y), (X - NOTCH, Y)), 90, R),
)
TRAY = Panel("tray", SOFT, (T,), TRAY_RING, SHOP, folds=SIDES)


def test_long_sides_first_short_sides_between_them():
    assert TRAY.folds == (SIDES[1], SIDES[3], SIDES[0], SIDES[2])
    zones = bend_zones(TRAY, T)
    assert [brake.standing_ends(zones, k) for k in range(4)] == [0, 0, 2, 2]


def test_a_lip_before_its_flange():
    lines = (((0, 60), (1000, 60)), ((0, 15), (1000, 15)), ((0, 380), (1000, 380)))
    assert folding_order(RING, lines) == (1, 0, 2)
    assert replace(FOLDED, folds=FOLDED.folds).folds == FOLDED.folds


def test_fingers_between_sides_that_stand():
    """Sums of some of the widths, by hand: 100 + 50 + 25 = 175 and 100 + 75 = 175 of 192 mm; with 15 more 190."""
    assert sum(brake.fingers_for((100, 75, 50, 25), 192)) == 175
    assert brake.fingers_for((100, 75, 50, 15), 192) == (100, 75, 15)
    assert brake.fingers_for((100, 75), 50) == ()
    own = replace(TRAY, tools=replace(SHOP, folding_brake=FoldingBrake(fingers=(100, 75, 50, 15))))
    assert told(own) == []
    assert "set fingers 100 + 75 + 15 mm (190 of 192 mm)" in fold_steps(own, T)[-1]
    few = replace(TRAY, tools=replace(SHOP, folding_brake=FoldingBrake(fingers=(100.0,))))
    assert [one for one in told(few) if "fingers add up to 100 mm of it at most" in one]
    assert "fingers of 192 mm in all" in fold_steps(TRAY, T)[-1]


# ---- large radii


def test_a_former_is_smaller_than_the_bend_by_gardiners_law():
    """R_i/R_f = 4 X^3 - 3 X + 1 with X = R_i yield/(E t) (Gardiner 1957, from memory), put in again."""
    inside = brake.former_radius(60.0, SOFT, 1.0)
    X = inside * 80 / (70e3 * 1.0)
    assert inside / 60.0 == pytest.approx(4 * X**3 - 3 * X + 1)
    assert 40 < inside < 60
    angle = brake.former_angle(90, 60.0, SOFT, 1.0)
    assert math.radians(angle) * (inside + 0.5) == pytest.approx(math.pi / 2 * 60.5)


def test_the_card_says_how_to_make_a_bend_of_large_radius():
    panel = replace(FOLDED, folds=(Fold(((0, 150), (1000, 150)), 90.0, 60.0),))
    (step,) = fold_steps(panel, T)
    a = bend_allowance(90, 60.0, T)
    assert f"round a tube of {2 * brake.former_radius(60.0, SOFT, T):.0f} mm outside" in step
    assert f"The bend takes {a:.1f} mm, between its two tangent lines" in step
    assert "Gardiner 1957" in step

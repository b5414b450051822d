"""Rules of the shop: violations against distances worked by hand, feasible regions against `audit`, throat, curves."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon
from support.records import unchecked

from stiffen.errors import InputError
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, EdgeTrim, Fold, KeepOut, Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Roller, Tools
from stiffen.shop import clearance, layout_check, rollability
from stiffen.shop.flared_holes import min_flared_diameter
from stiffen.shop.spacing_rules import COMMON_PRACTICE, SPACING_RULES, spacing, spacing_faults

SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
B16 = BeadDie("B16", "round", 16, 5, shoulder_radius=2.5)
B24 = BeadDie("B24", "flat", 24, 6, nose_radius=3, shoulder_radius=3)
F60 = HoleDie("F60", pilot=43, finished=48, flange=60, rise=6)
F30 = HoleDie("F30", pilot=18, finished=22, flange=30, rise=4)
TOOLS = Tools("test bench", Roller(throat=450, rated_steel=1.2, least_path_radius=60), (B16, B24), (F60, F30))
SHEET = ((0, 0), (600, 0), (600, 400), (0, 400))
PLAIN = Panel("plain", SOFT, (1.0, 1.5), SHEET, TOOLS)


def straight(x0, y0, x1, y1, die=B16, side="up"):
    return Bead(die, ((x0, y0), (x1, y1)), side)


def audit(panel, *items, gauge=1.0):
    beads = tuple(item for item in items if isinstance(item, Bead))
    holes = tuple(item for item in items if isinstance(item, Hole))
    return layout_check.audit(panel, Layout(gauge, beads, holes))


def only(violations):
    assert len(violations) == 1, [str(violation) for violation in violations]
    return violations[0]


# ------------------------------------------------------------------------------------------------------------- spacing


def test_published_rows():
    """FAA AC 43.13-1B: edge distance 2 D, single-row pitch 3 D; 1/8 in rivets."""
    assert spacing(TOOLS, "rivet_edge", 1.0, 3.2) == pytest.approx(6.4)
    assert spacing(TOOLS, "rivet_pitch", 1.0, 3.2) == pytest.approx(9.6)
    assert "AC 43.13" in SPACING_RULES["rivet_edge"].source


def test_every_row_says_where_it_comes_from():
    for name, rule in SPACING_RULES.items():
        assert rule.name == name
        assert rule.source == COMMON_PRACTICE or "AC 43.13" in rule.source


@pytest.mark.parametrize("rule", SPACING_RULES.values(), ids=lambda rule: rule.name)
def test_formula_text_is_what_is_computed(rule):
    for t, d in [(0.5, 0.0), (1.0, 3.2), (2.0, 4.0), (6.0, 20.0)]:
        words = rule.formula.replace("R", "d").replace(" t", " * t").replace("2 d", "2 * d").replace("3 d", "3 * d")
        assert rule.value(t, d) == pytest.approx(eval(words, {"max": max, "t": t, "d": d}))


def test_small_flared_hole_keeps_the_published_edge_distance():
    """One fabricator's published limit: a 12.7 mm flared hole has its centre at least 15.24 mm from the edge.

    The flange's width is not given there; 3 mm in plan is assumed.
    """
    assert 18.7 / 2 + spacing(TOOLS, "hole_edge", 1.0) >= 15.24


def test_shop_overrides_a_row():
    shop = replace(TOOLS, spacing={"bead_edge": 25.0})
    assert spacing(shop, "bead_edge", 1.0) == 25
    assert spacing(shop, "bead_bead", 1.0) == spacing(TOOLS, "bead_bead", 1.0)
    near = straight(100, 30, 400, 30)  # flank 22 mm from the edge
    assert audit(PLAIN, near) == ()
    assert only(audit(replace(PLAIN, tools=shop), near)).short_by_mm == pytest.approx(3)


def test_unknown_or_invalid_overrides_are_reported():
    faults = spacing_faults(replace(TOOLS, spacing={"bead_egde": 5.0, "bead_bead": -1.0, "hole_hole": 4.0}))
    assert [fault.where for fault in faults] == ["spacing.bead_egde", "spacing.bead_bead"]
    wrong = replace(PLAIN, tools=replace(TOOLS, spacing={"bead_egde": 5.0}))
    with pytest.raises(InputError, match="spacing.bead_egde: no such rule .one of bead_edge,"):
        audit(wrong)
    with pytest.raises(InputError, match="spacing.bead_egde"):
        clearance.bead_feasible_region(wrong, B16, 1.0)


# ------------------------------------------------------------------------------------------------- audit, one at a time


def test_a_good_layout_has_no_violation():
    beads = [straight(100, y, 500, y) for y in (100, 140, 300)]
    assert audit(PLAIN, *beads, Hole(F60, (300, 200)), Hole(F30, (200, 220))) == ()


BENT = math.pi / 4 * (8.0 + 0.447)  # from a fold line to its tangent lines, R 8 in 1 mm
FEATURES = {
    # name: (what the panel has, bead that comes 1.5 mm short, hole of 30 mm fold circle that comes 1.5 mm short)
    "edge of the sheet": ({}, (100, 12 + 8 - 1.5, 400), (300, 6 + 15 - 1.5)),
    "cut-out 1": (
        {"cutouts": (Cutout(((250, 200), (350, 200), (350, 260), (250, 260))),)},
        (100, 200 - 12 - 8 + 1.5, 400),
        (300, 200 - 6 - 15 + 1.5),
    ),
    "keep-out 1 (cable clip)": (
        {"keep_outs": (KeepOut(((250, 200), (350, 200), (350, 260), (250, 260)), why="cable clip"),)},
        (100, 200 - 8 + 1.5, 400),
        (300, 200 - 15 + 1.5),
    ),
    "the bend of fold 1": (
        {"folds": (Fold(((0, 50), (600, 50)), 90, 8.0),)},
        (100, 50 + BENT + 15 + 8 - 1.5, 400),  # the clamp bar holds 15 mm behind the bend
        (300, 50 + BENT + 15 + 15 - 1.5),
    ),
    "rivet row": (
        {"supports": (Support("rivets", path=((0, 50), (600, 50)), pitch=60, diameter=4.8),)},
        (100, 50 + 9.6 + 8 - 1.5, 400),
        (330, 50 + 9.6 + 15 - 1.5),
    ),
    "bolt": (
        {"supports": (Support("bolts", at=((300, 50), (20, 20)), diameter=6),)},
        (100, 50 + 12 + 8 - 1.5, 400),
        (300, 50 + 12 + 15 - 1.5),
    ),
    "line of a support (rest)": (
        {"supports": (Support("rest", path=((0, 50), (600, 50))),)},
        (100, 50 + 6 + 8 - 1.5, 400),
        (300, 50 + 6 + 15 - 1.5),
    ),
}


@pytest.mark.parametrize("name", FEATURES)
def test_too_near_a_feature(name):
    features, (x0, y, x1), at = FEATURES[name]
    panel = replace(PLAIN, **features)
    away = 1.6 if y < 150 and name != "cut-out 1" else -1.6
    for item, moved in [
        (straight(x0, y, x1, y), straight(x0, y + away, x1, y + away)),
        (Hole(F30, at), Hole(F30, (at[0], at[1] + away))),
    ]:
        violation = only(audit(panel, item))
        assert f"from {name}" in violation.what
        assert violation.short_by_mm == pytest.approx(1.5, abs=1e-6)
        assert violation.where == ("bead[1] B16" if isinstance(item, Bead) else "hole[1] F30")
        assert audit(panel, moved) == ()


def test_keep_out_against_beads_only():
    panel = replace(PLAIN, keep_outs=(KeepOut(((250, 150), (350, 150), (350, 250), (250, 250)), ("bead",)),))
    assert len(audit(panel, straight(100, 200, 500, 200))) == 1
    assert audit(panel, Hole(F30, (300, 200))) == ()


def test_crossing_is_short_by_half_the_width_and_the_gap():
    panel = replace(PLAIN, folds=(Fold(((300, 0), (300, 400)), 90, 1.0),))
    assert only(audit(panel, straight(100, 200, 500, 200))).short_by_mm == pytest.approx(8 + 10)


def test_rivets_along_the_outline():
    panel = replace(PLAIN, supports=(unchecked(Support("edge"), kind="rivets", diameter=10, pitch=40),))
    found = [violation.what for violation in audit(panel, straight(100, 26, 400, 26))]  # flank 18 mm from the edge
    assert len(found) == 1
    assert "rivet row" in found[0]


def test_off_the_sheet():
    assert {violation.what for violation in audit(PLAIN, straight(100, 200, 700, 200))} == {"leaves the sheet"}
    assert {violation.what for violation in audit(PLAIN, Hole(F30, (300, 500)))} == {"leaves the sheet"}


@pytest.mark.parametrize(
    ("first", "second", "short"),
    [
        (straight(100, 100, 400, 100), straight(100, 125, 400, 125), 16 + 10 - 25),
        (straight(100, 100, 400, 100), straight(100, 128, 400, 128, B24), 8 + 12 + 10 - 28),
        (straight(100, 100, 300, 100), straight(320, 100, 500, 100), 16 + 10 - 20),
        (straight(100, 100, 400, 100), straight(250, 60, 250, 300), 16 + 10),
        (straight(100, 100, 400, 100), Hole(F60, (250, 145)), 8 + 30 + 10 - 45),
        (Hole(F60, (250, 145)), Hole(F30, (250, 195)), 30 + 15 + 8 - 50),
    ],
)
def test_too_near_each_other(first, second, short):
    violation = only(audit(PLAIN, first, second))
    assert violation.short_by_mm == pytest.approx(short)
    assert clearance.too_close(first, second, TOOLS, 1.0)
    assert clearance.too_close(second, first, TOOLS, 1.0)


def test_just_far_enough_is_not_too_close():
    assert not clearance.too_close(straight(100, 100, 400, 100), straight(100, 126, 400, 126), TOOLS, 1.0)
    assert not clearance.too_close(straight(100, 100, 400, 100), Hole(F60, (250, 148)), TOOLS, 1.0)
    assert not clearance.too_close(Hole(F30, (250, 145)), Hole(F30, (250, 183)), TOOLS, 1.0)


def test_violations_name_both():
    violation = only(audit(PLAIN, straight(100, 100, 400, 100), straight(100, 120, 400, 120)))
    assert violation.where == "bead[2] B16"
    assert str(violation) == "bead[2] B16: 4.0 mm from bead[1] B16, at least 10.0 mm (short by 6.0 mm)"


def test_wrong_side():
    down = straight(100, 200, 500, 200, side="down")
    assert "down side, allowed is up" in only(audit(PLAIN, down)).what
    assert "down side" in only(audit(PLAIN, Hole(F60, (300, 200), "down"))).what
    assert audit(replace(PLAIN, bead_side="either"), down) == ()
    assert audit(replace(PLAIN, bead_side="down"), down) == ()


def test_too_short():
    """Two run-outs of 2.5 x 5 mm and one width of 16 mm."""
    assert audit(PLAIN, straight(100, 200, 141, 200)) == ()
    assert only(audit(PLAIN, straight(100, 200, 139, 200))).short_by_mm == pytest.approx(2)


def test_over_the_rating():
    """1.2 mm in steel of 340 MPa is 1.605 mm in sheet of 190 MPa."""
    bead = straight(100, 200, 500, 200)
    assert audit(PLAIN, bead, gauge=1.6) == ()
    unlisted = replace(PLAIN, material=replace(SOFT, bend_radius=()))
    assert audit(unlisted, bead, gauge=1.8) == ()  # 12 % over: the card warns
    assert audit(unlisted, bead, gauge=1.85) != ()
    violation = next(b for b in audit(PLAIN, bead, gauge=2.0) if "rating" in b.what)
    assert violation.short_by_mm == pytest.approx(2 - 1.2 * math.sqrt(340 / 190))
    assert audit(PLAIN, Hole(F60, (300, 200)), gauge=2.0) == ()


def test_why_a_gauge_has_no_beads():
    assert layout_check.why_no_beads(PLAIN, 1.0) == ""
    assert "2 mm 5754-H111 is over the roller's rating of 1.61 mm" in layout_check.why_no_beads(PLAIN, 2.0)
    bare = replace(PLAIN, tools=replace(TOOLS, bead_dies=()))
    assert layout_check.why_no_beads(bare, 1.0) == "the shop has no bead die"


@pytest.mark.parametrize(("short", "told"), [(0.04, False), (0.06, True)])
def test_no_rule_speaks_at_less_than_its_rounding(short, told):
    """A bead 12 mm and half its width from the edge, less a little."""
    y = 12 + B16.width / 2 - short
    found = audit(PLAIN, straight(100, y, 500, y))
    assert bool(found) == told
    assert not any("short by 0.0" in str(violation) for violation in found)


def test_a_lip_beyond_what_the_sheet_stands_is_not_offered_but_not_refused():
    """40 % in sheet of 15 %: left out of a search; a hole that the user asks for is only warned of."""
    small = HoleDie("F20", 10, 14, 20, 4)
    (found,) = layout_check.hole_die_violations(PLAIN, small, 1.0)
    assert "stretches the lip by 40 %" in found.what
    assert audit(PLAIN, Hole(small, (300, 200))) == ()
    assert layout_check.hole_die_violations(PLAIN, F60, 1.0) == []


def test_bends_too_tightly():
    """Inside radius 1.0 - 1.0/2; 5754-H111 at 1 mm asks 0.5 mm, 5052-H36 (AC 43.13-1B table 4-6) up to 1.5 t."""
    die = BeadDie("tight", "vee", 16, 5, nose_radius=1.0, shoulder_radius=2.0)
    assert audit(PLAIN, straight(100, 200, 500, 200, die)) == ()
    middling = replace(PLAIN, material=replace(SOFT, bend_radius=((1.0, 0.8),)))
    assert only(audit(middling, straight(100, 200, 500, 200, die))).short_by_mm == pytest.approx(0.3)
    hard = replace(SOFT, name="5052-H36", bend_radius=((1.0, 1.5),))
    assert only(audit(replace(PLAIN, material=hard), straight(100, 200, 500, 200, die))).short_by_mm == pytest.approx(1)


@pytest.mark.parametrize(
    ("alloy", "t", "least"),
    [
        ("5052-H32", 1.02, 12.7),
        ("5052-H32", 2.03, 19.05),
        ("5754-H111", 2.5, 25.4),
        ("6061-T6", 1.6, 12.7),
        ("6061-T6", 2.0, 25.4),
        ("1050A-H14", 1.0, 12.7),
        ("DC01", 2.0, 31.75),
        ("304", 1.5, 19.05),
        ("DX51D", 1.5, 12.7),
        ("DC01", 4.0, 31.75),
        ("2024-T3", 0.6, 12.7),
        ("Ti grade 2", 1.0, None),
    ],
)
def test_least_flared_hole(alloy, t, least):
    """One fabricator's published limits for flared holes; thickness between two rows takes the thicker one."""
    assert min_flared_diameter(replace(SOFT, name=alloy), t) == least


def test_flared_hole_too_small_for_the_sheet():
    small = Hole(HoleDie("F20", 10, 14, 20, 4), (300, 200))
    assert audit(PLAIN, small) == ()
    assert only(audit(PLAIN, small, gauge=2.0)).short_by_mm == pytest.approx(19.05 - 14)


def test_impossible_die_is_refused_by_the_audit_too():
    with pytest.raises(InputError, match="cannot be 9 mm deep"):
        audit(PLAIN, straight(100, 200, 500, 200, BeadDie("deep", "round", 16, 9)))


# ---------------------------------------------------------------------------------------------------- throat and curves


def test_throat_of_straight_beads():
    wide = replace(PLAIN, tools=replace(TOOLS, roller=Roller(throat=150)))
    assert rollability.preferred_frame_side(wide, straight(100, 100, 500, 100)) == "right"
    assert rollability.preferred_frame_side(wide, straight(500, 100, 100, 100)) == "left"
    assert rollability.preferred_frame_side(wide, straight(100, 300, 500, 300)) == "left"
    assert rollability.preferred_frame_side(wide, straight(100, 200, 500, 200)) is None
    assert only(audit(wide, straight(100, 200, 500, 200))).short_by_mm == pytest.approx(50)
    assert "throat takes 150 mm" in only(audit(wide, straight(100, 200, 500, 200))).what


def test_throat_counts_all_sheet_on_that_side():
    """An L: the line is near its own edge, but the leg reaches 300 mm beyond on that side."""
    ell = Panel("L", SOFT, (1.0,), ((0, 0), (200, 0), (200, 300), (500, 300), (500, 600), (0, 600)), TOOLS)
    short = replace(ell, tools=replace(TOOLS, roller=Roller(throat=250)))
    up_the_leg = straight(150, 50, 150, 250)
    assert rollability.sheet_extents(short, up_the_leg) == pytest.approx((150, 350))
    assert rollability.preferred_frame_side(short, up_the_leg) == "left"
    assert rollability.preferred_frame_side(short, straight(300, 330, 450, 330)) is None


@pytest.mark.parametrize("seed", range(5))
def test_reach_against_points_of_the_sheet(seed):
    """Brute force: every piece of a path, every one of many points of the sheet, signed distance from the line."""
    rng = np.random.default_rng(seed)
    sheet = Polygon(SHEET) if seed % 2 else Polygon([(0, 0), (600, 0), (600, 150), (250, 400), (0, 300)])
    panel = replace(PLAIN, outline=tuple(sheet.exterior.coords)[:-1])
    path = rng.uniform([50, 50], [300, 250], (4, 2))
    x0, y0, x1, y1 = sheet.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 121), np.linspace(y0, y1, 121)), axis=-1).reshape(-1, 2)
    grid = grid[shapely.intersects_xy(sheet.buffer(1e-9), grid[:, 0], grid[:, 1])]
    left = right = -math.inf
    for a, b in zip(path, path[1:], strict=False):
        ex, ey = (b - a) / np.linalg.norm(b - a)
        signed = ex * (grid[:, 1] - a[1]) - ey * (grid[:, 0] - a[0])
        left, right = max(left, signed.max()), max(right, -signed.min())
    found = rollability.sheet_extents(panel, Bead(B16, tuple(map(tuple, path))))
    assert found == pytest.approx((left, right), abs=5)  # grid of 5 mm
    assert found[0] >= left - 1e-6
    assert found[1] >= right - 1e-6


def frame(inset, radius, die=B16):
    ring = Polygon(SHEET).buffer(-inset - radius).buffer(radius, quad_segs=24).exterior
    return Bead(die, tuple(ring.coords))


def test_frame_is_rolled_from_outside():
    """Farthest sheet outside a frame: the panel's corner, sqrt(2) times (inset + radius) less the radius away."""
    outside = math.sqrt(2) * (60 + 65) - 65
    ring = frame(60, 65)
    assert ring.closed
    assert min(rollability.sheet_extents(PLAIN, ring)) == pytest.approx(outside, abs=0.1)
    for throat, side in [(outside + 0.2, True), (outside - 0.2, False)]:
        panel = replace(PLAIN, tools=replace(TOOLS, roller=Roller(throat=throat)))
        assert (rollability.preferred_frame_side(panel, ring) is not None) == side
        assert (audit(panel, ring) == ()) == side


@pytest.mark.parametrize("turn", [5, 10, 30, 90])
def test_sharp_corner_is_missed_by_the_versine(turn):
    """A fillet of 60 mm between two legs keeps 60 (1 - cos(turn/2)) from them at its middle."""
    a = math.radians(turn)
    bent = Bead(B16, ((50, 50), (250, 50), (250 + 200 * math.cos(a), 50 + 200 * math.sin(a))))
    miss = 60 * (1 - math.cos(a / 2))
    assert rollability.path_deviation(bent, 60) == pytest.approx(miss, abs=0.03)  # chords of the arcs
    assert len(audit(PLAIN, bent)) == (miss > rollability.MAX_PATH_DEVIATION)


@pytest.mark.parametrize("radius", [40, 50, 60, 80])
@pytest.mark.parametrize("chords", [8, 30])
def test_quarter_turn(radius, chords):
    """A quarter circle followed by one of 60 mm: the two arcs' middles lie (60 - R)(sqrt 2 - 1) apart."""
    angle = np.linspace(0, math.pi / 2, chords + 1)
    arc = np.column_stack([radius * np.sin(angle), radius * (1 - np.cos(angle))]) + [250, 100]
    path = [(100, 100), *map(tuple, arc), (250 + radius, 250 + radius)]
    sagitta = radius * (1 - math.cos(math.pi / 4 / chords))
    expected = max(0, 60 - radius) * (math.sqrt(2) - 1)
    assert rollability.path_deviation(Bead(B16, tuple(path)), 60) == pytest.approx(expected, abs=0.05 + 2 * sagitta)
    assert (audit(PLAIN, Bead(B16, tuple(path))) == ()) == (radius >= 60)


def test_ring_smaller_than_the_radius():
    ring = Bead(B16, tuple(Point(300, 200).buffer(40, quad_segs=24).exterior.coords))
    assert rollability.path_deviation(ring, 60) == pytest.approx(40, abs=0.1)
    assert "turns tighter" in only(audit(PLAIN, ring)).what


def test_path_that_crosses_itself():
    loop = Bead(B16, ((100, 200), (400, 200), (400, 300), (250, 300), (250, 100)))
    assert "the path crosses itself" in [violation.what for violation in audit(PLAIN, loop)]


# -------------------------------------------------------------------------------------- footprints and feasible regions


def test_footprints():
    assert clearance.bead_footprint(straight(100, 100, 400, 100)).area == pytest.approx(
        300 * 16 + math.pi * 64, rel=1e-3
    )
    assert clearance.hole_footprint(Hole(F60, (5, 5))).area == pytest.approx(math.pi * 900, rel=1e-3)
    hollow = clearance.bead_footprint(frame(60, 65))
    assert not hollow.contains(Point(300, 200))
    assert hollow.contains(Point(300, 60))


BUSY = replace(
    PLAIN,
    cutouts=(Cutout(tuple(Point(150, 120).buffer(40, quad_segs=32).exterior.coords)[:-1], (150, 120, 80)),),
    keep_outs=(KeepOut(((400, 250), (460, 250), (460, 300), (400, 300))),),
    folds=(Fold(((0, 30), (600, 30)), 90, 2.0),),
    supports=(
        Support("rivets", path=((20, 380), (580, 380)), pitch=40, diameter=4.0),
        Support("bolts", at=((500, 100), (560, 100)), diameter=6.0),
        Support("rest", path=((300, 30), (300, 120))),
    ),
)
PLACED_FEATURES = (straight(60, 320, 300, 320, B24), Hole(F30, (520, 200)))


@pytest.mark.parametrize("die", [B16, B24], ids=lambda die: die.name)
@pytest.mark.parametrize("gauge", [1.0, 1.5])
def test_bead_region_is_where_the_audit_finds_nothing(die, gauge):
    """Random lines inside and outside the region: `audit` agrees, except within 0.15 mm of the region's edge."""
    region = clearance.bead_feasible_region(BUSY, die, gauge, PLACED_FEATURES[:1], PLACED_FEATURES[1:])
    rng = np.random.default_rng(7)
    inside = outside = 0
    for x0, y0, x1, y1 in rng.uniform([0, 0, -120, -120], [600, 400, 120, 120], (300, 4)):
        bead = straight(x0, y0, x0 + x1, y0 + y1, die)
        line = LineString(bead.path)
        broken = [
            b
            for b in audit(BUSY, *PLACED_FEATURES, bead, gauge=gauge)
            if b.where.startswith("bead[2]") and " long" not in b.what
        ]
        broken += [b for b in audit(BUSY, bead, *PLACED_FEATURES, gauge=gauge) if "hole" in b.where]
        if region.covers(line):
            inside += 1
            assert not broken
        elif not region.buffer(0.15).covers(line):
            outside += 1
            assert broken
    assert inside > 20
    assert outside > 20


@pytest.mark.parametrize("die", [F60, F30], ids=lambda die: die.name)
def test_hole_region_is_where_the_audit_finds_nothing(die):
    region = clearance.hole_feasible_region(BUSY, die, 1.0, PLACED_FEATURES[:1], PLACED_FEATURES[1:])
    rng = np.random.default_rng(8)
    inside = outside = 0
    for at in rng.uniform([0, 0], [600, 400], (300, 2)):
        broken = [b for b in audit(BUSY, *PLACED_FEATURES, Hole(die, tuple(at))) if b.where.startswith("hole[2]")]
        if region.covers(Point(at)):
            inside += 1
            assert not broken
        elif region.distance(Point(at)) > 0.15:
            outside += 1
            assert broken
    assert inside > 20
    assert outside > 20


# ------------------------------------------------------------------------------------------------------------ supports


def test_rivets_too_near_the_edge_and_each_other():
    near = replace(PLAIN, supports=(Support("rivets", path=((5, 7), (595, 7)), pitch=10, diameter=4.0),))
    edge, pitch = layout_check.audit_supports(near)
    assert edge.short_by_mm == pytest.approx(8 - 5)
    assert edge.where == "support[1] rivets"
    assert pitch.short_by_mm == pytest.approx(12 - 10)
    good = replace(PLAIN, supports=(Support("rivets", path=((10, 10), (590, 10)), pitch=20, diameter=4.0),))
    assert layout_check.audit_supports(good) == ()


def test_bolts_near_a_cutout_or_off_the_sheet():
    hole = Cutout(((250, 200), (350, 200), (350, 260), (250, 260)))
    panel = replace(PLAIN, cutouts=(hole,), supports=(Support("bolts", at=((240, 230), (100, 100)), diameter=6.0),))
    assert only(layout_check.audit_supports(panel)).short_by_mm == pytest.approx(2)
    inside = unchecked(panel, supports=(Support("bolts", at=((300, 230),), diameter=6.0),))
    assert only(layout_check.audit_supports(inside)).short_by_mm == pytest.approx(12)


def test_supports_without_fasteners_have_no_pitch():
    bolts = unchecked(Support("bolts", at=((300, 200),), diameter=6.0), diameter=0.0)
    assert layout_check.audit_supports(replace(PLAIN, supports=(Support("edge"), bolts))) == ()


# ------------------------------------------------------------------------------------------------- open ends and steps

FREE = replace(PLAIN, supports=(Support("edge", path=((0, 0), (0, 400))),))


def open_bead(*path, ends=(False, True), die=B16):
    return Bead(die, path, open_ends=ends)


def test_open_end_on_a_free_edge():
    assert audit(FREE, open_bead((100, 200), (600, 200))) == ()
    assert audit(FREE, open_bead((100, 100), (400, 400))) == ()  # 45 degrees
    closed = only(audit(FREE, straight(100, 200, 600, 200)))
    assert "from edge of the sheet" in closed.what
    assert closed.short_by_mm == pytest.approx(8 + 12)


def test_open_end_on_a_held_or_trimmed_edge():
    """max(10, 6 t) and half the width from the end's middle to what is on that edge."""
    bead = open_bead((100, 200), (600, 200))
    found = only(audit(replace(PLAIN, supports=(Support("edge"),)), bead))
    assert found.what == "open stop on an edge that is not free: support 1 (edge)"
    assert found.short_by_mm == pytest.approx(18)
    trimmed = only(audit(replace(FREE, trims=(EdgeTrim(0.1),)), bead))
    assert "edge trim 1" in trimmed.what
    near = replace(FREE, trims=(EdgeTrim(0.1, ((600, 0), (600, 185))),))
    assert only(audit(near, bead)).short_by_mm == pytest.approx(3)
    assert audit(replace(near, trims=(EdgeTrim(0.1, ((600, 0), (600, 180))),)), bead) == ()
    riveted = replace(FREE, supports=(Support("rivets", path=((590, 10), (590, 390)), pitch=40, diameter=4.0),))
    assert "rivet row" in only(audit(riveted, bead)).what


def test_open_end_off_the_edge_or_along_it():
    assert "open stop is not on the edge" in audit(FREE, open_bead((100, 200), (595, 200)))[0].what
    flat = audit(FREE, open_bead((200, 385), (380, 400)))
    assert any("meets the edge at 5 degrees, at least 45" in violation.what for violation in flat)


def test_open_start_counts_too():
    panel = replace(PLAIN, supports=(Support("edge", path=((600, 0), (600, 400))),))
    assert audit(panel, open_bead((0, 200), (400, 200), ends=(True, False))) == ()
    both = audit(panel, open_bead((0, 200), (600, 200), ends=(True, True)))
    assert [b.what for b in both] == ["-8.0 mm from line of a support (edge), at least 6.0 mm"]


def test_open_ends_need_no_run_out():
    """Two run-outs of 12.5 mm and one width of 16 mm; less one run-out at each open end."""
    assert audit(FREE, open_bead((571, 200), (600, 200))) == ()
    assert only(audit(FREE, open_bead((573, 200), (600, 200)))).short_by_mm == pytest.approx(28.5 - 27)


S8 = BeadDie("S8", "step", 8, 4, nose_radius=2, shoulder_radius=2)


def test_step_belongs_along_an_edge():
    """Its foot at least max(6, 4 t) from the edge, and at most 40 mm: the axis 10 to 44 mm from it."""
    for y in (10, 25, 44):
        assert audit(PLAIN, straight(50, y, 550, y, S8)) == ()
    assert only(audit(PLAIN, straight(50, 8, 550, 8, S8))).short_by_mm == pytest.approx(2)
    assert only(audit(PLAIN, straight(50, 50, 550, 50, S8))).short_by_mm == pytest.approx(6)
    aslant = only(audit(PLAIN, straight(50, 20, 550, 90, S8)))
    assert "a step belongs along an edge" in aslant.what
    assert "a step belongs along an edge" in only(audit(PLAIN, straight(150, 200, 450, 200, S8))).what


def test_step_may_not_lift_a_leg_of_the_sheet():
    """An L: the line keeps 20 mm from the edge of one leg, but the other leg lies beyond it too."""
    ell = Panel("L", SOFT, (1.0,), ((0, 0), (200, 0), (200, 300), (500, 300), (500, 600), (0, 600)), TOOLS)
    assert audit(ell, straight(230, 320, 470, 320, S8)) == ()
    assert "a step belongs along an edge" in only(audit(ell, straight(100, 320, 470, 320, S8))).what


def test_step_round_the_sheet():
    """Corners of 62 mm, 12 mm in, keep (12 + 62) sqrt(2) - 62 - 4 = 38.7 mm from the corner of the sheet."""
    ring = Polygon(SHEET).buffer(-12 - 62).buffer(62, quad_segs=24).exterior
    assert audit(PLAIN, Bead(S8, tuple(ring.coords))) == ()


def test_shop_sets_how_far_a_step_may_be():
    own = replace(PLAIN, tools=replace(TOOLS, spacing={"step_reach": 60.0, "step_edge": 15.0}))
    assert audit(own, straight(50, 60, 550, 60, S8)) == ()
    assert only(audit(own, straight(50, 12, 550, 12, S8))).short_by_mm == pytest.approx(7)

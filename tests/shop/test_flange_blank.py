"""Blanks from finished sizes: developed lengths as the handbooks have them, notches, mitres, what is folded again."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon
from support.panels import SHEET, SHOP

from stiffen.errors import InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.mesh.fold_geometry import fold_nodes
from stiffen.model.panel import Panel
from stiffen.shop.bends import Bend, flanges, flat_pattern
from stiffen.shop.folding.flange_blank import EdgeFlange, flanged_blank, side_of
from stiffen.shop.folding.fold_check import audit_folds

BASE = ((0.0, 0.0), (340.0, 0.0), (340.0, 240.0), (0.0, 240.0))
T, K, R = 1.0, 0.447, 2.0
SIDES = [side_of(BASE, name)[0] for name in ("bottom", "right", "top", "left")]


def all_round(corner="open", angle=90.0, leg=30.0, radius=R):
    return [EdgeFlange(side, leg, angle, radius, corner) for side in SIDES]


def test_sides_have_names():
    assert SIDES == [0, 1, 2, 3]
    assert side_of(BASE, ((340.0, 240.0), (340.0, 0.0))) == (1, "")
    assert side_of(BASE, ((0, 0), (100, 0)))[0] is None
    notched = ((0, 0), (100, 0), (100, 20), (200, 20), (200, 0), (340, 0), (340, 240), (0, 240))
    assert side_of(notched, "bottom") == (None, '2 sides of the outline face "bottom" equally far out')
    assert side_of(((0, 0), (100, 40), (60, 100)), "left")[0] is None


@pytest.mark.parametrize("radius", [0.5, 2.0, 30.0])
def test_a_channel_has_the_developed_width_of_the_flat_pattern(radius):
    """Outside sizes 60, 240, 50 with two bends, as `flat_pattern` (AC 43.13-1B par. 4-56) has them."""
    blank = flanged_blank(BASE, [EdgeFlange(0, 60.0, 90.0, radius), EdgeFlange(2, 50.0, 90.0, radius)], T, K)
    flat = flat_pattern([60.0, 240.0, 50.0], [Bend(90, radius)] * 2, T, K)
    y = np.array(blank.outline)[:, 1]
    assert np.ptp(y) == pytest.approx(flat.length, abs=1e-4)
    lines = [fold.line[0][1] - y.min() for fold in blank.folds]
    assert lines == pytest.approx(flat.bend_lines, abs=1e-4)


def test_the_legs_come_out_as_asked():
    """What the bench computes of the blank's flanges is what the file asked for."""
    blank = flanged_blank(BASE, all_round(), T, K)
    panel = Panel("tray", SHEET, (T,), blank.outline, SHOP, folds=blank.folds)
    assert [one.outside for one in flanges(panel, T)] == pytest.approx([30.0] * 4, abs=1e-3)
    assert len(blank.notches) == 4


@pytest.mark.parametrize("angle", [90.0, 45.0, 120.0])
def test_mitred_walls_meet_at_the_corner(angle):
    """Folded again with round bends, the ends of two mitred walls stand within a thickness or two of each other.

    Their tops do so all the way up: the mitre leans as the walls do.
    """
    radius = 6.0
    gaps = {}
    for corner in ("open", "mitre"):
        blank = flanged_blank(BASE, all_round(corner, angle, 40.0, radius), T, K)
        panel = Panel("tray", SHEET, (T,), blank.outline, SHOP, folds=blank.folds)
        points = np.array(panel.outline)
        folded = fold_nodes(panel, T, points)
        top = np.flatnonzero(folded[:, 2] > folded[:, 2].max() - 1e-3)
        bottom, right = (folded[top[points[top] @ way > least]] for way, least in (((0, -1), 10), ((1, 0), 350)))
        gaps[corner] = float(np.linalg.norm(bottom[:, None] - right, axis=2).min())
    assert gaps["mitre"] < 3 * T
    assert gaps["mitre"] < gaps["open"]


def test_an_open_corner_leaves_each_bend_clear():
    """No wall reaches into its neighbour's bend: it ends 0.5 mm before the inner tangent line, R + t from the edge."""
    blank = flanged_blank(BASE, all_round(), T, K)
    x = np.array(blank.outline)
    low = x[x[:, 1] < -10]
    assert low[:, 0].min() == pytest.approx(R + T + 0.5, abs=1e-4)
    assert low[:, 0].max() == pytest.approx(340 - R - T - 0.5, abs=1e-4)
    assert Polygon(blank.outline).is_valid


def test_a_single_flange_is_as_long_as_its_side():
    blank = flanged_blank(BASE, [EdgeFlange(0, 25.0, -90.0, R)], T, K)
    assert Polygon(blank.outline).area == pytest.approx(
        340 * (240 + 25 + math.pi / 2 * (R + K * T) - 2 * (R + T)), rel=1e-6
    )
    assert len(blank.outline) in (4, 6) and blank.notches == ()


def test_flanges_at_an_inner_corner_are_refused():
    """Of an L the two sides of its inner corner: their strips would be the same sheet."""
    ell = ((0.0, 0.0), (340.0, 0.0), (340.0, 100.0), (120.0, 100.0), (120.0, 240.0), (0.0, 240.0))
    both = [EdgeFlange(side, 25.0, 90.0, R) for side in (2, 3)]
    with pytest.raises(InputError, match="flange 2: meets flange 1 in the flat"):
        flanged_blank(ell, both, T, K)
    one = flanged_blank(ell, both[:1], T, K)
    assert Polygon(one.outline).area > Polygon(ell).area
    slot = ((0.0, 0.0), (340.0, 0.0), (340.0, 240.0), (200.0, 240.0), (200.0, 100.0), (180.0, 100.0), (180.0, 240.0),
            (0.0, 240.0))  # fmt: skip
    with pytest.raises(InputError, match="flange 1: lies on the base in the flat"):
        flanged_blank(slot, [EdgeFlange(3, 60.0, 90.0, R)], T, K)


def test_a_leg_without_flat_is_refused():
    with pytest.raises(InputError, match="flange 1: leg 2.5 mm leaves no flat beside its bend .more than 3.0 mm"):
        flanged_blank(BASE, [replace(all_round()[0], leg=2.5)], T, K)


def test_a_flange_that_ends_within_an_edge_has_slots_beside_it():
    """A tab on a longer edge: fabricators' guides have a slot of depth R + t + 0.5 beside it (common practice)."""
    ring = ((0.0, 0.0), (100.0, 0.0), (240.0, 0.0), (340.0, 0.0), (340.0, 240.0), (0.0, 240.0))
    blank = flanged_blank(ring, [EdgeFlange(1, 25.0, 90.0, R)], T, K)
    area = 340 * 240 + 140 * (25 + math.pi / 2 * (R + K * T) - 2 * (R + T)) - 2 * 1.5 * (R + T + 0.5)
    assert Polygon(blank.outline).area == pytest.approx(area, rel=1e-6)
    (fold,) = blank.folds
    assert sorted((fold.line[0][0], fold.line[1][0])) == pytest.approx([100.0, 240.0])
    Panel("tab", SHEET, (T,), blank.outline, SHOP, folds=blank.folds)


FILE = """
[panel]
name = "load tub"
material = "5754-H111"
gauges = [1.0]
outline = [[0, 0], [340, 0], [340, 240], [0, 240]]
tools = "starter"
[[support]]
kind = "edge"
path = [[20, 20], [320, 20]]
[[support]]
kind = "edge"
path = [[20, 220], [320, 220]]
[[load]]
case = "tools"
kind = "pressure"
value = 1e-4
[[demand]]
kind = "deflection"
case = "tools"
limit = 5.0
""" + "".join(
    f'[[flange]]\nedge = {edge}\nleg = 30\nradius = 2\ncorner = "mitre"\n'
    for edge in ('"bottom"', "[[340, 0], [340, 240]]", '"top"', '"left"')
)


def test_a_file_gives_the_finished_part():
    panel = panel_from_dict(tomllib.loads(FILE), ".")
    assert panel.finished == BASE
    assert [one.outside for one in flanges(panel, T)] == pytest.approx([30.0] * 4, abs=1e-3)
    deduction = 2 * (R + T) - math.pi / 2 * (R + K * T)
    x0, y0, x1, y1 = panel.region.bounds
    assert (x1 - x0, y1 - y0) == pytest.approx((340 + 2 * (30 - deduction), 240 + 2 * (30 - deduction)), abs=1e-3)
    assert [one for one in audit_folds(panel, T) if "fingers" not in one.what] == []


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"edge": "front"}, r'flange\[1\].edge: is "front"'),
        ({"edge": [[0, 0], [10, 0]]}, r"flange\[1\].edge: these are not the two ends of a side of the outline"),
        ({"edge": "top"}, r"flange\[3\].edge: is the side of flange\[1\] too"),
        ({"leg": 2.0}, r"flange\[1\].leg: 2 mm leaves no flat beside its bend .more than 3.0 mm"),
        ({"corner": "welded"}, r'flange\[1\].corner: is "welded"'),
        ({"angle": 0}, r"flange\[1\].angle: is 0"),
    ],
)
def test_faulty_flanges_are_told(change, message):
    data = tomllib.loads(FILE)
    data["flange"][0].update(change)
    with pytest.raises(InputError, match=message):
        panel_from_dict(data, ".")

"""Corner notches where folds cross, by geometry, and the tray that is read from a rectangular blank."""

import math
import tomllib

import numpy as np
import pytest
from shapely.geometry import Polygon

from stiffen.errors import InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Fold
from stiffen.shop.bends import bend_allowance
from stiffen.shop.folding.fold_check import audit_folds
from stiffen.shop.folding.notches import NOTCH_CLEARANCE, cut_corners

RING = ((0.0, 0.0), (400.0, 0.0), (400.0, 300.0), (0.0, 300.0))
T, K = 1.0, 0.447


def fold(line, angle=90.0, radius=2.0):
    return Fold(line, angle, radius)


BOTTOM, LEFT = fold(((0.0, 30.0), (400.0, 30.0))), fold(((40.0, 0.0), (40.0, 300.0)))


def test_a_notch_reaches_past_both_inner_tangent_lines():
    """30 x 40 beyond the lines, half an allowance and 0.5 mm more, and three quarters of a round relief at its corner.

    The relief's diameter is at least twice the radius, and 1/8 inch (FAA-H-8083-31).
    """
    blank = cut_corners(RING, (BOTTOM, LEFT), T, K)
    more = bend_allowance(90, 2.0, T) / 2 + NOTCH_CLEARANCE
    (notch,) = blank.notches
    assert notch.area == pytest.approx((40 + more) * (30 + more) + 0.75 * math.pi * (1.3 * more) ** 2, rel=0.001)
    assert 2 * 1.3 * more > max(2 * 2.0, 25.4 / 8)
    assert Polygon(blank.outline).area == pytest.approx(400 * 300 - notch.area)
    (x0, y0), (x1, y1) = blank.folds[0].line
    assert (y0, x1, y1) == (30.0, 400.0, 30.0)
    assert x0 == pytest.approx(40 + more + more * math.sqrt(1.3**2 - 1), abs=0.1)  # where the relief ends the line
    assert blank.folds[1].line[0][1] >= 30 + more - 1e-9


def test_folds_that_do_not_cross_leave_the_blank():
    apart = (BOTTOM, fold(((0.0, 270.0), (400.0, 270.0))))
    assert cut_corners(RING, apart, T, K).outline == RING
    assert cut_corners(RING, apart, T, K).folds == apart


def test_folds_at_an_angle():
    """A mitred corner of 60 degrees: the notch is the wedge beyond both tangent lines."""
    slanted = fold(((60.0, 0.0), (60.0 - 300 * math.tan(math.radians(10)), 300.0)))
    blank = cut_corners(RING, (BOTTOM, slanted), T, K)
    more = bend_allowance(90, 2.0, T) / 2 + NOTCH_CLEARANCE
    ends = np.array([one.line[0] for one in blank.folds])
    assert Polygon(blank.outline).is_valid
    assert ends[0, 0] > 60 - 30 * math.tan(math.radians(10)) + more - 1e-9


TRAY = """
[panel]
name = "battery tray"
material = "5754-H111"
gauges = [1.0]
outline = [[0, 0], [400, 0], [400, 300], [0, 300]]
tools = "starter"
[[support]]
kind = "edge"
path = [[60, 60], [340, 60], [340, 240], [60, 240], [60, 60]]
[[load]]
case = "battery"
kind = "pressure"
value = 1e-4
[[demand]]
kind = "deflection"
case = "battery"
limit = 1.0
""" + "".join(
    f"[[fold]]\nline = {line}\nangle = 90\nradius = {{radius}}\n"
    for line in ("[[0, 30], [400, 30]]", "[[370, 0], [370, 300]]", "[[0, 270], [400, 270]]", "[[30, 0], [30, 300]]")
)


@pytest.mark.parametrize("radius", [2.0, 8.0])
def test_a_tray_is_read_from_a_rectangle_with_four_fold_lines(radius):
    """All four walls stand, of the outside height that the bends give; nothing is left to drill where folds meet."""
    panel = panel_from_dict(tomllib.loads(TRAY.format(radius=radius)), ".")
    assert len(panel.outline) > 12
    assert not [one for one in audit_folds(panel, T) if "meet" in one.what]
    mesh = mesh_panel(panel, Layout(T), mesh_level="quick")
    wide, deep, high = np.ptp(mesh.nodes, axis=0)
    a = bend_allowance(90, radius, T)
    if radius > 5:
        assert (wide, deep) == pytest.approx((340 - a + 2 * (radius + 0.5), 240 - a + 2 * (radius + 0.5)))
        assert high == pytest.approx(30 - a / 2 + radius + 0.5)
    else:
        assert (wide, deep, high) == pytest.approx((340, 240, 30))
    lines = {tuple(np.round(one.line, 3).ravel()) for one in panel.folds}
    assert len(lines) == 4 and panel.folds[0].line[0][1] in (30.0, 270.0)


def test_folds_that_cross_away_from_a_corner_are_refused():
    data = tomllib.loads(TRAY.format(radius=2.0))
    data["fold"][1]["line"] = [[200, 0], [200, 300]]
    with pytest.raises(InputError, match=r"fold\[2\].line: crosses another fold on the sheet, and 50%"):
        panel_from_dict(data, ".")
    data["fold"][1]["line"] = [[0, 20], [400, 45]]
    with pytest.raises(InputError, match=r"at 4 degrees, too flat for a notch"):
        panel_from_dict(data, ".")


def test_notches_that_leave_nothing_of_a_line_are_told():
    """Bends of R 30 to turn by 120 degrees on a narrow sheet: the reliefs at both ends meet."""
    data = tomllib.loads(TRAY.format(radius=30.0))
    data["panel"]["outline"] = [[0, 0], [160, 0], [160, 300], [0, 300]]
    data["support"][0]["path"] = [[80, 100], [80, 200]]
    lines = ([[0, 45], [160, 45]], [[45, 0], [45, 300]], [[115, 0], [115, 300]])
    data["fold"] = [{"line": line, "angle": 120, "radius": 30} for line in lines]
    with pytest.raises(InputError, match=r"fold\[1\].line: the notches at its ends leave nothing of its line"):
        panel_from_dict(data, ".")


def test_rounded_corners_leave_no_sliver():
    """The notch takes in the rounded corner: the edge beside it stays straight and the sheet can be meshed."""
    data = tomllib.loads(TRAY.format(radius=2.0))
    data["panel"]["corner_radius"] = 9.0
    panel = panel_from_dict(data, ".")
    assert mesh_panel(panel, Layout(T), mesh_level="quick").min_quality > 0.15
    sharp = panel_from_dict(tomllib.loads(TRAY.format(radius=2.0)), ".")
    assert panel.region.area == pytest.approx(sharp.region.area, rel=1e-6)

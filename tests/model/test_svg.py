"""The small pictures of layouts and panels in notebooks: well-formed, to scale, and right about the faces."""

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest
from support.panels import HOLED, SIX, lid

from stiffen.model.layout import Layout
from stiffen.model.panel import Cutout
from stiffen.model.svg import FACE_COLOURS

SVG = "{http://www.w3.org/2000/svg}"


def drawn(text):
    root = ElementTree.fromstring(text)
    assert root.tag == f"{SVG}svg"
    return root


@pytest.mark.parametrize("name", SIX)
def test_each_bead_is_a_band_of_its_width(name):
    layout = SIX[name]
    root = drawn(layout._repr_svg_())
    bands = [path for path in root.iter(f"{SVG}path") if path.get("stroke-opacity")]
    assert [float(band.get("stroke-width")) for band in bands] == [bead.die.width for bead in layout.beads]
    assert root.find(f"{SVG}text").text == f"1 mm sheet, beads {len(layout.beads)}, flared holes 0"


def test_holes_have_flare_and_opening():
    circles = list(drawn(HOLED._repr_svg_()).iter(f"{SVG}circle"))
    assert [2 * float(one.get("r")) for one in circles] == [50, 40, 63, 51]
    assert [(float(one.get("cx")), float(one.get("cy"))) for one in circles[::2]] == [hole.at for hole in HOLED.holes]


@pytest.mark.parametrize("side", ["up", "down"])
def test_faces_have_their_colour_and_the_down_face_is_dashed(side):
    bead = replace(SIX["one B16 along"].beads[0], side=side)
    hole = replace(HOLED.holes[0], side=side)
    root = drawn(Layout(1.0, (bead,), (hole,))._repr_svg_())
    axis, rim = list(root.iter(f"{SVG}path"))[1], next(root.iter(f"{SVG}circle"))
    assert (axis.get("stroke"), rim.get("stroke")) == (FACE_COLOURS[side],) * 2
    assert [bool(one.get("stroke-dasharray")) for one in (axis, rim)] == [side == "down"] * 2


def test_everything_lies_in_the_picture_and_keeps_its_proportions():
    root = drawn(lid().svg(HOLED))
    x, y, w, h = map(float, root.get("viewBox").split())
    assert (x <= 0, x + w >= 500, -y >= 400, -(y + h) <= 0) == (True,) * 4
    assert float(root.get("width")) / float(root.get("height")) == pytest.approx(w / h, rel=0.01)
    assert max(float(root.get("width")), float(root.get("height"))) <= 480


def test_a_panel_shows_outline_and_cut_outs():
    panel = lid(cutouts=(Cutout(((100.0, 100.0), (140.0, 100.0), (120.0, 140.0))),))
    sheet = next(drawn(panel._repr_svg_()).iter(f"{SVG}path"))
    assert sheet.get("fill-rule") == "evenodd"
    assert sheet.get("d").count("Z") == 2


def test_names_cannot_break_the_picture():
    panel = lid(name="<script> & co")
    assert drawn(panel.svg()).find(f"{SVG}text").text.startswith("<script> & co: 1 mm sheet")


def test_a_layout_of_nothing_is_a_picture_too():
    assert drawn(Layout(1.5)._repr_svg_()).find(f"{SVG}text").text == "1.5 mm sheet, beads 0, flared holes 0"

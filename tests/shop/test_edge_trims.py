"""Edge trims at the bench: length to cut, slit, corners, curves; a part of the outline named by its two ends."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from support.panels import lid

from stiffen.errors import InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.model.panel import EdgeTrim
from stiffen.model.sheet_geometry import SheetGeometry
from stiffen.shop.folding.edge_trims import trim_cut

ARCH = tuple((150 + 150 * math.cos(a), 200 + 150 * math.sin(a)) for a in [math.pi * k / 60 for k in range(61)])
RING = ((0.0, 0.0), (300.0, 0.0), *ARCH)


def test_a_part_of_the_outline_follows_its_curve():
    """From one foot of an arch to the other: pi R, but for its chords."""
    sheet = SheetGeometry(RING)
    path = sheet.outline_path((300.0, 200.0), (0.0, 200.0))
    cut = trim_cut(lid(outline=RING, supports=()), EdgeTrim(0.3, path, 0.0, "", 20.0), 1.0)
    assert cut.length == pytest.approx(math.pi * 150, rel=1e-3)
    assert "slit the tube along its whole length, 1.2 mm wide" in cut.notes[0]
    assert "bend it before it is slit, to radius 150 mm" in cut.notes[-1]
    rest = sheet.outline_path((0.0, 200.0), (300.0, 200.0))
    assert np.array(rest) == pytest.approx(np.array([(0.0, 200.0), (0.0, 0.0), (300.0, 0.0), (300.0, 200.0)]))
    assert sheet.outline_path((10.0, 0.0), (10.0, 0.0)) is None


def test_a_trim_all_round_is_mitred_at_its_corners():
    cut = trim_cut(lid(), EdgeTrim(0.1), 1.0)
    assert cut.length == pytest.approx(2 * (500 + 400))
    assert cut.notes == ("mitre it at 4 corners, 0, 500, 900, 1400 mm from its beginning.",)


def test_a_tube_round_a_tight_curve_kinks():
    quarter = tuple((30 * math.cos(math.pi / 2 * k / 20), 30 * math.sin(math.pi / 2 * k / 20)) for k in range(21))
    tight = trim_cut(lid(), EdgeTrim(0.3, quarter, 0.0, "", 20.0), 1.0)
    assert "radius 30 mm at the tightest; so tight it kinks by hand" in tight.notes[-1]


FILE = """
[panel]
name = "cheek"
material = "5754-H111"
gauges = [1.0]
outline = [[0, 0], [400, 0], [400, 300], [0, 300]]
tools = "starter"
[[support]]
kind = "edge"
path = [[0, 0], [400, 0]]
[[load]]
case = "wind"
kind = "pressure"
value = 1e-4
[[demand]]
kind = "deflection"
case = "wind"
limit = 1.0
[[trim]]
along = "outline"
from = [400, 0]
to = [0, 300]
kg_per_metre = 0.3
tube = 20
"""


def test_a_file_names_where_a_trim_begins_and_ends():
    panel = panel_from_dict(tomllib.loads(FILE), ".")
    assert panel.trims == (EdgeTrim(0.3, ((400, 0), (400, 300), (0, 300)), 0.0, "", 20.0),)
    assert replace(panel, trims=panel.trims) == panel


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"from": [200, 150]}, r"trim\[1\].from: \(200, 150\) is 150.0 mm off the outline"),
        ({"to": [400, 0]}, r"trim\[1\].to: is the same point as from"),
        ({"to": None}, r"trim\[1\].to: is missing beside from"),
        ({"along": None, "path": [[0, 0], [10, 0]]}, r"trim\[1\].from: has no meaning beside path"),
    ],
)
def test_faulty_ends_are_told(change, message):
    data = tomllib.loads(FILE)
    trim = {**data["trim"][0], **change}
    data["trim"] = [{key: value for key, value in trim.items() if value is not None}]
    with pytest.raises(InputError, match=message):
        panel_from_dict(data, ".")

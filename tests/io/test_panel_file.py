"""Panel, tools and layout files: values read, the message of every fault, files read back as they were written.

The second line of each file in bad_input/ lists the places of its faults.
"""

import copy
import json
import math
import os
import random
import tomllib
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import Point

from stiffen.errors import InputError
from stiffen.io.files import MAX_TOML_BYTES
from stiffen.io.panel_file import (
    layout_document,
    panel_from_dict,
    read_layout,
    read_panel,
    read_tools,
    starter_tools,
    tools_from_dict,
    write_json,
)
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Combination, Demand, EdgeTrim, Fold, KeepOut, Load, PointMass
from stiffen.shop.bead_section import profile_points
from stiffen.shop.spacing_rules import SPACING_RULES

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "examples"
FAULTY_FILES = sorted((HERE / "bad_input").glob("*.toml"))
FAULTY_FILES = [
    path for path in FAULTY_FILES if b"\n# faults at: " in path.read_bytes()[:2000]
]  # the rest: test_bad_input.py
VALID_FILES = sorted(EXAMPLES.glob("*.toml"))

# every key of the format once
EVERY_KEY = """
[panel]
name = "side cheek"
gauges = [1.0, 0.8]
outline = [[0, 0], [0, 250], [200, 250], [200, 300], [400, 300], [400, 0]]
corner_radius = 10
bead_side = "either"
tools = "starter"
waviness = 0.4
[material]
name = "sheet from the barn"
E = 70000
nu = 0.33
rho = 2.7e-6
yield = 100
tensile = 200
elongation = 0.12
bend_radius = [[1.5, 1.0], [3.0, 2]]
[[cutout]]
circle = {centre = [60, 60], diameter = 30}
[[cutout]]
polygon = [[300, 100], [340, 100], [340, 140], [300, 140], [300, 100]]
[[fold]]
line = [[0, 20], [400, 20]]
angle = -90
radius = 2.0
[[mass]]
at = [200, 150]
kg = 0.4
what = "lamp"
[[trim]]
along = "outline"
kg_per_metre = 0.08
stiffness = 1e6
what = "rubber edging"
[[trim]]
path = [[10, 60], [10, 200]]
kg_per_metre = 0.2
[[support]]
kind = "rivets"
along = "outline"
pitch = 40
diameter = 4.0
stiffness = 100
[[support]]
kind = "edge"
path = [[30, 240], [170, 240]]
in_plane = {slip = 0.1}
hold = "clamped"
[[support]]
kind = "bolts"
at = [[15, 150], [385, 150]]
diameter = 6.0
in_plane = "held"
[[support]]
kind = "rest"
along = "outline"
[[load]]
case = "wind"
kind = "pressure"
value = 0.0005
polygon = [[10, 10], [100, 10], [100, 100]]
[[load]]
case = "knee"
kind = "patch"
value = 150
at = "worst"
size = [60, 50]
[[load]]
case = "knee"
kind = "patch"
value = -150
at = [200, 100]
size = [60, 60]
[[load]]
case = "strap"
kind = "line"
value = 0.5
path = [[50, 150], [250, 150]]
direction = [0, 3, 4]
[[load]]
case = "bump"
kind = "inertia"
g = [0, 0, -3]
[[combination]]
case = "wind and knee"
of = {wind = 1.0, knee = 1.2}
[[demand]]
kind = "deflection"
case = "wind and knee"
limit = 1.5
[[demand]]
kind = "softness"
force = 10
limit = 0.6
[[demand]]
kind = "frequency"
limit = 35
[[demand]]
kind = "buckling"
case = "wind"
limit = 1.5
[[demand]]
kind = "stress"
case = "knee"
limit = 1.2
[[keep_out]]
polygon = [[300, 40], [350, 40], [350, 80], [300, 80]]
against = ["bead"]
why = "cable clip"
[[bead]]
die = "B16"
path = [[60, 150], [240, 150]]
side = "down"
fixed = true
[[hole]]
die = "L50"
at = [150, 200]
"""


@pytest.fixture
def data():
    return tomllib.loads(EVERY_KEY)


@pytest.fixture
def panel(data):
    return panel_from_dict(data, HERE)


def fault_places(error):
    return [fault.where for fault in error.value.faults]


# --- what is read ----------------------------------------------------------------------------------------------


def test_head(panel):
    assert panel.name == "side cheek"
    assert panel.gauges == (0.8, 1.0)
    assert panel.bead_side == "either"
    assert panel.waviness == 0.4
    assert panel.material.name == "sheet from the barn"
    assert panel.material.yield_strength == 100
    assert panel.material.least_bend_radius(2.0) == 4.0
    # outline given clockwise: five outer corners, one inner, each worth (1 - pi/4) r^2
    exact = 400 * 250 + 200 * 50 - 4 * (1 - math.pi / 4) * 100
    holes = math.pi / 4 * 30**2 + 40 * 40
    assert panel.region.area == pytest.approx(exact - holes, abs=4)
    assert panel.region.exterior.is_ccw


def test_cutouts(panel):
    circle, square = panel.cutouts
    assert circle.circle == (60, 60, 30)
    assert square.circle is None
    assert square.ring == ((300, 100), (340, 100), (340, 140), (300, 140))


def test_supports(panel):
    rivets, edge, bolts, rest = panel.supports
    assert (rivets.kind, rivets.hold, rivets.in_plane, rivets.slip) == ("rivets", "pinned", "unknown", None)
    assert (rivets.pitch, rivets.diameter, rivets.stiffness) == (40, 4, 100)
    assert rivets.path[0] == rivets.path[-1]
    sheet = panel.region.exterior
    row = rivets.fasteners()
    assert len(row) == len(set(row)) > 20
    for place in row:  # 2.5 diameters in, and at a corner a little more
        assert 10 - 0.02 <= sheet.distance(Point(place)) <= 14.2
    assert (edge.hold, edge.in_plane, edge.slip) == ("clamped", "held", 0.1)
    assert (bolts.in_plane, bolts.at) == ("held", ((15, 150), (385, 150)))
    assert bolts.fasteners() == bolts.at
    assert (rest.in_plane, rest.path) == ("free", None)


def test_loads(panel):
    wind, worst, knee, strap, bump = panel.loads
    assert wind == Load("wind", "pressure", 0.0005, polygon=((10, 10), (100, 10), (100, 100)))
    assert worst == Load("knee", "patch", 150, size=(60, 50))
    assert knee == Load("knee", "patch", -150, at=(200, 100), size=(60, 60))
    assert strap.direction == pytest.approx((0, 0.6, 0.8))
    assert bump.g == (0, 0, -3)
    assert panel.combinations == (Combination("wind and knee", (("wind", 1.0), ("knee", 1.2))),)
    assert panel.cases == ("wind", "knee", "strap", "bump", "wind and knee")


def test_the_rest(panel):
    assert panel.demands[1] == Demand("softness", 0.6, force=10)
    assert [demand.kind for demand in panel.demands] == ["deflection", "softness", "frequency", "buckling", "stress"]
    assert panel.folds == (Fold(((0, 20), (400, 20)), -90, 2),)
    assert panel.masses == (PointMass((200, 150), 0.4, "lamp"),)
    assert panel.trims == (EdgeTrim(0.08, None, 1e6, "rubber edging"), EdgeTrim(0.2, ((10, 60), (10, 200))))
    assert panel.keep_outs == (KeepOut(((300, 40), (350, 40), (350, 80), (300, 80)), ("bead",), "cable clip"),)
    assert panel.beads == (Bead(panel.tools.bead_die("B16"), ((60, 150), (240, 150)), "down", True),)
    assert panel.holes == (Hole(panel.tools.hole_die("L50"), (150, 200), "up", False),)


def test_side_follows_bead_side(data):
    data["panel"]["bead_side"] = "down"
    assert panel_from_dict(data, HERE).holes[0].side == "down"


def test_reading_leaves_the_data_alone(data):
    before = copy.deepcopy(data)
    panel = panel_from_dict(data, HERE)
    assert data == before
    panel.source["panel"]["name"] = "changed"
    panel.source["load"][0]["case"] = "changed"
    assert data == before


def test_few_demands_and_supports_are_no_fault(data):
    for key in ("demand", "support", "combination"):
        del data[key]
    panel = panel_from_dict(data, HERE)
    assert panel.demands == panel.supports == ()


@pytest.mark.parametrize("path", VALID_FILES, ids=lambda path: path.stem)
def test_examples_read_cleanly(path):
    panel = read_panel(path)
    assert panel.supports and panel.demands and (panel.loads or not any(demand.case for demand in panel.demands))
    assert panel.region.is_valid


def test_floor_pan_takes_its_outline_from_the_drawing():
    panel = read_panel(EXAMPLES / "floor_pan.toml")
    assert panel.region.bounds == pytest.approx((0, 0, 560, 380))
    assert sorted(cutout.circle for cutout in panel.cutouts) == [(60, 60, 20), (500, 60, 20)]
    assert all(len(row.fasteners()) == 13 for row in panel.supports)


def test_starter_panel_reads_cleanly_with_every_comment_taken_in(tmp_path):
    text = resources.files("stiffen").joinpath("data/starter_panel.toml").read_text(encoding="utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    assert read_panel(path).demands
    alternatives = ('material = "5754', "# outline_dxf", "# polygon = [[x", "# ---", "# Units", "# A panel", "# Text")
    alternatives += ("# [dxf_layers]", "# BEND_UP")  # they go with outline_dxf
    lines = [line for line in text.splitlines() if not line.startswith(alternatives)]
    taken_in = [line.removeprefix("# ") for line in lines]
    taken_in = [line for line in taken_in if "=" in line or line.startswith("[")]
    taken_in = [line for line in taken_in if not line.startswith(("hold:", "in_plane:", "Loads"))]
    path.write_text("\n".join(taken_in), encoding="utf-8")
    panel = read_panel(path)
    assert panel.material.name == "sheet from the barn"
    assert len(panel.folds) == 2  # one of them that of the flange
    for records in (panel.masses, panel.trims, panel.combinations, panel.beads, panel.holes):
        assert len(records) == 1
    assert {demand.kind for demand in panel.demands} == {"deflection", "softness", "frequency", "buckling", "stress"}


def test_byte_order_mark_and_windows_lines(tmp_path):
    path = tmp_path / "panel.toml"
    path.write_bytes(b"\xef\xbb\xbf" + EVERY_KEY.replace("\n", "\r\n").encode())
    assert read_panel(path) == panel_from_dict(tomllib.loads(EVERY_KEY), HERE)


# --- source and layouts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", VALID_FILES, ids=lambda path: path.stem)
def test_source_needs_nothing_else(path, tmp_path):
    panel = read_panel(path)
    again = panel_from_dict(json.loads(json.dumps(panel.source, allow_nan=False)), tmp_path)
    assert again == panel
    assert again.source == panel.source
    assert "outline_dxf" not in panel.source["panel"]
    assert isinstance(panel.source["panel"]["tools"], dict)


def test_layout_round_trip(panel, tmp_path):
    beads = (*panel.beads, Bead(panel.tools.bead_die("V12"), ((60, 90), (250, 90), (250, 120), (60, 90)), "up"))
    layout = Layout(1.2, beads, panel.holes)
    document = layout_document(panel, layout, {"status": "met", "mass_kg": 0.4})
    before = copy.deepcopy(document)
    write_json(tmp_path / "layout.json", document)
    assert document == before
    assert list(document)[:3] == ["format", "version", "panel"]
    assert read_layout(tmp_path / "layout.json") == (panel, layout)
    assert read_layout(tmp_path / "layout.json")[0].source == panel.source


@pytest.fixture
def layout_data(panel):
    return json.loads(json.dumps(layout_document(panel, panel.layout(), None)))


@pytest.mark.parametrize(
    ("edit", "where"),
    [
        (lambda d: d.update(gauge=0.02), ["gauge"]),
        (lambda d: d.pop("gauge"), ["gauge"]),
        (lambda d: d["beads"][0].update(die="B18"), ["beads[1].die"]),
        (lambda d: d["beads"][0].update(path=[[60, 150], [640, 150]]), ["beads[1].path"]),
        (lambda d: d["beads"].append({"die": "B16"}), ["beads[2].path"]),
        (lambda d: d["holes"][0].update(side="left", at=[900, 0]), ["holes[1].at", "holes[1].side"]),
        (lambda d: d.update(beds=[]), ["beds"]),
        (lambda d: d.update(beads=3), ["beads"]),
        (lambda d: d.pop("panel"), ["panel"]),
        (lambda d: d["panel"]["panel"].pop("gauges"), ["panel.panel.gauges"]),
        (lambda d: d["panel"]["load"][1].update(at=[900, 0]), ["panel.load[2].at"]),
        (lambda d: d["panel"]["panel"]["tools"]["bead_die"][0].pop("name"), ["panel.panel.tools.bead_die[1].name"]),
    ],
)
def test_edited_layouts_are_checked_like_panels(layout_data, tmp_path, edit, where):
    edit(layout_data)
    path = tmp_path / "layout.json"
    path.write_text(json.dumps(layout_data))
    with pytest.raises(InputError) as error:
        read_layout(path)
    assert fault_places(error) == where


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[]", "holds no JSON object"),
        ("{", "is not JSON: line 1, column 2"),
        ('{"format": "svg"}', "is not a stiffen layout"),
        ('{"format": "stiffen layout", "version": 2}', "has version 2, known is 1"),
        ("[" * 100_000, "is nested too deep"),
        ('{"format": "stiffen layout", "version": 1, "panel": {}, "gauge": NaN}', "gauge: is nan, not a finite number"),
        ('{"a": ' + "9" * 5000 + "}", "holds a number that is far too long"),
    ],
)
def test_files_that_are_no_layout(tmp_path, text, message):
    path = tmp_path / "layout.json"
    path.write_text(text)
    with pytest.raises(InputError, match=message):
        read_layout(path)


# --- faults ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", ["loose", "hel", 0.1])
def test_in_plane_lists_its_values_with_the_clearance_among_them(data, value):
    data["support"][0]["in_plane"] = value
    with pytest.raises(InputError, match=r"in_plane: is .*held, free, unknown, build, \{slip = 0.1\} \(clearance, mm"):
        panel_from_dict(data, HERE)


@pytest.mark.parametrize("path", FAULTY_FILES, ids=lambda path: path.stem)
def test_every_fault_is_reported_at_its_place_in_file_order(path):
    expected = path.read_text().splitlines()[1].removeprefix("# faults at: ")
    with pytest.raises(InputError) as error:
        read_panel(path)
    if expected.startswith(("line", "Unclosed")):
        (fault,) = error.value.faults
        assert fault.what.startswith(expected)
        assert fault.where == str(path)
    else:
        assert fault_places(error) == expected.split()
    assert all(fault.what for fault in error.value.faults)


def replaced(old, new):
    assert old in EVERY_KEY
    return EVERY_KEY.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('die = "B16"', 'die = "b16"', 'bead[1].die: "b16" is no bead die of the tools (did you mean "B16"?)'),
        ("hold =", "hald =", 'support[2].hald: is not a key of a support (did you mean "hold"?)'),
        ("value = 0.0005", "value = 500", "(MPa: 500 Pa is 0.0005, 1 kPa is 0.001)"),
        ("value = 0.0005", 'value = "0.5 kPa"', 'is "0.5 kPa", not a number (take the quotes and the unit off)'),
        ("value = 0.0005", "value = true", "is true, not a number"),
        ("rho = 2.7e-6", "rho = 2700", "kg/mm3: 2700 kg/m3 is 2.7e-6"),
        ("E = 70000", "E = 70", "MPa: 70 GPa is 70000"),
        ("nu = 0.33", "nu = 0.5", "material.nu: is 0.5, must be at least 0 and at most 0.499"),
        ("elongation = 0.12", "elongation = 12", "a fraction: 14 % is 0.14"),
        ("yield = 100", "yield = 300", "material.yield: is 300, above tensile 200"),
        ("[[1.5, 1.0], [3.0, 2]]", "[[3.0, 2], [1.5, 1.0]]", "material.bend_radius: does not rise"),
        ("gauges = [1.0, 0.8]", "gauges = 1.0", "write it in brackets: [1.0, 1.5]"),
        ("gauges = [1.0, 0.8]", "gauges = [1.0, 1.0]", "panel.gauges: holds a thickness twice"),
        ("pitch = 40", "pitch = 40\ninset = 0", "support[1].inset: is 0, which puts the rivets on the very edge"),
        ("[[mass]]", "[[masss]]", 'masss: is not a key of a panel file (did you mean "mass"?)'),
        ("at = [200, 150]\nkg", "at = [60, 60]\nkg", "mass[1].at: (60, 60) is not on the sheet"),
        ("[[15, 150]", "[[1500, 150]", "support[3].at[1]: (1500, 150) is not on the sheet"),
        ("[[10, 60], [10, 200]]", "[[10, 60], [10, 260]]", "trim[2].path: leaves the sheet at (10.0, 250.0)"),
        ("path = [[50, 150], [250", "path = [[50, 60], [250", "load[4].path: leaves the sheet at (50.0, 60.0)"),
        ('case = "wind and knee"\nlimit', 'case = "wind + knee"\nlimit', 'did you mean "wind and knee"?'),
        ('tools = "starter"', 'tools = "startr"', 'panel.tools: startr: is neither "starter" nor a file'),
        ("size = [60, 60]", "size = [60]", "load[3].size: has 1 number (give 2)"),
        ("at = [200, 100]", "at = [200, 100, 0]", "load[3].at: is a list of 3, not a point (write [x, y])"),
        ("at = [200, 100]", "at = [5, 5]", "load[3].size: 34% of the patch is on the sheet"),
        ('name = "side cheek"', 'name = "side\\ncheek"', "panel.name: is 'side\\ncheek' (give one line"),
        ("waviness = 0.4", "waviness = inf", "panel.waviness: is inf, not a finite number"),
        ("waviness = 0.4", f"waviness = 1{'0' * 400}", "panel.waviness: is a huge number, not a finite number"),
        ("kg = 0.4", "kg = 1979-05-27", "mass[1].kg: is 1979-05-27, not a number"),
        ("[0, 250], [200, 250]", "[0, 250], [0, 250], [200, 250]", "panel.outline[3]: is the same place as point 2"),
    ],
)  # fmt: skip
def test_message_of_each_fault(tmp_path, old, new, message):
    path = tmp_path / "panel.toml"
    path.write_text(replaced(old, new))
    with pytest.raises(InputError) as error:
        read_panel(path)
    assert message in str(error.value)
    assert len(error.value.faults) == 1


def test_a_long_list_of_bad_points_is_cut_short(data):
    data["panel"]["outline"] = [["x", "y"]] * 10_000
    with pytest.raises(InputError) as error:
        panel_from_dict(data, HERE)
    assert len(error.value.faults) < 10


def test_very_many_faults_are_counted(data):
    data["load"] = [{"case": "wind", "kind": "pressure", "value": 500}] * 300
    data |= {f"key{i}": 1 for i in range(1000)}
    with pytest.raises(InputError) as error:
        panel_from_dict(data, HERE)
    assert len(error.value.faults) == 201
    assert "more faults (mend these first)" in str(error.value)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"[panel]\nname = \"h\xe9\"\n", "is not UTF-8 text in line 2 (save it as UTF-8)"),
        (b"\xff\xfe[\0p\0", "is not UTF-8 text in line 1"),
        (b"[panel\n", "line 1, column 7: Expected ']'"),
        (b"[panel]\nname = hatch\n", 'name = hatch (put text in quotes: "up")'),
        (b"[panel]\ngauges = [1.0\n", "Unclosed array (at end of document) (a bracket or quote is still open)"),
        (b"[panel]\nname = \"a\"\nname = \"b\"\n", "(the key occurs twice)"),
        (b"[panel]\n[panel]\n", "(the heading occurs twice"),
        (b"a = " + b"[" * 50_000, "is nested too deep"),
        (b"a = " + b"9" * 5_000, "holds a number that is far too long"),
        (b"{\"format\": \"stiffen layout\"}", "(it looks like a layout (JSON); a TOML file is wanted here)"),
        (b"", "panel: is missing"),
        (b"#" * (MAX_TOML_BYTES + 1), "has 2.0 MB; at most 2 MB are read"),
    ],
    ids=lambda value: value[:12] if isinstance(value, str) else "",
)  # fmt: skip
def test_files_that_cannot_be_read(tmp_path, content, message):
    path = tmp_path / "panel.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as error:
        read_panel(path)
    assert message in str(error.value)
    assert "Traceback" not in str(error.value)


def test_places_that_are_no_file(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        read_panel(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a folder"):
        read_panel(tmp_path)
    with pytest.raises(InputError, match="cannot be opened: .*embedded null"):
        read_panel("a\0b.toml")
    with pytest.raises(InputError, match="is not an ordinary file"):
        read_panel(os.devnull)


JUNK = [
    None, True, 0, -1, 1.5, 1e300, math.nan, math.inf, 10**400, "", "up", "worst", "x" * 300, "\n", [], [[]], [1],
    [1, 2], [[0, 0], [1, 1]], [[0, 0]] * 3, [[0, 0], [400, 0], [400, 300]], [[1e9, 1e9], [2, 2], [3, 4]], {}, {"a": 1},
    {"slip": "x"}, ["bead"], [{}], 1e-300,
]  # fmt: skip


def places(data, path=()):
    """Every path into nested data."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (*path, key)
        yield from places(value, (*path, key))


PLACES = list(places(tomllib.loads(EVERY_KEY)))


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from(PLACES), st.sampled_from([*JUNK, "remove"])), min_size=1, max_size=3))
def test_any_value_in_any_place_is_read_or_refused(edits):
    data = tomllib.loads(EVERY_KEY)
    for path, value in edits:
        here = data
        try:
            for key in path[:-1]:
                here = here[key]
            if value == "remove":
                del here[path[-1]]
            else:
                here[path[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue
    try:
        panel = panel_from_dict(data, HERE)
    except InputError as error:
        assert error.faults
        assert all(fault.where or fault.what for fault in error.faults)
    else:
        assert panel.region.is_valid
        assert panel_from_dict(panel.source, HERE) == panel


# --- tools -----------------------------------------------------------------------------------------------------


def test_starter_tools():
    tools = starter_tools()
    assert tools.name == "starter"
    assert tools.roller.throat == 450
    sizes = {die.name: (die.profile, die.width, die.depth) for die in tools.bead_dies}
    assert sizes == {
        "B12": ("round", 12, 3),
        "B16": ("round", 16, 4),
        "B20": ("round", 20, 6),
        "V12": ("vee", 12, 4),
        "F24": ("flat", 24, 5),
    }
    for die in tools.bead_dies:
        assert profile_points(die)[:, 1].max() == pytest.approx(die.depth)


@pytest.mark.parametrize("name", ["L32", "L50", "L63", "L80"])
def test_starter_flaring_dies_keep_the_slant_length(name):
    # sharp fold, 45 degrees, slant length kept: d0 = D_f - 2 sqrt(2) a, d1 = D_f - 2 a; plane geometry
    die = starter_tools().hole_die(name)
    assert die.angle == pytest.approx(45)
    assert die.finished == pytest.approx(die.flange - 2 * die.rise)
    assert die.pilot == pytest.approx(die.flange - 2 * math.sqrt(2) * die.rise, abs=0.01)
    assert die.lip_strain < 0.14  # what 5754-H111 stretches


TOOLS = """
[roller]
throat = 300
rated_steel = 1.0
[[bead_die]]
name = "mine"
profile = "round"
width = 14
depth = 4
[[trial]]
die = "mine"
material = "DC01"
thickness = 0.8
turns = [1, 2]
depth = [1.5, 3.1]
[spacing]
bead_bead = 15
"""


def test_tools_file_beside_the_panel(data, tmp_path):
    (tmp_path / "my shop.toml").write_text(TOOLS)
    data["panel"]["tools"] = "my shop.toml"
    data["bead"][0]["die"] = "mine"
    del data["hole"]
    tools = panel_from_dict(data, tmp_path).tools
    assert tools == read_tools(tmp_path / "my shop.toml")
    assert tools.name == "my shop"
    assert (tools.roller.throat, tools.roller.screw_lead) == (300, 1.5)
    assert tools.trials[0].depth == (1.5, 3.1)
    assert tools.spacing == {"bead_bead": 15}
    assert set(tools.spacing) <= set(SPACING_RULES)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("throat = 300\n", "", "roller.throat: is missing"),
        ("width = 14", "width = 1.4", "bead_die[1].width: is 1.4, must be at least 2"),
        ("depth = 4", "depth = 8", "bead_die[1]: a round bead 14 mm wide cannot be 8 mm deep (at most 7 mm)"),
        ("depth = 4\n", "depth = 4\nnose_radius = 3\n", "bead_die[1].nose_radius: is 3, but width, depth and shoulder"),
        ("depth = 4\n", "depth = 4\nshoulder_radius = 9\n", "bead_die[1]: shoulder radius 9 mm leaves no nose"),
        ('profile = "round"', 'profile = "rund"', 'did you mean "round"?'),
        ('die = "mine"', 'die = "min"', 'trial[1].die: "min" is no bead die of this list (did you mean "mine"?)'),
        ("[1.5, 3.1]", "[1.5]", "trial[1].depth: has 1 values for 2 turns"),
        ("[1.5, 3.1]", "[3.1, 1.5]", "trial[1].depth: does not rise"),
        ("bead_bead = 15", "bead_bead = -1", "spacing.bead_bead: is -1"),
    ],
)
def test_faults_of_a_tools_file(data, tmp_path, old, new, message):
    assert old in TOOLS
    (tmp_path / "shop.toml").write_text(TOOLS.replace(old, new))
    with pytest.raises(InputError) as error:
        read_tools(tmp_path / "shop.toml")
    assert message in str(error.value)
    data["panel"]["tools"] = "shop.toml"
    with pytest.raises(InputError) as error:
        panel_from_dict(data, tmp_path)
    assert f"panel.tools: shop.toml: {message.split(' (')[0]}" in str(error.value) or message.startswith("did you")


def test_tools_without_dies_are_refused():
    with pytest.raises(InputError, match=r"give at least one \[\[bead_die\]\] or \[\[hole_die\]\]"):
        tools_from_dict({"roller": {"throat": 300, "rated_steel": 1}}, "empty")


# --- writing ---------------------------------------------------------------------------------------------------


def test_json_holds_numpy_numbers_and_no_nan(tmp_path):
    path = tmp_path / "result.json"
    write_json(path, {"a": np.float64(1.5), "b": np.arange(3), "c": math.nan, "d": (1, np.True_), "e": [math.inf]})
    assert json.loads(path.read_text()) == {"a": 1.5, "b": [0, 1, 2], "c": None, "d": [1, True], "e": [None]}


def test_a_failed_write_leaves_what_was_there(tmp_path, monkeypatch):
    path = tmp_path / "layout.json"
    write_json(path, {"a": 1})
    with pytest.raises(TypeError):
        write_json(path, {"a": object()})
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    with pytest.raises(InputError, match="cannot be written: no space left"):
        write_json(path, {"a": 2})
    assert json.loads(path.read_text()) == {"a": 1}
    assert [one.name for one in tmp_path.iterdir()] == ["layout.json"]


def test_places_that_cannot_be_written(tmp_path):
    with pytest.raises(InputError, match="cannot be written: no such file or directory"):
        write_json(tmp_path / "none" / "layout.json", {})
    with pytest.raises(InputError, match="cannot be written: is a directory"):
        write_json(tmp_path, {})
    assert list(tmp_path.iterdir()) == []


def test_random_layouts_survive_the_file(tmp_path, panel):
    chance = random.Random(3)
    for _ in range(5):
        x, y = chance.uniform(60, 200), chance.uniform(145, 230)
        bead = Bead(panel.tools.bead_die("B12"), ((round(x, 3), round(y, 3)), (250.125, 150.0)), "up", True)
        layout = Layout(1.0, (bead,), ())
        write_json(tmp_path / "one.json", layout_document(panel, layout, None))
        assert read_layout(tmp_path / "one.json")[1] == layout


@pytest.mark.parametrize(
    ("places", "message"),
    [
        (((100, 100), (200, 100), (300, 100)), "out_of_flat: defines no surface"),
        (((100, 100), (100, 100), (300, 200)), "out_of_flat: has a place twice"),
    ],
)
def test_measured_places_must_define_a_surface(places, message):
    head = {
        "name": "lid",
        "material": "5754-H111",
        "gauges": [1.0],
        "outline": [[0, 0], [400, 0], [400, 300], [0, 300]],
    }
    data = {
        "panel": head,
        "support": [{"kind": "edge", "along": "outline", "in_plane": "free"}],
        "demand": [{"kind": "frequency", "limit": 30}],
        "out_of_flat": [{"at": list(at), "height": 0.5} for at in places],
    }
    with pytest.raises(InputError, match=message):
        panel_from_dict(data, Path())
    data["out_of_flat"][1]["at"] = [200, 250]
    assert [one.height for one in panel_from_dict(data, Path()).out_of_flat] == [0.5] * 3

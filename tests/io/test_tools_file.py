"""Tools file: all keys in the shipped one, own cutters, folding brake and spacing; strength; open ends in panels."""

import re
import tomllib
from importlib import resources

import pytest

from stiffen.errors import InputError
from stiffen.io.panel_file import layout_document, panel_from_dict, read_layout, tools_from_dict, write_json
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.tools import Cutter, FoldingBrake
from stiffen.shop.process_plan import BENCH_MINUTES
from stiffen.shop.spacing_rules import SPACING_RULES

TEXT = resources.files("stiffen").joinpath("data/starter_tools.toml").read_text(encoding="utf-8")
UNCOMMENTED_TEXT = re.sub(r'(?m)^# (?=\[|[a-z_]+ = [\d"[])', "", TEXT)  # every line that is only commented out
MINIMAL_TOOLS = {
    "roller": {"throat": 300, "rated_steel": 1.0},
    "bead_die": [{"name": "B16", "profile": "round", "width": 16, "depth": 4}],
}


def test_shipped_file_holds_every_key_of_every_table():
    """The keys in the shipped file, commented out or not, are the fields of the records."""
    data = tomllib.loads(UNCOMMENTED_TEXT)
    tools = tools_from_dict(data, "all")
    roller = set(data["roller"])
    assert roller == set(vars(tools.roller))
    assert set().union(*data["bead_die"]) == set(vars(tools.bead_dies[0]))
    assert set().union(*data["hole_die"]) == set(vars(tools.hole_dies[0]))
    assert set(data["trial"][0]) == set(vars(tools.trials[0]))
    assert set(data["folder"]) == set(vars(tools.folding_brake))
    assert set(data["cutter"][0]) == set(vars(tools.cutters[0]))
    assert list(data["spacing"]) == list(SPACING_RULES)
    assert data["minutes"] == {name: one.minutes for name, one in BENCH_MINUTES.items()}
    assert {*data, "name"} == {
        "name", "roller", "bead_die", "hole_die", "cutter", "folder", "trial", "spacing", "minutes",
    }  # fmt: skip


def test_shipped_file_lists_each_spacing_as_it_is_computed():
    for name, rule in SPACING_RULES.items():
        line = next(line for line in TEXT.splitlines() if line.startswith(f"# {name} = "))
        assert line.endswith(f"{rule.description}: {rule.formula}")
        shown = float(line.split("=")[1].split("#")[0])
        assert shown == pytest.approx(rule.value(1.0, 4.0 if "rivet" in name else 2.0))


def test_own_minutes_and_a_die_drawn_by_its_bolt():
    die = {"name": "P40", "pilot": 27.28, "finished": 31, "flange": 40, "rise": 4.5, "draw_bolt": 12.5}
    tools = tools_from_dict({**MINIMAL_TOOLS, "hole_die": [die], "minutes": {"fold": 2.5}}, "mine")
    assert tools.minutes == {"fold": 2.5}
    assert tools.hole_dies[0].draw_bolt == 12.5
    assert tools_from_dict(MINIMAL_TOOLS, "least").minutes == {}
    with pytest.raises(InputError, match="draw_bolt: is 30, not less than the 27.28 mm that the die punches"):
        tools_from_dict({**MINIMAL_TOOLS, "hole_die": [{**die, "draw_bolt": 30}]}, "mine")
    with pytest.raises(InputError, match=r"minutes.flod: is not a key of the bench minutes .did you mean .fold"):
        tools_from_dict({**MINIMAL_TOOLS, "minutes": {"flod": 2.5}}, "mine")


def test_all_profiles_are_shown():
    data = tomllib.loads(UNCOMMENTED_TEXT)
    assert {die["profile"] for die in data["bead_die"]} == {"round", "vee", "flat", "step"}


def test_own_cutters_and_folding_brake():
    data = {
        **MINIMAL_TOOLS,
        "cutter": [{"kind": "hole saw", "sizes": [35, 22]}],
        "folder": {"neutral": 0.4, "least_flat": 9},
    }
    tools = tools_from_dict(data, "mine")
    assert tools.cutters == (Cutter("hole saw", (35, 22)),)
    assert tools.folding_brake == FoldingBrake(0.4, 9)
    assert tools_from_dict(MINIMAL_TOOLS, "least").folding_brake == FoldingBrake()
    assert tools_from_dict(MINIMAL_TOOLS, "least").cutters == ()


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        ({"spacing": {"bead_egde": 5}}, 'spacing.bead_egde: is not a key .* rules .did you mean "bead_edge"?'),
        ({"spacing": {"bead_bead": "wide"}}, "spacing.bead_bead: is .wide., not a number"),
        ({"folder": {"neutral": 0.6}}, "folder.neutral: is 0.6, must be at least 0.2 and at most 0.5"),
        ({"folder": {"k": 0.4}}, "folder.k: is not a key of a folder"),
        ({"cutter": [{"kind": "saw"}]}, r"cutter\[1\].sizes: is missing"),
        ({"cutter": [{"kind": "saw", "sizes": [0]}]}, r"cutter\[1\].sizes\[1\]: is 0"),
        ({"bead_die": [{"name": "S", "profile": "step", "width": 4, "depth": 9, "nose_radius": 6}]},
         r"bead_die\[1\]: nose and shoulder radius together are 6 mm"),
    ],
)  # fmt: skip
def test_faults(extra, message):
    with pytest.raises(InputError, match=message):
        tools_from_dict({**MINIMAL_TOOLS, **extra}, "bad")


# --------------------------------------------------------------------------------------- open ends, strength, in panels

PANEL = {
    "panel": {"name": "tray", "material": "5754-H111", "gauges": [1.0], "tools": "starter",
              "outline": [[0, 0], [400, 0], [400, 300], [0, 300]]},
    "support": [{"kind": "rivets", "path": [[20, 20], [20, 280]], "pitch": 40, "diameter": 4.0, "strength": 850},
                {"kind": "bolts", "at": [[40, 40]], "diameter": 6.0}],
    "bead": [{"die": "B16", "path": [[60, 150], [400, 150]], "open": "stop"}],
}  # fmt: skip


def panel(tmp_path, **changes) -> Panel:
    return panel_from_dict({**PANEL, **changes}, tmp_path)


def test_strength_and_open_end_are_read(tmp_path):
    found = panel(tmp_path)
    assert [support.strength for support in found.supports] == [850, None]
    assert found.beads[0].open_ends == (False, True)


@pytest.mark.parametrize("word", ["none", "start", "stop", "both"])
def test_open_ends_come_back_from_a_layout_file(tmp_path, word):
    bead = {"die": "B16", "path": [[0, 150], [400, 150]], "open": word}
    found = panel(tmp_path, bead=[bead])
    layout = Layout(1.0, found.beads)
    write_json(tmp_path / "layout.json", layout_document(found, layout, None))
    assert read_layout(tmp_path / "layout.json")[1] == layout
    assert ("open" in layout.to_dict()["beads"][0]) == (word != "none")


@pytest.mark.parametrize(
    ("bead", "message"),
    [
        ({"path": [[60, 150], [390, 150]], "open": "stop"}, "open end at .390, 150., which is not on the edge"),
        ({"path": [[60, 150], [400, 150]], "open": "both"}, "open end at .60, 150., which is not on the edge"),
        ({"path": [[60, 150], [400, 150]], "open": "end"}, "bead.1..open: is .end."),
        ({"path": [[60, 60], [300, 60], [300, 200], [60, 60]], "open": "stop"}, "no meaning for a closed frame"),
    ],
)
def test_open_ends_that_cannot_be(tmp_path, bead, message):
    with pytest.raises(InputError, match=message):
        panel(tmp_path, bead=[{"die": "B16", **bead}])


def test_strength_is_for_fasteners(tmp_path):
    with pytest.raises(InputError, match=r"support\[1\].strength: has no meaning for a support of kind edge"):
        panel(tmp_path, support=[{"kind": "edge", "along": "outline", "strength": 10}])
    with pytest.raises(InputError, match=r"support\[1\].strength: is 0, must be more than 0"):
        panel(tmp_path, support=[{**PANEL["support"][0], "strength": 0}])

"""Hints on values that look like another unit."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.trike import PANEL

from stiffen.io.panel_file import read_panel
from stiffen.model.panel import Demand, EdgeTrim, Load, PointMass
from stiffen.model.unit_hints import unit_hints
from stiffen.shop.cautions import bench_cautions

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("*.toml"))
CASES = {
    "pressure": ({"loads": (Load("wind", "pressure", 0.4),)}, "load[1].value", "did you mean 0.4 kPa = 0.0004?"),
    "suction": ({"loads": (Load("wind", "pressure", -0.4),)}, "load[1].value", "did you mean -0.4 kPa = -0.0004?"),
    "patch": ({"loads": (Load("wind", "patch", 0.08, size=(50.0, 50.0)),)}, "load[1].value", "0.08 kN = 80?"),
    "line": (
        {"loads": (Load("wind", "line", 200.0, path=((100.0, 100.0), (300.0, 100.0))),)},
        "load[1].value",
        "200 N/m = 0.2?",
    ),
    "inertia": ({"loads": (Load("wind", "inertia", g=(0.0, 0.0, -9.81)),)}, "load[1].g", "-9.81 m/s2 = -1?"),
    "deflection": ({"demands": (Demand("deflection", 0.002, "wind"),)}, "demand[1].limit", "0.002 m = 2?"),
    "frequency": ({"demands": (Demand("frequency", 3000.0),)}, "demand[1].limit", "3000 a minute = 50?"),
    "push": ({"demands": (Demand("softness", 0.4, force=0.01),)}, "demand[1].force", "0.01 kN = 10?"),
    "mass": ({"masses": (PointMass((300.0, 200.0), 250.0),)}, "mass[1].kg", "250 g = 0.25?"),
    "trim": ({"trims": (EdgeTrim(80.0),)}, "trim[1].kg_per_metre", "80 g per metre = 0.08?"),
}


@pytest.mark.parametrize("name", CASES)
def test_a_value_in_another_unit_is_told_with_what_may_have_been_meant(name):
    fields, where, meant = CASES[name]
    panel = replace(PANEL, **fields)
    (hint,) = unit_hints(panel)
    assert hint.startswith(where)
    assert hint.endswith(meant)
    assert f"unit? {hint}" in bench_cautions(panel, panel.layout())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_usual_values_give_no_hint(path):
    assert unit_hints(read_panel(path)) == ()

"""Messages of the page become records or are refused; numbers for the page are finite and honest."""

import json
import math

import numpy as np
import pytest
from support.trike import LAYOUT, PANEL

from stiffen.analysis.demand_values import DemandValue
from stiffen.errors import InputError
from stiffen.model.results import NOT_DECIDED
from stiffen.page.records import bench_data, layout_from, panel_data, rounded, value_data
from stiffen.shop.layout_check import audit
from stiffen.shop.process_plan import minutes

DATA = LAYOUT.to_dict()


def test_a_layout_goes_there_and_back():
    assert layout_from(json.loads(json.dumps(DATA)), PANEL) == LAYOUT


@pytest.mark.parametrize(
    "data",
    [
        None,
        [],
        {},
        {**DATA, "gauge": "thick"},
        {**DATA, "gauge": -1.0},
        {**DATA, "gauge": math.nan},
        {**DATA, "beads": {}},
        {**DATA, "beads": [{}]},
        {**DATA, "beads": DATA["beads"] * 200},
        {**DATA, "beads": [{**DATA["beads"][0], "die": "B999"}]},
        {**DATA, "beads": [{**DATA["beads"][0], "path": [[0, 0]]}]},
        {**DATA, "beads": [{**DATA["beads"][0], "path": [[0, 0], [math.inf, 0]]}]},
        {**DATA, "beads": [{**DATA["beads"][0], "path": [[0, 0], [1e30, 0]]}]},
        {**DATA, "beads": [{**DATA["beads"][0], "path": [[0, 0], [1, 2, 3]]}]},
        {**DATA, "beads": [{**DATA["beads"][0], "side": "left"}]},
        {**DATA, "beads": [{**DATA["beads"][0], "open": "wide"}]},
        {**DATA, "holes": [{**DATA["holes"][0], "at": "here"}]},
    ],
)
def test_anything_else_is_refused(data):
    with pytest.raises(InputError):
        layout_from(data, PANEL)


def test_rules_are_those_of_the_layout_check():
    crossing = {**DATA, "beads": [{**DATA["beads"][0], "path": [[60.0, 60.0], [440.0, 320.0]]}, *DATA["beads"]]}
    layout = layout_from(crossing, PANEL)
    told = bench_data(PANEL, layout)
    violations = audit(PANEL, layout)
    assert violations and [rule["what"] for rule in told["rules"]] == [one.what for one in violations]
    names = [f"{rule['part']}[{rule['index'] + 1}]" for rule in told["rules"]]
    assert names == [one.where.split()[0] for one in violations]
    assert (told["kg"], told["minutes"]) == (PANEL.mass(layout), minutes(PANEL, layout))


def test_dimensions_are_counted_once():
    bead = DATA["beads"][0]
    at = [{**bead, "path": [[100, y], [300, y]]} for y in (100, 200, 300)]
    told = bench_data(PANEL, layout_from({**DATA, "beads": at, "holes": []}, PANEL))
    assert told["dimensions"] == 1 + 1 + 2  # length and start along x; first place and pitch across


def test_a_value_that_was_not_decided_has_no_margin():
    demand = PANEL.demands[0]
    told = value_data(demand, DemandValue(0.1, decided_by=NOT_DECIDED, failure="no equilibrium"), "free")
    assert (told["value"], told["margin"], told["failure"]) == (None, None, "no equilibrium")
    assert value_data(demand, DemandValue(demand.limit / 2), "free")["margin"] == pytest.approx(0.5)


def test_panel_data_is_plain():
    told = json.loads(json.dumps(panel_data(PANEL)))
    assert [die["name"] for die in told["bead_dies"]] == [die.name for die in PANEL.tools.bead_dies]
    assert len(told["demands"]) == len(PANEL.demands)


def test_rounding_keeps_digits_of_the_largest():
    assert rounded(np.array([0.123456, 0.000012])) == [0.1235, 0.0]
    assert rounded(np.zeros(2)) == [0.0, 0.0]

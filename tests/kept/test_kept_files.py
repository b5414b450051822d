"""Files and numbers of version 0.1.0: they are still read, and layouts still have the values they had.

`values.json` was written by version 0.1.0: masses and demand values of six layouts on the quick mesh, and the layouts
of three small searches.  Where a value has changed `since`, the new one stands there beside the old one, with the
reason.  The search is another since; it must not find thicker sheet.
"""

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

import stiffen

HERE = Path(__file__).parent
MASS_OF_NEAT_HOLES = 0.02  # rows and grids of holes save less than scattered ones
VALUES = json.loads((HERE / "values.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", sorted(HERE.glob("*.toml")), ids=lambda path: path.stem)
def test_panels_and_tools_are_read(path):
    if path.stem == "starter_tools":
        kept = stiffen.read_tools(path)
        renamed = tuple(replace(die, name=die.name.replace("F", "L")) for die in kept.hole_dies)
        assert replace(kept, name="starter", hole_dies=renamed) == stiffen.starter_tools()
    else:
        assert stiffen.read_panel(path) == stiffen.read_panel(HERE.parents[1] / "examples" / path.name)


@pytest.mark.slow
@pytest.mark.parametrize("name", VALUES["layouts"])
def test_layouts_have_the_values_they_had(name):
    panel, layout = stiffen.read_layout(HERE / "layouts" / f"{name}.json")
    verdict = stiffen.check(panel, layout, mesh_level="quick", mesh_error=False)
    assert verdict.mass_kg == pytest.approx(VALUES["layouts"][name]["mass_kg"], rel=1e-9)
    since = VALUES["layouts"][name].get("since", {})
    found, kept = [], []
    for demand, before in zip(verdict.demands, VALUES["layouts"][name]["demands"], strict=True):
        new = since.get(demand.label, {})
        found.append(demand.value)
        kept.append(new.get("value", before))
        if demand.kind == "frequency":  # it was computed in vacuum
            found.append(demand.value_in_vacuum)
            kept.append(new.get("in_vacuum", before))
    assert found == pytest.approx(kept, rel=1e-9)
    assert set(since) <= {demand.label for demand in verdict.demands}


@cache
def found(name):
    panel = replace(stiffen.read_panel(HERE / "searches" / f"{name}.toml"), goal="lightest")
    return stiffen.search(panel, mesh_level="quick").verdict


@pytest.mark.slow
@pytest.mark.parametrize("name", VALUES["searches"])
def test_searches_find_no_thicker_sheet(name):
    assert found(name).met
    assert found(name).layout.gauge <= VALUES["searches"][name]["gauge"]


@pytest.mark.slow
@pytest.mark.parametrize("name", VALUES["searches"])
def test_searches_find_nothing_heavier(name):
    assert found(name).mass_kg <= VALUES["searches"][name]["mass_kg"] * (1 + MASS_OF_NEAT_HOLES)

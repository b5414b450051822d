"""A result as it is printed and shown in a notebook."""

import math
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from support.panels import HOLED, SIX

from stiffen.model.layout import Layout
from stiffen.model.results import (
    NOT_DECIDED,
    DemandResult,
    FlatSheetBaseline,
    ResultFields,
    SearchResult,
    Verdict,
)

STIFF = DemandResult("deflection", "deflection wind", "mm", 1.5, 1.2, 0.2, True, "wind")
FREQUENCY = DemandResult("frequency", "frequency", "Hz", 70.0, 72.1, 0.03, True)
BEST = Verdict("lid", SIX["B20 and B16 mixed"], 0.5361, 0.5361, (STIFF, FREQUENCY), 900, 0.012, ("roll slowly",))
FLAT = FlatSheetBaseline(2.0, 1.072, (1.0, 2.0))
RESULT = SearchResult(BEST, BEST, FLAT)


def test_a_search_result_is_printed_in_five_lines():
    assert str(RESULT).splitlines() == repr(RESULT).splitlines() == [
        "lid: all demands met, 1 mm sheet",
        "mass 0.536 kg; flat sheet that meets the demands: 2 mm, 1.07 kg (50 % saved)",
        "4 beads (2 B20, 2 B16), 1.56 m in all; no flared holes",
        "deflection wind 1.2 mm (limit 1.5, margin +20 %); frequency 72.1 Hz (limit 70, margin +3 %)",
        "cautions: estimated mesh error 1.2 %; roll slowly",
    ]  # fmt: skip


def test_what_is_not_met_or_not_decided_is_reported():
    missed = replace(FREQUENCY, value=35.0, margin=-0.5, met=False)
    open_one = replace(STIFF, value=math.nan, margin=math.nan, met=False, decided_by=NOT_DECIDED)
    verdict = replace(BEST, demands=(open_one, missed), layout=HOLED, mesh_error=None, warnings=())
    nothing = FlatSheetBaseline(None, None, (0.8, 1.0))
    first, mass, shape, demands, cautions = str(
        SearchResult(verdict, verdict, nothing, stopped="stopped by the user", cut_short=True)
    ).splitlines()
    assert first == "lid: 2 of 2 demands not met, 1 mm sheet"
    assert mass == "mass 0.536 kg; no flat sheet up to 1 mm meets the demands"
    assert shape == "no beads; 2 flared holes (1 L50, 1 L63)"
    assert "frequency 35 Hz (limit 70, margin -50 %)" in demands
    assert cautions == "cautions: not decided: deflection wind; stopped by the user"
    assert "the time ran out" in str(replace(RESULT, cut_short=True)).splitlines()[-1]


def test_a_result_without_demands_is_not_called_met():
    verdict = replace(BEST, demands=(), layout=Layout(1.0), mesh_error=None, warnings=())
    assert str(verdict).splitlines() == [
        "lid: no demands, 1 mm sheet",
        "mass 0.536 kg, without holes 0.536 kg",
        "no beads; no flared holes",
        "demands: none",
        "cautions: none",
    ]
    assert "flat sheets were not evaluated" in str(SearchResult(verdict, verdict, FlatSheetBaseline(None, None)))


def test_rings_of_a_mesh_are_its_outline_and_its_holes():
    """A square of 3 x 3 cells of 10 mm whose middle cell is missing."""
    places = np.array([(10.0 * i, 10.0 * j) for j in range(4) for i in range(4)])
    cells = [(i, j) for j in range(3) for i in range(3) if (i, j) != (1, 1)]
    corners = [(i + 4 * j, i + 1 + 4 * j, i + 5 + 4 * j, i + 4 + 4 * j) for i, j in cells]
    triangles = np.array([three for a, b, c, d in corners for three in ((a, b, c), (a, c, d))])
    fields = ResultFields(places, triangles, np.zeros(16), {}, np.zeros((0, 3)))
    outline, hole = fields.rings()
    assert set(hole) == {(10.0, 10.0), (20.0, 10.0), (20.0, 20.0), (10.0, 20.0)}
    assert len(outline) == 12
    assert min(outline) == (0.0, 0.0) and max(outline) == (30.0, 30.0)


@pytest.mark.parametrize("result", [BEST, RESULT], ids=["verdict", "search result"])
def test_a_notebook_shows_the_layout(result):
    root = ElementTree.fromstring(result._repr_svg_())
    bands = [path for path in root.iter() if path.get("stroke-opacity")]
    assert len(bands) == len(BEST.layout.beads)

"""Holes on one lattice with the beads: the dividers are set once, beside an opening too; every rule of the shop."""

from dataclasses import replace

import pytest
from support.panels import B20, L50, L63, lid

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.ends_on_hole_lines import ended_on_hole_lines
from stiffen.optimise.candidates.hole_lattices import hole_lattices
from stiffen.shop.clearance import hole_feasible_region, pair_clearance
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

OPENING = Cutout(((320.0, 60.0), (440.0, 60.0), (440.0, 160.0), (320.0, 160.0)))
BULKHEAD = replace(lid(520.0, 420.0), cutouts=(OPENING,))
UPRIGHTS = tuple(Bead(B20, ((x, 35.0), (x, 385.0))) for x in (35.0, 260.0, 485.0))


def lattices(panel, beads, axes, die=L63):
    least = die.flange + pair_clearance(panel.tools, "hole", "hole", 1.0)
    region = hole_feasible_region(panel, die, 1.0, beads)
    return [
        Layout(1.0, beads, tuple(hole for line in lines for hole in line))
        for lines in hole_lattices(panel, die, region, beads, axes, least)
    ]


def test_lines_beside_three_uprights_and_an_opening_divide_their_pitch():
    found = lattices(BULKHEAD, UPRIGHTS, "")
    assert found
    pitches = set()
    for one in found:
        assert audit(BULKHEAD, one) == ()
        steps = {round((hole.at[0] - 35.0) / 75.0, 3) for hole in one.holes}
        if all(step == round(step) for step in steps):
            pitches.add(75.0)
            assert not steps & {0.0, 3.0, 6.0}, "no hole on a bead"
        else:
            assert all((hole.at[0] - 35.0) % 112.5 == pytest.approx(0.0, abs=1e-6) for hole in one.holes)
            pitches.add(112.5)
    assert pitches == {75.0, 112.5}
    assert min(distinct_dimensions(BULKHEAD, one).count for one in found if len(one.holes) > 12) == 2


@pytest.mark.parametrize("axes", ["", "x", "xy"])
@pytest.mark.parametrize("beads", [(), UPRIGHTS[1:2], UPRIGHTS], ids=["bare", "one", "three"])
def test_lattices_are_legal_mirrored_and_cheap_to_measure(axes, beads):
    panel = lid(520.0, 420.0)
    found = lattices(panel, beads, axes, L50)
    assert found
    for one in found:
        assert audit(panel, one) == ()
        places = {hole.at for hole in one.holes}
        assert len(places) == len(one.holes)
        if axes:
            assert {(520.0 - x, y) for x, y in places} == places
        for hole in one.holes:
            on_line = [sum(abs(other.at[k] - hole.at[k]) < 1e-6 for other in one.holes) for k in (0, 1)]
            assert max(on_line) >= 3, "rows of three or more"
        assert distinct_dimensions(panel, one).count <= 3 + 2 * bool(beads)


def test_beads_are_cut_back_to_the_lines_of_holes_beside_them():
    panel = lid(520.0, 420.0)
    rules = BeadRules(panel, 1.0, "xy")
    (bead,) = UPRIGHTS[1:2]
    holes = tuple(Hole(L50, (x, y)) for x in (180.0, 340.0) for y in (50.0, 130.0, 210.0, 290.0, 370.0))
    layout = Layout(1.0, (bead,), holes)
    (cut,) = ended_on_hole_lines(rules, ((bead,),), layout.holes)
    lines = {hole.at[1] for hole in layout.holes}
    assert {y for _, y in cut[0].path} == {min(lines), max(lines)} and cut[0].length < bead.length
    shorter = replace(layout, beads=cut)
    assert distinct_dimensions(panel, shorter).count == distinct_dimensions(panel, layout).count - 1
    near_the_middle = [hole for hole in layout.holes if abs(hole.at[1] - 210.0) < 100.0]
    assert ended_on_hole_lines(rules, ((bead,),), near_the_middle) is None, "too much would be lost"

"""Regular layouts: equal pitch, one die, mirror images, whole millimetres, and every rule of the shop."""

from dataclasses import replace

import numpy as np
import pytest
from support.busy_panel import BUSY
from support.panels import B16, B20, SHOP, lid

from stiffen.model.layout import Layout
from stiffen.model.panel import Support
from stiffen.model.tools import Roller
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules, line_of
from stiffen.optimise.candidates.regular_patterns import SPREADS, Family, families, members, most_beads
from stiffen.shop.layout_check import audit

LID = lid()


def offsets(choice):
    return sorted(abs(line_of(bead)[1]) for group in choice for bead in group)


@pytest.mark.parametrize("count", [1, 2, 3, 5, 6])
def test_beads_lie_at_one_pitch_and_are_mirrored(count):
    rules = BeadRules(LID, 1.0, "xy")
    found = offsets(members(rules, Family(B16, 0.0, "up"), count))
    assert len(found) == count
    assert np.array(found) + np.array(found[::-1]) == pytest.approx([400.0] * count)
    if count > 1:
        assert np.ptp(np.diff(found)) <= 1.0  # whole millimetres
    assert all(offset == round(offset) for offset in found)


def test_a_spread_says_where_the_outer_beads_lie():
    rules = BeadRules(LID, 1.0, "")
    even, edges, middle = (offsets(members(rules, Family(B20, 90.0, "up"), 4, spread)) for spread in SPREADS)
    assert edges[0] < even[0] < middle[0] and middle[-1] < even[-1] < edges[-1]


def test_a_bead_moves_aside_for_a_bolt():
    bolt = Support("bolts", in_plane="free", at=((250.0, 130.0),), diameter=6.0)
    rules = BeadRules(replace(LID, supports=(*LID.supports, bolt)), 1.0, "")
    free = offsets(members(BeadRules(LID, 1.0, ""), Family(B16, 0.0, "up"), 3))
    found = offsets(members(rules, Family(B16, 0.0, "up"), 3))
    assert len(found) == 3
    near = [offset for offset in found if abs(offset - 130.0) < 60.0]
    assert all(abs(offset - 130.0) > 8.0 + 3.0 for offset in near) or found == pytest.approx(free, abs=1.0)


@pytest.mark.parametrize("panel", [LID, BUSY, lid(tools=replace(SHOP, roller=Roller(throat=150.0)))])
def test_every_regular_layout_keeps_the_rules(panel):
    gauge = panel.gauges[0]
    rules = BeadRules(panel, gauge, symmetry.mirror_axes(panel))
    drawn = 0
    for family in families(rules, rules.dies):
        for count in (1, 2, 4, 7):
            for spread in SPREADS:
                choice = members(rules, family, count, spread)
                if choice is not None:
                    drawn += 1
                    assert audit(panel, rules.layout(choice)) == ()
                    assert sum(len(group) for group in choice) == count
    assert drawn > 3


def test_no_more_beads_than_have_room():
    rules = BeadRules(LID, 1.0, "")
    family = Family(B16, 0.0, "up")
    most = most_beads(rules, family)
    assert 10 < most < 25
    assert members(rules, family, most + 2) is None


def test_frames_come_alone_or_nested():
    rules = BeadRules(LID, 1.0, "xy")
    one, two = (members(rules, Family(B16, None, "up"), count) for count in (1, 2))
    assert len(one) == 1 and one[0][0].closed
    assert len(two) == 2 and audit(LID, rules.layout(two)) == ()
    assert members(rules, Family(B16, None, "up"), 3) is None


def test_the_layout_of_no_groups_is_the_fixed_one():
    assert BeadRules(LID, 1.0, "").layout(()) == Layout(1.0)

"""Moves keep every rule and limit, reach what they should, and come in the same order every time."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import B16, B20, lid

from stiffen.optimise.candidates.bead_rules import BeadRules, line_of
from stiffen.optimise.candidates.regular_patterns import Family, members
from stiffen.optimise.search.stages.moves import MoveMaker, beads_of, key_of
from stiffen.shop.layout_check import audit

LID = lid(bead_side="either")
RULES = BeadRules(LID, 1.0, "xy")
START = members(RULES, Family(B16, 0.0, "up"), 4)


def moves(maker=None, step=10.0, seed=0, start=START):
    maker = maker or MoveMaker(RULES, RULES.dies, 6, 2)
    return list(maker.moves(start, step, np.random.default_rng(seed)))


def test_all_moves_are_legal_distinct_and_within_limits():
    found = moves()
    assert len(found) > 30
    assert len({key_of(choice) for choice in found}) == len(found)
    for choice in found:
        layout = RULES.layout(choice)
        assert audit(LID, layout) == ()
        assert len(layout.beads) <= 6 and len({bead.die for bead in layout.beads}) <= 2
        assert key_of(choice) != key_of(START)


def test_the_same_seed_gives_the_same_moves():
    assert [key_of(one) for one in moves()] == [key_of(one) for one in moves()]
    assert [key_of(one) for one in moves(seed=1)] != [key_of(one) for one in moves()]


def test_every_kind_of_move_is_there():
    found = [beads_of(choice) for choice in moves()]
    own = beads_of(START)
    assert any(len(beads) < len(own) for beads in found)  # drop
    assert any(len(beads) > len(own) for beads in found)  # add
    assert any(B20 in {bead.die for bead in beads} for beads in found)  # change of die
    assert any("down" in {bead.side for bead in beads} for beads in found)  # change of face
    assert any(bead.closed for beads in found for bead in beads)  # a frame
    assert any(min(bead.length for bead in beads) < 0.7 * own[0].length for beads in found)  # shorten
    slid = {round(abs(line_of(beads[0])[1] - line_of(own[0])[1])) for beads in found if len(beads) == len(own)}
    assert 10 in slid
    free = BeadRules(LID, 1.0, "")
    alone = members(free, Family(B16, 0.0, "up"), 1)
    turned = [beads_of(choice) for choice in moves(MoveMaker(free, free.dies, 1, 1), start=alone)]
    assert any(line_of(bead)[0] % 90 for beads in turned for bead in beads if len(bead.path) == 2)


@pytest.mark.parametrize(("most", "dies"), [(4, 1), (5, 1), (4, 2)])
def test_limits_hold(most, dies):
    for choice in moves(MoveMaker(RULES, RULES.dies, most, dies)):
        beads = beads_of(choice)
        assert len(beads) <= most and len({bead.die for bead in beads}) <= dies


def test_what_is_fixed_counts_for_the_limits():
    fixed = replace(RULES.straight(B20, 0.0, 200.0, "up"), fixed=True)
    rules = BeadRules(replace(LID, beads=(fixed,)), 1.0, "xy")
    maker = MoveMaker(rules, rules.dies, 3, 1)
    start = members(rules, Family(B20, 0.0, "up"), 2)
    assert maker.allows(start)
    assert not maker.allows(members(rules, Family(B16, 0.0, "up"), 2))
    assert all(len(rules.layout(choice).beads) <= 3 for choice in moves(maker, start=start))

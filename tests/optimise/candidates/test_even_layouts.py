"""Even layouts drawn anew, and beads on whole millimetres: legal, equal, at one pitch, few dimensions to measure."""

from dataclasses import replace
from itertools import pairwise

import pytest
from support.panels import B16, lid

from stiffen.model.layout import Bead
from stiffen.model.panel import Cutout
from stiffen.optimise.candidates.bead_rules import BeadRules, line_of
from stiffen.optimise.candidates.even_layouts import even_layouts, free_strips
from stiffen.optimise.candidates.whole_millimetres import is_on_whole_millimetres, on_whole_millimetres
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

LID = lid(500.0, 400.0)
WITH_OPENING = replace(LID, cutouts=(Cutout(((300.0, 60.0), (430.0, 60.0), (430.0, 150.0), (300.0, 150.0))),))


def layouts(rules, count):
    strips = free_strips(rules, B16, "up")
    return [rules.layout(one) for strip in strips for one in even_layouts(rules, B16, "up", strip, count)]


@pytest.mark.parametrize(("panel", "axes"), [(LID, "xy"), (LID, ""), (WITH_OPENING, "")])
@pytest.mark.parametrize("count", [2, 3, 5])
def test_beads_are_equal_at_one_pitch_and_legal(panel, axes, count):
    found = layouts(BeadRules(panel, 1.0, axes), count)
    assert found
    for one in found:
        assert len(one.beads) == count and audit(panel, one) == ()
        assert len({round(bead.length, 3) for bead in one.beads}) == 1 and one.beads[0].length % 5 == 0
        offsets = sorted(line_of(bead)[1] for bead in one.beads)
        steps = {round(b - a, 3) for a, b in pairwise(offsets)}
        assert len(steps) == 1 and steps.pop() % 5 == 0
        assert distinct_dimensions(panel, one).count <= 4


def test_lines_left_and_right_of_an_opening_are_used_together():
    """Two uprights of full height, one on either side: three dimensions, where beads about the opening take more."""
    found = layouts(BeadRules(WITH_OPENING, 1.0), 2)
    beside = [
        one for one in found if min(b.path[0][0] for b in one.beads) < 300 < 430 < max(b.path[0][0] for b in one.beads)
    ]
    upright = [one for one in beside if line_of(one.beads[0])[0] == 90 and one.beads[0].length > 300]
    assert upright and min(distinct_dimensions(WITH_OPENING, one).count for one in upright) <= 3


def test_ends_move_to_whole_millimetres():
    """A bead aslant and a curved one: ends within 1.5 mm of where they were; straight ones along x stay along x."""
    rules = BeadRules(LID, 1.0)
    arc = tuple((250.3 + x, 303.17 - x * x / 400.0) for x in range(-60, 61, 10))
    beads = (Bead(B16, ((60.21, 80.4), (310.37, 120.9))), Bead(B16, ((61.6, 180.04), (410.2, 180.04))), Bead(B16, arc))
    choice = rules.groups_of(rules.layout([(bead,) for bead in beads]))
    assert choice is not None and not any(map(is_on_whole_millimetres, beads))
    made = on_whole_millimetres(rules, choice)
    assert made is not None and audit(LID, rules.layout(made)) == ()
    for old, (new,) in zip(beads, made, strict=True):
        assert all(v == round(v) for end in (new.path[0], new.path[-1]) for v in end)
        assert (
            max(abs(a - b) for p, q in zip(old.path, new.path, strict=True) for a, b in zip(p, q, strict=True)) <= 1.5
        )
    assert line_of(made[1][0])[0] == 0
    assert on_whole_millimetres(rules, made) == made

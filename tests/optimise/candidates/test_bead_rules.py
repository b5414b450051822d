"""Beads that can be made beside what is fixed, their mirror images, and which of them keep clear of each other."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import B16, B20, V12, lid, rows

from stiffen.model.layout import Bead
from stiffen.model.material import Material
from stiffen.optimise.candidates.bead_rules import BeadRules, is_short_bow, line_of
from stiffen.optimise.candidates.curved_beads import bow_arc
from stiffen.optimise.candidates.symmetry import mirror_axes
from stiffen.shop.layout_check import audit

LID = lid()
RULES = BeadRules(LID, 1.0, "xy")


def test_a_straight_bead_takes_the_free_length_in_whole_millimetres():
    bead = RULES.straight(B16, 0.0, 120.0, "up")
    (x0, y0), (x1, y1) = bead.path
    assert y0 == y1 == 120.0 and x0 == round(x0) and x1 == round(x1)
    assert audit(LID, RULES.layout([(bead,)])) == ()
    longer = replace(bead, path=((x0 - 2.0, y0), (x1 + 2.0, y1)))
    assert audit(LID, RULES.layout([(longer,)])) != ()
    half = RULES.straight(B16, 0.0, 120.0, "up", share=0.5)
    assert half.length == pytest.approx(bead.length / 2, abs=1.0)
    assert line_of(half)[2] == pytest.approx(250.0, abs=0.6)


def test_a_line_off_the_sheet_or_too_short_gives_no_bead():
    assert RULES.straight(B16, 0.0, 500.0, "up") is None
    assert RULES.straight(B16, 0.0, 120.0, "up", share=0.05) is None


@pytest.mark.parametrize("die", [B16, B20])
@pytest.mark.parametrize(("widths", "is_made", "is_short"), [(2.8, False, True), (3.2, True, True), (6.5, True, False)])
def test_short_beads_are_not_made_and_short_bows_are_told(die, widths, is_made, is_short):
    """Between the run-outs three widths of a bead, six of a bow: once a bow of 98 mm stood over an opening."""
    rules = BeadRules(lid(), 1.0)
    length = 2 * die.run_out_length + widths * die.width
    straight = rules.between(die, 0.0, 200.0, 200.0, 200.0 + length, "up")
    assert (straight is not None) == is_made and not (straight and is_short_bow(straight))
    start, stop = np.array([(200.0, 200.0), (200.0 + length / 1.038, 200.0)])  # rise 0.12: the arc is 3.8 % longer
    bow = Bead(die, tuple(map(tuple, bow_arc(start, stop, 0.12).tolist())), "up")
    assert (rules.made(bow) is not None) == is_made and is_short_bow(bow) == is_short
    assert not is_short_bow(replace(bow, fixed=True))


@pytest.mark.parametrize(("offset", "count"), [(120.0, 2), (200.0, 1)])
def test_a_group_holds_the_images(offset, count):
    group = RULES.group(RULES.straight(B16, 0.0, offset, "up"))
    assert len(group) == count
    oblique = RULES.group(RULES.straight(B16, 30.0, 60.0, "up", share=0.4))
    assert oblique is None or len(oblique) in (2, 4)


def test_images_too_close_to_each_other_make_no_group():
    assert RULES.group(RULES.straight(B16, 0.0, 195.0, "up")) is None


def test_groups_of_a_layout_are_found_again():
    groups = tuple(RULES.group(RULES.straight(B16, 0.0, offset, "up")) for offset in (60.0, 120.0, 200.0))
    layout = RULES.layout(groups)
    assert [set(group) for group in RULES.groups_of(layout)] == [set(group) for group in groups]
    lopsided = replace(layout, beads=layout.beads[1:])
    assert RULES.groups_of(lopsided) is None


def test_fixed_beads_count_in_every_rule_and_in_the_symmetry():
    """A bead fixed off the mirror line: no other may be rolled over it, and the panel is not symmetric any more."""
    fixed = Bead(B20, ((60.0, 130.0), (440.0, 130.0)), fixed=True)
    panel = replace(LID, beads=(fixed,))
    assert mirror_axes(LID) == "xy" and mirror_axes(panel) == "x"
    rules = BeadRules(panel, 1.0, mirror_axes(panel))
    assert rules.straight(B16, 0.0, 140.0, "up") is None
    crossing = rules.straight(B16, 90.0, -250.0, "up")
    assert crossing is None or audit(panel, rules.layout([(crossing,)])) == ()
    mirrored = BeadRules(panel, 1.0, "xy")
    assert mirrored.group(mirrored.straight(B16, 0.0, 270.0, "up")) is None  # its image would lie on the fixed bead
    assert rules.layout(()).beads == (fixed,)


def test_pairs_keep_their_clearance():
    group = RULES.group(RULES.straight(B16, 0.0, 120.0, "up"))
    assert not RULES.fits(group, rows(V12, (125.0,)))
    assert RULES.fits(group, rows(V12, (200.0,)))


def test_dies_that_may_crack_come_last():
    brittle = Material("brittle", 70e3, 0.33, 2.68e-6, 300.0, 400.0, 0.05)
    rules = BeadRules(lid(material=brittle), 1.0)
    assert [rules.may_crack(die) for die in rules.dies] == sorted(rules.may_crack(die) for die in rules.dies)


def test_faces():
    assert BeadRules(replace(LID, bead_side="either"), 1.0).sides == ("up", "down")
    assert BeadRules(replace(LID, bead_side="down"), 1.0).sides == ("down",)

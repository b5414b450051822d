"""The panel's own symmetry, and beads with their mirror images."""

from dataclasses import replace

import pytest
from support.panels import B16, SHOP, lid

from stiffen.model.layout import Bead
from stiffen.model.panel import Cutout, Demand, Support
from stiffen.model.tools import Roller
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search.driver import search

BOLTS = Support("bolts", at=((20.0, 20.0), (480.0, 20.0)), diameter=5.0)


def test_rectangle_is_symmetric_both_ways_until_its_fasteners_are_not():
    assert symmetry.mirror_axes(lid()) == "xy"
    assert symmetry.mirror_axes(lid(supports=(BOLTS,))) == "x"
    assert symmetry.mirror_axes(lid(symmetry="none")) == ""
    assert symmetry.mirror_axes(lid(supports=(BOLTS,), symmetry="xy")) == "xy"


def test_slanted_outline_has_no_axis():
    assert symmetry.mirror_axes(lid(outline=((0.0, 0.0), (500.0, 0.0), (450.0, 400.0), (0.0, 380.0)))) == ""


def test_cut_out_on_one_side_takes_the_symmetry_away_unless_it_is_small_or_in_the_middle():
    def holed(x, y, size):
        corners = ((x, y), (x + size, y), (x + size, y + size), (x, y + size))
        return lid(cutouts=(Cutout(corners),))

    assert symmetry.mirror_axes(holed(380.0, 50.0, 80.0)) == ""
    assert symmetry.mirror_axes(holed(210.0, 50.0, 80.0)) == "x"
    assert symmetry.mirror_axes(holed(250.0, 30.0, 5.0)) == "xy"
    assert symmetry.mirror_axes(replace(holed(380.0, 50.0, 80.0), symmetry="y")) == "y"


def grouped(bead, panel=None, axes="xy"):
    return BeadRules(panel or lid(), 1.0, axes).group(bead)


def test_straight_bead_beside_its_image_is_cut_to_what_they_share():
    """250, 40 to 250, 320 mirrored about y = 200 is 80 to 360: 80 to 320 is left; one clear of its image stays."""
    [one] = grouped(Bead(B16, ((250.0, 40.0), (250.0, 320.0))))
    assert sorted(y for _, y in one.path) == pytest.approx([80.0, 320.0])
    pair = grouped(Bead(B16, ((250.0, 40.0), (250.0, 120.0))))
    assert [bead.length for bead in pair] == pytest.approx([80.0, 80.0])


def test_groups_hold_all_images_once():
    for bead in bead_candidates(lid(), 1.0)[::7]:
        group = grouped(bead)
        if group is None:
            continue
        for axis in "xy":
            images = [symmetry.mirrored_bead(member, (250.0, 200.0), axis) for member in group]
            assert all(sum(symmetry.same_place(image, member) for member in group) == 1 for image in images)


def test_bead_on_the_middle_line_stands_alone():
    assert len(grouped(Bead(B16, ((250.0, 40.0), (250.0, 360.0))))) == 1
    assert len(grouped(Bead(B16, ((60.0, 60.0), (200.0, 150.0))))) == 4


def test_closed_frame_is_its_own_image_wherever_it_begins():
    corners = ((60.0, 60.0), (440.0, 60.0), (440.0, 340.0), (60.0, 340.0))
    for first in range(4):
        frame = Bead(B16, corners[first:] + corners[: first + 1])
        rules = BeadRules(lid(tools=replace(SHOP, roller=Roller(throat=500.0))), 1.0, "xy")
        assert rules.group(frame) == (frame,)


def test_image_that_rounding_puts_elsewhere_is_the_bead_all_the_same():
    nearly = Bead(B16, ((60.2500001, 200.0), (439.7499998, 200.0)))
    assert grouped(nearly) == (nearly,)


def test_image_out_of_the_sheet_drops_the_group():
    cut = lid(outline=((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (150.0, 400.0), (0.0, 250.0)))
    assert grouped(Bead(B16, ((440.0, 60.0), (440.0, 340.0))), cut, "x") is None


@pytest.mark.slow
@pytest.mark.parametrize("most", [{"beads_at_most": 2}, {"beads_at_most": 3, "dies_at_most": 1}])
def test_limits_on_beads_and_dies_are_kept(most):
    panel = lid(300.0, 240.0, gauges=(1.0,), demands=(Demand("frequency", 130.0),), goal="stiffest", **most)
    layout = search(panel, effort="quick", mesh_level="quick").verdict.layout
    assert layout.beads
    assert len(layout.beads) <= most.get("beads_at_most", 99)
    assert len({bead.die for bead in layout.beads}) <= most.get("dies_at_most", 99)


@pytest.mark.slow
def test_stiffest_beats_the_first_that_meets():
    panel = lid(300.0, 240.0, gauges=(1.0,), demands=(Demand("frequency", 90.0),))
    enough = search(panel, effort="quick", mesh_level="quick").verdict
    most = search(replace(panel, goal="stiffest", beads_at_most=4), effort="quick", mesh_level="quick").verdict
    assert len(most.layout.beads) <= 4
    assert most.demands[0].value > enough.demands[0].value
    assert SHOP.bead_dies[1] in {bead.die for bead in most.layout.beads}  # the deeper die

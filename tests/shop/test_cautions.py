"""Cautions for the bench: strains, ratings, throat, loads, fasteners and folds."""

from dataclasses import replace

import pytest
from support.bench import F60, PANEL, ROLLER, SOFT, TOOLS, across

from stiffen.model.layout import Hole, Layout
from stiffen.model.material import materials
from stiffen.model.panel import Fold, Load, Support
from stiffen.model.tools import BeadDie, HoleDie
from stiffen.shop import cautions, layout_check, rough_blank


def test_a_mild_layout_has_no_warning():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    wide = HoleDie("wide", pilot=44, finished=48, flange=60, rise=4)
    layout = Layout(1.0, (across(100, mild),), (Hole(wide, (300, 300)),))
    assert cautions.bench_cautions(PANEL, layout) == () and cautions.crack_note(PANEL, layout) == ""


def test_stretch_beyond_elongation_is_reported_for_free_and_fixed_edges():
    """Arc 12x4: S - w = 3.29 mm (recomputed), 27 % if the edges cannot move."""
    deep = BeadDie("deep", "round", 12, 4)
    layout = Layout(1.0, (across(100, deep), across(200, deep)))
    (found,) = cautions.bench_cautions(PANEL, layout)
    assert cautions.crack_note(PANEL, layout) == "die deep may crack this sheet: try a scrap strip first"
    assert "stretches 27 %" in found
    assert "draws in 3.3 mm" in found
    assert "elongation is 15 %" in found


def test_bends_are_limited_by_elongation_if_there_is_no_table():
    die = BeadDie("tight", "flat", 40, 2, nose_radius=2, shoulder_radius=2)
    layout = Layout(1.0, (across(100, die),))
    assert cautions.bench_cautions(PANEL, layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, material=replace(SOFT, bend_radius=())), layout)
    assert "outer fibre by 25 %" in found
    (found,) = cautions.bench_cautions(PANEL, Layout(1.0, (across(100, BeadDie("sharp", "flat", 40, 2)),)))
    assert "neither radius is given" in found


def test_lip_beyond_elongation():
    """45-degree flange, fold circle 60, 6 mm: blank hole 43.03, lip 48, 11.6 % (recomputed)."""
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    assert F60.lip_strain == pytest.approx(0.1155, abs=5e-4)
    assert cautions.bench_cautions(PANEL, layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, material=replace(SOFT, elongation=0.10)), layout)
    assert "stretches the lip by 12 %" in found


@pytest.mark.parametrize(("t", "told"), [(1.60, False), (1.613, False), (1.62, True), (1.84, True), (1.85, False)])
def test_sheet_a_little_over_the_rating_is_a_caution(t, told):
    """1.2 mm of mild steel is 1.6053 mm of this sheet (1.2 sqrt(340/190)); 15 % more is 1.846 mm."""
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    lines = cautions.bench_cautions(PANEL, Layout(t, (across(100, mild),)))
    assert any("over the roller's rating, 1.61 mm for this material: roll the trial" in line for line in lines) == told
    assert any("rating may be off" in line for line in lines) == (t > 1.846)
    assert not any("rating" in line for line in cautions.bench_cautions(PANEL, Layout(t)))
    assert not any("is 0 % over" in line for line in lines)


def test_a_hair_over_the_rating_is_a_caution_and_the_die_is_offered():
    """1.2 mm of mild steel is 1.492 mm of 5754-H22 (220 MPa)."""
    panel = replace(PANEL, material=materials()["5754-H22"])
    assert layout_check.bead_die_violations(panel, TOOLS.bead_dies[0], 1.5) == []
    lines = cautions.bench_cautions(panel, Layout(1.5, (across(100),)))
    assert any("1.5 mm 5754-H22 is 1 % over the roller's rating, 1.49 mm" in line for line in lines)


def test_rivets_far_apart_are_told():
    """Strip between two rivets as a column with end fixity 3: 190 mm in 0.8 mm, E 70 GPa: 3.06 MPa (recomputed)."""
    row = Support("rivets", path=((20.0, 20.0), (590.0, 20.0)), pitch=190.0, diameter=4.0)
    panel = replace(PANEL, supports=(row,))
    (found,) = cautions.bench_cautions(panel, Layout(0.8))
    assert "support 1: rivets 190.0 mm apart" in found
    assert "buckles between them at 3.1 MPa" in found
    assert cautions.bench_cautions(replace(panel, supports=(replace(row, pitch=40.0),)), Layout(0.8)) == ()


def test_rating_and_rivets():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    near = replace(PANEL, supports=(Support("rivets", path=((5, 5), (595, 5)), pitch=40, diameter=4.0),))
    rating, edge = cautions.bench_cautions(near, Layout(2.0, (across(100, mild),)))
    assert "over the roller's rating of 1.61 mm" in rating
    assert "support[1] rivets" in edge


@pytest.mark.parametrize(("spare", "reported"), [(0, True), (4, True), (5, False)])
def test_a_rough_cut_that_the_throat_does_not_take_is_reported(spare, reported):
    layout = Layout(1.0, (across(200),))
    assert rough_blank.trim_allowance(PANEL, layout)[1] == 5
    tight = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=200 + spare)))
    words = f"the rough cut leaves 5 mm on the side that goes to the roller's frame, the throat has room for {spare} "
    assert any(words in line for line in cautions.bench_cautions(tight, layout)) == reported


def test_flares_beyond_the_published_thickness():
    """Published for 2024-T3: 0.64 mm sheet only."""
    hard = replace(PANEL, material=replace(SOFT, name="2024-T3", bend_radius=()))
    layout = Layout(1.0, (), (Hole(F60, (300, 300)),))
    (found,) = cautions.bench_cautions(hard, layout)
    assert "one fabricator lists flares of this size in 2024-T3 up to 0.64 mm; what this die takes is not" in found
    assert cautions.bench_cautions(hard, replace(layout, gauge=0.6)) == ()


def test_beads_proud_under_a_load_are_reported():
    mild = BeadDie("mild", "round", 40, 4, shoulder_radius=10)
    layout = Layout(1.0, (across(100, mild), across(300, mild, "down")))
    foot = Load("foot", "patch", 883.0, at=(300, 120), size=(100, 100))
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(foot,)), layout)
    assert found == "load foot presses on the up face, where bead 1 stands proud: put it on the other face, or move it"
    below = replace(foot, value=-883.0, at=(300, 290))
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(below,)), layout)
    assert "down face, where bead 2" in found
    assert cautions.bench_cautions(replace(PANEL, loads=(replace(foot, at=(300, 200), size=(50, 50)),)), layout) == ()
    (found,) = cautions.bench_cautions(replace(PANEL, loads=(replace(foot, at=None),)), layout)
    assert "bead 1 stands proud" in found


def test_folds_are_checked_too():
    tight = replace(PANEL, folds=(Fold(((0, 2), (600, 2)), 90, 0.2),))
    radius, flat = cautions.bench_cautions(tight, Layout(1.0))
    assert "inside radius 0.2 mm, least for 1 mm 5754-H111 is 0.50 mm" in radius
    assert "1.5 mm flat is left beyond the bend, the folding brake needs 2.5 mm" in flat

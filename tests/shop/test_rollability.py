"""Rolling order, frame sides and reorientations; throat and curves of one bead are in test_layout_check."""

from dataclasses import replace

from support.bench import B16, PANEL, ROLLER, TOOLS, V14, across, upright

from stiffen.model.layout import Bead
from stiffen.shop import rollability


def test_rolling_order_by_die_from_the_middle_outward():
    beads = (across(60), across(340, V14), across(150), across(205), across(120, V14), across(300))
    assert rollability.rolling_order(PANEL, beads) == (3, 2, 5, 0, 4, 1)


def test_each_face_is_rolled_in_one_go():
    beads = (across(60, side="down"), across(120), across(180, side="down"), across(240), across(300))
    assert rollability.rolling_order(PANEL, beads) == (3, 1, 4, 2, 0)


def test_frame_comes_after_what_lies_inside_it():
    frame = Bead(B16, ((50, 50), (550, 50), (550, 350), (50, 350), (50, 50)))
    assert rollability.rolling_order(PANEL, (frame, across(200))) == (1, 0)


def test_reorientations():
    assert rollability.reorientations(PANEL, (across(200), across(150), across(250))) == 0
    assert rollability.reorientations(PANEL, (across(100), upright(300), upright(350))) == 1
    assert rollability.reorientations(PANEL, (across(100), across(150, side="down"))) == 1
    reverse = Bead(B16, ((500, 150), (100, 150)))
    assert rollability.reorientations(PANEL, (across(100), reverse)) == 0
    nearly = Bead(B16, ((100, 150), (500, 148)))
    assert rollability.reorientations(PANEL, (Bead(B16, ((500, 100), (100, 101))), nearly)) == 0


def test_frame_side_is_kept_while_the_throat_allows():
    beads = (across(100), Bead(B16, ((500, 250), (100, 250))), across(350))
    assert rollability.frame_sides(PANEL, beads) == ("right", "left", "right")
    narrow = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=300)))
    assert rollability.frame_sides(narrow, beads) == ("right", "left", "left")
    assert rollability.reorientations(narrow, beads) == 1
    narrower = replace(PANEL, tools=replace(TOOLS, roller=replace(ROLLER, throat=120)))
    assert rollability.frame_sides(narrower, beads) == ("right", None, "left")

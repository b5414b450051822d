"""What is marked on a face, before it is written as DXF or PDF: mark points, faces, rough cut, label positions."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon, box
from support.trike import B16, B20, FRAME, LAYOUT, PANEL

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import KeepOut
from stiffen.output.drawing.bench_view import (
    ARC_TOLERANCE,
    MarkPoint,
    face_up,
    face_view,
    mark_points,
    number_ranges,
    raised_roll,
    rolled_faces,
)
from stiffen.output.drawing.face_marking import build_marking
from stiffen.output.drawing.keep_out_marks import keep_out_marks
from stiffen.output.drawing.label_placement import place_labels
from stiffen.output.drawing.primitives import Circle, Hatch, Label, Line, TextLine
from stiffen.output.drawing.title_block import bench_notes
from stiffen.shop import rollability
from stiffen.shop.rollability import in_rolling_order
from stiffen.shop.rough_blank import rough_outline, trim_allowance


def test_marks_of_a_straight_bead_are_its_ends():
    assert mark_points(LAYOUT.beads[0]) == (MarkPoint((60.0, 110.0), "start"), MarkPoint((500.0, 110.0), "stop"))


def test_marks_of_a_frame_are_the_ends_of_its_straights_and_its_curves():
    found = mark_points(FRAME.beads[0])
    assert [point.word for point in found].count("curve R 70") == 4
    assert found[-1].word == "back at start"
    assert found[0].at == found[-1].at
    straight_ends = {(60.0, 170.0), (60.0, 250.0), (130.0, 100.0), (430.0, 320.0), (500.0, 250.0)}
    assert straight_ends <= {(round(x, 6), round(y, 6)) for x, y in (point.at for point in found)}


def test_marks_of_an_arc_give_its_middle_its_centre_and_radius():
    turn = np.linspace(0.3, 2.3, 41)
    arc = Bead(B16, tuple(zip(200 + 90 * np.cos(turn), 150 + 90 * np.sin(turn), strict=True)))
    start, middle, stop = mark_points(arc)
    assert (start.word, middle.word, stop.word) == ("start", "curve R 90", "stop")
    assert Point(middle.at).distance(Point(200, 150)) == pytest.approx(90.0)
    assert middle.centre == pytest.approx((200.0, 150.0))
    assert middle.radius == pytest.approx(90.0)
    assert start.centre is stop.centre is None


@pytest.mark.parametrize("kind", ["ellipse", "ring", "wave", "lead-in and arc"])
def test_arcs_told_by_centre_and_radius_follow_any_curve(kind):
    """Every point of the path lies on a straight run or on an arc about one of the centres given."""
    turn = np.linspace(0.0, 2 * np.pi, 121)
    x, y = {
        "ellipse": (250 + 150 * np.cos(turn), 200 + 90 * np.sin(turn)),
        "ring": (250 + 120 * np.cos(turn), 200 + 120 * np.sin(turn)),
        "wave": (50 + 70 * turn, 200 + 40 * np.sin(turn)),
        "lead-in and arc": (
            np.concatenate([[50.0], 200 + 90 * np.sin(turn[:31])]),
            np.concatenate([[110.0], 200 - 90 * np.cos(turn[:31])]),
        ),
    }[kind]
    bead = Bead(B16, tuple(zip(x.tolist(), y.tolist(), strict=True)))
    found = mark_points(bead)
    arcs = [point for point in found if point.centre]
    assert arcs
    ends = LineString([point.at for point in found])
    for at in bead.path:
        off_arcs = min(abs(np.hypot(at[0] - p.centre[0], at[1] - p.centre[1]) - p.radius) for p in arcs)
        assert min(off_arcs, ends.distance(Point(at))) <= ARC_TOLERANCE + 1e-6
    assert len(found) < 32


def test_rough_cut_is_outside_by_the_trim_allowance():
    x, y = trim_allowance(PANEL, LAYOUT)
    assert y > x > 0  # three beads along x draw the sheet in along y
    x0, y0, x1, y1 = rough_outline(PANEL, LAYOUT).bounds
    assert (x0, y0, x1, y1) == pytest.approx((-x, -y, 560 + x, 380 + y), abs=0.05)
    assert rough_outline(PANEL, Layout(1.0)).equals(Polygon(PANEL.outline))


def test_rough_cut_leaves_a_narrow_notch_for_later_and_follows_a_wide_one():
    for wide, kept in ((30.0, False), (80.0, True)):
        notch = box(560 - 20, 190 - wide / 2, 570, 190 + wide / 2)
        sheet = replace(PANEL, outline=tuple(box(0, 0, 560, 380).difference(notch).exterior.coords[:-1]))
        rough = rough_outline(sheet, LAYOUT)
        assert rough.covers(Polygon(sheet.outline))
        assert rough.contains(Point(555, 190)) != kept


def test_numbers_follow_the_order_of_rolling():
    ordered = in_rolling_order(PANEL, LAYOUT)
    assert ordered.beads == tuple(LAYOUT.beads[i] for i in rollability.rolling_order(PANEL, LAYOUT.beads))
    assert in_rolling_order(PANEL, ordered) == ordered


def test_faces_and_rolls():
    up, down = Bead(B16, ((60.0, 110.0), (500.0, 110.0))), Bead(B20, ((60.0, 210.0), (500.0, 210.0)), "down")
    assert (
        rolled_faces(Layout(1.0)) == rolled_faces(Layout(1.0, (up,))) == rolled_faces(Layout(1.0, (down,))) == ("up",)
    )
    assert rolled_faces(Layout(1.0, (up, down))) == ("up", "down")
    assert face_up(Layout(1.0, (down,)), down) == "up"
    assert face_up(Layout(1.0, (up, down)), down) == "down"
    assert (raised_roll(up, "up"), raised_roll(down, "up"), raised_roll(down, "down")) == ("below", "on top", "below")


def test_the_back_shows_the_same_sheet_turned_over():
    front, back = face_view(PANEL, LAYOUT), face_view(PANEL, LAYOUT, "down")
    assert back.panel.region.area == pytest.approx(front.panel.region.area)
    assert Polygon(back.panel.outline).exterior.is_ccw
    for ours, theirs in zip(front.layout.beads, back.layout.beads, strict=True):
        for at, over in zip(ours.path, theirs.path, strict=True):
            assert back.from_datum(over) == pytest.approx(front.from_datum(at))
            assert over[0] == pytest.approx(560 - at[0])
    swapped = {"left": "right", "right": "left"}
    assert [swapped[side] for side in front.frame_sides] == list(back.frame_sides)


def test_frame_sides_are_those_that_reorientations_are_counted_with():
    ordered = in_rolling_order(PANEL, LAYOUT).beads
    assert face_view(PANEL, LAYOUT).frame_sides == rollability.frame_sides(PANEL, ordered)


@pytest.mark.parametrize("face", ["up", "down"])
def test_every_label_lies_beside_what_it_names(face):
    """The middle of each label position is within 4 mm a letter plus 45 mm of what it names."""
    drawn = build_marking(face_view(PANEL, LAYOUT, face), 4.0)
    for label in drawn.labels:
        reach = 4.0 * len(label.text) + 45.0
        assert all(Point(x, y).distance(label.anchor) < reach for x, y, _ in label.positions), label.text


def test_a_label_takes_its_first_free_position():
    label = Label("NUMBER", "12", Point(0, 0), ((0.0, 0.0, 0.0), (50.0, 0.0, 0.0), (90.0, 0.0, 0.0)))
    wall = LineString([(-5, -5), (5, 5)]).buffer(0.5)
    (words,) = place_labels([label], [wall], 4.0)[label]
    assert words.at == pytest.approx((50.0, -2.0))
    second = replace(label, text="13")
    assert place_labels([label, second], [wall], 4.0)[second][0].at[0] == pytest.approx(90.0)
    assert place_labels([label], [box(-200, -200, 200, 200)], 4.0, require_clear=True) == {}
    (words,) = place_labels([label], [], 4.0, window=box(80, -10, 100, 10))[label]
    assert words.at[0] == pytest.approx(90.0)


def test_lines_of_a_label_are_stacked_and_rotated_together():
    label = Label("KEEP OUT", "no bead\nclip", Point(0, 0), ((10.0, 20.0, 90.0),))
    first, second = place_labels([label], [], 4.0)[label]
    assert (first.rotation, second.rotation) == (90.0, 90.0)
    assert second.at[0] - first.at[0] == pytest.approx(6.0)  # down is to the right after a quarter turn
    assert first.at[1] == second.at[1] == pytest.approx(20.0)
    assert first.footprint.union(second.footprint).envelope.centroid.x == pytest.approx(10.0)


def test_hatching_is_left_out_behind_text():
    drawn = build_marking(face_view(PANEL, LAYOUT), 4.0)
    placed = [words for lines in place_labels(drawn.labels, drawn.obstacles, 4.0).values() for words in lines]
    hatch = next(item for item in drawn.items if isinstance(item, Hatch) and Polygon(item.polygon).area > 5000)
    (first, second) = hatch.text_windows(placed)
    strokes = [LineString(stroke) for stroke in hatch.hatch_lines(4.0, [first, second])]
    assert strokes
    for stroke in strokes:
        (x0, y0), (x1, y1) = stroke.coords
        assert abs(y1 - y0) == pytest.approx(abs(x1 - x0))
        assert Polygon(hatch.polygon).buffer(1e-6).covers(stroke)
        assert not stroke.crosses(first)
        assert not stroke.crosses(second)


def test_everything_of_the_panel_is_in_the_marking():
    drawn = build_marking(face_view(PANEL, LAYOUT), 4.0)
    circles = {(item.layer, item.at, item.diameter) for item in drawn.items if isinstance(item, Circle)}
    for hole in LAYOUT.holes:
        assert ("HOLE PILOT", hole.at, hole.die.pilot) in circles
        assert ("HOLE FLANGE", hole.at, hole.die.flange) in circles
    assert ("CUT", (120.0, 60.0), 32.0) in circles
    assert sum(layer == "RIVET" for layer, *_ in circles) == 11
    lines = [item for item in drawn.items if isinstance(item, Line)]
    assert {"FOLD", "KEEP OUT", "DATUM", "ROUGH CUT", "FEED", "OTHER FACE"} <= {line.layer for line in lines}


def test_a_closed_bead_has_a_tick_to_roll_on_to():
    """The rolls go down over the run-out after the start, so the small tick stands that far past it."""
    lines = [item.shape for item in build_marking(face_view(PANEL, FRAME), 4.0).items if item.layer == "BEAD STOP"]
    path = LineString(FRAME.beads[0].path)
    run_out = FRAME.beads[0].die.run_out_length
    at = sorted(path.project(tick.centroid) % path.length for tick in lines)
    assert at == pytest.approx([0.0, run_out], abs=0.05)
    assert any("Roll on past that tick" in note for note in bench_notes(face_view(PANEL, FRAME)))


def test_centres_of_arcs_on_the_sheet_have_a_cross():
    marking = build_marking(face_view(PANEL, FRAME), 4.0)
    crosses = {
        tuple(np.round(item.shape.centroid.coords[0], 3))
        for item in marking.items
        if item.layer == "BEAD AXIS" and item.shape.length == pytest.approx(6.0)
    }
    assert crosses == {(130.0, 170.0), (430.0, 170.0), (130.0, 250.0), (430.0, 250.0)}
    assert [label.text for label in marking.labels].count("1 R 70") == 4


def test_keep_outs_are_clipped_and_only_those_of_what_is_made_are_drawn():
    over = KeepOut(((500.0, 300.0), (700.0, 300.0), (700.0, 500.0), (500.0, 500.0)), ("hole",), "duct")
    dry = KeepOut(((-10.0, -10.0), (570.0, -10.0), (570.0, 390.0), (-10.0, 390.0)), ("hole",), "rain")
    panel = replace(PANEL, keep_outs=(*PANEL.keep_outs, over, dry))
    beads, holes = replace(LAYOUT, holes=()), replace(LAYOUT, beads=())
    assert [mark.name for mark in keep_out_marks(panel, beads)] == ["K1", "K2"]
    assert [mark.name for mark in keep_out_marks(panel, holes)] == ["K1", "K3", "K4"]
    assert keep_out_marks(panel, Layout(1.0)) == ()
    for mark in keep_out_marks(panel, LAYOUT):
        for ring in mark.parts:
            assert Polygon(PANEL.outline).buffer(1e-6).covers(Polygon(ring))
    assert {mark.hatch_angle for mark in keep_out_marks(panel, LAYOUT)} == {45.0, 90.0, 135.0}
    drawn = build_marking(face_view(panel, LAYOUT), 4.0)
    assert len([item for item in drawn.items if isinstance(item, Hatch)]) == 3  # not the one over the whole sheet
    assert "Over the whole sheet: K4 no hole: rain." in bench_notes(face_view(panel, LAYOUT))
    assert "K2 no bead\nlabel" in [label.text for label in drawn.labels]


def test_ranges_of_names():
    names = [("H", 2), ("", 1), ("", 2), ("", 3), ("H", 5), ("H", 7), ("H", 6), ("", 3), ("C", 1), ("C", 2)]
    assert number_ranges(names) == "1-3, C1, C2, H2, H5-H7"


def test_the_label_of_a_hole_is_nearer_to_it_than_to_any_other():
    die = PANEL.tools.hole_dies[0]
    rows = [Hole(die, (x, y), "up") for x in (150.0, 300.0) for y in np.arange(80.0, 300.0, 1.25 * die.flange)]
    drawn = build_marking(face_view(PANEL, Layout(1.0, (), tuple(rows))), 4.0)
    placed = place_labels(drawn.labels, drawn.obstacles, 4.0)
    discs = [Point(hole.at).buffer(die.flange / 2) for hole in rows]
    for number, own in enumerate(discs, 1):
        (label,) = (one for one in placed if one.short_text == f"H{number}")
        (words,) = placed[label]
        assert all(
            words.footprint.centroid.distance(own) < words.footprint.centroid.distance(o) for o in discs if o != own
        )


def test_hatching_is_left_out_behind_text_nearly_as_wide_as_the_area():
    hatch = Hatch("KEEP OUT", ((0.0, 0.0), (40.0, 0.0), (40.0, 40.0), (0.0, 40.0)))
    (room,) = hatch.text_windows([TextLine("KEEP OUT", "cable clip", (20.0, 18.0), 0.0, 4.3)])
    assert Polygon(hatch.polygon).contains(room)
    assert room.contains(LineString([(1.0, 20.0), (39.0, 20.0)]))

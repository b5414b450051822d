"""The picture of the folded part: every face, the right side of each, what hides what, the numbers of the folds."""

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon
from support.panels import B16, SHEET, SHOP

from stiffen.mesh.fold_geometry import fold_nodes
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Fold, Panel
from stiffen.output.drawing.folded_view import folded_view

PLATE = Panel("plate", SHEET, (1.0,), ((0.0, 0.0), (300.0, 0.0), (300.0, 200.0), (0.0, 200.0)), SHOP)
WALL = Fold(((0.0, 60.0), (300.0, 60.0)), 90.0, 2.0)


def seen(panel, layout=None):
    return folded_view(panel, layout or Layout(1.0))


def area(face):
    return Polygon(face.rings[0], face.rings[1:]).area


def test_a_flat_panel_has_no_picture():
    assert seen(PLATE) is None


@pytest.mark.parametrize(("angle", "sides"), [(90.0, {True}), (-90.0, {True, False})])
def test_an_angle_shows_two_faces(angle, sides):
    """A flange folded up or down shows two faces; the viewpoint is the one from which most is seen."""
    view = seen(replace(PLATE, folds=(replace(WALL, angle=angle),)))
    assert len(view.faces) == 2
    assert {face.is_up for face in view.faces} <= sides | {True}
    assert max(view.faces, key=area).is_up


def test_faces_have_the_area_that_the_line_of_sight_gives():
    """A level face is seen with sin(elevation) of its area, whatever the azimuth: 32 degrees."""
    view = seen(replace(PLATE, folds=(WALL,)))
    assert max(map(area, view.faces)) == pytest.approx(300 * 140 * math.sin(math.radians(32)), rel=1e-3)


def test_a_round_bend_has_no_lines_between_its_facets():
    """Six facets of 15 degrees; their edges along the bend are drawn at the two tangent lines only."""
    view = seen(replace(PLATE, folds=(Fold(((0.0, 80.0), (300.0, 80.0)), 90.0, 40.0),)))
    assert len(view.faces) == 8
    facets = [face for face in view.faces if sum(len(run) == 2 for run in face.edges) == 2]
    assert len(facets) >= 4


def test_what_is_in_front_is_painted_last():
    """Walls round a tray: a wall that stands before the floor comes after it."""
    ring = ((-30, 6), (6, 6), (6, -30), (294, -30), (294, 6), (330, 6), (330, 194), (294, 194), (294, 230), (6, 230),
            (6, 194), (-30, 194))  # fmt: skip
    folds = (
        Fold(((6, 0), (294, 0)), 90.0, 2.0), Fold(((6, 200), (294, 200)), 90.0, 2.0),
        Fold(((0, 6), (0, 194)), 90.0, 2.0), Fold(((300, 6), (300, 194)), 90.0, 2.0),
    )  # fmt: skip
    tray = replace(PLATE, outline=ring, folds=folds)
    view = seen(tray)
    floor = max(range(5), key=lambda k: area(view.faces[k]))
    backs = [k for k, face in enumerate(view.faces) if not face.is_up]
    assert len(backs) == 2 and min(backs) > floor  # the two near walls show their down face
    assert len(view.folds) == 4


def test_numbers_stand_at_their_folds():
    """The middle of each line, projected, lies within the picture and on its fold."""
    lip = Fold(((0.0, 15.0), (300.0, 15.0)), -90.0, 2.0)
    panel = replace(PLATE, folds=(WALL, lip))
    assert panel.folds == (lip, WALL)  # the lip is made first, and so is number 1
    view = seen(panel)
    places = fold_nodes(panel, 1.0, np.array([(150.0, 15.0), (150.0, 60.0)]))
    rise = (np.array(view.folds[0][0]) - view.folds[1][0])[1]
    assert abs(rise) > 0.5 * (places[0, 2] - places[1, 2]) * math.cos(math.radians(32))
    assert all(0 <= x <= view.size[0] and 0 <= y <= view.size[1] for (x, y), _ in view.folds)


def test_bead_axes_show_on_their_face():
    bead = Bead(B16, ((40.0, 130.0), (260.0, 130.0)))
    view = seen(replace(PLATE, folds=(WALL,)), Layout(1.0, (bead,)))
    assert [len(face.marks) for face in view.faces if face.marks] == [1]

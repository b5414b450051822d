"""Labels in pictures cover nothing that counts: rivets, outlines, other beads, curves, each other."""

import numpy as np
import pytest
import shapely
from matplotlib.figure import Figure
from matplotlib.text import Text
from shapely.geometry import LineString, Point, Polygon, box
from support.panels import B16, B20, lid, rows

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Support
from stiffen.output.plots.bead_labels import place_bead_labels
from stiffen.output.plots.layout_picture import draw_layout
from stiffen.output.plots.point_labels import PointLabel, label_points

RIVETS = Support("bolts", at=((250.0, 200.0), (250.0, 100.0), (60.0, 60.0)), diameter=5.0, in_plane="free")
L_SHAPE = ((0.0, 0.0), (500.0, 0.0), (500.0, 150.0), (200.0, 150.0), (200.0, 400.0), (0.0, 400.0))
CROSSED = (*rows(B16, (100.0, 200.0)), Bead(B20, ((250.0, 260.0), (250.0, 380.0))))


def drawn_labels(panel, layout):
    """The boxes (mm of the sheet) of the words on the sheet, by the renderer, with the words."""
    figure = Figure(figsize=(7.5, 7.0), dpi=100)
    axis = figure.subplots()
    draw_layout(axis, panel, layout, 0.31)
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer() if hasattr(figure.canvas, "get_renderer") else figure._get_renderer()
    out = {}
    for text in axis.texts:
        area = axis.transData.inverted().transform(text.get_window_extent(renderer))
        out[text.get_text()] = box(*area.ravel())
    return out


@pytest.mark.parametrize(
    ("panel", "layout"),
    [
        (lid(supports=(Support("edge", in_plane="free"), RIVETS)), Layout(1.0, CROSSED)),
        (lid(outline=L_SHAPE), Layout(1.0, (*rows(B16, (60.0,)), *rows(B16, (200.0, 320.0), 30.0, 170.0)))),
        (lid(), Layout(1.0, rows(B16, (200.0,), 235.0, 265.0))),
    ],
    ids=["rivets on the beads", "L", "one short bead"],
)
def test_a_label_stands_on_its_bead_and_clear_of_everything_else(panel, layout):
    labels = drawn_labels(panel, layout)
    assert len(labels) == len(layout.beads)
    sheet = Polygon(panel.outline)
    rivets = [Point(at).buffer(2.0) for support in panel.supports for at in support.fasteners()]
    numbers = {name.split(":")[0]: area for name, area in labels.items()}
    for number, bead in enumerate(layout.beads, 1):
        area = numbers[f"{number}"]
        assert area.intersects(LineString(bead.path))
        assert sheet.contains(area)
        assert not any(area.intersects(rivet) for rivet in rivets)
        others = [LineString(one.path) for one in layout.beads if one is not bead]
        assert not any(area.intersects(other) for other in others)
    areas = list(labels.values())
    assert not any(a.intersects(b) for k, a in enumerate(areas) for b in areas[:k])


def test_a_short_bead_bears_its_number_alone():
    (line,) = place_bead_labels(rows(B16, (200.0,), 235.0, 265.0), [], (0.0, 0.0), 10.0)
    assert line.text == "1"
    (line,) = place_bead_labels(rows(B16, (200.0,)), [], (0.0, 0.0), 10.0)
    assert line.text == "1: B16, 440 mm"


def test_labels_of_points_cover_no_curve_and_no_other_label():
    figure = Figure(figsize=(7.5, 5.0), dpi=100)
    axis = figure.subplots()
    x = np.linspace(0.0, 10.0, 11)
    curves = [(x, x), (x, 10.0 - x)]
    for curve in curves:
        axis.plot(*curve)
    size = tuple(25.4 * inches for inches in (7.5 * 0.775, 5.0 * 0.77))
    label_points(
        axis, [PointLabel(value, value, f"asked {value:g}\nreached") for value in (4.0, 5.0, 5.5)], curves, size
    )
    figure.draw_without_rendering()
    to_data = axis.transData.inverted()
    areas = [box(*to_data.transform(Text.get_window_extent(text)).ravel()) for text in axis.texts]
    assert len(areas) == 3
    for area in areas:
        assert not any(area.intersects(LineString(np.column_stack(curve))) for curve in curves)
    assert shapely.union_all(areas).area == pytest.approx(sum(area.area for area in areas))

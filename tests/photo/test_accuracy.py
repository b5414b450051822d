"""Outlines and holes read from rendered photos of 12 megapixels, within the limits of docs/photo.md."""

import pytest
import shapely
from support.photo_cases import ACCURACY, MARKED, alignment, lengths, moved, photo_file, shape_errors

from stiffen.photo.curves import ring_points
from stiffen.photo.read_template import read_template


@pytest.mark.slow
@pytest.mark.parametrize("case", ACCURACY.values(), ids=ACCURACY)
def test_outline_and_holes_are_within_their_limits(case, tmp_path):
    template, pages, shot, reading, (outline_limit, hole_limit) = case
    path = photo_file(tmp_path / "photo.jpg", template, pages, shot)
    shape, _ = read_template([path], lengths(template, *reading))
    outline, places, _ = shape_errors(template, shape)
    assert outline <= outline_limit
    assert max(places) <= hole_limit and len(shape.holes) == len(template.holes)
    assert len(shape.pieces) <= 14  # few lines and arcs, not thousands of points
    assert shape.error > 0.5 * outline  # the command does not promise much more than it keeps
    assert not shape.cutouts
    if template is MARKED:
        check_pen_lines(shape)
    else:
        assert not shape.folds and not shape.keep_outs


def check_pen_lines(shape):
    """The dashed red line is a fold from edge to edge, the hatched blue loop a keep-out; pencil and crease are none."""
    p = alignment(MARKED, ring_points(shape.pieces, 0.5)[0])
    ((a, b),) = (moved(p, shapely.get_coordinates(shapely.LineString(fold))) for fold in shape.folds)
    assert sorted((a[0], b[0])) == pytest.approx([0.0, 476.1], abs=0.8)
    assert (a[1], b[1]) == pytest.approx((345.0, 345.0), abs=0.6)
    (ring,) = (shapely.Polygon(moved(p, shapely.get_coordinates(shapely.LineString(one)))) for one in shape.keep_outs)
    assert ring.bounds == pytest.approx((149.4, 99.4, 230.6, 160.6), abs=0.8)
    assert len(ring.exterior.coords) <= 9

"""A flange on a curved edge: its blank, its shape in space, what its free edge is strained by, and what is refused."""

import math

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon

from stiffen.errors import InputError
from stiffen.io.mirrored_file import mirrored_panel
from stiffen.io.panel_file import panel_from_dict
from stiffen.mesh.fold_geometry import folded_sheet
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.sheet_geometry import arc_points
from stiffen.shop.folding.curved_flange import curved_flange_steps
from stiffen.shop.folding.edge_strain import flange_strain
from stiffen.shop.folding.fold_check import audit_folds

CORNER, BAY = ((280.0, 120.0), 120.0), ((180.0, 300.0), 130.0)  # centre, radius
HALF = math.asin(50 / 130)  # the bay's centre lies 50 mm beyond the edge
CORNER_EDGE = [[280, 0], [280 + 120 * math.sqrt(0.5), 120 - 120 * math.sqrt(0.5)], [400, 120]]
BAY_EDGE = [[60, 250], [180, 170], [300, 250]]


def foot_plate(*flanges, gauges=(1.0,)):
    """A plate with a round corner, and a bay in its upper edge."""
    bay = [list(at) for at in arc_points(*BAY, -HALF, 2 * HALF - math.pi)]
    corner = [list(at) for at in arc_points(*CORNER, -math.pi / 2, math.pi / 2)]
    outline = [[0, 0], *corner, [400, 250], *bay, [0, 250]]
    head = {"name": "foot plate", "material": "5754-H111", "gauges": list(gauges), "tools": "starter"}
    return panel_from_dict({"panel": {**head, "outline": outline}, "flange": list(flanges)}, ".")


def flange(edge, leg=10.0, radius=2.0, **keys):
    return {"edge": edge, "leg": leg, "radius": radius, **keys}


@pytest.mark.parametrize(("edge", "arc", "way"), [(CORNER_EDGE, CORNER, 1), (BAY_EDGE, BAY, -1)])
@pytest.mark.parametrize("angle", [90.0, -60.0])
def test_the_flange_stands_on_its_arc_as_high_as_asked(edge, arc, way, angle):
    """The outer faces of base and flange meet in the outline, and the leg is measured from there."""
    t, (centre, radius) = 1.0, arc
    panel = foot_plate(flange(edge, angle=angle))
    (one,) = panel.curved_flanges
    middle = math.radians(one.start + one.sweep / 2)
    rim = np.array(one.centre) + one.end_radius * np.array([math.cos(middle), math.sin(middle)])
    place, frames = folded_sheet(panel, t, every_bend_round=True).surface(rim[None])
    turn = math.radians(angle)
    # outer face of the flange at its rim: along the leg from the mould line, in the plane through the centre
    outer = place[0] - math.copysign(t / 2, angle) * frames[0][:, 2]
    reach = np.linalg.norm(outer[:2] - centre) - radius
    assert way * reach == pytest.approx(10 * math.cos(turn), abs=0.02)
    assert outer[2] == pytest.approx(10 * math.sin(turn) - math.copysign(t / 2, angle), abs=0.02)


@pytest.mark.parametrize(("edge", "radius", "way"), [(CORNER_EDGE, 120.0, 1), (BAY_EDGE, 130.0, -1)])
def test_the_free_edge_changes_its_length_by_leg_over_radius(edge, radius, way):
    """e = leg / (radius -+ leg) by concentric arcs; the true arcs of a bend differ from it by less than its size."""
    panel = foot_plate(flange(edge))
    (one,) = panel.curved_flanges
    strain = flange_strain(one, panel.material).edge
    assert strain == pytest.approx(-way * 10 / (radius + way * 10), rel=1e-6)
    rim = np.array(one.arc(one.end_radius))
    folded = folded_sheet(panel, 1.0, every_bend_round=True).surface(rim)[0]
    true = LineString(folded).length / LineString(rim).length - 1
    assert true * strain > 0
    assert abs(true - strain) < 3.0 / radius


def test_the_mesh_of_the_shell_model_stands_up_along_the_arc():
    panel = foot_plate(flange(CORNER_EDGE), flange(BAY_EDGE, leg=8.0), flange("bottom"))
    mesh = mesh_panel(panel, panel.layout(), mesh_level="quick")
    for one in panel.curved_flanges:
        away = np.linalg.norm(mesh.plan - one.centre, axis=1) - one.fold_radius
        sector = one.ring(min(one.fold_radius, one.end_radius) - 1, max(one.fold_radius, one.end_radius) + 1)
        there = shapely.intersects_xy(sector.buffer(-0.2), *mesh.plan.T)
        beyond = there & (away * (1 if one.is_outside else -1) > 0.3)
        assert beyond.sum() > 10
        assert np.linalg.norm(mesh.nodes[beyond, :2] - one.centre, axis=1) == pytest.approx(one.fold_radius, abs=1e-6)
        assert mesh.nodes[beyond, 2] == pytest.approx(np.abs(away[beyond]), abs=1e-6)
    blank = Polygon(panel.outline)
    assert blank.is_valid
    assert not blank.covers(Point(280.8, -5.0)), "a slot parts two flanges that meet smoothly"
    assert mesh.plan[:, 0].max() == pytest.approx(panel.curved_flanges[0].end_radius + 280, abs=0.2)


def test_the_mirror_image_has_the_same_flanges():
    panel = foot_plate(flange(CORNER_EDGE), flange(BAY_EDGE, leg=8.0))
    other = mirrored_panel(panel, "other hand")
    x0, _, x1, _ = Polygon(panel.outline).bounds
    for one, image in zip(panel.curved_flanges, other.curved_flanges, strict=True):
        assert (image.edge_radius, image.end_radius, image.sweep) == pytest.approx(
            (one.edge_radius, one.end_radius, one.sweep)
        )
        assert image.centre == pytest.approx((x0 + x1 - one.centre[0], one.centre[1]))
    assert Polygon(other.outline).area == pytest.approx(Polygon(panel.outline).area)


def test_what_is_told_of_it():
    panel = foot_plate(flange(CORNER_EDGE, leg=20.0), flange(BAY_EDGE, leg=8.0))
    faults = [str(one) for one in audit_folds(panel, 1.0)]
    assert len(faults) == 1
    assert "fold 1: its free edge is shrunk by 14.3 % (limit 8.0 %, common practice): too much; slit it" in faults[0]
    assert "stretched by 6.6 % (limit 7.0 %" in curved_flange_steps(panel, 1.0)[1]
    assert "edge cut to R 119.0" in curved_flange_steps(panel, 1.0)[0]


@pytest.mark.parametrize(
    ("flanges", "told"),
    [
        ([flange([[280, 0], [300, 60], [400, 120]])], "the second point does not lie on the outline"),
        ([flange([[280, 0], [400, 120], [400, 250]])], "no arc: its corners lie up to"),
        ([flange([[270, 0], [364.9, 35.1], [400, 120]])], "no corner of the outline lies at (270, 0)"),
        ([flange(CORNER_EDGE, radius=6.0)], "is 6 mm on a curved edge (at most 5 mm, 5 thicknesses)"),
        ([flange(CORNER_EDGE, leg=2.5)], "leaves no flat beside its bend"),
        ([flange(BAY_EDGE, leg=140.0)], "reaches the centre of its arc, radius 130.0 mm"),
        ([flange(BAY_EDGE, leg=8.0), flange([[400, 250], [300, 250]])], "meets another flange at (300, 250) under"),
        ([flange(CORNER_EDGE), flange(CORNER_EDGE)], "is the side of flange[1] too"),
        ([flange(CORNER_EDGE[:1])], "edge"),
        ([flange([*CORNER_EDGE, [1, 2]])], "has 4 points"),
    ],
)
def test_flanges_that_cannot_be_made_are_refused(flanges, told):
    with pytest.raises(InputError) as caught:
        foot_plate(*flanges)
    assert told in str(caught.value)
    assert all(fault.cure for fault in caught.value.faults)

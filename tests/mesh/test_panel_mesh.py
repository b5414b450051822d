"""Meshes of hard outlines, and the true geometry on them."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon
from support.panels import B16, F24, L50, lid, rows
from support.records import unchecked
from support.shapes import SHAPES, bead, ring, sheet

from stiffen.errors import MeshError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout

FIVE = Layout(1.0, rows(B16, (60.0, 130.0, 200.0, 270.0, 340.0), 50.0, 450.0))
RADIUS = (B16.width**2 / 4 + B16.depth**2) / (2 * B16.depth)  # of the round die's arc, from chord and rise
SWEEP = 2 * math.asin(B16.width / 2 / RADIUS)


def areas(points, triangles):
    """Areas of triangles with corners in the plane or in space, by Heron's rule."""
    a, b, c = (np.linalg.norm(points[triangles[:, i]] - points[triangles[:, i - 1]], axis=1) for i in range(3))
    s = (a + b + c) / 2
    return np.sqrt(np.maximum(s * (s - a) * (s - b) * (s - c), 0))


def undirected(triangles):
    """Edges (k, 2), and how many triangles each has."""
    edges = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return np.unique(edges, axis=0, return_counts=True)


def across(mesh, die_bead):
    """Distances of the nodes from the axis of a bead."""
    return shapely.distance(LineString(die_bead.path), shapely.points(mesh.plan))


def assert_sound(mesh, panel, layout):
    """Properties of every mesh, computed independently from its triangles."""
    corners = mesh.plan[mesh.triangles]
    plan_areas = areas(mesh.plan, mesh.triangles)
    sides = ((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=(1, 2))
    assert (4 * np.sqrt(3) * plan_areas / sides).min() >= 0.15
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    assert (u[:, 0] * v[:, 1] > u[:, 1] * v[:, 0]).all(), "a triangle runs clockwise"
    lips = [Point(hole.at).buffer(hole.die.finished / 2, quad_segs=256) for hole in layout.holes]
    wanted = panel.region.difference(shapely.union_all(lips))
    assert plan_areas.sum() == pytest.approx(wanted.area, rel=1e-3)
    assert mesh.area == pytest.approx(plan_areas.sum())
    edges, times = undirected(mesh.triangles)
    assert times.max() == 2
    holes = len(panel.cutouts) + len(layout.holes)
    assert len(mesh.plan) - len(edges) + len(mesh.triangles) == 1 - holes, "Euler characteristic"
    loops = [mesh.outline, *mesh.rims]
    around = np.vstack([np.sort(np.column_stack([loop, np.roll(loop, -1)]), axis=1) for loop in loops])
    assert {tuple(e) for e in edges[times == 1].tolist()} == {tuple(e) for e in around.tolist()}
    for loop, true in zip(loops, [wanted.exterior, *(cut.ring for cut in panel.cutouts)], strict=False):
        line = shapely.linearrings(mesh.plan[loop])
        assert shapely.hausdorff_distance(line, shapely.linearrings(np.array(shapely.LinearRing(true).coords))) < 0.2
    assert shapely.is_ccw(shapely.linearrings(mesh.plan[mesh.outline]))
    assert not any(shapely.is_ccw(shapely.linearrings(mesh.plan[rim])) for rim in mesh.rims)
    assert len(np.unique(np.round(mesh.plan, 5), axis=0)) == len(mesh.plan), "double nodes"
    assert len(np.unique(mesh.triangles)) == len(mesh.plan), "unused nodes"
    assert areas(mesh.nodes, mesh.triangles).sum() >= plan_areas.sum() * (1 - 1e-12)


@pytest.mark.parametrize("mesh_level", ["quick", "normal"])
@pytest.mark.parametrize("name", SHAPES)
def test_hard_outlines(name, mesh_level):
    panel, layout = SHAPES[name]
    assert_sound(mesh_panel(panel, layout, mesh_level=mesh_level), panel, layout)


@pytest.mark.parametrize("name", ["traced", "two dies and flared holes", "frames", "beads off the edge"])
def test_hard_outlines_on_fine_meshes(name):
    panel, layout = SHAPES[name]
    assert_sound(mesh_panel(panel, layout, mesh_level="fine"), panel, layout)


@pytest.mark.parametrize("degrees", [7.0, 31.0, 58.0, 90.0, 133.0])
def test_a_panel_turned_in_its_plane(degrees):
    panel, layout = SHAPES["bent beads"]
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))

    def turned(points):
        return tuple((1000 + c * x - s * y, s * x + c * y - 700) for x, y in points)

    panel = replace(panel, outline=turned(panel.outline))
    layout = replace(layout, beads=tuple(replace(b, path=turned(b.path)) for b in layout.beads))
    assert_sound(mesh_panel(panel, layout), panel, layout)


@pytest.mark.parametrize("name", ["L", "bitten", "two dies and flared holes", "bent beads"])
def test_a_mirrored_panel_takes_about_as_many_nodes(name):
    panel, layout = SHAPES[name]

    def mirrored(points):
        return tuple((-x, y) for x, y in points)

    other = replace(panel, outline=mirrored(panel.outline)[::-1])
    beads = tuple(replace(b, path=mirrored(b.path)) for b in layout.beads)
    holes = tuple(replace(h, at=(-h.at[0], h.at[1])) for h in layout.holes)
    mesh = mesh_panel(other, replace(layout, beads=beads, holes=holes))
    assert len(mesh.plan) == pytest.approx(len(mesh_panel(panel, layout).plan), rel=0.03)


def test_the_same_panel_gives_the_same_mesh():
    one, two = (mesh_panel(*SHAPES["slot by a hole"]) for _ in range(2))
    assert np.array_equal(one.nodes, two.nodes)
    assert np.array_equal(one.triangles, two.triangles)


@pytest.mark.parametrize(
    ("mesh_level", "least", "most"), [("quick", 1400, 2300), ("normal", 3400, 4800), ("fine", 10000, 14000)]
)
def test_mesh_levels_have_their_documented_node_counts(mesh_level, least, most):
    assert least < len(mesh_panel(lid(), FIVE, mesh_level=mesh_level).plan) < most


def test_sizes_grow_gently():
    panel, layout = SHAPES["slot by a hole"]
    mesh = mesh_panel(panel, replace(layout, beads=()))
    edges, _ = undirected(mesh.triangles)
    length = np.linalg.norm(mesh.plan[edges[:, 0]] - mesh.plan[edges[:, 1]], axis=1)
    at_node = np.bincount(edges.ravel(), np.repeat(length, 2)) / np.bincount(edges.ravel())
    ratio = at_node[edges].max(axis=1) / at_node[edges].min(axis=1)
    assert at_node.max() / at_node.min() > 10
    assert np.quantile(ratio, 0.95) < 1.5
    assert ratio.max() < 2.5


def test_half_the_size_refines_everything():
    panel, layout = lid(), Layout(1.0, (bead((60, 200), (440, 200)),), (Hole(L50, (250.0, 100.0)),))
    coarse, fine = (mesh_panel(panel, layout, size=size) for size in (12.0, 6.0))
    assert 3 < len(fine.plan) / len(coarse.plan) < 4.5

    def rows_across(mesh):
        middle = (np.abs(mesh.plan[:, 0] - 250) < 60) & (across(mesh, layout.beads[0]) < 7.9)
        return len(np.unique(np.round(mesh.plan[middle, 1] - 200, 3)))

    assert rows_across(fine) - 1 >= 2 * (rows_across(coarse) - 1)
    assert len(fine.rims[0]) >= 1.5 * len(coarse.rims[0])  # the coarse one is finer than need be, to keep the area
    flat = [np.abs(mesh.plan[:, 1] - 350) < 30 for mesh in (coarse, fine)]
    assert 3 < flat[1].sum() / flat[0].sum() < 5


def test_the_round_profile_is_an_arc():
    mesh = mesh_panel(lid(), FIVE)
    for one in FIVE.beads:
        s, x = across(mesh, one), mesh.plan[:, 0]
        middle = (x > 61) & (x < 439)
        on = middle & (s < 7.99)
        assert on.sum() > 200
        assert mesh.nodes[on, 2] == pytest.approx(np.sqrt(RADIUS**2 - s[on] ** 2) - RADIUS + B16.depth, abs=0.01)
        axis = middle & (s < 1e-6)
        assert axis.sum() > 30
        assert mesh.nodes[axis, 2] == pytest.approx(B16.depth)
    away = np.min([across(mesh, one) for one in FIVE.beads], axis=0) > 8.001
    assert np.abs(mesh.nodes[away, 2]).max() == 0


def test_a_bead_fades_by_a_half_cosine_over_its_run_out():
    mesh = mesh_panel(lid(), FIVE, mesh_level="fine")
    axis = across(mesh, FIVE.beads[2]) < 1e-6
    x, z = mesh.plan[axis, 0], mesh.nodes[axis, 2]
    run = 2.5 * B16.depth
    part = (x >= 50) & (x <= 50 + run)
    assert part.sum() >= 7
    assert z[part] == pytest.approx(B16.depth * 0.5 * (1 - np.cos(np.pi * (x[part] - 50) / run)), abs=1e-9)
    assert z[x < 50 + 1e-9] == pytest.approx(0)


def test_a_bead_down_stands_proud_below():
    up, down = (mesh_panel(*sheet([(0, 0), (300, 0), (300, 200), (0, 200)], bead((50, 80), (250, 120), side=side)))
                for side in ("up", "down"))  # fmt: skip
    assert np.array_equal(up.nodes * [1, 1, -1], down.nodes)


@pytest.mark.parametrize("mesh_level", ["quick", "normal", "fine"])
def test_a_flat_topped_bead_has_rows_at_its_kinks(mesh_level):
    one = bead((60, 80), (440, 320), die=F24)
    mesh = mesh_panel(lid(), Layout(1.0, (one,)), mesh_level=mesh_level)
    s = across(mesh, one)
    along = shapely.line_locate_point(LineString(one.path), shapely.points(mesh.plan))
    middle = (along > 20) & (along < LineString(one.path).length - 20)
    shoulder = F24.width / 2 - F24.depth / math.tan(math.radians(F24.flank))
    for row, z in ((shoulder, F24.depth), (F24.width / 2, 0.0)):
        near = middle & (np.abs(s - row) < 0.01)
        assert near.sum() > 40
        assert mesh.nodes[near, 2] == pytest.approx(z, abs=0.02)


def test_the_sheet_of_a_bead_has_its_developed_length():
    """A bead right across the sheet adds its length times (arc - chord); inscribed polygons come from below."""
    one = bead((-50, 130), (350, 130))
    panel, layout = sheet([(0, 0), (300, 0), (300, 200), (0, 200)], one)
    added = 300 * (RADIUS * SWEEP - B16.width)
    found = []
    for mesh_level in ("quick", "normal", "fine"):
        mesh = mesh_panel(panel, layout, mesh_level=mesh_level)
        found.append((areas(mesh.nodes, mesh.triangles).sum() - mesh.area) / added)
    assert found[0] < found[1] < found[2] < 1
    assert found[0] > 0.95
    assert found[2] > 0.99


def test_an_open_end_keeps_its_depth_to_the_edge():
    one = Bead(B16, ((0.0, 130.0), (300.0, 160.0)), open_ends=(True, False))
    panel, layout = sheet([(0, 0), (400, 0), (400, 250), (0, 250)], one)
    mesh = mesh_panel(panel, layout)
    assert_sound(mesh, panel, layout)
    axis = across(mesh, one) < 1e-6
    x, z = mesh.plan[axis, 0], mesh.nodes[axis, 2]
    assert x.min() == 0
    assert z[x < 285] == pytest.approx(B16.depth)
    assert z[x.argmax()] == pytest.approx(0)
    edge = mesh.plan[:, 0] == 0
    assert (mesh.nodes[edge, 2] > 0.1).sum() >= 5


def test_a_closed_frame_has_full_depth_all_round():
    panel, layout = SHAPES["frames"]
    mesh = mesh_panel(panel, layout)
    for one in layout.beads:
        axis = across(mesh, one) < 1e-6
        assert axis.sum() > 80
        assert mesh.nodes[axis, 2] == pytest.approx(one.die.depth)


@pytest.mark.parametrize("side", ["up", "down"])
def test_a_flared_hole_is_a_cone(side):
    hole = Hole(L50, (250.0, 200.0), side)
    mesh = mesh_panel(lid(), Layout(1.0, (), (hole,)), mesh_level="fine")
    (lip,) = mesh.rims
    sign = 1 if side == "up" else -1
    assert mesh.nodes[lip, 2] == pytest.approx(sign * L50.rise)
    radius = np.hypot(*(mesh.plan - hole.at).T)
    assert radius[lip] == pytest.approx(L50.finished / 2, rel=2e-3)
    assert Polygon(mesh.plan[lip]).area == pytest.approx(math.pi / 4 * L50.finished**2, rel=1e-9)
    fold = np.abs(radius - L50.flange / 2) < 0.05
    assert fold.sum() >= len(lip)
    assert mesh.nodes[fold, 2] == pytest.approx(0, abs=1e-9)
    added = areas(mesh.nodes, mesh.triangles).sum() - mesh.area
    outer, inner = L50.flange / 2, L50.finished / 2
    slant = math.hypot(outer - inner, L50.rise)
    assert added == pytest.approx(math.pi * (outer + inner) * (slant - (outer - inner)), rel=0.01)


@pytest.mark.parametrize("radius", [20.0, 100.0])
def test_round_cutouts_are_true_to_area(radius):
    panel, layout = sheet([(0, 0), (300, 0), (300, 300), (0, 300)])
    panel = replace(panel, cutouts=(Cutout(ring(150, 150, 2 * radius, 400), (150.0, 150.0, 2 * radius)),))
    assert mesh_panel(panel, layout, mesh_level="quick").area == pytest.approx(9e4 - math.pi * radius**2, rel=1e-9)


def test_two_beads_side_by_side_add_up_to_themselves():
    """Feet 1 mm apart: each keeps its own profile."""
    pair = Layout(1.0, rows(B16, (200.0, 217.0), 50.0, 450.0))
    mesh = mesh_panel(lid(), pair)
    for one in pair.beads:
        axis = (across(mesh, one) < 1e-6) & (np.abs(mesh.plan[:, 0] - 250) < 150)
        assert mesh.nodes[axis, 2] == pytest.approx(B16.depth)
    gap = (np.abs(mesh.plan[:, 1] - 208.5) < 0.51) & (np.abs(mesh.plan[:, 0] - 250) < 150)
    assert gap.sum() > 30
    assert np.abs(mesh.nodes[gap, 2]).max() < 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_beads_at_odd_angles_among_holes(seed):
    """Made-up layouts whose beads and holes keep 2 mm clear of one another."""
    chance = np.random.default_rng(seed)
    room = Polygon(lid().outline).buffer(-5)
    beads, holes, cutouts = [], [], []
    for kind in chance.permutation(np.repeat([0, 1, 2], 40)):
        a, b = (tuple(chance.uniform((0, 0), (500, 400))) for _ in range(2))
        die = (B16, F24)[chance.integers(2)]
        taken = (LineString([a, b]).buffer(die.width / 2 + 2), Point(a).buffer(27), Point(a).buffer(12))[kind]
        if not room.contains(taken) or (kind == 0 and math.dist(a, b) < 60):
            continue
        room = room.difference(taken)
        if kind == 0:
            beads.append(Bead(die, (a, b), ("up", "down")[chance.integers(2)]))
        elif kind == 1:
            holes.append(Hole(L50, a))
        else:
            cutouts.append(Cutout(ring(*a, 20.0), (*a, 20.0)))
    assert len(beads) + len(holes) + len(cutouts) > 8
    panel, layout = lid(cutouts=tuple(cutouts)), Layout(1.0, tuple(beads), tuple(holes))
    mesh = mesh_panel(panel, layout, mesh_level="quick")
    assert_sound(mesh, panel, layout)
    for one in beads:
        axis = across(mesh, one) < 1e-6
        assert np.abs(mesh.nodes[axis, 2]).max() == pytest.approx(one.die.depth, rel=0.02)


@pytest.mark.parametrize(
    ("changes", "layout", "options", "message"),
    [
        ({"outline": ((0, 0), (100, 100), (100, 0), (0, 100))}, Layout(1.0), {}, "outline: Self-intersection"),
        ({}, Layout(1.0, (), (Hole(L50, (15.0, 200.0)),)), {}, r"flared hole 1 \(L50\).*lip does not lie in the sheet"),
        ({}, Layout(1.0, (), (Hole(L50, (100.0, 200.0)), Hole(L50, (130.0, 200.0)))), {}, "hole 2.*meets another"),
        ({}, Layout(1.0), {"mesh_level": "superb"}, "unknown mesh level 'superb'"),
        ({}, Layout(1.0), {"size": 0.0}, "mesh size: 0 mm"),
        ({"cutouts": (Cutout(((10, 10), (10, 90), (499.9999, 50))),)}, Layout(1.0), {}, "near .500.00, 50.0.*quality"),
    ],
    ids=["bow tie", "lip off the sheet", "lips meet", "mesh_level", "size", "a cut-out that almost touches the edge"],
)  # fmt: skip
def test_panels_that_cannot_be_meshed_are_refused(changes, layout, options, message):
    with pytest.raises(MeshError, match=message):
        mesh_panel(unchecked(lid(), **changes), layout, **options)

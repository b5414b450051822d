"""Feature lines in a mesh: supported and loaded paths, fasteners, folds; and the checks on every mesh."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon
from support.panels import B16, F24, lid, rows
from support.records import unchecked
from support.shapes import SHAPES, bead, box, ring, round_cutout, sheet

from stiffen.errors import MeshError
from stiffen.mesh import checks
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.point_placement import row_offsets
from stiffen.mesh.size_field import SizeField, graded_positions, mesh_resolution
from stiffen.model.layout import Layout
from stiffen.model.panel import Cutout, EdgeTrim, Fold, Load, Support

PLAIN = Layout(1.0)


def edge(*path):
    return Support("edge", path=tuple(path))


def line(*path):
    return Load("a", "line", 1.0, path=tuple(path))


def edge_set(mesh):
    pairs = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).tolist()
    return {tuple(sorted(pair)) for pair in pairs}


def assert_chain(mesh, path, *, tolerance=1e-6, gaps=0):
    """The nodes of a path lie on it in order, its points among them, and all but `gaps` pairs are joined by edges."""
    nodes = mesh.paths[path]
    track = LineString(path)
    xy = mesh.plan[nodes]
    assert shapely.distance(track, shapely.points(xy)).max() <= tolerance
    places = shapely.line_locate_point(track, shapely.points(xy))
    assert (np.diff(places[:-1] if track.is_closed else places) > 0).all()
    there = edge_set(mesh)
    broken = [
        pair for pair in zip(nodes.tolist(), nodes[1:].tolist(), strict=False) if tuple(sorted(pair)) not in there
    ]
    assert len(broken) == gaps
    sheet = Polygon(mesh.plan[mesh.outline], [mesh.plan[rim] for rim in mesh.rims])
    for point in path:
        if shapely.Point(point).within(sheet.buffer(-0.3)):
            assert np.hypot(*(xy - point).T).min() < 1e-6, f"{point} is no node"


def test_an_edge_support_along_a_side_takes_the_outline_s_nodes():
    side = ((0.0, 0.0), (500.0, 0.0))
    mesh = mesh_panel(lid(supports=(edge(*side),)), PLAIN)
    assert_chain(mesh, side)
    assert set(mesh.paths[side]) == {n for n in mesh.outline.tolist() if mesh.plan[n, 1] == 0}
    assert mesh.plan[mesh.paths[side][[0, -1]]].tolist() == [[0, 0], [500, 0]]


def test_a_path_near_the_outline_snaps_to_it():
    wanted = ((40.0, 0.04), (300.0, 0.03))
    mesh = mesh_panel(lid(supports=(edge(*wanted),)), PLAIN)
    nodes = mesh.paths[wanted]
    assert_chain(mesh, wanted, tolerance=0.05)
    assert set(nodes) <= set(mesh.outline)
    assert mesh.plan[nodes[[0, -1]]] == pytest.approx(np.array([[40, 0], [300, 0]]), abs=1e-6)


def test_a_path_past_rounded_corners_keeps_to_the_straight_part():
    rounded = tuple(shapely.box(0, 0, 500, 400).buffer(-20).buffer(20, quad_segs=24).exterior.coords[:-1])
    side = ((0.0, 0.0), (500.0, 0.0))
    mesh = mesh_panel(unchecked(lid(), outline=rounded[::-1], supports=(edge(*side),)), PLAIN)
    x = mesh.plan[mesh.paths[side], 0]
    assert set(mesh.paths[side]) <= set(mesh.outline)
    assert 14 < x.min() <= 20.01
    assert 479.9 <= x.max() < 486


def test_a_path_along_a_curved_edge_follows_it():
    whole = ring(0, 0, 400, 240)
    part = whole[10:90]
    mesh = mesh_panel(lid(outline=whole, supports=(edge(*part),)), PLAIN)
    nodes = mesh.paths[part]
    assert set(nodes) <= set(mesh.outline)
    assert mesh.plan[nodes[0]] == pytest.approx(np.array(part[0]), abs=0.15)
    assert mesh.plan[nodes[-1]] == pytest.approx(np.array(part[-1]), abs=0.15)
    assert LineString(mesh.plan[nodes]).length == pytest.approx(LineString(part).length, rel=2e-3)


@pytest.mark.parametrize("mesh_level", ["quick", "normal", "fine"])
def test_loaded_paths_across_beads_are_edges(mesh_level):
    bent = ((100.0, 200.0), (250.0, 200.0), (300.0, 300.0), (420.0, 345.0))  # along an axis, then over two beads
    slant = ((0.0, 130.0), (500.0, 80.0))
    panel = lid(demands=(), loads=(line(*bent), line(*slant)), trims=(EdgeTrim(0.1, path=bent),))
    mesh = mesh_panel(
        panel, Layout(1.0, rows(B16, (60.0, 130.0, 200.0, 270.0, 340.0), 50.0, 450.0)), mesh_level=mesh_level
    )
    assert list(mesh.paths) == [bent, slant]
    assert_chain(mesh, bent)
    assert_chain(mesh, slant)


def test_a_closed_path_ends_where_it_began():
    loop = ((100.0, 100.0), (400.0, 100.0), (400.0, 300.0), (100.0, 300.0), (100.0, 100.0))
    mesh = mesh_panel(lid(demands=(), loads=(line(*loop),)), PLAIN)
    assert_chain(mesh, loop)
    assert mesh.paths[loop][0] == mesh.paths[loop][-1]
    assert LineString(mesh.plan[mesh.paths[loop]]).length == pytest.approx(1000)


def test_a_path_over_a_hole_jumps_it():
    through = ((50.0, 200.0), (450.0, 200.0))
    mesh = mesh_panel(unchecked(lid(), cutouts=(round_cutout(250.0, 200.0, 60.0),), loads=(line(*through),)), PLAIN)
    assert_chain(mesh, through, gaps=1)
    on_rim = set(mesh.paths[through]) & set(mesh.rims[0])
    assert len(on_rim) == 2


def test_paths_that_cross_and_overlap_share_nodes():
    one, two, three = ((50.0, 50.0), (450.0, 350.0)), ((50.0, 350.0), (450.0, 50.0)), ((170.0, 140.0), (330.0, 260.0))
    mesh = mesh_panel(lid(demands=(), loads=(line(*one), line(*two), line(*three))), PLAIN)
    for path in (one, two, three):
        assert_chain(mesh, path)
    crossing = set(mesh.paths[one]) & set(mesh.paths[two])
    assert [mesh.plan[n].tolist() for n in crossing] == [pytest.approx([250, 200], abs=1e-5)]
    assert set(mesh.paths[three]) < set(mesh.paths[one])


@pytest.mark.slow
def test_rivets_get_discs():
    row = ((10.0, 10.0), (490.0, 10.0), (490.0, 390.0), (10.0, 390.0), (10.0, 10.0))
    rivets = Support("rivets", path=row, pitch=40.0, diameter=4.0)
    bolts = Support("bolts", at=((10.0, 10.0), (250.0, 200.0)), diameter=4.0)
    mesh = mesh_panel(lid(supports=(rivets, bolts)), Layout(1.0, rows(B16, (120.0,))))
    assert set(mesh.discs) == {*rivets.fasteners(), *bolts.at}
    for centre, disc in mesh.discs.items():
        assert len(disc) == len(set(disc.tolist())) == 7
        assert mesh.plan[disc[0]] == pytest.approx(np.array(centre), abs=1e-9)
        assert np.hypot(*(mesh.plan[disc[1:]] - centre).T) == pytest.approx(2.0, rel=1e-3)
        neighbours = {n for pair in edge_set(mesh) if disc[0] in pair for n in pair}
        assert neighbours == set(disc.tolist())


def test_bolts_on_a_loaded_path_and_side_by_side():
    path = ((100.0, 200.0), (250.0, 200.0), (250.0, 330.0))
    bolts = Support(
        "bolts", at=((100.0, 200.0), (250.0, 200.0), (180.0, 201.5), (320.0, 100.0), (324.0, 100.0)), diameter=6.0
    )
    mesh = mesh_panel(lid(demands=(), supports=(bolts,), loads=(line(*path),)), PLAIN)
    assert_chain(mesh, path)
    for centre in bolts.at:
        disc = mesh.discs[centre]
        assert np.hypot(*(mesh.plan[disc[0]] - centre)) < 1e-6
        assert len(disc) >= 5
        assert np.hypot(*(mesh.plan[disc[1:]] - centre).T).max() < 4.3


def test_a_bolt_by_the_edge_has_what_is_left_of_its_disc():
    mesh = mesh_panel(lid(supports=(Support("bolts", at=((2.0, 200.0),), diameter=6.0),)), PLAIN)
    disc = mesh.discs[(2.0, 200.0)]
    assert 4 <= len(disc) <= 7
    assert mesh.plan[disc].min() >= 0


def test_a_right_angled_flange_stands_up():
    panel = lid(folds=(Fold(((0.0, 20.0), (500.0, 20.0)), 90.0, 2.0),))
    mesh = mesh_panel(panel, PLAIN)
    flange = mesh.plan[:, 1] < 20
    assert flange.sum() > 50
    assert mesh.nodes[flange, 1] == pytest.approx(20)
    assert mesh.nodes[flange, 2] == pytest.approx(20 - mesh.plan[flange, 1])
    assert np.array_equal(mesh.nodes[~flange], np.column_stack([mesh.plan[~flange], np.zeros((~flange).sum())]))
    on_line = np.flatnonzero(np.abs(mesh.plan[:, 1] - 20) < 1e-9)
    chain = on_line[np.argsort(mesh.plan[on_line, 0])].tolist()
    assert {tuple(sorted(pair)) for pair in zip(chain, chain[1:], strict=False)} <= edge_set(mesh)


@pytest.mark.parametrize("angle", [-60.0, 30.0, 135.0])
@pytest.mark.parametrize("line", [((0.0, 30.0), (400.0, 60.0)), ((400.0, 60.0), (0.0, 30.0))], ids=["to", "fro"])
def test_a_fold_keeps_lengths_and_turns_the_smaller_part_by_its_angle(angle, line):
    panel, layout = sheet(box(0, 0, 400, 300))
    panel = replace(panel, folds=(Fold(line, angle),))
    mesh = mesh_panel(panel, layout)
    pairs = np.array(sorted(edge_set(mesh)))
    flat, true = (np.linalg.norm(x[pairs[:, 0]] - x[pairs[:, 1]], axis=1) for x in (mesh.plan, mesh.nodes))
    assert true == pytest.approx(flat, rel=1e-9)
    a, b, c = (mesh.nodes[mesh.triangles[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    tilt = np.degrees(np.arccos(normal[:, 2] / np.linalg.norm(normal, axis=1)))
    (x0, y0), (x1, y1) = sorted(line)
    centre = mesh.plan[mesh.triangles].mean(axis=1)
    below = centre[:, 1] < y0 + (centre[:, 0] - x0) * (y1 - y0) / (x1 - x0)
    assert tilt[below] == pytest.approx(abs(angle), abs=1e-5)
    assert tilt[~below] == pytest.approx(0, abs=1e-5)
    assert np.sign(mesh.nodes[mesh.plan[:, 1] < 25, 2]).tolist() == [np.sign(angle)] * (mesh.plan[:, 1] < 25).sum()


def test_folds_compose():
    """A tray: a flange with a lip folded back over the panel, and one down at the other side, with a bead on it."""
    outline = box(0, 0, 400, 300)
    panel, layout = sheet(outline, bead((60, 280), (340, 280), die=replace(B16, width=10.0, depth=2.0)))
    folds = (Fold(((0.0, 40.0), (400.0, 40.0)), 90.0), Fold(((0.0, 15.0), (400.0, 15.0)), 90.0))
    folds += (Fold(((400.0, 260.0), (0.0, 260.0)), -90.0),)
    mesh = mesh_panel(replace(panel, folds=folds), layout)
    lip = mesh.plan[:, 1] < 15
    assert mesh.nodes[lip, 2] == pytest.approx(25)
    assert mesh.nodes[lip, 1] == pytest.approx(40 + 15 - mesh.plan[lip, 1])
    other = mesh.plan[:, 1] > 260
    assert mesh.nodes[other, 2] == pytest.approx(260 - mesh.plan[other, 1])
    crest = np.abs(mesh.plan[:, 1] - 280) < 1e-6
    assert mesh.nodes[crest, 1].max() == pytest.approx(262)  # the "up" face of a flange folded down points outward


def test_a_corner_notched_tray_folds_all_round():
    outline = [(20, 0), (480, 0), (480, 20), (500, 20), (500, 380), (480, 380)]
    outline += [(480, 400), (20, 400), (20, 380), (0, 380), (0, 20), (20, 20)]
    corners = ((20.0, 20.0), (480.0, 20.0), (480.0, 380.0), (20.0, 380.0), (20.0, 20.0))
    folds = tuple(Fold(pair, 90.0) for pair in zip(corners, corners[1:], strict=False))
    panel, layout = sheet(outline, bead((80, 200), (420, 200), die=F24))
    mesh = mesh_panel(replace(panel, folds=folds), layout)
    wall = (mesh.plan[:, 0] < 19.9) | (mesh.plan[:, 0] > 480.1) | (mesh.plan[:, 1] < 19.9) | (mesh.plan[:, 1] > 380.1)
    x, y, z = mesh.nodes.T
    assert x.min() == pytest.approx(20)
    assert x.max() == pytest.approx(480)
    assert y.min() == pytest.approx(20)
    assert y.max() == pytest.approx(380)
    assert z[wall].min() > 0
    assert z.max() == pytest.approx(20)


BOLT = Support("bolts", at=((60.0, 10.0),), diameter=6.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"supports": (Support("bolts", at=((600.0, 10.0),), diameter=6.0),)}, "bolts at .600, 10.: lies off"),
        ({"supports": (unchecked(BOLT, diameter=0.0),)}, "bolts at .60, 10.: no diameter"),
        ({"loads": (line((600.0, 0.0), (600.0, 400.0)),)}, "path from .600, 0.: does not lie on the sheet"),
        ({"folds": (Fold(((100.0, 100.0), (400.0, 100.0)), 90.0),)}, "fold 1: its line does not divide the sheet"),
        ({"folds": (Fold(((0.0, 20.0), (500.0, 20.0)), 90.0), Fold(((20.0, 0.0), (20.0, 400.0)), 90.0))},
         "fold 1 and fold 2: their flanges overlap"),
    ],
    ids=["bolt off the sheet", "bolt without diameter", "path off the sheet", "fold too short", "folds that cross"],
)  # fmt: skip
def test_feature_lines_that_cannot_be_meshed_are_refused(changes, message):
    with pytest.raises(MeshError, match=message):
        mesh_panel(unchecked(lid(), **changes), PLAIN)


@pytest.fixture(scope="module")
def sound():
    """A mesh with a hole, its boundary edges, its area."""
    panel, layout = SHAPES["annulus"]
    mesh = mesh_panel(panel, replace(layout, beads=()), mesh_level="quick")
    loops = [mesh.outline, *mesh.rims]
    edges = np.vstack([np.column_stack([loop, np.roll(loop, -1)]) for loop in loops])
    return mesh, edges, mesh.area


def test_a_sound_mesh_passes(sound):
    mesh, edges, area = sound
    checks.check_mesh(mesh.plan, mesh.triangles, edges, area)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda p, t, e, a: (p, t, e, 1.002 * a), "mm2 of triangles for"),
        (lambda p, t, e, a: (p, np.delete(t, 100, axis=0), e, a), "the mesh has a gap"),
        (lambda p, t, e, a: (p, np.vstack([t, t[100]]), e, a), "triangles overlap"),
        (lambda p, t, e, a: (p, t, np.vstack([e, [e[0, 0], e[-1, 0]]]), a), "a line of the panel is missing"),
        (lambda p, t, e, a: (np.vstack([p, [[0.0, 0.0]]]), t, e, a), "a node that belongs to no triangle"),
        (lambda p, t, e, a: (squashed(p, t, e), t, e, a), "a triangle of quality"),
        (lambda p, t, e, a: (np.vstack([p, p + 1000]), np.vstack([t, t + len(p)]), np.vstack([e, e + len(p)]), 2 * a),
         "more than one part"),
    ],
    ids=["area", "gap", "overlap", "edge", "node", "quality", "parts"],
)  # fmt: skip
def test_the_checks_find_what_is_wrong(sound, spoil, message):
    mesh, edges, area = sound
    with pytest.raises(MeshError, match=message):
        checks.check_mesh(*spoil(mesh.plan, mesh.triangles, edges, area))


def squashed(plan, triangles, edges):
    """One inner node moved almost onto a neighbour."""
    plan = plan.copy()
    a, b = next((a, b) for a, b, _ in triangles.tolist() if a not in edges and b not in edges)
    plan[a] += 0.97 * (plan[b] - plan[a])
    return plan


def test_the_size_field_grows_from_its_sources_and_no_faster():
    fine = mesh_resolution(1e6, 0.0, 20.0, "normal")
    chance = np.random.default_rng(0)
    at, sizes = chance.uniform(0, 1000, (40, 2)), chance.uniform(1, 30, 40)
    field = SizeField(fine, at, sizes)
    places = chance.uniform(0, 1000, (500, 2))
    true = np.min(sizes + fine.growth_rate * np.hypot(*(places[:, None] - at).T).T, axis=1).clip(max=20.0)
    assert (field(places) <= true + 1e-9).all()
    assert (field(places) >= true / 1.25 - 1e-9).all()


def test_graded_positions_follow_the_sizes():
    at = np.linspace(0, 100, 400)
    nodes = graded_positions(at, 1 + 0.2 * at)
    gaps = np.diff(nodes)
    assert nodes[[0, -1]].tolist() == [0, 100]
    assert gaps == pytest.approx(1 + 0.2 * (nodes[1:] + nodes[:-1]) / 2, rel=0.1)


def test_rows_of_a_sharp_flat_die_stand_at_its_kinks():
    for halves in (2, 3, 4, 7):
        rows_ = row_offsets(F24, halves)
        assert len(rows_) == halves + 1
        assert (np.diff(rows_) > 0).all()
        assert rows_[[0, -1]] == pytest.approx([0, F24.width / 2])
        assert np.abs(rows_ - (F24.width / 2 - F24.depth / math.tan(math.radians(F24.flank)))).min() < 1e-9


def test_a_notch_between_cutouts_is_meshed_as_finely_as_it_is_narrow():
    panel = lid(cutouts=(Cutout(box(100.0, 100.0, 200.0, 200.0)), Cutout(box(201.0, 100.0, 300.0, 200.0))))
    mesh = mesh_panel(panel, PLAIN)
    bridge = (np.abs(mesh.plan[:, 0] - 200.5) < 0.51) & (np.abs(mesh.plan[:, 1] - 150) < 50)
    assert bridge.sum() > 60

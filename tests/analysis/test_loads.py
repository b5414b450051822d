"""Nodal forces: resultants and moments equal what the panel file states."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon
from support.panels import B16, HOLED, SHEET, lid, rows
from support.records import unchecked

from stiffen.analysis.loads import (
    GRAVITY,
    case_forces,
    covered_areas,
    locate,
    lumped_masses,
    moving_patch_positions,
)
from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.probe_points import peaks, probe_points
from stiffen.errors import InputError
from stiffen.fem.shell import Shell, rigid_body_modes
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Combination, Cutout, EdgeTrim, Fold, Load, PointMass, Support


def loaded(panel, layout=None, case="case", place=None):
    mesh = mesh_panel(panel, layout or Layout(1.0), mesh_level="quick")
    shell = Shell(mesh.nodes, mesh.triangles, 1.0, SHEET.E, SHEET.nu, SHEET.rho)
    masses = lumped_masses(panel, mesh)
    kilograms = shell.nodal_mass + (0 if masses is None else masses.reshape(-1, 6)[:, 0])
    return mesh, case_forces(panel, mesh, kilograms, case, place), kilograms


def resultant(mesh, forces):
    """Force (3,) and moment (3,) about the origin."""
    f = forces.reshape(-1, 6)
    return f[:, :3].sum(axis=0), np.cross(mesh.nodes, f[:, :3]).sum(axis=0) + f[:, 3:].sum(axis=0)


@pytest.mark.parametrize("layout", [Layout(1.0), Layout(1.0, rows(B16, (130.0, 270.0)))], ids=["flat", "beaded"])
def test_patch_integrates_to_its_force_and_moment(layout):
    panel = lid(demands=(), loads=(Load("case", "patch", 883.0, at=(283.3, 171.7), size=(100.0, 80.0)),))
    mesh, forces, _ = loaded(panel, layout)
    force, moment = resultant(mesh, forces)
    assert force == pytest.approx([0, 0, -883.0], rel=1e-9, abs=1e-9)
    assert moment == pytest.approx([-883.0 * 171.7, 883.0 * 283.3, 0], rel=1e-9, abs=1e-6)


def test_pressure_on_a_bead_still_presses_with_the_plan_area():
    panel = lid(demands=(), loads=(Load("case", "pressure", 2e-3),))
    mesh, forces, _ = loaded(panel, Layout(1.0, rows(B16, (200.0,))))
    force, _ = resultant(mesh, forces)
    assert force == pytest.approx([0, 0, -2e-3 * 500 * 400], rel=1e-9, abs=1e-6)


def test_pressure_on_a_part_acts_at_its_centroid():
    part = ((100.0, 50.0), (233.0, 61.0), (150.0, 222.0))
    panel = lid(demands=(), loads=(Load("case", "pressure", 1e-3, polygon=part),))
    mesh, forces, _ = loaded(panel)
    force, moment = resultant(mesh, forces)
    shape = Polygon(part)
    assert force[2] == pytest.approx(-1e-3 * shape.area, rel=1e-9)
    assert moment[:2] == pytest.approx([force[2] * shape.centroid.y, -force[2] * shape.centroid.x], rel=1e-9)


def test_line_load_along_an_edge():
    panel = lid(
        demands=(), loads=(Load("case", "line", 0.5, path=((0.0, 400.0), (500.0, 400.0)), direction=(0.0, 3.0, 0.0)),)
    )
    mesh, forces, _ = loaded(panel)
    force, moment = resultant(mesh, forces)
    assert force == pytest.approx([0, 250.0, 0], abs=1e-9)
    assert moment[2] == pytest.approx(250.0 * 250.0)


def test_line_load_pushes_nothing_over_an_opening():
    opening = Cutout(((200.0, 150.0), (300.0, 150.0), (300.0, 250.0), (200.0, 250.0)))
    panel = unchecked(
        lid(), cutouts=(opening,), loads=(Load("case", "line", -0.5, path=((0.0, 200.0), (500.0, 200.0))),)
    )
    mesh, forces, _ = loaded(panel)
    force, moment = resultant(mesh, forces)
    assert abs(force[2]) == pytest.approx(0.5 * 400.0)
    assert moment[1] == pytest.approx(-force[2] * 250.0)


def test_inertia_takes_sheet_masses_and_trim():
    panel = lid(
        demands=(),
        loads=(Load("case", "inertia", g=(0.0, 1.0, -3.0)),),
        masses=(PointMass((100.0, 100.0), 0.25, "lock"),),
        trims=(EdgeTrim(0.08),),
    )
    mesh, forces, kilograms = loaded(panel)
    kg = 500 * 400 * 1.0 * SHEET.rho + 0.25 + 0.08 * 1.8
    assert kilograms.sum() == pytest.approx(kg, rel=1e-9)
    assert resultant(mesh, forces)[0] == pytest.approx([0, kg * GRAVITY, -3 * kg * GRAVITY], rel=1e-9, abs=1e-9)


def test_combination_adds_with_factors():
    loads = (Load("wind", "pressure", 1e-3), Load("foot", "patch", 50.0, at=(250.0, 200.0), size=(50.0, 50.0)))
    panel = lid(demands=(), loads=loads, combinations=(Combination("both", (("wind", 1.5), ("foot", 2.0))),))
    _, both, _ = loaded(panel, case="both")
    _, wind, _ = loaded(panel, case="wind")
    _, foot, _ = loaded(panel, case="foot")
    assert both == pytest.approx(1.5 * wind + 2.0 * foot)


def test_flared_hole_takes_its_share_of_pressure_away():
    mesh = mesh_panel(lid(), HOLED, mesh_level="quick")
    whole = covered_areas(mesh, None).area.sum()
    assert whole == pytest.approx(500 * 400 - np.pi / 4 * (40.0**2 + 51.0**2), rel=1e-3)


def test_locate_gives_back_the_point():
    mesh = mesh_panel(lid(), Layout(1.0), mesh_level="quick")
    points = np.random.default_rng(1).uniform([0, 0], [500, 400], (200, 2))
    cell, shares = locate(mesh, points)
    assert np.einsum("ki,kij->kj", shares, mesh.plan[mesh.triangles[cell]]) == pytest.approx(points, abs=1e-9)


def test_roving_patch_stays_on_the_sheet():
    load = Load("case", "patch", 100.0, size=(100.0, 60.0))
    places = np.array(moving_patch_positions(lid(demands=(), loads=(load,)), "case"))
    assert places.min(axis=0) == pytest.approx([50.0, 30.0]) and places.max(axis=0) == pytest.approx([450.0, 370.0])
    with pytest.raises(InputError, match="no place on the sheet"):
        moving_patch_positions(lid(demands=(), loads=(replace(load, size=(600.0, 60.0)),)), "case")


def test_roving_patch_stands_where_it_presses_deepest():
    """In the middle of a sheet held all round; on the free side of one held on three; as one fixed there."""
    load = Load("case", "patch", 0.2, size=(60.0, 60.0))
    three = tuple(
        Support("edge", in_plane="free", path=path)
        for path in (((0.0, 0.0), (0.0, 400.0)), ((0.0, 400.0), (500.0, 400.0)), ((500.0, 0.0), (500.0, 400.0)))
    )
    for supports, place in ((lid().supports, (250.0, 200.0)), (three, (250.0, 30.0))):
        panel = lid(demands=(), supports=supports, loads=(load,))
        mesh = mesh_panel(panel, Layout(1.0), mesh_level="quick")
        roving, fixed = (
            build_panel_model(replace(panel, loads=(one,)), Layout(1.0), mesh, "free").linear_solution("case")
            for one in (load, replace(load, at=place))
        )
        x, y = (roving[0][2::6] @ mesh.plan) / roving[0][2::6].sum()
        assert (x, y) == pytest.approx(place, abs=16.0)  # half a step of the grid of places
        assert np.abs(roving[1][2::6]).max() >= 0.98 * np.abs(fixed[1][2::6]).max()  # that half step costs 1 %


def test_a_patch_on_a_flange_pushes_square_to_it():
    """Statics: folded up by 90 degrees about y = 100, the up face of the flange looks toward -y."""
    load = Load("case", "patch", 50.0, at=(250.0, 40.0), size=(60.0, 40.0))
    mesh, forces, _ = loaded(lid(demands=(), loads=(load,), folds=(Fold(((0.0, 100.0), (500.0, 100.0)), 90.0),)))
    force, moment = resultant(mesh, forces)
    assert mesh.nodes[:, 2].max() == pytest.approx(100.0, abs=0.01)
    assert force == pytest.approx([0, -50.0, 0], abs=1e-9)
    assert moment[[0, 2]] == pytest.approx([50.0 * 60.0, -50.0 * 250.0], rel=1e-9)


def test_roving_patch_keeps_off_flanges():
    load = Load("case", "patch", 100.0, size=(100.0, 60.0))
    folds = (Fold(((0.0, 30.0), (500.0, 30.0)), 90.0), Fold(((460.0, 0.0), (460.0, 400.0)), 90.0))
    places = np.array(moving_patch_positions(lid(demands=(), loads=(load,), folds=folds), "case"))
    assert places[:, 1].min() == pytest.approx(60.0) and places[:, 0].max() == pytest.approx(410.0)


def test_push_points_cover_the_sheet():
    mesh = mesh_panel(lid(), Layout(1.0), mesh_level="quick")
    chosen = mesh.plan[probe_points(mesh, 50.0)]
    gap = np.linalg.norm(mesh.plan[:, None] - chosen, axis=2).min(axis=1)
    assert gap.max() <= 50.0
    apart = np.linalg.norm(chosen[:, None] - chosen, axis=2) + 1e9 * np.eye(len(chosen))
    assert apart.min() >= 50.0
    corners = np.array(((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)))  # a free corner is soft
    assert np.linalg.norm(corners[:, None] - chosen, axis=2).min(axis=1).max() == pytest.approx(0.0, abs=1e-9)


def test_peaks_have_nothing_greater_near_them():
    x, y = np.meshgrid(np.arange(0.0, 101.0, 10.0), np.arange(0.0, 51.0, 10.0))
    heights = np.exp(-((x - 20) ** 2 + (y - 30) ** 2) / 400) + 0.5 * np.exp(-((x - 80) ** 2 + (y - 10) ** 2) / 400)
    order = np.argsort(-heights.ravel(), kind="stable")
    assert peaks(np.column_stack([x.ravel(), y.ravel()])[order], 25.0) == [(20.0, 30.0), (80.0, 10.0)]


def test_rigid_motion_work_equals_resultant():
    panel = lid(demands=(), loads=(Load("case", "pressure", 1e-3),))
    mesh, forces, _ = loaded(panel)
    assert (rigid_body_modes(mesh.nodes).T @ forces)[2] == pytest.approx(-200.0)

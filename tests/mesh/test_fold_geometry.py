"""The map from the flat sheet to the folded one: exact arcs, rigid flanges, frames; what cannot be folded."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import SHEET, SHOP

from stiffen.errors import MeshError
from stiffen.mesh.fold_geometry import fold_frames, fold_nodes, folded_sheet
from stiffen.mesh.normals import node_normals
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Fold, Panel
from stiffen.shop.bends import bend_allowance

T = 1.0


def strip(radius, angle=90.0, legs=(50.0, 40.0), wide=100.0, t=T):
    """A strip with one bend across it: a leg, the bend allowance, the other leg."""
    a = bend_allowance(abs(angle), radius, t)
    high = sum(legs) + a
    line = ((0.0, legs[0] + a / 2), (wide, legs[0] + a / 2))
    outline = ((0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high))
    return Panel("strip", SHEET, (t,), outline, SHOP, folds=(Fold(line, angle, radius),))


@pytest.mark.parametrize("radius", [6.0, 60.0])
@pytest.mark.parametrize("angle", [90.0, -60.0, 150.0])
def test_a_bend_is_the_exact_arc(radius, angle):
    """Analytic geometry: arc of R + t/2 from the inner tangent line, then the leg along the last tangent."""
    panel = strip(radius, angle)
    mesh = mesh_panel(panel, Layout(T), mesh_level="quick")
    a, mid = bend_allowance(abs(angle), radius, T), radius + T / 2
    turn, sign = math.radians(abs(angle)), math.copysign(1.0, angle)
    y0, y1 = 50.0, 50.0 + a  # the smaller leg is the flange; it lies at greater y
    s = mesh.plan[:, 1]
    phi = np.clip((s - y0) / a, 0, 1) * turn
    beyond = np.maximum(s - y1, 0.0)
    y = np.where(s < y0, s, y0 + mid * np.sin(phi) + beyond * np.cos(turn))
    z = np.where(s < y0, 0.0, sign * (mid * (1 - np.cos(phi)) + beyond * np.sin(turn)))
    assert mesh.nodes == pytest.approx(np.column_stack([mesh.plan[:, 0], y, z]), abs=1e-9)
    normals = node_normals(panel, mesh)
    assert normals == pytest.approx(np.column_stack([0 * phi, -sign * np.sin(phi), np.cos(phi)]), abs=1e-9)
    assert mesh.min_quality > 0.3


def test_the_outside_sizes_are_those_of_the_shop():
    """Half a thickness outside the mid-surface lie the mould lines: leg + setback, by AC 43.13-1B par. 4-56."""
    panel = strip(12.0)
    top = fold_nodes(panel, T, np.array([(0.0, 50.0 + bend_allowance(90, 12.0, T) + 40.0)]))[0]
    assert top[1] + T / 2 == pytest.approx(50.0 + 12.0 + T)
    assert top[2] + T / 2 == pytest.approx(40.0 + 12.0 + T)


def test_frames_are_rotations_that_follow_the_surface():
    """Columns are orthonormal, and the derivative of the map along the sheet's x and y but for the bend's stretch."""
    panel = strip(20.0, 110.0)
    rng = np.random.default_rng(1)
    points = rng.uniform((5.0, 1.0), (95.0, 120.0), (200, 2))
    frames = fold_frames(panel, T, points)
    assert np.einsum("nij,nik->njk", frames, frames) == pytest.approx(np.tile(np.eye(3), (200, 1, 1)), abs=1e-12)
    step = 1e-5
    stretch = 20.5 / (20.0 + 0.447)  # mid-surface over the neutral line, within the bend
    for k in (0, 1):
        ahead = points + step * np.eye(2)[k]
        slope = (fold_nodes(panel, T, ahead) - fold_nodes(panel, T, points)) / step
        length = np.linalg.norm(slope, axis=1)
        assert ((length > 1 - 1e-6) & (length < stretch + 1e-4)).all()
        assert slope / length[:, None] == pytest.approx(frames[:, :, k], abs=1e-4)


def test_a_height_over_the_sheet_goes_along_the_normal():
    panel = strip(30.0)
    points = np.array([(20.0, y) for y in (10.0, 70.0, 115.0)])
    flat, raised = fold_nodes(panel, T, points), fold_nodes(panel, T, np.column_stack([points, [4.0] * 3]))
    assert raised - flat == pytest.approx(4.0 * fold_frames(panel, T, points)[:, :, 2])


def test_a_lip_on_a_flange_goes_with_it():
    """A Z of two round bends, up and down: the lip is parallel to the base again, at the height that the bends give."""
    R, mid = 10.0, 10.5
    a = bend_allowance(90, R, T)
    y1, y2 = 100.0 + a / 2, 100.0 + a + 30.0 + a / 2
    high = 100.0 + 2 * a + 30.0 + 20.0
    folds = (Fold(((0, y1), (80, y1)), 90.0, R), Fold(((0, y2), (80, y2)), -90.0, R))
    panel = Panel("z", SHEET, (T,), ((0, 0), (80, 0), (80, high), (0, high)), SHOP, folds=folds)
    tip = fold_nodes(panel, T, np.array([(0.0, high)]))[0]
    assert tip == pytest.approx((0.0, 100.0 + 2 * mid + 20.0, 30.0 + 2 * mid))
    mesh = mesh_panel(panel, Layout(T), mesh_level="quick")
    assert np.ptp(mesh.nodes[:, 2]) == pytest.approx(30.0 + 2 * mid)
    assert [bend.number for bend in mesh.folded.bends] == [1, 2]  # the lip is made first


def test_a_tight_bend_stays_a_line():
    """Up to five thicknesses of radius a bend is a sharp fold; what it costs is in test_folded_panels."""
    assert folded_sheet(strip(5.0), T).cylinders == ()
    assert len(folded_sheet(strip(5.1), T).cylinders) == 1


def test_a_notch_that_ends_within_the_bend_is_refused():
    """A tray with reliefs 2 mm deep; bends of R 6 reach 5 mm past their lines."""
    x0, x1, y0, y1 = -25.0, 325.0, -25.0, 225.0
    d = 2.0
    ring = (
        (x0, d), (d, d), (d, y0), (300 - d, y0), (300 - d, d), (x1, d),
        (x1, 200 - d), (300 - d, 200 - d), (300 - d, y1), (d, y1), (d, 200 - d), (x0, 200 - d),
    )  # fmt: skip
    fold = Fold(((d, 0.0), (300 - d, 0.0)), 90.0, 6.0)
    tray = Panel("tray", SHEET, (T,), ring, SHOP, folds=(fold,))
    with pytest.raises(MeshError, match=r"reaches 5.1 mm past the line.*cut the notch 5.1 mm past"):
        folded_sheet(tray, T)
    assert folded_sheet(replace(tray, folds=(replace(fold, radius=2.0),)), T).cylinders == ()


def test_bends_that_run_into_each_other_are_refused():
    near = (Fold(((0, 30), (100, 30)), 90.0, 20.0), Fold(((0, 55), (100, 55)), 90.0, 20.0))
    panel = Panel("u", SHEET, (T,), ((0, 0), (100, 0), (100, 200), (0, 200)), SHOP, folds=near)
    with pytest.raises(MeshError, match="fold 1 and fold 2: their bends overlap"):
        folded_sheet(panel, T)


def test_a_bend_that_reaches_over_another_line_is_refused():
    """A lip with a bend of R 30 beside a sharp fold 18 mm away."""
    folds = (Fold(((0, 27), (100, 27)), 90.0, 2.0), Fold(((0, 9), (100, 9)), -120.0, 30.0))
    panel = Panel("u", SHEET, (T,), ((0, 0), (100, 0), (100, 200), (0, 200)), SHOP, folds=folds)
    with pytest.raises(MeshError, match="fold 1 and fold 2: their bends overlap"):
        folded_sheet(panel, T)

"""A sheet that is not flat when it is bought: its shape as measured, and what that does to it."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import SHEET, SHOP

from stiffen.analysis.loads import plan_areas
from stiffen.analysis.panel_model import build_panel_model
from stiffen.fem.nonlinear import follow_path
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import FlatnessReading, Panel, Support

L, B, T, RISE = 300.0, 40.0, 1.0, 1.0


def strip(measured=(), waviness=0.0):
    """A strip between two ends that are pinned and held in plane; nu = 0, so that it is a beam."""
    panel = Panel(
        "strip",
        replace(SHEET, nu=0.0),
        (T,),
        ((0.0, 0.0), (L, 0.0), (L, B), (0.0, B)),
        SHOP,
        supports=tuple(Support("edge", "pinned", "held", path=((x, 0.0), (x, B))) for x in (0.0, L)),
        waviness=waviness,
        out_of_flat=measured,
    )
    return build_panel_model(panel, Layout(T), mesh_panel(panel, Layout(T), mesh_level="quick"), "held")


def arch(rise):
    return tuple(
        FlatnessReading((x, y), rise * np.sin(np.pi * x / L)) for x in np.linspace(0, L, 21) for y in (0.0, B / 2, B)
    )


def pushed_down(model):
    """(6 n,) N: half a sine of pressure along the strip, 1 N in all."""
    mesh = model.mesh
    area = np.bincount(mesh.triangles.ravel(), np.repeat(plan_areas(mesh.plan[mesh.triangles]) / 3, 3))
    share = area * np.sin(np.pi * mesh.plan[:, 0] / L)
    forces = np.zeros((len(mesh.nodes), 6))
    forces[:, 2] = -share / share.sum()
    return forces.ravel()


def heights(measured):
    """Places (n, 2) of the nodes in plan and their heights (n,)."""
    model = strip(measured)
    return model.mesh.plan, model.imperfect_shell(
        pushed_down(model), model.linear_model.solve(pushed_down(model))
    ).nodes[:, 2]


def test_the_sheet_takes_the_shape_measured():
    corners = [(x, y) for x in (0.0, L) for y in (0.0, B)]
    plan, tilted = heights(tuple(FlatnessReading(at, 0.01 * at[0] - 0.02 * at[1]) for at in corners))
    assert tilted == pytest.approx(plan @ [0.01, -0.02], abs=1e-9)
    plan, arched = heights(arch(RISE))  # between the places a spline, to a hundredth of the rise
    assert arched == pytest.approx(RISE * np.sin(np.pi * plan[:, 0] / L), abs=0.01 * RISE)


def test_a_shallow_arch_snaps_through_at_the_load_of_the_books():
    """Pinned half-sine arch of rise h under a half-sine load, a its rise under load (Timoshenko & Gere, Theory of
    Elastic Stability, 2nd ed., art. 7.7):
    q = EI (pi/L)^4 ((h - a) + A/(4 I) (h^2 - a^2) a), which has a maximum, the limit load, for h > 0.58 t.
    """
    a = np.linspace(-RISE, RISE, 4001)
    inertia = B * T**3 / 12
    q = SHEET.E * inertia * (np.pi / L) ** 4 * ((RISE - a) + B * T / (4 * inertia) * (RISE**2 - a**2) * a)
    top = np.argmax(q * (a > 0))
    newtons = q[top] * 2 * L / np.pi
    model = strip(arch(RISE))
    forces = pushed_down(model)
    path = follow_path(
        model.imperfect_shell(forces, model.linear_model.solve(forces)),
        model.restraints.fixed,
        forces,
        target_factor=2 * newtons,
    )
    assert path.limit_factor == pytest.approx(newtons, rel=0.01)
    flat = strip()
    assert (
        follow_path(flat.linear_model.shell, flat.restraints.fixed, forces, target_factor=2 * newtons).limit_factor
        is None
    )


def test_a_wave_is_as_high_as_the_waviness_and_stands_against_the_load():
    model = strip(waviness=0.3)
    forces = pushed_down(model)
    wave = model.imperfect_shell(forces, model.linear_model.solve(forces)).nodes[:, 2]
    assert np.abs(wave).max() == pytest.approx(0.3)
    assert wave @ forces.reshape(-1, 6)[:, 2] < 0

"""What holds the mesh, and what the holds carry."""

from dataclasses import replace

import numpy as np
import pytest
from panels import EDGE, SHEET, lid

from stiffen.errors import SolverError
from stiffen.layout import Layout
from stiffen.loads import case_forces
from stiffen.mesh import mesh_panel
from stiffen.panel import Load, Support
from stiffen.shell import Held, Shell
from stiffen.supports import FREE, HELD, assumptions, grip

RIVETS = Support("rivets", path=((12.0, 12.0), (488.0, 12.0)), pitch=40.0, diameter=4.0)
BOLTS = Support("bolts", at=((20.0, 380.0), (480.0, 380.0)), diameter=6.0)


def solved(panel, assumed=FREE):
    mesh = mesh_panel(panel, Layout(1.0), grade="quick")
    material = panel.material
    shell = Shell(mesh.nodes, mesh.triangles, 1.0, material.E, material.nu, material.rho)
    grips = grip(panel, mesh, assumed)
    held = Held(shell, grips.linear, grips.springs)
    forces = case_forces(panel, mesh, shell.weight_at_nodes, "wind")
    u = held.solve(forces)
    return mesh, grips, u, held.reactions(u, forces).reshape(-1, 6)


def test_unknown_is_judged_at_both_ends():
    assert assumptions(lid(supports=(RIVETS,))) == (HELD, FREE)
    assert assumptions(lid()) == (FREE,)
    assert assumptions(lid(supports=(EDGE, Support("bolts", at=BOLTS.at, diameter=6.0, in_plane="held")))) == (HELD,)


def test_rivets_stand_at_even_pitch_ends_included():
    centres = np.array(RIVETS.fasteners())
    assert len(centres) == 13
    assert np.diff(centres[:, 0]) == pytest.approx(476.0 / 12)


def test_fasteners_carry_the_load():
    mesh, grips, _, reactions = solved(lid(supports=(RIVETS, BOLTS)))
    assert set(grips.fasteners) == {*RIVETS.fasteners(), *BOLTS.at}
    nodes = np.concatenate(list(grips.fasteners.values()))
    assert reactions[nodes, 2].sum() == pytest.approx(1e-5 * 500 * 400, rel=1e-6)


def test_free_in_plane_takes_no_force_in_plane():
    _, _, _, reactions = solved(lid())
    assert np.abs(reactions[:, :2]).max() < 1e-9


def test_clamped_edge_is_stiffer_than_pinned_and_guided_edge_carries_nothing():
    pinned = np.abs(solved(lid())[2][2::6]).max()
    clamped = np.abs(solved(lid(supports=(Support("edge", hold="clamped", in_plane="free"),)))[2][2::6]).max()
    # T&WK Tables 8 and 35, a/b = 1.25: alpha 0.00603 and 0.00182
    assert pinned / clamped == pytest.approx(0.00603 / 0.00182, rel=0.01)
    no_cross = replace(SHEET, nu=0.0)  # so that a wide strip bends like a beam
    guided = Support("edge", hold="guided", in_plane="free", path=((0.0, 0.0), (500.0, 0.0)))
    side = Support("edge", in_plane="free", path=((0.0, 400.0), (500.0, 400.0)))
    mesh, _, u, reactions = solved(lid(supports=(guided, side), material=no_cross))
    bottom = mesh.paths[guided.path]
    assert np.abs(reactions[bottom, 2]).max() < 1e-9
    assert np.abs(u.reshape(-1, 6)[bottom, 3]).max() == 0.0
    # a strip guided on one side and pinned on the other is half of a strip of twice the span: 5 q L^4 / (384 EI)
    w = np.abs(u.reshape(-1, 6)[bottom, 2])
    beam = 5 * 1e-5 * 800.0**4 / (384 * SHEET.E / 12)
    assert w.mean() == pytest.approx(beam, rel=0.01)


def test_springs_carry_load_and_give_way():
    stiff = 0.02  # N/mm per mm
    spring = Support("edge", in_plane="free", stiffness=stiff)
    mesh, grips, u, _ = solved(lid(supports=(spring,)))
    push = -(grips.springs @ u)[2::6]
    assert push.sum() == pytest.approx(1e-5 * 500 * 400, rel=1e-6)
    rigid = np.abs(solved(lid())[2][2::6]).max()
    assert np.abs(u[2::6]).max() > rigid + 0.5 * 1e-5 * 500 * 400 / (stiff * 1800)


def test_nothing_that_holds_is_told():
    with pytest.raises(SolverError, match="move along z"):
        solved(lid(supports=()))
    one_side = Support("edge", in_plane="free", path=((0.0, 0.0), (500.0, 0.0)))
    with pytest.raises(SolverError, match="turn about x"):
        solved(lid(supports=(one_side,), loads=(Load("wind", "pressure", 1e-5),)))

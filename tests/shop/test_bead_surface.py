"""Heights of rolled beads and steps in plan, open ends, and a stepped strip in the shell model against beam theory."""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from support.panels import B16, lid

from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Bead, Layout
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import profile_points
from stiffen.shop.bead_surface import extended_past_open_ends, raised_side, surface_height

SHEET = ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0))
STEP = BeadDie("S8", "step", 8.0, 4.0, nose_radius=2.0, shoulder_radius=2.0)
BOTH = (True, True)


def at(bead, *points):
    return surface_height(bead, np.array(points, dtype=float), SHEET)


def test_bead_is_its_profile_across_the_axis():
    bead = Bead(B16, ((100.0, 200.0), (400.0, 200.0)))
    points = profile_points(B16)
    plan = np.column_stack([np.full(len(points), 250.0), 200 + points[:, 0]])
    assert surface_height(bead, plan, SHEET) == pytest.approx(points[:, 1], abs=1e-9)
    assert at(bead, (100, 200), (105, 200), (110, 200), (400, 200)) == pytest.approx([0, 2, 4, 0])  # run-out 10 mm


@pytest.mark.parametrize("path", [((60.0, 20.0), (440.0, 20.0)), ((440.0, 20.0), (60.0, 20.0))], ids=["right", "left"])
def test_step_lifts_the_strip_along_the_edge(path):
    """In either direction of its path.  The middle of the ramp is at half the depth; beyond its ends it is flat."""
    bead = Bead(STEP, path)
    across = at(bead, (250, 0), (250, 15.9), (250, 20), (250, 24.1), (250, 200))
    assert across == pytest.approx([4, 4, 2, 0, 0], abs=1e-6)
    assert at(bead, (50, 0), (60, 0), (65, 5), (70, 0), (445, 5)) == pytest.approx([0, 0, 2, 4, 0])


def test_step_round_a_frame_lifts_the_rim():
    ring = ((30.0, 30.0), (470.0, 30.0), (470.0, 370.0), (30.0, 370.0), (30.0, 30.0))
    for path in (ring, ring[::-1]):
        bead = Bead(STEP, path)
        assert at(bead, (0, 0), (20, 25), (25, 20), (250, 5), (495, 395), (10, 200)) == pytest.approx([4] * 6)
        assert at(bead, (250, 200), (40, 40), (465, 365)) == pytest.approx([0] * 3)


def test_lifted_side_is_where_the_edge_is_nearer():
    assert raised_side(((100, 380), (400, 380)), SHEET) == 1
    assert raised_side(((400, 380), (100, 380)), SHEET) == -1
    assert raised_side(((20, 300), (20, 100)), SHEET) == -1


def test_open_end_keeps_its_depth_to_the_edge():
    bead = Bead(B16, ((0.0, 200.0), (400.0, 200.0)), open_ends=(True, False))
    assert at(bead, (0, 200), (5, 200), (250, 200), (400, 200)) == pytest.approx([4, 4, 4, 0])
    longer = extended_past_open_ends(bead)
    assert longer.path[0] == pytest.approx((-42, 200))  # run-out 10 mm and two widths
    assert longer.path[1] == (400.0, 200.0)
    assert longer.open_ends == (False, False)
    closed = Bead(B16, bead.path)
    assert extended_past_open_ends(closed) is closed


@pytest.mark.parametrize("bead", [
    Bead(B16, ((0.0, 200.0), (500.0, 200.0)), open_ends=BOTH),
    Bead(B16, ((100.0, 0.0), (400.0, 400.0)), open_ends=BOTH),
    Bead(STEP, ((0.0, 20.0), (500.0, 20.0)), open_ends=BOTH),
    Bead(STEP, ((60.0, 20.0), (440.0, 20.0))),
], ids=["across", "aslant", "open step", "step"])  # fmt: skip
def test_mesh_stands_at_these_heights(bead):
    """Every node, also on the edge.  At an open end the edge has the profile of the bead."""
    mesh = mesh_panel(lid(), Layout(1.0, (bead,)))
    z = mesh.nodes[:, 2]
    assert z == pytest.approx(surface_height(bead, mesh.plan, SHEET), abs=1e-9)
    if any(bead.open_ends):
        assert z[mesh.outline].max() == pytest.approx(bead.die.depth, abs=0.02 * bead.die.depth)
        ramps = mesh.outline[(z[mesh.outline] > 0.05) & (z[mesh.outline] < bead.die.depth - 0.05)]
        assert len(ramps) >= (4 if bead.die is B16 else 2)
    else:
        assert np.abs(z[mesh.outline]).max() == pytest.approx(4)


def test_down_is_the_mirror_of_up():
    up, down = (Layout(1.0, (Bead(STEP, ((60.0, 20.0), (440.0, 20.0)), side),)) for side in ("up", "down"))
    a, b = mesh_panel(lid(), up), mesh_panel(lid(), down)
    gap, other = cKDTree(a.plan).query(b.plan)
    assert gap.max() < 1e-9
    assert b.nodes[:, 2] == pytest.approx(-a.nodes[other, 2])


def strip_stiffness(die, width, length=600.0, t=1.0):
    """E I (N mm2) of a strip with one bead or step over its whole length, bent between its ends in the shell model."""
    panel = lid(length, width, supports=())
    bead = Bead(die, ((0.0, width / 2), (length, width / 2)), open_ends=BOTH)
    mesh = mesh_panel(panel, Layout(t, (bead,)), mesh_level="fine")
    shell = Shell(mesh.nodes, mesh.triangles, t, 70e3, 0.0)
    x = mesh.plan[:, 0]
    ends = np.flatnonzero((x < 1e-6) | (x > length - 1e-6))
    left = np.flatnonzero(x < 1e-6)
    pinned = left[np.argmin(np.abs(mesh.plan[left, 1] - width / 2))]
    right = ends[x[ends] > 1][np.argmin(np.abs(mesh.plan[ends[x[ends] > 1], 1] - width / 2))]
    held = LinearModel(shell, np.unique(np.concatenate([6 * ends + 2, [6 * pinned, 6 * pinned + 1, 6 * right + 1]])))
    forces = np.zeros((len(x), 6))
    weight = shell.geometry.area
    np.add.at(forces[:, 2], mesh.triangles.ravel(), np.repeat(-weight / 3, 3))
    u = held.solve(forces.ravel())[2::6]
    w = np.abs(u[np.abs(x - length / 2) < 6]).max()
    q = weight.sum() / length
    return 5 * q * length**4 / (384 * w)


def test_stepped_strip_bends_about_its_principal_axis():
    """Thin-wall beam theory of a Z free to move sideways: I = I_y - I_yz^2/I_z, here a third of I_y; exact polyline."""
    t, width = 1.0, 60.0
    points = np.vstack([[-width / 2, 0.0], profile_points(STEP), [width / 2, STEP.depth]])
    ends = points - np.average((points[1:] + points[:-1]) / 2, axis=0, weights=np.hypot(*np.diff(points, axis=0).T))
    a, b, ds = ends[:-1], ends[1:], np.hypot(*np.diff(ends, axis=0).T)
    second = t * np.einsum("k,kij->ij", ds / 6, 2 * a[:, :, None] * a[:, None] + 2 * b[:, :, None] * b[:, None]
                           + a[:, :, None] * b[:, None] + b[:, :, None] * a[:, None])  # fmt: skip
    own = t**3 / 12 * (np.diff(points[:, 0]) ** 2 / ds).sum()
    free = second[1, 1] - second[0, 1] ** 2 / second[0, 0] + own
    assert strip_stiffness(STEP, width) == pytest.approx(70e3 * free, rel=0.01)


def test_beaded_strip_bends_as_a_beam():
    """The same for a bead from end to end, whose axis is level by symmetry; seven chords a half lose 2 % of I."""
    points = np.vstack([[-30.0, 0.0], profile_points(B16), [30.0, 0.0]])
    z, ds = points[:, 1], np.hypot(*np.diff(points, axis=0).T)
    middle = (ds * (z[1:] + z[:-1])).sum() / 2 / ds.sum()
    low, high = z[:-1] - middle, z[1:] - middle
    about = (ds * (low**2 + low * high + high**2)).sum() / 3 + (np.diff(points[:, 0]) ** 2 / ds).sum() / 12
    assert strip_stiffness(B16, 60.0) == pytest.approx(70e3 * about, rel=0.025)

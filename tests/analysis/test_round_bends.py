"""Bends of large radius in the shell model, against curved beams and a cylindrical roof."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import SHEET, SHOP

from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Fold, Panel
from stiffen.shop.bends import bend_allowance

BEAM = replace(SHEET, nu=0.0)


def tip_compliance(radius, leg, t, level):
    """mm/N of a quarter bend whose straight root is held, pulled at the tip of its upright leg along the base.

    80 wide, nu = 0, so that it bends as a beam.
    """
    wide, root = 80.0, 30.0
    a = bend_allowance(90, radius, t)
    high = root + a + leg
    line = ((0.0, root + a / 2), (wide, root + a / 2))
    outline = ((0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high))
    panel = Panel("hook", BEAM, (t,), outline, SHOP, folds=(Fold(line, 90.0, radius),))
    mesh = mesh_panel(panel, Layout(t), mesh_level=level)
    x, y = mesh.plan.T
    held = np.flatnonzero(y <= root + 1e-6)
    tip = np.flatnonzero(y > high - 1e-6)
    tip = tip[np.argsort(x[tip])]
    share = np.convolve(np.diff(x[tip]), [0.5, 0.5]) / wide
    shell = Shell(mesh.nodes, mesh.triangles, t, BEAM.E, BEAM.nu, BEAM.rho)
    forces = np.zeros(6 * len(mesh.nodes))
    forces[6 * tip + 1] = share
    u = LinearModel(shell, (6 * held[:, None] + np.arange(6)).ravel()).solve(forces)
    return float(u[6 * tip + 1] @ share)


@pytest.mark.parametrize("radius", [6.0, 60.0])
@pytest.mark.parametrize("level", ["quick", "normal"])
def test_a_quarter_bend_is_a_curved_beam(radius, level):
    """Castigliano, thin curved bar: a quarter circle of radius r with a straight end L, pulled square to the end.

    M = P (L + r sin(phi)): delta = P/(E I) (L^3/3 + r (pi/2 L^2 + 2 L r + pi/4 r^2)).  With L = 0 it is the handbook's
    pi P r^3/(4 E I) of the quarter ring (Timoshenko, Strength of Materials, part 1, from memory).
    The bound of 3 % holds on the coarse mesh too.
    """
    t, leg = 1.0, 20.0
    r = radius + t / 2
    found = tip_compliance(radius, leg, t, level)
    EI = BEAM.E * 80.0 * t**3 / 12
    expected = (leg**3 / 3 + r * (math.pi / 2 * leg**2 + 2 * leg * r + math.pi / 4 * r**2)) / EI
    assert found == pytest.approx(expected, rel=0.03)


def test_two_radii_give_two_numbers():
    """R 6 and R 60 with the same straight end: the ratio is that of the formula, far from 1."""
    few, many = (tip_compliance(radius, 20.0, 1.0, "quick") for radius in (6.0, 60.0))
    assert many / few > 15


def roof(level):
    """Downward deflection at the middle of the free edge of a cylindrical roof, in the units of the source.

    Scordelis and Lo (1964): radius 25, length 50, 80 degrees, t 0.25, E 4.32e8, nu 0, load 90 an area; ends on
    diaphragms.  Here a flat sheet of 1 mm folded to a mid-radius of 100 about its middle line: all lengths times 4,
    and so the deflection.
    """
    t, mid, long = 1.0, 100.0, 200.0
    radius = mid - t / 2
    a = bend_allowance(80, radius, t)
    line = ((0.0, a / 2), (long, a / 2))
    panel = Panel("roof", BEAM, (t,), ((0, 0), (long, 0), (long, a), (0, a)), SHOP, folds=(Fold(line, -80.0, radius),))
    mesh = mesh_panel(panel, Layout(t), mesh_level=level)
    # its first edge is level: turn it about its length until the crown is
    x, y, z = mesh.nodes.T
    side = math.copysign(math.radians(40), z[np.argmax(mesh.plan[:, 1])] - z[np.argmin(mesh.plan[:, 1])])
    nodes = np.column_stack([x, y * math.cos(side) + z * math.sin(side), z * math.cos(side) - y * math.sin(side)])
    E = 4.32e8
    shell = Shell(nodes, mesh.triangles, t, E, 0.0)
    ends = np.flatnonzero((nodes[:, 0] < 1e-6) | (nodes[:, 0] > long - 1e-6))
    middle = np.argmin(np.abs(nodes[:, 0] - long / 2))
    model = LinearModel(shell, np.union1d((6 * ends[:, None] + [1, 2]).ravel(), [6 * middle]))
    forces = np.zeros((len(nodes), 6))
    np.add.at(forces[:, 2], mesh.triangles, -90 * np.repeat(shell.geometry.area[:, None] / 3, 3, axis=1))
    u = model.solve(forces.ravel())
    edge = np.argmin(np.abs(mesh.plan - (long / 2, 0.0)).sum(axis=1))
    return -u[6 * edge + 2] / 4


def test_a_folded_roof_deflects_as_scordelis_and_lo():
    """0.3024 at the middle of the free edge (MacNeal and Harder 1985); the folded sheet itself is the mesh."""
    assert roof("normal") == pytest.approx(0.3024, rel=0.03)

"""The other shell element against published values.  Every row: source, value, tolerance and its reason.

Sources in short: TWK = Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959 (tables from
memory, the digits used here recomputed by series or Ritz); Leissa = Vibration of Plates, NASA SP-160, 1969 (digits
recomputed by a converged Ritz); MH = MacNeal & Harder, Finite Elem. Anal. Des. 1 (1985) 3-20 (read second-hand).
"""

from __future__ import annotations

import subprocess
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from support.second_opinion import MARKS

from stiffen.analysis import sfepy_shell
from stiffen.errors import InputError, SolverError

pytestmark = MARKS
UX, UY, UZ, RX, RY, RZ = range(6)
ALL = [UX, UY, UZ, RX, RY, RZ]


# --- meshes, supports, loads ------------------------------------------------------------------------------------


def grid(columns: int, rows: int, a: float, b: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 3) and triangles of the rectangle a x b; the diagonals turn from cell to cell."""
    x, y = np.meshgrid(np.linspace(0, a, columns + 1), np.linspace(0, b, rows + 1), indexing="ij")
    nodes = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    i, j = (k.ravel() for k in np.meshgrid(np.arange(columns), np.arange(rows), indexing="ij"))
    p = i * (rows + 1) + j
    q, r, s = p + rows + 1, p + rows + 2, p + 1
    rising = np.stack([[p, q, r], [p, r, s]]).transpose(2, 0, 1)
    falling = np.stack([[p, q, s], [q, r, s]]).transpose(2, 0, 1)
    return nodes, np.where(((i + j) % 2 == 0)[:, None, None], rising, falling).reshape(-1, 3)


def fix(*pairs: tuple[np.ndarray, list[int]]) -> np.ndarray:
    """Freedom numbers of (mask over the nodes, freedoms) pairs."""
    return np.unique(
        np.concatenate([np.add.outer(6 * np.flatnonzero(mask), freedoms).ravel() for mask, freedoms in pairs])
    )


def spread(nodes: np.ndarray, triangles: np.ndarray, pressure: tuple[float, float, float]) -> np.ndarray:
    """Load vector (6 n, 1) of a force per area, a third of each triangle to each corner."""
    a, b, c = nodes[triangles].swapaxes(0, 1)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    forces = np.zeros((len(nodes), 6))
    for corner in triangles.T:
        np.add.at(forces, (corner, slice(0, 3)), np.outer(area / 3, pressure))
    return forces.reshape(-1, 1)


def at(nodes: np.ndarray, *place: float) -> int:
    """The node at a place, which must be there."""
    distance = np.linalg.norm(nodes[:, : len(place)] - place, axis=1)
    assert distance.min() < 1e-9 * np.ptp(nodes)
    return int(distance.argmin())


def point(nodes: np.ndarray, node: int, freedom: int, value: float = 1.0) -> np.ndarray:
    """Load vector (6 n, 1) of one force."""
    forces = np.zeros((6 * len(nodes), 1))
    forces[6 * node + freedom] = value
    return forces


def plate_supports(nodes: np.ndarray, edges: str) -> np.ndarray:
    """Freedoms held for edges 'x0 x1 y0 y1', each S (hard simple support), C or F, or 'corners'.

    In plane the plate is held at two corners only, so that nothing is stretched.
    """
    x, y = nodes[:, 0], nodes[:, 1]
    sides = {"x0": x == 0, "x1": x == x.max(), "y0": y == 0, "y1": y == y.max()}
    held = [(sides["x0"] & sides["y0"], [UX, UY]), (sides["x1"] & sides["y0"], [UY])]
    if edges == "corners":
        held.append(((sides["x0"] | sides["x1"]) & (sides["y0"] | sides["y1"]), [UZ]))
        return fix(*held)
    for (name, side), kind in zip(sides.items(), edges, strict=True):
        along = RX if name[0] == "x" else RY  # the rotation that a hard simple support holds
        held.append((side, {"S": [UZ, along], "C": [UZ, RX, RY], "F": []}[kind]))
    return fix(*held)


NU, T = 0.3, 1.0
E = 12 * (1 - NU**2)  # so that D = 1


def plate(edges: str, a: float, n: int, load: str, x: float = 0.5, y: float = 0.5) -> float:
    """w D/(q b^4), or w D/(P b^2), at (x a, y b) of the plate a b by b = 1000 t, h = b/n; + along the load."""
    b = 1000.0
    nodes, triangles = grid(round(a * n), n, a * b, b)
    centre = at(nodes, a * b / 2, b / 2)
    forces = point(nodes, centre, UZ, b**-2) if load == "point" else spread(nodes, triangles, (0, 0, b**-4))
    u = sfepy_shell.deflections(nodes, triangles, T, E, NU, plate_supports(nodes, edges), forces)
    return float(u[6 * at(nodes, x * a * b, y * b) + UZ, 0])


# --- static rows ------------------------------------------------------------------------------------------------


def straight_beam(freedom: int, n: int = 1) -> float:
    """MH straight cantilever 6 x 0.2 x 0.1, 6 n by n rectangles: tip displacement along freedom, unit load there."""
    nodes, triangles = grid(6 * n, n, 6.0, 0.2)
    tip = nodes[:, 0] == 6
    forces = np.zeros((len(nodes), 6))
    forces[tip, freedom] = 1 / (n + 1)
    held = fix((nodes[:, 0] == 0, ALL))
    u = sfepy_shell.deflections(nodes, triangles, 0.1, 1e7, 0.3, held, forces.reshape(-1, 1)).reshape(-1, 6)
    return float(u[tip, freedom].mean())


def twisted_beam(freedom: int, n: int, thickness: float = 0.32) -> float:
    """MH twisted cantilever L 12, width 1.1, 90 degrees: tip displacement per unit load; z is the tip's width."""
    flat, triangles = grid(6 * n, n, 12.0, 1.1)
    angle, arm = np.pi / 24 * flat[:, 0], flat[:, 1] - 0.55
    nodes = np.stack([flat[:, 0], arm * np.cos(angle), arm * np.sin(angle)], axis=1)
    tip = flat[:, 0] == 12
    share = np.where(np.isin(flat[tip, 1], (0, 1.1)), 0.5, 1.0)
    forces = np.zeros((len(nodes), 6))
    forces[tip, freedom] = share / share.sum()
    held = fix((flat[:, 0] == 0, ALL))
    u = sfepy_shell.deflections(nodes, triangles, thickness, 29e6, 0.22, held, forces.reshape(-1, 1))
    return float(u[6 * at(flat, 12, 0.55) + freedom, 0])


def roof(n: int, hard: bool = False) -> float:
    """Scordelis-Lo roof, a quarter: downward deflection at the middle of the free edge."""
    flat, triangles = grid(n, n, 40.0, 25.0)  # degrees from the crown, distance from the diaphragm
    angle = np.radians(flat[:, 0])
    nodes = np.stack([25 * np.sin(angle), flat[:, 1], 25 * np.cos(angle)], axis=1)
    diaphragm = [UX, UZ, RY] if hard else [UX, UZ]
    held = fix((flat[:, 1] == 0, diaphragm), (flat[:, 1] == 25, [UY, RX, RZ]), (flat[:, 0] == 0, [UX, RY, RZ]))
    forces = spread(nodes, triangles, (0, 0, -90.0))
    u = sfepy_shell.deflections(nodes, triangles, 0.25, 4.32e8, 0.0, held, forces)
    return float(-u[6 * at(flat, 40, 25) + UZ, 0])


def hemisphere(n: int) -> float:
    """MH hemisphere with an 18 degree hole, a quarter: displacement under the outward load."""
    flat, triangles = grid(n, n, 90.0, 72.0)  # degrees of longitude and latitude
    around, up = np.radians(flat[:, :2]).T
    nodes = 10 * np.stack([np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), np.sin(up)], axis=1)
    a, b = at(flat, 0, 0), at(flat, 90, 0)
    held = fix(
        (flat[:, 0] == 0, [UY, RX, RZ]), (flat[:, 0] == 90, [UX, RY, RZ]), (np.arange(len(nodes)) == a, [UZ])
    )  # fmt: skip
    forces = point(nodes, a, UX) - point(nodes, b, UY)  # half of the 2 N on each plane of symmetry
    u = sfepy_shell.deflections(nodes, triangles, 0.04, 6.825e7, 0.3, held, forces)
    assert u[6 * a + UX, 0] == pytest.approx(-u[6 * b + UY, 0], rel=1e-3)
    return float(u[6 * a + UX, 0])


def pinched_cylinder(n: int) -> float:
    """Cylinder on diaphragms, R 300, L 600, t 3, an eighth: displacement under the load P = 1."""
    flat, triangles = grid(n, n, 90.0, 300.0)  # degrees from the load, distance from the diaphragm
    angle = np.radians(flat[:, 0])
    nodes = np.stack([300 * np.sin(angle), flat[:, 1], 300 * np.cos(angle)], axis=1)
    held = fix(
        (flat[:, 0] == 0, [UX, RY, RZ]),
        (flat[:, 0] == 90, [UZ, RX, RY]),
        (flat[:, 1] == 0, [UX, UZ]),
        (flat[:, 1] == 300, [UY, RX, RZ]),
    )
    load = at(flat, 0, 300)
    u = sfepy_shell.deflections(nodes, triangles, 3.0, 3e6, 0.3, held, point(nodes, load, UZ, -0.25))
    return float(-u[6 * load + UZ, 0])


@dataclass(frozen=True)
class Row:
    """One published value, what is computed for it, and how near it must come."""

    name: str
    expected: float
    tolerance: float
    why: str
    compute: Callable[[], float]


LUMPED = "h = b/16 or b/24; pressure on the given nodes alone, a quarter of those solved: 1.6 (h/b)^2"
POINT = "h = b/16; a point load or support is resolved as h^2 log h"
THIN = "flat facets lock until their sagitta is small against t: -65 % at 24 x 4, -12 % at 48 x 8"
THREE = "three figures in the table, and as above"
STATIC = (
    Row("TWK 8 SSSS square pressure", 0.00406235, 4e-3, LUMPED, lambda: plate("SSSS", 1, 24, "pressure")),
    Row("TWK 8 SSSS a/b 2 pressure", 0.0101286, 4e-3, LUMPED, lambda: plate("SSSS", 2, 24, "pressure")),
    Row("TWK 35 CCCC square pressure", 1.265319e-3, 4e-3, LUMPED, lambda: plate("CCCC", 1, 16, "pressure")),
    Row("TWK 35 CCCC a/b 1.5 pressure", 0.00220, 5e-3, THREE, lambda: plate("CCCC", 1.5, 16, "pressure")),
    Row("TWK 35 CCCC a/b 2 pressure", 0.00253, 5e-3, THREE, lambda: plate("CCCC", 2, 16, "pressure")),
    Row("TWK 23 SSSS square point load", 0.01160084, 5e-3, POINT, lambda: plate("SSSS", 1, 16, "point")),
    Row("MH 4 CCCC square point load", 0.00560, 5e-3, POINT, lambda: plate("CCCC", 1, 16, "point")),
    Row("TWK 47 SFSF centre", 0.01309, 5e-3, LUMPED, lambda: plate("SSFF", 1, 16, "pressure")),
    Row("TWK 47 SFSF free edge", 0.01501, 5e-3, LUMPED, lambda: plate("SSFF", 1, 16, "pressure", y=1.0)),
    Row("Ritz CFFF tip", 0.12907, 2e-3, LUMPED, lambda: plate("CFFF", 1, 16, "pressure", x=1.0)),
    Row("Ritz CFFF corner", 0.12723, 2e-3, LUMPED, lambda: plate("CFFF", 1, 16, "pressure", x=1.0, y=1.0)),
    Row("Ritz four corners, centre", 0.02551, 5e-3, POINT, lambda: plate("corners", 1, 16, "pressure")),
    Row("Ritz four corners, mid-edge", 0.01775, 5e-3, POINT, lambda: plate("corners", 1, 16, "pressure", y=0)),
    Row("MH straight beam extension", 3.0e-5, 0.01, "6 x 1, root holds nu", lambda: straight_beam(UX)),
    Row("MH straight beam out of plane", 0.4321, 0.02, "published 6 x 1 mesh", lambda: straight_beam(UZ)),
    Row("MH twisted beam, refined, thickness", 0.0017532483, 0.01, "24 x 4", lambda: twisted_beam(UY, 4)),
    Row("MH twisted beam, refined, width", 0.0054245349, 0.01, "24 x 4", lambda: twisted_beam(UZ, 4)),
    Row("MH thin twisted beam, width", 0.005256e6, 0.04, THIN, lambda: twisted_beam(UZ, 12, 0.0032)),
    Row("Scordelis-Lo, soft, refined Mindlin", 0.3020326, 5e-3, "16 x 16 facets", lambda: roof(16)),
    Row("Scordelis-Lo, hard, refined Mindlin", 0.3014486, 5e-3, "16 x 16 facets", lambda: roof(16, hard=True)),
    Row("MH hemisphere with hole", 0.0940, 0.02, "32 x 32 facets, see THIN", lambda: hemisphere(32)),
    Row("Lindberg 1969 pinched cylinder", 1.8248e-5, 0.01, "32 x 32 facets", lambda: pinched_cylinder(32)),
)


@pytest.mark.parametrize("row", STATIC, ids=lambda row: row.name)
def test_deflection_against_print(row):
    assert row.compute() == pytest.approx(row.expected, rel=row.tolerance), row.why


def test_in_plane_bending_of_a_strip_converges_slowly():
    """MH straight beam in plane, 0.1081: 0.65 of it on the published 6 x 1 mesh, where the split into trapezoids
    spoils the enhanced strains and the tied rotation stiffens; 2 % needs some eight elements across."""
    ratios = [straight_beam(UY, n) / 0.1081 for n in (1, 2, 4, 8)]
    assert ratios == sorted(ratios)
    assert ratios[0] == pytest.approx(0.645, abs=0.01)  # as it came out, not published: a limit to know of
    assert ratios[3] == pytest.approx(1, rel=0.02)


def test_refined_meshes_converge_at_second_order():
    errors = [abs(plate("SSSS", 1, n, "pressure") / 0.00406235 - 1) for n in (4, 8, 16)]
    assert errors[0] / errors[1] > 3.5
    assert errors[1] / errors[2] > 3.5


def test_curved_shells_do_not_soften_under_refinement():
    """A drilling rotation tied to ground loses the twist at each kink: the roof then passes 1.03 on 24 x 24."""
    assert roof(24) / 0.3020326 == pytest.approx(1, rel=3e-3)


PANEL = {
    "1 kPa SSSS": (23.47, "SSSS", "pressure"),
    "1 kPa CCCC": (7.095, "CCCC", "pressure"),
    "1 N SSSS": (0.3392, "SSSS", "point"),
    "1 N CCCC": (0.1611, "CCCC", "point"),
    "first Hz SSSS": (25.22, "SSSS", None),
}


@pytest.mark.parametrize(("expected", "edges", "load"), PANEL.values(), ids=PANEL)
def test_flat_aluminium_panel_500_400_1(expected, edges, load):
    """E 70.3 GPa, nu 0.33, rho 2680 kg/m3; recomputed by Navier series and Ritz.  0.7 %: h = b/16, lumped load."""
    nodes, triangles = grid(20, 16, 500.0, 400.0)
    held = plate_supports(nodes, edges)
    if load is None:
        value = sfepy_shell.frequencies(nodes, triangles, 1.0, 70300.0, 0.33, 2.68e-6, held, 1)[0]
    else:
        centre = at(nodes, 250, 200)
        forces = spread(nodes, triangles, (0, 0, 1e-3)) if load == "pressure" else point(nodes, centre, UZ)
        value = sfepy_shell.deflections(nodes, triangles, 1.0, 70300.0, 0.33, held, forces)[6 * centre + UZ, 0]
    assert value == pytest.approx(expected, rel=7e-3)


# --- frequencies ------------------------------------------------------------------------------------------------

FREQUENCIES = (
    ("SSSS", 1.0, 0, [19.739, 49.348, 49.348, 78.957]),
    ("SSSS", 1.25, 0, [25.291, 54.900, 71.555]),
    ("CCCC", 1.0, 0, [35.985, 73.394, 73.394, 108.217]),
    ("CFFF", 1.0, 0, [3.4710, 8.5065, 21.285, 27.199, 30.956]),
    ("FFFF", 1.0, 6, [13.468, 19.596, 24.270, 34.801, 34.801]),
    ("FFFF", 1.25, 6, [16.807, 21.237]),
    ("corners", 1.0, 0, [7.1109, 15.770, 15.770, 19.596]),
)


@pytest.mark.parametrize(
    ("edges", "a", "rigid", "expected"), FREQUENCIES, ids=[f"{row[0]} a/b {row[1]}" for row in FREQUENCIES]
)
def test_frequencies_against_leissa(edges, a, rigid, expected):
    """omega a^2 sqrt(rho t/D), Leissa ch. 4.  0.5 % for the first, 1 % for the next: bilinear at h = b/16."""
    nodes, triangles = grid(round(16 * a), 16, 1000 * a, 1000.0)
    held = np.empty(0, int) if rigid else plate_supports(nodes, edges)
    hertz = sfepy_shell.frequencies(nodes, triangles, T, E, NU, 1.0, held, rigid + len(expected))
    lam = 2 * np.pi * hertz * (1000 * a) ** 2 * np.sqrt(1e-3)  # D = 1 N mm = 1000 kg mm2/s2, rho t = 1 kg/mm2
    assert lam[:rigid] == pytest.approx(0, abs=0.02)  # six rigid motions, against 13 for the first bending
    assert lam[rigid] == pytest.approx(expected[0], rel=5e-3)
    assert lam[rigid:] == pytest.approx(expected, rel=1e-2)


def test_frequency_by_the_factors_of_the_held_sheet():
    """Leissa's simply supported plate again, with the factors that also give its deflections."""
    edges, _, _, expected = FREQUENCIES[0]
    nodes, triangles = grid(16, 16, 1000.0, 1000.0)
    held = plate_supports(nodes, edges)
    K = sfepy_shell.sheet_stiffness(nodes, triangles, T, E, NU)
    factors = sfepy_shell.held_sheet_factors(nodes, triangles, held, K)
    hertz = sfepy_shell.frequencies(nodes, triangles, T, E, NU, 1.0, held, 1, K=K, factors=factors)
    assert 2 * np.pi * hertz * 1000.0**2 * np.sqrt(1e-3) == pytest.approx(expected[:1], rel=5e-3)


def test_mass_is_that_of_the_sheet():
    nodes, triangles = grid(5, 4, 500.0, 400.0)
    points, quads, *_ = sfepy_shell.split_triangles(nodes, triangles)
    M = sfepy_shell.mass(points, quads, 1.5, 2.7e-6)
    across = np.tile([0, 0, 1, 0, 0, 0], len(points))
    about_x = across * np.repeat(points[:, 1], 6) + np.tile([0, 0, 0, 1, 0, 0], len(points))
    kg = 2.7e-6 * 1.5 * 500 * 400
    assert across @ M @ across == pytest.approx(kg, rel=1e-12)
    assert about_x @ M @ about_x == pytest.approx(kg * (400**2 / 3 + 1.5**2 / 12), rel=1e-12)


# --- the element itself -----------------------------------------------------------------------------------------

PATCH_NODES = np.array(
    [[0, 0], [0.24, 0], [0.24, 0.12], [0, 0.12], [0.04, 0.02], [0.18, 0.03], [0.16, 0.08], [0.08, 0.08]]
)  # fmt: skip
PATCH_QUADS = np.array([[0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7], [4, 5, 6, 7]])
PATCH_TRIANGLES = np.concatenate([PATCH_QUADS[:, [0, 1, 2]], PATCH_QUADS[:, [0, 2, 3]]])


def solve_patch(field: Callable[[np.ndarray, np.ndarray], np.ndarray], skew: np.ndarray) -> tuple[np.ndarray, ...]:
    """MH patch (Fig. 2): the field (n, 6) prescribed on the rim but for the drilling rotation, solved inside.

    skew (3, 3) turns the whole patch.  Returns exact and solved (n, 6) in the patch's own axes, and the energy.
    """
    flat = np.c_[PATCH_NODES, np.zeros(8)]
    points, quads, edges, boundary = sfepy_shell.split_triangles(flat, PATCH_TRIANGLES)
    K = sfepy_shell.stiffness(points @ skew.T, quads, 0.001, 1e6, 0.25)
    turn = np.kron(np.eye(2 * len(points)), skew)
    K = turn.T @ K @ turn  # back in the patch's own axes
    exact = field(points[:, 0], points[:, 1])
    rim = np.concatenate([np.unique(edges[boundary]), 8 + np.flatnonzero(boundary)])
    held = np.zeros((len(points), 6), bool)
    held[rim, :RZ] = True
    held = held.ravel()
    u = np.where(held, exact.ravel(), 0.0)
    u[~held] = np.linalg.solve(K[np.ix_(~held, ~held)], -K[np.ix_(~held, held)] @ u[held])
    return exact, u.reshape(-1, 6), u @ K @ u / 2


SKEW = np.linalg.qr(np.array([[1.0, 2.0, 3.0], [0.5, -1.0, 1.0], [2.0, 0.0, 1.0]]))[0]
SKEW *= np.sign(np.linalg.det(SKEW))


@pytest.mark.parametrize("skew", [np.eye(3), SKEW], ids=["flat", "turned in space"])
def test_membrane_patch_is_exact(skew):
    """MH table 2a: u = 1e-3 (x + y/2), v = 1e-3 (y + x/2); sx = sy = 1333.3, txy = 400; from the energy here."""
    exact, u, energy = solve_patch(
        lambda x, y: 1e-3 * np.stack([x + y / 2, y + x / 2, 0 * x, 0 * x, 0 * x, 0 * x], axis=1), skew
    )
    assert u == pytest.approx(exact, abs=1e-10)
    stress, strain = np.array([4000 / 3, 4000 / 3, 400]), np.array([1e-3, 1e-3, 1e-3])
    assert energy == pytest.approx(stress @ strain / 2 * 0.001 * 0.24 * 0.12, rel=1e-9)


@pytest.mark.parametrize("skew", [np.eye(3), SKEW], ids=["flat", "turned in space"])
def test_bending_patch_is_exact(skew):
    """MH: w = 1e-3 (x^2 + x y + y^2)/2; mx = my = 1.111e-7, mxy = 3.333e-8 (the printed 1e-7 is a misprint)."""
    exact, u, energy = solve_patch(
        lambda x, y: 1e-3 * np.stack([0 * x, 0 * x, (x * x + x * y + y * y) / 2, x / 2 + y, -x - y / 2, 0 * x], axis=1),
        skew,
    )
    assert u == pytest.approx(exact, abs=1e-9)
    moment, curvature = np.array([1 / 9, 1 / 9, 1 / 30]) * 1e-6, np.array([1e-3, 1e-3, 1e-3])
    assert energy == pytest.approx(moment @ curvature / 2 * 0.24 * 0.12, rel=1e-6)


def curved_sheet() -> tuple[np.ndarray, np.ndarray]:
    """Points and quadrilaterals of a sheet curved in both directions."""
    nodes, triangles = grid(4, 3, 40.0, 30.0)
    nodes[:, 2] = 3 * np.sin(nodes[:, 0] / 9) + nodes[:, 1] ** 2 / 80
    return sfepy_shell.split_triangles(nodes, triangles)[:2]


def test_rigid_motions_cost_nothing_and_are_the_only_ones():
    """Six modes with the rotation vector as freedoms 3 to 5; shell10x's own drilling lock fails this."""
    points, quads = curved_sheet()
    K = sfepy_shell.stiffness(points, quads, 1.0, 70000.0, 0.33).toarray()
    motions = np.zeros((len(points), 6, 6))
    motions[:, range(6), range(6)] = 1
    for axis in range(3):
        motions[:, :3, 3 + axis] = np.cross(np.eye(3)[axis], points)
    assert np.abs(K - K.T).max() <= 1e-12 * np.abs(K).max()
    assert np.abs(K @ motions.reshape(-1, 6)).max() <= 1e-9 * np.abs(K).max()
    energies = np.linalg.eigvalsh(K)
    assert energies[5] < 1e-9 * energies[-1] < energies[6]


def test_stiffness_is_sfepys_own_but_for_the_drilling():
    """The separate integrals through the thickness equal sfepy's term with its 2 x 2 x 2 points; what is added is
    the tie of the drilling rotation, positive and of rank 4 an element, which leaves bending alone."""
    points, quads = curved_sheet()
    ours = sfepy_shell.stiffness(points, quads, 1.2, 70000.0, 0.33).toarray()
    tie = ours - shell10x_matrix(points, quads, 1.2, 70000.0, 0.33)
    energies = np.linalg.eigvalsh(tie) / np.abs(ours).max()
    assert energies[0] >= -1e-12
    assert (energies > 1e-9).sum() <= 4 * len(quads)
    flat = points * [1, 1, 0]
    tie = sfepy_shell.stiffness(flat, quads, 1.2, 70000.0, 0.33).toarray() - shell10x_matrix(
        flat, quads, 1.2, 70000.0, 0.33
    )
    bending = np.add.outer(6 * np.arange(len(points)), [UZ, RX, RY]).ravel()
    assert np.abs(tie[bending]).max() <= 1e-12 * np.abs(ours).max()


def shell10x_matrix(points: np.ndarray, quads: np.ndarray, t: float, young: float, poisson: float) -> np.ndarray:
    """The matrix that sfepy assembles itself, without its drilling lock."""
    with warnings.catch_warnings():  # sfepy's own, at import
        warnings.simplefilter("ignore")
        from sfepy.base.base import output

        output.set_output(quiet=True)
        from sfepy.discrete import Equation, Equations, FieldVariable, Integral, Material, Problem
        from sfepy.discrete.common.fields import Field
        from sfepy.discrete.fem import FEDomain, Mesh
        from sfepy.mechanics.shell10x import create_elastic_tensor
        from sfepy.terms import Term

        mesh = Mesh.from_data("sheet", points, None, [quads.astype(np.int32)], [np.zeros(len(quads), int)], ["2_4"])
        omega = FEDomain("sheet", mesh).create_region("Omega", "all")
        field = Field.from_args("f", np.float64, 6, omega, approx_order=1, poly_space_basis="shell10x")
        u, v = FieldVariable("u", "unknown", field), FieldVariable("v", "test", field, primary_var_name="u")
        places, weights = Integral("i", order=3).get_qp("3_8")
        places[:, 2] = t * (places[:, 2] - 0.5)
        integral = Integral("i", coors=places, weights=weights * t, order="custom")
        material = Material("m", D=create_elastic_tensor(young, poisson), values={".drill": 0.0})
        term = Term.new("dw_shell10x(m.D, m.drill, v, u)", integral, omega, m=material, v=v, u=u)
        problem = Problem("sheet", equations=Equations([Equation("stiffness", term)]))
        problem.set_bcs()
        problem.time_update()
        problem.update_materials()
        problem.equations.variables.init_state()
        return problem.get_evaluator().eval_tangent_matrix(np.zeros(6 * len(points)), is_full=True).toarray()


def strip(tip_load: tuple[float, ...]) -> np.ndarray:
    """Tip (ux, uy, uz, rx, ry, rz) of a clamped strip 60 x 12 x 2 along x, E 7000, nu 0, under a tip load."""
    nodes, triangles = grid(20, 4, 60.0, 12.0)
    tip = nodes[:, 0] == 60
    forces = np.zeros((len(nodes), 6))
    forces[tip] = np.outer([1 / 8, 1 / 4, 1 / 4, 1 / 4, 1 / 8], tip_load)
    u = sfepy_shell.deflections(nodes, triangles, 2.0, 7000.0, 0.0, fix((nodes[:, 0] == 0, ALL)), forces.reshape(-1, 1))
    return u.reshape(-1, 6)[at(nodes, 60, 6)]


def test_rotations_and_moments_follow_the_right_hand():
    """Beam theory, I = 8 mm4: w = P L^3/(3 E I), w = -M L^2/(2 E I); a rise along x is a turn about -y."""
    L, EI = 60.0, 7000 * 12 * 2**3 / 12
    push, turn = strip((0, 0, 1, 0, 0, 0)), strip((0, 0, 0, 0, 10, 0))
    assert push[UZ] == pytest.approx(L**3 / (3 * EI), rel=5e-3)
    assert push[RY] == pytest.approx(-(L**2) / (2 * EI), rel=5e-3)
    assert turn[UZ] == pytest.approx(-10 * L**2 / (2 * EI), rel=5e-3)
    assert turn[RY] == pytest.approx(10 * L / EI, rel=0.02)  # bends more beside the loaded node
    twist = strip((0, 0, 0, 10, 0, 0))
    assert twist[RX] == pytest.approx(
        10 * L / (3500 * 0.298 * 12 * 2**3), rel=0.05
    )  # J of a 6:1 bar (from memory); held root
    sideways = strip((0, 1, 0, 0, 0, 0))
    assert sideways[RZ] == pytest.approx(L**2 / (2 * 7000 * 2 * 12**3 / 12), rel=0.03)


def test_answer_turns_with_the_sheet():
    nodes, triangles = grid(6, 5, 50.0, 40.0)
    nodes[:, 2] = 3 * np.sin(nodes[:, 0] / 9)
    held = fix((nodes[:, 0] == 0, ALL))
    forces = np.random.default_rng(1).standard_normal((6 * len(nodes), 2))
    turn = np.kron(np.eye(2 * len(nodes)), SKEW)
    u = sfepy_shell.deflections(nodes, triangles, 1.0, 70000.0, 0.33, held, forces)
    turned = sfepy_shell.deflections(nodes @ SKEW.T, triangles, 1.0, 70000.0, 0.33, held, turn @ forces)
    assert turned == pytest.approx(turn @ u, abs=1e-8 * np.abs(u).max())


def test_loads_superpose_and_are_reciprocal():
    """Betti: the work of one load on the other's displacement is mutual."""
    nodes, triangles = grid(6, 5, 50.0, 40.0)
    held = plate_supports(nodes, "SSCF")
    first, second = spread(nodes, triangles, (0, 0, 1e-3)), point(nodes, at(nodes, 25, 24), RX, 10.0)
    loads = np.hstack([first, second, first - 2 * second])
    u = sfepy_shell.deflections(nodes, triangles, 1.0, 70000.0, 0.33, held, loads)
    assert first[:, 0] @ u[:, 1] == pytest.approx(second[:, 0] @ u[:, 0], rel=1e-9)
    assert u[:, 2] == pytest.approx(u[:, 0] - 2 * u[:, 1], abs=1e-9 * np.abs(u).max())


# --- supports between nodes, bad input, import ------------------------------------------------------------------


def test_support_runs_on_between_nodes_but_cuts_no_corner():
    """3 x 3 cells: the corner cells' falling diagonals join two held nodes and are not held; a held line inside is."""
    nodes, triangles = grid(3, 3, 3.0, 3.0)
    rim = (nodes[:, :2] == 0).any(axis=1) | (nodes[:, :2] == 3).any(axis=1)
    _, _, edges, boundary = sfepy_shell.split_triangles(nodes, triangles)
    held = sfepy_shell._constrained_dofs(fix((rim, [UZ])), len(nodes), edges, boundary)[len(nodes) :]
    assert (held[:, UZ] == boundary).all()
    chords = ~boundary & rim[edges].all(axis=1)
    assert chords.any()
    assert not held[:, [UX, UY, RX, RY, RZ]].any()
    line = nodes[:, 0] == 1
    held = sfepy_shell._constrained_dofs(fix((line, [UZ, RX])), len(nodes), edges, boundary)[len(nodes) :]
    assert (held[:, UZ] == line[edges].all(axis=1)).all()
    assert (held[:, RX] == held[:, UZ]).all()


def small_sheet(**changes: object) -> dict[str, object]:
    """Arguments of `deflections` for a good small sheet, with changes."""
    nodes, triangles = grid(2, 2, 20.0, 20.0)
    held, forces = plate_supports(nodes, "CCCC"), spread(nodes, triangles, (0, 0, 1e-3))
    good = {"nodes": nodes, "triangles": triangles, "thickness": 1.0, "E": 7e4, "nu": 0.33}
    return good | {"fixed": held, "forces": forces} | changes


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"thickness": 0.0}, "thickness: 0"),
        ({"E": np.inf}, "E: inf"),
        ({"nu": 0.5}, "nu: 0.5"),
        ({"nodes": np.zeros((9, 2))}, "nodes: shape"),
        ({"nodes": np.full((9, 3), np.nan)}, "nodes: .*not finite"),
        ({"triangles": np.zeros((0, 3), int)}, "triangles: shape"),
        ({"triangles": np.array([[0, 1, 12]])}, "triangles: node numbers"),
        ({"nodes": grid(2, 2, 20.0, 0.0)[0]}, "has no area"),
        ({"fixed": np.array([54])}, "fixed: .*0 to 53"),
        ({"forces": np.zeros(54)}, "forces: shape"),
        ({"forces": np.zeros((53, 1))}, "forces: shape"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_arrays_that_do_not_fit_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        sfepy_shell.deflections(**small_sheet(**changes))


def test_all_faults_are_reported_at_once():
    with pytest.raises(InputError) as caught:
        sfepy_shell.deflections(**small_sheet(thickness=-1.0, nu=2.0, fixed=np.array([-1])))
    assert [fault.where for fault in caught.value.faults] == ["thickness", "nu", "fixed"]


@pytest.mark.parametrize("count", [0, 10000])
def test_count_of_frequencies_is_checked(count):
    sheet = small_sheet(rho=2.7e-6, count=count)
    del sheet["forces"]
    with pytest.raises(InputError, match="count: "):
        sfepy_shell.frequencies(**sheet)


@pytest.mark.parametrize("freedoms", [[], [UZ], [UX, UY, UZ]], ids=["free", "one", "a pivot"])
def test_a_sheet_that_can_move_is_refused(freedoms):
    sheet = small_sheet()
    held = fix((np.arange(9) == 0, freedoms)) if freedoms else np.empty(0, int)
    with pytest.raises(SolverError, match="held against every rigid motion"):
        sfepy_shell.deflections(**(sheet | {"fixed": held}))


def test_sfepy_is_loaded_on_first_use_without_output():
    code = """if True:
        import sys
        import numpy as np
        from stiffen.analysis import sfepy_shell
        assert "sfepy" not in sys.modules
        nodes = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
        sfepy_shell.deflections(nodes, np.array([[0, 1, 2]]), 0.1, 7e4, 0.3, np.arange(12), np.ones((18, 1)))
        assert "sfepy" in sys.modules
    """
    run = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")

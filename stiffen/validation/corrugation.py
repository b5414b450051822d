"""Known stiffness of corrugated sheet and of beaded strips: validation of the stiffness that beads add.

x runs across the ridges, y along them; the profile z(x) has pitch 2c.  A and D are the plate's membrane and bending
stiffness, B couples them, in the order xx, yy, xy; curvatures are minus the second derivatives of w.

Ye: Z. Ye, V. Berdichevsky and W. Yu, "An equivalent plate model of corrugated structures", Int. J. Solids Struct. 51
(2014) 2073-2083.  Xia, Friswell and Saavedra Flores, ibid. 49 (2012) 1453-1462, gives a D_22 that is 4-10 % higher
(divided by 1 - nu^2); a whole plate does not confirm it.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import scipy.sparse as sp

from stiffen.fem.direct_solvers.sparse_lu import spd_solver
from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell

from . import structured_meshes
from .case import Reference

PERIOD_GROUP, PLATE_GROUP, STRIP_GROUP = "corrugated sheet, one period", "corrugated plates, whole", "beaded strips"


# Profiles: points (k, 2) of one pitch, x from 0


def sine(c: float, f: float, cells: int) -> np.ndarray:
    """z = f sin(pi x/c)."""
    x = np.linspace(0, 2 * c, cells + 1)
    return np.column_stack([x, f * np.sin(np.pi * x / c)])


def one_sided(pitch: float, f: float, cells: int) -> np.ndarray:
    """z = f (e^sin(2 pi x/pitch) - mean)."""
    X = np.arange(cells + 1) / cells
    z = np.exp(np.sin(2 * np.pi * X))
    return np.column_stack([pitch * X, f * (z - z[:-1].mean())])


def trapezoid(c: float, f: float, cells: int) -> np.ndarray:
    """Flats at z = -f and f, flanks at 45 degrees, `cells` on each; x starts at the foot of a flank."""
    corners = np.array([[0, -f], [2 * f, f], [c, f], [c + 2 * f, -f], [2 * c, -f]])
    return _subdivided(corners, cells)


def _subdivided(corners: np.ndarray, cells: int) -> np.ndarray:
    """A polyline with each side divided into `cells`."""
    s = np.arange(len(corners))
    fine = np.linspace(0, len(corners) - 1, cells * (len(corners) - 1) + 1)
    return np.column_stack([np.interp(fine, s, corners[:, k]) for k in (0, 1)])


def bead(shape: str, width: float, height: float, pitch: float) -> np.ndarray:
    """One sharp-footed bead in the middle of a flat strip: arc, cosine, trapezoid (45 degrees) or vee."""
    if shape == "arc":
        radius = (width**2 / 4 + height**2) / (2 * height)
        half = np.arcsin(width / 2 / radius) if height <= radius else np.pi - np.arcsin(width / 2 / radius)
        angle = np.linspace(-half, half, 33)
        line = np.column_stack([radius * np.sin(angle), radius * np.cos(angle) - radius + height])
    elif shape == "cosine":
        x = np.linspace(-width / 2, width / 2, 33)
        line = np.column_stack([x, height / 2 * (1 + np.cos(2 * np.pi * x / width))])
    else:
        top = width / 2 - height if shape == "trapezoid" else 0.0
        corners = [[-width / 2, 0], [-top, height], [top, height], [width / 2, 0]]
        line = _subdivided(np.array(corners if top else [corners[0], corners[1], corners[3]], float), 6)
    flat = np.linspace(pitch / 2, width / 2, 7)[:-1]
    side = np.column_stack([flat, 0 * flat])
    return np.concatenate([side * [-1, 1], line, side[::-1]]) + [pitch / 2, 0]


# One period under unit strains


def _extruded_mesh(profile: np.ndarray, length: float, cells: int, pattern: str) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and triangles of a profile extruded along y; node (i, j) is i (cells + 1) + j."""
    plan, triangles = structured_meshes.grid(np.arange(len(profile)), np.linspace(0, length, cells + 1), pattern)
    i = plan[:, 0].astype(int)
    return np.column_stack([profile[i, 0], plan[:, 1], profile[i, 1]]), triangles


def _uniform_strain_field(nodes: np.ndarray, strain: np.ndarray) -> np.ndarray:
    """(6 n,) displacements of a Kirchhoff plate under uniform strains (e_x, e_y, g_xy, k_x, k_y, k_xy)."""
    x, y, z = nodes.T
    ex, ey, g, kx, ky, kxy = strain
    by_x, by_y = -(kx * x + kxy * y / 2), -(ky * y + kxy * x / 2)  # slopes of w
    w = -(kx * x * x + ky * y * y + kxy * x * y) / 2
    u, v = ex * x + g * y / 2 - z * by_x, ey * y + g * x / 2 - z * by_y
    return np.column_stack([u, v, w, by_y, -by_x, 0 * x]).ravel()


def _energies(shell: Shell, master: np.ndarray, pins: np.ndarray, strains: np.ndarray) -> np.ndarray:
    """(k, k) energy products u_i^T K u_j of a period under macroscopic strains (k, 6), one strain a row.

    The diagonal is twice the strain energy.  u_i is `_uniform_strain_field` plus the periodic field, equal at each node
    and its `master` (n,), that makes the energy least.  pins: DOFs fixed against rigid motions of the periodic field.
    """
    keep, at = np.unique(master, return_inverse=True)
    size = 6 * len(keep)
    columns = (6 * at[:, None] + np.arange(6)).ravel()
    T = sp.csr_matrix((np.ones(shell.dof_count), (np.arange(shell.dof_count), columns)), shape=(shell.dof_count, size))
    K = shell.stiffness
    free = np.setdiff1d(np.arange(size), pins)
    tied = (T.T @ K @ T).tocsr()
    given = np.column_stack([_uniform_strain_field(shell.nodes, strain) for strain in strains])
    added = np.zeros((size, len(strains)))
    added[free] = spd_solver(tied[free][:, free].tocsc())(-(T.T @ (K @ given))[free])
    u = given + T @ added
    return u.T @ (K @ u)


def plate_constants(
    profile: np.ndarray, t: float, E: float, nu: float, step: float, pattern: str = "union"
) -> np.ndarray:
    """(6, 6) A, B, D of a corrugated sheet from one period of shell; `step` is the cell length along the ridge."""
    nodes, triangles = _extruded_mesh(profile, 2 * step, 2, pattern)
    number = np.arange(len(nodes)).reshape(-1, 3)
    number[-1] = number[0]
    number[:, -1] = number[:, 0]
    number[-1, -1] = number[0, 0]
    area = 2 * step * np.ptp(profile[:, 0])
    return _energies(Shell(nodes, triangles, t, E, nu), number.ravel(), np.arange(3), np.eye(6)) / area


def strip_inertia(profile: np.ndarray, t: float) -> float:
    """Second moment of area, mm4, of a strip with free sides, bent without axial force: energy of a slice over E."""
    step = 2.0
    nodes, triangles = _extruded_mesh(profile, 2 * step, 2, "union")
    number = np.arange(len(nodes)).reshape(-1, 3)
    number[:, -1] = number[:, 0]
    # the last pin, uz on the far side, stops the rotation about y
    last = 6 * (len(np.unique(number)) - 2) + 2
    strains = np.eye(6)[[1, 4]]
    C = _energies(Shell(nodes, triangles, t, 70e3, 0.33), number.ravel(), np.array([0, 1, 2, last]), strains)
    return float((C[1, 1] - C[0, 1] ** 2 / C[0, 0]) / (2 * step) / 70e3)


SINE_CONSTANTS = {
    "A11": 47_613,
    "A22": 1.8708e8,
    "A66": 5.0113e7,
    "D11": 261.004,
    "D12": 52.20,
    "D22": 1_025_540,
    "D66": 162.39,
}
TRAPEZOID_CONSTANTS = {
    "A11": 4.052e6, "A22": 161.332e6, "A66": 42.489e6, "D11": 407.913, "D12": 122.375, "D22": 16_242, "D66": 208.033,
}  # fmt: skip
ONE_SIDED_CONSTANTS = {"B11": 204.26, "B12": 40.85, "B22": 794_841}
CONSTANT_INDEX = {
    "A11": (0, 0), "A12": (0, 1), "A22": (1, 1), "A66": (2, 2), "B11": (0, 3), "B12": (0, 4), "B22": (1, 4),
    "D11": (3, 3), "D12": (3, 4), "D22": (4, 4), "D66": (5, 5),
}  # fmt: skip


@cache
def _sine_cell() -> np.ndarray:
    return plate_constants(sine(0.32, 0.11, 64), 0.005, 30e9, 0.2, 0.015)


@cache
def _trapezoid_cell() -> np.ndarray:
    # Cells are about as long as wide.  At a sharp fold the drilling rotations of the two plates cannot agree.  This
    # makes A66 too stiff, the more so the shorter the cells are along the fold (1.1 % at half this length).
    return plate_constants(trapezoid(0.0508, 0.0127, 6), 0.00635, 21e9, 0.3, 0.0127)


@cache
def _one_sided_cell() -> np.ndarray:
    return plate_constants(one_sided(1.0, 0.1, 64), 0.005, 30e9, 0.2, 0.02)


def _constant(cell, name: str) -> float:
    return float(cell()[CONSTANT_INDEX[name]])


def _cells():
    for shape, cell, table, source in (
        ("sine", _sine_cell, SINE_CONSTANTS, "Ye, Table 1; Lang & Su 2022, Table 5 (SI)"),
        ("trapezoid", _trapezoid_cell, TRAPEZOID_CONSTANTS, "Ye, Eq. 19; Deo & Yu 2021 (SI)"),
        ("one-sided", _one_sided_cell, ONE_SIDED_CONSTANTS, "Ye, Eq. 11, z = 0.1 (e^sin - mean) (SI)"),
    ):
        for name, value in table.items():
            yield Reference(
                PERIOD_GROUP, f"Ye: {shape} corrugation, {name}", source, "published", value, 0.01,
                "1 %: chords for arcs 0.1-0.2 %, thin-shell theory of the source", partial(_constant, cell, name),
            )  # fmt: skip


# Whole plates


def equivalent_constants(profile: np.ndarray, t: float, E: float, nu: float) -> dict[str, float]:
    """Constants of a symmetric corrugation by Ye, Eq. 19, from a fine polyline of one pitch."""
    d = np.diff(profile, axis=0)
    ds = np.hypot(*d.T)
    z0, z1 = profile[:-1, 1], profile[1:, 1]
    pitch = np.ptp(profile[:, 0])
    lam, J1 = ds.sum() / pitch, (d[:, 0] ** 2 / ds).sum() / pitch
    J2 = (ds * (z0 * z0 + z0 * z1 + z1 * z1) / 3).sum() / pitch
    G = E / (2 * (1 + nu))
    A11 = E * t**3 / ((1 - nu**2) * (12 * J2 + t**2 * J1))
    D11 = E * t**3 / (12 * (1 - nu**2) * lam)
    return {
        "A11": A11, "A12": nu * A11, "A22": E * t * lam + nu**2 * A11, "A66": G * t / lam, "D11": D11, "D12": nu * D11,
        "D22": E * t * J2 + E * t**3 * J1 / 12 + nu**2 * D11, "D66": G * t**3 * lam / 12, "lam": lam,
    }  # fmt: skip


def navier_deflection(D: dict[str, float], a: float, b: float, q: float) -> float:
    """Centre deflection of a simply supported orthotropic plate a by b under pressure q (T&WK ch. 11)."""
    m, n = (k.ravel() for k in np.meshgrid(np.arange(1, 200, 2), np.arange(1, 200, 2)))
    H = D["D12"] + 2 * D["D66"]
    stiffness = D["D11"] * (m / a) ** 4 + 2 * H * (m * n / (a * b)) ** 2 + D["D22"] * (n / b) ** 4
    return float(16 * q / np.pi**6 * np.sum(np.sin(m * np.pi / 2) * np.sin(n * np.pi / 2) / (m * n * stiffness)))


def navier_frequency(D: dict[str, float], a: float, b: float, mass: float) -> float:
    """First natural frequency, Hz, of the same plate; mass: tonnes per mm2 of plan (Lang & Su 2022, Eq. 25)."""
    stiffness = D["D11"] / a**4 + D["D22"] / b**4 + 2 * (D["D12"] + 2 * D["D66"]) / (a * b) ** 2
    return float(np.pi / 2 * np.sqrt(stiffness / mass))


HALF_PITCH, PLATE_LENGTH, E, NU, T, RHO = 20.0, 480.0, 70e3, 0.33, 1.0, 2.7e-6  # mm, MPa, kg/mm3
HALF_DEPTH = {"sine": 4.0, "trapezoid": 5.0}  # half of the profile's height, mm


def _profile(shape: str, fine: bool = False) -> np.ndarray:
    """One pitch of 40 mm; the sine needs many chords, since each chord lies inside the curve and makes it shallower."""
    if shape == "sine":
        return sine(HALF_PITCH, HALF_DEPTH[shape], 2000 if fine else 24)
    return trapezoid(HALF_PITCH, HALF_DEPTH[shape], 3)


@cache
def _plate(shape: str, periods: int) -> tuple[float, float]:
    """Centre deflection under 1 kPa and first frequency of a plate `periods` x 40 mm by 480 mm; half of it is modelled.

    Simply supported: u_y and u_z are fixed on the edges along the ridges, u_x and u_z on those across (as by a thin end
    plate).
    """
    one = _profile(shape)
    profile = np.concatenate([one[:1], *(one[1:] + [2 * HALF_PITCH * k, 0] for k in range(periods))])
    nodes, triangles = _extruded_mesh(profile, PLATE_LENGTH / 2, 30 if shape == "sine" else 20, "union")
    shell = Shell(nodes, triangles, T, E, NU, RHO)
    x, y, _ = nodes.T
    side = 6 * np.flatnonzero((x < 1e-9) | (x > x.max() - 1e-9))
    end, middle = 6 * np.flatnonzero(y < 1e-9), 6 * np.flatnonzero(y > PLATE_LENGTH / 2 - 1e-9)
    fixed = [side + 1, side + 2, end, end + 2, middle + 1, middle + 3, middle + 5]
    model = LinearModel(shell, np.unique(np.concatenate(fixed)))
    forces = np.zeros((len(nodes), 6))
    forces[:, 2] = 1e-3 * structured_meshes.unit_pressure_forces(nodes, triangles)[:, 2]
    u = model.solve(forces.ravel())
    return float(u[6 * structured_meshes.nearest_node(nodes, (HALF_PITCH * periods, PLATE_LENGTH / 2)) + 2]), float(
        model.modes(2)[0][0]
    )


def _plates():
    source = "orthotropic Navier series (T&WK ch. 11; Lang & Su 2022, Eq. 25) with the constants of Ye, Eq. 19"
    for shape, periods in (("sine", 12), ("trapezoid", 12), ("trapezoid", 20)):
        D = equivalent_constants(_profile(shape, fine=True), T, E, NU)
        a = 2 * HALF_PITCH * periods
        name = f"Ye: {shape}, {periods} corrugations, SSSS"
        yield Reference(
            PLATE_GROUP, f"{name}, pressure, w", source, "published", navier_deflection(D, a, PLATE_LENGTH, 1e-3), 0.03,
            "3 %: Lang & Su find +-2.6 % at 12 corrugations or more", lambda s=shape, p=periods: _plate(s, p)[0],
        )  # fmt: skip
        yield Reference(
            PLATE_GROUP, f"{name}, f1", source, "published",
            navier_frequency(D, a, PLATE_LENGTH, RHO * 1e-3 * T * D["lam"]), 0.02,
            "2 %: proportional to the root of the stiffness", lambda s=shape, p=periods: _plate(s, p)[1],
        )  # fmt: skip


# Beaded strips


@cache
def _strip_tip() -> float:
    """Second moment of area, mm4, from the tip deflection of a 600 mm cantilever under an end couple.

    It has one arc bead 16 x 6; pitch 60, t 1.
    """
    L, t = 600.0, 1.0
    profile = bead("arc", 16, 6, 60)
    nodes, triangles = _extruded_mesh(profile, L, 100, "union")
    shell = Shell(nodes, triangles, t, E, NU)
    root, tip = np.flatnonzero(nodes[:, 1] < 1e-9), np.flatnonzero(nodes[:, 1] > L - 1e-9)
    model = LinearModel(shell, (6 * root[:, None] + np.arange(6)).ravel())
    # the couple as the axial stress of beam theory, shared by the ends of each segment by linear shape functions
    z = nodes[tip, 2]
    ds = np.hypot(*np.diff(profile, axis=0).T)
    centre = np.sum(ds * (z[:-1] + z[1:]) / 2) / ds.sum()
    forces = np.zeros((len(nodes), 6))
    lever = z - centre
    np.add.at(forces[:, 1], tip[:-1], ds * (2 * lever[:-1] + lever[1:]) / 6)
    np.add.at(forces[:, 1], tip[1:], ds * (lever[:-1] + 2 * lever[1:]) / 6)
    moment = forces[tip, 1] @ lever
    u = model.solve(forces.ravel())
    w = np.abs(u[6 * tip + 2].mean())
    return float(moment * L**2 / (2 * E * w))


def _strips():
    source = "thin-wall integral about the own centroid"
    for shape, width, height, pitch, inertia in (
        ("arc", 12, 4, 60, 105.8),
        ("arc", 16, 6, 40, 245.4),
        ("arc", 16, 6, 60, 293.7),
        ("arc", 16, 6, 100, 337.2),
        ("arc", 20, 8, 60, 604.9),
        ("cosine", 20, 6, 60, 238.5),
        ("trapezoid", 20, 5, 60, 259.0),
        ("vee", 12, 4, 60, 68.4),
    ):
        profile = bead(shape, width, height, pitch)
        yield Reference(
            STRIP_GROUP, f"thin-wall integral: {shape} bead {width}x{height}, pitch {pitch}, I", source, "recomputed",
            inertia, 0.02,
            "2 %: chords for arcs, last digit of the table", partial(strip_inertia, profile, 1.0),
        )  # fmt: skip
    yield Reference(
        STRIP_GROUP, "thin-wall integral: arc bead 16x6, pitch 60, cantilever, I from the tip", source, "recomputed",
        293.7, 0.02, "2 %: clamped root, chords for arcs", _strip_tip,
    )  # fmt: skip


REFERENCES = (*_cells(), *_plates(), *_strips())

"""Known natural frequencies and buckling loads of flat plates, with and without a central hole.

lam = omega a^2 sqrt(rho t/D), a the long side; k = N b^2/(pi^2 D), b the short side, which is the loaded one under
compression.  Edges in the order x = 0, x = a, y = 0, y = b.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from stiffen.fem.linear import LinearModel

from . import plate_model, structured_meshes
from .case import Reference

VIBRATION_GROUP, BUCKLING_GROUP, HOLES_GROUP = "plates, frequency", "plates, buckling", "plates with a hole"
B = 400.0  # mm
LEISSA = "Ritz, converged; counterpart A. W. Leissa, NASA SP-160 (1969), ch. 4, and J. Sound Vib. 31 (1973) 257-293"
CORNERS = ((0, 0), (1, 0), (0, 1), (1, 1))
MID_SIDES = ((0.5, 0), (0.5, 1), (0, 0.5), (1, 0.5))


@cache
def _lam(ratio: float, edges: str, points: tuple = (), count: int = 3) -> np.ndarray:
    a = ratio * B
    plate = plate_model.rectangle(a, B, edges, 20, points=[(x * a, y * B) for x, y in points])
    return plate.frequency_parameters(count, a)


# name, edges, point supports, modes 1-3 of the square, then mode 1 at a/b = 1.5
FREQUENCY_CASES = (
    ("SSSS", "SSSS", (), (19.739, 49.348, 49.348), 32.076),
    ("CCCC", "CCCC", (), (35.985, 73.394, 73.394), 60.761),
    ("CFFF", "CFFF", (), (3.4710, 8.5065, 21.285), 3.4534),
    ("FFFF", "FFFF", (), (13.468, 19.596, 24.270), 20.096),
    ("SSCC (y edges C)", "SSCC", (), (28.951, 54.743, 69.327), 56.348),
    ("SSFF (y edges F)", "SSFF", (), (9.631, 16.135, 36.726), 9.558),
    ("CCFF (y edges F)", "CCFF", (), (22.166, 26.404, 43.593), 22.091),
    ("2 adjacent C, 2 F", "CFCF", (), (6.919, 23.903, 26.585), 11.178),
    ("2 adjacent S, 2 F", "SFSF", (), (3.367, 17.316, 19.293), 5.024),
    ("CCCF", "CCCF", (), (23.919, 39.997, 63.218), 26.626),
    ("C 3S", "CSSS", (), (23.646, 51.674, 58.646), 35.051),
    ("2 adjacent C, 2 S", "CSCS", (), (27.054, 60.539, 60.786), 44.890),
    ("SSSF", "SSSF", (), (11.685, 27.756, 41.197), 13.711),
    ("4 corner points", "FFFF", CORNERS, (7.1109, 15.770, 15.770), 8.9255),
    ("4 corners, 4 mid-sides", "FFFF", (*CORNERS, *MID_SIDES), (17.910, 34.986, 34.986), None),
    ("SSSS, centre point", "SSSS", ((0.5, 0.5),), (49.348, 49.348, 52.934), None),
)


def _frequency(ratio: float, edges: str, points: tuple, mode: int) -> float:
    return float(_lam(ratio, edges, points)[mode - 1])


def _frequencies():
    why = "1 %: the third mode has the shortest waves, mesh error up to 0.7 % at 20 cells a side"
    for name, edges, points, square, longer in FREQUENCY_CASES:
        for mode, value in enumerate(square, 1):
            tolerance, reason = (0.005, "0.5 %: mesh error 0.1-0.3 % at 20 cells a side") if mode < 3 else (0.01, why)
            yield Reference(
                VIBRATION_GROUP, f"Leissa: square {name}, lam{mode}", LEISSA, "recomputed", value, tolerance, reason,
                partial(_frequency, 1.0, edges, points, mode),
            )  # fmt: skip
        if longer:
            yield Reference(
                VIBRATION_GROUP, f"Leissa: a/b 1.5 {name}, lam1", LEISSA, "recomputed", longer, 0.005,
                "0.5 %: mesh error 0.1-0.3 % at 20 cells a side", partial(_frequency, 1.5, edges, points, 1),
            )  # fmt: skip


COMPRESSION, SHEAR, BIAXIAL = (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0), (-1.0, -1.0, 0.0)
# name, edges, membrane force, {a/b: k}
BUCKLING_CASES = (
    ("compression SSSS", "SSSS", COMPRESSION, {0.8: 4.2025, 1: 4.0, 1.25: 4.2025, 1.5: 4.3403, 2: 4.0, 3: 4.0}),
    ("compression CCCC", "CCCC", COMPRESSION, {1: 10.074, 1.5: 8.351, 2: 7.867}),
    ("compression, loaded S, sides C", "SSCC", COMPRESSION, {1: 7.691, 1.5: 7.116}),
    ("compression, loaded C, sides S", "CCSS", COMPRESSION, {1: 6.743, 2: 4.847}),
    ("compression, loaded S, sides S and F", "SSSF", COMPRESSION, {1: 1.402, 2: 0.668}),
    ("compression, loaded S, sides C and F", "SSCF", COMPRESSION, {1: 1.653, 2: 1.336}),
    ("shear SSSS", "SSSS", SHEAR, {1: 9.325, 1.25: 7.767, 1.5: 7.070, 2: 6.546}),
    ("shear CCCC", "CCCC", SHEAR, {1: 14.64, 1.5: 11.46, 2: 10.25}),
    ("shear, long edges C, short S", "SSCC", SHEAR, {1: 12.57, 2: 10.01}),
    ("biaxial SSSS", "SSSS", BIAXIAL, {1: 2.0, 2: 1.25}),
    ("biaxial CCCC", "CCCC", BIAXIAL, {1: 5.304, 2: 3.923}),
)


@cache
def _k(ratio: float, edges: str, forces: tuple[float, float, float]) -> float:
    cells = 16 if ratio < 3 else 12
    plate = plate_model.rectangle(ratio * B, B, edges, cells)
    return plate.buckling(forces) * B**2 / (np.pi**2 * plate.D)


def _buckling():
    source = "Ritz, converged; counterparts Timoshenko & Gere, Elastic Stability; Gerard & Becker, NACA TN 3781"
    for name, edges, forces, table in BUCKLING_CASES:
        for ratio, value in table.items():
            yield Reference(
                BUCKLING_GROUP, f"NACA TN 3781: {name}, a/b {ratio:g}, k", source, "recomputed", value, 0.01,
                "1 %: mesh error 0.1-0.8 % at 16 cells a side", partial(_k, ratio, edges, forces),
            )  # fmt: skip


@cache
def _plate_with_hole(share: float, edges: str) -> plate_model.PlateModel:
    return plate_model.square_with_hole(B, share * B, edges)


def _hole_w(share: float, edges: str) -> float:
    plate = _plate_with_hole(share, edges)
    u = plate.unit_pressure_displacements
    return u[6 * structured_meshes.nearest_node(plate.shell.nodes, (share * B / 2, 0.0)) + 2] * plate.D / B**4


def _hole_lam(share: float, edges: str) -> float:
    return float(_plate_with_hole(share, edges).frequency_parameters(1, B)[0])


def _hole_state(share: float, how: str) -> tuple[np.ndarray, float]:
    """Membrane displacements (6 n,), mm, of the square with a hole d/b = share, and the mean force, N/mm, on its edge.

    how: "stress" uniform compression on x = +-b/2; "shortening" these edges move straight toward each other and may
    slide along; "shear" uniform shear on all four edges.  Except for shear, the sides y = +-b/2 are free in plane.
    """
    shell = _plate_with_hole(share, "FFFF").shell
    x, y, _ = shell.nodes.T
    base = 6 * np.arange(len(x))
    left, right, low, high = (np.flatnonzero(np.abs(v - B / 2) < 1e-6) for v in (-x, x, -y, y))
    bending = np.concatenate([base + 2, base + 3, base + 4])
    corner = structured_meshes.nearest_node(shell.nodes, (-B / 2, -B / 2))
    if how == "shortening":
        model = LinearModel(shell, np.unique(np.concatenate([bending, 6 * left, 6 * right, [6 * corner + 1]])))
        u = np.zeros(shell.dof_count)
        u[6 * left], u[6 * right] = 0.5e-3, -0.5e-3
        u[model.free] = model.solve_free(-(shell.stiffness @ u)[model.free])
        return u, float((shell.stiffness @ u)[6 * left].sum() / B)
    forces = np.zeros((len(x), 6))
    if how == "stress":
        edges = ((left, y, 0, 1.0), (right, y, 0, -1.0))
    else:
        edges = ((left, y, 1, -1.0), (right, y, 1, 1.0), (low, x, 0, -1.0), (high, x, 0, 1.0))
    for line, along, axis, sign in edges:
        line = line[np.argsort(along[line])]
        gaps = np.diff(along[line])
        forces[line[:-1], axis] += sign * gaps / 2
        forces[line[1:], axis] += sign * gaps / 2
    other = structured_meshes.nearest_node(shell.nodes, (B / 2, -B / 2))
    model = LinearModel(shell, np.unique(np.concatenate([bending, [6 * corner, 6 * corner + 1, 6 * other + 1]])))
    return model.solve(forces.ravel()), 1.0


@cache
def _hole_k(share: float, edges: str, how: str) -> float:
    plate = _plate_with_hole(share, edges)
    u, mean = _hole_state(share, how)
    factor = plate.linear_model.buckling(u)[0][0]
    return float(factor * mean * B**2 / (np.pi**2 * plate.D))


# d/b: w SSSS, w CCCC, lam1 SSSS, lam1 CCCC, then k: SSSS stress, shortening, shear, CCCC stress, shortening, shear
HOLE_VALUES = {
    0.1: (0.00431, 0.00134, 19.53, 35.80, 3.840, 3.874, 8.547, 9.463, 9.532, 13.244),
    0.3: (0.00445, 0.00112, 19.48, 39.33, 3.228, 3.518, 5.462, 8.599, 9.441, 8.741),
    0.5: (0.00324, 0.00051, 22.43, 56.33, 2.904, 3.926, 3.040, 8.251, 11.798, 5.514),
}


def _holes():
    source = "Argyris C1 elements, two meshes; counterparts "
    for share, row in HOLE_VALUES.items():
        for edges, w, lam, ks in (("SSSS", row[0], row[2], row[4:7]), ("CCCC", row[1], row[3], row[7:])):
            name = f"Argyris FE: {edges} square, hole d/b {share:g}"
            yield Reference(
                HOLES_GROUP, f"{name}, pressure, w at hole", source + "none published", "recomputed", w, 0.01,
                "1 %: three digits; one unit in the last is 0.2-2 %", partial(_hole_w, share, edges),
            )  # fmt: skip
            yield Reference(
                HOLES_GROUP, f"{name}, lam1", source + "Leissa SP-160 sect. 4.11, Huang & Sakiyama, JSV 226 (1999)",
                "recomputed",
                lam, 0.01, "1 %: two meshes of the source agree to 0.1 %", partial(_hole_lam, share, edges),
            )  # fmt: skip
            for how, k in zip(("stress", "shortening", "shear"), ks, strict=True):
                yield Reference(
                    HOLES_GROUP,
                    f"{name}, buckling in shear, k" if how == "shear" else f"{name}, buckling by end {how}, k",
                    source + "W. L. Ko, NASA TM-1998-206542", "recomputed", k, 0.02,
                    "2 %: membrane state and mode both have a mesh error", partial(_hole_k, share, edges, how),
                )  # fmt: skip


REFERENCES = (*_frequencies(), *_buckling(), *_holes())

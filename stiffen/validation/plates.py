"""Known deflections, moments and reactions of flat plates.

w = alpha q b^4/D under pressure q, w = beta P b^2/D under a central force P; b is the short side.
T&WK: S. P. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed., McGraw-Hill 1959.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from . import plate_model, structured_meshes
from .case import Reference

GROUP = "plates, bending"
B = 400.0  # mm
MESH_REASON = "0.5 % at 20 cells a side, where the mesh error is 0.05-0.25 %"
POINT_FORCE_REASON = "1 %: the deflection under a point force converges slowly"


@cache
def _plate(ratio: float, edges: str, nu: float = 0.3, points: tuple = ()) -> plate_model.PlateModel:
    """The plate with sides ratio B and B, mm; coordinates of point supports as fractions of the sides."""
    a = ratio * B
    n = 20 if ratio >= 1 else 16
    return plate_model.rectangle(a, B, edges, n, nu, [(x * a, y * B) for x, y in points])


def _w(
    plate: plate_model.PlateModel, at: tuple[float, float], length: float, foot: tuple[float, float] | None = None
) -> float:
    """w D/(q length^4) at a point, minus that at the point `foot` if given."""
    u = plate.unit_pressure_displacements.reshape(-1, 6)[:, 2]
    nodes = plate.shell.nodes
    low = u[structured_meshes.nearest_node(nodes, foot)] if foot else 0.0
    return (u[structured_meshes.nearest_node(nodes, at)] - low) * plate.D / length**4


def _pressure_w(ratio: float, edges: str, x: float = 0.5, y: float = 0.5, unit: float = 1.0, **more) -> float:
    return _w(_plate(ratio, edges, **more), (x * ratio * B, y * B), unit * B)


def _force_w(ratio: float, edges: str) -> float:
    plate = _plate(ratio, edges)
    node = structured_meshes.nearest_node(plate.shell.nodes, (ratio * B / 2, B / 2))
    return plate.unit_force_displacements(node)[6 * node + 2] * plate.D / B**2


def _moment(ratio: float, edges: str, x: float, y: float, axis: int) -> float:
    plate = _plate(ratio, edges)
    M = plate_model.moment_at(plate, plate.unit_pressure_displacements, (x * ratio * B, y * B))
    return abs(M[axis, axis]) / B**2


def _corner_reaction() -> float:
    """R = 2 M_xy at the corner of the simply supported square (T&WK art. 24)."""
    plate = _plate(1.0, "SSSS")
    return abs(2 * plate_model.moment_at(plate, plate.unit_pressure_displacements, (0.0, 0.0))[0, 1]) / B**2


# a/b: (alpha, beta), (alpha, beta) of SSSS, CCCC
RECTANGLES = {
    1.0: ((0.00406, 0.01160), (0.00127, 0.00561)),
    1.2: ((0.00565, 0.01356), (0.00172, 0.00648)),
    1.25: ((0.00603, 0.01394), (0.00182, 0.00662)),
    1.5: ((0.00772, 0.01533), (0.00220, 0.00705)),
    2.0: ((0.01013, 0.01652), (0.00253, 0.00723)),
}


def _rectangles():
    digit = "0.5 %: one unit in the last digit of the table is 0.1-0.4 %"
    for ratio, pairs in RECTANGLES.items():
        for edges, table, method, (alpha, beta) in zip(
            ("SSSS", "CCCC"), ("T&WK 8/23", "T&WK 35/37"), ("Navier series", "Ritz, Legendre polynomials"), pairs,
            strict=True,
        ):  # fmt: skip
            name, source = f"{table}: {edges} a/b {ratio:g}", f"{method}; counterpart {table}"
            yield Reference(
                GROUP, f"{name}, pressure, w", source, "recomputed", alpha, 0.005, digit,
                partial(_pressure_w, ratio, edges),
            )  # fmt: skip
            yield Reference(
                GROUP,
                f"{name}, force, w",
                source,
                "recomputed",
                beta,
                0.01,
                POINT_FORCE_REASON,
                partial(_force_w, ratio, edges),
            )


def _square_published():
    source = "T&WK figures quoted by public FE code; exact series"
    order = "1 %: a moment is one order less accurate than w"
    edge = "2 %: read at the edge by extrapolation"
    rows = (
        (
            "SSSS square, pressure, w",
            0.00406235,
            0.0025,
            "0.25 %: mesh error 0.13 %",
            partial(_pressure_w, 1.0, "SSSS"),
        ),
        ("CCCC square, pressure, w", 1.265319e-3, 0.004, "0.4 %: mesh error 0.23 %", partial(_pressure_w, 1.0, "CCCC")),
        ("SSSS square, central moment", 0.0478864, 0.005, MESH_REASON, partial(_moment, 1.0, "SSSS", 0.5, 0.5, 0)),
        ("CCCC square, central moment", 0.0229051, 0.01, order, partial(_moment, 1.0, "CCCC", 0.5, 0.5, 0)),
        ("CCCC square, edge moment", 0.0513338, 0.02, edge, partial(_moment, 1.0, "CCCC", 0.0, 0.5, 0)),
        ("SSSS square, corner reaction", 0.0650, 0.02, edge, _corner_reaction),
    )
    for name, value, tolerance, why, compute in rows:
        yield Reference(GROUP, f"T&WK 8/35: {name}", source, "published", value, tolerance, why, compute)
    felippa = "C. A. Felippa and P. G. Bergan 1986, Table 3 (quoted by public FE code)"
    yield Reference(
        GROUP, "Felippa & Bergan 3: SSSS square, force, w", felippa, "published", 0.01160084, 0.005,
        "0.5 %: exact to 7 figures, mesh error 0.1 %", partial(_force_w, 1.0, "SSSS"),
    )  # fmt: skip
    yield Reference(
        GROUP, "MacNeal-Harder 4: CCCC square, force, w", "MacNeal & Harder 1985, Table 4", "published", 0.00560, 0.005,
        "0.5 %: three figures, the exact value is 0.005612", partial(_force_w, 1.0, "CCCC"),
    )  # fmt: skip
    yield Reference(
        GROUP, "MacNeal-Harder 4: CCCC b/a 5, pressure, w",
        "exact 2.604 where the paper prints 2.56 (Taylor & Govindjee, UCB/SEMM-2002/09; Batista, arXiv 1001.3016)",
        "published", 2.604e-3, 0.005, MESH_REASON, partial(_pressure_w, 5.0, "CCCC"),
    )  # fmt: skip
    for ratio, mx, my in ((1.25, 0.0503, 0.0661), (2.0, 0.0464, 0.1017)):
        for axis, value in enumerate((mx, my)):
            yield Reference(
                GROUP, f"T&WK 8: SSSS a/b {ratio:g}, central M_{'xy'[axis]}", "Navier series; counterpart T&WK Table 8",
                "recomputed", value, 0.01, "1 %: a moment is one order less accurate than w",
                partial(_moment, ratio, "SSSS", 0.5, 0.5, axis),
            )  # fmt: skip
    yield Reference(
        GROUP, "T&WK 35: CCCC a/b 1.5, mid long edge moment", "Ritz; counterpart T&WK Table 35", "recomputed", 0.0756,
        0.02, "2 %: read at the edge by extrapolation", partial(_moment, 1.5, "CCCC", 0.5, 0.0, 1),
    )  # fmt: skip


CORNERS = ((0, 0), (1, 0), (0, 1), (1, 1))


def _other_supports():
    ritz = "Ritz, Legendre polynomials; counterpart "
    rows = (
        ("SFSF (2 opposite S)", "T&WK Table 47", "SSFF", 0.01309, (0.5, 0.5), 0.01501, (0.5, 0.0)),
        ("3 S, 1 free", "T&WK Table 41", "SSSF", 0.00793, (0.5, 0.5), 0.01285, (0.5, 1.0)),
        ("3 C, 1 free", "T&WK art. 46", "CCCF", 0.00189, (0.5, 0.5), 0.00295, (0.5, 1.0)),
        ("cantilever", "none known", "CFFF", 0.12907, (1.0, 0.5), 0.12723, (1.0, 0.0)),
    )
    for name, table, edges, first, at, second, to in rows:
        for value, (x, y) in ((first, at), (second, to)):
            yield Reference(
                GROUP, f"{table.replace(' Table', '')}: square {name}, w at ({x:g}, {y:g})", ritz + table,
                "recomputed", value, 0.005,
                "0.5 %: one unit in the last digit is 0.05-0.3 %", partial(_pressure_w, 1.0, edges, x, y),
            )  # fmt: skip
    for name, table, edges, value in (
        ("2 opposite S, 2 C", "T&WK Table 29", "SSCC", 0.00192),
        ("1 C, 3 S", "T&WK art. 43", "CSSS", 0.00279),
        ("2 adjacent C, 2 S", "T&WK art. 45", "CSCS", 0.00210),
    ):
        yield Reference(
            GROUP, f"{table.replace(' Table', '')}: square {name}, w at centre", ritz + table, "recomputed", value,
            0.005, "0.5 %: one unit in the last digit is 0.25 %", partial(_pressure_w, 1.0, edges),
        )  # fmt: skip
    for ratio, centre, edge in ((0.8, 0.01296, 0.01510), (2.0, 0.01371, 0.01464), (0.5, 0.01289, 0.01520)):
        # the table's b/a is 1/ratio here; its unit is the span a = ratio B
        for what, value, y in (("centre", centre, 0.5), ("free edge", edge, 0.0)):
            yield Reference(
                GROUP, f"Ritz: SFSF b/a {1 / ratio:g}, w at {what}", "Ritz, Legendre polynomials", "recomputed", value,
                0.005, MESH_REASON, partial(_pressure_w, ratio, "SSFF", 0.5, y, ratio),
            )  # fmt: skip


def _points():
    source = "Ritz, Legendre polynomials; older counterparts in T&WK (0.0249, 0.0257) are approximate"
    why = "1 %: the deflection at a point support converges slowly"
    for nu, centre, middle in ((0.3, 0.02551, 0.01775), (0.25, 0.02567, 0.01746), (1 / 3, 0.02547, 0.01801)):
        for what, value, x in (("centre", centre, 0.5), ("mid edge", middle, 0.0)):
            yield Reference(
                GROUP, f"Ritz: square on 4 corner points, nu {nu:.3g}, w at {what}", source, "recomputed", value, 0.01,
                why, partial(_pressure_w, 1.0, "FFFF", x, 0.5, nu=nu, points=CORNERS),
            )  # fmt: skip
    for what, value, x, y in (
        ("centre", 0.04440, 0.5, 0.5), ("mid long edge", 0.04031, 0.5, 0.0), ("mid short edge", 0.01955, 0.0, 0.5),
    ):  # fmt: skip
        yield Reference(
            GROUP, f"Ritz: a/b 1.25 on 4 corner points, w at {what}", source, "recomputed", value, 0.01, why,
            partial(_pressure_w, 1.25, "FFFF", x, y, points=CORNERS),
        )  # fmt: skip


@cache
def _bay(ratio: float) -> plate_model.PlateModel:
    """A quarter of a bay of a sheet on a grid of columns, symmetric on all sides; a column at the origin.

    The column pitch is B along y and B/ratio along x.
    """
    return plate_model.rectangle(B / ratio / 2, B / 2, "GGGG", 20, points=[(0, 0)])


def _column_bay(ratio: float, x: float, y: float) -> float:
    return _w(_bay(ratio), (x * B / ratio / 2, y * B / 2), B)


def _columns():
    source = "double Fourier sum; counterpart T&WK art. 54, Table 61"
    for ratio, centre, long, short in (
        (1.0, 0.00580, 0.00435, 0.00435),
        (1.5, 0.00338, 0.00326, 0.00126),
        (2.0, 0.00291, 0.00290, 0.00053),
    ):
        rows = [("centre", centre, 1, 1), ("mid long side", long, 0, 1)]
        if ratio > 1:
            rows.append(("mid short side", short, 1, 0))
        for what, value, x, y in rows:
            yield Reference(
                GROUP, f"T&WK 61: bay on columns, b/a {ratio:g}, w at {what}", source, "recomputed", value, 0.01,
                "1 %: one unit in the last digit is 0.1-1 %", partial(_column_bay, ratio, x, y),
            )  # fmt: skip


A = 200.0  # outer radius, mm


@cache
def _disc(hole: float, clamped: bool) -> plate_model.PlateModel:
    return plate_model.circular_plate(A, hole * A, clamped)


def _disc_w(hole: float, clamped: bool) -> float:
    return _w(_disc(hole, clamped), (hole * A, 0.0), A)


def _disc_hoop(hole: float, clamped: bool) -> float:
    plate = _disc(hole, clamped)
    return plate_model.moment_at(plate, plate.unit_pressure_displacements, (hole * A, 0.0))[1, 1] / A**2


def _disc_line(hole: float, clamped: bool) -> float:
    """w D/(W a^3) for a line load W, N/mm, along the inner edge."""
    plate = _disc(hole, clamped)
    nodes = plate.shell.nodes
    rim = np.flatnonzero(np.hypot(nodes[:, 0], nodes[:, 1]) < hole * A * (1 + 1e-6))
    forces = np.zeros(plate.shell.dof_count)
    forces[6 * rim + 2] = 2 * np.pi * hole * A / len(rim)
    u = plate.linear_model.solve(forces)
    return u[6 * structured_meshes.nearest_node(nodes, (hole * A, 0.0)) + 2] * plate.D / A**3


def _discs():
    why = "1 %: 128 chords make the radius 0.02-0.04 % short, w is proportional to its fourth power"
    rows = (("simply supported", False, 5.3 / (64 * 1.3)), ("clamped", True, 1 / 64))
    for name, clamped, value in rows:
        yield Reference(
            GROUP, f"T&WK art. 16: circular plate {name}, w at centre", "exact; T&WK art. 16", "published", value, 0.01,
            why, partial(_disc_w, 0.0, clamped),
        )  # fmt: skip
    table = {
        0.1: (0.0687, 0.3965, 0.0166, 0.1448, 0.0364, 0.0143),
        0.3: (0.0761, 0.3272, 0.0132, 0.0778, 0.1266, 0.0330),
        0.5: (0.0624, 0.2404, 0.0053, 0.0271, 0.1933, 0.0233),
        0.7: (0.0324, 0.1469, None, None, 0.1927, 0.0070),
    }
    source = "exact annular solution; counterpart Roark, 6th ed., Table 24, cases 1a, 1e, 2a, 2e"
    rim = "2 %: moment read at the rim, where it converges with the first power of the cell size"
    for hole, values in table.items():
        rows = (
            ("2a, pressure, w", 0.01, why, partial(_disc_w, hole, False)),
            ("2a, pressure, hoop M", 0.02, rim, partial(_disc_hoop, hole, False)),
            ("2e, pressure, w", 0.01, why, partial(_disc_w, hole, True)),
            ("2e, pressure, hoop M", 0.02, rim, partial(_disc_hoop, hole, True)),
            ("1a, line, w", 0.01, why, partial(_disc_line, hole, False)),
            ("1e, line, w", 0.01, why, partial(_disc_line, hole, True)),
        )
        for (name, tolerance, reason, compute), value in zip(rows, values, strict=True):
            if value is not None:
                yield Reference(
                    GROUP, f"Roark {name}, b/a {hole:g}", source, "recomputed", value, tolerance, reason, compute
                )


REFERENCES = (
    *_rectangles(),
    *_square_published(),
    *_other_supports(),
    *_points(),
    *_columns(),
    *_discs(),
)

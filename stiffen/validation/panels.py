"""Known values through the whole pipeline: panel record, mesh, supports, loads and the fields of the panel model."""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from stiffen.analysis.panel_model import PanelModel, build_panel_model
from stiffen.analysis.supports import HELD
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.material import Material
from stiffen.model.panel import EdgeTrim, Fold, Load, Panel, Support
from stiffen.model.tools import BeadDie, Roller, Tools

from . import fixtures
from .case import Reference

GROUP = "panels, whole pipeline"
ALUMINIUM = Material("aluminium", 70e3, 0.3, 2.7e-6, 100.0, 200.0, 0.15)
STEEL = Material("steel", 210e3, 0.3, 7.85e-6, 250.0, 400.0, 0.2)
TOOLS = Tools("shop", Roller(throat=500.0), (BeadDie("B16", "round", 16.0, 4.0),), ())
SIDE = 400.0  # mm, side of the square plate
PRESSURE = 1e-5  # MPa
SCALE = 32.0  # divides all lengths of the folded Z-section; a power of two does so without rounding


def _panel_model(
    name: str, material: Material, t: float, outline: tuple, size: float | None = None, **more
) -> PanelModel:
    panel = Panel(name, material, (t,), outline, TOOLS, **more)
    return build_panel_model(panel, Layout(t), mesh_panel(panel, Layout(t), size=size), HELD)


def _w(model: PanelModel, at: tuple[float, float]) -> float:
    """Deflection under the case "load" at the node nearest to a place, mm."""
    node = np.argmin(np.linalg.norm(model.mesh.plan - at, axis=1))
    return float(abs(model.normal_displacement(model.linear_solution("load")[1])[node]))


# ------------------------------------------------------------------------------------------------------ edge tubes


@cache
def _tube_edged_plate(ratio: float) -> PanelModel:
    """A square of side a under pressure: two sides simply supported, two stiffened by tubes of EI = ratio a D."""
    left, right = ((0.0, 0.0), (0.0, SIDE)), ((SIDE, 0.0), (SIDE, SIDE))
    tubes = ((0.0, 0.0), (SIDE, 0.0)), ((0.0, SIDE), (SIDE, SIDE))
    return _panel_model(
        "plate with edge tubes",
        ALUMINIUM,
        1.0,
        ((0.0, 0.0), (SIDE, 0.0), (SIDE, SIDE), (0.0, SIDE)),
        supports=tuple(Support("edge", in_plane="free", path=path) for path in (left, right)),
        loads=(Load("load", "pressure", PRESSURE),),
        trims=tuple(EdgeTrim(0.0, path, ratio * SIDE * ALUMINIUM.bending_stiffness(1.0)) for path in tubes),
    )


def _tube_edged_w(ratio: float, y: float) -> float:
    return _w(_tube_edged_plate(ratio), (SIDE / 2, y * SIDE)) * ALUMINIUM.bending_stiffness(1.0) / (PRESSURE * SIDE**4)


def edge_tubes(ratio: float, nu: float = 0.3) -> tuple[float, float]:
    """w D/(q a^4) at the centre and at the middle of a tube, by Levy's series.

    T&WK art. 47: S. P. Timoshenko and S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd ed. 1959.  The tubes run
    along x; EI = ratio a D.

    For each odd m: w = 4/(m pi)^5 + B cosh(k y) + C y sinh(k y), k = m pi/a.  At the tube the moment across vanishes
    and the plate's edge force loads the tube, D (w,yyy + (2 - nu) w,xxy) = EI w,xxxx.
    """
    centre = edge = 0.0
    y = 0.5
    for m in range(1, 80, 2):
        k, load = m * np.pi, 4 / (m * np.pi) ** 5
        c, s = np.cosh(k * y), np.sinh(k * y)
        cosh = np.array([c, k * s, k**2 * c, k**3 * s])  # derivatives along y at the tube
        sinh = np.array([y * s, s + k * y * c, 2 * k * c + k**2 * y * s, 3 * k**2 * s + k**3 * y * c])
        rows = [[f[2] - nu * k**2 * f[0], f[3] - (2 - nu) * k**2 * f[1] - ratio * k**4 * f[0]] for f in (cosh, sinh)]
        B, C = np.linalg.solve(np.array(rows).T, np.array([nu * k**2, ratio * k**4]) * load)
        sign = np.sin(m * np.pi / 2)
        centre += sign * (load + B)
        edge += sign * (load + B * cosh[0] + C * sinh[0])
    return float(centre), float(edge)


def _tubes():
    for ratio in (30.0, 10.0, 4.0, 1.0):
        source = "Levy series; counterpart T&WK Table 47 (from memory 0.00416, 0.00434, 0.00472, 0.00624)"
        yield Reference(
            GROUP, f"T&WK 47: square on two edge tubes, EI/(a D) {ratio:g}, w at centre", source, "recomputed",
            edge_tubes(ratio)[0], 0.005, "0.5 %: mesh error 0.1-0.3 %", partial(_tube_edged_w, ratio, 0.5),
        )  # fmt: skip
    yield Reference(
        GROUP, "T&WK 47: square on two edge tubes, EI/(a D) 1, w at a tube", "Levy series", "recomputed",
        edge_tubes(1.0)[1], 0.005, "0.5 %: mesh error 0.1-0.3 %", partial(_tube_edged_w, 1.0, 0.0),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------- a clamped bolt


RADIUS = 100.0  # mm


@cache
def _bolted_disc(diameter: float) -> PanelModel:
    """A circular sheet clamped by one bolt in its middle, under pressure."""
    turn = 2 * np.pi * np.arange(180) / 180
    outline = tuple(zip((RADIUS * np.cos(turn)).tolist(), (RADIUS * np.sin(turn)).tolist(), strict=True))
    return _panel_model(
        "disc on a bolt",
        ALUMINIUM,
        1.0,
        outline,
        supports=(Support("bolts", "clamped", "held", at=((0.0, 0.0),), diameter=diameter),),
        loads=(Load("load", "pressure", PRESSURE),),
    )


def _bolted_disc_w(diameter: float) -> float:
    model = _bolted_disc(diameter)
    w = np.abs(model.normal_displacement(model.linear_solution("load")[1])[model.mesh.outline]).mean()
    return float(w) * ALUMINIUM.bending_stiffness(1.0) / (PRESSURE * RADIUS**4)


def bolted_disc_rim_deflection(b: float, nu: float = 0.3) -> float:
    """w D/(q a^4) at the free rim r = a of a plate clamped at r = b a, under pressure: exact.

    w = r^4/64 + A + B r^2 + C ln r + E r^2 ln r (T&WK art. 16-18); at the rim moment and edge force vanish.
    """
    log = np.log(b)
    rows = np.array(
        [
            [1.0, b**2, log, b**2 * log],
            [0.0, 2 * b, 1 / b, b * (2 * log + 1)],
            [0.0, 2 + 2 * nu, nu - 1, 3 + nu],
            [0.0, 0.0, 0.0, 4.0],
        ]
    )
    A, B, _, _ = np.linalg.solve(rows, -np.array([b**4 / 64, b**3 / 16, (3 + nu) / 16, 0.5]))
    return float(1 / 64 + A + B)


def _hubs():
    for diameter, tolerance, why in (
        (4.0, 0.005, "0.5 %: mesh error"),
        (8.0, 0.01, "1 %: six nodes represent the rim of the bolt; the sheet between them deflects"),
    ):
        yield Reference(
            GROUP, f"Roark 2l: disc of radius 100 mm clamped by a bolt of {diameter:g} mm, w at the rim",
            "exact solution; counterpart Roark, 6th ed., Table 24, case 2l", "recomputed",
            bolted_disc_rim_deflection(diameter / 2 / RADIUS), tolerance, why, partial(_bolted_disc_w, diameter),
        )  # fmt: skip


# ------------------------------------------------------------------------------------------------------- folded


@cache
def _z_section() -> PanelModel:
    """NAFEMS LE5 from one blank: web 2 m, flanges of 1 m folded to opposite sides, 10 m long, root clamped.

    A panel's gauge ends at 6 mm, so all lengths and the line load are divided by `SCALE`; stresses stay as they are.
    """
    long, flange, web = 10e3 / SCALE, 1e3 / SCALE, 2e3 / SCALE
    wide = web + 2 * flange
    tips = ((long, 0.0), (long, flange)), ((long, flange + web), (long, wide))
    return _panel_model(
        "Z-section",
        STEEL,
        100.0 / SCALE,
        ((0.0, 0.0), (long, 0.0), (long, wide), (0.0, wide)),
        125.0 / SCALE,
        folds=(
            Fold(((0.0, flange), (long, flange)), -90.0),
            Fold(((0.0, flange + web), (long, flange + web)), 90.0),
        ),
        supports=(Support("edge", in_plane="held", path=((0.0, 0.0), (0.0, wide))),),
        loads=tuple(
            Load("load", "line", 600.0 / SCALE, path=path, direction=(0.0, 0.0, sign))
            for path, sign in zip(tips, (1.0, -1.0), strict=True)
        ),
    )


def _z_stress() -> float:
    """Axial mid-surface stress at the free edge of a flange, 2.5 m (full size) from the root."""
    x = 2.5e3 / SCALE
    model = _z_section()
    shell = model.linear_model.shell
    N, _ = shell.resultants(model.linear_solution("load")[1])
    along = fixtures.global_tensors(shell, N / shell.t)[:, 0, 0]
    flange = np.flatnonzero(model.mesh.plan[model.mesh.triangles].mean(axis=1)[:, 1] < 1e3 / SCALE)
    plate = Shell(shell.nodes, shell.triangles[flange], shell.t, shell.E, shell.nu)
    tip = model.mesh.nodes[np.argmin(np.linalg.norm(model.mesh.plan - (x, 0.0), axis=1))]
    return float(abs(fixtures.value_at(plate, along[flange], (x, tip[1], tip[2]))))


def _folded():
    yield Reference(
        GROUP, "NAFEMS LE5: Z-section folded from a blank, axial stress at A",
        "NAFEMS LE5 -108 is a beam-like figure; converged shell (public FE code)", "published", 111.2, 0.015,
        "1.5 %: four digits, read at an edge by extrapolation on an uneven mesh", _z_stress,
    )  # fmt: skip


REFERENCES = (*_tubes(), *_hubs(), *_folded())

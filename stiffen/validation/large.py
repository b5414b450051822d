"""Known values of shells at large deflections.

Sze: K. Y. Sze, X. H. Liu and S. H. Lo, "Popular benchmark problems for geometric nonlinear analysis of shells", Finite
Elem. Anal. Des. 40 (2004) 1551-1569; its tables were read second-hand, in test data of open finite element programs.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import scipy.sparse as sp

from stiffen.analysis.loads import case_forces
from stiffen.analysis.supports import Restraints, build_restraints
from stiffen.fem.nonlinear import EquilibriumPath, follow_path
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Load, Panel, Support
from stiffen.model.tools import BeadDie, Roller, Tools

from .case import Reference
from .fixtures import dofs, line_load, nodes_at, symmetry_dofs
from .structured_meshes import grid, nearest_node, rectangle, unit_pressure_forces, with_heights

LEVY_LOADS = (12.1, 29.4, 56.9, 99.4, 161.0, 247.0)  # q a^4/(E t^4), a the side
WAY_LOADS = (1.0, 3.0, 6.0, 10.0, 15.0)  # q a^4/(E t^4), a the radius


@cache
def cantilever(moment: bool = False, cells: int = 16) -> tuple[EquilibriumPath, np.ndarray]:
    """A strip clamped at one end: its equilibrium path and tip nodes.

    It is 10 long under a tip force of 4, or 12 long and rolled up by a tip moment.
    """
    L = 12.0 if moment else 10.0
    nodes, triangles = rectangle(L, 1.0, cells, 1, "union")
    shell = Shell(nodes, triangles, 0.1, 1.2e6, 0.0)
    tip = nodes_at(nodes, 0, L)
    load = line_load(shell, tip, 4, -50 * np.pi / 3) if moment else line_load(shell, tip, 2, 4.0)
    return follow_path(shell, dofs(nodes_at(nodes, 0, 0.0), "123456"), load, requested_factors=(0.5, 1.0)), tip


def _tip(moment: bool, factor: float, axis: int) -> float:
    path, tip = cantilever(moment)
    return float(abs(path.states[factor].displacements[tip, axis].mean()))


@cache
def hemisphere(cells: int = 32) -> tuple[float, float]:
    """Displacements inward and outward of a hemisphere with an 18 degree hole under two pairs of 400 N.

    One pair pushes inward, one pulls outward.
    """
    angles, triangles = grid(np.linspace(0, np.pi / 2, cells + 1), np.linspace(0, np.radians(72), cells + 1), "union")
    u, v = angles.T
    nodes = 10.0 * np.column_stack([np.cos(u) * np.cos(v), np.sin(u) * np.cos(v), np.sin(v)])
    shell = Shell(nodes, triangles, 0.04, 6.825e7, 0.3)
    pushed, pulled = nearest_node(nodes, (0, 10, 0)), nearest_node(nodes, (10, 0, 0))
    fixed = np.concatenate([symmetry_dofs(nodes, 0, 0.0), symmetry_dofs(nodes, 1, 0.0), [6 * pulled + 2]])
    forces = np.zeros(shell.dof_count)
    forces[6 * pulled], forces[6 * pushed + 1] = 200.0, -200.0
    shifts = follow_path(shell, fixed, forces).end_state.displacements
    return float(-shifts[pushed, 1]), float(shifts[pulled, 0])


@cache
def slit_ring(rows: int = 10, around: int = 80) -> tuple[float, float]:
    """Rise at the inner and outer end of the free side of a slit annular plate, under 0.8 N/mm along that side."""
    plan, triangles = grid(np.linspace(6, 10, rows + 1), np.linspace(0, 2 * np.pi, around + 1), "union")
    r, turn = plan.T
    shell = Shell(with_heights(np.column_stack([r * np.cos(turn), r * np.sin(turn)])), triangles, 0.03, 21e6, 0.0)
    lifted_side, clamped = np.flatnonzero(turn == 0), np.flatnonzero(turn > 2 * np.pi - 1e-9)
    load = line_load(shell, lifted_side, 2, 3.2)
    rise = follow_path(shell, dofs(clamped, "123456"), load).end_state.displacements[lifted_side, 2]
    return float(rise[np.argmin(r[lifted_side])]), float(rise[np.argmax(r[lifted_side])])


@cache
def roof(t: float, arc: bool = False, cells: int = 16) -> EquilibriumPath:
    """A shallow cylindrical roof on hinged straight edges under 3000 N at its top; a quarter is modelled."""
    plan, triangles = grid(np.linspace(0, 254, cells + 1), np.linspace(0, 0.1, cells + 1), "union")
    x, turn = plan.T
    nodes = np.column_stack([x, 2540 * np.sin(turn), 2540 * (np.cos(turn) - 1)])
    shell = Shell(nodes, triangles, t, 3102.75, 0.3)
    hinge = dofs(np.flatnonzero(turn > 0.1 - 1e-9), "123")
    top = nearest_node(nodes, (0, 0, 0))
    forces = np.zeros(shell.dof_count)
    forces[6 * top + 2] = -3000.0 / 4
    fixed = np.concatenate([symmetry_dofs(nodes, 0, 0.0), symmetry_dofs(nodes, 1, 0.0), hinge])
    return follow_path(shell, fixed, forces, watched_dofs=[6 * top + 2], by_arc_length=arc)


def _limit(t: float) -> float:
    limit = roof(t).limit_factor
    return 3000 * limit if limit is not None else np.nan


@cache
def square_plate(edges: str = "straight", cells: int = 8) -> np.ndarray:
    """w/t at the middle of a simply supported square plate under LEVY_LOADS, nu 0.316; a quarter is modelled.

    edges, in plane: "straight" edges stay straight and move in, so that the resultant force on each is zero; "free"
    edges have no in-plane stress normal to them; "held" edges are fixed.
    """
    a, t, E = 50.0, 1.0, 7e4
    nodes, triangles = rectangle(a, a, cells, cells, "union")
    shell = Shell(nodes, triangles, t, E, 0.316)
    x0, y0 = nodes_at(nodes, 0, 0.0), nodes_at(nodes, 1, 0.0)
    in_plane = "12" if edges == "held" else ""
    fixed = [symmetry_dofs(nodes, 0, a), symmetry_dofs(nodes, 1, a), dofs(x0, "3" + in_plane), dofs(y0, "3" + in_plane)]
    springs = None
    if edges == "straight":
        pairs = [(6 * node, 6 * x0[0]) for node in x0[1:]] + [(6 * node + 1, 6 * y0[0] + 1) for node in y0[1:]]
        p, q = np.array(pairs).T
        ones = np.ones(len(p))
        tie = np.concatenate([ones, ones, -ones, -ones]) * 100 * E * t  # far stiffer than the sheet
        rows, cols = np.concatenate([p, q, p, q]), np.concatenate([p, q, q, p])
        springs = sp.csr_matrix((tie, (rows, cols)), shape=(shell.dof_count, shell.dof_count))
    forces = np.zeros((len(nodes), 6))
    forces[:, :3] = LEVY_LOADS[-1] * E * t**4 / (2 * a) ** 4 * unit_pressure_forces(nodes, triangles)
    factors = [q / LEVY_LOADS[-1] for q in LEVY_LOADS]
    path = follow_path(shell, np.concatenate(fixed), forces.ravel(), springs=springs, requested_factors=factors)
    return np.array([path.states[f].displacements[nearest_node(nodes, (a, a)), 2] / t for f in factors])


@cache
def clamped_disc(cells: int = 16) -> np.ndarray:
    """w/t at the middle of a clamped circular plate, its rim fixed in plane, under WAY_LOADS."""
    a, t, E = 100.0, 1.0, 7e4
    plan, triangles = grid(*2 * [np.linspace(0, 1, cells + 1)], "union")
    u, v = plan.T
    nodes = a * with_heights(np.column_stack([u * np.sqrt(1 - v**2 / 2), v * np.sqrt(1 - u**2 / 2)]))
    shell = Shell(nodes, triangles, t, E, 0.3)
    rim = np.flatnonzero(np.hypot(nodes[:, 0], nodes[:, 1]) > a * (1 - 1e-9))
    fixed = np.concatenate([dofs(rim, "123456"), symmetry_dofs(nodes, 0, 0.0), symmetry_dofs(nodes, 1, 0.0)])
    forces = np.zeros((len(nodes), 6))
    forces[:, :3] = WAY_LOADS[-1] * E * t**4 / a**4 * unit_pressure_forces(nodes, triangles)
    factors = [q / WAY_LOADS[-1] for q in WAY_LOADS]
    path = follow_path(shell, fixed, forces.ravel(), requested_factors=factors)
    return np.array([path.states[f].displacements[0, 2] / t for f in factors])


BEAD_WIDTH, BEAD_DEPTH, BEAD_INSET = (
    20.0,
    6.0,
    25.0,
)  # mm, of `foot_loaded_panel`; inset: from the end of a bead to the edge of the sheet


def foot_loaded_panel(
    beads: int, in_plane: str, t: float, mesh_level: str = "quick"
) -> tuple[Shell, Restraints, np.ndarray]:
    """A 500 x 400 mm aluminium panel t mm thick, supported on all edges, and forces (6 n,) of 1 N on 100 x 100 mm.

    beads: number of equally spaced ones along the long side, 20 wide, 6 deep, 450 long, of cosine section with round
    ends.
    """
    die = BeadDie("B20", "round", BEAD_WIDTH, BEAD_DEPTH)
    panel = Panel(
        "plate",
        Material("aluminium", 70e3, 0.33, 2.7e-6, 100.0, 200.0, 0.15),
        (t,),
        ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
        Tools("shop", Roller(throat=500.0), (die,), ()),
        supports=(Support("edge", in_plane=in_plane),),
        loads=(Load("foot", "patch", 1.0, at=(250.0, 200.0), size=(100.0, 100.0)),),
        demands=(),
    )
    radius = BEAD_WIDTH / 2
    first = BEAD_INSET + radius  # the axis ends where the round begins
    axes = 400.0 * np.arange(1, beads + 1) / (beads + 1)
    rows = tuple(Bead(die, ((first, y), (500.0 - first, y))) for y in axes)
    mesh = mesh_panel(panel, Layout(t, rows), mesh_level=mesh_level)
    nodes = mesh.nodes.copy()
    if beads:
        beyond = np.maximum(np.maximum(first - nodes[:, 0], nodes[:, 0] - 500.0 + first), 0.0)
        off = np.hypot(beyond, np.abs(nodes[:, 1] - axes[:, None]).min(axis=0))
        nodes[:, 2] = BEAD_DEPTH / 2 * (1 + np.cos(np.pi * np.minimum(off / radius, 1.0)))
    forces = case_forces(panel, mesh, np.zeros(len(nodes)), "foot")
    return Shell(nodes, mesh.triangles, t, 70e3, 0.33), build_restraints(panel, mesh, in_plane), forces


@cache
def foot_deflection(beads: int = 0, newtons: float = 883.0, in_plane: str = "held", t: float = 1.0) -> float:
    """Largest deflection (mm) of `foot_loaded_panel` under a foot load of `newtons`, quick mesh."""
    shell, restraints, forces = foot_loaded_panel(beads, in_plane, t)
    return float(abs(follow_path(shell, restraints.fixed, newtons * forces).end_state.displacements[:, 2]).max())


SZE_SOURCE = "Sze, Liu & Lo (2004), table of the {}, read second-hand"
LEVY_SOURCE = (
    "S. Levy, Bending of rectangular plates with large deflections, NACA TR 737 (1942), square plate, nu 0.316"
)
LEVY_VALUES = (0.486, 0.962, 1.424, 1.870, 2.307, 2.742)
# By a collocation method for boundary value problems, to six digits; the tests recompute them.
WAY_VALUES = (0.168034, 0.458843, 0.770238, 1.051957, 1.302068)
OPEN_PROGRAM_SOURCE = "a general open finite element program with quadratic shells, run on the same panel"
STRIP_GROUP, SHELLS_GROUP, PLATES_GROUP, PANEL_GROUP = (
    "strips, large",
    "shells, large",
    "plates, large",
    "beaded panel, large",
)

REFERENCES = (
    *(
        Reference(
            STRIP_GROUP,
            f"cantilever under end shear, {name} at {factor:g} of 4 N",
            SZE_SOURCE.format("cantilever under end shear"),
            "published",
            value,
            0.003,
            "16 cells along the strip",
            lambda factor=factor, axis=axis: _tip(False, factor, axis),
        )
        for factor, name, axis, value in (
            (0.5, "u", 0, 1.604),
            (0.5, "w", 2, 4.933),
            (1.0, "u", 0, 3.286),
            (1.0, "w", 2, 6.698),
        )
    ),
    *(
        Reference(
            STRIP_GROUP,
            f"strip rolled up by an end moment, {name} at {factor:g} of a full circle",
            "elastica: a circular arc (exact)",
            "recomputed",
            value,
            0.003,
            "16 cells around the circle",
            lambda factor=factor, axis=axis: _tip(True, factor, axis),
        )
        for factor, name, axis, value in ((0.5, "u", 0, 12.0), (0.5, "w", 2, 24 / np.pi), (1.0, "u", 0, 12.0))
    ),
    *(
        Reference(
            SHELLS_GROUP,
            f"pinched hemisphere with 18 degree hole, 400 N, {name}",
            SZE_SOURCE.format("hemispherical shell"),
            "published",
            value,
            0.02,
            "32 x 32 cells a quarter; 16 x 16 cells give 5 and 8 % less, so the mesh error still decreases",
            lambda place=place: hemisphere()[place],
        )
        for place, name, value in ((0, "inward", 8.178), (1, "outward", 4.067))
    ),
    *(
        Reference(
            SHELLS_GROUP,
            f"slit annular plate lifted by 0.8 N/mm, {name}",
            "Sze, Liu & Lo (2004), slit annular plate; value from memory",
            "from memory",
            value,
            0.01,
            "10 x 80 cells, the mesh of the paper",
            lambda place=place: slit_ring()[place],
        )
        for place, name, value in ((0, "inner corner", 13.891), (1, "outer corner", 17.528))
    ),
    *(
        Reference(
            SHELLS_GROUP,
            f"hinged cylindrical roof {t:g} mm thick, snap-through load",
            SZE_SOURCE.format("hinged cylindrical roof, first maximum"),
            "published",
            value,
            0.005,
            "16 x 16 cells a quarter; the paper's maximum is the largest of its load steps",
            lambda t=t: _limit(t),
        )
        for t, value in ((12.7, 0.7421 * 3000), (6.35, 0.1953 * 3000))
    ),
    *(
        Reference(
            PLATES_GROUP,
            f"SSSS square, straight edges free to move, q a4/(E t4) {load:g}, w/t",
            LEVY_SOURCE,
            "from memory",
            value,
            0.006,
            "8 x 8 cells a quarter, values of three digits",
            lambda place=place: float(square_plate()[place]),
        )
        for place, (load, value) in enumerate(zip(LEVY_LOADS, LEVY_VALUES, strict=True))
    ),
    *(
        Reference(
            PLATES_GROUP,
            f"clamped circle, held rim, q a4/(E t4) {load:g}, w/t",
            "von Karman's plate equations, axisymmetric (S. Way, Trans. ASME 56 (1934) 627-636, solved them by series)",
            "recomputed",
            value,
            0.005,
            "16 x 16 cells a quarter",
            lambda place=place: float(clamped_disc()[place]),
        )
        for place, (load, value) in enumerate(zip(WAY_LOADS, WAY_VALUES, strict=True))
    ),
    *(
        Reference(
            PANEL_GROUP,
            f"500 x 400 x 1 mm, {beads} beads 20 x 6, edges held, {newtons:g} N on 100 x 100 mm, w",
            OPEN_PROGRAM_SOURCE,
            "recomputed",
            value,
            0.03,
            "thin against thick shell theory; section, spacing and ends of the beads are inferred",
            lambda beads=beads, newtons=newtons: foot_deflection(beads, newtons),
        )
        for beads, newtons, value in ((0, 883.0, 6.73), (5, 200.0, 5.89), (5, 883.0, 11.01))
    ),
)

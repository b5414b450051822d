"""Known values of patch tests and of the beams of the MacNeal-Harder set, in the units of the paper.

MH: R. H. MacNeal and R. L. Harder, "A proposed standard set of problems to test finite element accuracy", Finite Elem.
Anal. Des. 1 (1985) 3-20.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np

from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell

from . import fixtures, structured_meshes
from .case import Reference

GROUP = "patch tests and beams"
MH = "MacNeal & Harder 1985"
EXACT_REASON = "1e-6: any mesh must give the exact answer"


# Patch tests


@cache
def _patch() -> Shell:
    """MH Fig. 2: five quadrilaterals over 0.24 x 0.12, each cut in two."""
    corners = [[0, 0], [0.24, 0], [0.24, 0.12], [0, 0.12]]
    plan = np.array([*corners, [0.04, 0.02], [0.18, 0.03], [0.16, 0.08], [0.08, 0.08]])
    quads = np.array([[0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7], [4, 5, 6, 7]])
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Shell(structured_meshes.with_heights(plan), triangles, 0.001, 1e6, 0.25)


def _worst_patch_value(of_moment: bool, i: int, j: int, expected: float) -> float:
    """The value in the triangle where it differs most from `expected`, its value everywhere in the exact solution."""
    shell = _patch()
    x, y, _ = shell.nodes.T
    field = np.zeros((8, 6))
    if of_moment:
        field[:, 2] = -1e-3 * (x * x + x * y + y * y) / 2
        field[:, 3], field[:, 4] = -1e-3 * (x / 2 + y), 1e-3 * (x + y / 2)
    else:
        field[:, 0], field[:, 1] = 1e-3 * (x + y / 2), 1e-3 * (y + x / 2)
    N, M = shell.resultants(fixtures.impose_displacements(shell, np.arange(24), field[:4].ravel()))
    values = fixtures.global_tensors(shell, M if of_moment else N / shell.t)[:, i, j]
    return float(values[np.argmax(np.abs(values - expected))])


def _patches():
    D = 1e6 * 0.001**3 / (12 * (1 - 0.25**2))
    for name, of_moment, i, j, value in (
        ("membrane patch, s_x", False, 0, 0, 1e6 / 0.75 * 1e-3),
        ("membrane patch, t_xy", False, 0, 1, 400.0),
        ("bending patch, m_x", True, 0, 0, D * 1.25e-3),
        ("bending patch, m_xy", True, 0, 1, D * 0.75 * 0.5e-3),
    ):
        yield Reference(
            GROUP, f"MH Fig. 2: {name}", MH + ", Table 2a (m_xy as corrected: 3.333e-8)", "published", value, 1e-6,
            EXACT_REASON, partial(_worst_patch_value, of_moment, i, j, value),
        )  # fmt: skip


# Beams


@cache
def _beam(kind: str, parts: int) -> LinearModel:
    """MH straight beam 6 x 0.2 x 0.1, clamped at x = 0: six cells as in the paper, each cut in parts x parts.

    kind: rectangles, trapezoids or parallelograms with sides at 45 degrees.
    """
    ends = np.linspace(0, 6, 7)
    plan, triangles = structured_meshes.grid(np.linspace(0, 6, 6 * parts + 1), np.linspace(-0.1, 0.1, parts + 1), "one")
    lean = {"rectangles": 0 * ends, "parallelograms": 1 + 0 * ends, "trapezoids": (-1.0) ** np.arange(7)}[kind]
    lean[[0, -1]] = 0
    plan[:, 0] += np.interp(plan[:, 0], ends, lean) * plan[:, 1]
    nodes = structured_meshes.with_heights(plan)
    return LinearModel(Shell(nodes, triangles, 0.1, 1e7, 0.3), fixtures.dofs(fixtures.nodes_at(nodes, 0, 0), "123456"))


def _beam_tip(kind: str, freedom: int, parts: int) -> float:
    model = _beam(kind, parts)
    return fixtures.tip_displacement(model, fixtures.nodes_at(model.shell.nodes, 0, 6.0), freedom)


@cache
def _curved(parts: int) -> LinearModel:
    """MH curved beam: a quarter ring, radii 4.12 and 4.32, t 0.1; clamped at x = 0, loaded at y = 0."""
    plan, triangles = structured_meshes.grid(
        np.linspace(4.12, 4.32, parts + 1), np.linspace(0, np.pi / 2, 6 * parts + 1), "one"
    )
    r, angle = plan.T
    nodes = np.column_stack([r * np.cos(angle), r * np.sin(angle), 0 * r])
    return LinearModel(Shell(nodes, triangles, 0.1, 1e7, 0.25), fixtures.dofs(fixtures.nodes_at(nodes, 0, 0), "123456"))


def _curved_tip(freedom: int, parts: int) -> float:
    model = _curved(parts)
    return fixtures.tip_displacement(model, fixtures.nodes_at(model.shell.nodes, 1, 0.0), freedom)


@cache
def _twisted(t: float, along: int, across: int) -> LinearModel:
    """MH beam twisted by 90 degrees: L 12, w 1.1; clamped at x = 0, where its width is along y."""
    plan, triangles = structured_meshes.grid(np.linspace(0, 12, along + 1), np.linspace(-0.55, 0.55, across + 1))
    x, y = plan.T
    angle = x / 12 * np.pi / 2
    nodes = np.column_stack([x, y * np.cos(angle), y * np.sin(angle)])
    return LinearModel(Shell(nodes, triangles, t, 29e6, 0.22), fixtures.dofs(fixtures.nodes_at(nodes, 0, 0), "123456"))


def _twisted_tip(t: float, freedom: int, force: float, along: int, across: int) -> float:
    model = _twisted(t, along, across)
    tip = fixtures.nodes_at(model.shell.nodes, 0, 12.0)
    # without the balance check of `LinearModel.solve`: at t = L/3750 rounding alone leaves 1e-5 of the load unbalanced
    forces = fixtures.line_load(model.shell, tip, freedom, force)
    u = np.zeros(model.shell.dof_count)
    u[model.free] = model.solve_free(forces[model.free])
    return float(u[6 * structured_meshes.nearest_node(model.shell.nodes, (12, 0, 0)) + freedom])


SKEWED_CELLS_MISS = (
    "slender obtuse triangles are too stiff: the higher-order membrane stiffness is exact for in-plane bending of "
    "right-angled pairs only, and grows with the square of the slenderness; refinement converges"
)
SOLID_TORSION_MISS = (
    "a Kirchhoff plate has the torsion constant b t^3/3 of a thin strip; at b/t = {} the solid's is {} of that "
    "(next row: the value with b t^3/3)"
)
LOCKING_MISS = (
    "flat triangles with drilling rotation are too stiff on a coarse mesh of a thin doubly curved or twisted surface; "
    "converges (next rows)"
)


def _beams():
    for kind, parts in (("rectangles", 2), ("trapezoids", 2), ("parallelograms", 2)):
        for name, freedom, value in (
            ("extension", 0, 3.0e-5), ("in-plane shear", 1, 0.1081), ("out-of-plane shear", 2, 0.4321),
        ):  # fmt: skip
            yield Reference(
                GROUP, f"MH straight beam, 6 {kind} halved, {name}", MH + ", Table 3", "published", value, 0.02,
                "2 %: cells of the published mesh cut in 2 x 2", partial(_beam_tip, kind, freedom, parts),
                SKEWED_CELLS_MISS if kind != "rectangles" and freedom == 1 else "",
            )  # fmt: skip
    G = 1e7 / 2.6
    yield Reference(
        GROUP, "Saint-Venant: MH straight beam, twist, thin-strip torsion constant",
        "J = b t^3/3, thin strip (the paper's 0.03208 is a solid's)", "recomputed", 6 / (G * 0.2 * 0.1**3 / 3), 0.02,
        "2 %: free edges and root of a short strip", partial(_beam_tip, "rectangles", 3, 2),
    )  # fmt: skip
    yield Reference(
        GROUP, "MH curved beam, in-plane", MH + ", Table 3", "published", 0.08734, 0.02,
        "2 %: cells of the published mesh cut in 4 x 4", partial(_curved_tip, 0, 4),
    )  # fmt: skip
    yield Reference(
        GROUP, "MH curved beam, out-of-plane", MH + ", Table 3", "published", 0.5022, 0.02, "2 % required",
        partial(_curved_tip, 2, 4), SOLID_TORSION_MISS.format(2, "0.69"),
    )  # fmt: skip
    EI, GJ = 1e7 * 0.2 * 0.1**3 / 12, 4e6 * 0.2 * 0.1**3 / 3
    yield Reference(
        GROUP, "ring theory: MH curved beam, out-of-plane, thin-strip torsion constant",
        "F R^3 (pi/4/EI + (3 pi/4 - 2)/GJ), J = b t^3/3", "recomputed",
        4.22**3 * (np.pi / 4 / EI + (3 * np.pi / 4 - 2) / GJ), 0.02, "2 %: beam theory, b/R = 0.05",
        partial(_curved_tip, 2, 4),
    )  # fmt: skip
    source = MH + ", Table 3; thin: Simo, Fox & Rifai 1989"
    for t, force, width, thickness in ((0.32, 1.0, 1.754e-3, 5.424e-3), (0.0032, 1e-6, 1.294e-3, 5.256e-3)):
        meshes = ((24, 4),) if t == 0.32 else ((12, 2), (72, 12))
        for along, across in meshes:
            for name, freedom, value in (("in width", 1, width), ("in thickness", 2, thickness)):
                yield Reference(
                    GROUP, f"MH twisted beam t {t:g}, {along}x{across}, force {name} at the tip", source, "published",
                    value, 0.02, "2 % required", partial(_twisted_tip, t, freedom, force, along, across),
                    LOCKING_MISS if along == 12 else "",
                )  # fmt: skip


REFERENCES = (*_patches(), *_beams())

"""Flat plates in bending only, for validation: edges by letters, holes, point supports, loads, membrane states.

All in-plane DOFs are fixed, so that each node keeps three, uz, rx and ry.  Edges are given as a word of four letters
for x = 0, x = a, y = 0, y = b: S simply supported ("hard": the slope along the edge is fixed too), C clamped, F free,
G guided (the slope across the edge is fixed, as on a line of symmetry).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from stiffen.fem.linear import TONNES_PER_KG, LinearModel
from stiffen.fem.shell import Shell

from . import fixtures, structured_meshes

E, T, RHO = 70000.0, 1.0, 2.7e-6  # MPa, mm, kg/mm3; results are made dimensionless, so any would do


@dataclass(frozen=True, eq=False)
class PlateModel:
    """A flat shell with supports on its bending DOFs `fixed`; its in-plane DOFs are fixed too."""

    shell: Shell
    fixed: np.ndarray

    @property
    def D(self) -> float:
        """Plate stiffness, N mm."""
        return float(self.shell.E * self.shell.t**3 / (12 * (1 - self.shell.nu**2)))

    @cached_property
    def linear_model(self) -> LinearModel:
        """The plate with its in-plane DOFs fixed."""
        base = 6 * np.arange(len(self.shell.nodes))
        return LinearModel(self.shell, np.unique(np.concatenate([self.fixed, base, base + 1, base + 5])))

    @cached_property
    def unit_pressure_displacements(self) -> np.ndarray:
        """(6 n,) displacements, mm, under 1 MPa toward +z."""
        forces = np.zeros((len(self.shell.nodes), 6))
        forces[:, :3] = structured_meshes.unit_pressure_forces(self.shell.nodes, self.shell.triangles)
        return self.linear_model.solve(forces.ravel())

    def unit_force_displacements(self, node: int) -> np.ndarray:
        """(6 n,) displacements, mm, under 1 N toward +z at a node."""
        forces = np.zeros(self.shell.dof_count)
        forces[6 * node + 2] = 1.0
        return self.linear_model.solve(forces)

    def frequency_parameters(self, count: int, length: float) -> np.ndarray:
        """omega length^2 sqrt(rho t/D) of the first elastic modes, without rigid-body modes.

        Springs in proportion to mass restrain a free plate.  They raise each omega^2 by the same amount, which is
        subtracted again, and change no mode shape.
        """
        unit = np.sqrt(self.D / (self.shell.rho * TONNES_PER_KG * self.shell.t)) / length**2  # 1/s for lam = 1
        model = LinearModel(self.shell, self.linear_model.fixed, springs=self.shell.mass * (TONNES_PER_KG * unit**2))
        hertz, _ = model.modes(count + 3)
        lam = np.sqrt(np.maximum((2 * np.pi * hertz / unit) ** 2 - 1, 0))
        return lam[lam > 0.05][:count]

    def buckling(self, stress: tuple[float, float, float]) -> float:
        """Smallest factor on the uniform membrane force (N_x, N_y, N_xy), N/mm, at which the plate buckles."""
        return float(self.linear_model.buckling(uniform_membrane_displacements(self.shell, stress))[0][0])


def uniform_membrane_displacements(shell: Shell, forces: tuple[float, float, float]) -> np.ndarray:
    """(6 n,) displacements, mm, under uniform membrane forces (N_x, N_y, N_xy), N/mm."""
    Nx, Ny, Nxy = forces
    ex, ey = (Nx - shell.nu * Ny) / (shell.E * shell.t), (Ny - shell.nu * Nx) / (shell.E * shell.t)
    half_g = Nxy * (1 + shell.nu) / (shell.E * shell.t)
    x, y, _ = shell.nodes.T
    u = np.zeros((len(shell.nodes), 6))
    u[:, 0], u[:, 1] = ex * x + half_g * y, ey * y + half_g * x
    return u.ravel()


def edge_dofs(nodes: np.ndarray, edges: str) -> np.ndarray:
    """DOFs fixed on the four sides of the bounding rectangle, by the letters of the module's docstring."""
    low, high = nodes.min(axis=0), nodes.max(axis=0)
    fixed = [np.zeros(0, int)]
    for letter, axis, value in zip(edges, (0, 0, 1, 1), (low[0], high[0], low[1], high[1]), strict=True):
        first = 6 * np.flatnonzero(np.abs(nodes[:, axis] - value) < 1e-6)
        across, along = (first + 4, first + 3) if axis == 0 else (first + 3, first + 4)
        fixed += {"S": [first + 2, along], "C": [first + 2, along, across], "G": [across], "F": []}[letter]
    return np.concatenate(fixed)


def rectangle(
    a: float,
    b: float,
    edges: str,
    n: int = 20,
    nu: float = 0.3,
    points: Iterable[tuple[float, float]] = (),
    pattern: str = "cross",
) -> PlateModel:
    """The plate 0..a by 0..b, with n cells on the short side; w is fixed at `points` too."""
    cell = min(a, b) / n
    nodes, triangles = structured_meshes.rectangle(a, b, round(a / cell), round(b / cell), pattern)
    at = [6 * structured_meshes.nearest_node(nodes, point) + 2 for point in points]
    fixed = np.concatenate([edge_dofs(nodes, edges), np.array(at, int)])
    return PlateModel(Shell(nodes, triangles, T, E, nu, RHO), fixed)


def square_with_hole(b: float, d: float, edges: str, rows: int = 14, around: int = 96) -> PlateModel:
    """The square of side b about the origin with a central circular hole of diameter d."""
    nodes, triangles = structured_meshes.ring(
        structured_meshes.circle(d / 2), structured_meshes.square(b / 2), np.linspace(0, 1, rows + 1) ** 1.3, around
    )
    return PlateModel(Shell(nodes, triangles, T, E, 0.3, RHO), edge_dofs(nodes, edges))


def circular_plate(a: float, b: float, clamped: bool, around: int = 128, nu: float = 0.3) -> PlateModel:
    """The circular plate of radius a with a free hole of radius b (0: none); its outer edge is supported.

    A simply supported round edge has w fixed at its nodes only.  Fixing the slope along the chords too would give the
    solution of another problem, also in the limit of many chords (polygon paradox, I. Babuska 1961).
    """
    if b == 0:
        rows = np.linspace(0, 1, 25)
    else:  # cells of equal proportions, 1.5 times as long radially as around
        radii = np.geomspace(b, a, 1 + max(4, round(np.log(a / b) * around / (3 * np.pi))))
        rows = (radii - b) / (a - b)
    nodes, triangles = structured_meshes.ring(structured_meshes.circle(b), structured_meshes.circle(a), rows, around)
    rim = 6 * np.flatnonzero(np.hypot(nodes[:, 0], nodes[:, 1]) > a * (1 - 1e-6))
    fixed = np.concatenate([rim + 2, rim + 3, rim + 4]) if clamped else rim + 2
    return PlateModel(Shell(nodes, triangles, T, E, nu, RHO), fixed)


def moment_at(flat: PlateModel, u: np.ndarray, point: tuple[float, float]) -> np.ndarray:
    """(3, 3) moments, N mm/mm, in global axes at a point of the plate."""
    _, M = flat.shell.resultants(u)
    return fixtures.value_at(flat.shell, fixtures.global_tensors(flat.shell, M), (*point, 0.0))

"""The mass of air that moves with a panel, which lowers the frequencies of thin sheet.

The panel is taken as part of a rigid wall that divides the air (a baffle), and the air as incompressible: its waves are
far longer than the panel.  Each side then has the kinetic energy rho/(4 pi) times the double integral of v v'/r over
the panel, v being the speed square to it and r the distance of two points (Rayleigh, The Theory of Sound, vol. 2, sec.
278 and 302; H. Lamb, "On the vibrations of an elastic plate in contact with water", Proc. R. Soc. A 98 (1920) 205-216).
A folded panel counts as its flat blank.  Air flows round free edges and through openings, which lowers this mass: the
baffle is the cautious end.

A panel that hangs free has no wall round it (`added_mass_of_free`).  The jump of the velocity potential across it is a
sheet of doublets that gives the air the panel's own speed (H. Lamb, Hydrodynamics, 6th ed. 1932, art. 58 and 102).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.linalg import eigh
from scipy.spatial.distance import cdist
from shapely.geometry import Polygon

AIR_DENSITY = 1.204e-12  # t/mm3: dry air at 20 degrees C and 101.325 kPa (ISO 2533 gives 1.225 kg/m3 at 15 degrees C)
MAX_PATCHES = 700  # patches of sheet that the double integral sums over
# A double sum over patches of area A leaves out each patch's own part, and errs a little on its neighbours'.  For a
# smooth field on a regular lattice both are 3.90 A^1.5 v^2 (3.900 on squares, 3.921 on triangles): the energy of a
# lattice of charges in a neutral background (L. Bonsall and A. A. Maradudin, Phys. Rev. B 15 (1977) 1959-1973).
SELF_TERM = 3.9


def added_mass(plan: np.ndarray, areas: np.ndarray, shapes: np.ndarray, density: float = AIR_DENSITY) -> np.ndarray:
    """(k, k) mass matrix, t, of the fluid on both sides of a baffled panel that moves by k mode shapes.

    plan: (n, 2) mm.  areas: (n,) mm2 of sheet in plan about each point.  shapes: (n, k) displacements square to the
    sheet.  density: of the fluid, t/mm3.
    """
    places, areas, shapes = _patches(plan, areas, shapes)
    flows = areas[:, None] * shapes
    distance = cdist(places, places)
    np.fill_diagonal(distance, np.sqrt(areas) / SELF_TERM)
    return 2 * density / (2 * np.pi) * (flows.T @ np.divide(1.0, distance, out=distance) @ flows)


@dataclass(frozen=True, eq=False)
class Lattice:
    """Equal rectangles that cover a panel in plan.

    centres: (k, 2) mm.  pitch: sides of a rectangle along x and y, mm.  area: of the panel, mm2.
    """

    centres: np.ndarray
    pitch: tuple[float, float]
    area: float


def lattice_of(region: Polygon, cells: int) -> Lattice:
    """About so many rectangles over a plan region, those whose centre lies in it."""
    x0, y0, x1, y1 = region.bounds
    side = np.sqrt(region.area / cells)
    nx, ny = max(1, round((x1 - x0) / side)), max(1, round((y1 - y0) / side))
    pitch = (x1 - x0) / nx, (y1 - y0) / ny
    x, y = np.meshgrid(x0 + (np.arange(nx) + 0.5) * pitch[0], y0 + (np.arange(ny) + 0.5) * pitch[1])
    inside = shapely.contains_xy(region, x.ravel(), y.ravel())
    return Lattice(np.column_stack([x.ravel(), y.ravel()])[inside], pitch, float(region.area))


def added_mass_of_free(
    region: Polygon, shapes_at: Callable[[np.ndarray], np.ndarray], density: float = AIR_DENSITY
) -> np.ndarray:
    """(k, k) mass matrix, t, of the fluid round a panel without a wall about it, which moves by k mode shapes.

    region: the panel in plan.  shapes_at: displacements (n, k) square to the sheet at plan points (n, 2).  The error of
    a lattice goes with its pitch, so the values of two lattices are extrapolated to pitch 0.  Rigid rectangles come out
    within 0.1 %, a disc, whose rim is a staircase then, within 3 %.
    """
    (mass, pitch), (other, wider) = (
        _mass_of_doublets(lattice, shapes_at(lattice.centres), density)
        for lattice in (lattice_of(region, MAX_PATCHES), lattice_of(region, MAX_PATCHES // 3))
    )
    return mass + (mass - other) * pitch / (wider - pitch)


def _mass_of_doublets(lattice: Lattice, speeds: np.ndarray, density: float) -> tuple[np.ndarray, float]:
    """The mass matrix on one lattice, and its mean pitch, mm.

    A rectangle of unit doublets gives at a point of its plane the normal speed of the integral of 1/(4 pi r3) over it,
    whose antiderivative is -r/(x y); at its own centre, the finite part.
    """
    x, y = np.moveaxis(lattice.centres[:, None] - lattice.centres[None], 2, 0)
    influence = np.zeros(x.shape)
    for a in (-0.5, 0.5):
        for b in (-0.5, 0.5):
            X, Y = x + a * lattice.pitch[0], y + b * lattice.pitch[1]
            influence += (1.0 if a == b else -1.0) * np.hypot(X, Y) / (X * Y)
    jump = np.linalg.solve(influence / (4 * np.pi), speeds)
    share = lattice.area / len(lattice.centres)  # the rectangles cover a little more or less than the panel
    return density * share * speeds.T @ jump, float(np.sqrt(np.prod(lattice.pitch)))


def _patches(plan: np.ndarray, areas: np.ndarray, shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, areas and mean displacements of at most about MAX_PATCHES squares, if there are more points than that."""
    used = areas > 0
    plan, areas, shapes = plan[used], areas[used], shapes[used]
    if len(plan) <= MAX_PATCHES:
        return plan, areas, shapes
    side = np.sqrt(areas.sum() / MAX_PATCHES)
    column, row = np.floor((plan - plan.min(axis=0)) / side).astype(int).T
    _, square = np.unique(column * (row.max() + 1) + row, return_inverse=True)
    total = np.bincount(square, areas)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.column_stack([np.bincount(square, areas * one) for one in values.T]) / total[:, None]

    return mean(plan), total, mean(shapes)


def modes_in_fluid(hertz: np.ndarray, fluid_mass: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Natural frequencies (k,) Hz in a fluid, rising, and what each mode there is made of: (k, k), a column a mode.

    hertz: (k,) in vacuum.  fluid_mass: (k, k) of those modes, each scaled to a generalised mass of 1 t.  Ritz: a mode
    in the fluid is a sum of modes in vacuum.
    """
    squares, parts = eigh(np.diag(hertz**2), np.eye(len(hertz)) + fluid_mass)
    return np.sqrt(np.maximum(squares, 0.0)), parts

"""A small shell finite-element library: linear statics, natural modes, buckling, and nonlinear equilibrium paths.

It imports nothing of the package but `errors`, and knows nothing of panels.  In order of import:

- `blas_threads`: one BLAS thread for small dense blocks
- `triangle`: the flat shell triangle (DKT bending, OPT membrane with drilling rotation), all triangles at once
- `direct_solvers`: sparse direct solvers (own multifrontal factors, SuperLU) behind one interface
- `laminate`: the same triangle with a laminate's stiffness (membrane and bending coupled)
- `shell`, `linear`: global matrices, stresses, supports, static solve, modes, buckling
- `rotations`, `corotational`, `edge_beams`, `contact`: finite rotations, corotational triangles, beams along edges,
  unilateral and gap supports
- `nonlinear_problem`, `pseudo_transient`, `continuation`, `nonlinear`: equilibrium at large displacements and
  rotations, and the path of equilibria as the load grows
- `first_guess`: a coarse mesh's equilibrium as a first guess on a finer mesh

Units: mm, N, MPa, kg, s, Hz.  Node i has the DOFs ux, uy, uz, rx, ry, rz at the indices 6 i to 6 i + 5.

A strip, 100 x 10 x 2 mm, clamped at one end and pushed down by 1 N at the other: P L^3 / (3 E I) is 0.714 mm.

>>> import numpy as np
>>> from stiffen.fem import LinearModel, Shell, follow_path
>>> nodes = np.array([[10.0 * i, 10.0 * j, 0.0] for j in range(2) for i in range(11)])
>>> triangles = np.array([c for i in range(10) for c in ([i, i + 1, i + 12], [i, i + 12, i + 11])])
>>> strip = Shell(nodes, triangles, t=2.0, E=70e3, nu=0.0)
>>> clamped = np.concatenate([np.arange(6), 6 * 11 + np.arange(6)])
>>> forces = np.zeros(strip.dof_count)
>>> forces[[6 * 10 + 2, 6 * 21 + 2]] = -0.5
>>> u = LinearModel(strip, clamped).solve(forces)
>>> print(f"{-u[6 * 10 + 2]:.3f} mm")
0.714 mm
>>> path = follow_path(strip, clamped, 100 * forces)  # in large deflection it gets stiffer
>>> path.converged, bool(path.max_displacements[-1] < 71.4)
(True, True)
"""

from .edge_beams import EdgeBeams
from .linear import LinearModel
from .nonlinear import EquilibriumPath, follow_path, load_deflection
from .shell import Shell

__all__ = ["EdgeBeams", "EquilibriumPath", "LinearModel", "Shell", "follow_path", "load_deflection"]

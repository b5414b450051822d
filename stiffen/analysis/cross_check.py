"""Cross-check of a layout: small-deflection values by another shell element, compared with our own.

The other element is that of sfepy, an extra, as sfepy must be compiled.  Libraries that install without a compiler were
tried on the sheet of benchmarks/shell_speed.py (500 x 400 x 1 mm, three beads 16 x 4, w at its middle; the converged
value is 7.58 mm per kPa).  Difference from our element on the same mesh, and CPU seconds:

    library and element                               1000 nodes         3341 nodes
    sfepy, shell10x, triangles split in three         -1.3 %    1.2 s    -0.3 %    4.8 s
    scikit-fem, solid, second-order tetrahedra        -0.4 %    2.9 s    -0.4 %   38.7 s
    pyfe3d, Quad4, triangles split in three           -5.4 %    1.0 s    -3.1 %    4.7 s
    pyfe3d, Tria3R                                    -9.9 %    0.2 s    -4.8 %    0.6 s
    pyfe3d, Tria3DSG                                 -36.4 %    0.2 s   -12.6 %    0.4 s
    PyNiteFEA, quadrilateral, split in three         -12.4 %   24.1 s    (on 838 nodes)

pyfe3d and PyNiteFEA are further off on a quick mesh than the 5 % at which a warning is given.  The solid of scikit-fem
(BSD licence, pure Python) is accurate and the most independent, as it knows no shell theory.  It was not taken: it
needs a mesh through the thickness that is mitred at folds, held rotations, springs and tubes carried over to it, and
a better order of elimination on fine meshes.  With these it could replace sfepy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.errors import SolverError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult

from . import sfepy_shell  # loads sfepy on first use
from .panel_model import PanelModel, build_panel_model
from .supports import in_plane_assumptions

WARNING_DIFFERENCE = 0.05  # relative difference between the two elements above which a warning is given


@dataclass(frozen=True, eq=False)
class SmallDeflectionValues:
    """Small-deflection values on one mesh by our element and by sfepy's, each by the demand's label."""

    own: dict[str, float]
    sfepy: dict[str, float]


def cross_check(
    panel: Panel, layout: Layout, demands: tuple[DemandResult, ...]
) -> tuple[dict[str, dict[str, float]] | None, tuple[str, ...]]:
    """Compare deflections, softness and the first frequency with sfepy's shell element on the quick mesh.

    Returns the other element's value and its relative difference from ours by the demand's label, and warnings.  If a
    difference exceeds WARNING_DIFFERENCE, both elements solve a mesh twice as coarse too.  The element whose value
    changes more with the mesh is the one to distrust; both are, if the mesh does not explain the difference.  If a
    solve fails, no value is returned and the warning says why.  Without sfepy the result is (None, ()).
    """
    if not sfepy_shell.is_installed():
        return None, ()

    def on_mesh(size: float | None) -> SmallDeflectionValues:
        mesh = mesh_panel(panel, layout, mesh_level="quick", size=size)
        return _both_elements(build_panel_model(panel, layout, mesh, in_plane_assumptions(panel)[-1]), demands)

    try:
        quick = on_mesh(None)
        differences = {label: quick.sfepy[label] / own - 1 for label, own in quick.own.items()}
        far = [label for label, difference in differences.items() if abs(difference) > WARNING_DIFFERENCE]
        coarse = on_mesh(2 * background_side(panel.region.area, "quick")) if far else None
    except SolverError as error:
        return {}, (f"no second opinion: {error}",)
    compared = {label: {"value": quick.sfepy[label], "difference": differences[label]} for label in differences}
    return compared, tuple(_explain_difference(label, quick, coarse, differences[label]) for label in far)


def _both_elements(model: PanelModel, demands: tuple[DemandResult, ...]) -> SmallDeflectionValues:
    """Deflections, pushes and the first frequency by both elements; raises SolverError."""
    linear, shell = model.linear_model, model.linear_model.shell
    fixed, edges = linear.fixed, model.restraints.support_edges
    sheet = shell.nodes, shell.triangles, model.layout.gauge, shell.E, shell.nu
    added = sum(linear.added_stiffness[1:], linear.added_stiffness[0]) if linear.added_stiffness else None
    K = sfepy_shell.sheet_stiffness(*sheet)
    loads = {d.label: model.linear_solution(d.case)[0] for d in demands if d.kind == "deflection"}
    loads |= {d.label: model.push_forces(d.at, d.force) for d in demands if d.kind == "softness" and d.at is not None}
    own: dict[str, float] = {}
    sfepy: dict[str, float] = {}
    factors = None
    if loads:
        factors = sfepy_shell.held_sheet_factors(shell.nodes, shell.triangles, fixed, K, added, edges)
        forces = np.stack(list(loads.values()), axis=1)
        own_w = model.normal_displacement(linear.solve(forces))
        sfepy_w = model.normal_displacement(sfepy_shell.deflections(*sheet, fixed, forces, added, edges, K, factors))
        for k, label in enumerate(loads):
            node = int(np.abs(own_w[:, k]).argmax())
            own[label], sfepy[label] = abs(float(own_w[node, k])), abs(float(sfepy_w[node, k]))
    for label in (d.label for d in demands if d.kind == "frequency"):
        own[label] = float(model.modes_in_air[0][0])
        hertz = sfepy_shell.frequencies(*sheet, shell.rho, fixed, 1, added, linear.lumped_masses, edges, K, factors)
        sfepy[label] = float(hertz[0]) * own[label] / model.first_frequency  # the same air moves with both
    return SmallDeflectionValues(own, sfepy)


def _explain_difference(
    label: str, values: SmallDeflectionValues, coarse_values: SmallDeflectionValues, difference: float
) -> str:
    """The warning for two values that differ: which one to distrust, and why."""
    own, other = (
        abs(fine[label] / coarse[label] - 1)
        for fine, coarse in ((values.own, coarse_values.own), (values.sfepy, coarse_values.sfepy))
    )
    message = (
        f"{label}: another shell element differs by {100 * difference:+.0f} % on the same mesh "
        f"({values.sfepy[label]:.4g} against {values.own[label]:.4g}, small deflections)"
    )
    changes = f"on a mesh twice as coarse ours changes by {100 * own:.0f} %, the other by {100 * other:.0f} %"
    if max(own, other) < abs(difference) / 2:
        return f"{message}: distrust both; {changes}, so the mesh does not explain it"
    return f"{message}: distrust {'ours' if own > other else 'the other'}; {changes}"

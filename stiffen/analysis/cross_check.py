"""The second opinion on a layout: small-deflection values by another shell element, set against our own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.errors import SolverError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult

from .panel_model import PanelModel, build_panel_model
from .supports import in_plane_assumptions

WARNING_DIFFERENCE = 0.05  # of our value: more between two elements is a warning


@dataclass(frozen=True, eq=False)
class SmallDeflectionValues:
    """Small-deflection values on one mesh: ours and sfepy's, each by the demand's label."""

    own: dict[str, float]
    sfepy: dict[str, float]


def _both_elements(model: PanelModel, demands: tuple[DemandResult, ...]) -> SmallDeflectionValues:
    """Deflections, pushes and the first frequency by both elements; raises SolverError."""
    from . import sfepy_shell  # sfepy loads only when it is asked

    shell, fixed, runs = model.linear_model.shell, model.linear_model.fixed, model.restraints.support_edges
    sheet = shell.nodes, shell.triangles, model.layout.gauge, shell.E, shell.nu
    added = (
        sum(model.linear_model.added_stiffness[1:], model.linear_model.added_stiffness[0])
        if model.linear_model.added_stiffness
        else None
    )
    K = sfepy_shell.sheet_stiffness(*sheet)
    pushes = {d.label: model.linear_solution(d.case)[0] for d in demands if d.kind == "deflection"}
    pushes |= {d.label: model.push_forces(d.at, d.force) for d in demands if d.kind == "softness" and d.at is not None}
    ours: dict[str, float] = {}
    theirs: dict[str, float] = {}
    if pushes:
        forces = np.stack(list(pushes.values()), axis=1)
        mine = model.normal_displacement(model.linear_model.solve(forces))
        other = model.normal_displacement(sfepy_shell.deflections(*sheet, fixed, forces, added, runs, K))
        for k, label in enumerate(pushes):
            at = int(np.abs(mine[:, k]).argmax())
            ours[label], theirs[label] = abs(float(mine[at, k])), abs(float(other[at, k]))
    for label in (d.label for d in demands if d.kind == "frequency"):
        ours[label] = model.first_frequency
        theirs[label] = float(
            sfepy_shell.frequencies(*sheet, shell.rho, fixed, 1, added, model.linear_model.lumped_masses, runs, K)[0]
        )
    return SmallDeflectionValues(ours, theirs)


def cross_check(
    panel: Panel, layout: Layout, demands: tuple[DemandResult, ...]
) -> tuple[dict[str, dict[str, float]], tuple[str, ...]]:
    """Small-deflection values by sfepy's shell element on the quick mesh and how far they lie from ours; warnings.

    Where they lie more than APART from ours, both elements are asked again on a mesh twice as coarse: the one whose
    value moves more with the mesh is the one to distrust, or both where the mesh does not explain the gap.
    """

    def asked(size: float | None) -> SmallDeflectionValues:
        mesh = mesh_panel(panel, layout, mesh_level="quick", size=size)
        return _both_elements(build_panel_model(panel, layout, mesh, in_plane_assumptions(panel)[-1]), demands)

    try:
        here = asked(None)
        apart = {label: here.sfepy[label] / ours - 1 for label, ours in here.own.items()}
        far = [label for label, difference in apart.items() if abs(difference) > WARNING_DIFFERENCE]
        coarse = asked(2 * background_side(panel.region.area, "quick")) if far else None
    except SolverError as error:
        return {}, (f"no second opinion: {error}",)
    values = {label: {"value": here.sfepy[label], "difference": apart[label]} for label in apart}
    return values, tuple(_explain_difference(label, here, coarse, apart[label]) for label in far)


def _explain_difference(
    label: str, values: SmallDeflectionValues, coarse_values: SmallDeflectionValues, difference: float
) -> str:
    """Which of two values that lie apart to distrust."""
    ours, theirs = (
        abs(a[label] / b[label] - 1) for a, b in ((values.own, coarse_values.own), (values.sfepy, coarse_values.sfepy))
    )
    told = f"{label}: another shell element lies {100 * difference:+.0f} % from ours on the same mesh"
    pair = f"{values.sfepy[label]:.4g} against {values.own[label]:.4g}, small deflections"
    moved = f"on a mesh twice as coarse ours moves {100 * ours:.0f} %, the other {100 * theirs:.0f} %"
    if max(ours, theirs) < abs(difference) / 2:
        return f"{told} ({pair}): distrust both; {moved}, so it is not the mesh"
    return f"{told} ({pair}): distrust {'ours' if ours > theirs else 'the other'}; {moved}"

"""The second opinion on a layout: small-deflection values by another shell element, set against our own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.errors import SolverError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import side_of
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult

from .panel_model import Stand, stand
from .supports import assumptions

APART = 0.05  # of our value: more between two elements is a warning


@dataclass(frozen=True, eq=False)
class Opinion:
    """Small-deflection values on one mesh: ours and sfepy's, each by the demand's label."""

    ours: dict[str, float]
    theirs: dict[str, float]


def _asked(on: Stand, demands: tuple[DemandResult, ...]) -> Opinion:
    """Deflections, pushes and the first frequency by both elements; raises SolverError."""
    from . import sfepy_shell  # sfepy loads only when it is asked

    shell, fixed, runs = on.held.shell, on.held.fixed, on.grip.runs
    sheet = shell.nodes, shell.triangles, on.layout.gauge, shell.E, shell.nu
    added = sum(on.held.added[1:], on.held.added[0]) if on.held.added else None
    K = sfepy_shell.sheet_stiffness(*sheet)
    pushes = {d.label: on.case(d.case)[0] for d in demands if d.kind == "deflection"}
    pushes |= {d.label: on.push(d.at, d.force) for d in demands if d.kind == "softness" and d.at is not None}
    ours: dict[str, float] = {}
    theirs: dict[str, float] = {}
    if pushes:
        forces = np.stack(list(pushes.values()), axis=1)
        mine = on.square_to_sheet(on.held.solve(forces))
        other = on.square_to_sheet(sfepy_shell.deflections(*sheet, fixed, forces, added, runs, K))
        for k, label in enumerate(pushes):
            at = int(np.abs(mine[:, k]).argmax())
            ours[label], theirs[label] = abs(float(mine[at, k])), abs(float(other[at, k]))
    for label in (d.label for d in demands if d.kind == "frequency"):
        ours[label] = on.hertz
        theirs[label] = float(sfepy_shell.frequencies(*sheet, shell.rho, fixed, 1, added, on.held.masses, runs, K)[0])
    return Opinion(ours, theirs)


def doubted(
    panel: Panel, layout: Layout, demands: tuple[DemandResult, ...]
) -> tuple[dict[str, dict[str, float]], tuple[str, ...]]:
    """Small-deflection values by sfepy's shell element on the quick mesh and how far they lie from ours; warnings.

    Where they lie more than APART from ours, both elements are asked again on a mesh twice as coarse: the one whose
    value moves more with the mesh is the one to distrust, or both where the mesh does not explain the gap.
    """

    def asked(size: float | None) -> Opinion:
        mesh = mesh_panel(panel, layout, grade="quick", size=size)
        return _asked(stand(panel, layout, mesh, assumptions(panel)[-1]), demands)

    try:
        here = asked(None)
        apart = {label: here.theirs[label] / ours - 1 for label, ours in here.ours.items()}
        far = [label for label, difference in apart.items() if abs(difference) > APART]
        coarse = asked(2 * side_of(panel.region.area, "quick")) if far else None
    except SolverError as error:
        return {}, (f"no second opinion: {error}",)
    values = {label: {"value": here.theirs[label], "difference": apart[label]} for label in apart}
    return values, tuple(_distrust(label, here, coarse, apart[label]) for label in far)


def _distrust(label: str, here: Opinion, coarse: Opinion, apart: float) -> str:
    """Which of two values that lie apart to distrust."""
    ours, theirs = (abs(a[label] / b[label] - 1) for a, b in ((here.ours, coarse.ours), (here.theirs, coarse.theirs)))
    told = f"{label}: another shell element lies {100 * apart:+.0f} % from ours on the same mesh"
    pair = f"{here.theirs[label]:.4g} against {here.ours[label]:.4g}, small deflections"
    moved = f"on a mesh twice as coarse ours moves {100 * ours:.0f} %, the other {100 * theirs:.0f} %"
    if max(ours, theirs) < abs(apart) / 2:
        return f"{told} ({pair}): distrust both; {moved}, so it is not the mesh"
    return f"{told} ({pair}): distrust {'ours' if ours > theirs else 'the other'}; {moved}"

"""Evaluation of a layout: its demands by the shell model on its true geometry, and the Verdict.

Each demand's value v comes from the mesh asked for and is compared with v_2 on a mesh twice as coarse.  For a quantity
that converges with the square of the element size the exact value is near v + (v - v_2)/3 (Richardson extrapolation).
A demand is met only if both v and that estimate meet it.

The second mesh is coarser, not finer.  It adds a quarter to the time, where a finer one would cost four times as much,
and the value reported is the one of the finer mesh.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stiffen.errors import InputError, SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import (
    NOT_DECIDED,
    DemandResult,
    FastenerLoad,
    LoadDeflectionCurve,
    ResultFields,
    Verdict,
)

from .cross_check import cross_check
from .demand_values import DemandValue, demand_value, require_known_demands
from .panel_model import PanelModel, build_panel_model
from .supports import in_plane_assumptions

Progress = Callable[[float | None, str], None]
Values = dict[str, list[DemandValue]]  # in-plane assumption -> value of each demand, on one mesh
YIELDED_AREA_LIMIT = (
    0.005  # share of the sheet above yield beyond which it is no longer local, as at rivets and corners
)


@dataclass(frozen=True, eq=False)
class Elsewhere:
    """Demands that another process evaluates.  values: waits for their `values_by_mesh`."""

    numbers: tuple[int, ...]
    values: Callable[[], list[Values]]


def no_progress(fraction: float | None, message: str) -> None:
    """Progress callback that does nothing."""


@dataclass(frozen=True, eq=False)
class Evaluation:
    """An evaluated layout: the verdict, and its panel models by the assumption on the in-plane restraint."""

    panel: Panel
    verdict: Verdict
    models: dict[str, PanelModel]

    @one_thread
    def full_verdict(self, *, fields: bool = False, second_opinion: bool = False) -> Verdict:
        """The verdict with fastener loads, yield warnings and, if wanted, fields and cross-check; see `check`."""
        start = time.perf_counter()
        panel, verdict = self.panel, self.verdict
        compared, differences = cross_check(panel, verdict.layout, verdict.demands) if second_opinion else (None, ())
        governing = self.models[_governing_assumption(verdict.demands, tuple(self.models))]
        return replace(
            verdict,
            warnings=(*verdict.warnings, *_yield_warnings(panel, self.models), *differences),
            fastener_loads=_governing_fasteners(panel, self.models),
            second_opinion=compared,
            fields=_result_fields(governing) if fields else None,
            seconds=verdict.seconds + time.perf_counter() - start,
        )


def check(
    panel: Panel,
    layout: Layout | None = None,
    *,
    mesh_level: str = "normal",
    fields: bool = False,
    mesh_error: bool = True,
    second_opinion: bool = False,
    progress: Progress = no_progress,
) -> Verdict:
    """Evaluate the panel's demands for `layout` (default: the panel's own beads on its thinnest sheet).

    mesh_level: quick, normal or fine.  fields: keep the fields for pictures.  mesh_error: estimate the mesh error by a
    mesh twice as coarse.  second_opinion: compare with another shell element.  Raises InputError for a record that the
    analysis does not know and for a panel that is not held, MeshError if the layout cannot be meshed, SolverError.
    """
    found = evaluate(panel, layout or panel.layout(), mesh_level=mesh_level, mesh_error=mesh_error, progress=progress)
    return found.full_verdict(fields=fields, second_opinion=second_opinion)


@one_thread
def evaluate(
    panel: Panel,
    layout: Layout,
    *,
    mesh_level: str = "normal",
    mesh_error: bool = True,
    elsewhere: Elsewhere | None = None,
    progress: Progress = no_progress,
) -> Evaluation:
    """Evaluate a layout; options and errors as for `check`.

    elsewhere: demands that another process evaluates at the same time.
    """
    start = time.perf_counter()
    numbers = tuple(i for i in range(len(panel.demands)) if elsewhere is None or i not in elsewhere.numbers)
    by_mesh, models = values_by_mesh(panel, layout, numbers, mesh_level, mesh_error, progress)
    if elsewhere is not None:
        order = np.argsort((*numbers, *elsewhere.numbers))
        by_mesh = [
            {assumed: [(*own[assumed], *others[assumed])[i] for i in order] for assumed in own}
            for own, others in zip(by_mesh, elsewhere.values(), strict=True)
        ]
    nodes = len(next(iter(models.values())).mesh.nodes)
    return Evaluation(panel, verdict_of_values(panel, layout, by_mesh, nodes, time.perf_counter() - start), models)


@one_thread
def values_by_mesh(
    panel: Panel,
    layout: Layout,
    numbers: Sequence[int],
    mesh_level: str = "normal",
    mesh_error: bool = True,
    progress: Progress = no_progress,
) -> tuple[list[Values], dict[str, PanelModel]]:
    """Values of the demands of these numbers on the mesh asked for, then on a coarser one; models of the first.

    Without `mesh_error` on the first mesh only.  Errors as for `check`.
    """
    require_known_demands(panel)
    demands, assumptions = [panel.demands[i] for i in numbers], in_plane_assumptions(panel)

    def models_of_size(size: float | None, coarser: Mapping[str, PanelModel]) -> dict[str, PanelModel]:
        mesh = mesh_panel(panel, layout, mesh_level=mesh_level, size=size)
        models = {assumed: build_panel_model(panel, layout, mesh, assumed) for assumed in assumptions}
        return {name: replace(one, coarser=coarser[name]) if coarser else one for name, one in models.items()}

    needs_coarse = mesh_error or mesh_level != "quick"
    coarse = models_of_size(2 * background_side(panel.region.area, mesh_level), {}) if needs_coarse else {}
    fine = models_of_size(None, coarse)
    by_mesh: list[Values] = []
    for models in (fine, coarse) if mesh_error else (fine,):
        found: Values = {}
        for assumed, model in models.items():
            progress(None, f"computing with edges {assumed} along the sheet")
            finer = by_mesh[0][assumed] if by_mesh else [None] * len(demands)
            found[assumed] = [demand_value(model, demand, value) for demand, value in zip(demands, finer, strict=True)]
        by_mesh.append(found)
    return by_mesh, fine


def verdict_of_values(panel: Panel, layout: Layout, by_mesh: list[Values], nodes: int, seconds: float) -> Verdict:
    """The verdict from the values on one mesh of so many nodes, or on that and a coarser one."""
    demands = tuple(_demand_result(i, panel, by_mesh) for i in range(len(panel.demands)))
    errors = [d.mesh_error for d in demands if d.mesh_error is not None]
    return Verdict(
        panel=panel.name,
        layout=layout,
        mass_kg=panel.mass(layout),
        blank_mass_kg=panel.mass(replace(layout, holes=())),
        demands=demands,
        nodes=nodes,
        mesh_error=max(errors) if errors else None,
        warnings=_warnings(panel, demands, by_mesh[0]),
        seconds=seconds,
    )


def _demand_result(i: int, panel: Panel, by_mesh: list[Values]) -> DemandResult:
    """Result of demand i: the worst value over the in-plane assumptions, with its mesh error if two meshes are given.

    A value that is not decided counts as the worst.
    """
    demand = panel.demands[i]
    found = {assumed: values[i] for assumed, values in by_mesh[0].items()}
    assumed = min(found, key=lambda name: (found[name].decided_by != NOT_DECIDED, demand.margin(found[name].value)))
    worst = found[assumed]
    error, extrapolated = None, worst.value
    if len(by_mesh) == 2 and worst.decided_by != NOT_DECIDED and math.isfinite(worst.value) and worst.value:
        coarse = by_mesh[1][assumed][i]
        if math.isfinite(coarse.value) and coarse.decided_by == worst.decided_by:
            correction = (worst.value - coarse.value) / 3  # Richardson, see the module's docstring
            error, extrapolated = abs(correction / worst.value), worst.value + correction
    met = worst.decided_by != NOT_DECIDED and min(demand.margin(worst.value), demand.margin(extrapolated)) >= 0
    return DemandResult(
        kind=demand.kind,
        label=demand.label,
        unit=demand.unit,
        limit=demand.limit,
        value=worst.value,
        margin=demand.margin(worst.value),
        met=met,
        case=demand.case,
        force=demand.force,
        decided_by=worst.decided_by,
        deflection_over_thickness=max(one.deflection_over_thickness for one in found.values()),
        mesh_error=error,
        in_plane=assumed,
        by_in_plane_restraint={name: one.value for name, one in found.items()},
        at=worst.at,
        snap_through_factor=worst.snap_through_factor,
        value_in_vacuum=worst.value_in_vacuum,
        decided_ratio=worst.decided_ratio,
    )


def _governing_assumption(demands: tuple[DemandResult, ...], assumptions: tuple[str, ...]) -> str:
    """The in-plane assumption of the demand with the least margin; the first one without demands."""
    worst = min(demands, key=lambda demand: demand.margin, default=None)
    return worst.in_plane if worst else assumptions[0]


def _warnings(panel: Panel, demands: tuple[DemandResult, ...], found: Values) -> tuple[str, ...]:
    """Warnings: undecided demands, snap-through below the full load, misses by mesh error, a panel without demands."""
    out = []
    for i, d in enumerate(demands):
        failure = found[d.in_plane][i].failure
        if failure:
            out.append(f"{d.label}: not decided: {failure}")
        if d.snap_through_factor is not None and d.kind == "deflection" and d.snap_through_factor <= 1:
            percent = 100 * d.snap_through_factor
            out.append(f"{d.label}: the sheet snaps through (oil-cans) at {percent:.0f} % of the load")
        if d.mesh_error is not None and d.missed_by_mesh_error:
            error, margin = 100 * d.mesh_error, 100 * d.margin
            out.append(f"{d.label}: missed, as the mesh error ({error:.1f} %) exceeds the margin ({margin:.1f} %)")
    if not panel.demands:
        out.append("nothing asked: the panel file has no demand, so nothing was evaluated")
    return tuple(out)


def _yield_warnings(panel: Panel, models: dict[str, PanelModel]) -> list[str]:
    """A warning for each case in which more than YIELDED_AREA_LIMIT of the sheet exceeds its yield strength."""
    out = []
    for case in panel.cases:
        worst = (0.0, 0.0)
        for model in models.values():
            try:
                stress = model.stress(case)
            except (InputError, SolverError):
                continue  # not held in this case, which no demand names, or no equilibrium
            area = model.linear_model.shell.geometry.area
            yielded = stress > panel.material.yield_strength
            worst = max(worst, (float(area[yielded].sum() / area.sum()), float(stress.max())))
        if worst[0] > YIELDED_AREA_LIMIT:
            times = worst[1] / panel.material.yield_strength
            out.append(
                f"case {case}: {100 * worst[0]:.1f} % of the sheet exceeds its yield strength (up to {times:.1f} "
                "times); the model is elastic, so the real sheet deflects more and stays bent"
            )
    return out


def _governing_fasteners(panel: Panel, models: dict[str, PanelModel]) -> tuple[FastenerLoad, ...]:
    """For each case and support the rivet or bolt with the largest load, over the in-plane assumptions."""
    out = []
    for case in panel.cases:
        worst: dict[int, FastenerLoad] = {}
        for assumed, model in models.items():
            try:
                loads = model.fastener_loads(case)
            except (InputError, SolverError):
                continue  # not held in this case, which no demand names, or no equilibrium
            for number, support in enumerate(panel.supports):
                for centre in support.fasteners():
                    one = FastenerLoad(case, centre, *loads[centre], assumed)
                    before = worst.get(number, one)
                    if math.hypot(one.shear, one.pull) >= math.hypot(before.shear, before.pull):
                        worst[number] = one
        out += [worst[number] for number in sorted(worst)]
    return tuple(out)


def _result_fields(model: PanelModel) -> ResultFields:
    """Fields for pictures; cases without a solution are left out."""
    hertz, shapes = model.modes_in_air
    modes = tuple((float(f), w / np.abs(w).max()) for f, w in zip(hertz, shapes.T, strict=True))
    deflection, stress, curves = {}, {}, {}
    for case in model.panel.cases:
        try:
            deflection[case], stress[case] = model.deflection(case), model.stress(case)
            if model.uses_large_deflection(case):
                curves[case] = LoadDeflectionCurve(*model.load_deflection_curve(case))
        except (InputError, SolverError):
            continue  # as in _yield_warnings: there is no field to draw
    return ResultFields(
        plan_nodes=model.mesh.plan,
        triangles=model.mesh.triangles,
        heights=model.mesh.nodes[:, 2],
        deflection=deflection,
        softness=model.softness,
        modes=modes,
        stress=stress,
        curves=curves,
    )

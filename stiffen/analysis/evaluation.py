"""Demands to a Verdict: a layout judged by the shell on its true geometry.

Each demand's value v comes from the mesh asked for and is set against v_2 on a mesh twice as coarse: for a quantity
that converges with the square of the element size the exact value is near v + (v - v_2)/3 (Richardson).  A demand is
met only if both v and that estimate meet it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from stiffen.errors import SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Panel, Point
from stiffen.model.results import (
    LINEAR,
    NONLINEAR,
    NOT_DECIDED,
    DemandResult,
    FastenerLoad,
    FlatSheetBaseline,
    LoadDeflectionCurve,
    ResultFields,
    Verdict,
)

from .cross_check import cross_check
from .panel_model import LINEAR_LIMIT, PanelModel, build_panel_model
from .supports import FREE, in_plane_assumptions

Progress = Callable[[float | None, str], None]
MODE_COUNT = 3
LARGE_DEFLECTION_RATIO = (
    2.0  # linear deflection over thickness beyond which a scout of small deflections has nothing to say
)
QUICK_MISS_LIMIT = 1.05  # a badness on the quick mesh that a finer one will not mend
NO_QUICK_RESULTS: Mapping[float, float] = {}
YIELDED_AREA_LIMIT = 0.005  # share of the sheet past yield that counts as more than the spots at rivets and corners
PUSHED_SOFT_POINTS = 3  # soft places pushed by the large-deflection solver where the push leaves linear theory


def no_progress(fraction: float | None, message: str) -> None:
    """Progress that tells nobody."""


@dataclass(frozen=True, eq=False)
class _DemandValue:
    """One demand on one mesh under one assumption."""

    value: float
    deflection_over_thickness: float = 0.0  # w/t of the linear solve
    at: Point | None = None
    decided_by: str = LINEAR
    snap_through_factor: float | None = None
    failure: str = ""


def _evaluate_demand(
    model: PanelModel,
    demand: Demand,
    finer: _DemandValue | None,
    coarse_model: PanelModel | None = None,
    stop_above: float = math.inf,
) -> _DemandValue:
    """One demand; `known` is what the finer mesh said: the same place is asked on this one, or none if it is lost.

    coarse: the same on a coarser mesh, which may say where to look.  enough: a badness beyond which no worse is sought.
    """
    if finer is not None and finer.decided_by == NOT_DECIDED:
        return finer
    if demand.kind == "frequency":
        return _DemandValue(model.first_frequency)
    if demand.kind == "softness":
        return _softness(model, demand, finer, coarse_model, stop_above)
    ratio = model.deflection_over_thickness(demand.case)
    try:
        if demand.kind == "deflection":
            return _deflection(model, demand.case, ratio)
        if demand.kind == "stress":
            return _stress(model, demand.case, ratio)
        return _buckling(model, demand, ratio)
    except SolverError as error:
        linear = ratio * model.layout.gauge
        value = linear if demand.kind == "deflection" else math.nan
        return _DemandValue(value, ratio, None, NOT_DECIDED, None, str(error))


def _deflection(model: PanelModel, case: str, ratio: float) -> _DemandValue:
    w = np.abs(model.deflection(case))
    x, y = map(float, model.mesh.plan[w.argmax()])
    if not model.uses_large_deflection(case):
        return _DemandValue(float(w.max()), ratio, (x, y))
    return _DemandValue(float(w.max()), ratio, (x, y), NONLINEAR, model.equilibrium_path(case).limit_factor)


def _stress(model: PanelModel, case: str, ratio: float) -> _DemandValue:
    stress = model.stress(case)
    worst = int(stress.argmax())
    x, y = map(float, model.mesh.plan[model.mesh.triangles[worst]].mean(axis=0))
    value = model.panel.material.yield_strength / max(float(stress[worst]), 1e-12)
    return _DemandValue(value, ratio, (x, y), NONLINEAR if model.uses_large_deflection(case) else LINEAR)


def _buckling(model: PanelModel, demand: Demand, ratio: float) -> _DemandValue:
    """The linear factor; where the case itself bends the sheet far, the load factor at which it snaps through."""
    if not model.uses_large_deflection(demand.case):
        factors, _ = model.linear_model.buckling(model.linear_solution(demand.case)[1])
        return _DemandValue(float(factors[0]) if len(factors) else math.inf, ratio)
    result = model.equilibrium_path(demand.case, demand.limit)
    snaps = result.limit_factor if result.limit_factor is not None else (math.nan if not result.stable else None)
    if snaps is not None and math.isnan(snaps):
        return _DemandValue(math.nan, ratio, None, NOT_DECIDED, None, result.message)
    return _DemandValue(demand.limit if snaps is None else snaps, ratio, None, NONLINEAR, snaps)


def _softness(
    model: PanelModel, demand: Demand, finer: _DemandValue | None, coarse_model: PanelModel | None, stop_above: float
) -> _DemandValue:
    """A push at the softest place, by the large-deflection solver.

    Where the push leaves linear theory, several of the places that this finds soft are pushed; on the coarser mesh,
    where there is one, to learn which of them gives most.
    """
    t = model.layout.gauge
    if finer is not None:
        ratio = model.softness_at(finer.at) * demand.force / t
        places = [finer.at]
    else:
        order = np.argsort(-model.softness[:, 2], kind="stable")
        ratio = _linear_deflection_ratio(model, demand)
        places = _spaced_points(model.softness[order, :2], math.sqrt(model.panel.region.area) / 6)
        places = places[: PUSHED_SOFT_POINTS if ratio > LINEAR_LIMIT else 1]
    try:
        if coarse_model is not None and len(places) > 1:
            places = [max(places, key=lambda place: coarse_model.push_deflection(place, demand.force))]
        values = []
        for place in places:
            values.append(model.push_deflection(place, demand.force))
            if demand.utilisation(values[-1]) > stop_above:
                break
    except SolverError as error:
        return _DemandValue(ratio * t, ratio, places[0], NOT_DECIDED, None, str(error))
    worst = int(np.argmax(values))
    return _DemandValue(values[worst], ratio, places[worst], NONLINEAR)


def _spaced_points(points: np.ndarray, gap: float) -> list[Point]:
    """Points in order, those left out that lie within `gap` mm of one before."""
    out: list[Point] = []
    for x, y in points:
        if all(math.hypot(x - a, y - b) > gap for a, b in out):
            out.append((float(x), float(y)))
    return out


def meshed_model(panel: Panel, layout: Layout, mesh_level: str = "normal", assumed: str = FREE) -> PanelModel:
    """A layout meshed and held, to be asked for fields and curves one by one."""
    return build_panel_model(panel, layout, mesh_panel(panel, layout, mesh_level=mesh_level), assumed)


@dataclass(frozen=True, eq=False)
class Evaluation:
    """A layout judged: the verdict, and the stands it comes from, one for each assumption on the in-plane hold."""

    panel: Panel
    verdict: Verdict
    models: dict[str, PanelModel]

    @one_thread
    def full_verdict(self, *, fields: bool = False, second_opinion: bool = False) -> Verdict:
        """The verdict with what else is wanted for the record, as for `check`."""
        start = time.perf_counter()
        panel, verdict = self.panel, self.verdict
        opinion, doubts = cross_check(panel, verdict.layout, verdict.demands) if second_opinion else (None, ())
        return replace(
            verdict,
            warnings=(*verdict.warnings, *_yield_warnings(panel, self.models), *doubts),
            fastener_loads=_governing_fasteners(panel, self.models),
            second_opinion=opinion,
            fields=_result_fields(self.models[_governing_assumption(verdict.demands, tuple(self.models))])
            if fields
            else None,
            seconds=verdict.seconds + time.perf_counter() - start,
        )


@one_thread
def evaluate(
    panel: Panel,
    layout: Layout,
    *,
    mesh_level: str = "normal",
    mesh_error: bool = True,
    abandon_above: float = math.inf,
    progress: Progress = no_progress,
) -> Evaluation:
    """Judge a layout against the panel's demands; options and errors as for `check`.

    give_up: a badness on the mesh twice as coarse above which the verdict is that mesh's, without `mesh_error`.
    """
    start = time.perf_counter()
    ends = in_plane_assumptions(panel)

    def stands(size: float | None) -> dict[str, PanelModel]:
        mesh = mesh_panel(panel, layout, mesh_level=mesh_level, size=size)
        return {assumed: build_panel_model(panel, layout, mesh, assumed) for assumed in ends}

    def told(by_mesh: list[dict[str, list[_DemandValue]]], on: dict[str, PanelModel]) -> Evaluation:
        return Evaluation(panel, _verdict(panel, layout, by_mesh, on, time.perf_counter() - start), on)

    coarse = stands(2 * background_side(panel.region.area, mesh_level)) if mesh_error or mesh_level != "quick" else {}
    if coarse and abandon_above < math.inf:
        first = {
            assumed: [_evaluate_demand(on, demand, None) for demand in panel.demands] for assumed, on in coarse.items()
        }
        if any(
            _demand_utilisation(d, f) > abandon_above
            for found in first.values()
            for d, f in zip(panel.demands, found, strict=True)
        ):
            return told([first], coarse)
    fine = stands(None)
    by_mesh: list[dict[str, list[_DemandValue]]] = []
    for here, other in ((fine, coarse), (coarse, {})) if mesh_error else ((fine, coarse),):
        found = {}
        for assumed, on in here.items():
            progress(None, f"solving on {len(on.mesh.nodes)} nodes, edges {assumed} in plane")
            known = by_mesh[0][assumed] if by_mesh else [None] * len(panel.demands)
            beside = other.get(assumed)
            found[assumed] = [_evaluate_demand(on, d, k, beside) for d, k in zip(panel.demands, known, strict=True)]
        by_mesh.append(found)
    return told(by_mesh, fine)


def _verdict(
    panel: Panel,
    layout: Layout,
    by_mesh: list[dict[str, list[_DemandValue]]],
    models: dict[str, PanelModel],
    seconds: float,
) -> Verdict:
    """What was found on one mesh, or on that and a coarser one, as a verdict."""
    demands = tuple(_demand_result(i, panel, by_mesh) for i in range(len(panel.demands)))
    errors = [d.mesh_error for d in demands if d.mesh_error is not None]
    return Verdict(
        panel=panel.name,
        layout=layout,
        mass_kg=panel.mass(layout),
        blank_mass_kg=panel.mass(replace(layout, holes=())),
        demands=demands,
        nodes=len(next(iter(models.values())).mesh.nodes),
        mesh_error=max(errors) if errors else None,
        warnings=_warnings(panel, demands, by_mesh[0]),
        seconds=seconds,
    )


def _demand_utilisation(demand: Demand, found: _DemandValue) -> float:
    """Badness of what was found; what is not decided is as bad as can be."""
    return math.inf if found.decided_by == NOT_DECIDED else demand.utilisation(found.value)


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
    """Judge `layout` (default: the panel's own beads on its thinnest sheet) against the panel's demands.

    grade: quick, normal or fine mesh.  maps: keep the fields for pictures.  error: estimate the mesh error by a mesh
    twice as coarse.  second_opinion: ask another shell element too.  Raises MeshError where the layout cannot be
    meshed, SolverError where it is not held.
    """
    found = evaluate(panel, layout or panel.layout(), mesh_level=mesh_level, mesh_error=mesh_error, progress=progress)
    return found.full_verdict(fields=fields, second_opinion=second_opinion)


def _governing_assumption(demands: tuple[DemandResult, ...], assumptions: tuple[str, ...]) -> str:
    worst = min(demands, key=lambda demand: demand.margin, default=None)
    return worst.in_plane if worst else assumptions[0]


def _demand_result(i: int, panel: Panel, by_mesh: list[dict[str, list[_DemandValue]]]) -> DemandResult:
    demand = panel.demands[i]
    found = {assumed: values[i] for assumed, values in by_mesh[0].items()}
    assumed = min(found, key=lambda end: (found[end].decided_by != NOT_DECIDED, demand.margin(found[end].value)))
    worst = found[assumed]
    error, believed = None, worst.value
    if len(by_mesh) == 2 and worst.decided_by != NOT_DECIDED and math.isfinite(worst.value) and worst.value:
        coarse = by_mesh[1][assumed][i]
        if math.isfinite(coarse.value) and coarse.decided_by == worst.decided_by:
            step = (worst.value - coarse.value) / 3
            error, believed = abs(step / worst.value), worst.value + step
    met = worst.decided_by != NOT_DECIDED and min(demand.margin(worst.value), demand.margin(believed)) >= 0
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
        by_in_plane_restraint={end: one.value for end, one in found.items()},
        at=worst.at,
        snap_through_factor=worst.snap_through_factor,
    )


def _warnings(panel: Panel, demands: tuple[DemandResult, ...], found: dict[str, list[_DemandValue]]) -> tuple[str, ...]:
    out = []
    for i, d in enumerate(demands):
        trouble = found[d.in_plane][i].failure
        if trouble:
            out.append(f"{d.label}: not decided: {trouble}")
        if d.snap_through_factor is not None and d.kind == "deflection" and d.snap_through_factor <= 1:
            out.append(
                f"{d.label}: the sheet snaps through (oil-cans) at {100 * d.snap_through_factor:.0f} % of the load"
            )
        if d.mesh_error is not None and not d.met and d.margin >= 0 and d.decided_by != NOT_DECIDED:
            out.append(
                f"{d.label}: the mesh error ({100 * d.mesh_error:.1f} %) eats the margin ({100 * d.margin:.1f} %)"
            )
    if not panel.demands:
        out.append("the panel file makes no demand: nothing was judged")
    return tuple(out)


def _yield_warnings(panel: Panel, models: dict[str, PanelModel]) -> list[str]:
    """Cases that take more than a spot of the sheet past its yield strength, where elastic numbers no longer hold."""
    out = []
    for case in panel.cases:
        worst = (0.0, 0.0)
        for on in models.values():
            try:
                stress = on.stress(case)
            except SolverError:
                continue
            area = on.linear_model.shell.geometry.area
            past = stress > panel.material.yield_strength
            worst = max(worst, (float(area[past].sum() / area.sum()), float(stress.max())))
        if worst[0] > YIELDED_AREA_LIMIT:
            times = worst[1] / panel.material.yield_strength
            out.append(
                f"case {case}: {100 * worst[0]:.1f} % of the sheet passes its yield strength (to {times:.1f} times); "
                "it is computed as elastic, so it will give more than said, and stay bent"
            )
    return out


def _governing_fasteners(panel: Panel, models: dict[str, PanelModel]) -> tuple[FastenerLoad, ...]:
    """For each case the rivet or bolt of each support that carries most, over the assumptions on in-plane hold."""
    out = []
    for case in panel.cases:
        worst: dict[int, FastenerLoad] = {}
        for assumed, on in models.items():
            try:
                loads = on.fastener_loads(case)
            except SolverError:
                continue
            for number, support in enumerate(panel.supports):
                for centre in support.fasteners():
                    one = FastenerLoad(case, centre, *loads[centre], assumed)
                    before = worst.get(number, one)
                    if math.hypot(one.shear, one.pull) >= math.hypot(before.shear, before.pull):
                        worst[number] = one
        out += [worst[number] for number in sorted(worst)]
    return tuple(out)


def _result_fields(model: PanelModel) -> ResultFields:
    hertz, shapes = model.linear_model.modes(MODE_COUNT)
    swings = model.normal_displacement(shapes).T
    modes = tuple((float(f), s / np.abs(s).max()) for f, s in zip(hertz, swings, strict=True))
    deflection, stress, curves = {}, {}, {}
    for case in model.panel.cases:
        try:
            deflection[case], stress[case] = model.deflection(case), model.stress(case)
            if model.uses_large_deflection(case):
                curves[case] = LoadDeflectionCurve(*model.load_deflection_curve(case))
        except SolverError:
            continue  # the verdict's warnings say so; there is no field to draw
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


@one_thread
def quick_utilisation(panel: Panel, layout: Layout, stop_above: float = math.inf) -> float:
    """Worst badness of a layout on the quick mesh; cheap demands first, given up as soon as it exceeds `stop_above`."""
    return _largest_utilisation(panel, _quick_models(panel, layout), stop_above)


@one_thread
def screen(panel: Panel, layout: Layout, stop_above: float = math.inf) -> tuple[float, tuple[int, ...]]:
    """`quick_utilisation`, and the numbers of the demands whose loads bend the sheet far beyond small deflections.

    The second is by linear theory: deflection over thickness above HEAVY.
    """
    stands = _quick_models(panel, layout)
    heavy = [
        i
        for i, demand in enumerate(panel.demands)
        if any(_linear_deflection_ratio(on, demand) > LARGE_DEFLECTION_RATIO for on in stands)
    ]
    return _largest_utilisation(panel, stands, stop_above), tuple(heavy)


def _quick_models(panel: Panel, layout: Layout) -> list[PanelModel]:
    mesh = mesh_panel(panel, layout, mesh_level="quick")
    return [build_panel_model(panel, layout, mesh, assumed) for assumed in in_plane_assumptions(panel)]


def _largest_utilisation(panel: Panel, models: list[PanelModel], stop_above: float) -> float:
    cheap = ("frequency", "buckling", "softness", "stress", "deflection")
    worst = 0.0
    for demand in sorted(panel.demands, key=lambda d: cheap.index(d.kind)):
        for on in models:
            found = _evaluate_demand(on, demand, None, stop_above=stop_above)
            worst = max(worst, _demand_utilisation(demand, found))
            if worst > stop_above:
                return worst
    return worst


def _linear_deflection_ratio(model: PanelModel, demand: Demand) -> float:
    """Largest deflection over thickness in a demand, by linear theory."""
    if demand.kind == "frequency":
        return 0.0
    if demand.kind == "softness":
        return float(model.softness[:, 2].max()) * demand.force / model.layout.gauge
    return model.deflection_over_thickness(demand.case)


@one_thread
def flat_baseline(
    panel: Panel,
    *,
    mesh_level: str = "normal",
    quick_results: Mapping[float, float] = NO_QUICK_RESULTS,
    progress: Progress = no_progress,
) -> FlatSheetBaseline:
    """The thinnest flat sheet of the rack, without bead or hole, that meets the same demands under the same judge.

    The quick mesh, with its error, says met where it can; what it misses by little is asked of the mesh of `mesh_level`.
    known: badness on the quick mesh of gauges that were looked at before; those that miss by far are passed over.
    """
    gauges = sorted(panel.gauges)
    cheap = replace(panel, demands=tuple(demand for demand in panel.demands if demand.kind == "frequency"))
    for count, gauge in enumerate(gauges, start=1):
        progress(None, f"flat sheet of {gauge:g} mm")
        if (
            quick_results.get(gauge, 0.0) > QUICK_MISS_LIMIT
            or quick_utilisation(cheap, Layout(gauge), stop_above=QUICK_MISS_LIMIT) > QUICK_MISS_LIMIT
        ):
            continue
        verdict = check(panel, Layout(gauge), mesh_level="quick")
        if not verdict.met and mesh_level != "quick" and verdict.utilisation <= QUICK_MISS_LIMIT:
            verdict = check(panel, Layout(gauge), mesh_level=mesh_level)
        if verdict.met:
            return FlatSheetBaseline(gauge, verdict.mass_kg, tuple(gauges[:count]), verdict)
    return FlatSheetBaseline(None, None, tuple(gauges))

"""The value of one demand on one panel model.

Values: deflection, softness (deflection under a push), first frequency in air, buckling factor and reserve against
yield.

Linear theory finds the softest places; the softness there is always computed by the large-deflection solver.  A push
of 10 N already bends thin flat sheet beyond small deflections, and linear theory makes beads look too stiff.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from stiffen.errors import Fault, InputError, SolverError
from stiffen.model.panel import DEMAND_KINDS, Demand, Panel, Point
from stiffen.model.results import LINEAR, NONLINEAR, NOT_DECIDED

from .panel_model import LINEAR_LIMIT, PanelModel
from .probe_points import peaks
from .refusal import unknown

CASE_DEMANDS = ("deflection", "stress", "buckling")  # kinds that name a load case


@dataclass(frozen=True, eq=False)
class DemandValue:
    """The value of one demand on one mesh under one assumption on the in-plane restraint.

    value: in the unit of the demand, NaN if none was found.  deflection_over_thickness: by linear theory.  at: place
    (mm) of the largest value.  decided_by: LINEAR, NONLINEAR or NOT_DECIDED.  snap_through_factor: load factor of the
    first limit point, None without one.  failure: why no value was decided.  value_in_vacuum: of a frequency, Hz,
    whose value is that in air; None of other demands.  decided_ratio: largest deflection over thickness by the
    solution that decides, None without one.
    """

    value: float
    deflection_over_thickness: float = 0.0
    at: Point | None = None
    decided_by: str = LINEAR
    snap_through_factor: float | None = None
    failure: str = ""
    value_in_vacuum: float | None = None
    decided_ratio: float | None = None

    def utilisation(self, demand: Demand) -> float:
        """Utilisation of the demand; infinite if the value is not decided."""
        return math.inf if self.decided_by == NOT_DECIDED else demand.utilisation(self.value)


def require_known_demands(panel: Panel) -> None:
    """Raise InputError if a demand cannot be evaluated.

    It cannot if its kind or load case is unknown, if its limit is not a positive finite number, or if a softness has
    no positive force.
    """
    for number, demand in enumerate(panel.demands, start=1):
        where = f"demand[{number}]"
        if demand.kind not in DEMAND_KINDS:
            raise unknown(f"{where}.kind", demand.kind, DEMAND_KINDS)
        if demand.kind in CASE_DEMANDS and demand.case not in panel.cases:
            raise unknown(f"{where}.case", demand.case, panel.cases)
        if not _is_positive(demand.limit):
            raise InputError([Fault(f"{where}.limit", f"is {demand.limit}", "give a positive number")])
        if demand.kind == "softness" and not _is_positive(demand.force):
            raise InputError([Fault(f"{where}.force", f"is {demand.force}", "give a positive number of newtons")])


def _is_positive(value: float | None) -> bool:
    return value is not None and 0 < value < math.inf


def demand_value(
    model: PanelModel,
    demand: Demand,
    finer: DemandValue | None = None,
    stop_above: float = math.inf,
) -> DemandValue:
    """The value of a demand on a panel model.

    finer: the value on a finer mesh.  Its place is evaluated on this mesh too, so that the two values compare; a value
    that the finer mesh did not decide is returned unchanged.  stop_above: utilisation above which no other soft place
    is pushed.

    Raises InputError for a kind of demand or a load case that is not known, SolverError if the linear solve fails.  A
    failure of the large-deflection solver gives a value with `decided_by` NOT_DECIDED.
    """
    if finer is not None and finer.decided_by == NOT_DECIDED:
        return finer
    if demand.kind == "frequency":
        return DemandValue(float(model.modes_in_air[0][0]), value_in_vacuum=model.first_frequency)
    if demand.kind == "softness":
        return _softness(model, demand, finer, stop_above)
    case = _case_of(model, demand)
    ratio = model.deflection_over_thickness(case)
    try:
        if demand.kind == "deflection":
            return _deflection(model, case, ratio)
        if demand.kind == "stress":
            return _yield_reserve(model, case, ratio)
        return _buckling(model, case, demand.limit, ratio)
    except SolverError as error:
        linear_deflection = ratio * model.layout.gauge
        value = linear_deflection if demand.kind == "deflection" else math.nan
        return DemandValue(value, ratio, None, NOT_DECIDED, None, str(error))


def linear_deflection_ratio(model: PanelModel, demand: Demand) -> float:
    """Largest deflection over thickness under the loads of a demand, by linear theory; 0 for a frequency."""
    if demand.kind == "frequency":
        return 0.0
    if demand.kind == "softness":
        return float(model.softness[:, 2].max()) * _force_of(demand) / model.layout.gauge
    return model.deflection_over_thickness(_case_of(model, demand))


def _case_of(model: PanelModel, demand: Demand) -> str:
    """The load case of a deflection, stress or buckling demand; InputError for another kind or an unknown case."""
    if demand.kind not in CASE_DEMANDS:
        raise unknown("demand.kind", demand.kind, DEMAND_KINDS)
    if demand.case is None or demand.case not in model.panel.cases:
        raise unknown("demand.case", demand.case, model.panel.cases)
    return demand.case


def _force_of(demand: Demand) -> float:
    """The push of a softness demand, N; InputError without a positive one."""
    if demand.force is None or not _is_positive(demand.force):
        raise InputError([Fault("demand.force", f"is {demand.force}", "give a positive number of newtons")])
    return demand.force


def _deflection(model: PanelModel, case: str, ratio: float) -> DemandValue:
    """Largest deflection, mm, normal to the sheet."""
    w = np.abs(model.deflection(case))
    x, y = map(float, model.mesh.plan[w.argmax()])
    own = float(w.max()) / model.layout.gauge
    if not model.uses_large_deflection(case):
        return DemandValue(float(w.max()), ratio, (x, y), decided_ratio=own)
    limit_factor = model.equilibrium_path(case).limit_factor
    return DemandValue(float(w.max()), ratio, (x, y), NONLINEAR, limit_factor, decided_ratio=own)


def _yield_reserve(model: PanelModel, case: str, ratio: float) -> DemandValue:
    """Yield strength over the largest von Mises stress."""
    stress = model.stress(case)
    worst = int(stress.argmax())
    x, y = map(float, model.mesh.plan[model.mesh.triangles[worst]].mean(axis=0))
    value = model.panel.material.yield_strength / max(float(stress[worst]), 1e-12)
    own = float(np.abs(model.deflection(case)).max()) / model.layout.gauge
    decided_by = NONLINEAR if model.uses_large_deflection(case) else LINEAR
    return DemandValue(value, ratio, (x, y), decided_by, decided_ratio=own)


def _buckling(model: PanelModel, case: str, limit: float, ratio: float) -> DemandValue:
    """The linear buckling factor; for a case of large deflection, the load factor at which the sheet snaps through.

    The linear factor is infinite if the case compresses the sheet nowhere.  If a case of large deflection does not
    snap through up to the limit, the value is the limit.
    """
    if not model.uses_large_deflection(case):
        factors, _ = model.linear_model.buckling(
            model.linear_solution(case)[1], tolerance=model.accuracy.mode_tolerance
        )
        return DemandValue(float(factors[0]) if len(factors) else math.inf, ratio, decided_ratio=ratio)
    path = model.equilibrium_path(case, limit, from_rest=True)
    at_load = path.factors >= min(1.0, path.factors.max())  # the first state that carries the load of the case
    own = float(path.max_displacements[at_load.argmax()]) / model.layout.gauge
    if path.limit_factor is not None and not math.isnan(path.limit_factor):
        return DemandValue(path.limit_factor, ratio, None, NONLINEAR, path.limit_factor, decided_ratio=own)
    if path.limit_factor is None and path.stable:
        return DemandValue(limit, ratio, None, NONLINEAR, decided_ratio=own)
    return DemandValue(math.nan, ratio, None, NOT_DECIDED, None, path.message)


def _softness(model: PanelModel, demand: Demand, finer: DemandValue | None, stop_above: float) -> DemandValue:
    """Deflection, mm, under a push at the softest place, by the large-deflection solver.

    Linear theory finds the soft places, each softer than all near it.  If the push is beyond linear theory
    (LINEAR_LIMIT), the softest ones (`Accuracy.soft_places`) are pushed, on the coarser mesh if there is one, to find
    the one that deflects most: a bare field is soft at first and stiffens, a free corner stays as it is.
    """
    t, force = model.layout.gauge, _force_of(demand)
    known: dict[Point, float] = {}
    if finer is not None and finer.at is not None:
        ratio = model.softness_at(finer.at) * force / t
        places = [finer.at]
    else:
        ratio = linear_deflection_ratio(model, demand)
        soft = model.softness[np.argsort(-model.softness[:, 2], kind="stable")]
        known = {(x, y): per_newton for x, y, per_newton in soft.tolist()}
        places = peaks(soft[:, :2], math.sqrt(model.panel.region.area) / 6)
        places = places[: model.accuracy.soft_places if ratio > LINEAR_LIMIT else 1]
    if ratio <= model.accuracy.linear_push_ratio:
        return DemandValue(ratio * t, ratio, places[0], decided_ratio=ratio)
    try:
        if model.coarser is not None and len(places) > 1:
            places = _chosen_by(model.coarser, places, force)
        worst, value = _pushed_most(model, places, force, demand.limit * stop_above, known)
    except SolverError as error:
        return DemandValue(ratio * t, ratio, places[0], NOT_DECIDED, None, str(error))
    return DemandValue(value, ratio, worst, NONLINEAR, decided_ratio=value / t)


def _chosen_by(coarser: PanelModel, places: list[Point], force: float) -> list[Point]:
    """The place that deflects most on a coarser mesh; all of them where that mesh finds no equilibrium."""
    try:
        return [_pushed_most(coarser, places, force)[0]]
    except SolverError:
        return places


def _pushed_most(
    model: PanelModel,
    places: Sequence[Point],
    force: float,
    enough: float = math.inf,
    known: Mapping[Point, float] = MappingProxyType({}),
) -> tuple[Point, float]:
    """The place that deflects most under a push, and its deflection, mm; places in the order of linear theory.

    A place is left out if by linear theory and `Accuracy.softening` it cannot be the worst.  Ends at the first
    deflection above `enough`.  known: softness, mm/N, of places by linear theory.
    """
    worst, most = places[0], model.push_deflection(places[0], force)
    for place in places[1:]:
        if most > enough:
            break
        softness = known[place] if place in known else model.softness_at(place)
        if model.accuracy.softening * force * softness < most:
            continue
        if (value := model.push_deflection(place, force)) > most:
            worst, most = place, value
    return worst, most

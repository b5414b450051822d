"""Where to put which mass on the finished panel: safe, readable, and where the computation is surest.

A load is safe here if no demand asks less of the panel.  A softness demand allows its own push anywhere.  A load case
allows a push up to its own total force, as long as neither the largest deflection nor the largest stress that the push
gives by the shell model is above that of the case; see `largest_force`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Point as PlanPoint
from shapely.geometry import Polygon

from stiffen.analysis.loads import GRAVITY, unfolded_part
from stiffen.analysis.panel_model import PanelModel
from stiffen.errors import InputError, SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Panel, Point

from .builds import Build, stated_holds
from .responses import Push, pushed_model

Progress = Callable[[float | None, str], None]
BLOCK_SIDES = (60.0, 40.0, 25.0)  # mm, of the block of wood under the mass
MAX_KG = 30.0  # more is not handled safely on a block of that size: common practice, no source
MIN_KG = 0.2
STEPS_KG = (5.0, 2.0, 1.0, 0.5, 0.2, 0.1)  # cans of 5 l, bottles of 2, 1 and half a litre, cups: 1 kg a litre of water
MAX_STEPS = 3
MAX_PLACES = 3
CANDIDATES = 12  # soft places that are looked at
LEAST_SHARE = 0.25  # of the softest place's deflection that a place must give to be worth a reading
MIN_GAP = 0.22  # of the panel's size, between two places
STRESS_RESERVE = 1.2  # of yield over the stress under the push, whatever a demand allows: common practice, no source


@dataclass(frozen=True)
class PushPlan:
    """What to push: the pushes by place and rising mass, the side of the block, mm, and how they were limited.

    why_none: why there is no push, else "".
    """

    pushes: tuple[Push, ...]
    side: float
    limited_by: str
    why_none: str = ""

    @property
    def places(self) -> dict[str, Point]:
        """Centre of each place, mm, by its letter."""
        return {push.place: push.at for push in self.pushes}


@one_thread
def plan_pushes(panel: Panel, layout: Layout, mesh_level: str, progress: Progress) -> PushPlan:
    """Places and masses of the push test.  Raises InputError, MeshError or SolverError."""
    if not any(demand.kind != "frequency" for demand in panel.demands):
        return PushPlan((), 0.0, "", "no demand of the panel asks for a load, so no mass is known to be safe on it")
    holds = stated_holds(panel)
    builds = [Build(layout.gauge, (), hold) for hold in holds]
    progress(None, "looking for soft places")
    models = [pushed_model(panel, layout, build, (), mesh_level) for build in builds]
    rough = [pushed_model(panel, layout, build, (), "coarse") for build in builds]
    for side in BLOCK_SIDES:
        area = standing_area(panel, layout, side)
        if places := _places(models, rough, area):
            break
    else:
        return PushPlan((), 0.0, "", f"no block of {BLOCK_SIDES[-1]:g} mm stands level anywhere on the sheet")
    pushes: list[Push] = []
    limits: list[str] = []
    for at in places:
        letter = "ABC"[len({push.place for push in pushes})]
        progress(None, f"looking for safe masses at {letter}")
        force, why = largest_force(panel, layout, models, at, side)
        found = _safe_pushes(panel, layout, builds, letter, at, force, side, mesh_level)
        pushes += found
        limits += [why] if found else []
    if not pushes:
        return PushPlan(
            (), side, "", f"the largest load that is safe is below {MIN_KG:g} kg, too little for a push to be read"
        )
    return PushPlan(tuple(pushes), side, max(limits, key=limits.count))


def standing_area(panel: Panel, layout: Layout, side: float) -> Polygon:
    """Where the centre of a square block may lie so that it stands on level sheet, clear of openings and masses."""
    level = unfolded_part(panel).intersection(panel.region)
    openings = [PlanPoint(hole.at).buffer(hole.die.flange / 2 + 2.0) for hole in layout.holes]
    fixed = [PlanPoint(mass.at).buffer(side / 2) for mass in panel.masses]
    heads = [PlanPoint(at).buffer(one.diameter) for one in panel.supports for at in one.fasteners()]
    return level.difference(shapely.union_all([*openings, *fixed, *heads])).buffer(-side / math.sqrt(2))


def _places(models: list[PanelModel], rough: list[PanelModel], area: Polygon) -> list[Point]:
    """Up to MAX_PLACES soft places, the best first, where the meshes and the ways of holding agree best.

    The worth of a place is its softness less its spread over meshes and assumptions, by small-deflection theory.
    """
    plan = models[0].panel
    size = math.sqrt(plan.region.area)
    points = models[0].softness[:, :2]
    shapely.prepare(area)
    points = points[shapely.intersects_xy(area, points[:, 0], points[:, 1])]
    if not len(points):
        if area.is_empty:
            return []
        inside = area.representative_point()
        points = np.array([[inside.x, inside.y]])
    softness = np.array([models[0].softness_at((float(x), float(y))) for x, y in points])
    order = np.argsort(-softness, kind="stable")[: 4 * CANDIDATES]
    worth: list[tuple[float, float, Point]] = []
    for x, y in points[order]:
        if all(math.hypot(x - a, y - b) > MIN_GAP * size / 2 for _, _, (a, b) in worth):
            at: Point = (float(round(x)), float(round(y)))
            at = at if area.intersects(PlanPoint(at)) else (float(x), float(y))
            values = [model.softness_at(at) for model in (*models, *rough)]
            spread = (max(values) - min(values)) / max(values)
            worth.append((min(values) * (1 - spread), max(values), at))
        if len(worth) == CANDIDATES:
            break
    worth.sort(key=lambda one: -round(one[0], 9))
    chosen: list[Point] = []
    for value, _, at in worth:
        if value < LEAST_SHARE * worth[0][0] or len(chosen) == MAX_PLACES:
            break
        if all(math.hypot(at[0] - a, at[1] - b) > MIN_GAP * size for a, b in chosen):
            chosen.append(at)
    return chosen


def largest_force(panel: Panel, layout: Layout, models: list[PanelModel], at: Point, side: float) -> tuple[float, str]:
    """Largest force, N, that some demand allows at a place, by small-deflection theory, and which demand.

    It is a first guess: `_safe_pushes` computes the masses in full.
    """
    best = (0.0, "")
    for demand in panel.demands:
        if demand.kind != "frequency":
            force = min(_force_allowed(model, demand, at) for model in models)
            best = max(best, (force, demand.label))
    return best


def _force_allowed(model: PanelModel, demand: Demand, at: Point) -> float:
    if demand.kind == "softness":
        return demand.force or 0.0
    forces, _ = model.linear_solution(demand.case or "")
    total = float(np.abs(forces.reshape(-1, 6)[:, 2]).sum())
    deflects = float(np.abs(model.deflection(demand.case or "")).max())
    return min(total, deflects / model.softness_at(at))


def _safe_pushes(
    panel: Panel, layout: Layout, builds: list[Build], letter: str, at: Point, force: float, side: float, level: str
) -> list[Push]:
    """Pushes of rising mass at a place, none above what a demand allows by the theory that applies."""
    kg = min(force / GRAVITY, MAX_KG)
    while kg >= MIN_KG:
        masses = mass_steps(kg)
        pushes = tuple(Push(letter, at, one, side) for one in masses)
        shares = [allowed_share(pushed_model(panel, layout, build, pushes[-1:], level), pushes[-1]) for build in builds]
        if min(shares) >= 1:
            return list(pushes)
        kg = min(max(min(shares), 0.5), 0.95) * masses[-1]
    return []


def allowed_share(model: PanelModel, push: Push) -> float:
    """Share of a push that is safe, 1 or more for all of it: what a demand allows, and no yielding."""
    try:
        stress = float(model.stress(push.case).max())
        deflects = float(np.abs(model.deflection(push.case)).max())
    except (InputError, SolverError):
        return 0.0
    yields = model.panel.material.yield_strength / (STRESS_RESERVE * stress)
    shares = [_share_of_demand(model, demand, push, deflects, stress) for demand in model.panel.demands]
    return min(yields, max(shares, default=0.0))


def _share_of_demand(model: PanelModel, demand: Demand, push: Push, deflects: float, stress: float) -> float:
    if demand.kind == "frequency":
        return 0.0
    if demand.kind == "softness":
        return (demand.force or 0.0) * (1 + 1e-9) / push.force
    case = demand.case or ""
    try:
        forces, _ = model.linear_solution(case)
        total = float(np.abs(forces.reshape(-1, 6)[:, 2]).sum())
        allowed = float(np.abs(model.deflection(case)).max()), float(model.stress(case).max())
    except (InputError, SolverError):
        return 0.0
    return min(total / push.force, allowed[0] / deflects, allowed[1] / stress)


def mass_steps(kg: float) -> tuple[float, ...]:
    """Up to MAX_STEPS rising masses, kg, at even steps of cans or bottles, the last at most kg."""
    unit = next((one for one in STEPS_KG if 2 * one <= kg + 1e-9), STEPS_KG[-1])
    count = int(kg / unit + 1e-9)
    steps = sorted({max(1, round(count * share / MAX_STEPS)) for share in range(1, MAX_STEPS + 1)})
    return tuple(round(unit * one, 3) for one in steps)

"""How much the neighbours hold an edge of a panel in its plane: between free to slide and held rigidly.

Share = (w_free - w)/(w_free - w_held), with w the deflection of the demand that decides (of a frequency f, 1/f2): as
the build holds the edge, with this one edge free to slide, with this one edge held.  All else is as in the build.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.analysis.panel_model import Accuracy, PanelModel
from stiffen.errors import InputError, SolverError
from stiffen.fem.continuation import Guess
from stiffen.fem.corotational import State
from stiffen.model.panel import Demand
from stiffen.model.results import NOT_DECIDED

from .condensed import HOLD_RATIO, SLIPS, Condensation, part_motions
from .joined_model import JoinedModel
from .panel_inside import PanelInside, panel_inside
from .panel_jobs import Sent, sent_to, unpacked

SLIDES = 1e-8  # stiffness of a joint that lets a panel slide, over that of its rivets
LONG_STEP = 6.0  # thicknesses of the first step of a path of which only the end counts
NO_MATTER = 0.02  # of the value: an edge whose hold changes it by less does not matter to the demand
ROUGH = Accuracy(tolerance=1e-3, mode_tolerance=1e-6, soft_places=1, refine_probes=False, trust_guesses=True)


@dataclass(frozen=True)
class EdgeHold:
    """How one joint holds one panel in its plane.

    joint: its number, from 1.  neighbours: parts on the other side.  demand: label of the demand that decides.  free,
    build, held: its value with the edge free to slide, as the build holds it, held rigidly; NaN where none was found.
    share: 0 free, 1 held; None where the hold changes the value by less than 2 %, or where a value is missing.
    """

    panel: str
    joint: int
    neighbours: tuple[str, ...]
    demand: str
    unit: str
    free: float
    build: float
    held: float
    share: float | None

    @property
    def matters(self) -> bool:
        """True if the hold of this edge changes the value of the demand."""
        return self.share is not None


@dataclass(frozen=True, eq=False)
class HoldJob:
    """One value to find: that of a demand of a panel with a joint free to slide in its plane, or held in it.

    condensed: the build.  first: the value as the build is.  forces, state: of the case and of the whole under it, if
    it is one of large deflection.
    """

    condensed: Sent
    name: str
    joint: int
    hold: bool
    demand: Demand
    first: DemandValue
    forces: np.ndarray | None
    state: State | None

    def value(self) -> float:
        """The value; NaN where none is found.  A case of large deflection is followed in the whole."""
        condensed, name, demand = unpacked(self.condensed), self.name, self.demand
        change = condensed.held if self.hold else condensed.freed
        model = panel_inside(condensed, name, change(name, self.joint, condensed.neighbours(name)), accuracy=ROUGH)
        try:
            if self.forces is not None and demand.case:
                whole = changed_joint(condensed.model, name, self.joint, self.hold)
                path = whole.equilibrium_path(
                    {name: self.forces},
                    first_step=LONG_STEP,
                    tolerance=ROUGH.tolerance,
                    guess=None if self.state is None else Guess(self.state),
                )
                model._cache["part of whole", demand.case, 1.0, False, None] = whole.part_of_path(name, path)
                model._cache["case", demand.case] = None, self.forces, model.linear_model.solve(self.forces)
            first = self.first if demand.kind == "softness" else None
            return _value(model, demand, demand_value(model, demand, first))
        except (InputError, SolverError):
            return float("nan")


def hold_value(job: HoldJob) -> float:
    """The value of a job, on any worker."""
    return job.value()


def edge_holds(
    condensed: Condensation,
    name: str,
    demand: Demand,
    at: Mapping[int, tuple[str, ...]],
    executor: Executor | None = None,
    model: PanelInside | None = None,
) -> Callable[[], tuple[EdgeHold, ...]]:
    """Start to find the hold of each joint of a panel; a function that waits for all.

    demand: the one that decides.  at: joint's number -> parts on its other side.  model: of the panel as the build is,
    by ROUGH, if it is known.  Raises SolverError where the panel cannot be computed at all.
    """
    model = model or panel_inside(condensed, name, accuracy=ROUGH)
    first = demand_value(model, demand)
    build = _value(model, demand, first)
    forces, state = None, None
    if demand.case and model.uses_large_deflection(demand.case) and not model.has_contact:
        forces, state = model.linear_solution(demand.case)[0], model.path_of_whole(demand.case).end_state
    sent = sent_to(executor, condensed)
    jobs = [HoldJob(sent, name, joint, hold, demand, first, forces, state) for joint in at for hold in (False, True)]
    waiting = [executor.submit(hold_value, job).result if executor else job.value for job in jobs]

    def result() -> tuple[EdgeHold, ...]:
        values = [wait() for wait in waiting]
        return tuple(
            EdgeHold(
                name, joint, others, demand.label, demand.unit, free, build, held, _share(demand, free, build, held)
            )
            for (joint, others), free, held in zip(at.items(), values[::2], values[1::2], strict=True)
        )

    return result


def changed_joint(model: JoinedModel, name: str, joint: int, hold: bool) -> JoinedModel:
    """The joined model with a joint that lets a panel slide in its plane, or that holds it there."""
    mine = [tie for tie in model.ties if tie.joint == joint and name in tie.parts]
    if not hold:
        loose = {
            id(tie): replace(tie, stiffness=replace(tie.stiffness, shear=SLIDES * tie.stiffness.shear)) for tie in mine
        }
        return JoinedModel(model.parts, tuple(loose.get(id(tie), tie) for tie in model.ties))
    part = model.parts[name]
    rows = part_motions(part, mine).tocsr()[np.concatenate([5 * i + np.arange(SLIPS) for i in range(len(mine))])]
    stiff = np.repeat([HOLD_RATIO * tie.stiffness.shear for tie in mine], SLIPS)
    springs = rows.T @ sp.diags(stiff) @ rows
    held = replace(part, springs=(springs if part.springs is None else part.springs + springs).tocsr())
    return JoinedModel({**model.parts, name: held}, model.ties)


def _value(model: PanelModel, demand: Demand, value: DemandValue) -> float:
    if demand.kind == "frequency":  # that of the panel alone on its neighbours' springs, in vacuum
        return model.first_frequency
    return float("nan") if value.decided_by == NOT_DECIDED else value.value


def _share(demand: Demand, free: float, build: float, held: float) -> float | None:
    """See the head of this module; None where it does not matter or is not known."""
    if not np.isfinite([free, build, held]).all() or abs(free - held) < NO_MATTER * abs(build):
        return None
    power = -2 if demand.kind == "frequency" else 1 if demand.kind in ("deflection", "softness") else -1
    w_free, w, w_held = free**power, build**power, held**power
    return float((w_free - w) / (w_free - w_held))

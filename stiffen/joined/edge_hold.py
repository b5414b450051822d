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

from stiffen.analysis.demand_values import CASE_DEMANDS, DemandValue, demand_value
from stiffen.analysis.panel_model import Accuracy, PanelModel
from stiffen.errors import InputError, SolverError
from stiffen.fem.continuation import Guess
from stiffen.model.panel import Demand
from stiffen.model.results import NOT_DECIDED

from .condensed import HOLD_RATIO, SLIPS, part_motions
from .joined_model import JoinedModel
from .panel_inside import PanelInside, panel_inside
from .panel_jobs import WholeUnderCase
from .workers import Sent, started, unpacked

SLIDES = 1e-8  # stiffness of a joint that lets a panel slide, over that of its rivets
LONG_STEP = 6.0  # thicknesses of the first step of a path of which only the end counts
NO_MATTER = 0.02  # of the value: an edge whose hold changes it by less does not matter to the demand
ROUGH = Accuracy(tolerance=1e-2, mode_tolerance=1e-6, soft_places=1, refine_probes=False, trust_guesses=True)


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

    condensed: the build.  change: the joint and True to hold it, False to free it; None for the value as the build is.
    first: the value as the build is, if known.  under_case: the whole under the demand's case, if known: where the path
    starts from.
    """

    condensed: Sent
    name: str
    change: tuple[int, bool] | None
    demand: Demand
    first: DemandValue | None
    under_case: WholeUnderCase | None

    def value(self) -> DemandValue:
        """The value; not decided where none is found.  A case of large deflection is followed in the whole."""
        condensed, name, demand = unpacked(self.condensed), self.name, self.demand
        neighbours = condensed.neighbours(name)
        if self.change is not None:
            joint, hold = self.change
            neighbours = (condensed.held if hold else condensed.freed)(name, joint, neighbours)
        model = panel_inside(condensed, name, neighbours, accuracy=ROUGH)
        try:
            if self.change is not None and demand.case and self._is_large(model, demand.case):
                self._follow_whole(model, *self.change, demand.case)
            return _value(model, demand, demand_value(model, demand, self.first))
        except (InputError, SolverError) as error:
            return DemandValue(float("nan"), decided_by=NOT_DECIDED, failure=str(error))

    def _is_large(self, model: PanelInside, case: str) -> bool:
        """True for a case of large deflection, as the build is or with the changed joint, that the whole can follow."""
        return self.under_case is not None or (model.follows_whole and model.uses_large_deflection(case))

    def _follow_whole(self, model: PanelInside, joint: int, hold: bool, case: str) -> None:
        """Give a model the path of the whole with a changed joint, from the state as the build is, if known."""
        assert model.whole is not None
        known = self.under_case
        forces, linear = model.linear_solution(case) if known is None else (known.forces, known.linear)
        path = changed_joint(model.whole, self.name, joint, hold).equilibrium_path(
            {self.name: forces},
            first_step=LONG_STEP,
            tolerance=ROUGH.tolerance,
            guess=None if known is None else Guess(known.state),
            trust_guess=ROUGH.trust_guesses,
        )
        model.take_path(case, forces, linear, model.whole.part_of_path(self.name, path))


def edge_holds(
    condensed: Sent,
    name: str,
    demand: Demand,
    at: Mapping[int, tuple[str, ...]],
    executor: Executor | None = None,
    first: DemandValue | None = None,
    under_case: WholeUnderCase | None = None,
) -> Callable[[], tuple[EdgeHold, ...]]:
    """Start to find the hold of each joint of a panel; a function that waits for all.

    demand: the one that decides.  at: joint's number -> parts on its other side.  first: its value as the build is, and
    under_case: the whole under its case; both are found where they are not given.
    """
    changes = [None, *((joint, hold) for joint in at for hold in (False, True))]
    as_known = first if demand.kind == "softness" else None
    jobs = [HoldJob(condensed, name, change, demand, as_known, under_case) for change in changes]
    if first is not None and demand.kind in CASE_DEMANDS:
        waiting = [lambda: first, *started(HoldJob.value, jobs[1:], executor)]
    else:
        waiting = started(HoldJob.value, jobs, executor)

    def result() -> tuple[EdgeHold, ...]:
        build, *values = [_plain_value(wait()) for wait in waiting]
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
        return model.with_stiffness(model.parts, tuple(loose.get(id(tie), tie) for tie in model.ties))
    part = model.parts[name]
    rows = part_motions(part, mine).tocsr()[np.concatenate([5 * i + np.arange(SLIPS) for i in range(len(mine))])]
    stiff = np.repeat([HOLD_RATIO * tie.stiffness.shear for tie in mine], SLIPS)
    springs = rows.T @ sp.diags(stiff) @ rows
    held = replace(part, springs=(springs if part.springs is None else part.springs + springs).tocsr())
    return model.with_stiffness({**model.parts, name: held}, model.ties)


def _value(model: PanelModel, demand: Demand, value: DemandValue) -> DemandValue:
    """The value that an edge's hold is told by: of a frequency that of the panel alone on its springs, in vacuum."""
    return DemandValue(model.first_frequency) if demand.kind == "frequency" else value


def _plain_value(value: DemandValue) -> float:
    return float("nan") if value.decided_by == NOT_DECIDED else value.value


def _share(demand: Demand, free: float, build: float, held: float) -> float | None:
    """See the head of this module; None where it does not matter or is not known."""
    if not np.isfinite([free, build, held]).all() or abs(free - held) < NO_MATTER * abs(build):
        return None
    power = -2 if demand.kind == "frequency" else 1 if demand.kind in ("deflection", "softness") else -1
    w_free, w, w_held = free**power, build**power, held**power
    return float((w_free - w) / (w_free - w_held))

"""A panel inside a build, computed case by case, on any worker: values of its demands, loads of the rivets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.errors import InputError, SolverError
from stiffen.fem.corotational import State

from .joined_model import JoinedModel
from .panel_inside import PanelInside, panel_inside
from .workers import Sent, unpacked


@dataclass(frozen=True)
class RivetLoad:
    """The load of a rivet.

    joint: from 1.  rivet: its number in the row, from 1.  panel, case: whose load it is.  shear, pull: N; a pull opens
    the joint.
    """

    joint: int
    rivet: int
    panel: str
    case: str
    shear: float
    pull: float


@dataclass(frozen=True, eq=False)
class WholeUnderCase:
    """forces: (6 n,) of a panel's case, in its own frame.  linear: its displacements (6 n,) by linear theory.

    state: of the whole build under the case.
    """

    forces: np.ndarray
    linear: np.ndarray
    state: State


@dataclass(frozen=True, eq=False)
class PanelValues:
    """by_mesh: values of the demands of a job, on its mesh, then on the coarser one.

    rivets: of all joints in its case.  deflection: (n,) mm in its case, without sign; None without one.  coarse: the
    whole in its case, on the coarsest mesh, if it was followed there.
    """

    by_mesh: tuple[tuple[DemandValue, ...], ...]
    rivets: tuple[RivetLoad, ...] = ()
    deflection: np.ndarray | None = None
    coarse: WholeUnderCase | None = None


@dataclass(frozen=True, eq=False)
class PanelJob:
    """One load case of a panel, or one demand without a case.

    inside, rough: the build, and the same on a coarser mesh.  demands: positions of the demands to evaluate.
    """

    inside: Sent
    rough: Sent | None
    name: str
    case: str | None
    demands: tuple[int, ...]

    def values(self) -> PanelValues:
        """The values; raises SolverError where the panel cannot be computed at all."""
        coarse = None if self.rough is None else panel_inside(unpacked(self.rough), self.name)
        model = panel_inside(unpacked(self.inside), self.name, coarser=coarse)
        demands = [model.panel.demands[number] for number in self.demands]
        fine = tuple(demand_value(model, one) for one in demands)
        by_mesh = [fine]
        if coarse is not None:
            by_mesh.append(tuple(demand_value(coarse, *pair) for pair in zip(demands, fine, strict=True)))
        if self.case is None:
            return PanelValues(tuple(by_mesh))
        return PanelValues(
            tuple(by_mesh),
            _rivet_loads(model, self.case),
            _deflection(model, self.case),
            _under_case(model if coarse is None else coarse, self.case),
        )


def panel_jobs(whole: JoinedModel, inside: Sent, rough: Sent | None) -> list[PanelJob]:
    """The jobs of all panels of a build; frequencies are those of the whole and are left out.

    whole, inside: the build.  rough: the build on a coarser mesh, if wanted.
    """
    found = []
    for name, part in whole.parts.items():
        if part.own is None:
            continue
        demands = list(enumerate(part.own.panel.demands))
        for case in part.own.panel.cases:
            found.append(
                PanelJob(inside, rough, name, case, tuple(number for number, one in demands if one.case == case))
            )
        for number, one in demands:
            if not one.case and one.kind != "frequency":
                found.append(PanelJob(inside, rough, name, None, (number,)))
    return found


def _rivet_loads(model: PanelInside, case: str) -> tuple[RivetLoad, ...]:
    """The loads of all rivets of the build in a case of a panel."""
    assert model.whole is not None
    try:
        forces = model.tie_forces(case)
    except (InputError, SolverError):
        return ()
    shear = np.hypot(forces[:, 0], forces[:, 1]).tolist()
    return tuple(
        RivetLoad(tie.joint, tie.rivet + 1, model.name, case, each, pull)
        for tie, each, pull in zip(model.whole.ties, shear, forces[:, 2].tolist(), strict=True)
    )


def _deflection(model: PanelInside, case: str) -> np.ndarray | None:
    try:
        return np.abs(model.deflection(case))
    except (InputError, SolverError):
        return None


def _under_case(model: PanelInside, case: str) -> WholeUnderCase | None:
    """The whole under a case of large deflection; None where it is not followed."""
    try:
        if model.uses_large_deflection(case) and model.follows_whole:
            return WholeUnderCase(*model.linear_solution(case), model.path_of_whole(case).end_state)
    except (InputError, SolverError):
        pass
    return None

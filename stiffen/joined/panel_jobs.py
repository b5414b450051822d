"""A panel inside a build, computed case by case, on any worker: values of its demands, loads of the rivets."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.errors import InputError, SolverError

from .condensed import Condensation
from .panel_inside import PanelInside, panel_inside


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
class PanelValues:
    """by_mesh: values of the demands of a job, on its mesh, then on the coarser one.

    rivets: of all joints in its case.  deflection: (n,) mm in its case, without sign; None without one.
    """

    by_mesh: tuple[tuple[DemandValue, ...], ...]
    rivets: tuple[RivetLoad, ...] = ()
    deflection: np.ndarray | None = None


Sent = Condensation | bytes  # pickled for a worker at once: pickled later, by another thread, it could change meanwhile


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
        return PanelValues(tuple(by_mesh), _rivet_loads(model, self.case), _deflection(model, self.case))


def panel_jobs(inside: Condensation, rough: Condensation | None, executor: Executor | None) -> list[PanelJob]:
    """The jobs of all panels of a build; frequencies are those of the whole and are left out.

    rough: the build on a coarser mesh, if wanted.  executor: to which they will be sent, if to any.
    """
    sent = sent_to(executor, inside), None if rough is None else sent_to(executor, rough)
    found = []
    for name, part in inside.model.parts.items():
        if part.own is None:
            continue
        demands = list(enumerate(part.own.panel.demands))
        for case in part.own.panel.cases:
            found.append(PanelJob(*sent, name, case, tuple(number for number, one in demands if one.case == case)))
        for number, one in demands:
            if not one.case and one.kind != "frequency":
                found.append(PanelJob(*sent, name, None, (number,)))
    return found


def started(jobs: Sequence[PanelJob], executor: Executor | None) -> Callable[[], list[PanelValues]]:
    """Start jobs; a function that waits for all.  Without an executor they are computed then."""
    waiting = [executor.submit(panel_values, job).result if executor else job.values for job in jobs]
    return lambda: [wait() for wait in waiting]


def panel_values(job: PanelJob) -> PanelValues:
    """The values of a job, on any worker."""
    return job.values()


def sent_to(executor: Executor | None, condensed: Condensation) -> Sent:
    """A condensation as a job takes it."""
    return condensed if executor is None else pickle.dumps(condensed.bare())


def unpacked(sent: Sent) -> Condensation:
    """The condensation of a job."""
    return _unpacked(sent) if isinstance(sent, bytes) else sent


@lru_cache(maxsize=2)
def _unpacked(packed: bytes) -> Condensation:
    """The build that jobs share on a worker."""
    found: Condensation = pickle.loads(packed)
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

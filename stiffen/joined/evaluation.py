"""A build judged as one thing: the demands of each panel inside it, natural modes, rivets, what holds its edges.

Each panel is judged under its own load cases alone; see `panel_inside`.  Frequencies are those of the whole, with the
air that its panels move; a panel's is that of the first mode in which it takes part: has a tenth of the strain energy.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.analysis.evaluation import verdict_of_values
from stiffen.assembly.designs import Design, designs
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.errors import Fault, InputError
from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.layout import Layout
from stiffen.model.results import Verdict

from .clashes import Clash, clashes
from .condensed import Condensation, condensation
from .edge_hold import EdgeHold, edge_holds
from .joined_model import JoinedModel
from .joining import joined_model
from .panel_inside import INSIDE, panel_inside
from .panel_jobs import PanelJob, PanelValues, RivetLoad, panel_jobs
from .parts import ShellPart, panel_loads
from .whole_modes import BucklingJob, BuildBuckling, BuildMode, modes_of_build
from .workers import Sent, sent_to, started

MAX_DRIFT_WORK = 0.05  # share of a load that may work in a drift of the build, as of a panel


@dataclass(frozen=True, eq=False)
class BuildEvaluation:
    """panels: verdict on each panel inside the build, by name.  modes: rising.  seconds: it took.

    buckling: of the whole, by panel and case.  rivets: of each joint that is loaded.  holds: of the edges of each
    design's first panel.  clashes: parts that pass through each other.  deflections: of panels with load cases, by
    name, the mesh and the largest deflection (n,) in any case, mm.
    """

    panels: Mapping[str, Verdict]
    modes: tuple[BuildMode, ...]
    buckling: tuple[BuildBuckling, ...]
    rivets: tuple[RivetLoad, ...]
    holds: tuple[EdgeHold, ...]
    clashes: tuple[Clash, ...]
    deflections: Mapping[str, tuple[Mesh, np.ndarray]]
    seconds: float

    @property
    def met(self) -> bool:
        """True where every demand of every panel is met inside the build."""
        return all(demand.met for verdict in self.panels.values() for demand in verdict.demands)


@one_thread
def evaluate_build(
    fitted: FittedBuild,
    layouts: Mapping[str, Layout] | None = None,
    *,
    mesh_level: str = "normal",
    holds: bool = True,
    executor: Executor | None = None,
    progress: Callable[[float | None, str], None] = lambda fraction, message: None,
) -> BuildEvaluation:
    """Judge a build whose parts have places.

    layouts: of panels by name; those of the panel files unless given.  holds: find what holds each edge, on the quick
    mesh.  executor: computes panels on its workers; the result is the same.  Own supports of unknown restraint in the
    plane count as free.  On other meshes than quick, the mesh error is estimated by the quick one.  Raises InputError
    for a build that is not held or has no placed panel, MeshError, SolverError.
    """
    start = time.perf_counter()
    if not any(part.place for part in fitted.build.panels):
        raise InputError([Fault("build", "no panel has a place", "give each panel of the build a place")])
    progress(None, "joining the parts")
    whole, drifts = joined_model(fitted, layouts, mesh_level).steadied()
    _require_no_drift(whole, drifts)
    inside = condensation(whole)
    is_quick = mesh_level == "quick"
    rough = inside if is_quick else condensation(joined_model(fitted, layouts, "quick").steadied()[0])
    progress(None, "computing the panels inside the build")
    sent = sent_to(executor, inside)
    sent_rough = sent if is_quick else sent_to(executor, rough)
    jobs = panel_jobs(whole, sent, None if is_quick else sent_rough)
    panel_values = started(PanelJob.values, jobs, executor)
    modes_of = started(modes_of_build, dict.fromkeys((sent, sent_rough)), executor)
    buckling_of = started(BucklingJob.value, _buckling_jobs(sent, whole), executor)
    waiting = []
    if holds:
        for design in designs(fitted):
            if design.name in rough.model.parts and design.panel.demands:
                progress(None, f"finding what holds the edges of {design.name}")
                mine = [(job, wait()) for job, wait in zip(jobs, panel_values, strict=True) if job.name == design.name]
                waiting.append(_start_holds(fitted, sent_rough, design, mine, executor))
    progress(None, "computing the panels inside the build")
    found = [(job, wait()) for job, wait in zip(jobs, panel_values, strict=True)]
    (modes, hertz_of), *rest = [wait() for wait in modes_of]
    rough_hertz = rest[0][1] if rest else {}
    buckling = [wait() for wait in buckling_of]
    panels, deflections = {}, {}
    for name, part in whole.parts.items():
        if part.own is None:
            continue
        mine = [(job, values) for job, values in found if job.name == name]
        by_mesh = [{INSIDE: _values(part, inside, mine, 0, hertz_of.get(name))}]
        if not is_quick:
            by_mesh.append({INSIDE: _values(part, rough, mine, 1, rough_hertz.get(name))})
        panels[name] = verdict_of_values(part.own.panel, part.own.layout, by_mesh, len(part.own.mesh.nodes), 0.0)
        fields = [values.deflection for _, values in mine if values.deflection is not None]
        if fields:
            deflections[name] = part.own.mesh, np.max(fields, axis=0)
    progress(None, "finding what holds the edges")
    return BuildEvaluation(
        panels=panels,
        modes=modes,
        buckling=tuple(one for one in buckling if one is not None),
        rivets=_most_loaded([load for _, values in found for load in values.rivets]),
        holds=tuple(one for wait in waiting for one in wait()),
        clashes=clashes(whole),
        deflections=deflections,
        seconds=time.perf_counter() - start,
    )


def _values(
    part: ShellPart, inside: Condensation, found: list, mesh: int, hertz: tuple[float, float] | None
) -> list[DemandValue]:
    """Values of a panel's demands.  found: its jobs and their values.  mesh: 0 the finer, 1 the coarser.

    hertz: first frequency of the whole in which the panel takes part, in air and in vacuum; that of the panel on its
    neighbours' springs where none is given.
    """
    by_demand: dict[int, DemandValue] = {}
    for job, values in found:
        by_demand |= dict(zip(job.demands, values.by_mesh[mesh], strict=True))
    assert part.own is not None
    out = []
    for number, demand in enumerate(part.own.panel.demands):
        if number in by_demand:
            out.append(by_demand[number])
        elif hertz is not None:
            out.append(DemandValue(hertz[0], value_in_vacuum=hertz[1]))
        else:
            out.append(demand_value(panel_inside(inside, part.name), demand))
    return out


def _most_loaded(loads: list[RivetLoad]) -> tuple[RivetLoad, ...]:
    """The most loaded rivet of each joint."""
    found: dict[int, RivetLoad] = {}
    for one in loads:
        before = found.get(one.joint)
        if before is None or math.hypot(one.shear, one.pull) > math.hypot(before.shear, before.pull):
            found[one.joint] = one
    return tuple(found[number] for number in sorted(found))


def _start_holds(
    fitted: FittedBuild,
    rough: Sent,
    design: Design,
    found: list[tuple[PanelJob, PanelValues]],
    executor: Executor | None,
) -> Callable[[], tuple[EdgeHold, ...]]:
    """Start to find what holds the edges of a panel, by the demand of least margin on the coarse mesh.

    found: the panel's jobs and their values.  By a frequency only where nothing else is asked: holding an edge in its
    plane also stops the whole from swaying, which a frequency cannot tell from the panel's own.
    """
    name, demands = design.name, design.panel.demands
    at = {
        joint.number: tuple(other for other in joint.holes if other != name)
        for joint in fitted.rivets
        if name in joint.holes
    }
    known = {
        number: (value, values.coarse)
        for job, values in found
        for number, value in zip(job.demands, values.by_mesh[-1], strict=True)
    }
    if not known:
        return edge_holds(rough, name, demands[0], at, executor)
    worst = max(known, key=lambda number: known[number][0].utilisation(demands[number]))
    return edge_holds(rough, name, demands[worst], at, executor, *known[worst])


def _buckling_jobs(sent: Sent, whole: JoinedModel) -> list[BucklingJob]:
    """A job for each load case of each panel of a build."""
    return [
        BucklingJob(sent, name, case, forces)
        for name, part in whole.parts.items()
        if part.own is not None
        for case, forces in panel_loads(part).items()
    ]


def _require_no_drift(whole: JoinedModel, drifts: np.ndarray) -> None:
    """Raise InputError where a load drives the build along a motion that no support stops."""
    if not drifts.shape[1]:
        return
    for name, part in whole.parts.items():
        if part.own is None:
            continue
        for case, forces in panel_loads(part).items():
            work = np.abs(drifts[whole.dofs(name)].T @ part.in_space(forces))
            if work.max() > MAX_DRIFT_WORK * np.abs(forces).sum():
                what = f"case {case} of {name} makes it drift: every support of the build is free in that direction"
                raise InputError([Fault("build", what, 'give a support of a panel in_plane = "held"')])

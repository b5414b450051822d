"""A build judged as one thing: the demands of each panel inside it, natural modes, rivets, what holds its edges.

Each panel is judged under its own load cases alone; see `panel_inside`.  Frequencies are those of the whole, with the
air that its panels move; a panel's is that of the first mode in which it takes part: has a tenth of the strain energy.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from stiffen.analysis.air_mass import modes_in_fluid
from stiffen.analysis.demand_values import DemandValue, demand_value
from stiffen.analysis.evaluation import Evaluation, verdict_of_values
from stiffen.analysis.natural_modes import mass_of_air
from stiffen.assembly.designs import designs
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.errors import Fault, InputError, SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout

from .clashes import Clash, clashes
from .condensed import Condensation, condensation
from .edge_hold import ROUGH, EdgeHold, edge_holds
from .joined_model import JoinedModel
from .joining import joined_model
from .panel_inside import INSIDE, PanelInside, panel_inside
from .parts import panel_loads

MODE_COUNT = 12  # modes of the whole
TAKES_PART = 0.1  # of a mode's strain energy, from which a part takes part in it: common practice, no source
MAX_DRIFT_WORK = 0.05  # share of a load that may work in a drift of the build, as of a panel


@dataclass(frozen=True)
class BuildMode:
    """A natural mode of the whole in air.  most: the part with most strain energy.  parts: those that take part."""

    hertz: float
    most: str
    parts: tuple[str, ...]


@dataclass(frozen=True)
class RivetLoad:
    """The most loaded rivet of a joint.

    rivet: its number in the row, from 1.  panel, case: whose load it is.  shear, pull: N; a pull opens the joint.
    """

    joint: int
    rivet: int
    panel: str
    case: str
    shear: float
    pull: float


@dataclass(frozen=True, eq=False)
class BuildEvaluation:
    """panels: evaluation of each panel inside the build, by name.  modes: rising.  seconds: it took.

    rivets: of each joint that is loaded.  holds: of the edges of each design's first panel.  clashes: parts that pass
    through each other.
    """

    panels: Mapping[str, Evaluation]
    modes: tuple[BuildMode, ...]
    rivets: tuple[RivetLoad, ...]
    holds: tuple[EdgeHold, ...]
    clashes: tuple[Clash, ...]
    seconds: float


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
    mesh.  executor: for that.  Own supports of unknown restraint in the plane count as free.  Raises InputError for a
    build that is not held or has no placed panel, MeshError, SolverError.
    """
    start = time.perf_counter()
    if not any(part.place for part in fitted.build.panels):
        raise InputError([Fault("build", "no panel has a place", "give each panel of the build a place")])
    progress(None, "joining the parts")
    whole, drifts = joined_model(fitted, layouts, mesh_level).steadied()
    _require_no_drift(whole, drifts)
    waiting = []
    if holds:
        rough, _ = (whole, drifts) if mesh_level == "quick" else joined_model(fitted, layouts, "quick").steadied()
        rough_inside = condensation(rough)
        for design in designs(fitted):
            if design.name in rough.parts and design.panel.demands:
                progress(None, f"finding what holds the edges of {design.name}")
                waiting.append(_start_holds(fitted, rough_inside, design.name, executor))
    modes, hertz_of = build_modes(whole)
    inside = condensation(whole)
    panels = {}
    rivets: dict[int, RivetLoad] = {}
    for name, part in whole.parts.items():
        if part.own is None:
            continue
        progress(None, f"computing {name} inside the build")
        model = panel_inside(inside, name)
        panels[name] = evaluated(model, hertz_of.get(name))
        for one in _rivet_loads(name, model):
            before = rivets.get(one.joint)
            if before is None or np.hypot(one.shear, one.pull) > np.hypot(before.shear, before.pull):
                rivets[one.joint] = one
    progress(None, "finding what holds the edges")
    found = [one for wait in waiting for one in wait()]
    ordered = tuple(rivets[number] for number in sorted(rivets))
    return BuildEvaluation(panels, modes, ordered, tuple(found), clashes(whole), time.perf_counter() - start)


def evaluated(model: PanelInside, hertz: tuple[float, float] | None = None) -> Evaluation:
    """The demands of a panel inside a build.

    hertz: first frequency of the whole in which the panel takes part, in air and in vacuum; that of the panel on its
    neighbours' springs where none is given.
    """
    values = []
    for demand in model.panel.demands:
        if demand.kind == "frequency" and hertz is not None:
            values.append(DemandValue(hertz[0], value_in_vacuum=hertz[1]))
        else:
            values.append(demand_value(model, demand))
    verdict = verdict_of_values(model.panel, model.layout, [{INSIDE: values}], {INSIDE: model}, 0.0)
    return Evaluation(model.panel, verdict, {INSIDE: model})


def build_modes(whole: JoinedModel) -> tuple[tuple[BuildMode, ...], dict[str, tuple[float, float]]]:
    """The first natural modes of the whole, and for each panel its first frequency in air and the mode's in vacuum."""
    hertz, shapes = whole.modes(MODE_COUNT)
    panels = {name: part.own for name, part in whole.parts.items() if part.own is not None}
    air = np.zeros((len(hertz), len(hertz)))
    for name, own in panels.items():
        air += mass_of_air(own.mesh, shapes.normal(name))
    in_air, mix = modes_in_fluid(hertz, air)
    bent = np.stack([part.strain_energy(shapes.u[whole.dofs(name)] @ mix) for name, part in whole.parts.items()])
    shares = bent / bent.sum(axis=0)
    names = list(whole.parts)
    modes = tuple(
        BuildMode(
            float(f), names[int(share.argmax())], tuple(n for n, s in zip(names, share, strict=True) if s >= TAKES_PART)
        )
        for f, share in zip(in_air, shares.T, strict=True)
    )
    firsts = {}
    for name, share in zip(names, shares, strict=True):
        taking = np.flatnonzero(share >= TAKES_PART)
        if len(taking):
            firsts[name] = float(in_air[taking[0]]), float(hertz[taking[0]])
    return modes, firsts


def _rivet_loads(name: str, model: PanelInside) -> list[RivetLoad]:
    """The loads of all rivets of the build in each case of a panel."""
    assert model.whole is not None
    found = []
    for case in model.panel.cases:
        try:
            forces = model.tie_forces(case)
        except (InputError, SolverError):
            continue
        for tie, force in zip(model.whole.ties, forces, strict=True):
            shear = float(np.hypot(force[0], force[1]))
            found.append(RivetLoad(tie.joint, tie.rivet + 1, name, case, shear, float(force[2])))
    return found


def _start_holds(
    fitted: FittedBuild, inside: Condensation, name: str, executor: Executor | None
) -> Callable[[], tuple[EdgeHold, ...]]:
    """Start to find what holds the edges of a panel, by the demand of least margin on this mesh.

    By a frequency only where nothing else is asked: holding an edge in its plane also stops the whole from swaying,
    which a frequency cannot tell from the panel's own.
    """
    model = panel_inside(inside, name, accuracy=ROUGH)
    asked = [demand for demand in model.panel.demands if demand.kind != "frequency"] or list(model.panel.demands)
    at = {
        joint.number: tuple(other for other in joint.holes if other != name)
        for joint in fitted.rivets
        if name in joint.holes
    }
    try:
        worst = asked[0]
        if len(asked) > 1:
            worst = max(asked, key=lambda demand: demand_value(model, demand).utilisation(demand))
        return edge_holds(inside, name, worst, at, executor)
    except SolverError:
        return tuple


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

"""Demands to a Verdict: a layout judged by the shell on its true geometry.

Each demand's value v comes from the mesh asked for and is set against v_2 on a mesh twice as coarse: for a quantity that
converges with the square of the element size the exact value is near v + (v - v_2)/3 (Richardson).  A demand is met
only if both v and that estimate meet it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from .layout import Layout
from .loads import case_forces, locate, point_masses, push_points, roving_places
from .mesh import Mesh, mesh_panel
from .panel import Demand, Panel
from .shell import Held, Shell
from .sizing import side_of
from .supports import assumptions, grip
from .threads import one_thread
from .triangle import von_mises
from .verdict import LINEAR, UNDECIDED, DemandResult, Maps, Rival, Verdict

Progress = Callable[[float | None, str], None]
LINEAR_LIMIT = 0.5  # largest deflection over thickness up to which small-deflection theory decides
MODES = 3
PUSHES_ACROSS = 8  # places pushed along the side of a square panel, before closing in on the softest


def quiet(fraction: float | None, words: str) -> None:
    """Progress that tells nobody."""


@dataclass(frozen=True, eq=False)
class _Found:
    """One demand on one mesh under one assumption."""

    value: float
    ratio: float  # w/t of the linear solve it rests on
    at: tuple[float, float] | None


@dataclass(frozen=True, eq=False)
class Stand:
    """A layout meshed and held under one assumption, ready for loads; fields are made when asked for."""

    panel: Panel
    layout: Layout
    mesh: Mesh
    held: Held
    assumed: str
    kilograms: np.ndarray
    cases: dict[str, np.ndarray] = field(default_factory=dict)

    def deflected(self, case: str) -> np.ndarray:
        """(6 n,) displacements under a case, a roving patch standing where it presses deepest."""
        if case not in self.cases:
            places = roving_places(self.panel, case) or [None]
            forces = np.stack([case_forces(self.panel, self.mesh, self.kilograms, case, p) for p in places], axis=1)
            u = self.held.solve(forces)
            self.cases[case] = u[:, int(np.abs(u[2::6]).max(axis=0).argmax())]
        return self.cases[case]

    def softness_at(self, place: tuple[float, float]) -> float:
        """mm per newton at a place, from the corners of the triangle there."""
        cell, shares = locate(self.mesh, np.array([place]))
        return float(shares[0] @ self._pushed(self.mesh.triangles[cell[0]]))

    @cached_property
    def hertz(self) -> float:
        """First natural frequency, Hz."""
        return float(self.held.modes(1)[0][0])

    @cached_property
    def softness(self) -> np.ndarray:
        """(k, 3) rows x, y, mm per newton at points over the sheet, closer about the softest."""
        spacing = math.sqrt(self.panel.region.area) / PUSHES_ACROSS
        coarse = push_points(self.mesh, spacing)
        first = self._pushed(coarse)
        worst = self.mesh.plan[coarse[first.argsort()[-3:]]]
        fine = push_points(self.mesh, spacing / 4)
        gap = np.linalg.norm(self.mesh.plan[fine][:, None] - worst, axis=2).min(axis=1)
        close = np.setdiff1d(fine[gap < 0.8 * spacing], coarse)
        nodes = np.concatenate([coarse, close])
        return np.column_stack([self.mesh.plan[nodes], np.concatenate([first, self._pushed(close)])])

    def _pushed(self, nodes: np.ndarray) -> np.ndarray:
        forces = np.zeros((self.held.shell.size, len(nodes)))
        forces[6 * nodes + 2, np.arange(len(nodes))] = 1.0
        u = self.held.solve(forces)
        return u[6 * nodes + 2, np.arange(len(nodes))]

    def stress(self, case: str) -> np.ndarray:
        """(m,) greater von Mises stress of the two faces at the triangles' centroids, MPa."""
        upper, lower = self.held.shell.stress(self.deflected(case))
        return np.maximum(von_mises(upper), von_mises(lower))


def hold(panel: Panel, layout: Layout, mesh: Mesh, assumed: str) -> Stand:
    """The layout on a mesh it already has, held under one assumption on unknown in-plane holds."""
    material = panel.material
    shell = Shell(mesh.nodes, mesh.triangles, layout.gauge, material.E, material.nu, material.rho)
    grips = grip(panel, mesh, assumed)
    masses = point_masses(panel, mesh)
    kilograms = shell.weight_at_nodes
    if masses is not None:
        kilograms = kilograms + masses.reshape(-1, 6)[:, 0]
    return Stand(panel, layout, mesh, Held(shell, grips.fixed, grips.springs, masses), assumed, kilograms)


def _judge(on: Stand, demand: Demand, place: tuple[float, float] | None) -> _Found:
    """One demand by small-deflection theory; `place` is where to push for softness, if that is known already."""
    t = on.layout.gauge
    if demand.kind == "frequency":
        return _Found(on.hertz, 0.0, None)
    if demand.kind == "softness":
        if place is None:
            x, y, soft = on.softness[on.softness[:, 2].argmax()]
            place = float(x), float(y)
        else:
            soft = on.softness_at(place)
        value = float(soft * demand.force)
        return _Found(value, value / t, place)
    u = on.deflected(demand.case)
    w = np.abs(u[2::6])
    ratio = float(w.max()) / t
    if demand.kind == "deflection":
        return _Found(float(w.max()), ratio, tuple(map(float, on.mesh.plan[w.argmax()])))
    if demand.kind == "stress":
        stress = on.stress(demand.case)
        worst = int(stress.argmax())
        place = tuple(map(float, on.mesh.plan[on.mesh.triangles[worst]].mean(axis=0)))
        return _Found(on.panel.material.yield_strength / max(float(stress[worst]), 1e-12), ratio, place)
    factors, _ = on.held.buckling(u)
    return _Found(float(factors[0]) if len(factors) else math.inf, ratio, None)


def margin(demand: Demand, value: float) -> float:
    """Fraction left of the limit: 1 - value/limit where smaller is better, else value/limit - 1."""
    return 1 - value / demand.limit if demand.at_most else value / demand.limit - 1


@one_thread
def check(
    panel: Panel,
    layout: Layout | None = None,
    *,
    grade: str = "normal",
    maps: bool = False,
    error: bool = True,
    progress: Progress = quiet,
) -> Verdict:
    """Judge `layout` (default: the panel's own beads on its thinnest sheet) against the panel's demands.

    grade: quick, normal or fine mesh.  maps: keep the fields for pictures.  error: estimate the mesh error by a
    coarser mesh.  Raises MeshError where the layout cannot be meshed, SolverError where it is not held.
    """
    start = time.perf_counter()
    layout = layout or panel.layout()
    meshes = [mesh_panel(panel, layout, grade=grade)]
    if error:
        meshes.append(mesh_panel(panel, layout, grade=grade, size=2 * side_of(panel.region.area, grade)))
    by_hold: list[dict[str, list[_Found]]] = []  # by mesh, by assumption
    kept = {}
    ends = assumptions(panel)
    for mesh in meshes:
        found = {}
        for assumed in ends:
            progress(None, f"solving on {len(mesh.nodes)} nodes, edges {assumed} in plane")
            on = hold(panel, layout, mesh, assumed)
            places = [one.at for one in by_hold[0][assumed]] if by_hold else [None] * len(panel.demands)
            found[assumed] = [_judge(on, d, place) for d, place in zip(panel.demands, places, strict=True)]
            if maps and mesh is meshes[0]:
                kept[assumed] = on
        by_hold.append(found)
    demands = tuple(_result(i, panel, layout, by_hold) for i in range(len(panel.demands)))
    errors = [d.error for d in demands if d.error is not None]
    mass = panel.mass(layout)
    return Verdict(
        panel=panel.name,
        layout=layout,
        mass_kg=mass,
        blank_mass_kg=panel.mass(replace(layout, holes=())),
        demands=demands,
        nodes=len(meshes[0].nodes),
        mesh_error=max(errors) if errors else None,
        warnings=_warnings(panel, demands),
        maps=_maps(kept[_worst_hold(demands, ends)]) if maps else None,
        seconds=time.perf_counter() - start,
    )


def _worst_hold(demands: tuple[DemandResult, ...], ends: tuple[str, ...]) -> str:
    worst = min(demands, key=lambda demand: demand.margin, default=None)
    return worst.in_plane if worst else ends[0]


def _result(i: int, panel: Panel, layout: Layout, by_hold: list[dict[str, list[_Found]]]) -> DemandResult:
    demand = panel.demands[i]
    found = {assumed: values[i] for assumed, values in by_hold[0].items()}
    assumed = min(found, key=lambda end: margin(demand, found[end].value))
    worst = found[assumed]
    ratio = max(one.ratio for one in found.values())
    error, believed = None, worst.value
    if len(by_hold) == 2 and math.isfinite(worst.value):
        coarse = by_hold[1][assumed][i].value
        step = (worst.value - coarse) / 3
        error, believed = abs(step / worst.value), worst.value + step
    decided = LINEAR if ratio <= LINEAR_LIMIT else UNDECIDED
    met = decided != UNDECIDED and min(margin(demand, worst.value), margin(demand, believed)) >= 0
    return DemandResult(
        kind=demand.kind,
        label=demand.label,
        unit=demand.unit,
        limit=demand.limit,
        value=worst.value,
        margin=margin(demand, worst.value),
        met=met,
        case=demand.case,
        force=demand.force,
        decided_by=decided,
        ratio_w_t=ratio,
        error=error,
        in_plane=assumed,
        by_hold={end: one.value for end, one in found.items()},
        at=worst.at,
    )


def _warnings(panel: Panel, demands: tuple[DemandResult, ...]) -> tuple[str, ...]:
    out = [
        f"{d.label}: small-deflection theory gives {d.ratio_w_t:.1f} times the thickness; it does not hold there"
        for d in demands
        if d.decided_by == UNDECIDED
    ]
    out += [
        f"{d.label}: the mesh error ({100 * d.error:.1f} %) is larger than the margin ({100 * d.margin:.1f} %)"
        for d in demands
        if d.error is not None and not d.met and d.margin >= 0 and d.decided_by != UNDECIDED
    ]
    if not panel.demands:
        out.append("the panel file makes no demand: nothing was judged")
    return tuple(out)


def _maps(on: Stand) -> Maps:
    hertz, shapes = on.held.modes(MODES)
    modes = tuple((float(f), s[2::6] / np.abs(s[2::6]).max()) for f, s in zip(hertz, shapes.T, strict=True))
    return Maps(
        plan=on.mesh.plan,
        triangles=on.mesh.triangles,
        z=on.mesh.nodes[:, 2],
        deflection={case: on.deflected(case)[2::6] for case in on.panel.cases},
        softness=on.softness,
        modes=modes,
        stress={case: on.stress(case) for case in on.panel.cases},
    )


@one_thread
def rival(panel: Panel, *, grade: str = "normal", progress: Progress = quiet) -> Rival:
    """The thinnest flat sheet of the rack, without bead or hole, that meets the same demands under the same judge."""
    verdicts = []
    for gauge in sorted(panel.gauges):
        progress(None, f"flat sheet of {gauge:g} mm")
        verdict = check(panel, Layout(gauge), grade=grade)
        verdicts.append(verdict)
        if verdict.met:
            return Rival(gauge, verdict.mass_kg, tuple(verdicts))
    return Rival(None, None, tuple(verdicts))

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
from stiffen.mesh.size_field import side_of
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Panel, Point
from stiffen.model.results import LINEAR, NONLINEAR, UNDECIDED, Curve, DemandResult, FastenerLoad, Maps, Rival, Verdict

from .cross_check import doubted
from .panel_model import LINEAR_LIMIT, Stand, stand
from .supports import FREE, assumptions

Progress = Callable[[float | None, str], None]
MODES = 3
HEAVY = 2.0  # linear deflection over thickness beyond which a scout of small deflections has nothing to say
FAR = 1.05  # a badness on the quick mesh that a finer one will not mend
NOTHING: Mapping[float, float] = {}
SPOT = 0.005  # share of the sheet past yield that counts as more than the spots at rivets and corners
NEIGHBOURS = 3  # soft places pushed by the large-deflection solver where the push leaves linear theory


def quiet(fraction: float | None, words: str) -> None:
    """Progress that tells nobody."""


@dataclass(frozen=True, eq=False)
class _Found:
    """One demand on one mesh under one assumption."""

    value: float
    ratio: float = 0.0  # w/t of the linear solve
    at: Point | None = None
    decided: str = LINEAR
    snaps_at: float | None = None
    trouble: str = ""


def _judge(
    on: Stand, demand: Demand, known: _Found | None, coarse: Stand | None = None, enough: float = math.inf
) -> _Found:
    """One demand; `known` is what the finer mesh said: the same place is asked on this one, or none if it is lost.

    coarse: the same on a coarser mesh, which may say where to look.  enough: a badness beyond which no worse is sought.
    """
    if known is not None and known.decided == UNDECIDED:
        return known
    if demand.kind == "frequency":
        return _Found(on.hertz)
    if demand.kind == "softness":
        return _softness(on, demand, known, coarse, enough)
    ratio = on.ratio(demand.case)
    try:
        if demand.kind == "deflection":
            return _deflection(on, demand.case, ratio)
        if demand.kind == "stress":
            return _stress(on, demand.case, ratio)
        return _buckling(on, demand, ratio)
    except SolverError as error:
        linear = ratio * on.layout.gauge
        value = linear if demand.kind == "deflection" else math.nan
        return _Found(value, ratio, None, UNDECIDED, None, str(error))


def _deflection(on: Stand, case: str, ratio: float) -> _Found:
    w = np.abs(on.deflection(case))
    x, y = map(float, on.mesh.plan[w.argmax()])
    if not on.beyond(case):
        return _Found(float(w.max()), ratio, (x, y))
    return _Found(float(w.max()), ratio, (x, y), NONLINEAR, on.followed(case).limit)


def _stress(on: Stand, case: str, ratio: float) -> _Found:
    stress = on.stress(case)
    worst = int(stress.argmax())
    x, y = map(float, on.mesh.plan[on.mesh.triangles[worst]].mean(axis=0))
    value = on.panel.material.yield_strength / max(float(stress[worst]), 1e-12)
    return _Found(value, ratio, (x, y), NONLINEAR if on.beyond(case) else LINEAR)


def _buckling(on: Stand, demand: Demand, ratio: float) -> _Found:
    """The linear factor; where the case itself bends the sheet far, the load factor at which it snaps through."""
    if not on.beyond(demand.case):
        factors, _ = on.held.buckling(on.case(demand.case)[1])
        return _Found(float(factors[0]) if len(factors) else math.inf, ratio)
    result = on.followed(demand.case, demand.limit)
    snaps = result.limit if result.limit is not None else (math.nan if not result.stable else None)
    if snaps is not None and math.isnan(snaps):
        return _Found(math.nan, ratio, None, UNDECIDED, None, result.words)
    return _Found(demand.limit if snaps is None else snaps, ratio, None, NONLINEAR, snaps)


def _softness(on: Stand, demand: Demand, known: _Found | None, coarse: Stand | None, enough: float) -> _Found:
    """A push at the softest place, by the large-deflection solver.

    Where the push leaves linear theory, several of the places that this finds soft are pushed; on the coarser mesh,
    where there is one, to learn which of them gives most.
    """
    t = on.layout.gauge
    if known is not None:
        ratio = on.softness_at(known.at) * demand.force / t
        places = [known.at]
    else:
        order = np.argsort(-on.softness[:, 2], kind="stable")
        ratio = _bends(on, demand)
        places = _apart(on.softness[order, :2], math.sqrt(on.panel.region.area) / 6)
        places = places[: NEIGHBOURS if ratio > LINEAR_LIMIT else 1]
    try:
        if coarse is not None and len(places) > 1:
            places = [max(places, key=lambda place: coarse.pushed(place, demand.force))]
        values = []
        for place in places:
            values.append(on.pushed(place, demand.force))
            if demand.badness(values[-1]) > enough:
                break
    except SolverError as error:
        return _Found(ratio * t, ratio, places[0], UNDECIDED, None, str(error))
    worst = int(np.argmax(values))
    return _Found(values[worst], ratio, places[worst], NONLINEAR)


def _apart(points: np.ndarray, gap: float) -> list[Point]:
    """Points in order, those left out that lie within `gap` mm of one before."""
    out: list[Point] = []
    for x, y in points:
        if all(math.hypot(x - a, y - b) > gap for a, b in out):
            out.append((float(x), float(y)))
    return out


def stand_of(panel: Panel, layout: Layout, grade: str = "normal", assumed: str = FREE) -> Stand:
    """A layout meshed and held, to be asked for fields and curves one by one."""
    return stand(panel, layout, mesh_panel(panel, layout, grade=grade), assumed)


@dataclass(frozen=True, eq=False)
class Judged:
    """A layout judged: the verdict, and the stands it comes from, one for each assumption on the in-plane hold."""

    panel: Panel
    verdict: Verdict
    stands: dict[str, Stand]

    @one_thread
    def recorded(self, *, maps: bool = False, second_opinion: bool = False) -> Verdict:
        """The verdict with what else is wanted for the record, as for `check`."""
        start = time.perf_counter()
        panel, verdict = self.panel, self.verdict
        opinion, doubts = doubted(panel, verdict.layout, verdict.demands) if second_opinion else (None, ())
        return replace(
            verdict,
            warnings=(*verdict.warnings, *_yielding(panel, self.stands), *doubts),
            rivets=_worst_fasteners(panel, self.stands),
            second_opinion=opinion,
            maps=_maps(self.stands[_worst_hold(verdict.demands, tuple(self.stands))]) if maps else None,
            seconds=verdict.seconds + time.perf_counter() - start,
        )


@one_thread
def judged(
    panel: Panel,
    layout: Layout,
    *,
    grade: str = "normal",
    error: bool = True,
    give_up: float = math.inf,
    progress: Progress = quiet,
) -> Judged:
    """Judge a layout against the panel's demands; options and errors as for `check`.

    give_up: a badness on the mesh twice as coarse above which the verdict is that mesh's, without `mesh_error`.
    """
    start = time.perf_counter()
    ends = assumptions(panel)

    def stands(size: float | None) -> dict[str, Stand]:
        mesh = mesh_panel(panel, layout, grade=grade, size=size)
        return {assumed: stand(panel, layout, mesh, assumed) for assumed in ends}

    def told(by_mesh: list[dict[str, list[_Found]]], on: dict[str, Stand]) -> Judged:
        return Judged(panel, _told(panel, layout, by_mesh, on, time.perf_counter() - start), on)

    coarse = stands(2 * side_of(panel.region.area, grade)) if error or grade != "quick" else {}
    if coarse and give_up < math.inf:
        first = {assumed: [_judge(on, demand, None) for demand in panel.demands] for assumed, on in coarse.items()}
        if any(_bad(d, f) > give_up for found in first.values() for d, f in zip(panel.demands, found, strict=True)):
            return told([first], coarse)
    fine = stands(None)
    by_mesh: list[dict[str, list[_Found]]] = []
    for here, other in ((fine, coarse), (coarse, {})) if error else ((fine, coarse),):
        found = {}
        for assumed, on in here.items():
            progress(None, f"solving on {len(on.mesh.nodes)} nodes, edges {assumed} in plane")
            known = by_mesh[0][assumed] if by_mesh else [None] * len(panel.demands)
            beside = other.get(assumed)
            found[assumed] = [_judge(on, d, k, beside) for d, k in zip(panel.demands, known, strict=True)]
        by_mesh.append(found)
    return told(by_mesh, fine)


def _told(
    panel: Panel, layout: Layout, by_mesh: list[dict[str, list[_Found]]], on: dict[str, Stand], seconds: float
) -> Verdict:
    """What was found on one mesh, or on that and a coarser one, as a verdict."""
    demands = tuple(_result(i, panel, by_mesh) for i in range(len(panel.demands)))
    errors = [d.error for d in demands if d.error is not None]
    return Verdict(
        panel=panel.name,
        layout=layout,
        mass_kg=panel.mass(layout),
        blank_mass_kg=panel.mass(replace(layout, holes=())),
        demands=demands,
        nodes=len(next(iter(on.values())).mesh.nodes),
        mesh_error=max(errors) if errors else None,
        warnings=_warnings(panel, demands, by_mesh[0]),
        seconds=seconds,
    )


def _bad(demand: Demand, found: _Found) -> float:
    """Badness of what was found; what is not decided is as bad as can be."""
    return math.inf if found.decided == UNDECIDED else demand.badness(found.value)


def check(
    panel: Panel,
    layout: Layout | None = None,
    *,
    grade: str = "normal",
    maps: bool = False,
    error: bool = True,
    second_opinion: bool = False,
    progress: Progress = quiet,
) -> Verdict:
    """Judge `layout` (default: the panel's own beads on its thinnest sheet) against the panel's demands.

    grade: quick, normal or fine mesh.  maps: keep the fields for pictures.  error: estimate the mesh error by a mesh
    twice as coarse.  second_opinion: ask another shell element too.  Raises MeshError where the layout cannot be
    meshed, SolverError where it is not held.
    """
    found = judged(panel, layout or panel.layout(), grade=grade, error=error, progress=progress)
    return found.recorded(maps=maps, second_opinion=second_opinion)


def _worst_hold(demands: tuple[DemandResult, ...], ends: tuple[str, ...]) -> str:
    worst = min(demands, key=lambda demand: demand.margin, default=None)
    return worst.in_plane if worst else ends[0]


def _result(i: int, panel: Panel, by_mesh: list[dict[str, list[_Found]]]) -> DemandResult:
    demand = panel.demands[i]
    found = {assumed: values[i] for assumed, values in by_mesh[0].items()}
    assumed = min(found, key=lambda end: (found[end].decided != UNDECIDED, demand.margin(found[end].value)))
    worst = found[assumed]
    error, believed = None, worst.value
    if len(by_mesh) == 2 and worst.decided != UNDECIDED and math.isfinite(worst.value) and worst.value:
        coarse = by_mesh[1][assumed][i]
        if math.isfinite(coarse.value) and coarse.decided == worst.decided:
            step = (worst.value - coarse.value) / 3
            error, believed = abs(step / worst.value), worst.value + step
    met = worst.decided != UNDECIDED and min(demand.margin(worst.value), demand.margin(believed)) >= 0
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
        decided_by=worst.decided,
        ratio_w_t=max(one.ratio for one in found.values()),
        error=error,
        in_plane=assumed,
        by_hold={end: one.value for end, one in found.items()},
        at=worst.at,
        snaps_at=worst.snaps_at,
    )


def _warnings(panel: Panel, demands: tuple[DemandResult, ...], found: dict[str, list[_Found]]) -> tuple[str, ...]:
    out = []
    for i, d in enumerate(demands):
        trouble = found[d.in_plane][i].trouble
        if trouble:
            out.append(f"{d.label}: not decided: {trouble}")
        if d.snaps_at is not None and d.kind == "deflection" and d.snaps_at <= 1:
            out.append(f"{d.label}: the sheet snaps through (oil-cans) at {100 * d.snaps_at:.0f} % of the load")
        if d.error is not None and not d.met and d.margin >= 0 and d.decided_by != UNDECIDED:
            out.append(f"{d.label}: the mesh error ({100 * d.error:.1f} %) eats the margin ({100 * d.margin:.1f} %)")
    if not panel.demands:
        out.append("the panel file makes no demand: nothing was judged")
    return tuple(out)


def _yielding(panel: Panel, stands: dict[str, Stand]) -> list[str]:
    """Cases that take more than a spot of the sheet past its yield strength, where elastic numbers no longer hold."""
    out = []
    for case in panel.cases:
        worst = (0.0, 0.0)
        for on in stands.values():
            try:
                stress = on.stress(case)
            except SolverError:
                continue
            area = on.held.shell.facets.area
            past = stress > panel.material.yield_strength
            worst = max(worst, (float(area[past].sum() / area.sum()), float(stress.max())))
        if worst[0] > SPOT:
            times = worst[1] / panel.material.yield_strength
            out.append(
                f"case {case}: {100 * worst[0]:.1f} % of the sheet passes its yield strength (to {times:.1f} times); "
                "it is computed as elastic, so it will give more than said, and stay bent"
            )
    return out


def _worst_fasteners(panel: Panel, stands: dict[str, Stand]) -> tuple[FastenerLoad, ...]:
    """For each case the rivet or bolt of each support that carries most, over the assumptions on in-plane hold."""
    out = []
    for case in panel.cases:
        worst: dict[int, FastenerLoad] = {}
        for assumed, on in stands.items():
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


def _maps(on: Stand) -> Maps:
    hertz, shapes = on.held.modes(MODES)
    swings = on.square_to_sheet(shapes).T
    modes = tuple((float(f), s / np.abs(s).max()) for f, s in zip(hertz, swings, strict=True))
    deflection, stress, curves = {}, {}, {}
    for case in on.panel.cases:
        try:
            deflection[case], stress[case] = on.deflection(case), on.stress(case)
            if on.beyond(case):
                curves[case] = Curve(*on.curve(case))
        except SolverError:
            continue  # the verdict's warnings say so; there is no field to draw
    return Maps(
        plan=on.mesh.plan,
        triangles=on.mesh.triangles,
        z=on.mesh.nodes[:, 2],
        deflection=deflection,
        softness=on.softness,
        modes=modes,
        stress=stress,
        curves=curves,
    )


@one_thread
def quick_badness(panel: Panel, layout: Layout, cap: float = math.inf) -> float:
    """Worst badness of a layout on the quick mesh; cheap demands first, given up as soon as it exceeds `cap`."""
    return _badness(panel, _quick_stands(panel, layout), cap)


@one_thread
def glance(panel: Panel, layout: Layout, cap: float = math.inf) -> tuple[float, tuple[int, ...]]:
    """`quick_badness`, and the numbers of the demands whose loads bend the sheet far beyond small deflections.

    The second is by linear theory: deflection over thickness above HEAVY.
    """
    stands = _quick_stands(panel, layout)
    heavy = [i for i, demand in enumerate(panel.demands) if any(_bends(on, demand) > HEAVY for on in stands)]
    return _badness(panel, stands, cap), tuple(heavy)


def _quick_stands(panel: Panel, layout: Layout) -> list[Stand]:
    mesh = mesh_panel(panel, layout, grade="quick")
    return [stand(panel, layout, mesh, assumed) for assumed in assumptions(panel)]


def _badness(panel: Panel, stands: list[Stand], cap: float) -> float:
    cheap = ("frequency", "buckling", "softness", "stress", "deflection")
    worst = 0.0
    for demand in sorted(panel.demands, key=lambda d: cheap.index(d.kind)):
        for on in stands:
            found = _judge(on, demand, None, enough=cap)
            worst = max(worst, _bad(demand, found))
            if worst > cap:
                return worst
    return worst


def _bends(on: Stand, demand: Demand) -> float:
    """Largest deflection over thickness in a demand, by linear theory."""
    if demand.kind == "frequency":
        return 0.0
    if demand.kind == "softness":
        return float(on.softness[:, 2].max()) * demand.force / on.layout.gauge
    return on.ratio(demand.case)


@one_thread
def rival(
    panel: Panel, *, grade: str = "normal", known: Mapping[float, float] = NOTHING, progress: Progress = quiet
) -> Rival:
    """The thinnest flat sheet of the rack, without bead or hole, that meets the same demands under the same judge.

    The quick mesh, with its error, says met where it can; what it misses by little is asked of the mesh of `grade`.
    known: badness on the quick mesh of gauges that were looked at before; those that miss by far are passed over.
    """
    gauges = sorted(panel.gauges)
    cheap = replace(panel, demands=tuple(demand for demand in panel.demands if demand.kind == "frequency"))
    for count, gauge in enumerate(gauges, start=1):
        progress(None, f"flat sheet of {gauge:g} mm")
        if known.get(gauge, 0.0) > FAR or quick_badness(cheap, Layout(gauge), cap=FAR) > FAR:
            continue
        verdict = check(panel, Layout(gauge), grade="quick")
        if not verdict.met and grade != "quick" and verdict.badness <= FAR:
            verdict = check(panel, Layout(gauge), grade=grade)
        if verdict.met:
            return Rival(gauge, verdict.mass_kg, tuple(gauges[:count]), verdict)
    return Rival(None, None, tuple(gauges))

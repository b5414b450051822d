"""The search over the gauges of a panel, from the thinnest to the first that meets the demands, then for flared holes.

At each gauge: the flat sheet; then beads selected on the surrogate, evaluated with the shell model, which calibrates
the surrogate, and so on.  Where large deflection governs, the surrogate ranks layouts wrongly; there regular layouts
and random moves on the best of them are evaluated one after the other on the quick mesh.  A small share of the time
goes to proofs.

The first pass over the gauges uses the surrogate as far as it can, and only then the search goes back to lighter
gauges: so a layout that meets the demands is on disk early.  Repeatable: the same panel and seed give the same layout,
in whichever process, unless the clock cuts a part of the search short; `SearchResult.cut_short` says whether it did.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

from stiffen.analysis.evaluation import Progress, check, evaluate, no_progress
from stiffen.analysis.flat_sheet import flat_baseline
from stiffen.errors import Fault, InputError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, SearchResult, Verdict
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.candidate_set import only_fixed
from stiffen.shop import layout_check
from stiffen.shop.rolling_bow import with_balanced_faces

from .bead_removal import remove_unneeded_beads
from .budget import Budget
from .evaluator import Evaluator
from .gauge_search import GaugeSearch
from .hole_placement import add_holes
from .incumbent import Incumbent, OnBest, ignore_best
from .proofs import prove
from .settings import DEFAULT_SETTINGS, SearchSettings
from .state import SearchState


@one_thread
def search(
    panel: Panel,
    *,
    seconds: float = 60.0,
    seed: int = 0,
    mesh_level: str = "normal",
    start: Layout | None = None,
    progress: Progress = no_progress,
    on_best: OnBest = ignore_best,
    settings: SearchSettings = DEFAULT_SETTINGS,
) -> SearchResult:
    """Search for the lightest layout that meets the panel's demands on the shell model, or for the stiffest.

    The result is never worse than the beads and holes in the panel's own file where these keep the rules, nor than
    `start`.

    seconds: time of it all.  seed: of the random numbers.  mesh_level: quick, normal or fine.  start: a layout to go
    on from; it counts as found, and its fixed beads and holes stay.  progress: called with the fraction of the time
    used and a message.  on_best: called with the verdict of each better layout as soon as it is evaluated.  settings:
    its tuning.

    Ctrl-C (KeyboardInterrupt) ends the search with the best so far, as running out of `seconds` does;
    `SearchResult.stopped` says so.  Raises InputError if `start` breaks a rule of the shop or its gauge is not in the
    rack.
    """
    whole = Budget.of(seconds)
    if start is not None:
        panel = continued_panel(panel, start)
    stiffest = panel.goal == "stiffest"
    incumbent = Incumbent(panel, on_best, settings)
    state = SearchState(
        Evaluator(panel, mesh_level, settings),
        incumbent,
        seed,
        settings,
        whole,
        progress,
        _initial_layouts(panel, start),
    )
    proof_seconds = 0.0 if stiffest else settings.proof_time_share * seconds
    budget = replace(
        whole.without_last(proof_seconds),
        reserve=lambda: settings.record_time_factor * incumbent.evaluation_seconds,
    )
    stopped, interrupted = "", False
    bound, baseline = None, FlatSheetBaseline(None, None)
    try:
        if start is not None:
            state.evaluate(start)
        last_part = search_gauges(state, budget)
        _balance_faces(state)
        if last_part.is_spent:
            stopped, state.cut_short = f"{seconds:g} s were not enough to try everything", True
        bound = prove(state, Budget.of(proof_seconds))
        state.report("finding the thinnest flat sheet that meets the same demands")
        known = state.evaluator.flat_utilisations()
        baseline = flat_baseline(panel, mesh_level=mesh_level, quick_results=known)
        _accept_flat_sheet(state, baseline)
    except KeyboardInterrupt:
        stopped, interrupted = "interrupted", True
    best = incumbent.verdict.layout if incumbent.verdict else panel.layout()
    state.report("evaluating the best layout in full")
    evaluation = incumbent.evaluation or evaluate(panel, best, mesh_level=mesh_level)
    verdict = evaluation.full_verdict(fields=True, second_opinion=not interrupted)
    flat = check(panel, Layout(best.gauge), mesh_level=mesh_level, fields=True, mesh_error=False)
    return SearchResult(
        verdict=verdict,
        flat_verdict=flat,
        flat_baseline=baseline,
        gauge_outcomes=tuple(state.outcomes[gauge] for gauge in sorted(state.outcomes)),
        bound=bound,
        cut_short=state.cut_short or interrupted,
        seed=seed,
        candidate_count=state.candidate_count,
        stopped=stopped,
        interrupted=interrupted,
        seconds=time.monotonic() - whole.start,
    )


def search_all(panels: Sequence[Panel], *, executor: Executor | None = None, **options: Any) -> list[SearchResult]:
    """`search` for each panel, on the workers of any `concurrent.futures.Executor`; default: one after the other.

    options: of each `search`; progress and on_best stay out of other processes.  The layouts do not depend on the
    executor and the number of its workers as far as `search` is repeatable, that is where `SearchResult.cut_short` is
    False.  The executor raises its own error if a worker dies, mostly BrokenExecutor.  Nothing is written to disk.
    """
    if executor is None:
        return [search(panel, **options) for panel in panels]
    futures = [executor.submit(search, panel, **options) for panel in panels]
    return [future.result() for future in futures]


def continued_panel(panel: Panel, start: Layout) -> Panel:
    """The panel with the fixed beads and holes of a layout that a search is to go on from.

    Raises InputError if the layout breaks a rule of the shop or its gauge is not in the rack.
    """
    panel = replace(panel, beads=_with_fixed(panel.beads, start.beads), holes=_with_fixed(panel.holes, start.holes))
    cure = "mend it in the layout, or leave it out"
    faults = [Fault(violation.where, violation.what, cure) for violation in layout_check.audit(panel, start)]
    if start.gauge not in panel.gauges:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        faults.append(Fault("gauge", f"{start.gauge:g} is not in the rack of the panel", f"one of: {rack}"))
    if faults:
        raise InputError(faults)
    return panel


def _with_fixed(own: tuple, others: tuple) -> tuple:
    """The panel's own beads (or holes), and of others the fixed ones, each once."""
    return own + tuple(item for item in only_fixed(others) if item not in own)


def _initial_layouts(panel: Panel, start: Layout | None) -> tuple[Layout, ...]:
    """The panel's own layout and `start`, if they have a bead or hole and keep the panel's limits on beads and dies."""
    layouts = (panel.layout(),) if start is None else (panel.layout(), start)
    return tuple(one for one in layouts if one.beads + one.holes and panel.within_count_limits(one))


# ----------------------------------------------------------------------------------------------------- over the gauges


def search_gauges(state: SearchState, budget: Budget) -> Budget:
    """Search from the thinnest gauge up to the first that meets the demands, then closer below it, then for holes.

    For the goal "stiffest", search only the thinnest gauge and add no holes.  Returns the part of the budget that was
    in force last.
    """
    panel, settings = state.panel, state.settings
    first_axes, *other_axes = _mirror_axes_to_try(panel)
    holes_follow = bool(panel.tools.hole_dies) and not state.stiffest
    for_beads = budget.without_last(settings.hole_time_share * budget.length) if holes_follow else budget
    met, missed = _first_pass(state, for_beads, first_axes)
    for gauge_search in reversed(missed):
        if not for_beads.is_spent:
            met = _search_closer(state, for_beads, gauge_search, other_axes) or met
    if met is None or state.stiffest:
        return for_beads
    verdict, gauge_search = met
    verdict = remove_unneeded_beads(state, for_beads, verdict, gauge_search)
    _search_holes(state, budget, verdict, gauge_search, other_axes)
    return budget


def _mirror_axes_to_try(panel: Panel) -> tuple[str, ...]:
    """Mirror axes to try in turn: the panel's own, then none if the panel leaves symmetry to the search."""
    axes = symmetry.mirror_axes(panel)
    return (axes, "") if axes and panel.symmetry == "auto" else (axes,)


def _first_pass(
    state: SearchState, budget: Budget, mirror_axes: str
) -> tuple[tuple[Verdict, GaugeSearch] | None, list[GaugeSearch]]:
    """Search gauge after gauge, mostly on the surrogate, until one meets the demands: that one, and those that miss."""
    settings = state.settings
    gauges = sorted(state.panel.gauges)[: 1 if state.stiffest else None]
    missed: list[GaugeSearch] = []
    for count, gauge in enumerate(gauges):
        if budget.is_spent:
            state.record(GaugeOutcome(gauge, GaugeStatus.NOT_TRIED))
            continue
        gauge_search = state.gauge_searches[gauge] = GaugeSearch.prepare(state, gauge, mirror_axes)
        share = 1 / (len(gauges) - count + settings.spare_time_shares)
        verdict = gauge_search.surrogate_loop(state, budget, share)
        promising = state.evaluator.lowest_utilisation(gauge) <= settings.promising_limit and not state.stiffest
        if verdict is None and gauge_search.large_deflection and promising and not budget.is_spent:
            verdict = gauge_search.direct_search(state, budget, settings.first_pass_direct_time_share)
        if verdict is not None:
            return (verdict, gauge_search), missed
        missed.append(gauge_search)
    return None, missed


def _search_closer(
    state: SearchState, budget: Budget, gauge_search: GaugeSearch, other_axes: Sequence[str]
) -> tuple[Verdict, GaugeSearch] | None:
    """Search a gauge again: with more time, without symmetry if the best came close, and with the shell model.

    The direct search comes first where large deflection governs.
    """
    settings = state.settings
    direct_share = settings.stiffest_direct_time_share if state.stiffest else settings.direct_time_share
    direct_done = gauge_search.large_deflection
    verdict = None
    if direct_done:
        share = settings.direct_time_share if other_axes else direct_share
        verdict = gauge_search.direct_search(state, budget, share)
    elif gauge_search.surrogate_cut_short:
        verdict = gauge_search.surrogate_loop(state, budget, settings.surrogate_time_share)
    if verdict is not None:
        return verdict, gauge_search
    gauge = gauge_search.gauge
    for axes in other_axes:
        if state.evaluator.lowest_utilisation(gauge) > settings.promising_limit and not state.stiffest:
            break
        gauge_search = state.gauge_searches[gauge] = GaugeSearch.prepare(state, gauge, axes)
        direct_done = False
        verdict = gauge_search.surrogate_loop(state, budget, settings.surrogate_time_share)
        if verdict is not None:
            return verdict, gauge_search
    if direct_done or budget.is_spent:
        return None
    verdict = gauge_search.direct_search(state, budget, direct_share)
    return None if verdict is None else (verdict, gauge_search)


def _search_holes(
    state: SearchState, budget: Budget, verdict: Verdict, gauge_search: GaugeSearch, other_axes: Sequence[str]
) -> None:
    """Add holes; then again to beads without symmetry, as fewer of these may do and leave room for more holes."""
    add_holes(state, budget, verdict, gauge_search.candidates)
    gauge, settings = gauge_search.gauge, state.settings
    for axes in other_axes if state.panel.tools.hole_dies else ():
        if axes == gauge_search.mirror_axes:
            continue
        if budget.seconds_left <= settings.asymmetric_setup_factor * gauge_search.setup_seconds:
            state.cut_short = True
            continue
        outcome = state.outcomes[gauge]
        other = GaugeSearch.prepare(state, gauge, axes)
        fewer = other.surrogate_loop(state, budget, settings.surrogate_time_share)
        state.record(outcome)
        if fewer is not None:
            add_holes(state, budget, fewer, other.candidates)


# ---------------------------------------------------------------------------------------------------------- at the end


def _balance_faces(state: SearchState) -> None:
    """Roll some beads to the other face if that reduces the bow, the panel allows both, and the demands stay met."""
    best = state.incumbent.verdict
    if best is None or not best.met:
        return
    layout = with_balanced_faces(state.panel, best.layout)
    if layout != best.layout and not layout_check.audit(state.panel, layout):
        state.report("turning beads to the other face to reduce the bow")
        verdict = state.evaluate(layout)
        if verdict.met:
            state.incumbent.accept(verdict)


def _accept_flat_sheet(state: SearchState, baseline: FlatSheetBaseline) -> None:
    """Accept the flat sheet that meets the demands if no layout with beads does and none is fixed."""
    panel, gauge = state.panel, baseline.gauge_mm
    fixed = only_fixed(panel.beads) + only_fixed(panel.holes)
    if gauge is not None and not state.incumbent.met and not fixed and not state.stiffest:
        state.evaluate(Layout(gauge))
        state.record(GaugeOutcome(gauge, GaugeStatus.FLAT))

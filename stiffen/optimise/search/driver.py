"""The search: gauge by gauge from the thinnest, beads by the scout, the last word by the judge, holes at the end.

At each gauge: the flat sheet; then beads chosen on the scout, judged, the scout corrected by what the judge says, and
so on.  Where large deflection decides, the scout ranks wrongly; there layouts that a hand would draw, and what local
moves make of them, are judged one by one on the quick mesh.  A small share of the time goes to what can be proven.
Repeatable: the same panel and seed give the same layout, in whichever process, unless the clock cuts a part of the
search short; `SearchResult.cut_short` says whether it did.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import numpy as np

from stiffen.analysis.evaluation import Progress, check, evaluate, no_progress
from stiffen.analysis.flat_sheet import flat_baseline
from stiffen.errors import Fault, InputError, SolverError
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.outcomes import BoundRecord, GaugeOutcome, GaugeStatus
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, SearchResult, Verdict
from stiffen.optimise.bounds.linear_program import CostTerms
from stiffen.optimise.bounds.lower_bound import COST_TOLERANCE
from stiffen.optimise.bounds.statements import (
    BoundInstance,
    bench_minutes,
    bench_minutes_bound,
    bound_record,
    infeasibility_outcome,
)
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.candidate_set import minutes_per_bead, only_fixed
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.shop import layout_check
from stiffen.shop.rolling_bow import with_balanced_faces
from stiffen.surrogate.stiffened_plate import stiffened_plate

from .bead_removal import remove_unneeded_beads
from .gauge_search import (
    DIRECT_TIME_SHARE,
    FIRST_PASS_DIRECT_LIMIT,
    FIRST_PASS_DIRECT_TIME_SHARE,
    SECOND_ATTEMPT_LIMIT,
    STIFFEST_DIRECT_TIME_SHARE,
    GaugeSearch,
)
from .hole_placement import add_holes
from .state import OnBest, SearchState, ignore_best

PROOF_TIME_SHARE = 0.08  # share of all the time that is kept for proofs
HOLE_TIME_SHARE = 0.15  # and for flared holes
ASYMMETRIC_SETUP_FACTOR = (
    3  # times that a gauge took to draw up, left at least if it is to be drawn up again without symmetry
)
SPARE_TIME_SHARES = 2  # shares of the time, one a gauge, that the first look at all gauges leaves
SURROGATE_TIME_SHARE = 0.25  # share of the time left that choosing by the scout may take at one gauge looked at closer


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
) -> SearchResult:
    """The lightest layout found that the judge says meets the panel's demands, and what is proven about it.

    It is never worse than the beads and holes in the panel's own file where these keep the rules, nor than `start`.

    start: a layout to go on from; it counts as found, and its fixed beads and holes stay.  on_best is called with the
    verdict of each better layout as soon as it is judged.  progress is told the fraction of the time used and what is
    going on.  Ctrl-C (KeyboardInterrupt) ends the search with the best so far, as running out of `seconds` does;
    `SearchResult.stopped` says so.  InputError where `start` breaks a rule of the shop or its gauge is not in the rack.
    """
    begun = time.monotonic()
    if start is not None:
        panel = continued_panel(panel, start)
    proving = PROOF_TIME_SHARE * seconds if panel.goal == "lightest" else 0.0
    hunt = SearchState(panel, begun + seconds - proving, seed, mesh_level, progress, on_best, end=begun + seconds)
    hunt.initial_layouts = tuple(
        one for one in (panel.layout(), start) if one is not None and _is_initial_layout(panel, one)
    )
    stopped, bound = "", None
    flat_rival = FlatSheetBaseline(None, None)
    try:
        if start is not None:
            hunt.evaluate(start)
        _search_gauges(hunt)
        _balance_faces(hunt)
        if hunt.seconds_left <= 0:
            stopped, hunt.cut_short = f"{seconds:g} s were not enough to try everything", True
        bound = _prove(hunt, proving)
        hunt.report("looking for the flat sheet that meets the same demands")
        known = {layout.gauge: bad for layout, (bad, _) in hunt.screenings.items() if layout == Layout(layout.gauge)}
        flat_rival = flat_baseline(panel, mesh_level=mesh_level, quick_results=known)
        _accept_flat_sheet(hunt, flat_rival)
    except KeyboardInterrupt:
        stopped = "interrupted"
    best = hunt.best.layout if hunt.best else panel.layout()
    hunt.report("judging the best layout for the record")
    whole = hunt.best_evaluation or evaluate(panel, best, mesh_level=mesh_level)
    verdict = whole.full_verdict(fields=True, second_opinion=stopped != "interrupted")
    flat = check(panel, Layout(best.gauge), mesh_level=mesh_level, fields=True, mesh_error=False)
    return SearchResult(
        verdict=verdict,
        flat_verdict=flat,
        flat_baseline=flat_rival,
        gauge_outcomes=tuple(hunt.reasons[gauge] for gauge in sorted(hunt.reasons)),
        bound=bound,
        cut_short=hunt.cut_short or stopped == "interrupted",
        seed=seed,
        candidate_count=hunt.candidate_count,
        stopped=stopped,
        seconds=time.monotonic() - begun,
    )


def _accept_flat_sheet(state: SearchState, flat: FlatSheetBaseline) -> None:
    """Take the flat sheet where no beaded one was found that meets the demands."""
    fixed = only_fixed(state.panel.beads) + only_fixed(state.panel.holes)
    met = state.best is not None and state.best.met
    if flat.gauge_mm is not None and not met and not fixed and state.panel.goal == "lightest":
        state.evaluate(Layout(flat.gauge_mm))
        state.reasons[flat.gauge_mm] = GaugeOutcome(flat.gauge_mm, GaugeStatus.FLAT)


def _balance_faces(state: SearchState) -> None:
    """Turn beads to the other face where that bows the sheet less, the panel allows both, and the judge says met."""
    if state.best is None or not state.best.met:
        return
    layout = with_balanced_faces(state.panel, state.best.layout)
    if layout != state.best.layout and not layout_check.audit(state.panel, layout):
        state.report("turning beads to the other face, so that the sheet bows less")
        verdict = state.evaluate(layout)
        if verdict.met:
            state.accept(verdict)


def _is_initial_layout(panel: Panel, layout: Layout) -> bool:
    """True where a layout has any bead or hole, and no more beads and dies than the panel asks for."""
    return bool(layout.beads + layout.holes) and panel.within_count_limits(layout)


def _with_fixed(own: tuple, others: tuple) -> tuple:
    """The panel's beads (or holes) and those fixed in a layout, each once."""
    return own + tuple(item for item in only_fixed(others) if item not in own)


def continued_panel(panel: Panel, start: Layout) -> Panel:
    """The panel with what is fixed in a layout that a search is to go on from.

    InputError where the layout breaks a rule of the shop or its gauge is not in the rack.
    """
    panel = replace(panel, beads=_with_fixed(panel.beads, start.beads), holes=_with_fixed(panel.holes, start.holes))
    cure = "mend it in the layout, or leave it out"
    faults = [Fault(breach.where, breach.what, cure) for breach in layout_check.audit(panel, start)]
    if start.gauge not in panel.gauges:
        rack = ", ".join(f"{gauge:g}" for gauge in sorted(panel.gauges))
        faults.append(Fault("gauge", f"{start.gauge:g} is not in the rack of the panel", f"one of: {rack}"))
    if faults:
        raise InputError(faults)
    return panel


def search_all(panels: Sequence[Panel], *, executor: Executor | None = None, **options: Any) -> list[SearchResult]:
    """`search` for each panel, at once on the workers of any `concurrent.futures.Executor` (default: one by one).

    options go to each `search`; progress and on_best stay out of other processes.  The layouts are the same whatever
    the executor and the number of its workers, as far as `search` is repeatable: where `SearchResult.cut_short` is
    False.  A worker that dies shows as the executor has it, a broken pool mostly; what is written is the caller's
    affair.
    """
    if executor is None:
        return [search(panel, **options) for panel in panels]
    waiting = [executor.submit(search, panel, **options) for panel in panels]
    return [one.result() for one in waiting]


def _search_gauges(state: SearchState) -> None:
    """Go up the gauges until the scout's layouts meet; then look closer at the lighter ones; then holes.

    Asked for the stiffest, stay at the thinnest gauge and leave the sheet whole.
    """
    panel = state.panel
    stiffest = panel.goal == "stiffest"
    first, *others = _mirror_axes_to_try(panel)
    gauges = sorted(panel.gauges)[: 1 if stiffest else None]
    end = state.deadline
    state.deadline -= 0.0 if stiffest or not panel.tools.hole_dies else HOLE_TIME_SHARE * (end - state.start)
    looked: list[GaugeSearch] = []
    met: tuple[Verdict, GaugeSearch] | None = None
    for count, gauge in enumerate(gauges):
        if state.seconds_left <= 0:
            state.reasons[gauge] = GaugeOutcome(gauge, GaugeStatus.NOT_TRIED)
            continue
        here = state.gauge_searches[gauge] = GaugeSearch.prepare(state, gauge, first)
        found = here.surrogate_loop(state, 1 / (len(gauges) - count + SPARE_TIME_SHARES))
        if found is not None:
            met = found, here
            break
        if (
            here.large_deflection
            and state.best_utilisations.get(gauge, math.inf) <= FIRST_PASS_DIRECT_LIMIT
            and state.seconds_left > 0
            and not stiffest
        ):
            found = here.direct_search(state, FIRST_PASS_DIRECT_TIME_SHARE)
            if found is not None:
                met = found, here
                break
        looked.append(here)
    for here in reversed(looked):
        better = _search_closer(state, here, others) if state.seconds_left > 0 else None
        met = better or met
    if met is not None and not stiffest:
        verdict, here = remove_unneeded_beads(state, *met), met[1]
        state.deadline = end
        _search_holes(state, verdict, here, others)


def _search_holes(state: SearchState, verdict: Verdict, here: GaugeSearch, others: Sequence[str]) -> None:
    """Holes; then beads without symmetry, as fewer of them leave room for more holes."""
    add_holes(state, verdict, here.candidates)
    for along in others if state.panel.tools.hole_dies else ():
        if along == here.mirror_axes:
            continue
        if state.seconds_left <= ASYMMETRIC_SETUP_FACTOR * here.setup_seconds:
            state.cut_short = True
        else:
            outcome = state.reasons[here.gauge]
            plain = GaugeSearch.prepare(state, here.gauge, along)
            found = plain.surrogate_loop(state, SURROGATE_TIME_SHARE)
            state.reasons[here.gauge] = outcome
            if found is not None:
                add_holes(state, found, plain.candidates)


def _search_closer(state: SearchState, here: GaugeSearch, others: Sequence[str]) -> tuple[Verdict, GaugeSearch] | None:
    """By the scout with more time, without symmetry where that may do, then one layout at a time.

    That first where the scout cannot rank.
    """
    done = here.large_deflection  # one by one
    stiffest = state.panel.goal == "stiffest"
    share = STIFFEST_DIRECT_TIME_SHARE if stiffest else DIRECT_TIME_SHARE
    if here.large_deflection or here.surrogate_cut_short:
        found = (
            here.direct_search(state, DIRECT_TIME_SHARE if others else share)
            if done
            else here.surrogate_loop(state, SURROGATE_TIME_SHARE)
        )
        if found is not None:
            return found, here
    for along in others:
        if state.best_utilisations[here.gauge] > SECOND_ATTEMPT_LIMIT and not stiffest:
            break
        here, done = GaugeSearch.prepare(state, here.gauge, along), False
        state.gauge_searches[here.gauge] = here
        found = here.surrogate_loop(state, SURROGATE_TIME_SHARE)
        if found is not None:
            return found, here
    found = here.direct_search(state, share) if state.seconds_left > 0 and not done else None
    return None if found is None else (found, here)


def _mirror_axes_to_try(panel: Panel) -> tuple[str, ...]:
    """Symmetries to try in turn: the panel's own first where that is left to us, then none."""
    along = symmetry.mirror_axes(panel)
    return (along, "") if along and panel.symmetry == "auto" else (along,)


def _prove(state: SearchState, seconds: float) -> BoundRecord | None:
    """Put a proof in place of the reason of each lighter gauge where there is one; a bound on the work of the best."""
    best = state.best
    if state.panel.goal == "stiffest" or best is None:
        return None
    end = time.monotonic() + seconds
    lighter = [g for g in sorted(state.panel.gauges) if g < best.layout.gauge or not best.met]
    opened = [g for g in lighter if g in state.gauge_searches]
    for k, gauge in enumerate(opened):
        state.report(f"{gauge:g} mm: can any layout do?")
        share = (end - time.monotonic()) / (len(opened) - k + best.met)
        proven = infeasibility_outcome(_bound_instance(state, state.gauge_searches[gauge]), share)
        state.reasons[gauge] = proven or state.reasons[gauge]
    if not best.met or best.layout.gauge not in state.gauge_searches:
        return None
    ground = _bound_instance(state, state.gauge_searches[best.layout.gauge], best.layout.beads)
    same = [v for v in state.verdicts.values() if v.met and v.layout.gauge == best.layout.gauge]
    bare = min((v for v in same if v.layout.beads == best.layout.beads), key=lambda v: len(v.layout.holes))
    state.report("how little work would do?")
    try:
        found = bench_minutes_bound(ground, bare, end - time.monotonic())
    except SolverError:
        return None
    paid = [bench_minutes(ground.terms, n) for n in map(ground.bead_numbers, (v.layout for v in same)) if n is not None]
    if found is None or min(paid) < found.value - COST_TOLERANCE:
        return None
    return bound_record(found, best.layout.gauge, all(state.reasons[g].is_infeasible for g in lighter))


def _bound_instance(state: SearchState, gauge_search: GaugeSearch, extra_beads: tuple[Bead, ...] = ()) -> BoundInstance:
    """Every bead candidate of a gauge by itself, for proofs; more: beads to take in where they were not drawn."""
    panel, pool, plate = state.panel, gauge_search.candidates, gauge_search.surrogate
    beads, blocked = pool.beads, pool.bead_conflicts
    new = tuple(bead for bead in extra_beads if bead not in beads)
    if new:
        n, beads = len(beads), beads + new
        wider = conflict_matrix(panel, gauge_search.gauge, beads, ()).toarray()
        wider[:n, :n] = blocked
        plate, blocked = plate.joined(stiffened_plate(panel, gauge_search.gauge, new)), wider
    dies = list(dict.fromkeys(bead.die for bead in beads))
    terms = CostTerms(
        cost=minutes_per_bead(panel, beads),
        dies=np.array([dies.index(bead.die) for bead in beads], int),
        die_cost=gauge_search.objective.die_minutes,
        beads_at_most=math.inf if panel.beads_at_most is None else panel.beads_at_most,
        dies_at_most=math.inf if panel.dies_at_most is None else panel.dies_at_most,
        fixed=pool.fixed_groups,
    )
    return BoundInstance(beads, plate, blocked, terms)

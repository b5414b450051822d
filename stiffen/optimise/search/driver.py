"""The search over the gauges of a panel, from the thinnest to the first that meets the demands, then for flared holes.

At each gauge the shell model first evaluates the given layouts: the bare sheet, the panel's own, the one to start from.
Then `gauge_search` looks for beads in stages, mild dies first.  What comes of a layout that meets the demands, without
needless beads, neat, with flared holes, is collected, and the proposals are chosen from it (`proposals`).  A heavier
gauge is searched only if the recommended layout may lie there.  If no layout meets the demands, the best of all gauges
is returned.

The work is counted, not timed: the same panel, seed and effort give the same layout on any machine, beside any other
load and with any number of workers, unless a time limit cuts it short; `SearchResult.cut_short` says whether it did.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any

from stiffen.analysis.evaluation import Progress, no_progress
from stiffen.analysis.flat_sheet import flat_baseline
from stiffen.errors import Fault, InputError
from stiffen.fem.blas_threads import one_thread, start_job
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, GaugeStatus
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, Proposal, SearchResult, Verdict
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.straight_beads import fixed_beads_and_holes
from stiffen.shop import layout_check
from stiffen.shop.rolling_bow import with_balanced_faces

from .budget import Budget
from .ending import EndJobs, final_verdicts, start_if_in_time, with_second_opinion
from .evaluator import BEADED_OVER_FLAT, Evaluator
from .finish.proposals import Options, alternatives_of, collect, collect_with_holes, proposals_of, settle
from .finish.strike_out import strike_out
from .incumbent import Incumbent, OnBest, ignore_best
from .runner import LayoutRunner, run_jobs
from .settings import DEFAULT_SETTINGS, EFFORTS, SearchSettings
from .stages.gauge_search import GaugeSearch, first_factors
from .stages.hole_bases import layouts_for_holes, short_layouts
from .stages.shell_tuning import tune_by_shell
from .state import SearchState
from .work_share import SETTLED

FINAL_SHARE = 0.1  # of the time limit, kept at the end beside what follows
FINAL_EVALUATIONS = 1.5  # complete evaluations for whose time the search ends early, unless that is over half the limit
GAUGE_SHARE = 0.6  # of the time left, for each gauge but the last
BARE_SHARE = 0.25  # of the time limit, for the bare sheets at the start; else only the thinnest and the thickest
STAGES_THAT_MEET = 3  # of one gauge, after which the search goes on to the next even if none keeps the margin
OnDecided = Callable[[Verdict, tuple[float, ...] | None], None]
FALLBACKS = 2  # layouts that are evaluated in full where nothing meets the demands


@one_thread
def search(
    panel: Panel,
    *,
    effort: str = "normal",
    seconds: float | None = None,
    seed: int = 0,
    mesh_level: str = "normal",
    start: Layout | None = None,
    executor: Executor | None = None,
    progress: Progress = no_progress,
    on_best: OnBest = ignore_best,
    on_decided: OnDecided | None = None,
    meanwhile: Callable[[SearchResult], SearchResult] | None = None,
    settings: SearchSettings = DEFAULT_SETTINGS,
) -> SearchResult:
    """Search for the lightest layout that meets the panel's demands on the shell model, or for the stiffest.

    The result is never worse than the flat sheet, than the beads and holes in the panel's own file where these keep the
    rules, nor than `start`, at any gauge.

    effort: quick, normal or thorough: how much is tried.  seconds: time limit of the whole search; None for none.
    seed: of the random numbers.  mesh_level: quick, normal or fine.  start: a layout to go on from; it counts as found,
    and its fixed beads and holes stay.  executor: evaluates layouts on its workers, for instance those of a
    `ProcessPoolExecutor` or of a Dask cluster; the result is the same.  progress: called with the fraction of the time
    used, None without a limit, and a message.  on_best: called with the verdict of each better layout as soon as it is
    evaluated.  on_decided: called, unless there is a time limit, as soon as the layout to hand out is likely known,
    with its verdict and its utilisations on the quick mesh; what it starts on workers runs beside the rest of the
    search.  meanwhile: adds to the result while a worker computes its second opinion; not called after Ctrl-C.
    settings: limits that steer the search.

    Ctrl-C (KeyboardInterrupt) ends the search with the best so far, as running out of `seconds` does;
    `SearchResult.stopped` says so.  Raises InputError for an unknown effort, and if `start` breaks a rule of the shop
    or its gauge is not in the rack.
    """
    if effort not in EFFORTS:
        raise InputError([Fault("effort", f"{effort!r} is not known", f"one of: {', '.join(EFFORTS)}")])
    whole = Budget.of(math.inf if seconds is None else seconds)
    if start is not None:
        panel = continued_panel(panel, start)
    incumbent = Incumbent(panel, on_best, settings)
    runner = LayoutRunner(panel, executor)
    state = SearchState(
        Evaluator(panel, mesh_level, runner, settings),
        incumbent,
        runner,
        EFFORTS[effort],
        seed,
        settings,
        whole,
        progress,
        _initial_layouts(panel, start),
    )
    budget = replace(whole, reserve=lambda: _final_seconds(state, seconds))
    stopped, interrupted, baseline = "", False, FlatSheetBaseline(None, None)
    options, chosen = Options(state), dict[str, Verdict]()
    end_jobs: list[EndJobs] = []

    def when_decided(own: Verdict) -> None:
        """Start what the end needs while workers evaluate the other proposals."""
        end_jobs.extend(start_if_in_time(state, own))
        if math.isinf(whole.deadline) and on_decided is not None:
            on_decided(own, state.evaluator.known_quickly(own.layout))

    try:
        if start is not None:
            state.evaluate(start)
        search_gauges(state, budget, options)
        # on a worker, beside the evaluations that settle
        started = _start_baseline(state) if options.found and math.isinf(whole.deadline) else None
        chosen = settle(state, budget, options, when_decided)
        if panel.goal in chosen:
            own = chosen[panel.goal]
            incumbent.accept(own, state.evaluations.get(own.layout))
            _balance_faces(state)
        if state.cut_short:
            stopped = f"{seconds:g} s were not enough to try everything"
        state.work.enter(SETTLED, 1.0)
        baseline = _baseline(state, budget, started)
    except KeyboardInterrupt:
        stopped, interrupted = "interrupted", True
    state.work.stage = 0.5
    verdict, flat, second_opinion = final_verdicts(state, interrupted, *end_jobs)
    result = SearchResult(
        verdict=verdict,
        flat_verdict=flat,
        flat_baseline=baseline,
        gauge_outcomes=tuple(state.outcomes[gauge] for gauge in sorted(state.outcomes)),
        cut_short=state.cut_short or interrupted,
        effort=effort,
        seed=seed,
        candidate_count=state.count,
        stopped=stopped,
        interrupted=interrupted,
        seconds=time.monotonic() - whole.start,
        proposals=_proposals(state, chosen, verdict),
        alternatives=alternatives_of(state, options),
        quick_utilisations=state.evaluator.known_quickly(verdict.layout),
    )
    return with_second_opinion(meanwhile(result) if meanwhile and not interrupted else result, second_opinion)


def _proposals(state: SearchState, chosen: dict[str, Verdict], final: Verdict) -> tuple[Proposal, ...]:
    """The proposals with the final verdict in its place: with fields, and with its faces balanced."""
    goal = chosen.get(state.panel.goal)
    if goal is None:
        return ()
    return proposals_of(state, {name: final if one is goal else one for name, one in chosen.items()})


def _final_seconds(state: SearchState, seconds: float | None) -> float:
    """Seconds to keep: for a batch of moves under way, and for the evaluations at the end.

    These are made on the quick mesh if complete ones would take more than half the time limit.
    """
    if seconds is None:
        return 0.0
    full = FINAL_EVALUATIONS * state.evaluator.full_seconds
    batch = state.effort.batch_size * state.move_seconds
    return FINAL_SHARE * seconds + batch + (full if full <= seconds / 2 else state.quick_end)


def search_all(panels: Sequence[Panel], *, executor: Executor | None = None, **options: Any) -> list[SearchResult]:
    """`search` for each panel, on the workers of any `concurrent.futures.Executor`; default: one after the other.

    options: of each `search`; progress and on_best stay out of other processes.  The layouts do not depend on the
    executor and the number of its workers as far as `search` is repeatable, that is where `SearchResult.cut_short` is
    False.  The executor raises its own error if a worker dies, mostly BrokenExecutor.  Nothing is written to disk.
    """
    return run_jobs(executor, partial(search, **options), [(panel,) for panel in panels])


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
    return own + tuple(item for item in others if item.fixed and item not in own)


def _initial_layouts(panel: Panel, start: Layout | None) -> tuple[Layout, ...]:
    """The panel's own layout and `start`, if they have a bead or hole and keep the panel's limits on beads and dies."""
    layouts = (panel.layout(),) if start is None else (panel.layout(), start)
    return tuple(one for one in layouts if one.beads + one.holes and panel.within_count_limits(one))


# ----------------------------------------------------------------------------------------------------- over the gauges


def search_gauges(state: SearchState, budget: Budget, options: Options) -> None:
    """Search from the thinnest gauge up, until no heavier one can give the recommended layout.

    For the goal "stiffest", search only the thinnest gauge and add no holes.
    """
    panel = state.panel
    gauges = sorted(panel.gauges)[: 1 if state.stiffest else None]
    searched: list[GaugeSearch] = []
    if math.isfinite(budget.deadline) and not state.stiffest:  # so that a sheet that meets is known if time runs out
        state.report("evaluating the bare sheets of the rack on the quick mesh")
        sheets = _bare_sheets(state, gauges)
        state.evaluator.quick_batch(sheets[:1])  # alone, as it loads libraries
        each = state.evaluator.latest_quick / BEADED_OVER_FLAT
        in_time = each * len(sheets) <= BARE_SHARE * state.whole.length
        state.evaluator.quick_batch(sheets[1:] if in_time else sheets[-1:])
    for number, gauge in enumerate(gauges):
        if options.found and not options.may_pay(gauge):
            break
        if number and budget.is_spent:
            state.cut_short = True
            if options.found:
                break
            state.record(GaugeOutcome(gauge, GaugeStatus.NOT_TRIED))
            continue
        state.work.enter_gauge(number, len(gauges))
        share = replace(budget, deadline=_share_of(budget, len(gauges) - number))
        if not state.stiffest and math.isinf(budget.deadline) and state.runner.executor:
            # the stages start from its equilibria, computed here beside the worker's evaluation
            (sheet,) = _bare_sheets(state, [gauge])
            state.evaluator.start_quickly(sheet)
            state.runner.confirm(sheet)
        given = _evaluate_given(state, gauge)
        if given is not None and not state.stiffest:
            collect(state, budget, options, given, BeadRules(panel, gauge, symmetry.mirror_axes(panel)))
            bare = not [bead for bead in given.layout.beads if not bead.fixed]
            status = GaugeStatus.FLAT if bare else GaugeStatus.BEADED
            state.record(GaugeOutcome(gauge, status, beads=len(given.layout.beads)))
            if options.sturdy:
                continue
        if number + 1 < len(gauges) and not state.stiffest and math.isinf(budget.deadline):
            state.evaluator.start_quickly(*_bare_sheets(state, [gauges[number + 1]]))  # likely to be asked for next
        _search_gauge(state, budget, share, gauge, options, searched)
    _evaluate_best(state, budget, searched)
    if state.stiffest and searched and not state.cut_short:
        counts, dies = _limits(state, searched[0].rules)
        tuned = tune_by_shell(state, budget, searched, (max(counts), dies)) if counts else None
        if tuned is not None:
            state.evaluate(tuned)
    best = state.incumbent.verdict
    if state.stiffest and best is not None and best.layout.beads:
        _strike_out_of_stiffest(state, budget, best)
        _balance_faces(state)


def _search_gauge(
    state: SearchState,
    budget: Budget,
    share: Budget,
    gauge: float,
    options: Options,
    searched: list[GaugeSearch],
) -> None:
    """Search for beads at one gauge until a layout keeps the margin, or a few stages have met the demands."""
    panel, met = state.panel, 0
    for rules, dies in _parts(state, gauge):
        gauge_search = GaugeSearch(state, rules, dies, first_factors(panel))
        searched.append(gauge_search)
        for verdict in gauge_search.stages(share, *_limits(state, rules)):
            met += 1
            shorter, for_holes = short_layouts(gauge_search), layouts_for_holes(gauge_search)
            collect(state, budget, options, verdict, rules, shorter, for_holes)
            if gauge not in state.outcomes and gauge in options.gauges:
                state.record(GaugeOutcome(gauge, GaugeStatus.BEADED, beads=len(verdict.layout.beads)))
            if options.sturdy or met == STAGES_THAT_MEET:
                break
        if met:
            break
    if not met and not state.stiffest and gauge not in options.gauges:
        _search_with_holes(state, budget, gauge, options, [one for one in searched if one.gauge == gauge])
    if gauge in state.outcomes:
        return
    if met:
        state.record(GaugeOutcome(gauge, GaugeStatus.OVER_LIMITS))
    elif state.stiffest:
        state.record(GaugeOutcome(gauge, GaugeStatus.STIFFEST))
    elif any(one.gauge == gauge for one in searched):
        state.record(_not_found(state, gauge, searched))
    else:
        miss = max(state.evaluator.lowest_utilisation(gauge) - 1, 0.0)
        state.record(GaugeOutcome(gauge, GaugeStatus.NO_BEADS, miss=miss if math.isfinite(miss) else None))


def _search_with_holes(
    state: SearchState, budget: Budget, gauge: float, options: Options, searched: list[GaugeSearch]
) -> None:
    """Where no layout of a gauge meets the demands, try what nearly does with flared holes.

    searched: the searches at this gauge; without any, only the bare sheet is tried.
    """
    if not searched:
        rules = BeadRules(state.panel, gauge, symmetry.mirror_axes(state.panel))
        searched = [GaugeSearch(state, rules, (), first_factors(state.panel))]
    for one in searched:
        if budget.is_spent:
            return
        layouts = layouts_for_holes(one)
        if layouts:
            state.report(f"{gauge:g} mm: flared holes beside what nearly meets")
            collect_with_holes(state, budget, options, layouts, one.rules)
        found = [layout for layout in options.found if layout.gauge == gauge]
        if found:
            beads = min(len(layout.beads) for layout in found)
            state.record(GaugeOutcome(gauge, GaugeStatus.BEADED, beads=beads))
            return


def _share_of(budget: Budget, gauges_left: int) -> float:
    """Deadline of one gauge, s on the clock of `time.monotonic`; it leaves time for the other gauges."""
    if not math.isfinite(budget.deadline):
        return math.inf
    now = time.monotonic()
    if gauges_left == 1:
        return budget.deadline
    return now + max(budget.seconds_left, 0.0) * GAUGE_SHARE + budget.reserve()


def _parts(state: SearchState, gauge: float) -> list[tuple[BeadRules, tuple]]:
    """Rules and dies to search with at a gauge, in turn: dies that crack no sheet, all dies; then without symmetry."""
    panel = state.panel
    axes = symmetry.mirror_axes(panel)
    tries = [axes] + ([""] if axes and panel.symmetry == "auto" and state.effort.without_symmetry else [])
    parts = []
    for mirror_axes in tries:
        rules = BeadRules(panel, gauge, mirror_axes)
        mild = tuple(die for die in rules.dies if not rules.may_crack(die))
        parts += [(rules, dies) for dies in dict.fromkeys((mild, rules.dies)) if dies]
    return parts


def _limits(state: SearchState, rules: BeadRules) -> tuple[tuple[int, ...], int]:
    """The numbers of beads, one for each stage, and the largest number of dies."""
    panel = state.panel
    most = math.inf if panel.beads_at_most is None else panel.beads_at_most
    counts = tuple(count for count in state.settings.bead_counts if count <= most)
    most_dies = min(state.effort.stages_of_dies, math.inf if panel.dies_at_most is None else panel.dies_at_most)
    return counts, int(min(most_dies, max(len(rules.dies), 1)))


def _evaluate_given(state: SearchState, gauge: float) -> Verdict | None:
    """Evaluate the bare sheet and the given layouts at a gauge; the best that meets the demands, None if none does."""
    beads, holes = fixed_beads_and_holes(state.panel)
    given = [Layout(gauge, beads, holes), *(replace(layout, gauge=gauge) for layout in state.initial_layouts)]
    verdicts = []
    for layout in dict.fromkeys(given):
        if layout_check.audit(state.panel, layout):
            continue
        state.report(f"{gauge:g} mm: computing {'the bare sheet' if layout is given[0] else 'the given layout'}")
        worst = max(state.evaluator.quick_utilisations(layout), default=0.0)
        state.evaluator.record_utilisation(gauge, worst)
        if worst <= state.settings.quick_miss_limit or state.stiffest or gauge == max(state.panel.gauges):
            verdicts.append(state.evaluate(layout))
    return state.incumbent.best_met(verdicts)


def _bare_sheets(state: SearchState, gauges: list[float]) -> list[Layout]:
    """The sheets of some gauges with what is fixed, and nothing else."""
    return [Layout(gauge, *fixed_beads_and_holes(state.panel)) for gauge in gauges]


def _not_found(state: SearchState, gauge: float, searched: list[GaugeSearch]) -> GaugeOutcome:
    """The outcome with the smallest miss: by the calibrated surrogate, or by the shell where that is smaller.

    By the shell too where the surrogate says that the demands are met, since the shell found no layout that meets them.
    """
    by_surrogate = min((one.lowest_utilisation for one in searched if one.gauge == gauge), default=math.inf)
    by_shell = state.evaluator.lowest_utilisation(gauge)
    believed = by_surrogate if by_surrogate > 1.0 or math.isinf(by_shell) else math.inf
    lowest = min(believed, by_shell)
    miss = max(lowest - 1, 0.0) if math.isfinite(lowest) else None
    return GaugeOutcome(gauge, GaugeStatus.NOT_FOUND, miss=miss, miss_by_surrogate=believed < by_shell)


def _evaluate_best(state: SearchState, budget: Budget, searched: list[GaugeSearch]) -> None:
    """Where nothing meets the demands, let the shell evaluate the best layouts of all gauges, the likeliest first.

    If the time ran out, what meets them on the quick mesh comes before, the lightest first.
    """
    if state.incumbent.met and not state.stiffest:
        return
    if state.cut_short and not state.stiffest:
        known = [one for one in _bare_sheets(state, list(state.panel.gauges)) if state.evaluator.knows(one)]
        passing = [one for one in known if max(state.evaluator.quick_utilisations(one), default=0.0) <= 1]
        passing = sorted([*passing, *state.passed_quickly], key=state.panel.mass)
        if any(state.evaluate_for_the_end(one).met for one in passing):
            return
    ranked = sorted(
        (one for one in searched if one.best is not None), key=lambda one: (one.lowest_utilisation, -one.gauge)
    )
    for one in ranked[:FALLBACKS]:
        if state.incumbent.verdict is not None and budget.is_spent:
            break
        layouts = [one.rules.layout(trial.choice) for trial in one.bests]
        layouts = [layout for layout in dict.fromkeys(layouts) if not layout_check.audit(state.panel, layout)]
        if layouts:
            state.report(f"{one.gauge:g} mm: computing the best one in full")
            chosen = layouts[-1]
            if not state.cut_short:  # by the shell the best of fewer beads may be better: more allowed is never worse
                expected = dict(zip(layouts, state.evaluator.expected(layouts), strict=True))
                chosen = min(layouts, key=expected.__getitem__)
            state.evaluate_for_the_end(chosen)
    if state.incumbent.verdict is None:
        state.evaluate_for_the_end(Layout(max(state.panel.gauges), *fixed_beads_and_holes(state.panel)))


# ---------------------------------------------------------------------------------------------------------- at the end


def _strike_out_of_stiffest(state: SearchState, budget: Budget, best: Verdict) -> None:
    """Remove from the stiffest layout the beads without which its utilisation rises by less than `needless_share`."""
    layout = best.layout
    rules = BeadRules(state.panel, layout.gauge, symmetry.mirror_axes(state.panel))
    limit = (1 + state.settings.needless_share) * state.evaluator.expected([layout])[0]
    smaller = strike_out(state, budget, layout, rules, limit)
    if smaller != layout:
        verdict = state.evaluate(smaller)
        if verdict.utilisation <= (1 + 2 * state.settings.needless_share) * best.utilisation:
            state.incumbent.accept(verdict)


def _balance_faces(state: SearchState) -> None:
    """Turn some beads to the other face if the panel allows both, the rolling bow shrinks, and the demands stay met."""
    best = state.incumbent.verdict
    if best is None or not best.met:
        return
    layout = with_balanced_faces(state.panel, best.layout)
    if layout != best.layout and not layout_check.audit(state.panel, layout):
        state.report("beads to the other face against bow")
        verdict = state.evaluate(layout)
        if verdict.met and state.incumbent.rank(verdict) <= state.incumbent.rank(best):
            state.incumbent.accept(verdict)


def _start_baseline(state: SearchState) -> Callable[[], FlatSheetBaseline]:
    """Start looking for the thinnest flat sheet that meets the same demands; a function that waits for it."""
    level = state.evaluator.mesh_level if state.full_in_time else "quick"
    found = {gauge: state.evaluator.verdicts.get(Layout(gauge)) for gauge in state.panel.gauges}
    verdicts = {gauge: one for gauge, one in found.items() if one is not None and one.mesh_error is not None}
    known = state.evaluator.flat_utilisations()
    look = partial(flat_baseline, mesh_level=level, quick_results=known, verdicts=verdicts)
    return start_job(state.runner.executor, look, state.panel)


def _baseline(
    state: SearchState, budget: Budget, started: Callable[[], FlatSheetBaseline] | None = None
) -> FlatSheetBaseline:
    """The thinnest flat sheet that meets the same demands; unknown where no time is left to look for it.

    started: waits for it, where a worker looks for it already.
    """
    known = state.evaluator.flat_utilisations()
    open_gauges = [one for one in state.panel.gauges if known.get(one, 0.0) <= state.settings.quick_miss_limit]
    needed = len(open_gauges) * state.evaluator.latest_quick
    if math.isfinite(budget.deadline) and (budget.is_spent or state.whole.seconds_left < needed + state.quick_end):
        return FlatSheetBaseline(None, None)
    state.report("thinnest flat sheet that does the same")
    baseline = (started or _start_baseline(state))()
    beads, holes = fixed_beads_and_holes(state.panel)
    if baseline.gauge_mm is not None and not state.incumbent.met and not beads + holes and not state.stiffest:
        state.evaluate(Layout(baseline.gauge_mm))
        state.record(GaugeOutcome(baseline.gauge_mm, GaugeStatus.FLAT))
    return baseline

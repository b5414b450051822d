"""The end of a search: the best layout and the flat sheet in full, with fields for pictures and a second opinion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from stiffen.analysis.cross_check import cross_check
from stiffen.analysis.evaluation import check, evaluate
from stiffen.fem.blas_threads import start_job
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult, Verdict

from .state import SearchState

SecondOpinion = Callable[[], tuple[dict[str, dict[str, float]] | None, tuple[str, ...]]]  # waits; see `cross_check`


@dataclass(frozen=True, eq=False)
class EndJobs:
    """What the end of a search asks of the workers for one layout: functions that wait for the results.

    flat: the verdict on the flat sheet.  second_opinion: see `cross_check`.
    """

    layout: Layout
    flat: Callable[[], Verdict]
    second_opinion: SecondOpinion


def no_second_opinion() -> tuple[None, tuple[str, ...]]:
    """What is known of a layout that no other shell element evaluates."""
    return None, ()


def start_if_in_time(state: SearchState, verdict: Verdict) -> list[EndJobs]:
    """What the end needs for a verdict's layout, started on the workers; nothing if there is no time for it."""
    return [_start(state, verdict)] if state.full_in_time else []


def _start(state: SearchState, verdict: Verdict) -> EndJobs:
    panel, executor, layout = state.panel, state.runner.executor, verdict.layout
    flat = start_job(executor, _flat_verdict, panel, layout.gauge)
    return EndJobs(layout, flat, start_job(executor, cross_check, panel, layout, verdict.demands))


def final_verdicts(
    state: SearchState, interrupted: bool, started: EndJobs | None = None
) -> tuple[Verdict, Verdict, SecondOpinion]:
    """The verdicts on the best layout and on the flat sheet of its gauge, with fields, and its second opinion.

    On the mesh of the search, and with a second opinion, where there is time; else on the quick mesh and without one.
    An interrupted search uses no workers, as they may have been interrupted too, and gives no second opinion.
    started: what was started for the layout that was expected to be the best; used if it still is.
    """
    panel, incumbent = state.panel, state.incumbent
    best = incumbent.verdict.layout if incumbent.verdict else panel.layout()
    state.report("computing the best layout in full")
    level = state.evaluator.mesh_level
    own_level = level if interrupted or state.full_in_time else "quick"
    evaluation = incumbent.evaluation or evaluate(panel, best, mesh_level=own_level)
    if interrupted or not state.full_in_time:
        flat = start_job(None if interrupted else state.runner.executor, _flat_verdict, panel, best.gauge)
        return evaluation.full_verdict(fields=True), flat(), no_second_opinion
    if started is None or started.layout != best:
        started = _start(state, evaluation.verdict)
    return evaluation.full_verdict(fields=True), started.flat(), started.second_opinion


def with_second_opinion(result: SearchResult, second_opinion: SecondOpinion) -> SearchResult:
    """The result with its second opinion, as soon as that is computed."""
    own = result.verdict
    compared, differences = second_opinion()
    verdict = replace(own, second_opinion=compared, warnings=(*own.warnings, *differences))
    proposals = tuple(replace(one, verdict=verdict) if one.verdict is own else one for one in result.proposals)
    return replace(result, verdict=verdict, proposals=proposals)


def _flat_verdict(panel: Panel, gauge: float) -> Verdict:
    """The verdict, with fields, on the flat sheet of a gauge, mm, to compare with.

    On the quick mesh, in half the time: on the examples values within 2 % of those on the normal one, the stress at
    rivets within 12 %.
    """
    return check(panel, Layout(gauge), mesh_level="quick", fields=True, mesh_error=False)

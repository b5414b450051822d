"""The end of a search: the best layout and the flat sheet in full, with fields for pictures and a second opinion."""

from __future__ import annotations

from dataclasses import replace

from stiffen.analysis.cross_check import cross_check
from stiffen.analysis.evaluation import check, evaluate
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .runner import start_job
from .state import SearchState


def final_verdicts(state: SearchState, interrupted: bool) -> tuple[Verdict, Verdict]:
    """The verdicts on the best layout and on the flat sheet of its gauge, with fields.

    On the mesh of the search, and with a second opinion, where there is time; else on the quick mesh and without one.
    An interrupted search uses no workers, as they may have been interrupted too, and gives no second opinion.
    """
    panel, incumbent = state.panel, state.incumbent
    executor = None if interrupted else state.runner.executor
    best = incumbent.verdict.layout if incumbent.verdict else panel.layout()
    state.report("computing the best layout in full")
    level = state.evaluator.mesh_level
    own_level = level if interrupted or state.full_in_time else "quick"
    evaluation = incumbent.evaluation or evaluate(panel, best, mesh_level=own_level)
    in_time = not interrupted and state.full_in_time
    flat = start_job(executor, _flat_verdict, panel, best.gauge, level if in_time else "quick")
    if not in_time:
        return evaluation.full_verdict(fields=True), flat()
    second_opinion = start_job(executor, cross_check, panel, best, evaluation.verdict.demands)
    verdict = evaluation.full_verdict(fields=True)
    compared, differences = second_opinion()
    return replace(verdict, second_opinion=compared, warnings=(*verdict.warnings, *differences)), flat()


def _flat_verdict(panel: Panel, gauge: float, mesh_level: str) -> Verdict:
    """The verdict, with fields, on the flat sheet of a gauge, mm."""
    return check(panel, Layout(gauge), mesh_level=mesh_level, fields=True, mesh_error=False)

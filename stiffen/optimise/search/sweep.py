"""Sweeps: searches with different values of a demand's limit, the gauge or the number of dies.

Rows go from the most demanding value to the least, so that each search can start from the layout of the row before.
Then layouts are carried the other way too.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

from stiffen.analysis.evaluation import Progress, check, no_progress
from stiffen.errors import Fault, InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult, Verdict

from .driver import continued_panel, search
from .incumbent import rank
from .settings import DEFAULT_SETTINGS

OPTION = "--sweep"
MAX_ROWS = 24
MASS_TOLERANCE = DEFAULT_SETTINGS.mass_tolerance
OnRow = Callable[["SweepRow"], None]


@dataclass(frozen=True)
class SweepPlan:
    """What is varied.

    kind: "limit", "gauge" or "dies".  values: the most demanding first; mm, Hz or times for a limit, mm for a gauge,
    the largest number of dies.  demand: index of the demand whose limit is varied, else None.
    """

    kind: str
    values: tuple[float, ...]
    demand: int | None = None

    def title(self, panel: Panel) -> str:
        """The name of what is varied, with its unit."""
        if self.kind == "dies":
            return "dies at most"
        return "gauge, mm" if self.demand is None else f"limit of {with_unit(panel, self.demand)}"

    def panel_for(self, panel: Panel, value: float) -> Panel:
        """The panel with one value, searched for the lightest layout unless it has another goal.

        Its `source` too, so that a layout file holds the demands it was made for.
        """
        source = copy.deepcopy(panel.source)
        if panel.goal == "recommended":  # the curve is of least mass, so minutes do not count
            source.get("panel", {})["goal"] = "lightest"
            panel = replace(panel, goal="lightest")
        if self.kind == "gauge":
            source.get("panel", {})["gauges"] = [value]
            return replace(panel, gauges=(value,), source=source)
        if self.demand is None:
            source.get("panel", {})["dies_at_most"] = int(value)
            return replace(panel, dies_at_most=int(value), source=source)
        demands = list(panel.demands)
        demands[self.demand] = replace(demands[self.demand], limit=value)
        for row in source.get("demand", [])[self.demand : self.demand + 1]:
            row["limit"] = value
        return replace(panel, demands=tuple(demands), source=source)


@dataclass(frozen=True, eq=False)
class SweepRow:
    """One value and the result of its search.  searched_again: it is from a second search, which found a better one."""

    value: float
    result: SearchResult
    searched_again: bool = False


def with_unit(panel: Panel, demand: int) -> str:
    one = panel.demands[demand]
    return f"{one.label}, {'times' if one.unit == 'x' else one.unit}"


# ------------------------------------------------------------------------------------------------------- the request


def parse_sweep(panel: Panel, text: str) -> SweepPlan:
    """The plan for 'limit=2,3,4', 'gauge=0.8,1.0', 'dies=1,2' or, for one of several demands, 'frequency=30,40'.

    Raises InputError for what cannot be swept, and for values that a panel file could not hold.
    """
    plan = _parse(panel, text)
    for value in plan.values:
        if panel.source:
            panel_from_dict(plan.panel_for(panel, value).source, Path())
    return plan


def _parse(panel: Panel, text: str) -> SweepPlan:
    name, sign, numbers = (part.strip() for part in text.partition("="))
    if not panel.demands:
        raise _sweep_error("the panel file makes no demand", "add a [[demand]] that the mass can be set against")
    if not sign:
        raise _sweep_error(f"{text!r} has no values", "write it like limit=2,3,4 or gauge=0.8,1.0 or dies=1,2")
    if name in ("gauge", "dies"):
        values = _parse_values(numbers, whole=name == "dies")
        return SweepPlan(name, tuple(sorted(values)))
    demand = _find_demand(panel, name)
    if panel.goal == "stiffest":
        raise _sweep_error('goal = "stiffest" asks for no limit', "sweep gauge or dies")
    return SweepPlan("limit", tuple(sorted(_parse_values(numbers), reverse=not panel.demands[demand].at_most)), demand)


def _sweep_error(what: str, cure: str) -> InputError:
    return InputError([Fault(OPTION, what, cure)])


def _find_demand(panel: Panel, name: str) -> int:
    """Index of the demand of this label or kind; "limit" names the only one."""
    labels = [demand.label for demand in panel.demands]
    kinds = [demand.kind for demand in panel.demands]
    found = [i for i in range(len(labels)) if name in ("limit", labels[i], kinds[i])]
    if name in labels:
        found = [labels.index(name)]
    if len(found) == 1:
        return found[0]
    choice = ", ".join(f'"{label}=..."' for label in labels)
    if found:
        raise _sweep_error(f"{name!r} may be any of {len(found)} demands", f"name one of them: {choice}")
    raise _sweep_error(f"{name!r} cannot be swept", f"one of: limit, gauge, dies, {choice}")


def _parse_values(text: str, whole: bool = False) -> list[float]:
    values = []
    for part in text.split(","):
        try:
            value = float(part)
        except ValueError:
            value = math.nan
        if not 0 < value < math.inf or (whole and value != int(value)):
            what = "a whole number" if whole else "a number"
            raise _sweep_error(f"{part.strip()!r} is not {what} greater than 0", "write values with commas: 2,3,4")
        values.append(value)
    if len(set(values)) < len(values):
        raise _sweep_error(f"{text!r} holds a value twice", "leave one out")
    if not 2 <= len(values) <= MAX_ROWS:
        raise _sweep_error(f"got {len(values)} values", f"give 2 to {MAX_ROWS}")
    return values


# --------------------------------------------------------------------------------------------------------- the searches


def sweep(
    panel: Panel,
    plan: SweepPlan,
    *,
    effort: str = "normal",
    seconds: float | None = None,
    seed: int = 0,
    mesh_level: str = "normal",
    start: Layout | None = None,
    executor: Executor | None = None,
    progress: Progress = no_progress,
    on_row: OnRow = lambda row: None,
    searcher: Callable[..., SearchResult] | None = None,
    checker: Callable[..., Verdict] | None = None,
) -> tuple[SweepRow, ...]:
    """Search once for each value, each search from the layout of the row before if that is legal; then carry back.

    Where the layout of the next easier row also serves a row better than its own, that row is searched again from it.
    Where after that a row is worse than the layout of the row before would be in it, it is searched again too.

    effort, seconds, executor: of each search.  on_row: called with each row once it is done, and again if it has become
    better.  searcher, checker: do the searches and evaluate a layout at another gauge; default `search` and `check`.
    Ctrl-C (KeyboardInterrupt) ends the sweep after the row under way.
    """
    searcher, checker = searcher or search, checker or check
    count = len(plan.values)
    rows: list[SweepRow] = []

    def found(k: int, start: Layout | None, again: str = "") -> SearchResult:
        value = plan.values[k]

        def report(fraction: float | None, message: str) -> None:
            done = None if again else (k + (fraction or 0.0)) / count
            progress(done, f"{plan.title(panel)} {value:g}{again}: {message}")

        return searcher(
            plan.panel_for(panel, value),
            effort=effort,
            seconds=seconds,
            seed=seed,
            mesh_level=mesh_level,
            start=start,
            executor=executor,
            progress=report,
        )

    before = start
    for k, value in enumerate(plan.values):
        result = found(k, None if before is None else start_layout(plan.panel_for(panel, value), before))
        rows.append(SweepRow(value, result))
        on_row(rows[-1])
        if result.interrupted:
            return tuple(rows)
        before = result.verdict.layout
    for k, other in (*((k, k + 1) for k in reversed(range(count - 1))), *((k, k - 1) for k in range(1, count))):
        row_panel, row = plan.panel_for(panel, rows[k].value), rows[k]
        carried = start_layout(row_panel, rows[other].result.verdict.layout)
        if carried is None or carried == row.result.verdict.layout:
            continue
        verdict = checker(row_panel, carried, mesh_level=mesh_level)
        if rank(row_panel, verdict) >= rank(row_panel, row.result.verdict):
            continue
        result = found(k, carried, f", again from the layout of {rows[other].value:g}")
        if rank(row_panel, result.verdict) < rank(row_panel, row.result.verdict):
            rows[k] = SweepRow(row.value, result, searched_again=True)
            on_row(rows[k])
        elif result.interrupted:
            rows[k] = replace(row, result=replace(row.result, interrupted=True))
        if result.interrupted:
            break
    return tuple(rows)


def start_layout(panel: Panel, layout: Layout) -> Layout | None:
    """The layout of one row as the start of another, whose panel is given; None if it breaks a rule or limit there."""
    layout = replace(layout, gauge=panel.gauges[0]) if len(panel.gauges) == 1 else layout
    if not panel.within_count_limits(layout):
        return None
    try:
        continued_panel(panel, layout)
    except InputError:
        return None
    return layout


def not_monotone(panel: Panel, plan: SweepPlan, rows: tuple[SweepRow, ...]) -> tuple[tuple[SweepRow, SweepRow], ...]:
    """Pairs of neighbouring rows, of which the easier one came out worse than the more demanding one.

    Worse: not met, heavier by more than `MASS_TOLERANCE` (at one gauge each only the demands count), or for the goal
    "stiffest" less stiff by more than that.
    """
    out = []
    for demanding, easier in zip(rows, rows[1:], strict=False):
        one, other = demanding.result.verdict, easier.result.verdict
        if panel.goal == "stiffest":
            worse = other.utilisation > (1 + MASS_TOLERANCE) * one.utilisation
        elif plan.kind == "gauge":
            worse = one.met and not other.met
        else:
            worse = one.met and (not other.met or other.mass_kg > (1 + MASS_TOLERANCE) * one.mass_kg)
        if worse:
            out.append((demanding, easier))
    return tuple(out)

"""Sweeps: searches with different values of a demand's limit, the gauge or the number of dies, and their table.

Rows go from the most demanding value to the least, so that each search can start from the layout of the row before.
"""

from __future__ import annotations

import copy
import csv
import io
import math
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

from stiffen.analysis.evaluation import Progress, no_progress
from stiffen.errors import Fault, InputError
from stiffen.io.panel_file import panel_from_dict
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult, SearchResult
from stiffen.shop import process_plan

from .driver import continued_panel, search

OPTION = "--sweep"
MAX_ROWS = 24
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
        return "gauge, mm" if self.demand is None else f"limit of {_with_unit(panel, self.demand)}"

    def panel_for(self, panel: Panel, value: float) -> Panel:
        """The panel with one value; its `source` too, so that a layout file holds the demands it was made for."""
        source = copy.deepcopy(panel.source)
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
    """One value and the result of its search."""

    value: float
    result: SearchResult


def _with_unit(panel: Panel, demand: int) -> str:
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
) -> tuple[SweepRow, ...]:
    """Search once for each value, each search from the layout of the row before if that is legal.

    effort, seconds, executor: of each search.  on_row: called with each row once it is done.  searcher: does the
    searches; default `search`.  Ctrl-C (KeyboardInterrupt) ends the sweep after the row under way.
    """
    searcher = searcher or search
    rows: list[SweepRow] = []
    before = start
    count = len(plan.values)
    for k, value in enumerate(plan.values):
        row_panel = plan.panel_for(panel, value)

        def report(fraction: float | None, message: str, done: int = k, value: float = value) -> None:
            progress((done + (fraction or 0.0)) / count, f"{plan.title(panel)} {value:g}: {message}")

        row_start = None if before is None else _start_layout(row_panel, before)
        result = searcher(
            row_panel,
            effort=effort,
            seconds=seconds,
            seed=seed,
            mesh_level=mesh_level,
            start=row_start,
            executor=executor,
            progress=report,
        )
        rows.append(SweepRow(value, result))
        on_row(rows[-1])
        if result.interrupted:
            break
        before = result.verdict.layout
    return tuple(rows)


def _start_layout(panel: Panel, before: Layout) -> Layout | None:
    """The layout of the row before as the start of this one; None if it breaks a rule or a limit here."""
    layout = replace(before, gauge=panel.gauges[0]) if len(panel.gauges) == 1 else before
    if not panel.within_count_limits(layout):
        return None
    try:
        continued_panel(panel, layout)
    except InputError:
        return None
    return layout


# ------------------------------------------------------------------------------------------------------- the results


def shown_demand(plan: SweepPlan, rows: tuple[SweepRow, ...]) -> int:
    """Index of the demand that stands for stiffness: the swept one, else the one that governs most rows."""
    if plan.demand is not None:
        return plan.demand
    worst = [row.result.verdict.demands.index(_governing_demand(row)) for row in rows]
    return min(Counter(worst).items(), key=lambda pair: (-pair[1], pair[0]))[0]


def _governing_demand(row: SweepRow) -> DemandResult:
    return min(row.result.verdict.demands, key=lambda demand: demand.margin)


def result_of(row: SweepRow, demand: int) -> DemandResult:
    """The result of the demand of this index in a row."""
    return row.result.verdict.demands[demand]


def sweep_table(
    panel: Panel, plan: SweepPlan, rows: tuple[SweepRow, ...]
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Column heads, and for each row its cells as text.  A star marks a row whose demands are not met."""
    demand = shown_demand(plan, rows)
    head = (
        *(plan.title(panel), "gauge mm", "mass kg", "beads", "holes", "minutes"),
        *(f"{_with_unit(panel, demand)}", "least margin", "flat sheet kg"),
    )
    lines: list[tuple[str, ...]] = []
    for row in rows:
        verdict, flat = row.result.verdict, row.result.flat_baseline
        layout, worst = verdict.layout, _governing_demand(row)
        lines.append(
            (
                f"{row.value:g}{'' if verdict.met else ' *'}",
                f"{layout.gauge:g}",
                f"{verdict.mass_kg:.3f}",
                f"{len(layout.beads)}",
                f"{len(layout.holes)}",
                f"{process_plan.minutes(panel, layout):.0f}",
                f"{result_of(row, demand).value:.3g}",
                f"{100 * worst.margin:+.0f} % {worst.label}",
                "none" if flat.mass_kg is None else f"{flat.mass_kg:.3f}",
            )
        )
    return head, lines


def sweep_csv(panel: Panel, plan: SweepPlan, rows: tuple[SweepRow, ...]) -> str:
    """The table as CSV: full figures, a column for each demand; a blank mass where no flat sheet meets the demands."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    demands = [_with_unit(panel, i) for i in range(len(panel.demands))]
    writer.writerow(
        (plan.title(panel), "met", "gauge mm", "mass kg", "beads", "holes", "minutes", *demands, "flat sheet kg")
    )
    for row in rows:
        verdict, flat = row.result.verdict, row.result.flat_baseline
        layout = verdict.layout
        writer.writerow(
            (
                *(f"{row.value:g}", "yes" if verdict.met else "no", f"{layout.gauge:g}", f"{verdict.mass_kg:.6g}"),
                *(len(layout.beads), len(layout.holes), f"{process_plan.minutes(panel, layout):.1f}"),
                *(f"{one.value:.6g}" if math.isfinite(one.value) else "" for one in verdict.demands),
                "" if flat.mass_kg is None else f"{flat.mass_kg:.6g}",
            )
        )
    return out.getvalue()

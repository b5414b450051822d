"""The table of a sweep: a line for each value, as text and as CSV, and what is to be said about its rows."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter

from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult
from stiffen.optimise.search.sweep import SweepPlan, SweepRow, not_monotone, with_unit
from stiffen.shop import process_plan

NOT_MET, CUT_SHORT = "*", "~"


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
    """Column heads, and for each row its cells as text.

    Behind the value, "*" marks a row whose demands are not met, "~" one that the time limit cut short.
    """
    demand = shown_demand(plan, rows)
    head = (
        *(plan.title(panel), "gauge mm", "mass kg", "beads", "holes", "minutes"),
        *(f"{with_unit(panel, demand)}", "least margin", "flat sheet kg"),
    )
    lines: list[tuple[str, ...]] = []
    for row in rows:
        verdict, flat = row.result.verdict, row.result.flat_baseline
        layout, worst = verdict.layout, _governing_demand(row)
        lines.append(
            (
                f"{row.value:g}{_marks(row)}",
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


def _marks(row: SweepRow) -> str:
    marks = ("" if row.result.verdict.met else NOT_MET) + (CUT_SHORT if row.result.cut_short else "")
    return f" {marks}" if marks else ""


def sweep_notes(panel: Panel, plan: SweepPlan, rows: tuple[SweepRow, ...]) -> list[str]:
    """Lines below the table: what the marks mean, rows that were searched again, and where the curve is false."""
    notes = []
    if not all(row.result.verdict.met for row in rows):
        notes.append(f"{NOT_MET} not met")
    if any(row.result.cut_short for row in rows):
        notes.append(f"{CUT_SHORT} cut short: with more time the search may find a better layout")
    again = ", ".join(f"{row.value:g}" for row in rows if row.searched_again)
    if again:
        notes.append(f"searched again, from the layout of a neighbouring row that served better: {again}")
    for demanding, easier in not_monotone(panel, plan, rows):
        notes.append(
            f"not to be trusted: {easier.value:g} asks for less than {demanding.value:g} and came out worse; "
            "search both with --effort thorough"
        )
    return notes


def sweep_csv(panel: Panel, plan: SweepPlan, rows: tuple[SweepRow, ...]) -> str:
    """The table as CSV: full figures, a column for each demand; a blank mass where no flat sheet meets the demands."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    demands = [with_unit(panel, i) for i in range(len(panel.demands))]
    writer.writerow(
        (
            plan.title(panel),
            "met",
            "cut short",
            "gauge mm",
            "mass kg",
            "beads",
            "holes",
            "minutes",
            *demands,
            "flat sheet kg",
        )
    )
    for row in rows:
        verdict, flat = row.result.verdict, row.result.flat_baseline
        layout = verdict.layout
        writer.writerow(
            (
                *(f"{row.value:g}", _yes(verdict.met), _yes(row.result.cut_short)),
                *(f"{layout.gauge:g}", f"{verdict.mass_kg:.6g}"),
                *(len(layout.beads), len(layout.holes), f"{process_plan.minutes(panel, layout):.1f}"),
                *(f"{one.value:.6g}" if math.isfinite(one.value) else "" for one in verdict.demands),
                "" if flat.mass_kg is None else f"{flat.mass_kg:.6g}",
            )
        )
    return out.getvalue()


def _yes(value: bool) -> str:
    return "yes" if value else "no"

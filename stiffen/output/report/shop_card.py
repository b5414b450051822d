"""The shop card: the sheet to buy, warnings, roller settings, beads and holes, order of work, results, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from stiffen.model.explanation import Explanation
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, gauge_sentence
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, FlatSheetBaseline, Proposal, Verdict
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.shop.cautions import crack_note, list_warnings
from stiffen.shop.layout_check import why_no_beads
from stiffen.shop.process_plan import ProcessPlan, plan_for

from .card_sections.demand_section import DEMAND_HEAD, NO_DEMAND_TEXT, demand_rows, missed_labels, model_notes
from .card_sections.fastener_section import fastener_parts
from .card_sections.fold_section import FOLDS_TITLE, fold_parts, trim_parts
from .card_sections.hole_section import hole_tables
from .card_sections.margin_section import bench_margin_parts
from .card_sections.rolling_section import bead_parts, roller_settings_parts, roller_title
from .card_sections.sheet_section import sheet_lines
from .card_sections.value_texts import MASS_RESOLUTION, mass_text
from .explanation_sections import (
    THE_OTHER_FACE,
    WHAT_EACH_ADDS,
    WHAT_WOULD_HELP,
    face_section,
    help_section,
    part_section,
)
from .proposal_table import proposal_notes, proposal_table
from .sections import MAX_LINE_CHARS, Section, Table, text_lines
from .tape_measure import tape_tables

TAPE_TITLE = "WITH TAPE AND SQUARE"


@dataclass(frozen=True)
class Card:
    """The content of a card.  alerts: demands that are not met, a lighter flat sheet, dies that may crack."""

    title: str
    alerts: tuple[str, ...]
    sections: tuple[Section, ...]


def card(
    panel: Panel,
    verdict: Verdict,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
) -> Card:
    """The content of the card.  Beads are numbered in rolling order.

    plan: the process plan of the verdict's layout, if it is made already.  flat_baseline: the flat sheet to compare
    with.  gauges: how the search ended at each gauge.  explanation: why this layout.  proposals: what the search
    proposes.  bench_margin: what is left if the work comes out short.
    """
    plan = plan_for(panel, verdict.layout, plan)
    verdict = replace(verdict, layout=plan.layout)
    layout = plan.layout
    demands = Table(DEMAND_HEAD, tuple(demand_rows(verdict)), (1, 2, 3, 6, 7, 8))
    sections: list[tuple[str, Sequence[str | Table]]] = [
        ("SHEET", sheet_lines(panel, verdict, flat_baseline, plan)),
        ("WARNINGS", list_warnings(plan.violations, verdict, plan.cautions)),
        (roller_title(plan), roller_settings_parts(plan)),
        ("BEADS, IN ROLLING ORDER", bead_parts(panel, plan)),
        ("FLARED HOLES", hole_tables(panel, layout)),
        (TAPE_TITLE, tape_tables(panel, layout)),
        (FOLDS_TITLE, fold_parts(panel, layout)),
        ("EDGE TRIM", trim_parts(panel, layout)),
        ("ORDER OF WORK", _order_of_work(plan)),
        ("DEMANDS AND RESULTS", [demands, *model_notes(panel, verdict)] if verdict.demands else [NO_DEMAND_TEXT]),
        ("IF THE WORK COMES OUT SHORT", bench_margin_parts(bench_margin, layout)),
        ("MOST LOADED RIVETS AND BOLTS", fastener_parts(panel, verdict)),
        (WHAT_WOULD_HELP, help_section(panel, explanation)),
        (WHAT_EACH_ADDS, part_section(panel, layout, explanation)),
        (THE_OTHER_FACE, face_section(panel, explanation)),
        ("LAYOUTS PROPOSED", _proposals(panel, proposals, verdict)),
        ("OTHER GAUGES", _other_gauges(panel, layout, gauges)),
        ("CAUTIONS", CAUTIONS),
    ]
    return Card(
        f"{panel.name}: shop card",
        tuple(_alerts(panel, verdict, flat_baseline)),
        tuple(
            Section(title, tuple(parts), keep_together=title == "CAUTIONS", to_tick=title == "ORDER OF WORK")
            for title, parts in sections
            if parts
        ),
    )


def card_text(
    panel: Panel,
    verdict: Verdict,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
) -> str:
    """The card as plain text, lines of at most 100 characters; see `card`."""
    content = card(
        panel, verdict, plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=bench_margin,
    )  # fmt: skip
    title = content.title.upper()
    lines = [title, "=" * min(len(title), MAX_LINE_CHARS), *content.alerts]
    for section in content.sections:
        lines += ["", *text_lines(section)]
    return "\n".join(lines) + "\n"


def _alerts(panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None) -> Iterable[str]:
    """What stands above everything else: a lighter flat sheet, demands that are not met, dies that may crack."""
    if flat_baseline and flat_baseline.mass_kg is not None:
        flat = f"{flat_baseline.gauge_mm:g} mm flat meets the demands with {mass_text(flat_baseline.mass_kg)}"
        if flat_baseline.mass_kg < verdict.mass_kg - MASS_RESOLUTION:
            yield f"A FLAT SHEET IS LIGHTER: {flat}."
    if not verdict.met:
        missed = ", ".join(missed_labels(verdict))
        yield f"NOT MET: {missed}. This is the best that was found, not what was asked for."
    if note := crack_note(panel, verdict.layout):
        yield f"{note[0].upper()}{note[1:]}; see the warnings."


def _proposals(panel: Panel, proposals: Sequence[Proposal], verdict: Verdict) -> list[str | Table]:
    """The proposals side by side, and what their names mean."""
    table = proposal_table(proposals)
    return [table, *proposal_notes(panel, proposals, verdict)] if table else []


def _other_gauges(panel: Panel, layout: Layout, gauges: Sequence[GaugeOutcome]) -> list[str]:
    def why(outcome: GaugeOutcome) -> str:
        told_above = outcome.gauge == layout.gauge and not layout.beads
        reason = why_no_beads(panel, outcome.gauge) if panel.tools.bead_dies and not told_above else ""
        return f" No beads: {reason}." if reason else ""

    outcomes = " ".join(f"{outcome.gauge:g} mm: {gauge_sentence(outcome)}.{why(outcome)}" for outcome in gauges)
    if any(outcome.rests_on_surrogate for outcome in gauges):
        outcomes += " Surrogate: a quick model on a coarse mesh."
    return [outcomes] if outcomes else []


def _order_of_work(plan: ProcessPlan) -> list[str | Table]:
    return [*(f"{n:2}.\t{step}" for n, step in enumerate(plan.work_steps, 1)), _minutes_text(plan)]


def _minutes_text(plan: ProcessPlan) -> str:
    """Minutes in all and by kind of work, in whole minutes that add up (largest remainders are rounded up)."""
    spent, total = plan.time_breakdown, round(plan.minutes)
    whole = {what: math.floor(share) for what, share in spent.items()}
    by_rest = sorted(spent, key=lambda what: whole[what] - spent[what])
    for what in by_rest[: total - sum(whole.values())]:
        whole[what] += 1
    parts = ", ".join(f"{what} {share}" for what, share in whole.items() if share)
    return f"Minutes, an estimate: about {total} in all: {parts}."

"""The files of one layout, as `stiffen search` and `stiffen draw` write them: drawings, card, report, pictures, layout.

Imports everything in `output`; only the command line imports this module.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from itertools import combinations
from pathlib import Path

from stiffen.fem.blas_threads import start_job
from stiffen.io.files import atomic_write
from stiffen.io.folder_lock import locked_folder
from stiffen.io.panel_file import layout_document, write_json
from stiffen.io.result_json import result_document
from stiffen.model.explanation import Explanation
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, FlatSheetBaseline, Proposal, SearchResult, Verdict
from stiffen.shop.process_plan import ProcessPlan, process_plan
from stiffen.shop.rollability import in_rolling_order

from .drawing.bench_view import rolled_faces, stands_on
from .drawing.marking_dxf import write_marking
from .drawing.template_pdf import write_template
from .plots import picture_set
from .plots.panel_as_read.picture import panel_picture
from .plots.proposals_picture import proposals_picture
from .proof.as_built import kept_proof, update_report
from .report.html_report import write_page
from .report.proposal_table import file_name
from .report.shop_card import card_text
from .report.shop_card_pdf import write_card

PROPOSALS_CAPTION = "What the search proposes, and mass against minutes at the bench"
LAYOUT_FILE_NAME = "layout.json"
BENCH_FILE_PATTERNS = (
    *("marking.dxf", "marking_back.dxf", "template.pdf", "template_back.pdf", "card.pdf", "card.txt", "report.html"),
    *("layout.png", "before_after.png", "maps.png", "judged.png", "deflection.png", "stress.png", "first_mode.png"),
    "load_deflection*.png",
    "proposals.png",
)
PROPOSAL_NAMES = ("lightest", "recommended", "quickest")
PROPOSAL_FILES = tuple(f"{'_'.join(names)}.json" for count in (1, 2) for names in combinations(PROPOSAL_NAMES, count))


def write_all(
    panel: Panel,
    result: SearchResult | Verdict,
    folder: str | Path,
    *,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    explanation: Explanation | None = None,
    paper: str = "a4",
) -> dict:
    """Write all that the bench needs of one layout into a folder, which is made if it is missing.

    Files: layout.json; marking.dxf, and marking_back.dxf if beads stand on both faces; template.pdf at 1:1, and
    template_back.pdf if anything stands on the down face; card.pdf and card.txt; report.html; panel.png, the panel
    as it was read; layout.png and the pictures of `write_pictures`.
    Files of an earlier layout in the folder are removed first.  Beads are numbered in rolling order everywhere.

    result: of `search`, or the verdict of `check`; pictures of deflection, stress and mode need a verdict with result
    fields (`check(..., fields=True)`).  flat_baseline: the flat sheet that meets the same demands.  flat: the
    verdict of the flat sheet of the same gauge.  explanation: why this layout.  A search result brings all three, the
    last if it was asked for.
    paper: of the 1:1 pages, "a4", "letter" or "roll".
    Returns the result as plain data, as layout.json holds it.  Raises InputError if a file cannot be written, or if
    another process writes into the folder.
    """
    with locked_folder(folder, f"write_all of {panel.name}") as locked:
        return write_bench_files(
            panel, result, locked, flat_baseline=flat_baseline, flat=flat, explanation=explanation, paper=paper
        )


def write_bench_files(
    panel: Panel,
    result: SearchResult | Verdict,
    folder: Path,
    *,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    explanation: Explanation | None = None,
    paper: str = "a4",
    executor: Executor | None = None,
) -> dict:
    """As `write_all`, into a folder that exists and is locked.

    executor: of processes of this machine, which draw marking, template and some pictures while this one draws the
    rest.
    """
    verdict = result.verdict if isinstance(result, SearchResult) else result
    plan = process_plan(panel, verdict.layout)
    verdict, layout = replace(verdict, layout=plan.layout), plan.layout
    gauges: tuple[GaugeOutcome, ...] = ()
    proposals: tuple[Proposal, ...] = ()
    short_work: BenchMargin | None = None
    if isinstance(result, SearchResult):
        explanation = explanation or result.explanation
        gauges, proposals, short_work = result.gauge_outcomes, result.proposals, result.bench_margin
        flat_baseline = flat_baseline or result.flat_baseline
        flat = flat or (result.flat_verdict if layout.beads or layout.holes else None)
    remove_bench_files(folder)
    data = write_layout(panel, result, folder, plan=plan, flat_baseline=flat_baseline, explanation=explanation)
    drawings = _start_drawings(panel, verdict, plan, folder, paper, executor)
    write_card(
        panel, verdict, folder / "card.pdf",
        plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation, proposals=proposals,
        bench_margin=short_work, paper=paper,
    )  # fmt: skip
    text = card_text(
        panel, verdict, plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=short_work,
    )  # fmt: skip
    with atomic_write(folder / "card.txt") as fresh:
        fresh.write_text(text, encoding="utf-8")
    pictures = picture_set.write_pictures(
        panel, verdict, folder, flat=flat, plan=plan, explanation=explanation, executor=executor
    )
    panel_picture(panel, folder / "panel.png", verdict=verdict)
    pictures.append(("The panel as it was read", folder / "panel.png"))
    if isinstance(result, SearchResult) and len(proposals) > 1:
        _write_proposals(panel, result, folder)
        pictures.append((PROPOSALS_CAPTION, folder / "proposals.png"))
    write_page(
        panel, verdict, folder / "report.html",
        plan=plan, flat_baseline=flat_baseline, flat=flat, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=short_work, pictures=pictures,
    )  # fmt: skip
    for drawn in drawings:
        drawn()
    if proof := kept_proof(folder, panel, layout):
        update_report(folder / "report.html", proof)
    return data


def _start_drawings(
    panel: Panel, verdict: Verdict, plan: ProcessPlan, folder: Path, paper: str, executor: Executor | None
) -> list[Callable[[], None]]:
    """Start to draw marking and template; functions that wait for the files."""
    sent = replace(plan, time_breakdown=dict(plan.time_breakdown))  # a read-only view cannot go to another process
    marking = partial(write_marking, panel, plan.layout, verdict=replace(verdict, fields=None), plan=sent)
    template = partial(write_template, panel, plan.layout, plan=sent, paper=paper)
    jobs = [partial(marking, folder / "marking.dxf"), partial(template, folder / "template.pdf")]
    if "down" in rolled_faces(plan.layout):
        jobs.append(partial(marking, folder / "marking_back.dxf", face="down"))
    if stands_on(plan.layout, "down"):
        jobs.append(partial(template, folder / "template_back.pdf", face="down"))
    return [start_job(executor, job) for job in jobs]


def _write_proposals(panel: Panel, result: SearchResult, folder: Path) -> None:
    """The picture of the proposals, and the layout file of each but the one that the folder is for."""
    proposals_picture(panel, result.proposals, result.alternatives, folder / "proposals.png")
    for proposal in result.proposals:
        if proposal.verdict.layout != result.verdict.layout:
            layout = in_rolling_order(panel, proposal.verdict.layout)
            verdict = replace(proposal.verdict, layout=layout)
            data = result_document(panel, verdict, result.flat_baseline)
            write_json(folder / file_name(proposal), layout_document(panel, layout, data))


def write_layout(
    panel: Panel,
    result: SearchResult | Verdict,
    folder: Path,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    explanation: Explanation | None = None,
) -> dict:
    """Write layout.json alone; see `write_all`.  plan: the process plan of this layout, if it is made already.

    Returns the result as plain data, as layout.json holds it.  Raises InputError if the file cannot be written.
    """
    found = result if isinstance(result, SearchResult) else None
    verdict = result.verdict if isinstance(result, SearchResult) else result
    verdict = replace(verdict, layout=plan.layout if plan else in_rolling_order(panel, verdict.layout))
    flat_baseline = flat_baseline or (found.flat_baseline if found else None)
    data = result_document(panel, verdict, flat_baseline, found, plan, explanation)
    write_json(folder / LAYOUT_FILE_NAME, layout_document(panel, verdict.layout, data))
    return data


def remove_bench_files(folder: Path) -> None:
    """Remove the files of an earlier layout, which would not agree with the new one.

    layout.json stays, and panel.png, which shows the panel and not its layout.
    """
    for pattern in BENCH_FILE_PATTERNS + PROPOSAL_FILES:
        for old in folder.glob(pattern):
            old.unlink()

"""All files of one layout: what goes to the bench, the report with its pictures, and the layout itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from stiffen.io.files import atomic_write
from stiffen.io.folder_lock import locked_folder
from stiffen.io.panel_file import layout_document, write_json
from stiffen.io.result_json import result_document
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, SearchResult, Verdict
from stiffen.shop.process_plan import ProcessPlan, process_plan

from .drawing.bench_view import rolled_faces
from .drawing.marking_dxf import write_marking
from .drawing.template_pdf import write_template
from .plots.picture_set import write_pictures
from .report.html_report import write_page
from .report.shop_card import card_text
from .report.shop_card_pdf import write_card

FILES = (
    *("marking.dxf", "marking_back.dxf", "template.pdf", "template_back.pdf", "card.pdf", "card.txt", "report.html"),
    *("layout.png", "before_after.png", "judged.png", "deflection.png", "stress.png", "first_mode.png"),
    "load_deflection*.png",
)  # patterns of the files besides layout.json


def write_all(
    panel: Panel,
    result: SearchResult | Verdict,
    folder: str | Path,
    *,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    paper: str = "a4",
) -> None:
    """Write what `stiffen search` writes into a folder, which is made if it is missing.

    result: of a search, or of `stiffen.check(..., fields=True)`.  With a verdict, flat_baseline and flat add the flat
    sheet that meets the same demands and the flat sheet of the same gauge.  paper: "a4", "letter" or "roll", for the
    1:1 pages. Raises InputError if the folder cannot be written, or if another command writes into it.
    """
    with locked_folder(folder) as place:
        if isinstance(result, SearchResult):
            write_bench_files(panel, result.verdict, place, search_result=result, paper=paper)
        else:
            write_bench_files(panel, result, place, flat_baseline=flat_baseline, flat=flat, paper=paper)


def write_bench_files(
    panel: Panel,
    verdict: Verdict,
    folder: Path,
    *,
    search_result: SearchResult | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    paper: str = "a4",
    plan: ProcessPlan | None = None,
) -> dict:
    """The same into a folder that is locked already; returns the result as `result_document` makes it.

    Files of an earlier layout are removed first, so that none lies beside a layout that it does not show.
    """
    plan = plan or process_plan(panel, verdict.layout)
    verdict = replace(verdict, layout=plan.layout)  # beads in rolling order: one number a bead in all files
    gauges: tuple[GaugeOutcome, ...] = ()
    bound = None
    if search_result:
        flat_baseline, gauges, bound = search_result.flat_baseline, search_result.gauge_outcomes, search_result.bound
        flat = search_result.flat_verdict if verdict.layout.beads or verdict.layout.holes else None
    layout = verdict.layout
    document = result_document(panel, verdict, flat_baseline, search_result, plan)
    clear(folder)
    write_json(folder / "layout.json", layout_document(panel, layout, document))
    write_marking(panel, layout, folder / "marking.dxf", verdict=verdict, plan=plan)
    if "down" in rolled_faces(layout):
        write_marking(panel, layout, folder / "marking_back.dxf", verdict=verdict, plan=plan, face="down")
    write_template(panel, layout, folder / "template.pdf", plan=plan, paper=paper)
    write_template(panel, layout, folder / "template_back.pdf", plan=plan, face="down", paper=paper)
    write_card(panel, verdict, folder / "card.pdf", flat_baseline, gauges, paper, bound, plan)
    with atomic_write(folder / "card.txt") as fresh:
        fresh.write_text(card_text(panel, verdict, flat_baseline, gauges, bound, plan), encoding="utf-8")
    pictures = write_pictures(panel, verdict, folder, flat=flat, plan=plan)
    write_page(
        panel, verdict, folder / "report.html",
        flat_baseline=flat_baseline, flat=flat, gauges=gauges, bound=bound, pictures=pictures, plan=plan,
    )  # fmt: skip
    return document


def clear(folder: Path) -> None:
    """Remove the files of an earlier layout; layout.json stays."""
    for pattern in FILES:
        for old in folder.glob(pattern):
            old.unlink()

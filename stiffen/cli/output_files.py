"""What the commands share: reading layouts with their faults named, output folders, closing lines, exit status."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from .exit_status import MET, NOT_MET
from .terminal import Progress

if TYPE_CHECKING:
    from stiffen.model.layout import Layout
    from stiffen.model.panel import Panel
    from stiffen.model.results import FlatSheetBaseline, Verdict
    from stiffen.shop.process_plan import ProcessPlan


def output_folder(args: argparse.Namespace, name: str) -> Path:
    """The output folder, made where it is missing, and ours alone until the command is done."""
    from stiffen.io.folder_lock import locked_folder

    return args.until_done.enter_context(locked_folder(name))


@contextmanager
def faults_named_after(path: str) -> Iterator[None]:
    """Set the file's name before the place of each fault found in it."""
    try:
        yield
    except InputError as error:
        faults = [
            fault
            if fault.where.startswith(path)
            else replace(fault, where=": ".join(filter(None, (path, fault.where))))
            for fault in error.faults
        ]
        raise InputError(faults) from None


def layout_files(name: str) -> list[Path]:
    """A layout file itself; that of a folder; those of the folders in a folder."""
    path = Path(name)
    if not path.is_dir():
        return [path]
    found = [path / "layout.json"] if (path / "layout.json").exists() else sorted(path.glob("*/layout.json"))
    if not found:
        raise InputError([Fault(name, "holds no layout.json", "name a folder that search wrote, or a layout file")])
    return found


def read_evaluated_layout(path: Path) -> tuple[Panel, Layout, Verdict | None]:
    """Panel and layout of a file, and the verdict in it where it is one of just these."""
    from stiffen.io.files import read_json
    from stiffen.io.panel_file import read_layout
    from stiffen.io.result_json import verdict_from_document

    with faults_named_after(str(path)):
        panel, layout = read_layout(path)
        return panel, layout, verdict_from_document(panel, layout, read_json(path).get("result"))


def flat_sheet_of_same_gauge(panel: Panel, verdict: Verdict, grade: str, progress: Progress) -> Verdict | None:
    """The flat sheet of the same gauge with its maps; None where the layout is flat itself."""
    from stiffen.analysis.evaluation import check
    from stiffen.model.layout import Layout

    if is_flat(verdict):
        return None
    return check(panel, Layout(verdict.layout.gauge), mesh_level=grade, fields=True, progress=progress)


def beads_in_rolling_order(panel: Panel, verdict: Verdict) -> Verdict:
    """The verdict with its beads in rolling order, so that a bead has one number in all that is written."""
    from stiffen.shop.rollability import in_rolling_order

    return replace(verdict, layout=in_rolling_order(panel, verdict.layout))


def with_process_plan(panel: Panel, verdict: Verdict) -> tuple[Verdict, ProcessPlan]:
    """The process plan of the verdict's layout, and the verdict with its beads in rolling order."""
    from stiffen.shop.process_plan import process_plan

    plan = process_plan(panel, verdict.layout)
    return replace(verdict, layout=plan.layout), plan


def is_flat(verdict: Verdict) -> bool:
    return not (verdict.layout.beads or verdict.layout.holes)


def summary(verdict: Verdict) -> str:
    """Gauge, mass, what is to be rolled and flared."""
    from stiffen.output.drawing.bench_view import plural
    from stiffen.output.report.shop_card import mass_text

    layout = verdict.layout
    parts = (plural(layout.beads, "bead"), plural(layout.holes, "flared hole"))
    return f"{layout.gauge:g} mm, {mass_text(verdict.mass_kg)}, {', '.join(parts)}"


def closing_line(
    panel: Panel, verdict: Verdict, rival: FlatSheetBaseline | None, plan: ProcessPlan | None = None
) -> str:
    """The one line that a command ends with."""
    from stiffen.output.report.shop_card import mass_comparison

    words = summary(verdict)
    if rival:
        words += f"; {mass_comparison(verdict, rival)}"
    missed = [demand.label for demand in verdict.demands if not demand.met]
    if missed:
        return f"NOT MET: {', '.join(missed)}; best found {words}"
    return (
        f"met: {words}" if exit_status_of(panel, verdict, plan) == MET else f"SHOP RULES BROKEN, see the card; {words}"
    )


def exit_status_of(panel: Panel, verdict: Verdict, plan: ProcessPlan | None = None) -> int:
    from stiffen.shop.layout_check import audit

    broken = plan.violations if plan else audit(panel, verdict.layout)
    return MET if verdict.met and not broken else NOT_MET


def panel_and_start(args: argparse.Namespace) -> tuple[Panel, Layout | None]:
    """The panel of the command, and the layout that --from names to go on from."""
    from stiffen.io.panel_file import read_layout, read_panel
    from stiffen.optimise.search.driver import continued_panel

    with faults_named_after(args.panel):
        panel = read_panel(args.panel)
    if not args.start:
        return panel, None
    with faults_named_after(args.start):
        start = read_layout(args.start)[1]
        continued_panel(panel, start)
    return panel, start

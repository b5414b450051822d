"""The output folder, the result that is printed or written as JSON, and the closing line of a command."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .terminal import MET, NOT_MET, Progress, print_lines

if TYPE_CHECKING:
    from stiffen.model.panel import Panel
    from stiffen.model.results import FlatSheetBaseline, Verdict


OPEN_FIRST = "open report.html there first, and print card.pdf for the bench"
NOTHING_ASKED = "nothing asked"  # status of a panel without demands


def output_folder(args: argparse.Namespace, name: str | Path) -> Path:
    """The output folder, made if it is missing and locked for this process until the command ends."""
    from stiffen.io.folder_lock import locked_folder

    subject = getattr(args, "panel", None) or getattr(args, "layout", None)
    purpose = " ".join(filter(None, ("stiffen", args.command, subject)))
    return args.until_done.enter_context(locked_folder(name, purpose))


def write_text(path: str | Path, text: str) -> None:
    """Write a text file, whole or not at all."""
    from stiffen.io.files import atomic_write

    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")


def panel_picture_file(panel: Panel, path: Path) -> None:
    """Write the picture of the panel as it was read."""
    from stiffen.output.plots.panel_as_read.picture import panel_picture

    panel_picture(panel, path)


def give_result(args: argparse.Namespace, data: dict, lines: Sequence[str]) -> None:
    """Print the lines and write the data where --json says; `--json -` prints the data in place of the lines."""
    from stiffen.io.files import json_text, write_json

    if args.json == "-":
        print_lines(json_text(data, ascii_only=True), end="")
        return
    if args.json:
        write_json(args.json, data)
    print_lines(*lines)


def exit_status(data: dict) -> int:
    """MET or NOT_MET, by the status of a result.  MET also for a panel without demands, status "nothing asked"."""
    return MET if data["status"] in ("met", NOTHING_ASKED) else NOT_MET


def summary(verdict: Verdict) -> str:
    """Gauge, mass, number of beads and holes."""
    from stiffen.output.drawing.bench_view import plural
    from stiffen.output.report.card_sections.value_texts import mass_text

    layout = verdict.layout
    counts = (plural(layout.beads, "bead"), plural(layout.holes, "flared hole"))
    return f"{layout.gauge:g} mm, {mass_text(verdict.mass_kg)}, {', '.join(counts)}"


def closing_line(panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None, data: dict) -> str:
    """The one line that search and draw end with.  data: the result as plain data."""
    from stiffen.output.report.card_sections.demand_section import missed_labels
    from stiffen.output.report.card_sections.sheet_section import mass_comparison
    from stiffen.shop.cautions import crack_note

    line = summary(verdict)
    if flat_baseline:
        line += f"; {mass_comparison(verdict, flat_baseline)}"
    if note := crack_note(panel, verdict.layout):
        line += f"; {note}"
    missed = missed_labels(verdict)
    if missed:
        return f"NOT MET: {', '.join(missed)}; best found {line}"
    if data["status"] == NOTHING_ASKED:
        return f"nothing asked, as the panel file has no demand: {line}"
    return f"met: {line}" if exit_status(data) == MET else f"SHOP RULES BROKEN, see the card; {line}"


def flat_sheet_for_pictures(panel: Panel, verdict: Verdict, mesh_level: str, progress: Progress) -> Verdict | None:
    """The flat sheet of the same gauge with its result fields; None if the layout is flat itself."""
    from stiffen.analysis.evaluation import check
    from stiffen.model.layout import Layout

    if not (verdict.layout.beads or verdict.layout.holes):
        return None
    return check(panel, Layout(verdict.layout.gauge), mesh_level=mesh_level, fields=True, progress=progress)

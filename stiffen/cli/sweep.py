"""`stiffen search --sweep`: a search for each value of one quantity; mass against stiffness as table and picture."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from .inputs import faults_of_file, panel_and_start, search_options
from .output_files import exit_status, give_result, output_folder, panel_picture_file, write_text
from .processes import layout_workers
from .terminal import progress_bar

if TYPE_CHECKING:
    from pathlib import Path

    from stiffen.model.panel import Panel
    from stiffen.optimise.search.sweep import SweepPlan, SweepRow


def run(args: argparse.Namespace) -> int:
    """Search for each value; after each, write its layout and the table and picture of all values so far."""
    from stiffen.io.result_json import result_document
    from stiffen.optimise.search.sweep import parse_sweep, sweep

    panel, start = panel_and_start(args.panel, args.start)
    with faults_of_file(args.panel):
        plan = parse_sweep(panel, args.sweep)
    folder = output_folder(args, args.out)
    panel_picture_file(panel, folder / "panel.png")
    rows: list[SweepRow] = []

    def keep(row: SweepRow) -> None:
        """Write a row once it is done, and again if it has become better."""
        known = [k for k, one in enumerate(rows) if one.value == row.value]
        rows[slice(known[0], known[0] + 1) if known else slice(len(rows), None)] = [row]
        _write_rows(panel, plan, rows, row, folder)

    try:
        with progress_bar(args.quiet) as progress, layout_workers(args.workers, args.cluster) as executor:
            done = sweep(
                panel,
                plan,
                **search_options(args),
                start=start,
                executor=executor,
                progress=progress,
                on_row=keep,
            )
        interrupted = any(row.result.interrupted for row in done)
    except KeyboardInterrupt:
        if not rows:
            raise
        interrupted = True
    stopped = ""
    if interrupted:
        stopped = f"stopped after {len(rows)} of {len(plan.values)} rows; "
    documents = [
        {"value": row.value, "searched_again": row.searched_again}
        | result_document(plan.panel_for(panel, row.value), row.result.verdict, row.result.flat_baseline, row.result)
        for row in rows
    ]
    met = all(row.result.verdict.met for row in rows) and not stopped
    data = {"status": "met" if met else "not met", "swept": plan.title(panel), "rows": documents}
    text = (folder / "sweep.txt").read_text(encoding="utf-8")
    give_result(args, data, [text, f"{stopped}table, picture and layouts in {folder}"])
    return exit_status(data)


def _write_rows(panel: Panel, plan: SweepPlan, rows: list[SweepRow], new: SweepRow, folder: Path) -> None:
    """Write the layout of the new row, and table and picture of all rows so far."""
    from stiffen.output.bench_files import write_layout
    from stiffen.output.plots.sweep_plot import sweep_picture
    from stiffen.output.report.sections import columns
    from stiffen.output.report.sweep_table import sweep_csv, sweep_notes, sweep_table

    done = tuple(rows)
    row_folder = folder / f"{plan.kind}_{new.value:g}"
    row_folder.mkdir(exist_ok=True)
    write_layout(plan.panel_for(panel, new.value), new.result, row_folder)
    head, lines = sweep_table(panel, plan, done)
    table = [*columns(head, lines, right_aligned=range(1, 7)), *sweep_notes(panel, plan, done)]
    write_text(folder / "sweep.txt", "\n".join(table) + "\n")
    write_text(folder / "sweep.csv", sweep_csv(panel, plan, done))
    sweep_picture(panel, plan, done, folder / "sweep.png")

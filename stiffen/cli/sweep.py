"""`stiffen search --sweep`: mass against stiffness, one search for each value."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from .exit_status import MET, NOT_MET
from .output_files import beads_in_rolling_order, faults_named_after, output_folder, panel_and_start
from .terminal import print_result, progress_bar

if TYPE_CHECKING:
    from stiffen.optimise.search.sweep import SweepRow


def run_sweep(args: argparse.Namespace) -> int:
    """What if: a table and a picture of mass against stiffness, and the layout of each row."""
    from stiffen.io.files import atomic_write
    from stiffen.io.panel_file import layout_document, write_json
    from stiffen.io.result_json import result_document
    from stiffen.optimise.search.sweep import parse_sweep, sweep, sweep_csv, sweep_table
    from stiffen.output.plots.sweep_plot import sweep_picture
    from stiffen.output.report.shop_card import columns

    panel, start = panel_and_start(args)
    with faults_named_after(args.panel):
        what = parse_sweep(panel, args.sweep)
    folder = output_folder(args, args.out)
    rows: list[SweepRow] = []

    def keep(row: SweepRow) -> None:
        """On disk with every row, so that what is done is never lost."""
        rows.append(row)
        one = what.panel_for(panel, row.value)
        verdict = beads_in_rolling_order(one, row.result.verdict)
        place = folder / f"{what.kind}_{row.value:g}"
        place.mkdir(exist_ok=True)
        data = result_document(one, verdict, row.result.flat_baseline, row.result)
        write_json(place / "layout.json", layout_document(one, verdict.layout, data))
        head, lines = sweep_table(panel, what, tuple(rows))
        text = [
            *columns(head, lines, right_aligned=range(1, 7)),
            *(["* not met"] if any(map(_is_missed, rows)) else []),
        ]
        for name, words in (("sweep.txt", "\n".join(text) + "\n"), ("sweep.csv", sweep_csv(panel, what, tuple(rows)))):
            with atomic_write(folder / name) as fresh:
                fresh.write_text(words, encoding="utf-8")
        sweep_picture(panel, what, tuple(rows), folder / "sweep.png")

    stopped = ""
    try:
        with progress_bar(args.quiet) as progress:
            sweep(
                panel,
                what,
                seconds=args.seconds,
                seed=args.seed,
                mesh_level=args.mesh,
                start=start,
                progress=progress,
                on_row=keep,
            )
    except KeyboardInterrupt:
        if not rows:
            raise
    if len(rows) < len(what.values) or rows[-1].result.stopped == "interrupted":
        stopped = f"stopped after {len(rows)} of {len(what.values)} rows; "
    text = (folder / "sweep.txt").read_text(encoding="utf-8")
    met = not any(map(_is_missed, rows)) and not stopped
    data = {
        "status": "met" if met else "not met",
        "swept": what.title(panel),
        "rows": [
            {
                "value": row.value,
                **result_document(
                    what.panel_for(panel, row.value), row.result.verdict, row.result.flat_baseline, row.result
                ),
            }
            for row in rows
        ],
    }
    print_result(args, data, [text, f"{stopped}table, picture and layouts in {folder}"])
    return MET if met else NOT_MET


def _is_missed(row: SweepRow) -> bool:
    return not row.result.verdict.met

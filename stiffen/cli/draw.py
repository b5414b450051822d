"""`stiffen draw`: a layout computed again, and its drawings."""

from __future__ import annotations

import argparse

from .output_files import (
    closing_line,
    exit_status_of,
    faults_named_after,
    flat_sheet_of_same_gauge,
    output_folder,
    with_process_plan,
)
from .terminal import print_result, progress_bar


def run_draw(args: argparse.Namespace) -> int:
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline
    from stiffen.io.panel_file import read_layout
    from stiffen.output.bench_files import write_bench_files

    with faults_named_after(args.layout):
        panel, layout = read_layout(args.layout)
    folder = output_folder(args, args.out)
    with progress_bar(args.quiet) as progress:
        verdict, plan = with_process_plan(
            panel, check(panel, layout, mesh_level=args.mesh, fields=True, progress=progress)
        )
        flat = flat_baseline(panel, mesh_level=args.mesh, progress=progress)
        beside = flat_sheet_of_same_gauge(panel, verdict, args.mesh, progress)
    data = write_bench_files(panel, verdict, folder, flat_baseline=flat, flat=beside, paper=args.paper, plan=plan)
    print_result(args, data, [f"{closing_line(panel, verdict, flat, plan)}; in {folder}"])
    return exit_status_of(panel, verdict, plan)

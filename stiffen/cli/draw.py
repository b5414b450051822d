"""`stiffen draw`: evaluates a layout again and writes what search writes."""

from __future__ import annotations

import argparse

from .inputs import layout_of_file
from .output_files import (
    OPEN_FIRST,
    closing_line,
    exit_status,
    flat_sheet_for_pictures,
    give_result,
    output_folder,
)
from .terminal import progress_bar

HELP = "compute a layout again and write its drawings"
DESCRIPTION = "Compute a layout again, for example one edited by hand, and write the files that search writes."
EXAMPLES = ("stiffen draw out/hatch/layout.json --out out/hatch2",)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("layout", metavar="L.json", help="a layout.json that search or draw wrote")
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")


def run(args: argparse.Namespace) -> int:
    """Evaluate the layout and the flat sheets, write all files."""
    from stiffen.analysis.evaluation import check
    from stiffen.analysis.flat_sheet import flat_baseline, with_outside_gauge
    from stiffen.optimise.explain.explaining import explain
    from stiffen.output.bench_files import write_bench_files

    panel, layout = layout_of_file(args.layout)
    folder = output_folder(args, args.out)
    with progress_bar(args.quiet) as progress:
        verdict = check(panel, layout, mesh_level=args.mesh, fields=True, progress=progress)
        baseline = flat_baseline(panel, mesh_level=args.mesh, progress=progress)
        baseline = with_outside_gauge(panel, baseline, progress=progress)
        flat = flat_sheet_for_pictures(panel, verdict, args.mesh, progress)
        explanation = explain(panel, verdict, progress=progress)
    data = write_bench_files(
        panel, verdict, folder, flat_baseline=baseline, flat=flat, explanation=explanation, paper=args.paper
    )
    give_result(args, data, [f"{closing_line(panel, verdict, baseline, data)}; in {folder}; {OPEN_FIRST}"])
    return exit_status(data)

"""`stiffen compare`: layouts side by side."""

from __future__ import annotations

import argparse
import textwrap
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError, StiffenError

from .inputs import evaluated_layout, layout_paths
from .output_files import output_folder, write_text
from .terminal import MET, NOT_MET, Progress, print_lines, progress_bar

if TYPE_CHECKING:
    from stiffen.output.report.comparison import Entry

HELP = "compare layouts side by side"
DESCRIPTION = """\
Compare two to six layouts: one table, one picture, and how each differs from the first.
Uses the results stored in the layout files. Computes a layout again if its file holds no result for it.
Writes compare.txt and compare.png."""
EXAMPLES = (
    "stiffen compare out/hatch out/hatch2 --out out/both",
    "stiffen compare a.json b.json c.json --judge --out out/three",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("layouts", metavar="L.json", nargs="+", help="layout files, or their folders")
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    parser.add_argument("--judge", action="store_true", help="compute all of them again")


def run(args: argparse.Namespace) -> int:
    """Evaluate the layouts without a result; print and write the table and the differences, write the picture."""
    from stiffen.output.plots.comparison_plot import comparison_picture
    from stiffen.output.report.comparison import MAX_LAYOUTS, comparison_table, differences, legend
    from stiffen.output.report.sections import columns

    if not 2 <= len(args.layouts) <= MAX_LAYOUTS:
        raise InputError([Fault("compare", f"got {len(args.layouts)} layouts", f"give 2 to {MAX_LAYOUTS}")])
    with progress_bar(args.quiet) as progress:
        entries = [_entry(path, args, progress) for path in args.layouts]
    folder = output_folder(args, args.out)
    comparison_picture(entries, folder / "compare.png")
    head, rows = comparison_table(entries)
    note = ["* not met"] if any(entry.missed for entry in entries) else []
    sentences = [textwrap.fill(sentence, 100, subsequent_indent="  ") for sentence in differences(entries)]
    names = [*legend(entries), ""] if legend(entries) else []
    table = columns(head, rows, right_aligned=range(1, len(head)))
    text = "\n".join([*names, *table, *note, "", *sentences]) + "\n"
    write_text(folder / "compare.txt", text)
    print_lines(text, end="")
    return NOT_MET if note else MET


def _entry(name: str, args: argparse.Namespace, progress: Progress) -> Entry:
    """A layout to compare; evaluated again if its file holds no verdict on it, or if --judge is given."""
    from stiffen.analysis.evaluation import check
    from stiffen.output.report.comparison import Entry

    files = layout_paths(name)
    if len(files) > 1:
        raise InputError([Fault(name, f"holds {len(files)} folders with a layout", "name one of them")])
    panel, layout, verdict = evaluated_layout(files[0])
    title = files[0].stem if files[0].stem != "layout" else files[0].resolve().parent.name
    if verdict is None or args.judge:
        try:
            verdict = check(panel, layout, mesh_level=args.mesh, progress=progress)
        except StiffenError as error:
            raise type(error)(f"{files[0]}: {error}") from None
    return Entry(title, panel, verdict)

"""`stiffen compare`: layouts side by side."""

from __future__ import annotations

import argparse
import textwrap
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError, StiffenError

from .exit_status import MET, NOT_MET
from .output_files import layout_files, output_folder, read_evaluated_layout
from .terminal import Progress, progress_bar

if TYPE_CHECKING:
    from stiffen.output.report.comparison import Entry


def run_compare(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.output.plots.comparison_plot import comparison_picture
    from stiffen.output.report.comparison import MAX_LAYOUTS, comparison_table, differences, legend
    from stiffen.output.report.shop_card import columns

    if not 2 <= len(args.layouts) <= MAX_LAYOUTS:
        raise InputError([Fault("compare", f"got {len(args.layouts)} layouts", f"give 2 to {MAX_LAYOUTS}")])
    with progress_bar(args.quiet) as progress:
        entries = [_read_entry(path, args, progress) for path in args.layouts]
    folder = output_folder(args, args.out)
    comparison_picture(entries, folder / "compare.png")
    head, rows = comparison_table(entries)
    starred = ["* not met"] if any(entry.missed for entry in entries) else []
    told = [textwrap.fill(words, 100, subsequent_indent="  ") for words in differences(entries)]
    names = [*legend(entries), ""] if legend(entries) else []
    text = "\n".join([*names, *columns(head, rows, right_aligned=range(1, len(head))), *starred, "", *told]) + "\n"
    with atomic_write(folder / "compare.txt") as fresh:
        fresh.write_text(text, encoding="utf-8")
    print(text, end="")
    return MET if not starred else NOT_MET


def _read_entry(name: str, args: argparse.Namespace, progress: Progress) -> Entry:
    """A layout to compare, judged again where its file holds no verdict on it, or where that is asked for."""
    from stiffen.analysis.evaluation import check
    from stiffen.output.report.comparison import Entry

    files = layout_files(name)
    if len(files) > 1:
        raise InputError([Fault(name, f"holds {len(files)} folders with a layout", "name one of them")])
    panel, layout, verdict = read_evaluated_layout(files[0])
    title = files[0].stem if files[0].stem != "layout" else files[0].resolve().parent.name
    if verdict is None or args.judge:
        try:
            verdict = check(panel, layout, mesh_level=args.mesh, progress=progress)
        except StiffenError as error:
            raise type(error)(f"{files[0]}: {error}") from None
    return Entry(title, panel, verdict)

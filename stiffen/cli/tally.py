"""`stiffen tally`: the panels of one build added up."""

from __future__ import annotations

import argparse

from .exit_status import MET, NOT_MET
from .output_files import exit_status_of, layout_files, read_evaluated_layout


def run_tally(args: argparse.Namespace) -> int:
    from stiffen.io.files import atomic_write
    from stiffen.output.report.build_summary import (
        NUMBER_COLUMNS,
        STOCK_SHEETS,
        SUMMARY_HEAD,
        build_panel,
        csv_text,
        purchase_lines,
        purchases,
        summary_rows,
    )
    from stiffen.output.report.shop_card import columns

    pieces = []
    for path in (file for name in args.folders for file in layout_files(name)):
        panel, layout, verdict = read_evaluated_layout(path)
        status = "not judged"
        if verdict:
            status = "met" if exit_status_of(panel, verdict) == MET else "not met"
        pieces.append(build_panel(panel, layout, status))
    bought = purchases(pieces, args.sheet or STOCK_SHEETS)
    if args.csv:
        with atomic_write(args.csv) as fresh:
            fresh.write_text(csv_text(pieces), encoding="utf-8")
    print(
        *columns(SUMMARY_HEAD, summary_rows(pieces), right_aligned=NUMBER_COLUMNS),
        "",
        "SHEETS",
        *purchase_lines(bought),
        sep="\n",
    )
    if fitted := sum(one.fitted_kg for one in pieces):
        print(f"\nEdge trim and what is bolted on come on top: {fitted:.3f} kg")
    good = all(one.status == "met" for one in pieces) and not any(one.too_large for one in bought)
    return MET if good else NOT_MET

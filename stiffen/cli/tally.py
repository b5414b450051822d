"""`stiffen tally`: adds up the panels of one build."""

from __future__ import annotations

import argparse

from .assembly import tally_build
from .inputs import evaluated_layout, is_build, layout_paths, sheet_size
from .output_files import write_text
from .terminal import MET, NOT_MET, print_lines

HELP = "add up the panels of one build"
DESCRIPTION = """\
Add up the panels of one build: mass, sheets to buy by material and gauge with the place of each blank,
beads, holes and rivets, minutes. A folder named twice counts twice. Of a build file: strips, joints and
extras too, the mass to beat and the order of work."""
EXAMPLES = (
    "stiffen tally out --csv build.csv",
    "stiffen tally out/hatch out/cheek_left out/cheek_right --sheet 2000x1000",
    "stiffen tally tub.toml out/tub",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument(
        "folders",
        metavar="DIR",
        nargs="+",
        help="folders of layouts, or layout files; or a build file and the folder that search wrote for it",
    )
    parser.add_argument("--csv", metavar="F.csv", help="write the table here, one line for each panel")
    parser.add_argument(
        "--sheet",
        metavar="XxY",
        type=sheet_size,
        action="append",
        help="stock size, mm; give it again for more (default 2000x1000 and 2500x1250)",
    )


def run(args: argparse.Namespace) -> int:
    """Print the table of panels and the sheets to buy; write the table as CSV if asked."""
    if is_build(args.folders[0]):
        return tally_build.run(args)
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
    from stiffen.output.report.sections import columns
    from stiffen.shop.layout_check import audit

    panels = []
    for path in (file for name in args.folders for file in layout_paths(name)):
        panel, layout, verdict = evaluated_layout(path)
        status = "not judged"
        if verdict:
            met = "met" if verdict.demands else "nothing asked"
            status = met if verdict.met and not audit(panel, layout) else "not met"
        panels.append(build_panel(panel, layout, status))
    bought = purchases(panels, args.sheet or STOCK_SHEETS)
    if args.csv:
        write_text(args.csv, csv_text(panels))
    table = columns(SUMMARY_HEAD, summary_rows(panels), right_aligned=NUMBER_COLUMNS)
    print_lines(*table, "", "SHEETS", *purchase_lines(bought))
    if fitted := sum(panel.fitted_kg for panel in panels):
        print_lines("", f"Edge trim and what is bolted on come on top: {fitted:.3f} kg")
    good = all(panel.status in ("met", "nothing asked") for panel in panels) and not any(
        purchase.too_large for purchase in bought
    )
    return MET if good else NOT_MET

"""`stiffen tally BUILD.toml`: mass, sheets, strips, rivets of a build, with the layouts of a folder or of its files."""

from __future__ import annotations

import argparse
from pathlib import Path

from stiffen.errors import Fault, InputError

from ..inputs import evaluated_layout, faults_of_file
from ..output_files import write_text
from ..terminal import MET, NOT_MET, print_lines


def run(args: argparse.Namespace) -> int:
    """Print the build sheet; write the table of panels as CSV if asked."""
    from stiffen.assembly.build_file import read_build
    from stiffen.assembly.fitted_build import fitted_build
    from stiffen.output.assembly.build_files import folder_name
    from stiffen.output.assembly.build_sections import build_text
    from stiffen.output.assembly.build_sheet import BuiltPanel, build_sheet
    from stiffen.output.report.build_summary import STOCK_SHEETS, csv_text

    path, *folders = args.folders
    with faults_of_file(path):
        build = read_build(path)
    names = [folder_name(part.name) for part in build.panels]
    empty = [one for one in folders if not any((Path(one) / name / "layout.json").exists() for name in names)]
    if empty:
        cure = f"name the folder into which stiffen search {path} has written"
        raise InputError([Fault(one, f"holds no layout of a panel of {path}", cure) for one in empty])
    built = {}
    for part in build.panels:
        files = (Path(folder) / folder_name(part.name) / "layout.json" for folder in folders)
        file = next((one for one in files if one.exists()), None)
        if file:
            _, layout, verdict = evaluated_layout(file)
            built[part.name] = BuiltPanel(layout, verdict)
        else:
            built[part.name] = BuiltPanel(part.panel.layout())
    with faults_of_file(path):
        fitted = fitted_build(build, {name: one.layout.gauge for name, one in built.items()})
    sheet = build_sheet(fitted, built, args.sheet or STOCK_SHEETS)
    if args.csv:
        write_text(args.csv, csv_text(sheet.summary))
    print_lines(build_text(sheet), end="")
    return MET if sheet.met else NOT_MET

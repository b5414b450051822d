"""`stiffen show`: what was understood of a panel file, as a picture and in words."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..inputs import panel_of_file, warn_of_units
from ..output_files import panel_picture_file
from ..terminal import MET, print_lines

HELP = "show what was understood of a panel file"
DESCRIPTION = """\
Draw the panel as it was read and say the same in words: outline, openings, folds, how it is held, what pushes
on it, what must stay clear, what is asked. Computes nothing. check and search draw the same picture first."""
EXAMPLES = ("stiffen show hatch.toml", "stiffen show hatch.toml --out hatch.png")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    parser.add_argument("--out", metavar="F.png", help="the picture (default: panel.png beside the panel file)")


def run(args: argparse.Namespace) -> int:
    """Write the picture, print the rows."""
    from stiffen.output.plots.panel_as_read.words import head_lines, panel_rows

    panel = panel_of_file(args.panel)
    warn_of_units(panel, args.panel)
    path = Path(args.out) if args.out else Path(args.panel).with_name("panel.png")
    panel_picture_file(panel, path)
    rows = [f"  {row.mark or ('asked' if row.kind == 'demand' else ''):6} {row.text}" for row in panel_rows(panel)]
    next_step = f"next: stiffen check {args.panel}"
    print_lines(*head_lines(panel), *rows, f"picture: {path}; {next_step}")
    return MET

"""`stiffen trial`: a trial strip for a bead die."""

from __future__ import annotations

import argparse

from .inputs import panel_of_file, positive_number
from .output_files import output_folder, write_text
from .terminal import MET, print_lines

HELP = "print a trial strip for a bead die"
DESCRIPTION = """\
Write the card of a trial strip: how to roll and measure it, a table for the depths, and how to enter them in
the tools file, where they set the turns; then the strip at 1:1 with a line where each pass begins.
Writes trial.pdf and trial.txt, and tools.toml, a copy of the built-in tools, if the panel uses those."""
EXAMPLES = ("stiffen trial hatch.toml --die B16 --gauge 1.0 --out strip",)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    parser.add_argument("--die", metavar="NAME", required=True, help="the bead die")
    parser.add_argument(
        "--gauge",
        metavar="MM",
        type=positive_number("mm"),
        help="sheet thickness, mm (default: the thinnest of the rack)",
    )
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")


def run(args: argparse.Namespace) -> int:
    """Write the strip, its card, and a copy of the built-in tools if the panel uses those."""
    from stiffen.output.report.trial_strip import copy_starter_tools, trial_die, trial_text, write_trial

    panel = panel_of_file(args.panel)
    die = trial_die(panel, args.die)
    gauge = args.gauge or min(panel.gauges)
    folder = output_folder(args, args.out)
    copy = copy_starter_tools(panel, folder)
    write_trial(panel, die, gauge, folder / "trial.pdf", paper=args.paper, copy=copy)
    write_text(folder / "trial.txt", trial_text(panel, die, gauge, copy=copy))
    print_lines(f"trial strip of die {die.name} in {gauge:g} mm {panel.material.name}; in {folder}")
    return MET

"""`stiffen trial`: a trial strip for a bead die."""

from __future__ import annotations

import argparse
import re

from .inputs import panel_of_file, positive_number
from .output_files import output_folder, write_text
from .terminal import MET, print_lines

HELP = "print a trial strip for a bead die"
DESCRIPTION = """\
Write the card of a trial strip: how to roll and measure it, a table for the depths, and how to enter them in
the tools file, where they set the turns; then the strip at 1:1 with a line where each pass begins.
Writes trial.pdf and trial.txt, and tools.toml, a copy of the built-in tools, if the panel uses those.
For more than one die the names are trial_B16.pdf and so on."""
EXAMPLES = (
    "stiffen trial hatch.toml --die B16 --gauge 1.0 --out strip",
    "stiffen trial hatch.toml --die B16 --die B20 --out strips",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    parser.add_argument(
        "--die", metavar="NAME", required=True, action="append", help="the bead die; give it again for another die"
    )
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
    dies = tuple(dict.fromkeys(trial_die(panel, name) for name in args.die))
    gauge = args.gauge or min(panel.gauges)
    folder = output_folder(args, args.out)
    copy = copy_starter_tools(panel, folder)
    for number, die in enumerate(dies, 1):
        name = "trial" if len(dies) == 1 else _file_name(die.name, number)
        write_trial(panel, die, gauge, folder / f"{name}.pdf", paper=args.paper, copy=copy)
        write_text(folder / f"{name}.txt", trial_text(panel, die, gauge, copy=copy))
        print_lines(f"trial strip of die {die.name} in {gauge:g} mm {panel.material.name}; in {folder}")
    return MET


def _file_name(die: str, number: int) -> str:
    """The name of a strip's files; by number for a die whose name is not fit for one."""
    return f"trial_{die}" if re.fullmatch(r"[A-Za-z0-9_-]{1,40}", die) else f"trial_{number}"

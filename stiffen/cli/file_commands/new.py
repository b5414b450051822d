"""`stiffen new`: a commented panel file to start from."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from stiffen.errors import Fault, InputError

from ..output_files import write_text
from ..terminal import MET, print_lines

HELP = "write a panel file to start from"
DESCRIPTION = "Write a commented panel file to start from. A file that exists is not overwritten."
EXAMPLES = ("stiffen new hatch.toml",)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("file", metavar="FILE", help="the panel file to write")


def run(args: argparse.Namespace) -> int:
    """Write the starter panel."""
    from importlib import resources

    path = Path(args.file)
    if os.path.lexists(path):
        raise InputError([Fault(str(path), "is there already", "give another name, or move it away")])
    write_text(path, resources.files("stiffen").joinpath("data/starter_panel.toml").read_text(encoding="utf-8"))
    print_lines(f"wrote {path}: edit it to fit your panel, then: stiffen check {path}")
    return MET

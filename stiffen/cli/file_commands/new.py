"""`stiffen new`: a commented panel file to start from."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from stiffen.errors import Fault, InputError

from ..output_files import write_text
from ..terminal import MET, print_lines

HELP = "write a panel file to start from"
DESCRIPTION = """\
Write a commented panel file to start from, or with --build a build file.
A file that exists is not overwritten."""
EXAMPLES = ("stiffen new hatch.toml", "stiffen new --build box.toml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("file", metavar="FILE", help="the file to write")
    parser.add_argument("--build", action="store_true", help="a build file: panels, strips, joints")


def run(args: argparse.Namespace) -> int:
    """Write the starter panel, or the starter build."""
    from importlib import resources

    path = Path(args.file)
    if os.path.lexists(path):
        raise InputError([Fault(str(path), "is there already", "give another name, or move it away")])
    kind = "build" if args.build else "panel"
    text = resources.files("stiffen").joinpath(f"data/starter_{kind}.toml").read_text(encoding="utf-8")
    write_text(path, text)
    print_lines(f"wrote {path}: edit it to fit your {kind}, then: stiffen check {path}")
    return MET

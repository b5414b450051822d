"""`stiffen mirror`: the other hand of a panel or layout."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..inputs import faults_of_file
from ..terminal import MET, print_lines

HELP = "write the mirror image of a panel or layout"
DESCRIPTION = """\
Write the other hand of a panel, so that left and right are one design: outline, cut-outs, folds, supports, loads,
keep-outs, masses, trims, beads and holes are mirrored left to right. Faces stay: the up face is the up face of both.
Comments stay as they are. The outline of a DXF drawing is written into the file as points. A layout.json is mirrored
with its panel; its results are computed again by stiffen draw. A file that exists is not overwritten."""
EXAMPLES = (
    "stiffen mirror cheek_left.toml cheek_right.toml",
    "stiffen mirror out/cheek_left/layout.json right.json && stiffen draw right.json --out out/cheek_right",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("source", metavar="PANEL.toml", help="the panel file, or a layout.json")
    parser.add_argument("target", metavar="OUT.toml", help="the file to write; OUT.json for a layout")


def run(args: argparse.Namespace) -> int:
    """Write the mirrored file; print the next command and what to check by eye."""
    from stiffen.errors import Fault, InputError
    from stiffen.io.mirrored_file import mirror_layout, mirror_panel

    kinds = {Path(name).suffix.lower() == ".json" for name in (args.source, args.target)}
    if len(kinds) > 1:
        raise InputError(
            [Fault(args.target, f"is another kind of file than {args.source}", "both .toml, or both .json")]
        )
    write = mirror_layout if kinds == {True} else mirror_panel
    with faults_of_file(args.source):
        panel, remarks = write(args.source, args.target)
    again = f"stiffen draw {args.target} --out DIR" if kinds == {True} else f"stiffen check {args.target}"
    print_lines(f"wrote {args.target}: {panel.name}; next: {again}", *remarks)
    return MET

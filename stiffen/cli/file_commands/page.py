"""`stiffen page`: tune a panel by hand in the browser of this machine."""

from __future__ import annotations

import argparse
import sys
import webbrowser
from pathlib import Path

from ..inputs import faults_of_file, layout_of_file, panel_of_file, warn_of_units
from ..terminal import BAD_INPUT, MET, print_error, print_lines

HELP = "tune a panel by hand in the browser"
DESCRIPTION = """\
Open a page in the browser of this machine on which beads and flared holes are drawn and dragged by hand. Margins, mass
and bench minutes answer at once; the shell model judges each layout that is let go. Every step is kept in the folder
NAME.page beside the panel file, so that nothing is lost. Ctrl-C ends it."""
EXAMPLES = ("stiffen page hatch.toml", "stiffen page hatch.toml --from out/hatch/layout.json --no-browser")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    parser.add_argument("--from", dest="start", metavar="L.json", help="begin with this layout")
    parser.add_argument("--port", metavar="N", type=int, default=0, help="port to listen at (default: a free one)")
    parser.add_argument("--no-browser", action="store_true", help="print the address, and open no browser")


def run(args: argparse.Namespace) -> int:
    """Serve the page until Ctrl-C."""
    from stiffen.page.opening import opened
    from stiffen.page.server import serve

    if not 0 <= args.port <= 65535:
        print_error(f"--port: {args.port} is not a port (give 1024 to 65535, or leave it out)")
        return BAD_INPUT
    warn_of_units(panel_of_file(args.panel), args.panel)
    start = layout_of_file(args.start)[1] if args.start else None

    def tell(address: str) -> None:
        print_lines(f"The page is at {address}", "Keep this window open; Ctrl-C ends the page.")
        sys.stdout.flush()
        if not args.no_browser:
            webbrowser.open(address)

    with faults_of_file(args.panel), opened(Path(args.panel), start) as session:
        serve(session, args.port, tell)
    return MET

"""`stiffen search`: beads, holes and gauge of least mass, for one panel or for several."""

from __future__ import annotations

import argparse

from stiffen.errors import Fault, InputError

from . import sweep
from .assembly import search_build
from .inputs import count, is_build, positive_number, seed
from .processes import prepare_workers
from .searching.one_panel import search_one
from .searching.several_panels import search_several

HELP = "find gauge, beads and holes that meet the demands"
DESCRIPTION = """\
Find gauge, beads and flared holes that meet the demands: the lightest layout, the quickest to make, and the
recommended one, which is worth its minutes and whose files are written.
Ctrl-C ends the search early and keeps the best layout so far.
Writes into DIR: panel.png, the panel as it was read; layout.json, each time a better layout is found;
marking.dxf, and marking_back.dxf if beads stand on both faces; template.pdf, and template_back.pdf if
anything stands on the down face; card.pdf and card.txt; report.html; pictures: layout.png,
before_after.png (maps.png if the flat sheet meets the demands) and more.
The proposals lie in proposals.png and, for the others, in lightest.json and quickest.json to draw from.
With several panels, each gets a folder of its own in DIR; so do the panels and strips of a build file,
beside build.pdf, build.html, build.txt, assembled.png and sheets.png. A sweep writes sweep.txt, sweep.csv
and sweep.png (mass against stiffness), and for each value a folder with a layout.json to draw from."""
EXAMPLES = (
    "stiffen search hatch.toml --out out/hatch",
    "stiffen search hatch.toml --out out/hatch --seconds 600 --seed 3",
    "stiffen search hatch.toml --from out/hatch/layout.json --out out/hatch2",
    "stiffen search floor.toml hatch.toml cheek.toml --jobs 2 --out out",
    "stiffen search floor.toml hatch.toml --jobs 2 --cluster tcp://bench:8786 --out out",
    "stiffen search tub.toml --out out/tub",
    "stiffen search hatch.toml --sweep frequency=30,40,50,60 --out out/what_if",
    "stiffen search hatch.toml --sweep gauge=0.8,1.0,1.2 --seconds 30 --out out/sheets",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument(
        "panels", metavar="PANEL.toml", nargs="+", help="the panel file, several of one build, or a build file"
    )
    parser.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    parser.add_argument(
        "--seconds",
        metavar="S",
        type=positive_number("seconds"),
        help="time limit, s, for each panel and each value of a sweep (default: none, the effort decides)",
    )
    parser.add_argument(
        "--effort",
        choices=("quick", "normal", "thorough"),
        default="normal",
        help="how much is tried; the same effort gives the same layout on any machine (default normal)",
    )
    parser.add_argument(
        "--workers", metavar="N", type=count, help="processes that evaluate layouts (default: one for each core)"
    )
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="evaluate on the workers of this Dask scheduler, as tcp://HOST:8786"
    )
    parser.add_argument("--seed", metavar="N", type=seed, default=0, help="seed of the random numbers (default 0)")
    parser.add_argument(
        "--from", dest="start", metavar="L.json", help="start from this layout; what is marked fixed in it stays"
    )
    parser.add_argument(
        "--jobs", metavar="N", type=count, default=1, help="panels to search at the same time (default 1)"
    )
    parser.add_argument(
        "--sweep",
        metavar="WHAT=VALUES",
        help="a search for each value: limit=2,3,4 (or the demand's name: frequency=30,40), gauge=0.8,1.0, dies=1,2",
    )


def run(args: argparse.Namespace) -> int:
    """Search one panel, several panels, or sweep one."""
    if args.cluster and args.workers:
        what = "does not go with --cluster, whose workers evaluate the layouts"
        raise InputError([Fault("--workers", what, "leave one of them out")])
    if len(args.panels) > 1:
        return search_several(args)
    args.panel = args.panels[0]
    if args.workers != 1 and args.cluster is None:
        prepare_workers()
    if is_build(args.panel):
        return search_build.run(args)
    return sweep.run(args) if args.sweep else search_one(args)

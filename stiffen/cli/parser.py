"""The commands with their options and help texts."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

import stiffen

from .check import run_check
from .compare import run_compare
from .draw import run_draw
from .new import run_new
from .search import run_search
from .stock import run_stock
from .tally import run_tally
from .trial import run_trial

MESH_LEVELS = ("quick", "normal", "fine")
PAPERS = ("a4", "letter", "roll")


def _positive_number(unit: str) -> Callable[[str], float]:
    def number(words: str) -> float:
        try:
            value = float(words)
        except ValueError:
            value = math.nan
        if not 0 < value < math.inf:
            raise argparse.ArgumentTypeError(f"{words!r} is not a number of {unit} greater than 0")
        return value

    return number


def _seed(words: str) -> int:
    if not words.isdecimal():
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number, 0 or more")
    return int(words)


def _count(words: str) -> int:
    if not words.isdecimal() or int(words) < 1:
        raise argparse.ArgumentTypeError(f"{words!r} is not a whole number, 1 or more")
    return int(words)


def _sheet_size(words: str) -> tuple[float, float]:
    sides = words.lower().split("x")
    try:
        x, y = (float(side) for side in sides)
    except ValueError:
        x = y = math.nan
    if not (0 < x < math.inf and 0 < y < math.inf):
        raise argparse.ArgumentTypeError(f"{words!r} is not a sheet size in mm, such as 2000x1000")
    return x, y


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="stiffen",
        description="Decide beads, flared holes and gauge for a sheet-metal panel before the sheet is cut.\n"
        "Lengths in mm, forces in N, pressures in MPa, masses in kg, frequencies in Hz.",
        epilog="A first panel:\n"
        "  stiffen new hatch.toml                    a commented panel file to edit\n"
        "  stiffen check hatch.toml                  the panel as it stands against its demands\n"
        "  stiffen search hatch.toml --out hatch     beads, holes and gauge of least mass\n"
        "  stiffen draw hatch/layout.json --out new  drawings again, after an edit by hand\n\n"
        "Exit status: 0 demands met; 1 not met, or a shop rule broken; 2 bad input; 3 a mesh or solver failed.\n"
        "The numbers are a design aid: proof-load the finished panel before anyone relies on it.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"stiffen {stiffen.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, run: Callable, short: str, long: str, examples: str) -> argparse.ArgumentParser:
        one = commands.add_parser(
            name,
            help=short,
            description=long,
            epilog=f"Examples:\n{examples}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        one.set_defaults(run=run)
        return one

    check = command(
        "check",
        run_check,
        "judge a panel as it stands",
        "Judge the panel, with the beads and holes its file gives, against its demands.",
        "  stiffen check hatch.toml --gauge 1.2\n"
        "  stiffen check hatch.toml --layout out/layout.json --json result.json --plot pictures\n"
        "  stiffen check hatch.toml --json - | python -m json.tool\n",
    )
    check.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    check.add_argument("--layout", metavar="L.json", help="judge the beads and holes of this layout instead")
    check.add_argument(
        "--gauge",
        metavar="MM",
        type=_positive_number("mm"),
        help="sheet thickness, mm (default: the layout's, or the thinnest)",
    )
    check.add_argument("--rival", action="store_true", help="also look for the flat sheet that meets the demands")
    check.add_argument(
        "--second-opinion",
        action="store_true",
        help="ask another shell element too; more than 5 %% between them is a warning",
    )
    check.add_argument(
        "--plot",
        metavar="DIR",
        help="write pictures here: layout, maps beside those of the flat sheet, first mode as GIF",
    )

    search = command(
        "search",
        run_search,
        "find beads, holes and gauge of least mass",
        "Find the gauge, beads and flared holes of least mass that meet the demands.\n"
        "Writes layout.json (each time a better layout is found), marking.dxf (and marking_back.dxf where beads\n"
        "stand on both faces), template.pdf, template_back.pdf, card.pdf, card.txt, report.html and pictures:\n"
        "layout.png, before_after.png (judged.png where the flat sheet will do) and more. Ctrl-C ends it early; the\n"
        "best so far is kept. Of several panels each gets a folder of its own in DIR. A sweep writes sweep.txt,\n"
        "sweep.csv, sweep.png (mass against stiffness) and, in a folder for each value, layout.json to draw from.",
        "  stiffen search hatch.toml --out out/hatch\n"
        "  stiffen search hatch.toml --out out/hatch --seconds 600 --seed 3\n"
        "  stiffen search hatch.toml --from out/hatch/layout.json --out out/hatch2\n"
        "  stiffen search floor.toml hatch.toml cheek.toml --jobs 2 --out out\n"
        "  stiffen search hatch.toml --sweep frequency=30,40,50,60 --out out/what_if\n"
        "  stiffen search hatch.toml --sweep gauge=0.8,1.0,1.2 --seconds 30 --out out/sheets\n",
    )
    search.add_argument("panels", metavar="PANEL.toml", nargs="+", help="the panel file; several: all of a build")
    search.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    search.add_argument(
        "--seconds",
        metavar="S",
        type=_positive_number("seconds"),
        default=60.0,
        help="time to search and judge, s, for each panel and each row of a sweep (default 60)",
    )
    search.add_argument(
        "--seed",
        metavar="N",
        type=_seed,
        default=0,
        help="start of the random numbers (default 0)",
    )
    search.add_argument(
        "--from",
        dest="start",
        metavar="L.json",
        help="go on from this layout; what is marked fixed in it stays",
    )
    search.add_argument(
        "--jobs", metavar="N", type=_count, default=1, help="panels to search at the same time (default 1)"
    )
    search.add_argument(
        "--sweep",
        metavar="WHAT=VALUES",
        help="what if: limit=2,3,4 (of several demands name one: frequency=30,40), gauge=0.8,1.0 or dies=1,2",
    )

    draw = command(
        "draw",
        run_draw,
        "judge a layout again and write its drawings",
        "Judge a layout again, also one edited by hand, and write what search writes.",
        "  stiffen draw out/hatch/layout.json --out out/hatch2\n",
    )
    draw.add_argument("layout", metavar="L.json", help="a layout.json that search or draw wrote")
    draw.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")

    trial = command(
        "trial",
        run_trial,
        "print a trial strip for a bead die",
        "Write the card of a trial strip: the strip at 1:1 with a line where each pass begins, a table for the\n"
        "depths, how to measure them, and how to enter them in the tools file; from there they set the turns.\n"
        "Writes trial.pdf and trial.txt, and tools.toml, a copy of the built-in tools, where the panel uses those.",
        "  stiffen trial hatch.toml --die B16 --gauge 1.0 --out strip\n",
    )
    trial.add_argument("panel", metavar="PANEL.toml", help="the panel file")
    trial.add_argument("--die", metavar="NAME", required=True, help="the bead die")
    trial.add_argument(
        "--gauge",
        metavar="MM",
        type=_positive_number("mm"),
        help="sheet thickness, mm (default: the thinnest of the rack)",
    )
    trial.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")

    for one in (search, draw, trial):
        one.add_argument(
            "--paper",
            choices=PAPERS,
            default="a4",
            help="paper of the 1:1 sheets; a roll is one long sheet for a plotter (default a4)",
        )

    compare = command(
        "compare",
        run_compare,
        "set layouts side by side",
        "Set two to six layouts side by side: one table, one picture, and how each differs from the first.\n"
        "Takes the results in the layout files; judges a layout where its file holds none, or one of another layout.\n"
        "Writes compare.txt and compare.png.",
        "  stiffen compare out/hatch out/hatch2 --out out/both\n"
        "  stiffen compare a.json b.json c.json --judge --out out/three\n",
    )
    compare.add_argument("layouts", metavar="L.json", nargs="+", help="layout files, or the folders they lie in")
    compare.add_argument("--out", metavar="DIR", required=True, help="folder for what is written; made if missing")
    compare.add_argument("--judge", action="store_true", help="judge all of them again")

    for one in (check, search, draw):
        one.add_argument(
            "--json", metavar="F.json", help="write the result here; - prints it, and nothing else, on the screen"
        )
    for one in (check, search, draw, compare):
        one.add_argument("--mesh", choices=MESH_LEVELS, default="normal", help="how fine to compute (default normal)")
        one.add_argument("--quiet", action="store_true", help="no progress on the screen")

    tally = command(
        "tally",
        run_tally,
        "add up the panels of one build",
        "Add up the panels of one build: mass, sheets to buy by material and gauge with the place of each blank,\n"
        "what there is to roll, flare and rivet, minutes. A folder named twice counts twice.",
        "  stiffen tally out --csv build.csv\n"
        "  stiffen tally out/hatch out/cheek_left out/cheek_right --sheet 2000x1000\n",
    )
    tally.add_argument("folders", metavar="DIR", nargs="+", help="folders of layouts, or layout files")
    tally.add_argument("--csv", metavar="F.csv", help="write the table here, a line a panel")
    tally.add_argument(
        "--sheet",
        metavar="XxY",
        type=_sheet_size,
        action="append",
        help="stock size, mm; give it again for more (default 2000x1000 and 2500x1250)",
    )

    new = command(
        "new",
        run_new,
        "write a panel file to start from",
        "Write a commented panel file to start from. A file that is there already is left alone.",
        "  stiffen new hatch.toml\n",
    )
    new.add_argument("file", metavar="FILE", help="the panel file to write")
    stock = command(
        "stock",
        run_stock,
        "list the built-in materials and tools",
        "List the built-in materials and the starter tools, or the tools of your own file.",
        "  stiffen stock\n  stiffen stock --tools shop.toml\n",
    )
    stock.add_argument("--tools", metavar="TOOLS.toml", help="your own tools file")
    return parser

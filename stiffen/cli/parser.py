"""The parser of the command line: the commands, and the options that several of them share."""

from __future__ import annotations

import argparse
from types import ModuleType

import stiffen

from . import check, compare, draw, proof, search, stock, tally, trial
from .file_commands import ask, mirror, new, page, photo, show

MESH_LEVELS = ("quick", "normal", "fine")
PAPERS = ("a4", "letter", "roll")
DESCRIPTION = """\
Decide beads, flared holes and gauge for a sheet-metal panel before the sheet is cut.
Lengths in mm, forces in N, pressures in MPa, masses in kg, frequencies in Hz."""
EPILOG = """\
A first panel:
  stiffen ask hatch.toml                    ten questions that end in a panel file and its picture
  stiffen show hatch.toml                   what was understood of it, in words and as panel.png
  stiffen check hatch.toml                  does the panel as it stands meet its demands?
  stiffen search hatch.toml --out hatch     beads, holes and gauge of least mass
  stiffen draw hatch/layout.json --out new  the drawings again, after an edit by hand

Exit status: 0 demands met; 1 not met, or a shop rule broken; 2 bad input; 3 a mesh or solver failed.
The numbers are a design aid: proof-load the finished panel before anyone relies on it."""
COMMANDS: dict[str, ModuleType] = {
    "ask": ask,
    "show": show,
    "check": check,
    "search": search,
    "draw": draw,
    "page": page,
    "trial": trial,
    "proof": proof,
    "compare": compare,
    "tally": tally,
    "mirror": mirror,
    "new": new,
    "photo": photo,
    "stock": stock,
}


def _add_paper(parser: argparse.ArgumentParser) -> None:
    """--paper"""
    text = "paper of the 1:1 sheets; a roll is one long sheet for a plotter (default a4)"
    parser.add_argument("--paper", choices=PAPERS, default="a4", help=text)


def _add_json(parser: argparse.ArgumentParser) -> None:
    """--json"""
    text = "write the result here; - prints it on the screen, and nothing else"
    parser.add_argument("--json", metavar="F.json", help=text)


def _add_mesh(parser: argparse.ArgumentParser) -> None:
    """--mesh"""
    parser.add_argument("--mesh", choices=MESH_LEVELS, default="normal", help="mesh level (default normal)")


def _add_quiet(parser: argparse.ArgumentParser) -> None:
    """--quiet"""
    parser.add_argument("--quiet", action="store_true", help="no progress on the screen")


SHARED_OPTIONS = {
    "check": (_add_json, _add_mesh, _add_quiet),
    "search": (_add_paper, _add_json, _add_mesh, _add_quiet),
    "draw": (_add_paper, _add_json, _add_mesh, _add_quiet),
    "trial": (_add_paper,),
    "proof": (_add_paper, _add_json, _add_mesh, _add_quiet),
    "compare": (_add_mesh, _add_quiet),
}


def make_parser() -> argparse.ArgumentParser:
    """The parser; parsed arguments hold the function to call as `run`."""
    layout = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser("stiffen", description=DESCRIPTION, epilog=EPILOG, formatter_class=layout)
    parser.add_argument("--version", action="version", version=f"stiffen {stiffen.__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name, module in COMMANDS.items():
        examples = "\n".join(f"  {example}" for example in module.EXAMPLES)
        command = commands.add_parser(
            name,
            help=module.HELP,
            description=module.DESCRIPTION,
            epilog=f"Examples:\n{examples}\n",
            formatter_class=layout,
        )
        command.set_defaults(run=module.run, command=name)
        module.add_arguments(command)
        for add_option in SHARED_OPTIONS.get(name, ()):
            add_option(command)
    return parser

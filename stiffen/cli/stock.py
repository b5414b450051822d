"""`stiffen stock`: the built-in materials and tools."""

from __future__ import annotations

import argparse

from .inputs import faults_of_file
from .terminal import MET, print_lines

HELP = "list the built-in materials and tools"
DESCRIPTION = "List the built-in materials and the starter tools, or the tools of your own file."
EXAMPLES = ("stiffen stock", "stiffen stock --tools shop.toml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("--tools", metavar="TOOLS.toml", help="your own tools file")


def run(args: argparse.Namespace) -> int:
    """Print materials, sheets, tools, cutters and spacing rules."""
    from stiffen.io.tools_file import read_tools, starter_tools
    from stiffen.output.report.catalogue import stock_lines

    tools = starter_tools()
    if args.tools:
        with faults_of_file(args.tools):
            tools = read_tools(args.tools)
    print_lines(*stock_lines(tools))
    return MET

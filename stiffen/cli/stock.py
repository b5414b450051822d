"""`stiffen stock`: the built-in materials and tools, or those of a tools file."""

from __future__ import annotations

import argparse

from .exit_status import MET
from .output_files import faults_named_after


def run_stock(args: argparse.Namespace) -> int:
    from stiffen.io.panel_file import read_tools, starter_tools
    from stiffen.output.report.catalogue import stock_lines

    tools = starter_tools()
    if args.tools:
        with faults_named_after(args.tools):
            tools = read_tools(args.tools)
    print(*stock_lines(tools), sep="\n")
    return MET

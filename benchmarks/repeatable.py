"""Whether a search gives one layout on any machine: alone, on two workers, beside another search, on other kernels.

Each search is a process of its own.  "kernels": OPENBLAS_CORETYPE, which chooses the BLAS kernels of another processor,
so that the last bits of all sums differ.  "same": gauge, beads and holes as by the search alone, to the last digit.

    python benchmarks/repeatable.py [--effort quick] [--panel NAME]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor

from panels import EIGHT, LARGE_DEFLECTION

from stiffen.optimise.search.driver import search

PANELS = {panel.name: panel for panel in (*EIGHT, *LARGE_DEFLECTION)}
CHOSEN = (
    "lid held all round",
    "trapezium with two folds",
    "disc with a hub hole",
    "long strip on its short ends",
    "foot plate riveted all round",
    "folded tray on four bolts",
)
KERNELS = ("Prescott", "Sandybridge", "Haswell")


def search_here(name: str, effort: str, workers: int) -> None:
    """Search a panel in this process and print the layouts that are proposed, every digit of them."""
    executor = ProcessPoolExecutor(workers) if workers > 1 else None
    found = search(PANELS[name], effort=effort, mesh_level="quick", executor=executor)
    print([one.verdict.layout for one in found.proposals] or [found.verdict.layout])


def start(name: str, effort: str, workers: int = 1, kernels: str = "") -> subprocess.Popen:
    """A process that searches a panel."""
    environment = {**os.environ, **({"OPENBLAS_CORETYPE": kernels} if kernels else {})}
    words = [sys.executable, __file__, "--effort", effort, "--search", name, "--workers", str(workers)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment)


def answer(process: subprocess.Popen) -> str:
    """What a process has found."""
    text, _ = process.communicate()
    if process.returncode:
        raise SystemExit(f"{' '.join(process.args)} ended with {process.returncode}")
    return text


def main() -> None:
    """Print a table, a row a panel."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--effort", default="quick", choices=("quick", "normal", "thorough"))
    parser.add_argument("--panel", action="append", choices=PANELS, metavar="NAME", help="may be repeated")
    parser.add_argument("--search", metavar="NAME", help=argparse.SUPPRESS)
    parser.add_argument("--workers", type=int, default=1, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.search:
        search_here(options.search, options.effort, options.workers)
        return
    names = options.panel or list(CHOSEN)
    alone = {name: answer(start(name, options.effort)) for name in names}
    ways = ["two workers", "side by side", *KERNELS]
    print(f"{'':30s} | " + " | ".join(f"{way:>12s}" for way in ways))
    for name, other in zip(names, [*names[1:], names[0]], strict=True):
        found = [answer(start(name, options.effort, workers=2))]
        beside = [start(one, options.effort, workers=2) for one in (name, other)]
        found.append([answer(one) for one in beside][0])
        found += [answer(start(name, options.effort, kernels=kernels)) for kernels in KERNELS]
        told = ["same" if one == alone[name] else "DIFFERS" for one in found]
        print(f"{name:30s} | " + " | ".join(f"{text:>12s}" for text in told), flush=True)


if __name__ == "__main__":
    main()

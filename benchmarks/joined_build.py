"""How long a build takes to be judged as one thing, and how far neighbours as springs are from the whole.

python benchmarks/joined_build.py [BUILD.toml] [--mesh normal] [--workers 2]
"""

from __future__ import annotations

import argparse
import resource
import time
from pathlib import Path

import numpy as np

from stiffen.assembly.build_file import read_build
from stiffen.assembly.fitted_build import fitted_build
from stiffen.cli.processes import layout_workers
from stiffen.joined.condensed import condensation
from stiffen.joined.evaluation import evaluate_build
from stiffen.joined.joining import joined_model
from stiffen.joined.panel_inside import panel_inside

TUB = Path(__file__).parents[1] / "examples" / "load_tub" / "tub.toml"


def cpu_seconds() -> float:
    """Of this process and its children that have ended."""
    usage = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in usage)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("build", nargs="?", default=TUB, type=Path)
    parser.add_argument("--mesh", default="normal")
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    fitted = fitted_build(read_build(args.build))
    start, cpu = time.perf_counter(), cpu_seconds()
    with layout_workers(args.workers) as executor:
        found = evaluate_build(fitted, mesh_level=args.mesh, executor=executor)
    print(f"{'wall s':>8} {'CPU s':>8}  judged as one thing, {args.mesh} mesh, {args.workers} workers")
    print(f"{time.perf_counter() - start:8.1f} {cpu_seconds() - cpu:8.1f}")
    print(f"\n{'panel':20} {'case':10} {'linear':>8} {'springs':>8} {'whole':>8}  largest deflection, mm, quick mesh")
    model, _ = joined_model(fitted, mesh_level="quick").steadied()
    inside = condensation(model)
    for name in found.panels:
        whole, springs = (panel_inside(inside, name, follow_whole=follow) for follow in (True, False))
        for case in whole.panel.cases:
            linear = np.abs(whole.normal_displacement(whole.linear_solution(case)[1])).max()
            values = (np.abs(one.deflection(case)).max() for one in (springs, whole))
            print(f"{name:20} {case:10} {linear:8.2f} " + " ".join(f"{value:8.2f}" for value in values))


if __name__ == "__main__":
    main()

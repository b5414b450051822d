"""The search beside layouts that a person would draw, and beside differential evolution, on fourteen panels.

By hand: beads of one die at one pitch in one direction, or one or two frames, on one face; die, count, pitch and length
are tuned, by the surrogate first, and the best ten by the shell's quick mesh.

lightest: the gauge and mass of the search, and the thinnest gauges at which a hand layout and evolution, both without
holes, meet the demands, and at which the flat sheet does.
stiffest: worst value over limit at the thinnest gauge, by hand over that of the search, at the same number of beads.

    python benchmarks/against_hands.py lightest --effort normal --workers 2
    python benchmarks/against_hands.py stiffest --effort normal --workers 2 --evolution 2000
    python benchmarks/against_hands.py evolved --evolution 450 --by-shell --panel "plate on four bolts"
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from evolution import Evolved, evolved
from panels import EIGHT, LARGE_DEFLECTION

from stiffen.analysis.screening import quick_utilisation
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.neat_patterns import close_rows, spaced_rows
from stiffen.optimise.candidates.regular_patterns import families, most_beads, regular_layouts
from stiffen.optimise.search.driver import search
from stiffen.optimise.search.runner import LayoutRunner
from stiffen.shop.layout_check import audit

COUNTS = (1, 2, 3, 4, 5, 6, 8, 10, 12)
BY_SHELL = 10  # hand layouts that the shell evaluates
STIFFEST_BEADS = 4
MOST_EVOLVED = 8  # beads of evolution's lightest


def hand_layouts(rules: BeadRules, most: int = max(COUNTS)) -> Iterator[Layout]:
    """Every layout that counts as drawn by hand."""
    for family in families(rules, rules.dies):
        for count in COUNTS:
            if count > min(most, most_beads(rules, family)):
                continue
            for drawn in (regular_layouts, spaced_rows, close_rows):
                for choice in drawn(rules, family, count):
                    yield rules.layout(choice)


def best_by_hand(
    panel: Panel, gauge: float, executor: Executor | None, most: int = max(COUNTS)
) -> tuple[float, Layout]:
    """Least utilisation on the quick mesh of a hand layout, and that layout."""
    rules = BeadRules(panel, gauge, "")
    layouts = [one for one in dict.fromkeys(hand_layouts(rules, most)) if not audit(panel, one)]
    runner = LayoutRunner(panel, executor)
    worst = [max(values, default=0.0) for values in runner.batch(layouts, {})]
    ranked = [layouts[i] for i in np.argsort(worst, kind="stable")[:BY_SHELL]]
    by_shell = [max(values, default=0.0) for values in runner.quick_batch(ranked)]
    return min(zip(by_shell, ranked, strict=True), key=lambda one: one[0], default=(math.inf, Layout(gauge)))


def evolved_both(panel: Panel, gauge: float, options: argparse.Namespace, most: int) -> Evolved:
    """The better of evolution with and without the panel's mirror axes."""
    tries = [True, False] if symmetry.mirror_axes(panel) else [False]
    found = [
        evolved(panel, gauge, options.evolution, most, mirrored=mirrored, by_shell=options.by_shell)
        for mirrored in tries
    ]
    return min(found, key=lambda one: one.utilisation)


def lightest_row(panel: Panel, options: argparse.Namespace, executor: Executor | None) -> str:
    """One row of the first table."""
    begun = time.perf_counter()
    found = search(panel, effort=options.effort, mesh_level="quick", executor=executor)
    seconds = time.perf_counter() - begun
    own = min((one.verdict for one in found.proposals), key=lambda one: one.mass_kg, default=found.verdict)
    by_hand = by_evolution = "none"
    for gauge in sorted(panel.gauges):
        value, layout = best_by_hand(panel, gauge, executor)
        if value <= 1.0:
            by_hand = f"{gauge:g} mm {panel.mass(layout):.3f} kg"
            break
    if options.evolution:
        for gauge in sorted(panel.gauges):
            if evolved_both(panel, gauge, options, MOST_EVOLVED).utilisation <= 1.0:
                by_evolution = f"{gauge:g} mm"
                break
    flat = found.flat_baseline
    flat_sheet = "none" if flat.gauge_mm is None else f"{flat.gauge_mm:g} mm {flat.mass_kg:.3f} kg"
    row = f"{panel.name:30s} | {own.layout.gauge:4g} mm {own.mass_kg:.3f} kg {len(own.layout.beads):2d} beads"
    row += (
        f" {len(own.layout.holes):2d} holes {seconds:4.0f} s | {by_hand:>15s} | {by_evolution:>7s} | {flat_sheet:>15s}"
    )
    return row if own.met else f"{row}  NOT MET ({own.utilisation:.2f})"


def stiffest_row(panel: Panel, options: argparse.Namespace, executor: Executor | None) -> tuple[str, float]:
    """One row of the second table, and its ratio."""
    gauge = min(panel.gauges)
    beads = max(STIFFEST_BEADS, panel.beads_at_most or 0)
    asked = replace(panel, goal="stiffest", gauges=(gauge,), beads_at_most=beads)
    begun = time.perf_counter()
    found = search(asked, effort=options.effort, mesh_level="quick", executor=executor).verdict
    seconds = time.perf_counter() - begun
    hand, _ = best_by_hand(panel, gauge, executor, beads)
    mine = quick_utilisation(panel, found.layout)
    row = f"{panel.name:30s} | {mine:6.3f} {hand:6.3f} {hand / mine:5.2f} {seconds:5.0f} s"
    if options.evolution:
        one = evolved_both(panel, gauge, options, beads)
        row += f" | {one.utilisation:6.3f} ({one.evaluations})"
    return row, hand / mine


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", choices=("lightest", "stiffest", "evolved"))
    parser.add_argument("--effort", default="normal", choices=("quick", "normal", "thorough"))
    parser.add_argument("--panel", action="append", metavar="NAME", help="one of the fourteen; may be repeated")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--evolution", type=int, default=0, metavar="N", help="evaluations of evolution; 0: none")
    parser.add_argument("--by-shell", action="store_true", help="evolution by the shell, not by the surrogate")
    options = parser.parse_args()
    executor = ProcessPoolExecutor(options.workers) if options.workers > 1 else None
    ratios = []
    for panel in (*EIGHT, *LARGE_DEFLECTION):
        if options.panel and panel.name not in options.panel:
            continue
        if options.table == "lightest":
            row = lightest_row(panel, options, executor)
        elif options.table == "stiffest":
            row, ratio = stiffest_row(panel, options, executor)
            ratios.append(ratio)
        else:
            beads = max(STIFFEST_BEADS, panel.beads_at_most or 0)
            one = evolved_both(panel, min(panel.gauges), options, beads)
            row = f"{panel.name:30s} | {one.utilisation:6.3f} ({one.evaluations})"
        print(row, flush=True)
    if ratios:
        print(f"geometric mean of hand over search: {math.exp(np.mean(np.log(ratios))):.2f}, least {min(ratios):.2f}")
    if executor is not None:
        executor.shutdown()


if __name__ == "__main__":
    main()

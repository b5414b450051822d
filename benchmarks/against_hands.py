"""The search beside layouts that a person would draw, and beside differential evolution, on fourteen panels.

By hand: beads of one die at one pitch in one direction, or one or two frames, on one face; die, count, pitch and length
are tuned, by the surrogate first, and the best ten by the shell's quick mesh.  Evolution has ten times the shell
evaluations of the search.

1. Lightest: the gauge of the search, and a thinner one at which a hand layout, without holes, meets the demands.
2. Stiffest: utilisation of hand over that of the search, at the same number of beads.

    python benchmarks/against_hands.py --effort normal --workers 2
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from panels import EIGHT, LARGE_DEFLECTION
from scipy.optimize import differential_evolution

from stiffen.analysis.screening import quick_utilisation
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.optimise.candidates.bead_rules import BeadRules, Group
from stiffen.optimise.candidates.neat_patterns import close_rows, spaced_rows
from stiffen.optimise.candidates.regular_patterns import families, most_beads, regular_layouts
from stiffen.optimise.search.driver import search
from stiffen.optimise.search.runner import LayoutRunner
from stiffen.shop.layout_check import audit

COUNTS = (1, 2, 3, 4, 5, 6, 8, 10, 12)
BY_SHELL = 10  # hand layouts that the shell evaluates
STIFFEST_BEADS = 4


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


def evolved(panel: Panel, gauge: float, evaluations: int, most: int = STIFFEST_BEADS) -> float:
    """Least utilisation that differential evolution finds: free lines of one die, by the quick mesh."""
    rules = BeadRules(panel, gauge, "")
    plain = [die for die in rules.dies if die.profile != "step"]
    runner = LayoutRunner(panel)

    def decoded(x: np.ndarray) -> Layout | None:
        die = plain[min(int(x[0] * len(plain)), len(plain) - 1)]
        angle = (0.0, 90.0)[int(x[1] >= 0.5)]
        span = rules.span(die, angle)
        if span is None:
            return None
        groups: list[Group] = []
        for share, length in x[2:].reshape(-1, 2):
            if length < 0.2:
                continue  # this bead is left out
            offset = round(span[0] + share * (span[1] - span[0]))
            group = rules.group(rules.straight(die, angle, offset, rules.sides[0], max(length, 0.4)))
            if group is None or not rules.fits(group, [bead for one in groups for bead in one]):
                return None
            groups.append(group)
        return rules.layout(groups)

    def cost(x: np.ndarray) -> float:
        layout = decoded(x)
        if layout is None or audit(panel, layout):
            return 1e3
        return min(max(runner.quick_batch([layout])[0], default=0.0), 1e3)

    size = 2 + 2 * most
    found = differential_evolution(
        cost, [(0.0, 1.0)] * size, maxiter=max(1, evaluations // (5 * size) - 1), popsize=5, seed=0, polish=False
    )
    return float(found.fun)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--effort", default="normal", choices=("quick", "normal", "thorough"))
    parser.add_argument("--panel", action="append", metavar="NAME", help="one of the fourteen; may be repeated")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--evolution", type=int, default=0, metavar="N", help="shell evaluations of evolution; 0: none")
    options = parser.parse_args()
    executor = ProcessPoolExecutor(options.workers) if options.workers > 1 else None
    ratios = []
    print(
        "panel                          | search mm    kg beads holes    s | thinner | stiffest: search   hand  ratio"
    )
    for panel in (*EIGHT, *LARGE_DEFLECTION):
        if options.panel and panel.name not in options.panel:
            continue
        begun = time.perf_counter()
        found = search(panel, effort=options.effort, mesh_level="quick", executor=executor)
        seconds = time.perf_counter() - begun
        own = found.verdict
        by_hand = "none"
        for gauge in sorted(gauge for gauge in panel.gauges if gauge < own.layout.gauge or not own.met):
            if best_by_hand(panel, gauge, executor)[0] <= 1.0:
                by_hand = f"{gauge:g}"
                break
        gauge = min(panel.gauges)
        beads = max(STIFFEST_BEADS, panel.beads_at_most or 0)
        asked = replace(panel, goal="stiffest", gauges=(gauge,), beads_at_most=beads)
        stiffest = search(asked, effort=options.effort, mesh_level="quick", executor=executor).verdict
        hand, _ = best_by_hand(panel, gauge, executor, beads)
        mine = quick_utilisation(panel, stiffest.layout)
        ratios.append(hand / mine)
        row = f"{panel.name:30s} | {own.layout.gauge:9g} {own.mass_kg:5.3f} {len(own.layout.beads):5d}"
        row += (
            f" {len(own.layout.holes):5d} {seconds:4.0f} | {by_hand:>7s} | {mine:15.3f} {hand:6.3f} {hand / mine:6.2f}"
        )
        if not own.met:
            row += "  NOT MET"
        if options.evolution:
            row += f"  evolution {evolved(panel, gauge, options.evolution, beads):.3f}"
        print(row, flush=True)
    print(f"geometric mean of hand over search: {math.exp(np.mean(np.log(ratios))):.2f}, least {min(ratios):.2f}")
    if executor is not None:
        executor.shutdown()


if __name__ == "__main__":
    main()

"""How the search time grows with the number of candidates and with the panel's area.

Timed are candidates, conflicts, surrogate and one choice of beads on it (greedy starts and local moves from one seed),
for a frequency that a few beads reach; then the whole search on the floor pan.

    python benchmarks/growth.py [--seconds 60]
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace

import numpy as np
from eight_panels import EIGHT
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.optimise.search.local_search import multistart
from stiffen.surrogate.stiffened_plate import stiffened_plate

from stiffen.fem.blas_threads import one_thread
from stiffen.model.panel import Demand, Panel
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search import driver
from stiffen.optimise.search.gauge_search import selection_objective

LID = EIGHT[0]
GAUGE = 1.0
SPACING = 10.0  # mm between parallel candidates
HERTZ = 75.0
NUMBERS = (200, 400, 800, 1600)
SIZES = (0.5, 1.0, 2.0)  # area over that of the lid


def timed(panel: Panel, number: int | None = None) -> tuple[int, float, float, int]:
    """Number of candidates, seconds to set up, seconds to choose, choices evaluated.

    number: of candidates, drawn at random; default all.
    """
    begun = time.perf_counter()
    beads = bead_candidates(panel, GAUGE, spacing=SPACING)
    if number is not None:
        kept = np.sort(np.random.default_rng(0).permutation(len(beads))[:number])
        beads = tuple(beads[i] for i in kept)
    blocked = conflict_matrix(panel, GAUGE, beads, ()).toarray()
    pool = CandidateSet.of_single_beads(beads, blocked)
    chooser = selection_objective(panel, pool, stiffened_plate(panel, GAUGE, beads))
    ready = time.perf_counter()
    multistart(chooser, 0, 3)
    return len(beads), ready - begun, time.perf_counter() - ready, len(chooser.responses)


def wider(panel: Panel, factor: float) -> Panel:
    """The same panel with `factor` times the area and 1/factor of the demanded frequency."""
    side = math.sqrt(factor)
    outline = tuple((x * side, y * side) for x, y in panel.outline)
    tools = replace(panel.tools, roller=replace(panel.tools.roller, throat=2000.0))
    return replace(panel, outline=outline, tools=tools, demands=(Demand("frequency", HERTZ / factor),))


def table(head: str, xs: list[float], rows: list[tuple[int, float, float, int]]) -> None:
    """Rows and the exponents of the power law through them."""
    print(f"{head:>12} {'candidates':>10} {'ready s':>8} {'choose s':>8} {'weighed':>8} {'ms each':>8}")
    for x, (many, ready, chosen, weighed) in zip(xs, rows, strict=True):
        print(f"{x:12g} {many:10} {ready:8.2f} {chosen:8.2f} {weighed:8} {1e3 * chosen / weighed:8.1f}")
    total = [math.log(row[1] + row[2]) for row in rows]
    print(f"exponent of ready + choose: {np.polyfit(np.log(xs), total, 1)[0]:.2f}\n", flush=True)


@one_thread
def main() -> None:
    """Print the tables."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seconds", type=float, default=60.0)
    options = ask.parse_args()
    lid = wider(LID, 1.0)
    table("candidates", list(NUMBERS), [timed(lid, n) for n in NUMBERS])
    table("area ratio", list(SIZES), [timed(wider(LID, f)) for f in SIZES])
    found = driver.search(EIGHT[7], seconds=options.seconds, mesh_level="quick")
    state = "met" if found.verdict.met else "not met"
    gauge = found.verdict.layout.gauge
    print(f"floor pan: {found.candidate_count} candidates, {found.seconds:.0f} s, {gauge:g} mm, {state}")


if __name__ == "__main__":
    main()

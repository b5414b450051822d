"""The surrogate compared with the shell model, and the search with random layouts that can be made.

1. 40 random layouts on a lid held all round: the rank correlation (Spearman) of each demand; and the share of layouts
   whose ratio shell/surrogate is within 8 % of the median ratio, by which the surrogate is calibrated.
2. The best of 200 random layouts, and of all hand layouts, by the shell model (quick mesh), beside what the search
   finds for goal = "stiffest" at the same gauge; on the floor pan, and on a clamped panel.

    python benchmarks/surrogate_and_shell.py [--layouts 40] [--random 200] [--seconds 20]
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from against_hands import best_by_hand
from eight_panels import EIGHT, SHEET, wind
from scipy.stats import spearmanr
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.surrogate.stiffened_plate import stiffened_plate

from stiffen.analysis.evaluation import check
from stiffen.analysis.screening import quick_utilisation
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand, Panel, Support
from stiffen.optimise.candidates.curved_beads import curved_bead_candidates
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search import driver

GAUGE = 1.0
WITHIN = 0.08
LID = replace(
    EIGHT[0],
    loads=(wind(1e-5),),
    demands=(Demand("deflection", 0.1, "wind"), Demand("frequency", 40.0), Demand("softness", 0.01, force=0.1)),
)
CLAMPED = replace(
    EIGHT[0],
    name="clamped lid, 200 N push",
    material=SHEET,
    supports=(Support("edge", "clamped", in_plane="held"),),
    loads=(replace(EIGHT[7].loads[0], value=200.0, at=(250.0, 200.0)),),
    demands=(Demand("deflection", 2.0, "foot"), Demand("frequency", 60.0)),
)


def random_layouts(panel: Panel, gauge: float, many: int, seed: int) -> list[tuple[Bead, ...]]:
    """Random layouts of one to six candidates without conflict."""
    beads = bead_candidates(panel, gauge) + curved_bead_candidates(panel, gauge)
    blocked = conflict_matrix(panel, gauge, beads, ()).toarray()
    rng = np.random.default_rng(seed)
    out = []
    while len(out) < many:
        wanted, chosen = rng.integers(1, 7), []
        for i in rng.permutation(len(beads)):
            if len(chosen) < wanted and not blocked[i, chosen].any():
                chosen.append(int(i))
        out.append(tuple(beads[i] for i in sorted(chosen)))
    return out


def compared(
    panel: Panel, gauge: float, layouts: list[tuple[Bead, ...]], mesh_level: str
) -> tuple[np.ndarray, np.ndarray]:
    """Values of the surrogate and of the shell model: (layouts, demands) each."""
    beads = list(dict.fromkeys(bead for layout in layouts for bead in layout))
    number = {bead: i for i, bead in enumerate(beads)}
    plate = stiffened_plate(panel, gauge, tuple(beads))
    by_surrogate, by_shell = [], []
    for layout in layouts:
        values = plate.respond(tuple(sorted(number[bead] for bead in layout))).values
        verdict = check(panel, Layout(gauge, layout), mesh_level=mesh_level, mesh_error=False)
        by_surrogate.append([values[i] for i in range(len(panel.demands))])
        by_shell.append([demand.value for demand in verdict.demands])
    return np.array(by_surrogate), np.array(by_shell)


def agreement(
    panel: Panel, layouts: list[tuple[Bead, ...]], mesh_level: str = "normal"
) -> list[tuple[str, float, float]]:
    """For each demand: its name, the rank correlation, the share within 8 % after calibration."""
    by_surrogate, by_shell = compared(panel, GAUGE, layouts, mesh_level)
    ratio = by_shell / by_surrogate
    within = np.abs(ratio / np.median(ratio, axis=0) - 1) <= WITHIN
    return [
        (demand.label, float(spearmanr(by_surrogate[:, i], by_shell[:, i]).statistic), float(within[:, i].mean()))
        for i, demand in enumerate(panel.demands)
    ]


def beside_chance(panel: Panel, gauge: float, many: int, seconds: float) -> str:
    """One line: bare sheet, best random, best by hand, the search; worst value/limit by the shell model."""
    best_random = math.inf
    for layout in random_layouts(panel, gauge, many, 1):
        best_random = min(best_random, quick_utilisation(panel, Layout(gauge, layout), cap=best_random))
    hand, _ = best_by_hand(panel, gauge)
    found = driver.search(replace(panel, goal="stiffest", gauges=(gauge,)), seconds=seconds, mesh_level="quick")
    bare = quick_utilisation(panel, Layout(gauge))
    ours = quick_utilisation(panel, found.verdict.layout)
    return f"{panel.name:28} {gauge:4g} {bare:8.3f} {best_random:8.3f} {hand:8.3f} {ours:8.3f} {found.seconds:5.0f}"


@one_thread
def main() -> None:
    """Print both tables."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--layouts", type=int, default=40)
    ask.add_argument("--random", type=int, default=200)
    ask.add_argument("--seconds", type=float, default=20.0)
    options = ask.parse_args()
    print(f"{options.layouts} random layouts on the lid: {'rank corr.':>20} {'within 8 %':>12}")
    for name, rank, share in agreement(LID, random_layouts(LID, GAUGE, options.layouts, 0)):
        print(f"{name:40} {rank:14.3f} {100 * share:10.0f} %", flush=True)
    head = (
        f"{'worst value/limit, by shell':28} {'mm':>4} {'bare':>8} {'random':>8} {'by hand':>8} {'search':>8} {'s':>5}"
    )
    print(f"\n{head}")
    for panel, gauge in ((EIGHT[7], 1.2), (CLAMPED, 0.8)):
        print(beside_chance(panel, gauge, options.random, options.seconds), flush=True)


if __name__ == "__main__":
    main()

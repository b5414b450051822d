"""The search against layouts drawn by hand and against differential evolution, on eight panels, by the shell model.

Hand layouts: equal parallel beads each way, a cross, a diagonal cross, frames parallel to the outline; each tuned
over its number of beads and its die.  Differential evolution (scipy) chooses from the search's own candidates on the
same surrogate, in ten times the search's seconds, three times calibrated by the shell model as the search is.

First table: the thinnest gauge at which each meets the demands, and its mass.

Second table: the stiffest layout of the search beside two hand layouts, at the thinnest gauge at which a hand layout
meets the demands.  The first, the best hand layout, meets them with fewest minutes at the bench.  The second is the
stiffest hand layout with no more beads than that; the search is limited to the same number.  Each ratio is the worst
value/limit (limit/value for frequencies) of the hand layout over the search's; over 1 is in the search's favour.

    python benchmarks/against_hands.py [--seconds 60] [--only NUMBERS] [--table lightest|stiffest]
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely
from eight_panels import EIGHT
from scipy.optimize import differential_evolution
from shapely.geometry import LineString, Polygon
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.optimise.search.local_search import SelectionObjective
from stiffen.surrogate.stiffened_plate import stiffened_plate

from stiffen.analysis.evaluation import check
from stiffen.analysis.screening import quick_utilisation, screen
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.optimise.candidates.regular_patterns import regular_layouts
from stiffen.optimise.candidates.straight_beads import bead_candidates, main_directions
from stiffen.optimise.search import driver
from stiffen.optimise.search.gauge_search import calibrate, selection_objective
from stiffen.optimise.search.settings import DEFAULT_SETTINGS
from stiffen.shop import clearance, layout_check, rollability
from stiffen.shop.process_plan import minutes

EVALUATED_BY_SHELL = 25  # hand layouts at one gauge that the shell model evaluates, the surrogate's best first
MAX_EVOLVED_BEADS = 8  # beads that differential evolution may place


def drawn(panel: Panel, gauge: float) -> list[tuple[Bead, ...]]:
    """All hand layouts at a gauge."""
    along = main_directions(panel)[0]
    beads = bead_candidates(panel, gauge, angles=(along, (along + 90) % 180))
    blocked = conflict_matrix(panel, gauge, beads, ()).toarray()
    out = [tuple(beads[i] for i in choice) for choice in regular_layouts(beads, blocked)]
    for die in panel.tools.bead_dies:
        if not layout_check.bead_die_violations(panel, die, gauge):
            out += list(crosses(panel, die, gauge))
    return [one for one in out if not layout_check.audit(panel, Layout(gauge, one))]


def crosses(panel: Panel, die: BeadDie, gauge: float) -> Iterator[tuple[Bead, ...]]:
    """Crosses of one bead through the middle and two arms, along the axes or the diagonals of the bounding box."""
    room = clearance.bead_feasible_region(panel, die, gauge)
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    middle, reach = np.array([x0 + x1, y0 + y1]) / 2, np.hypot(x1 - x0, y1 - y0)
    diagonal = math.degrees(math.atan2(y1 - y0, x1 - x0))
    gap = die.width + clearance.pair_clearance(panel.tools, "bead", "bead", gauge) + 0.1
    for first, second in ((0.0, 90.0), (90.0, 0.0), (diagonal, -diagonal), (-diagonal, diagonal)):
        line, other = (
            LineString([middle - reach * way, middle + reach * way])
            for way in ([math.cos(math.radians(a)), math.sin(math.radians(a))] * np.ones(2) for a in (first, second))
        )
        through = shapely.get_parts(line.intersection(room))
        arms = shapely.get_parts(other.intersection(room).difference(line.buffer(gap)))
        pieces = [p for p in (*through, *arms) if p.length >= rollability.min_bead_length(die)]
        if pieces:
            yield tuple(Bead(die, tuple(p.coords), "down" if panel.bead_side == "down" else "up") for p in pieces)


def surrogate_utilisations(
    panel: Panel, gauge: float, layouts: list[tuple[Bead, ...]], excluded: set[int]
) -> np.ndarray:
    """(layouts,) utilisation of each layout on the surrogate, without the demands `excluded`."""
    beads = list(dict.fromkeys(bead for layout in layouts for bead in layout))
    number = {bead: i for i, bead in enumerate(beads)}
    plate = stiffened_plate(panel, gauge, tuple(beads))
    worst = []
    for layout in layouts:
        values = plate.respond(tuple(sorted(number[bead] for bead in layout))).values
        worst.append(
            max((panel.demands[i].utilisation(v) for i, v in values.items() if i not in excluded), default=0.0)
        )
    return np.array(worst)


def large_deflection_demands(panel: Panel, gauge: float) -> set[int]:
    """Indices of the demands that large deflection governs, for which the search does not use the surrogate."""
    return set(screen(panel, Layout(gauge), stop_above=0.0)[1])


def best_by_hand(panel: Panel, gauge: float, number: int | None = None) -> tuple[float, tuple[Bead, ...]]:
    """Least utilisation of the hand layouts by the shell model (quick mesh), with at most `number` beads if given."""
    layouts = [one for one in drawn(panel, gauge) if number is None or len(one) <= number]
    best: tuple[float, tuple[Bead, ...]] = (math.inf, ())
    if not layouts:
        return best
    for k in np.argsort(
        surrogate_utilisations(panel, gauge, layouts, large_deflection_demands(panel, gauge)), kind="stable"
    )[:EVALUATED_BY_SHELL]:
        bad = quick_utilisation(panel, Layout(gauge, layouts[k]), stop_above=best[0])
        if bad < best[0]:
            best = bad, layouts[k]
        if bad <= 1 and number is None:  # it meets the demands, which is all that is asked
            break
    return best


def lightest_by_hand(panel: Panel) -> float:
    """The thinnest gauge at which a hand layout, or the flat sheet, meets the demands."""
    for gauge in sorted(panel.gauges):
        if quick_utilisation(panel, Layout(gauge), stop_above=1.0) <= 1 or best_by_hand(panel, gauge)[0] <= 1:
            return gauge
    return math.inf


def decoded(x: np.ndarray, chooser: SelectionObjective) -> tuple[int, ...]:
    """Candidates chosen by a vector x of pairs: position of a candidate in 0 to 1, and whether it is in (above 0.5).

    A candidate in conflict with an earlier one stays out.
    """
    chosen: list[int] = list(chooser.fixed)
    for place, on in x.reshape(-1, 2):
        i = min(int(place * len(chooser.minutes)), len(chooser.minutes) - 1)
        if on > 0.5 and i not in chosen and not chooser.conflicts[i, chosen].any():
            chosen.append(i)
    return tuple(sorted(chosen))


def evolved(panel: Panel, gauge: float, seconds: float) -> bool:
    """True where differential evolution finds a layout that meets by the shell model."""
    pool = CandidateSet.of(panel, gauge, "")
    if not pool.beads:
        return False
    plate = stiffened_plate(panel, gauge, pool.beads)
    chooser = selection_objective(panel, pool, plate)
    chooser.ignore(large_deflection_demands(panel, gauge))
    for k in range(3):
        chooser.responses = {}
        end = time.monotonic() + seconds / 3
        best: list[tuple[tuple, tuple[int, ...]]] = []

        def cost(x: np.ndarray) -> float:
            choice = chooser.evaluate(decoded(x, chooser))
            best[:] = [min([*best, (choice.rank, choice.chosen)])]  # noqa: B023
            return 1e3 * choice.rank[0] + choice.minutes

        differential_evolution(
            cost, [(0, 1)] * (2 * MAX_EVOLVED_BEADS), seed=k, popsize=4, maxiter=10**6, tol=0.0, polish=False,
            callback=lambda x, convergence: time.monotonic() > end,  # noqa: B023
        )  # fmt: skip
        choice = chooser.evaluate(best[0][1])
        verdict = check(panel, pool.layout(gauge, choice.chosen), mesh_level="quick", mesh_error=False)
        if verdict.met:
            return True
        calibrate(chooser, choice, verdict)
    return False


def lightest_evolved(panel: Panel, from_gauge: float, seconds: float) -> str:
    """The thinnest gauge at which differential evolution meets the demands.

    It gets half the time each at the search's gauge, `from_gauge`, and at the next thinner one.  "-" if there is no
    thinner one, so that it could only tie.
    """
    if from_gauge == min(panel.gauges):
        return "-"
    gauges = sorted(g for g in panel.gauges if g <= from_gauge)[-2:]
    for gauge in gauges:
        if evolved(panel, gauge, seconds / len(gauges)):
            return f"{gauge:g}"
    return f"> {from_gauge:g}"


def lightest(panel: Panel, seconds: float) -> str:
    """A row of the first table."""
    found = driver.search(panel, seconds=seconds, mesh_level="quick")
    verdict = found.verdict
    gauge = verdict.layout.gauge if verdict.met else math.inf
    hand = lightest_by_hand(panel)
    by_evolution = lightest_evolved(panel, min(gauge, max(panel.gauges)), 10 * seconds)
    flat = found.flat_baseline.gauge_mm or math.inf
    by_hand, by_flat = (panel.mass(Layout(g)) if g < math.inf else math.inf for g in (hand, flat))
    size = f"{len(verdict.layout.beads):5} {len(verdict.layout.holes):5}"
    return (
        f"{panel.name:30} {gauge:5g} {size} {verdict.mass_kg:7.3f} {found.seconds:3.0f}  "
        f"{hand:6g} {by_hand:7.3f} {by_evolution:>8}  {flat:6g} {by_flat:7.3f}"
    )


def least_by_hand(panel: Panel, gauge: float) -> tuple[Bead, ...]:
    """The hand layout of fewest bench minutes that meets the demands at a gauge by the shell model (quick mesh)."""
    excluded = large_deflection_demands(panel, gauge)
    layouts = drawn(panel, gauge)
    promising = [
        one
        for one, bad in zip(layouts, surrogate_utilisations(panel, gauge, layouts, excluded), strict=True)
        if bad <= DEFAULT_SETTINGS.surrogate_reject_limit
    ]
    for one in sorted(promising, key=lambda one: minutes(panel, Layout(gauge, one))):
        if quick_utilisation(panel, Layout(gauge, one), stop_above=1.0) <= 1:
            return one
    return ()


def stiffest(panel: Panel, seconds: float) -> tuple[str, tuple[float, float]]:
    """A row of the second table, and its two ratios."""
    gauge = min(lightest_by_hand(panel), max(panel.gauges))
    best = least_by_hand(panel, gauge)
    asked = replace(panel, goal="stiffest", gauges=(gauge,), beads_at_most=len(best))
    found = driver.search(asked, seconds=seconds, mesh_level="quick")
    own = quick_utilisation(panel, found.verdict.layout)
    hand = quick_utilisation(panel, Layout(gauge, best)), best_by_hand(panel, gauge, len(best))[0]
    ratios = hand[0] / own, hand[1] / own
    return (
        f"{panel.name:30} {gauge:5g} {len(best):5} {len(found.verdict.layout.beads):5} {own:8.3f} "
        f"{hand[0]:9.3f} {ratios[0]:6.3f} {hand[1]:9.3f} {ratios[1]:6.3f}"
    ), ratios


@one_thread
def main() -> None:
    """Print the tables."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--seconds", type=float, default=60.0)
    ask.add_argument("--only", default="12345678", help="numbers of the panels, such as 138")
    ask.add_argument("--table", choices=("lightest", "stiffest"))
    options = ask.parse_args()
    panels = [EIGHT[int(k) - 1] for k in options.only]
    if options.table != "stiffest":
        print(f"{'':30} {'search':>28}  {'by hand':>14} {'evolved':>8}  {'flat':>14}")
        print(
            f"{'panel':30} {'mm':>5} {'beads':>5} {'holes':>5} {'kg':>7} {'s':>3}  {'mm':>6} {'kg':>7} {'mm':>8}  "
            f"{'mm':>6} {'kg':>7}"
        )
        for panel in panels:
            print(lightest(panel, options.seconds), flush=True)
    if options.table != "lightest":
        print(f"\n{'':36} {'beads':>11} {'worst value/limit':>41}")
        print(f"{'stiffest':30} {'mm':>5} {'hand':>5} {'ours':>5} {'ours':>8} {'best hand':>16} {'stiffest hand':>16}")
        ratios = []
        for panel in panels:
            row, both = stiffest(panel, options.seconds)
            ratios.append(both)
            print(row, flush=True)
        means = np.exp(np.mean(np.log(ratios), axis=0))
        print(
            f"geometric mean of {len(ratios)}: {means[0]:.3f} to the best hand layout, {means[1]:.3f} to the stiffest"
        )


if __name__ == "__main__":
    main()

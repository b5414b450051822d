"""Proofs beside a search's result: that a lighter sheet is infeasible, and a bound on the bench time of the beads.

Both hold for the stiffened plate and the bead candidates of the search alone.  A demand counts where the stiffened
plate decides it: a frequency, or a limit within small deflections.

The limits of the bound are those of the demands times surrogate over shell for the layout found, so that this layout
always counts.  Layouts that only the shell model would pass are not covered, and the sentences say so.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from stiffen.analysis.panel_model import LINEAR_LIMIT
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.outcomes import BoundRecord, BoundStatus, GaugeOutcome, GaugeStatus
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.candidate_set import number_beads
from stiffen.surrogate.stiffened_plate import StiffenedPlate

from .branch_and_bound import cheapest_layout
from .cutting_planes import SURROGATE_DEMANDS, surrogate_limits
from .infeasibility import least_violation
from .linear_program import CostTerms, selection_problem
from .lower_bound import CostBound, CuttingPlaneRun, lower_bound

STRONG_PROOF_VIOLATION = 0.3  # fraction of a demand; a proof that all layouts miss by more is not made stronger
MAX_BRANCH_AND_BOUND_CANDIDATES = 40  # with more, cutting planes alone give the bound
BENCH_MINUTES = "minutes at the bench for the beads"


@dataclass(frozen=True, eq=False)
class BoundInstance:
    """The stiffened plate at one gauge with each bead candidate by itself, the fixed ones first, and the beads' cost.

    conflicts: (n, n) bool.  terms: minutes of each bead and die, and the limits on their numbers.
    """

    beads: tuple[Bead, ...]
    surrogate: StiffenedPlate
    conflicts: np.ndarray
    terms: CostTerms

    @property
    def panel(self) -> Panel:
        """The panel the candidates lie in."""
        return self.surrogate.panel

    def bead_numbers(self, layout: Layout) -> tuple[int, ...] | None:
        """Numbers of a layout's beads, rising; None if one of them is not a candidate."""
        if not all(bead in self._numbers for bead in layout.beads):
            return None
        return tuple(sorted(self._numbers[bead] for bead in layout.beads))

    @cached_property
    def _numbers(self) -> dict[Bead, int]:
        return number_beads(self.beads)


def decided_demands(panel: Panel, gauge: float) -> tuple[int, ...]:
    """Numbers of the demands that the stiffened plate decides in a sheet of `gauge` mm."""
    return tuple(
        i
        for i, demand in enumerate(panel.demands)
        if demand.kind in SURROGATE_DEMANDS and is_small_deflection(demand, gauge)
    )


def is_small_deflection(demand: Demand, gauge: float) -> bool:
    """True where a layout that meets the demand stays within small deflections, for which the surrogate holds."""
    return not demand.at_most or demand.limit <= LINEAR_LIMIT * gauge


def infeasibility_outcome(instance: BoundInstance, seconds: float) -> GaugeOutcome | None:
    """The outcome INFEASIBLE where it is proven, and the proof audited, that no candidate layout meets; else None."""
    least = guaranteed_violation(instance, seconds)
    if not least:
        return None
    panel, gauge = instance.panel, instance.surrogate.gauge
    labels = tuple(panel.demands[i].label for i in decided_demands(panel, gauge))
    return GaugeOutcome(gauge, GaugeStatus.INFEASIBLE, miss=least, candidates=len(instance.beads), demands=labels)


@one_thread
def guaranteed_violation(instance: BoundInstance, seconds: float) -> float:
    """A fraction by which every layout of the candidates misses some demand at least; 0 where none is proven.

    From the least violation t of all cuts: a value is over its upper limit by the fraction t or more, or the square of
    a frequency is below that of its limit by t or more, so that limit / frequency is 1 / sqrt(1 - t) or more.
    """
    end = time.monotonic() + seconds
    panel, own = instance.panel, surrogate_limits(instance.surrogate)
    limits = {i: own[i] for i in decided_demands(panel, instance.surrogate.gauge)}
    if not limits or seconds <= 0:
        return 0.0
    job = selection_problem(instance.surrogate, instance.conflicts, limits, instance.terms)
    rise = CuttingPlaneRun(job, end)
    rise.find_inner_point(STRONG_PROOF_VIOLATION)
    least = 0.0 if rise.certificate is None else least_violation(rise.certificate, job)
    if all(panel.demands[i].at_most for i in limits):
        return least
    of_frequency = 1 / math.sqrt(1 - min(least, 0.99)) - 1
    return min(least, of_frequency)


@one_thread
def bench_minutes_bound(instance: BoundInstance, verdict: Verdict, seconds: float) -> CostBound | None:
    """A bound on the bench minutes of beads that meet the demands, beside a layout that does by the shell model.

    Surrogate limits are scaled by shell/surrogate of the given layout, which is therefore feasible by construction.
    Layouts that only the shell model would pass are not covered.  None where the stiffened plate decides no demand, a
    bead is not a candidate, or time was too short.
    """
    chosen, panel = instance.bead_numbers(verdict.layout), instance.panel
    if not verdict.met or not chosen or seconds <= 0:
        return None
    values = instance.surrogate.respond(chosen).values
    limits = {}
    for i in decided_demands(panel, instance.surrogate.gauge):
        shell_value, demand = verdict.demands[i].value, panel.demands[i]
        if math.isfinite(shell_value) and shell_value > 0:
            scaled = values[i] * demand.limit / shell_value
            limits[i] = max(scaled, values[i]) if demand.at_most else min(scaled, values[i])
    if not limits:
        return None
    prove = cheapest_layout if len(instance.beads) <= MAX_BRANCH_AND_BOUND_CANDIDATES else lower_bound
    found = prove(
        instance.surrogate,
        instance.conflicts,
        limits,
        instance.terms,
        quantity=BENCH_MINUTES,
        known=chosen,
        seconds=seconds,
    )
    if found.status in (BoundStatus.INFEASIBLE, BoundStatus.NOTHING_FOUND):
        return None
    own = bench_minutes(instance.terms, chosen)  # branch and bound may have found a cheaper one on the plate
    return replace(found, known=own, chosen=chosen, value=max(found.value, 0.0))


def bench_minutes(terms: CostTerms, chosen: tuple[int, ...]) -> float:
    """Bench minutes of a choice of candidates: its beads and its dies."""
    return float(terms.cost[list(chosen)].sum() + terms.die_cost * len(np.unique(terms.dies[list(chosen)])))


def bound_record(found: CostBound, gauge: float, lighter_gauges_excluded: bool) -> BoundRecord:
    """The record of a bound beside a known layout.

    lighter_gauges_excluded: True where every lighter gauge of the rack is proven infeasible.
    """
    if found.known is None:
        raise ValueError("a bound is recorded beside the layout that it bounds, and there is none")
    covers = f"{found.scope}; limits corrected by the full reckoning of this layout"
    return BoundRecord(found.quantity, gauge, found.value, found.known, covers, lighter_gauges_excluded)

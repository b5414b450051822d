"""What is proven beside a search's result: that lighter sheets cannot do, and how little work would do at the bench.

Both speak of the ribbed plate and of the bead candidates that were drawn, nothing else.  A demand counts where the
ribbed plate decides it: a frequency, or a limit within which the sheet bends in step with its load.

The limits of the bound are those of the demands times surrogate over shell for the layout found, so that this layout
always counts.  Others that only the shell model would pass are not covered, and the sentences say so.
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

STRONG_PROOF_VIOLATION = (
    0.3  # a proof by which all miss by more than this fraction of a demand is not made any stronger
)
MAX_BRANCH_AND_BOUND_CANDIDATES = 40  # candidates that branch and bound can be asked about
BENCH_MINUTES = "minutes at the bench for the beads"


@dataclass(frozen=True, eq=False)
class BoundInstance:
    """The ribbed plate at one gauge with every bead candidate by itself, fixed ones first; what the beads cost.

    blocked: (n, n) bool.  terms: minutes of each bead and die, and what limits their number.
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
    """Numbers of the demands that the ribbed plate decides in a sheet of `gauge` mm."""
    return tuple(
        i
        for i, demand in enumerate(panel.demands)
        if demand.kind in SURROGATE_DEMANDS and is_small_deflection(demand, gauge)
    )


def is_small_deflection(demand: Demand, gauge: float) -> bool:
    """True where what meets the demand is within small deflections, so that the scout may speak."""
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
    """The fraction by which every layout of the candidates misses some demand, or more; 0 where none is proven.

    The shortfall t of all cuts says: a value that should be small is over its limit by the fraction t or more, or a
    frequency's square is below that of its limit by t or more, so the limit is over the frequency by t/2 or more.
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
    """A bound on the minutes at the bench for beads as good as those of a layout that the judge calls met.

    Like is compared with like: what counts as good is what the ribbed plate says of a layout, times judge over ribbed
    plate for this very layout, so that the layout itself always counts.  Others that only the judge would pass are not
    covered.  None where the ribbed plate decides no demand, a bead is no candidate, or nothing was found out in time.
    """
    chosen, panel = instance.bead_numbers(verdict.layout), instance.panel
    if not verdict.met or not chosen or seconds <= 0:
        return None
    values = instance.surrogate.respond(chosen).values
    limits = {}
    for i in decided_demands(panel, instance.surrogate.gauge):
        judged, demand = verdict.demands[i].value, panel.demands[i]
        if math.isfinite(judged) and judged > 0:
            corrected = values[i] * demand.limit / judged
            limits[i] = max(corrected, values[i]) if demand.at_most else min(corrected, values[i])
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
    own = bench_minutes(instance.terms, chosen)  # branch and bound may have found a better one, by the ribbed plate
    return replace(found, known=own, chosen=chosen, value=max(found.value, 0.0))


def bench_minutes(terms: CostTerms, chosen: tuple[int, ...]) -> float:
    """Minutes of a choice of candidates."""
    return float(terms.cost[list(chosen)].sum() + terms.die_cost * len(np.unique(terms.dies[list(chosen)])))


def bound_record(found: CostBound, gauge: float, lighter_gauges_excluded: bool) -> BoundRecord:
    """The record of a bound beside a known layout.

    lighter_gauges_excluded: True where every lighter gauge of the rack is proven infeasible.
    """
    if found.known is None:
        raise ValueError("a bound is recorded beside the layout that it bounds, and there is none")
    covers = f"{found.scope}; limits corrected by the full reckoning of this layout"
    return BoundRecord(found.quantity, gauge, found.value, found.known, covers, lighter_gauges_excluded)

"""What is proven beside a search's result: that lighter sheets cannot do, and how little work would do at the bench.

Both speak of the ribbed plate and of the bead candidates that were drawn, nothing else.  A demand counts where the
ribbed plate decides it: a frequency, or a limit within which the sheet bends in step with its load.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace

import numpy as np

from stiffen.analysis.panel_model import LINEAR_LIMIT
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import Verdict
from stiffen.surrogate.stiffened_plate import Scout

from .branch_and_bound import cheapest
from .cutting_planes import KNOWN, scout_limits
from .infeasibility import shortfall
from .linear_program import Terms, task
from .lower_bound import INFEASIBLE, NOTHING_FOUND, Bound, Rise, bound

STRONG = 0.3  # a proof by which all miss by more than this fraction of a demand is not made any stronger
FEW = 40  # candidates that branch and bound can be asked about
WHAT = "minutes at the bench for the beads"


@dataclass(frozen=True, eq=False)
class Ground:
    """The ribbed plate at one gauge with every bead candidate by itself, fixed ones first; what the beads cost.

    blocked: (n, n) bool.  terms: minutes of each bead and die, and what limits their number.
    """

    beads: tuple[Bead, ...]
    scout: Scout
    blocked: np.ndarray
    terms: Terms

    @property
    def panel(self) -> Panel:
        """The panel the candidates lie in."""
        return self.scout.panel

    def numbers(self, layout: Layout) -> tuple[int, ...] | None:
        """Numbers of a layout's beads, rising; None where one of them is no candidate."""
        places = {bead: i for i, bead in enumerate(self.beads)}
        if not all(bead in places for bead in layout.beads):
            return None
        return tuple(sorted(places[bead] for bead in layout.beads))


def decided(panel: Panel, gauge: float) -> tuple[int, ...]:
    """Numbers of the demands that the ribbed plate decides in a sheet of `gauge` mm."""
    return tuple(i for i, demand in enumerate(panel.demands) if demand.kind in KNOWN and within_reach(demand, gauge))


def within_reach(demand: Demand, gauge: float) -> bool:
    """True where what meets the demand is within small deflections, so that the scout may speak."""
    return not demand.at_most or demand.limit <= LINEAR_LIMIT * gauge


def no_layout_can(ground: Ground, seconds: float) -> str:
    """'proven: no layout of n bead candidates can ...', the proof audited; '' where that is not proven."""
    least = least_miss(ground, seconds)
    if not least:
        return ""
    panel = ground.panel
    labels = ", ".join(panel.demands[i].label for i in decided(panel, ground.scout.gauge))
    covers = f"(ribbed-plate model; {labels})"
    if not ground.beads:
        return f"proven: no bead can be rolled in it, and flat it misses by {100 * least:.0f} % or more {covers}"
    miss = f", all miss by {100 * least:.0f} % or more" if least >= 0.005 else ""
    return f"proven: no layout of {len(ground.beads)} bead candidates can{miss} {covers}"


def is_proof(words: str) -> bool:
    """True of what `no_layout_can` says where it is proven."""
    return words.startswith("proven")


@one_thread
def least_miss(ground: Ground, seconds: float) -> float:
    """The fraction by which every layout of the candidates misses some demand, or more; 0 where none is proven.

    The shortfall t of all cuts says: a value that should be small is over its limit by the fraction t or more, or a
    frequency's square is below that of its limit by t or more, so the limit is over the frequency by t/2 or more.
    """
    end = time.monotonic() + seconds
    panel, own = ground.panel, scout_limits(ground.scout)
    limits = {i: own[i] for i in decided(panel, ground.scout.gauge)}
    if not limits or seconds <= 0:
        return 0.0
    job = task(ground.scout, ground.blocked, limits, ground.terms)
    rise = Rise(job, end)
    rise.look_inside(STRONG)
    least = 0.0 if rise.proof is None else shortfall(rise.proof, job)
    if all(panel.demands[i].at_most for i in limits):
        return least
    of_frequency = 1 / math.sqrt(1 - min(least, 0.99)) - 1
    return min(least, of_frequency)


@one_thread
def least_minutes(ground: Ground, verdict: Verdict, seconds: float) -> Bound | None:
    """A bound on the minutes at the bench for beads as good as those of a layout that the judge calls met.

    Like is compared with like: what counts as good is what the ribbed plate says of a layout, times judge over ribbed
    plate for this very layout, so that the layout itself always counts.  Others that only the judge would pass are not
    covered.  None where the ribbed plate decides no demand, a bead is no candidate, or nothing was found out in time.
    """
    chosen, panel = ground.numbers(verdict.layout), ground.panel
    if not verdict.met or not chosen or seconds <= 0:
        return None
    values = ground.scout.respond(chosen).values
    limits = {}
    for i in decided(panel, ground.scout.gauge):
        judged, demand = verdict.demands[i].value, panel.demands[i]
        if math.isfinite(judged) and judged > 0:
            corrected = values[i] * demand.limit / judged
            limits[i] = max(corrected, values[i]) if demand.at_most else min(corrected, values[i])
    if not limits:
        return None
    prove = cheapest if len(ground.beads) <= FEW else bound
    found = prove(ground.scout, ground.blocked, limits, ground.terms, what=WHAT, known=chosen, seconds=seconds)
    if found.status in (INFEASIBLE, NOTHING_FOUND):
        return None
    own = cost(ground.terms, chosen)  # branch and bound may have found a better one, by the ribbed plate
    return replace(found, known=own, chosen=chosen, value=max(found.value, 0.0))


def cost(terms: Terms, chosen: tuple[int, ...]) -> float:
    """Minutes of a choice of candidates."""
    return float(terms.cost[list(chosen)].sum() + terms.die_cost * len(np.unique(terms.dies[list(chosen)])))


def bound_record(found: Bound, gauge: float, only: bool) -> dict:
    """A bound as plain data; only: True where every lighter sheet of the rack is proven unable."""
    return {
        "what": found.what,
        "gauge_mm": gauge,
        "value": found.value,
        "known": found.known,
        "gap": found.gap,
        "covers": f"{found.covers}; limits corrected by the full reckoning of this layout",
        "lighter_gauges_proven_unable": only,
    }

"""How a search ended at each gauge, and the bound on the bench time of its layout: records with a status.

The status decides; the sentences for the card, the report and the result file are made from the records, here alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Any


class GaugeStatus(Enum):
    """How the search ended at one gauge.

    BEADED: a layout with added beads meets all demands.  FLAT: the sheet meets them without added beads.  STIFFEST: the
    gauge of a search for the stiffest layout.  NOT_FOUND: no layout that meets all demands was found in time.
    OUT_OF_REACH: the ribbed plate misses a frequency demand even with all bead candidates together.  INFEASIBLE: it is
    proven on the ribbed plate that no choice of the candidates meets all demands.  NOT_TRIED: the search ran out of
    time before it reached this gauge.
    """

    BEADED = "beaded"
    FLAT = "flat"
    STIFFEST = "stiffest"
    NOT_FOUND = "not found"
    OUT_OF_REACH = "out of reach"
    INFEASIBLE = "infeasible"
    NOT_TRIED = "not tried"


@dataclass(frozen=True)
class GaugeOutcome:
    """How the search ended at one gauge.

    gauge: mm.  beads: number of beads in the feasible layout (BEADED).  by_direct_search: True if that layout was found
    by shell evaluations one after the other, not by the search on the surrogate (BEADED).  miss: fraction by which the
    best layout misses its worst demand (NOT_FOUND), or lower bound of this fraction for all layouts (INFEASIBLE); None
    if unknown.  miss_by_surrogate: `miss` comes from the ribbed plate, not from the shell (NOT_FOUND).  seconds: spent
    at this gauge (NOT_FOUND).  candidates: number of bead candidates (OUT_OF_REACH, INFEASIBLE).  demands: labels of
    the demands that are missed (OUT_OF_REACH), or that the proof covers (INFEASIBLE).
    """

    gauge: float
    status: GaugeStatus
    beads: int = 0
    by_direct_search: bool = False
    miss: float | None = None
    miss_by_surrogate: bool = False
    seconds: float = 0.0
    candidates: int = 0
    demands: tuple[str, ...] = ()

    @property
    def is_infeasible(self) -> bool:
        """True where it is proven on the ribbed plate that no candidate layout of this gauge meets the demands."""
        return self.status is GaugeStatus.INFEASIBLE

    @property
    def rests_on_surrogate(self) -> bool:
        """True where the ribbed plate, not the shell, gave this outcome or its number."""
        return self.miss_by_surrogate or self.status in (GaugeStatus.OUT_OF_REACH, GaugeStatus.INFEASIBLE)


def gauge_sentence(outcome: GaugeOutcome) -> str:
    """The outcome at one gauge as one sentence, without the gauge and without a full stop."""
    return _SENTENCES[outcome.status](outcome)


def _beaded(outcome: GaugeOutcome) -> str:
    how = ", found by direct search on the shell model" if outcome.by_direct_search else ""
    return f"met with {outcome.beads} bead{'' if outcome.beads == 1 else 's'}{how}"


def _not_found(outcome: GaugeOutcome) -> str:
    found = f"not found in {outcome.seconds:.0f} s"
    if outcome.miss is None:
        return found
    model = " on the ribbed plate" if outcome.miss_by_surrogate else ""
    return f"{found} (best misses by {100 * outcome.miss:.1f} %{model})"


def _out_of_reach(outcome: GaugeOutcome) -> str:
    missed = ", ".join(outcome.demands)
    return f"on the ribbed plate even all {outcome.candidates} bead candidates at once miss {missed}"


def _infeasible(outcome: GaugeOutcome) -> str:
    model = f"(ribbed-plate model; {', '.join(outcome.demands)})"
    least = outcome.miss or 0.0
    if not outcome.candidates:
        return f"proven: no bead can be rolled in it, and flat it misses by {100 * least:.0f} % or more {model}"
    miss = f", all miss by {100 * least:.0f} % or more" if least >= 0.005 else ""
    return f"proven: no layout of {outcome.candidates} bead candidates meets the demands{miss} {model}"


_SENTENCES = {
    GaugeStatus.BEADED: _beaded,
    GaugeStatus.FLAT: lambda outcome: "the sheet meets all demands without added beads",
    GaugeStatus.STIFFEST: lambda outcome: "the gauge in which the stiffest layout was searched",
    GaugeStatus.NOT_FOUND: _not_found,
    GaugeStatus.OUT_OF_REACH: _out_of_reach,
    GaugeStatus.INFEASIBLE: _infeasible,
    GaugeStatus.NOT_TRIED: lambda outcome: "not tried: time was up",
}


class BoundStatus(Enum):
    """What a lower bound on a cost has shown.

    OPTIMAL: the known layout is the cheapest.  FEASIBLE: a layout is known; a cheaper one is not excluded.  INFEASIBLE:
    no layout of the candidates meets the demands.  NOTHING_FOUND: no layout is known, none is excluded.
    """

    OPTIMAL = "optimal"
    FEASIBLE = "feasible"
    INFEASIBLE = "infeasible"
    NOTHING_FOUND = "nothing found"


BOUND_TOLERANCE = 1e-9  # relative gap up to which the bound counts as equal to the known cost


@dataclass(frozen=True)
class BoundRecord:
    """A lower bound on the cost of the beads, and the known cost of the best layout.

    quantity: name of the cost, with its unit.  gauge: mm.  value: the bound; no layout that it covers costs less.
    known: cost of the best layout.  covers: the candidates and demands for which the bound holds, in words.
    lighter_gauges_excluded: True if every lighter gauge of the panel is proven infeasible.
    """

    quantity: str
    gauge: float
    value: float
    known: float
    covers: str
    lighter_gauges_excluded: bool

    @property
    def gap(self) -> float:
        """Fraction of the known cost that is not proven to be needed."""
        return relative_gap(self.value, self.known)

    @property
    def status(self) -> BoundStatus:
        """OPTIMAL where the gap is closed to round-off, else FEASIBLE."""
        return BoundStatus.OPTIMAL if self.gap < BOUND_TOLERANCE else BoundStatus.FEASIBLE

    def to_dict(self) -> dict[str, Any]:
        """The bound as the result file holds it."""
        return {
            "what": self.quantity,
            "gauge_mm": self.gauge,
            "value": self.value,
            "known": self.known,
            "gap": self.gap,
            "covers": self.covers,
            "lighter_gauges_proven_unable": self.lighter_gauges_excluded,
        }


def relative_gap(value: float, known: float) -> float:
    """(known - value) / known, 0 or more; 0 where the known cost is 0.  ValueError where the bound is not finite."""
    if not math.isfinite(value):
        raise ValueError(f"a bound of {value:g} has no gap")
    return max(0.0, (known - value) / known) if known > 0 else 0.0

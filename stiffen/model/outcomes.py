"""How a search ended at each gauge: records with a status.

The status decides; the sentences for the card, the report and the result file are made from the records, here alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class GaugeStatus(Enum):
    """How the search ended at one gauge.

    BEADED: a layout with added beads, or with added holes alone, meets all demands.  FLAT: the sheet meets them without
    added beads.  STIFFEST: the gauge of a search for the stiffest layout.  NOT_FOUND: no layout that meets all demands
    was found.  NO_BEADS: no bead can be rolled in this sheet, and without beads it does not meet them.  NOT_TRIED: the
    search ran out of time before it reached this gauge.  OVER_LIMITS: what meets the demands takes more minutes than
    the panel allows.
    """

    BEADED = "beaded"
    FLAT = "flat"
    STIFFEST = "stiffest"
    NOT_FOUND = "not found"
    NO_BEADS = "no beads"
    OVER_LIMITS = "over limits"
    NOT_TRIED = "not tried"


@dataclass(frozen=True)
class GaugeOutcome:
    """How the search ended at one gauge.

    gauge: mm.  beads: number of beads in the layout that meets the demands (BEADED).  miss: fraction by which the best
    layout misses its worst demand (NOT_FOUND, NO_BEADS); None if unknown.  miss_by_surrogate: `miss` comes from the
    surrogate, not from the shell model.
    """

    gauge: float
    status: GaugeStatus
    beads: int = 0
    miss: float | None = None
    miss_by_surrogate: bool = False

    @property
    def rests_on_surrogate(self) -> bool:
        """True where the surrogate, not the shell model, gave this outcome or its number."""
        return self.miss_by_surrogate


def gauge_sentence(outcome: GaugeOutcome) -> str:
    """The outcome at one gauge as one sentence, without the gauge and without a full stop."""
    return _SENTENCES[outcome.status](outcome)


def _beaded(outcome: GaugeOutcome) -> str:
    if not outcome.beads:
        return "met with flared holes, without beads"
    return f"met with {outcome.beads} bead{'' if outcome.beads == 1 else 's'}"


def _not_found(outcome: GaugeOutcome) -> str:
    if outcome.miss is None:
        return "no layout found"
    model = ", surrogate" if outcome.miss_by_surrogate else ""
    return f"no layout found (the best misses by {100 * outcome.miss:.0f} %{model})"


def _no_beads(outcome: GaugeOutcome) -> str:
    miss = "" if outcome.miss is None else f", and without beads it misses by {100 * outcome.miss:.0f} %"
    return f"no bead can be rolled in it{miss}"


_SENTENCES = {
    GaugeStatus.BEADED: _beaded,
    GaugeStatus.FLAT: lambda outcome: "the sheet meets all demands without added beads",
    GaugeStatus.STIFFEST: lambda outcome: "the gauge in which the stiffest layout was searched",
    GaugeStatus.NOT_FOUND: _not_found,
    GaugeStatus.NO_BEADS: _no_beads,
    GaugeStatus.OVER_LIMITS: lambda outcome: "what meets the demands takes more minutes at the bench than allowed",
    GaugeStatus.NOT_TRIED: lambda outcome: "not tried: time was up",
}

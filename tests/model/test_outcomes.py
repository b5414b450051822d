"""The sentence of each outcome at a gauge, and the bound as the result file holds it."""

import math

import pytest

from stiffen.model.outcomes import (
    BoundRecord,
    BoundStatus,
    GaugeOutcome,
    GaugeStatus,
    gauge_sentence,
    relative_gap,
)

MODEL = "(ribbed-plate model; frequency)"
LABELS = ("frequency", "deflection wind")
SENTENCES = {
    "met with 1 bead": GaugeOutcome(0.8, GaugeStatus.BEADED, beads=1),
    "met with 3 beads, found by direct search on the shell model": GaugeOutcome(
        0.8, GaugeStatus.BEADED, beads=3, by_direct_search=True
    ),
    "the sheet meets all demands without added beads": GaugeOutcome(0.8, GaugeStatus.FLAT),
    "the gauge in which the stiffest layout was searched": GaugeOutcome(0.8, GaugeStatus.STIFFEST),
    "not found in 9 s": GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, seconds=9.2),
    "not found in 9 s (best misses by 3.0 %)": GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, miss=0.03, seconds=9.0),
    "not found in 47 s (best misses by 11.8 % on the ribbed plate)": GaugeOutcome(
        0.8, GaugeStatus.NOT_FOUND, miss=0.118, miss_by_surrogate=True, seconds=47.0
    ),
    "on the ribbed plate even all 90 bead candidates at once miss frequency, deflection wind": GaugeOutcome(
        0.8, GaugeStatus.OUT_OF_REACH, candidates=90, demands=LABELS
    ),
    f"proven: no layout of 90 bead candidates meets the demands {MODEL}": GaugeOutcome(
        0.8, GaugeStatus.INFEASIBLE, miss=0.004, candidates=90, demands=LABELS[:1]
    ),
    f"proven: no layout of 90 bead candidates meets the demands, all miss by 12 % or more {MODEL}": GaugeOutcome(
        0.8, GaugeStatus.INFEASIBLE, miss=0.12, candidates=90, demands=LABELS[:1]
    ),
    f"proven: no bead can be rolled in it, and flat it misses by 12 % or more {MODEL}": GaugeOutcome(
        0.8, GaugeStatus.INFEASIBLE, miss=0.12, demands=LABELS[:1]
    ),
    "not tried: time was up": GaugeOutcome(0.8, GaugeStatus.NOT_TRIED),
}


@pytest.mark.parametrize("sentence", SENTENCES)
def test_sentence_of_each_outcome(sentence):
    outcome = SENTENCES[sentence]
    assert gauge_sentence(outcome) == sentence
    assert outcome.is_infeasible == sentence.startswith("proven")
    assert outcome.rests_on_surrogate == ("ribbed" in sentence)


def test_every_status_has_a_sentence():
    assert {outcome.status for outcome in SENTENCES.values()} == set(GaugeStatus)


def test_gap_and_status_of_a_bound():
    bound = BoundRecord("minutes", 1.0, 21.38, 27.4, "90 candidates", False)
    assert bound.gap == pytest.approx(0.21971, abs=1e-5) and bound.status is BoundStatus.FEASIBLE
    assert BoundRecord("minutes", 1.0, 27.4, 27.4, "90 candidates", False).status is BoundStatus.OPTIMAL
    assert relative_gap(0.0, 0.0) == relative_gap(3.0, 2.0) == 0.0
    with pytest.raises(ValueError):
        relative_gap(math.inf, 1.0)


def test_bound_in_the_result_file():
    bound = BoundRecord("minutes", 1.0, 20.0, 25.0, "90 candidates", True)
    assert bound.to_dict() == {
        "what": "minutes",
        "gauge_mm": 1.0,
        "value": 20.0,
        "known": 25.0,
        "gap": 0.2,
        "covers": "90 candidates",
        "lighter_gauges_proven_unable": True,
    }

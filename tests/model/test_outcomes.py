"""The sentence of each outcome at a gauge."""

import pytest

from stiffen.model.outcomes import GaugeOutcome, GaugeStatus, gauge_sentence

SENTENCES = {
    "met with 1 bead": GaugeOutcome(0.8, GaugeStatus.BEADED, beads=1),
    "met with 3 beads": GaugeOutcome(0.8, GaugeStatus.BEADED, beads=3),
    "the sheet meets all demands without added beads": GaugeOutcome(0.8, GaugeStatus.FLAT),
    "the gauge in which the stiffest layout was searched": GaugeOutcome(0.8, GaugeStatus.STIFFEST),
    "no layout found": GaugeOutcome(0.8, GaugeStatus.NOT_FOUND),
    "no layout found (the best misses by 3 %)": GaugeOutcome(0.8, GaugeStatus.NOT_FOUND, miss=0.03),
    "no layout found (the best misses by 12 %, surrogate)": GaugeOutcome(
        0.8, GaugeStatus.NOT_FOUND, miss=0.118, miss_by_surrogate=True
    ),
    "no bead can be rolled in it, and without beads it misses by 12 %": GaugeOutcome(
        0.8, GaugeStatus.NO_BEADS, miss=0.12
    ),
    "not tried: time was up": GaugeOutcome(0.8, GaugeStatus.NOT_TRIED),
    "what meets the demands takes more minutes at the bench than allowed": GaugeOutcome(0.8, GaugeStatus.OVER_LIMITS),
}


@pytest.mark.parametrize("sentence", SENTENCES)
def test_sentence_of_each_outcome(sentence):
    outcome = SENTENCES[sentence]
    assert gauge_sentence(outcome) == sentence
    assert outcome.rests_on_surrogate == ("surrogate" in sentence)


def test_every_status_has_a_sentence():
    assert {outcome.status for outcome in SENTENCES.values()} == set(GaugeStatus)

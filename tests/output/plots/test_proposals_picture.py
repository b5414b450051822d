"""The curve of mass against minutes begins at the quickest proposal."""

from types import SimpleNamespace

from stiffen.output.plots.proposals_picture import _places


def test_what_takes_fewer_minutes_but_more_measuring_is_not_drawn():
    """A layout of 60 minutes has so much to measure that the one of 63 is proposed as the quickest."""
    proposals = [
        SimpleNamespace(minutes=minutes, verdict=SimpleNamespace(mass_kg=mass))
        for minutes, mass in ((63.0, 0.53), (87.0, 0.495))
    ]
    alternatives = [
        SimpleNamespace(minutes=minutes, mass_kg=mass) for minutes, mass in ((60.0, 0.53), (63.0, 0.53), (75.0, 0.51))
    ]
    assert _places(proposals, alternatives) == [(63.0, 0.53), (75.0, 0.51), (87.0, 0.495)]

"""Flared holes: published limits, pilot holes from stock sizes, and the flare that follows, by geometry."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stiffen.model.material import materials
from stiffen.model.tools import Cutter, HoleDie
from stiffen.shop import flared_holes

F60 = HoleDie("F60", pilot=60 - 2 * math.sqrt(2) * 6, finished=48, flange=60, rise=6)

# One fabricator's published limits for flared holes: alloy: (sheet in inches, least and greatest diameter in inches)
PUBLISHED = {
    "5052-H32": [(0.040, 0.500, 3.00), (0.063, 0.500, 3.00), (0.080, 0.750, 3.00), (0.125, 1.000, 3.00)],
    "6061-T6": [(0.040, 0.5, 2.50), (0.063, 0.5, 3.00), (0.080, 1.00, 3.00), (0.100, 1.00, 3.00), (0.125, 1.25, 3.00)],
    "2024-T3": [(0.025, 0.500, 3.00)],
    "DC01": [(0.030, 0.5, 3.00), (0.059, 0.5, 3.00), (0.074, 1.00, None), (0.104, 1.25, None), (0.119, 1.25, None)],
    "DX51D": [(0.030, 0.500, 3.00), (0.075, 0.500, 3.00)],
    "304": [(0.030, 0.5, None), (0.048, 0.5, None), (0.060, 0.75, None), (0.074, 1.00, None), (0.125, 1.25, None)],
}
ROWS = [(alloy, *row) for alloy, rows in PUBLISHED.items() for row in rows]


@pytest.mark.parametrize(("alloy", "t", "least", "most"), ROWS)
def test_published_limits(alloy, t, least, most):
    found = flared_holes.flare_limits(materials()[alloy], t * 25.4)
    assert found.min_diameter == pytest.approx(least * 25.4, abs=0.01)
    assert found.max_diameter == (most and pytest.approx(most * 25.4, abs=0.01))
    assert flared_holes.min_flared_diameter(materials()[alloy], t * 25.4) == found.min_diameter


@pytest.mark.parametrize(
    ("alloy", "finished", "thickest"),
    [("5052-H32", 12.7, 1.60), ("5052-H32", 20.0, 2.03), ("5754-H111", 40.0, 3.18), ("2024-T3", 40.0, 0.64),
     ("304", 15.0, 1.22), ("DC01", 26.0, 1.88), ("5052-H32", 10.0, None), ("Ti grade 2", 40.0, None)],
)  # fmt: skip
def test_thickest_sheet_for_a_hole(alloy, finished, thickest):
    assert flared_holes.max_flared_thickness(materials()[alloy], finished) == thickest


def test_sheet_thicker_than_listed_has_no_limit():
    assert flared_holes.flare_limits(materials()["2024-T3"], 1.0) is None
    assert flared_holes.flare_limits(materials()["Ti grade 2"], 1.0) is None


# ---------------------------------------------------------------------------------------------------------- pilot holes


@pytest.mark.parametrize(("rise", "blank", "lip", "strain"), [(6, 43.03, 48, 0.116), (4, 48.69, 52, 0.068)])
def test_flare_of_45_degrees(rise, blank, lip, strain):
    """Fold circle 60, slant length kept (recomputed): blank hole 60 - 2 sqrt(2) a, lip 60 - 2 a, strain of the lip."""
    sharp = HoleDie("x", pilot=60 - 2 * math.sqrt(2) * rise, finished=60 - 2 * rise, flange=60, rise=rise)
    assert sharp.pilot == pytest.approx(blank, abs=0.01)
    made = flared_holes.flare_from_pilot(F60, blank)
    assert made.finished == pytest.approx(lip, abs=0.01)
    assert made.rise == pytest.approx(rise, abs=0.01)
    assert made.lip_strain == pytest.approx(strain, abs=0.001)


@given(st.floats(30, 59))
def test_any_pilot_keeps_slant_and_cone(pilot):
    made = flared_holes.flare_from_pilot(F60, pilot)
    slant = math.hypot((made.flange - made.finished) / 2, made.rise)
    assert slant == pytest.approx((60 - pilot) / 2)
    assert made.angle == pytest.approx(45)
    assert (made.lip_strain > F60.lip_strain) == (pilot < F60.pilot - 1e-9) or abs(pilot - F60.pilot) < 1e-6


def test_own_pilot_gives_the_die_back():
    made = flared_holes.flare_from_pilot(F60, F60.pilot)
    assert (made.finished, made.rise) == pytest.approx((48, 6))


def test_nearest_size_is_never_above():
    """43.03 mm: hole saw 43, punch 40.5 (47 is over), step drill 40; inch hole saw 42.86 (1 11/16), inch punch 38.1."""
    found = {cut.kind: cut.diameter for cut in flared_holes.pilot_cuts(F60)}
    assert found == {
        "hole saw": 43,
        "punch": 40.5,
        "step drill": 40,
        "inch hole saw": 42.86,
        "inch punch": 38.1,
        "inch step drill": 34.93,
    }
    order = [cut.diameter for cut in flared_holes.pilot_cuts(F60)]
    assert order == sorted(order, reverse=True)


def test_own_cutters_rule():
    own = (Cutter("trepanner", (10.0, 41.0, 43.2)), Cutter("big saw", (60.0,)))
    (cut,) = flared_holes.pilot_cuts(F60, own)
    assert (cut.kind, cut.diameter) == ("trepanner", 41.0)
    assert cut.flare == flared_holes.flare_from_pilot(F60, 41.0)


def test_stock_list():
    assert {"hole saw", "punch", "step drill"} <= {cutter.kind for cutter in flared_holes.stock_cutters()}
    for cutter in flared_holes.stock_cutters():
        assert list(cutter.sizes) == sorted(set(cutter.sizes))
        if cutter.kind.startswith("inch"):
            for size in cutter.sizes:
                assert size / 25.4 * 16 == pytest.approx(round(size / 25.4 * 16), abs=0.005)

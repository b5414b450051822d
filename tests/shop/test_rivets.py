"""Rows and counts of rivets against the worked examples of FAA AC 43.13-1B, and the utilisation of their strength."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.panels import lid

from stiffen.analysis.evaluation import check
from stiffen.errors import InputError
from stiffen.model.layout import Layout
from stiffen.model.material import materials
from stiffen.model.panel import Demand, Load, Support
from stiffen.model.results import FastenerLoad
from stiffen.shop import rivets

INCH = 25.4


def test_splice_of_the_worked_example():
    """AC 43.13-1B CHG 1 p. 4-27: 10 in of clad 2024, 1/8 in rivets, 4.9 an inch (table 4-10) x 0.75: 37; rows of 19."""
    assert rivets.rivets_needed(10 * INCH, 4.9, rivets.SHEET_JOINT_SHARE) == 37
    assert math.ceil(37 / 2) == 19


def test_frame_splice_of_the_worked_example():
    """AC 43.13-1B fig. 4-20 (p. 4-41): 6.2 an inch: 0.6 in takes 4, of which 60 % is 3; 2.0 in takes 13, 60 % is 8."""
    assert rivets.rivets_needed(0.6 * INCH, 6.2) == 4
    assert math.ceil(0.6 * 4) == 3
    assert rivets.rivets_needed(2.0 * INCH, 6.2) == 13
    assert math.ceil(0.6 * 13) == 8


# ----------------------------------------------------------------------------------------------------------------- rows


def test_row_by_hand():
    """400 mm, 4 mm rivets: 8 mm from each end, 384 mm between: ten gaps of 38.4 mm for a pitch of 40."""
    found = rivets.rivet_row(400, 4, 40)
    assert (found.count, found.end_distance) == (11, 8)
    assert found.pitch == pytest.approx(38.4)
    assert found.stations == pytest.approx([8 + 38.4 * i for i in range(11)])


sizes = st.tuples(st.floats(20, 3000), st.floats(2, 8), st.floats(3.0, 20), st.floats(2.0, 6.0))


@given(sizes)
def test_any_row_keeps_the_published_distances(size):
    """AC 43.13-1B: 2 D from an edge, 3 D between centres; even, symmetric."""
    length, d, pitches, ends = size
    try:
        found = rivets.rivet_row(length, d, pitches * d, ends * d)
    except InputError:
        assert length < 2 * ends * d
        return
    stations = found.stations
    assert stations[0] >= 2 * d - 1e-9
    assert length - stations[-1] == pytest.approx(stations[0])
    gaps = [b - a for a, b in zip(stations, stations[1:], strict=False)]
    assert all(gap >= 3 * d - 1e-9 for gap in gaps)
    assert len(gaps) < 2 or max(gaps) <= pitches * d + 1e-9 or 2 * found.pitch < (2 + 1) * 3 * d


def test_row_reports_every_fault():
    with pytest.raises(InputError) as caught:
        rivets.rivet_row(400, 4, 10, 5)
    assert [fault.where for fault in caught.value.faults] == ["pitch", "end"]
    with pytest.raises(InputError, match="at least 16 mm, two end distances"):
        rivets.rivet_row(10, 4, 40)


# ------------------------------------------------------------------------------------------------------ what they carry

ROWS = (
    Support("rivets", path=((20.0, 10.0), (480.0, 10.0)), pitch=115.0, diameter=4.0, in_plane="free", strength=800.0),
    Support("rivets", path=((20.0, 390.0), (480.0, 390.0)), pitch=115.0, diameter=4.0, in_plane="free"),
)


def test_load_per_rivet_against_the_given_strength():
    """Two rows of five hold a pressure: their pulls add up to the load, and the utilisation is load over strength."""
    panel = lid(supports=ROWS, loads=(Load("wind", "pressure", 2e-6),), demands=(Demand("deflection", 5.0, "wind"),))
    verdict = check(panel, Layout(1.0), mesh_level="quick", mesh_error=False)
    first, second = rivets.fastener_utilisations(panel, verdict)
    assert (first.support_number, second.support_number) == (1, 2)
    total = 2e-6 * 500 * 400
    assert total / 10 < first.load.pull < total / 2  # more than an even share, less than half of all
    assert first.load.pull == pytest.approx(second.load.pull, rel=0.02)  # symmetric
    assert first.utilisation == pytest.approx(math.hypot(first.load.shear, first.load.pull) / 800)
    assert second.utilisation is None
    assert second.strength is None


def test_utilisation_is_the_resultant_over_the_strength():
    panel = lid(supports=ROWS)
    centre = ROWS[0].fasteners()[2]
    load = FastenerLoad("wind", centre, 300.0, 400.0, "free")
    verdict = replace(check(panel, Layout(1.0), mesh_level="quick", mesh_error=False), fastener_loads=(load,))
    (use,) = rivets.fastener_utilisations(panel, verdict)
    assert use.utilisation == pytest.approx(500 / 800)


# --------------------------------------------------------------------------------------------------------- as drawn


def test_a_straight_row_as_it_is_marked_out():
    row = Support("rivets", path=((20.0, 10.0), (480.0, 10.0)), pitch=37.0, diameter=4.0)
    (run,) = rivets.rivet_runs(row)
    assert run.count == len(row.fasteners()) == 13
    assert run.gaps == pytest.approx([460 / 12] * 12)
    assert rivets.row_text(row) == "13 in 12 x 38.3 mm (460.0 mm first to last)"


def test_a_row_round_a_corner_is_told_run_by_run():
    """An L of 100 and 60 mm at 32 mm: stations 0, 32, 64, 96 | 128, 160; across the corner sqrt(4^2 + 28^2) = 28.3."""
    row = Support("rivets", path=((0.0, 0.0), (100.0, 0.0), (100.0, 60.0)), pitch=32.0, diameter=4.0)
    first, second = rivets.rivet_runs(row)
    assert (first.count, second.count) == (4, 2)
    assert first.to_next == pytest.approx(math.hypot(4, 28))
    assert second.to_next is None
    assert rivets.row_text(row) == (
        "4 in 3 x 32.0 mm (96.0 mm first to last), 28.3 mm across the corner, 2 in 1 x 32.0 mm"
    )


def test_a_row_along_a_curve_is_told_as_one():
    """Chords of an arc of R 280 mm at 8 degrees: 2 x 280 x sin 4 degrees = 39.1 mm."""
    at = tuple((280 * math.cos(math.radians(8 * k)), 280 * math.sin(math.radians(8 * k))) for k in range(12))
    row = Support("rivets", path=at, at=at, diameter=3.2)
    assert rivets.row_text(row) == "12 in 11 x 39.1 mm along the curve, measured straight from hole to hole"


def test_a_ring_counts_each_rivet_once():
    box = ((0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0), (0.0, 0.0))
    on_corners = Support("rivets", path=box, pitch=30.0, diameter=4.0)
    runs = rivets.rivet_runs(on_corners)
    assert [len(run.gaps) for run in runs] == [3, 2, 3, 2]
    assert all(run.to_next == 0 for run in runs)
    assert sum(run.count - 1 for run in runs) == len(on_corners.fasteners()) == 10
    assert rivets.row_text(on_corners) == "10 all round, 3, 2, 3, 2 spaces from corner to corner, 30.0 mm"
    off_corners = replace(on_corners, pitch=28.0)  # 11 rivets, 27.3 mm along the line
    told = rivets.rivet_runs(off_corners)
    assert sum(run.count for run in told) - sum(run.to_next == 0 for run in told) == len(off_corners.fasteners())
    circle = tuple((50 * math.cos(a), 50 * math.sin(a)) for a in (2 * math.pi * k / 24 for k in range(25)))
    circle = (*circle[:-1], circle[0])
    assert rivets.row_text(Support("rivets", path=circle, pitch=26.0, diameter=4.0)).startswith(
        "12 all round, 12 x 25."
    )


def test_rivets_that_were_drawn_unevenly_are_told_as_they_are():
    places = ((0.0, 0.0), (30.0, 0.0), (65.0, 0.0))
    row = Support("rivets", path=places, at=places, diameter=4.0)
    assert rivets.row_text(row) == "3 in 2 spaces of 30.0 to 35.0 mm, as drawn (65.0 mm first to last)"


@pytest.mark.parametrize(("diameter", "hole"), [(3.2, 3.3), (4.0, 4.1), (4.8, 4.9), (6.4, 6.5)])
def test_holes_of_blind_rivets(diameter, hole):
    """Makers' tables (from memory): 0.1 mm over."""
    assert rivets.rivet_hole(diameter) == pytest.approx(hole)


def test_sheet_between_rivets_buckles_as_a_column():
    """Euler, a strip 1 mm wide with end fixity 3: F = 3 pi^2 E I / p^2, I = t^3/12, stress F/t; half of yield."""
    material = materials()["5052-H32"]
    pitch = rivets.max_pitch(material, 1.0)
    stress = 3 * math.pi**2 * material.E * (1.0**3 / 12) / pitch**2 / 1.0
    assert stress == pytest.approx(material.yield_strength / 2)
    assert rivets.inter_rivet_buckling_stress(material, 1.0, pitch) == pytest.approx(stress)
    assert rivets.max_pitch(material, 2.0) == pytest.approx(2 * pitch)

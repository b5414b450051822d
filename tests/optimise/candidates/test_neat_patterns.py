"""Neat variants of beads: one pitch, one length, multiples of 5 mm, and legal."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from support.panels import B16, B20, lid, rows

from stiffen.model.layout import Bead
from stiffen.model.panel import Cutout
from stiffen.optimise.candidates.bead_rules import BeadRules, line_of
from stiffen.optimise.candidates.neat_patterns import close_rows, neat_variants, parallel_sets, spaced_rows
from stiffen.optimise.candidates.regular_patterns import Family
from stiffen.optimise.candidates.straightened_beads import straightened
from stiffen.shop import clearance
from stiffen.shop.layout_check import audit

LID = lid(500.0, 400.0)


def choice_of(rules, *beads):
    groups = rules.groups_of(rules.layout([(bead,) for bead in beads]))
    assert groups is not None
    return groups


def offsets(choice):
    return sorted(line_of(bead)[1] for group in choice for bead in group)


@pytest.mark.parametrize("axes", ["", "y", "xy"])
def test_uneven_beads_are_spaced_evenly(axes):
    rules = BeadRules(LID, 1.0, axes)
    uneven = rows(B16, (83.0, 151.0, 249.0, 317.0), 60.0, 440.0)
    choice = choice_of(rules, *uneven)
    (positions,) = parallel_sets(choice)
    variants = list(neat_variants(rules, choice, positions))
    even = [one for one in variants if len({round(b - a, 3) for a, b in pairwise(offsets(one))}) == 1]
    assert len(even) >= 4
    for one in even:
        places = offsets(one)
        assert (places[1] - places[0]) % 5 == pytest.approx(0)
        assert (places[0] + places[-1]) / 2 == pytest.approx(200.0)
        assert len({round(bead.length, 3) for group in one for bead in group}) == 1
        assert audit(LID, rules.layout(one)) == ()
    assert len(uneven) == 4 and all(len(offsets(one)) == 4 for one in variants)
    rounded = variants[0]  # each bead at its own place, on multiples of 5 mm
    assert all(abs(old - new) <= 2.5 for old, new in zip((83.0, 151.0, 249.0, 317.0), offsets(rounded), strict=True))
    assert audit(LID, rules.layout(rounded)) == () and len(rounded) == len(choice)


def test_beads_beside_an_opening_end_on_few_lines_or_are_all_equal():
    """An opening under two of five beads: variants with all beads as short as those, and with two lengths."""
    ring = ((280.0, 60.0), (400.0, 60.0), (400.0, 150.0), (280.0, 150.0))
    rules = BeadRules(replace(LID, cutouts=(Cutout(ring),)), 1.0)
    ends = ((60.0, 38.0), (150.0, 40.0), (240.0, 41.0), (310.0, 186.0), (380.0, 183.0))
    choice = choice_of(rules, *(Bead(B16, ((x, y), (x, 361.0))) for x, y in ends))
    variants = list(neat_variants(rules, choice, parallel_sets(choice)[0]))
    lengths = [{round(bead.length) for group in one for bead in group} for one in variants]
    assert {len(one) for one in lengths} == {1, 2}
    for one in variants:
        starts = {round(min(y for _, y in bead.path), 1) for group in one for bead in group}
        stops = {round(max(y for _, y in bead.path), 1) for group in one for bead in group}
        assert len(starts) <= 2 and len(stops) == 1 and all(value % 5 == 0 for value in starts | stops)
        assert audit(rules.panel, rules.layout(one)) == ()


def test_beads_on_one_line_beside_an_opening_are_spaced_too():
    """Two columns of beads left and right of an opening, at uneven places: both columns move to one pitch."""
    ring = ((200.0, 60.0), (300.0, 60.0), (300.0, 340.0), (200.0, 340.0))
    rules = BeadRules(replace(LID, cutouts=(Cutout(ring),)), 1.0)
    beads = [Bead(B16, ((x, y), (x + 110.0, y))) for y in (90.0, 187.0, 301.0) for x in (50.0, 340.0)]
    choice = choice_of(rules, *beads)
    variants = list(neat_variants(rules, choice, parallel_sets(choice)[0]))
    even = [one for one in variants if len(set(offsets(one))) == 3 and len(offsets(one)) == 6]
    pitches = [{round(b - a, 3) for a, b in pairwise(sorted(set(offsets(one))))} for one in even]
    assert any(len(one) == 1 and one.pop() % 5 == 0 for one in pitches)


def test_a_bead_aslant_is_also_tried_along_the_edges_of_the_sheet():
    """On a right-angled triangle, a bead 15 degrees off square to the long side: square to it, and along the short."""
    triangle = replace(LID, outline=((0.0, 0.0), (300.0, 0.0), (0.0, 220.0)))
    rules = BeadRules(triangle, 1.0)
    square = math.degrees(math.atan2(300.0, 220.0))
    bead = rules.straight(B16, square + 15.0, -30.0, "up", 0.6)
    choice = choice_of(rules, bead)
    found = list(neat_variants(rules, choice, (0,)))
    angles = {round(line_of(one[0][0])[0], 1) for one in found}
    assert {round(square, 1), 90.0} <= angles
    for one in found:
        assert audit(triangle, rules.layout(one)) == ()
        if line_of(one[0][0])[0] == 90.0:
            assert one[0][0].length % 5 == pytest.approx(0)


def test_a_curved_bead_is_tried_straight():
    """A shallow arc over an opening: straight ones along x through its middle, as long and as long as fits."""
    rules = BeadRules(LID, 1.0)
    arc = Bead(B16, tuple((250.0 + x, 203.0 - x * x / 400.0) for x in range(-60, 61, 10)))
    found = list(straightened(rules, choice_of(rules, arc)))
    assert len(found) == 2
    for ((bead,),) in found:
        assert {y for _, y in bead.path} == {200.0} and all(x % 5 == 0 for x, _ in bead.path)
        assert audit(LID, rules.layout([(bead,)])) == ()
    assert sorted(round(one[0][0].length, -1) for one in found)[0] == 120
    assert list(straightened(rules, choice_of(rules, *rows(B16, (200.0,), 60.0, 440.0)))) == []


def test_more_beads_are_added_where_asked():
    rules = BeadRules(LID, 1.0, "xy")
    choice = choice_of(rules, *rows(B16, (120.0, 280.0), 60.0, 440.0))
    counts = {len(offsets(one)) for one in neat_variants(rules, choice, parallel_sets(choice)[0], (0, 1, 2))}
    assert counts == {2, 3, 4}


def test_sets_are_those_of_one_die_direction_and_face():
    rules = BeadRules(lid(500.0, 400.0, bead_side="either"), 1.0)
    across = Bead(B16, ((250.0, 60.0), (250.0, 160.0)))
    beads = (*rows(B16, (250.0, 330.0), 60.0, 440.0), *rows(B20, (200.0,), 60.0, 440.0), across)
    choice = choice_of(rules, *beads)
    assert sorted(map(len, parallel_sets(choice))) == [1, 1, 2]
    assert parallel_sets(choice)[0] == (0, 1)


def test_rows_of_a_family_spread_over_shares_of_the_room():
    rules = BeadRules(LID, 1.0, "xy")
    found = list(spaced_rows(rules, Family(B16, 0.0, "up"), 5))
    pitches = [offsets(one)[1] - offsets(one)[0] for one in found]
    assert len(found) >= 4 and pitches == sorted(set(pitches))
    assert all(pitch % 5 == pytest.approx(0) for pitch in pitches)
    assert list(spaced_rows(rules, Family(B16, None, "up"), 2)) == []


def test_rows_lie_close_beside_each_other_about_the_middle():
    rules = BeadRules(LID, 1.0, "xy")
    least = B16.width + clearance.pair_clearance(rules.panel.tools, "bead", "bead", 1.0)
    found = [
        sorted(bead.path[0][1] for group in one for bead in group)
        for one in close_rows(rules, Family(B16, 0.0, "up"), 2)
    ]
    pitches = [high - low for low, high in found]
    assert pitches == sorted(pitches) and least <= pitches[0] < least + 5.0 and len(pitches) == 3
    assert all(low + high == pytest.approx(400.0) and (high - low) % 5 == pytest.approx(0.0) for low, high in found)
    assert list(close_rows(rules, Family(B16, None, "up"), 2)) == []

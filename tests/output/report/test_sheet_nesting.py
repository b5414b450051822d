"""Blanks on sheets: none overlaps or leaves the sheet, guillotine cuts separate them, no sheet is wasted."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from stiffen.output.report.sheet_nesting import CUT_GAP, Blank, fits, nest

SHEET = (2000.0, 1000.0)
sides = st.floats(20.0, 999.0).map(lambda x: round(x, 1))


def shape(one):
    w, h = one.size
    return box(one.x, one.y, one.x + w, one.y + h)


def apart(shapes):
    return all(a.distance(b) >= CUT_GAP - 1e-6 for a, b in itertools.combinations(shapes, 2))


def cuttable(shapes):
    """True if straight cuts across the whole piece, one after the other, separate all rectangles (guillotine cuts)."""
    if len(shapes) < 2:
        return True
    for low, high in ((0, 2), (1, 3)):
        for edge in {shape.bounds[high] for shape in shapes}:
            first = [one for one in shapes if one.bounds[high] <= edge + 1e-6]
            rest = [one for one in shapes if one.bounds[low] >= edge - 1e-6]
            if first and rest and len(first) + len(rest) == len(shapes):
                return cuttable(first) and cuttable(rest)
    return False


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(sides, sides), min_size=1, max_size=12))
def test_every_blank_is_cut_once_apart_and_straight(sizes):
    blanks = [Blank(f"{n}", w, h) for n, (w, h) in enumerate(sizes)]
    placed = nest(blanks, SHEET)
    assert sorted(one.blank.name for one in placed) == sorted(blank.name for blank in blanks)
    assert {one.sheet for one in placed} == set(range(1, max(one.sheet for one in placed) + 1))
    for number in {one.sheet for one in placed}:
        shapes = [shape(one) for one in placed if one.sheet == number]
        sheet = box(-1e-6, -1e-6, SHEET[0] + 1e-6, SHEET[1] + 1e-6)
        assert all(sheet.contains(one) for one in shapes)
        assert apart(shapes)
        assert cuttable(shapes)


@pytest.mark.parametrize(
    ("sizes", "sheets"),
    [
        ([(997.5, 497.5)] * 4, 1),  # four quarters with one gap each way fill a sheet to the mm
        ([(997.5, 497.5)] * 5, 2),
        ([(998, 497.5)] * 4, 2),  # half a mm too long
        ([(495, 995)] * 4, 1),  # the same rotated: 4 x 495 + 3 x 5 = 1995
        ([(2000, 1000)], 1),
        ([(1000, 2000)], 1),
        ([(1500, 600), (1500, 395), (490, 1000)], 1),  # a strip across first, two shelves beside it
        ([(100, 100)] * 162, 1),  # 19 x 9 = 171 fit
        ([], 0),
    ],
)
def test_sheets_that_a_person_would_need(sizes, sheets):
    placed = nest([Blank(f"{n}", w, h) for n, (w, h) in enumerate(sizes)], SHEET)
    assert max((one.sheet for one in placed), default=0) == sheets


def test_the_number_of_sheets_is_near_that_of_the_area():
    blanks = [Blank(f"{n}", 700, 480) for n in range(9)]
    used = max(one.sheet for one in nest(blanks, SHEET))
    assert used >= 9 * 700 * 480 / 2e6
    assert used <= 3


@pytest.mark.parametrize(
    ("size", "good"), [((2001, 10), False), ((1001, 1001), False), ((1000, 2000), True), ((1500, 1000), True)]
)
def test_what_fits_one_sheet(size, good):
    assert fits(Blank("b", *size), SHEET) is good


def test_a_blank_larger_than_the_sheet_is_named():
    with pytest.raises(ValueError, match="larger than a sheet of 2000 x 1000 mm: wall"):
        nest([Blank("lid", 500, 400), Blank("wall", 2100, 300)], SHEET)

"""Rows of holes: found whatever the order of the holes, each hole in one row, numbered along the row."""

import numpy as np
import pytest

from stiffen.model.layout import Hole
from stiffen.model.tools import HoleDie
from stiffen.shop.marking_out.hole_rows import hole_rows, in_row_order

L32 = HoleDie("L32", 23.51, 26.0, 32.0, 3.0)
L50 = HoleDie("L50", 35.86, 40.0, 50.0, 5.0)


def holes(points, die=L32):
    return [Hole(die, (float(x), float(y)), "up") for x, y in points]


def shapes(found):
    return [(row.start, len(row.holes), row.pitch, row.direction) for row in found]


def test_a_grid_is_its_rows():
    grid = holes((40 + 45 * i, 60 + 50 * j) for i in range(4) for j in range(3))
    expected = [((40.0, y), 4, 45.0, 0.0) for y in (60.0, 110.0, 160.0)]
    for seed in range(5):
        mixed = [grid[k] for k in np.random.default_rng(seed).permutation(len(grid))]
        assert shapes(hole_rows(mixed)) == expected


def test_rows_on_both_sides_stay_apart():
    """Two rows of three far apart are not three rows of two across the sheet."""
    sides = holes((x, 100 + 40 * k) for x in (40, 640) for k in range(3))
    assert shapes(hole_rows(sides)) == [((40.0, 100.0), 3, 40.0, 90.0), ((640.0, 100.0), 3, 40.0, 90.0)]
    assert [hole.at for hole in in_row_order(sides[::-1])] == [hole.at for hole in sides]


def test_a_row_at_an_angle():
    c, s = np.cos(np.radians(30)), np.sin(np.radians(30))
    (row,) = hole_rows(holes((round(50 + 40 * k * c, 3), round(50 + 40 * k * s, 3)) for k in range(5)))
    assert len(row.holes) == 5
    assert row.pitch == pytest.approx(40, abs=0.002) and row.direction == pytest.approx(30, abs=0.01)


def test_dies_do_not_mix_and_a_single_hole_is_a_row():
    found = hole_rows(holes([(0, 0), (50, 0)]) + holes([(100, 0)], L50))
    assert shapes(found) == [((100.0, 0.0), 1, 0.0, 0.0), ((0.0, 0.0), 2, 50.0, 0.0)]
    assert hole_rows([]) == ()

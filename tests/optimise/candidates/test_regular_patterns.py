"""Hand layouts made of candidates."""

import numpy as np
from support.panels import B16, B20

from stiffen.model.layout import Bead
from stiffen.optimise.candidates.regular_patterns import regular_layouts


def bead(die, y, x0=30.0, x1=470.0):
    return Bead(die, ((x0, y), (x1, y)))


def blocked_by_distance(beads, gap):
    mid = np.array([np.mean(b.path, axis=0) for b in beads])
    same = np.linalg.norm(mid[:, None] - mid, axis=2) < gap
    return same & ~np.eye(len(beads), dtype=bool)


def test_equal_parallel_beads_take_the_nearest_free_lines():
    beads = tuple(bead(B16, y) for y in range(40, 361, 10))
    found = regular_layouts(beads, blocked_by_distance(beads, 25.0))
    by_count = {len(choice): [beads[i].path[0][1] for i in choice] for choice in found}
    assert by_count[1] == [200.0]
    assert by_count[2] == [120.0, 280.0]
    assert by_count[4] == [80.0, 160.0, 240.0, 320.0]
    assert max(by_count) == 9


def test_each_die_and_direction_apart_and_no_conflicts():
    across = tuple(Bead(B20, ((x, 30.0), (x, 370.0))) for x in (100.0, 250.0, 400.0))
    beads = tuple(bead(B16, y) for y in (100.0, 200.0, 300.0)) + across
    blocked = np.ones((6, 6), bool) & ~np.eye(6, dtype=bool)
    assert all(len(choice) == 1 for choice in regular_layouts(beads, blocked))
    free = np.zeros((6, 6), bool)
    for choice in regular_layouts(beads, free):
        assert len({(beads[i].die.name, beads[i].path[0][0] == beads[i].path[1][0]) for i in choice}) == 1


def test_frames_alone_and_nested():
    square = ((100.0, 100.0), (400.0, 100.0), (400.0, 300.0), (100.0, 300.0), (100.0, 100.0))
    inner = ((150.0, 150.0), (350.0, 150.0), (350.0, 250.0), (150.0, 250.0), (150.0, 150.0))
    beads = (Bead(B16, square), Bead(B16, inner))
    assert regular_layouts(beads, np.zeros((2, 2), bool)) == [(0,), (1,), (0, 1)]


def test_longest_line_of_an_offset_is_taken():
    beads = (bead(B16, 200.0, 100.0, 300.0), bead(B16, 200.0))
    assert regular_layouts(beads, ~np.eye(2, dtype=bool)) == [(1,)]

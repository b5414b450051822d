"""Patterns of flared holes: one die, one pitch, rows of at least two, mirrored, and every rule of the shop."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from support.busy_panel import BUSY
from support.panels import B16, lid, rows

from stiffen.io.panel_file import read_panel
from stiffen.model.layout import Layout
from stiffen.optimise.candidates.hole_patterns import PITCH_STEP, hole_patterns, thinned
from stiffen.optimise.candidates.symmetry import mirror_axes
from stiffen.shop.layout_check import audit

BEADS = rows(B16, (100.0, 200.0, 300.0))


@pytest.mark.parametrize(
    ("panel", "beads"),
    [(lid(), ()), (lid(), BEADS), (BUSY, ()), (lid(900.0, 120.0), ())],
    ids=["bare", "between beads", "busy", "strip"],
)
def test_every_pattern_is_neat_and_legal(panel, beads):
    axes = mirror_axes(panel)
    beads = (*beads, *(bead for bead in panel.beads if bead.fixed))
    patterns = hole_patterns(panel, panel.gauges[0], beads, axes)
    assert patterns
    x0, y0, x1, y1 = panel.region.bounds
    middle = (x0 + x1) / 2, (y0 + y1) / 2
    for pattern in patterns:
        holes = [hole for row in pattern for hole in row]
        assert len({hole.die for hole in holes}) == 1
        assert len(set(holes)) == len(holes)
        for row in pattern:
            assert len(row) >= 2
            for hole in row:
                gaps = [math.dist(hole.at, other.at) for other in row if other is not hole]
                assert min(abs(gap / PITCH_STEP - round(gap / PITCH_STEP)) for gap in gaps) < 0.05
        places = {(round(x, 1), round(y, 1)) for x, y in (hole.at for hole in holes)}
        for axis in axes:
            images = {
                (round(2 * middle[0] - x, 1), y) if axis == "x" else (x, round(2 * middle[1] - y, 1)) for x, y in places
            }
            assert images == places
        fixed = tuple(hole for hole in panel.holes if hole.fixed)
        assert audit(panel, Layout(panel.gauges[0], beads, (*fixed, *holes))) == ()


def test_holes_between_beads_lie_in_rows_along_them():
    for pattern in hole_patterns(lid(), 1.0, BEADS, "xy"):
        between = [row for row in pattern if any(100.0 < hole.at[1] < 200.0 for hole in row)]
        for row in between:
            assert len({round(hole.at[1], 1) for hole in row if hole.at[1] < 200.0}) == 1


@pytest.mark.parametrize("axes", ["", "xy"])
@pytest.mark.parametrize("most", [4, 8, 12])
def test_a_large_grid_is_thinned_by_whole_lines(axes, most):
    """What stays of a bare sheet's grid: at most so many holes, whole lines side by side, the same mirror images."""
    whole = {row for pattern in hole_patterns(lid(), 1.0, (), axes) for row in pattern if len(row) > most}
    assert whole
    for row in whole:
        parts = thinned(row, most, 0.0, (250.0, 200.0), axes)
        assert parts
        for part in parts:
            assert 3 <= len(part) <= most and set(part) < set(row)
            lines = [{hole.at[axis] for hole in part} for axis in (0, 1)]
            assert len(part) == len(lines[0]) * len(lines[1]), "a full grid"
            for axis in axes:
                images = {(500.0 - x, y) if axis == "x" else (x, 400.0 - y) for x, y in (hole.at for hole in part)}
                assert images == {hole.at for hole in part}
    for pattern in hole_patterns(lid(), 1.0, (), axes, most):
        assert all(len(row) <= most for row in pattern)


def test_holes_on_a_disc_stand_in_rows_along_x_or_y():
    turn = [2 * math.pi * k / 48 for k in range(48)]
    disc = replace(lid(), outline=tuple((150 + 150 * math.cos(a), 150 + 150 * math.sin(a)) for a in turn))
    patterns = hole_patterns(disc, 1.0, (), mirror_axes(disc))
    assert patterns
    for pattern in patterns:
        for row in pattern:
            every = [
                [
                    [hole for hole in row if abs(hole.at[1 - k] - place) < 0.1]
                    for place in {hole.at[1 - k] for hole in row}
                ]
                for k in (0, 1)
            ]
            along = 0 if max(map(len, every[0])) >= 2 else 1
            assert max(map(len, every[along])) >= 2 and len(row) >= 3
            assert all(
                abs(b.at[along] - a.at[along]) % PITCH_STEP < 0.05
                for line in every[along]
                for a, b in zip(line, line[1:], strict=False)
            )


def test_each_hole_is_one_of_three_in_a_row():
    """The free corner of a cheek about holes that are fixed: a grid cut to pieces there keeps its rows alone."""
    cheek = read_panel(Path(__file__).parents[3] / "examples" / "side_cheek_left.toml")
    patterns = hole_patterns(cheek, 1.5, (), "")
    assert patterns
    for pattern in patterns:
        for row in pattern:
            pitch = min(math.dist(a.at, b.at) for a in row for b in row if a is not b)
            for hole in row:
                x, y = hole.at
                places = {(round((b.at[0] - x) / pitch, 2), round((b.at[1] - y) / pitch, 2)) for b in row}
                runs = [[(k, 0) for k in range(first, first + 3)] for first in (-2, -1, 0)]
                runs += [[(k, j) for j, k in run] for run in runs]
                assert any(places.issuperset(run) for run in runs), hole


def test_no_room_no_pattern():
    assert hole_patterns(lid(120.0, 40.0), 1.0, (), "") == []
    assert hole_patterns(replace(lid(), tools=replace(lid().tools, hole_dies=())), 1.0, (), "") == []

"""Lines to mark with tape and square: the steps add up to the places, and every place of the card is there."""

from dataclasses import replace

import pytest
from support.trike import GOOD, PANEL

from stiffen.model.layout import Layout
from stiffen.output.report.shop_card import card_text
from stiffen.output.report.tape_measure import tape_tables

LAYOUT = GOOD.layout


@pytest.mark.parametrize("axis", [0, 1])
def test_steps_add_up_to_the_places_as_they_are_rounded(axis):
    rows = tape_tables(PANEL, LAYOUT)[axis].rows
    reached = 0.0
    for place, step, _ in rows:
        reached += float(step)
        assert reached == pytest.approx(float(place), abs=1e-9)
    places = [float(row[0]) for row in rows]
    assert places == sorted(places) and len(set(places)) == len(places)


def test_every_bead_end_and_hole_has_its_line():
    across_x, across_y, _ = tape_tables(PANEL, LAYOUT)
    for axis, table in enumerate((across_x, across_y)):
        for bead in LAYOUT.beads:
            assert f"{bead.path[0][axis]:.1f}" in [row[0] for row in table.rows]
            assert f"{bead.path[-1][axis]:.1f}" in [row[0] for row in table.rows]
        for number, hole in enumerate(LAYOUT.holes, 1):
            (text,) = [row[2] for row in table.rows if row[0] == f"{hole.at[axis]:.1f}"]
            assert f"H{number}" in text


def test_marks_on_one_line_share_its_row():
    first = tape_tables(PANEL, LAYOUT)[0].rows[0]
    assert first == ("60.0", "60.0", "start of 1, 2")


def test_places_count_from_the_datum_corner():
    """A panel moved by 100 and 50 mm has the same table."""
    moved = replace(
        PANEL, outline=tuple((x + 100, y + 50) for x, y in PANEL.outline), cutouts=(), supports=(), loads=(),
        demands=(), keep_outs=(), folds=(), masses=(), trims=(), beads=(), holes=(), combinations=(),
    )  # fmt: skip
    layout = Layout(
        1.0, tuple(replace(bead, path=tuple((x + 100, y + 50) for x, y in bead.path)) for bead in LAYOUT.beads)
    )
    assert tape_tables(moved, layout) == tape_tables(PANEL, replace(LAYOUT, holes=()))


def test_the_card_has_it_and_a_bare_sheet_does_not():
    assert "WITH TAPE AND SQUARE" in card_text(PANEL, GOOD)
    assert tape_tables(PANEL, Layout(1.0)) == []

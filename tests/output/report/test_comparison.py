"""Layouts side by side in a table and in words."""

import math
from dataclasses import replace

import pytest
from support.trike import FLAT, GOOD, LAYOUT, PANEL, verdict

from stiffen.model.layout import Layout
from stiffen.output.report.comparison import Entry, comparison_table, demand_labels, differences, legend
from stiffen.output.report.sections import columns
from stiffen.shop.process_plan import minutes

A, B = Entry("flat", PANEL, FLAT), Entry("found", PANEL, GOOD)
THICK = Entry("thick", PANEL, verdict(Layout(1.5), 0.7, 36.0))


def row(entries, name):
    _, rows = comparison_table(entries)
    return next(one for one in rows if one[0] == name)


def test_a_column_a_layout_and_a_row_a_quantity():
    head, rows = comparison_table([A, B, THICK])
    assert head == ("", "1 flat", "2 found", "3 thick", "limit")
    assert row([A, B, THICK], "gauge mm") == ("gauge mm", "1", "1", "1.5", "")
    assert row([A, B], "mass kg") == ("mass kg", f"{FLAT.mass_kg:.3f}", f"{GOOD.mass_kg:.3f}", "")
    assert row([A, B, THICK], "deflection wind mm") == ("deflection wind mm", "2.4 *", "1.1  ", "0.7  ", "<= 1.5")
    assert row([A, B, THICK], "frequency Hz")[1:] == ("24 *", "52  ", "36 *", ">= 45")
    assert row([A, B], "beads") == ("beads", "0", "3", "")
    assert row([A, B], "to roll m")[2] == f"{LAYOUT.rolled_length / 1000:.2f}"
    assert row([A, B], "minutes")[1:3] == tuple(f"{minutes(PANEL, one.verdict.layout):.0f}" for one in (A, B))
    assert row([A, B], "demands")[1:3] == ("not met", "met")
    assert all(len(line) <= 100 for line in columns(head, rows))


def test_panel_and_material_have_rows_only_if_they_differ():
    other = replace(PANEL, name="floor pan")
    assert not any(one[0] == "panel" for one in comparison_table([A, B])[1])
    assert row([A, Entry("b", other, GOOD)], "panel")[1:3] == ("battery hatch", "floor pan")
    assert any("of different panels" in line for line in differences([A, Entry("b", other, GOOD)]))


def test_long_names_are_listed_before_the_table():
    left, right = (
        Entry(f"out_side_cheek_{side}", replace(PANEL, name=f"side cheek {side}"), GOOD) for side in ("l", "right")
    )
    assert legend([A, B]) == []
    assert legend([left, right]) == ["1  out_side_cheek_l, side cheek l", "2  out_side_cheek_right, side cheek right"]
    head, rows = comparison_table([left, right] * 3)
    assert head == ("", "1", "2", "3", "4", "5", "6", "limit")
    assert all(len(line) <= 100 for line in columns(head, rows))
    assert ".." not in " ".join(" ".join(one) for one in rows)


def test_demands_of_one_layout_alone_and_limits_that_differ():
    less = replace(GOOD, demands=GOOD.demands[:2])
    harder = replace(GOOD, demands=(replace(GOOD.demands[0], limit=1.2), *GOOD.demands[1:]))
    assert row([B, Entry("less", PANEL, less)], "frequency Hz")[1:3] == ("52", "-")
    assert row([B, Entry("harder", PANEL, harder)], "deflection wind mm")[-1] == "differ"
    assert demand_labels([Entry("less", PANEL, less), B]) == ("deflection wind", "softness 10 N", "frequency")


def test_values_that_are_not_finite():
    odd = replace(
        GOOD,
        demands=(
            replace(GOOD.demands[0], value=math.nan, met=False),
            replace(GOOD.demands[1], value=math.inf, met=True),
            GOOD.demands[2],
        ),
    )
    assert row([Entry("odd", PANEL, odd), B], "deflection wind mm")[1] == "none *"
    assert row([Entry("odd", PANEL, odd), B], "softness 10 N mm")[1] == "no limit"
    assert "deflection" not in differences([B, Entry("odd", PANEL, odd)])[0].split(" It misses")[0]


def test_the_difference_in_words():
    words, lightest = differences([A, B])
    less = FLAT.mass_kg - GOOD.mass_kg
    assert words.startswith("2 (found) against 1 (flat): ")
    for part in (
        f"{less:.3f} kg ({100 * less / FLAT.mass_kg:.0f} %) lighter",
        "deflection wind 54 % less (1.1 for 2.4 mm)",  # 1 - 1.1/2.4
        "softness 10 N the same",
        "frequency 117 % more (52 for 24 Hz)",
        "3 beads more; 2 flared holes more",
        f"{LAYOUT.rolled_length / 1000:.2f} m more to roll",
        "It meets all; 1 misses deflection wind, frequency.",
    ):
        assert part in words
    assert lightest == f"Lightest that meets all its demands: 2 (found), {GOOD.mass_kg:.3f} kg."


def test_the_difference_the_other_way_round():
    words, lightest = differences([B, A])
    assert "heavier" in words
    assert "3 beads fewer" in words
    assert "It misses deflection wind, frequency." in words
    assert "1 (found)" in lightest
    assert differences([A, THICK])[1] == "None of them meets all its demands."


def test_a_thicker_sheet_is_named():
    assert "1.5 mm sheet in place of 1 mm" in differences([A, THICK])[0]


@pytest.mark.parametrize("same", [A, B], ids=["flat", "found"])
def test_a_layout_against_itself(same):
    words = differences([same, same])[0]
    assert "same mass" in words
    assert "more" not in words
    assert "less" not in words

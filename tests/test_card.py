"""The shop card says what it must, within its width, and the bad news first."""

import math
from dataclasses import replace

import pytest
from trike import B20, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen import bench
from stiffen.card import card_text, columns, demand_table, saving, warning_lines
from stiffen.layout import Bead, Layout
from stiffen.rolling import settings
from stiffen.verdict import NONLINEAR, UNDECIDED, Rival

RIVAL = Rival(1.5, PANEL.mass(Layout(1.5)))
LIGHTER = Rival(0.8, PANEL.mass(Layout(0.8)))


def section(text, title):
    """The lines under one heading."""
    lines = text.splitlines()
    start = lines.index(title) + 1
    return lines[start : start + next(i for i, line in enumerate([*lines[start:], "END"]) if line and line[0] != " ")]


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_lines_are_at_most_100_wide(layout):
    text = card_text(PANEL, verdict(layout, warnings=["a very long warning " * 12]), RIVAL, [(1.0, "taken " * 30)])
    assert max(map(len, text.splitlines())) <= 100
    assert text.isascii()


def test_sheet_and_masses():
    lines = "\n".join(section(card_text(PANEL, GOOD, RIVAL), "SHEET"))
    x, y = bench.trim_allowance(PANEL, LAYOUT)
    assert "5754-H111, 1 mm" in lines
    assert f"{560 + 2 * x:.0f} x {380 + 2 * y:.0f} mm (rough cut)" in lines
    assert "560.0 x 380.0 mm" in lines
    pilots = 2 * math.pi / 4 * 36.7**2 * 2.67e-6  # two pilot holes in 1 mm sheet
    assert f"flared holes take out {pilots:.3f} kg: {GOOD.mass_kg:.3f} kg finished" in lines


def test_saving_is_the_difference_to_the_rival():
    less = RIVAL.mass_kg - GOOD.mass_kg
    assert f"{less:.3f} kg ({100 * less / RIVAL.mass_kg:.0f} %) lighter than the 1.5 mm flat sheet" in saving(
        GOOD, RIVAL
    )


def test_a_lighter_flat_sheet_is_said_first():
    text = card_text(PANEL, GOOD, LIGHTER)
    assert text.splitlines()[2].startswith("A FLAT SHEET IS LIGHTER: 0.8 mm flat meets the demands")
    assert "HEAVIER" in saving(GOOD, LIGHTER)
    assert "A FLAT SHEET IS LIGHTER" not in card_text(PANEL, GOOD, RIVAL)


def test_rivals_without_a_sheet():
    assert saving(GOOD, Rival(None, None, (GOOD,))) == "no flat sheet in the rack meets the demands"
    assert saving(GOOD, Rival(None, None)) == "flat sheets were not looked at"


def test_nothing_is_saved_by_a_panel_that_does_not_do():
    missed = verdict(LAYOUT, deflection=2.0)
    assert "lighter" not in saving(missed, RIVAL)
    assert "1.5 mm flat sheet meets the demands" in saving(missed, RIVAL)


def test_missed_demands_are_said_first():
    text = card_text(PANEL, verdict(LAYOUT, deflection=2.0))
    assert text.splitlines()[2].startswith("NOT MET: deflection wind.")
    assert "NOT MET" not in card_text(PANEL, GOOD)


def test_turns_come_from_the_trial_strip_or_are_said_to_be_computed():
    lines = section(card_text(PANEL, GOOD), "TRIAL STRIP FIRST")
    strip = [line.split() for line in lines if line.split()[:1] == ["B16"]]
    formula = [line.split() for line in lines if line.split()[:1] == ["B20"]]
    assert strip
    assert formula
    assert all(row[4:] == ["trial", "strip"] for row in strip)
    assert all(row[4:] == ["formula"] for row in formula)
    found = settings(PANEL.tools, B20, PANEL.material, 1.0)
    assert [row[1:4] for row in formula] == [
        [f"{i}", f"{one.depth:.1f}", f"{one.turns:.2f}"] for i, one in enumerate(found.passes, 1)
    ]
    assert strip[-1][2] == "4.0"  # the full depth at the last pass


def test_beads_stand_in_rolling_order_with_every_mark():
    lines = section(card_text(PANEL, GOOD), "BEADS, IN THE ORDER TO ROLL THEM")
    rows = [line.split() for line in lines[2:] if line.strip()]
    numbers = [int(row[0]) - 1 for row in rows if row[0] in "123"]
    assert tuple(numbers) == bench.rolling_order(PANEL, LAYOUT.beads)
    first = next(row for row in rows if row[0] == "1")
    assert first[6:] == ["60.0", "110.0", "start"]
    assert ["400.0", "270.0"] in rows


def test_holes_and_order_of_work_and_minutes():
    text = card_text(PANEL, GOOD)
    assert "H2    F50  down    480.0  330.0         36.7" in text
    for step in bench.order_of_work(PANEL, LAYOUT):
        assert step.split(":")[0][:40] in " ".join(text.split())
    assert f"about {bench.minutes(PANEL, LAYOUT):.0f} in all" in text


def test_cautions_are_always_there():
    text = " ".join(card_text(PANEL, verdict(Layout(1.0))).split())
    for words in ("proof-load", "qualified person", "local rules", "gloves and eye protection", "fingers"):
        assert words in text


def test_demands_are_told_with_how_far_to_believe_them():
    text = "\n".join(demand_table(verdict(LAYOUT, deflection=2.0, decided=NONLINEAR)))
    row = next(line for line in text.splitlines() if line.startswith("deflection wind"))
    assert " ".join(row.split()) == "deflection wind <= 1.5 mm 2 mm -33 % NOT MET large defl. 2.0 % 2.00 free"
    assert "free 2 mm, held 1.6 mm: the worse counts" in text
    assert ">= 45 Hz" in text
    undecided = "\n".join(demand_table(verdict(LAYOUT, decided=UNDECIDED)))
    assert "not decided" in undecided


def test_values_that_are_no_numbers_are_told_in_words():
    none = replace(GOOD.demands[0], value=math.nan, margin=math.nan, met=False)
    endless = replace(GOOD.demands[0], kind="buckling", unit="x", value=math.inf, margin=math.inf)
    text = "\n".join(demand_table(replace(GOOD, demands=(none, endless))))
    assert "nan" not in text
    assert "inf" not in text
    assert "none" in text


def test_broken_rules_stand_before_warnings_and_nothing_twice():
    close = Layout(1.0, (*LAYOUT.beads, Bead(B20, ((60.0, 112.0), (500.0, 112.0)))))
    lines = warning_lines(PANEL, verdict(close, warnings=["mind the clip", "mind the clip"]))
    assert lines[0].startswith("rule not kept: ")
    assert lines.count("mind the clip") == 1
    assert lines.index("mind the clip") > 0


def test_second_opinion_is_printed():
    told = replace(GOOD, second_opinion={"deflection wind": {"value": 1.12, "difference": 0.018}})
    assert "deflection wind 1.12 (+1.8%)" in card_text(PANEL, told)


def test_columns_line_up():
    assert columns(("a", "mm"), [("bb", "1.0"), ("c", "10.0")], right=[1]) == [
        "a     mm",
        "--  ----",
        "bb   1.0",
        "c   10.0",
    ]

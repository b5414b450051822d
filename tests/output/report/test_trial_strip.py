"""The trial strip: true to scale, turns that can be counted, readings in the tools file that set the card's turns."""

import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from support.pdf import circles, read, segments
from support.trike import B16, B20, LAYOUT, PANEL, verdict

from stiffen.errors import InputError
from stiffen.io.panel_file import read_panel
from stiffen.model.layout import Layout
from stiffen.model.material import Material
from stiffen.model.tools import Roller, Trial
from stiffen.output.report.shop_card import card_text
from stiffen.output.report.trial_strip import (
    copy_starter_tools,
    strip_drawing,
    tools_file_lines,
    trial_die,
    trial_passes,
    trial_text,
    write_trial,
)
from stiffen.shop.roller_settings import pass_depths

PANEL_FILE = """
[panel]
name = "trial panel"
material = "5754-H111"
gauges = [1.2]
outline = [[0, 0], [500, 0], [500, 400], [0, 400]]
tools = "{tools}"
[[support]]
kind = "edge"
along = "outline"
"""


def with_lead(lead):
    return replace(PANEL, tools=replace(PANEL.tools, trials=(), roller=Roller(screw_lead=lead)))


@pytest.mark.parametrize("die", [B16, B20], ids=lambda die: die.name)
@pytest.mark.parametrize("lead", [0.5, 1.5, 4.0, 10.0])
def test_turns_rise_can_be_counted_and_reach_the_full_depth(die, lead):
    passes = trial_passes(with_lead(lead), die, 1.0)
    turns = [step.turns for step in passes]
    assert len(turns) >= 4
    assert turns[0] > 0
    assert (np.diff(turns) > 0).all()
    part = 1 / 8 if lead < 4 else 1 / 64
    assert all(turn / part == int(turn / part) for turn in turns)
    assert passes[-1].depth == pytest.approx(die.depth, abs=lead / 16)  # the nearest eighth of a turn
    if lead < 4:
        assert turns[-1] * lead == pytest.approx(passes[-1].depth, rel=0.05)  # spring-back is the difference


def test_no_step_asks_more_of_the_metal_than_the_passes_do():
    """Stretch goes with depth squared, so steps in depth squared are compared; 1/8 turn of rounding is allowed for."""
    hard = replace(PANEL, material=replace(PANEL.material, yield_strength=185.0))
    asked = np.diff(np.square([0.0, *pass_depths(B20, hard.material)])).max()
    given = np.diff(np.square([0.0, *(step.depth for step in trial_passes(hard, B20, 1.0))])).max()
    assert given < asked + 2 * B20.depth * 1.5 / 8


def test_readings_that_are_there_already_do_not_change_the_strip():
    assert trial_passes(PANEL, B16, 1.0) == trial_passes(with_lead(1.5), B16, 1.0)
    assert "There are readings for this die and sheet already" in " ".join(trial_text(PANEL, B16, 1.0).split())
    assert "already" not in trial_text(PANEL, B20, 1.0)


def _turns_told(turns):
    """As on the strip: 2.375 is "2 3/8 turns"; worked anew with whole eighths."""
    whole, eighths = divmod(round(8 * turns), 8)
    part = {0: "", 1: "1/8", 2: "1/4", 3: "3/8", 4: "1/2", 5: "5/8", 6: "3/4", 7: "7/8"}[eighths]
    return " ".join(filter(None, (str(whole or ""), part, "turns" if turns > 1 else "turn")))


@pytest.mark.parametrize("paper", ["a4", "letter", "roll"])
def test_the_strip_is_true_to_scale(tmp_path, paper):
    write_trial(PANEL, B20, 1.0, tmp_path / "trial.pdf", paper=paper)
    passes = trial_passes(PANEL, B20, 1.0)
    *cards, (width, height, strokes, words) = read(tmp_path / "trial.pdf")
    assert len(cards) == 1
    found = segments(strokes)
    ways = np.diff(found, axis=1)[:, 0]
    assert np.abs(ways - [100.0, 0.0]).max(axis=1).min() < 0.005
    assert np.abs(ways - [0.0, 100.0]).max(axis=1).min() < 0.005
    x0, y0, x1, y1 = strip_drawing(PANEL, B20, 1.0).bounds
    (outline,) = [one.points for one in strokes if len(one.points) >= 5 and not one.curved]
    assert np.ptp(outline, axis=0) == pytest.approx([x1 - x0, y1 - y0], abs=0.005)
    assert outline.min() > 5.0
    assert (outline.max(axis=0) < [width - 5.0, height - 5.0]).all()
    # the lines where the passes begin are evenly spaced
    lines = np.sort(found[np.abs(ways - [0.0, y1 - y0 - 6.0]).max(axis=1) < 0.005][:, 0, 0])
    assert len(lines) == len(passes) + 1
    assert np.diff(lines) == pytest.approx(np.full(len(passes), np.diff(lines)[0]), abs=0.005)
    spots = sorted(one.centre[0] for one in circles(strokes))
    assert spots == pytest.approx(list((lines[:-1] + lines[1:]) / 2), abs=0.005)
    told = [word.text for word in words]
    assert all(_turns_told(step.turns) in told for step in passes)
    assert {f"pass {number}" for number in range(1, len(passes) + 1)} <= set(told)


def test_pages_are_counted_with_the_drawing(tmp_path):
    write_trial(PANEL, B20, 1.0, tmp_path / "trial.pdf")
    first, second = read(tmp_path / "trial.pdf")
    assert "page 1 of 2" in [word.text for word in first[3]]
    assert "page 1 of 1" not in [word.text for word in first[3]]
    assert "strip, drawing 1 of 1, 1:1, mm" in [word.text for word in second[3]]


def test_a_long_strip_goes_over_several_sheets(tmp_path):
    many = Trial("B20", "5754-H111", 1.0, (1.0, 4.0), (1.5, 5.5), 9)
    slow = replace(PANEL, tools=replace(PANEL.tools, trials=(many,)))
    write_trial(slow, B20, 1.0, tmp_path / "trial.pdf")
    pages = read(tmp_path / "trial.pdf")
    assert len(pages) > 2
    told = {word.text for *_, words in pages[1:] for word in words}
    assert all(_turns_told(step.turns) in told for step in trial_passes(slow, B20, 1.0))
    assert all(word.size * 0.729 >= 3.0 - 1e-6 for *_, words in pages for word in words)


def test_the_card_has_a_table_to_fill_in_and_the_lines_to_enter(tmp_path):
    write_trial(PANEL, B20, 1.0, tmp_path / "trial.pdf")
    text = trial_text(PANEL, B20, 1.0)
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 100
    words = [word.text for word in read(tmp_path / "trial.pdf")[0][3]]
    for line in tools_file_lines(PANEL, B20, 1.0):
        assert line in text
        assert line in words
    assert {"reading 1", "mean, mm", "spare"} <= set(words)
    assert "straight edge" in text


def test_entered_readings_set_the_turns_on_the_card(tmp_path):
    (tmp_path / "panel.toml").write_text(PANEL_FILE.format(tools="starter"))
    panel = read_panel(tmp_path / "panel.toml")
    die = trial_die(panel, "B16")
    layout = Layout(1.2, (replace(LAYOUT.beads[0], die=die),))
    before = card_text(panel, verdict(layout))
    assert "formula" in before
    copy = copy_starter_tools(panel, tmp_path)
    assert copy == "tools.toml"
    # As the card says: the lines at the end of the copy, the depths filled in, the copy named in the panel file.
    text = trial_text(panel, die, 1.2, copy=copy)
    lines = [line.strip() for line in text.splitlines()]
    lines = lines[lines.index("[[trial]]") : lines.index("[[trial]]") + 6]
    passes = trial_passes(panel, die, 1.2)
    measured = iter([0.9 * step.depth for step in passes[:-1]] + [die.depth + 0.05])
    filled = re.sub("____", lambda _: f"{next(measured):.2f}", "\n".join(lines))
    with (tmp_path / copy).open("a") as file:
        file.write(f"\n{filled}\n")
    (tmp_path / "panel.toml").write_text(PANEL_FILE.format(tools=copy))
    entered = read_panel(tmp_path / "panel.toml")
    (trial,) = entered.tools.trials
    assert trial.turns == tuple(step.turns for step in passes)
    after = card_text(entered, verdict(layout))
    assert "trial strip" in after
    rows = [next(line for line in card.splitlines() if line.startswith("  B16")) for card in (before, after)]
    turns = [[sum(map(Fraction, text.split())) for text in re.findall(r"([\d/ ]*\d) \(", row)] for row in rows]
    assert len(turns[0]) == len(turns[1]) > 0
    assert all(b >= a for a, b in zip(*turns, strict=True))  # the strip came out less deep than the formula thought
    assert turns[1][-1] <= passes[-1].turns


def test_a_copy_that_is_there_is_left_alone(tmp_path):
    (tmp_path / "panel.toml").write_text(PANEL_FILE.format(tools="starter"))
    panel = read_panel(tmp_path / "panel.toml")
    (tmp_path / "tools.toml").write_text("mine")
    assert copy_starter_tools(panel, tmp_path) == "tools.toml"
    assert (tmp_path / "tools.toml").read_text() == "mine"
    assert copy_starter_tools(PANEL, tmp_path) == ""


def test_a_die_that_is_none_is_told():
    with pytest.raises(InputError, match=r'--die: "B61" is no bead die of this panel \(did you mean "B16"\?\)'):
        trial_die(PANEL, "B61")
    with pytest.raises(InputError, match='"L50" is a flaring die'):
        trial_die(PANEL, "L50")


def test_a_sheet_too_thick_for_the_roller_is_said_first():
    steel = Material("DC01", 210e3, 0.3, 7.85e-6, 180.0, 340.0, 0.28)
    text = trial_text(replace(PANEL, material=steel), B16, 2.0)
    assert text.splitlines()[3] == "WARNINGS"
    assert "over the roller's rating" in text

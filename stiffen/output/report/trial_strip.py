"""The trial strip: scrap that is rolled with each setting of the screw, measured, and entered in the tools file.

Each pass begins one field after the one before.  So the first field keeps the depth of the first pass, and the last
field gets all passes.  Lengths in mm, turns of the pressure screw from first touch.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from importlib import resources
from pathlib import Path

from shapely.geometry import LineString, box

from stiffen.errors import Fault, InputError
from stiffen.io.files import atomic_write
from stiffen.io.tools_file import STARTER
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.model.value_rules import suggestion
from stiffen.output.drawing.pdf import DrawingSurface
from stiffen.output.drawing.primitives import Circle, Label, Line, Marking
from stiffen.output.drawing.tiling import (
    CAPITAL_HEIGHT,
    draw_page_footer,
    draw_tile,
    place_texts,
    tile_drawing,
    used_tiles,
)
from stiffen.shop.layout_check import bead_die_violations
from stiffen.shop.roller_settings import matching_trial, rolling_depths, settable_turns, springback, turns_text

from .sections import Section, Table, text_lines

MIN_READINGS = 4  # enough to interpolate between them
LEAD_IN_LENGTH, TAIL_LENGTH = 15.0, 10.0  # before the first line, after the last field
MIN_FIELD_LENGTH = 45.0  # long enough to measure clear of where the depth changes: common practice, no source
MIN_STRIP_WIDTH = 60.0
READING_COLUMNS = ("reading 1", "reading 2", "reading 3", "mean, mm")


@dataclass(frozen=True)
class TrialPass:
    """One pass over the strip: the setting of the screw, turns, and the depth that the formula expects, mm."""

    turns: float
    depth: float


def trial_die(panel: Panel, name: str) -> BeadDie:
    """The bead die of that name.  Raises InputError if the panel's tools have none."""
    die = panel.tools.bead_die(name)
    if die is None:
        names = [one.name for one in panel.tools.bead_dies]
        what = f'"{name}" is a flaring die' if panel.tools.hole_die(name) else f'"{name}" is no bead die of this panel'
        raise InputError([Fault("--die", what, suggestion(name, names))])
    return die


def copy_starter_tools(panel: Panel, folder: Path) -> str:
    """Write a copy of the built-in tools, to be edited, if the panel uses them.  Returns the name of the copy.

    A copy that is there already is left alone.  Returns "" for a panel with tools of its own.  Raises InputError if the
    copy cannot be written.
    """
    if panel.tools.name != STARTER:
        return ""
    path = folder / "tools.toml"
    if not path.exists():
        source = resources.files("stiffen").joinpath("data/starter_tools.toml")
        with atomic_write(path) as fresh:
            fresh.write_bytes(source.read_bytes())
    return path.name


def trial_passes(panel: Panel, die: BeadDie, thickness: float) -> tuple[TrialPass, ...]:
    """The passes of a strip of this thickness, mm: those of the panel, with more between them if fewer than four.

    Turns are rounded as on the card (`roller_settings.settable_turns`), and so are those of the full depth.
    """
    depths = list(rolling_depths(panel.tools, die, panel.material, thickness))
    while len(depths) < MIN_READINGS:
        gaps = [after - before for before, after in zip([0.0, *depths], depths, strict=False)]
        widest = gaps.index(max(gaps))
        depths.insert(widest, depths[widest] - gaps[widest] / 2)
    springs_back = springback(die, panel.material, thickness) or 0.0
    turns_per_mm = (1 + springs_back / die.depth) / panel.tools.roller.screw_lead
    turns = settable_turns([depth * turns_per_mm for depth in depths])
    return tuple(TrialPass(turn, turn / turns_per_mm) for turn in turns)


def tools_file_lines(panel: Panel, die: BeadDie, thickness: float) -> list[str]:
    """The lines to put into the tools file, with blanks for the depths."""
    turns = [f"{step.turns:g}" for step in trial_passes(panel, die, thickness)]
    return [
        "[[trial]]",
        f'die = "{die.name}"',
        f'material = "{panel.material.name}"',
        f"thickness = {thickness:g}",
        f"turns = [{', '.join(turns)}]",
        f"depth = [{', '.join('____' for _ in turns)}]",
        f"passes = {len(rolling_depths(panel.tools, die, panel.material, thickness))}",
    ]


def trial_text(panel: Panel, die: BeadDie, thickness: float, *, copy: str = "") -> str:
    """The card of the strip as plain text.  copy: name of a copy of the built-in tools file, or ""."""
    title = _title(panel, die, thickness).upper()
    lines = [title, "=" * min(len(title), 100)]
    for section in _sections(panel, die, thickness, copy):
        lines += ["", *text_lines(section)]
    return "\n".join(lines) + "\n"


def write_trial(
    panel: Panel, die: BeadDie, thickness: float, path: str | Path, *, paper: str = "a4", copy: str = ""
) -> None:
    """Write the card of the strip as PDF, then the strip itself at 1:1.

    thickness: of the sheet, mm.  paper: "a4", "letter" or "roll".  copy: as in `trial_text`.  The file is written
    under a temporary name, then renamed.  Raises InputError if it cannot be written.
    """
    from .page_flow import Drawing, write_pages

    title = _title(panel, die, thickness)
    marking = strip_drawing(panel, die, thickness)
    tiling = tile_drawing(marking.bounds, paper)
    tiles = used_tiles(tiling, marking)
    texts = place_texts(tiling, tiles, marking, CAPITAL_HEIGHT)

    def draw_sheet(surface: DrawingSurface, number: int) -> None:
        tile = tiles[number - 1]
        sheet = f"{thickness:g} mm {panel.material.name}, die {die.name}"
        count = f"strip, drawing {number} of {len(tiles)}, 1:1, mm"
        draw_page_footer(surface, tiling.foot, (panel.name, sheet, count), tile.name if len(tiles) > 1 else "")
        draw_tile(surface, tiling, tile, marking, texts[tile])

    sheets = [
        Drawing(tiling.width, tiling.height, partial(draw_sheet, number=number)) for number in range(1, len(tiles) + 1)
    ]
    sections = tuple(_sections(panel, die, thickness, copy))
    write_pages(path, title, sections, footer=title, drawings=sheets, paper=paper)


def strip_drawing(panel: Panel, die: BeadDie, thickness: float) -> Marking:
    """The strip as a drawing: outline, axis, flanks, a line where each pass begins, a circle where to measure."""
    passes = trial_passes(panel, die, thickness)
    field = max(MIN_FIELD_LENGTH, 2 * die.run_out_length + 15.0)
    wide = max(MIN_STRIP_WIDTH, 4 * die.width)
    long = LEAD_IN_LENGTH + field * (len(passes) + 1) + TAIL_LENGTH
    middle = wide / 2
    corners = tuple(box(0, 0, long, wide).exterior.coords[:-1])
    items: list[Line | Circle] = [
        Line("CUT", corners, closed=True),
        Line("BEAD AXIS", ((LEAD_IN_LENGTH, middle), (long, middle))),
        *(
            Line("BEAD FLANK", ((LEAD_IN_LENGTH, y), (long, y)))
            for y in (middle - die.width / 2, middle + die.width / 2)
        ),
        Line(
            "FEED",
            (
                (LEAD_IN_LENGTH / 2 - 4, middle + 2),
                (LEAD_IN_LENGTH / 2 + 1, middle),
                (LEAD_IN_LENGTH / 2 - 4, middle - 2),
            ),
        ),
    ]
    labels = []
    for number in range(len(passes) + 1):
        x = LEAD_IN_LENGTH + number * field
        items.append(Line("BEAD STOP", ((x, 3.0), (x, wide - 3.0))))
        centre = x + field / 2
        if number < len(passes):
            items.append(Circle("HOLE PILOT", (centre, middle), 4.0))
            turns = passes[number].turns
            text = f"pass {number + 1}\n{turns_text(turns)} turn{'s' if turns > 1 else ''}"
        else:
            text = "spare\n1/4 turn\nmore"
        above, below = (middle + die.width / 2 + wide) / 2, (middle - die.width / 2) / 2
        anchor = LineString([(x, middle), (x + field, middle)])
        labels.append(Label("NUMBER", text, anchor, ((centre, above, 0.0),)))
        if number < len(passes):
            labels.append(Label("NUMBER", "measure", anchor, ((centre, below, 0.0),)))
    return Marking(tuple(items), tuple(labels))


def _title(panel: Panel, die: BeadDie, thickness: float) -> str:
    return f"{panel.name}: trial strip, die {die.name}, {thickness:g} mm {panel.material.name}"


def _sections(panel: Panel, die: BeadDie, thickness: float, copy: str) -> Iterator[Section]:
    passes = trial_passes(panel, die, thickness)
    violations = [str(violation) for violation in bead_die_violations(panel, die, thickness)]
    if violations:
        yield Section("WARNINGS", tuple(violations))
    drawn = strip_drawing(panel, die, thickness).bounds
    yield Section(
        "ROLL",
        (
            f"1.\tCut a strip {drawn[2]:.0f} x {drawn[3]:.0f} mm from the sheet that the panel is made of. Copy the "
            "lines of the drawing onto it, or glue the paper on.",
            "2.\tFit the die. Turn the screw down until the rolls just touch the sheet: that is 0 turns. Mark screw "
            "and frame.",
            "3.\tSet the screw to the turns of pass 1. Start at the line of pass 1 and roll to the end of the strip.",
            "4.\tGo back and set the screw to the turns of the next pass. Set the rolls down at its line and roll to "
            "the end. So each field keeps the depth of its own pass.",
            "5.\tIf the last field is not deep enough, give 1/4 turn more and roll the spare field. Write both down.",
        ),
    )
    yield Section(
        "MEASURE",
        (
            "Lay the strip down loose, hollow side up. If it bows, press it flat beside the bead. Lay a straight edge "
            "across. Measure with the depth rod of a calliper from the straight edge to the bottom of the bead, at the "
            f"circle in each field, three times, a few mm apart. Full depth is {die.depth:g} mm.",
            "Or measure with the jaws from the flat back to the crest, and subtract the sheet's thickness.",
        ),
    )
    rows = [
        (f"{number}", turns_text(step.turns), f"{step.depth:.1f}", *[""] * len(READING_COLUMNS))
        for number, step in enumerate(passes, 1)
    ]
    rows.append(("spare", *[""] * (len(READING_COLUMNS) + 2)))
    head = ("pass", "turns", "expected, mm", *READING_COLUMNS)
    yield Section("WRITE DOWN", (Table(head, tuple(rows), (1, 2), to_fill_in=True),))
    yield Section("ENTER", tuple(_entry_steps(panel, die, thickness, copy)))


def _entry_steps(panel: Panel, die: BeadDie, thickness: float, copy: str) -> Iterator[str]:
    if copy:
        yield (
            f"The panel uses the built-in tools. {copy}, beside this card, is a copy of them. Put the lines below at "
            f'its end, keep it beside the panel file, and name it there: tools = "{copy}".'
        )
    else:
        yield f'Put these lines at the end of the tools file of the panel ("{panel.tools.name}"):'
    yield from tools_file_lines(panel, die, thickness)
    yield "Give one depth for each number of turns, both rising. Leave out a pass that did not make the bead deeper."
    yield (
        "The number of passes is common practice without a source. Roll another strip in fewer if the metal takes it, "
        "or in more if it tears or wanders, and enter the number that gave a clean bead."
    )
    yield "From then on the turns on the card of stiffen search and draw come from these readings."
    if matching_trial(panel.tools, die, panel.material, thickness):
        yield "There are readings for this die and sheet already. Of two as near in thickness the later one counts."

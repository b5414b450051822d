"""`stiffen ask`: a short talk that ends in a panel file and its picture."""

from __future__ import annotations

import argparse
import os
import sys
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import Any

from stiffen.errors import Fault, InputError

from ..asking.panel_text import panel_text
from ..asking.questions import Question, Shape, questions
from ..inputs import faults_of_file
from ..output_files import panel_picture_file, write_text
from ..terminal import MET, print_error, print_lines

HELP = "ten questions that end in a panel file and its picture"
DESCRIPTION = """\
Ask ten questions in the words of the trade, write a commented panel file, and draw it as panel.png beside it.
Enter alone takes what stands in brackets; ? says that you do not know, and takes the safe choice.
No load is made up: choose from a table with sources, with your own weight or speed.
With --answers nothing is asked: that file holds lines such as  size = "500 x 400".
A panel file that exists is not overwritten."""
EXAMPLES = ("stiffen ask hatch.toml", "stiffen ask hatch.toml --answers answers.toml")
LINE_CHARS = 96


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("file", metavar="FILE", help="the panel file to write")
    parser.add_argument("--answers", metavar="A.toml", help="take the answers from this file; the rest is not known")


def run(args: argparse.Namespace) -> int:
    """Ask, write the file, draw the picture, say what was assumed and what comes next."""
    from stiffen.io.panel_file import panel_from_dict

    path = Path(args.file)
    if os.path.lexists(path):
        raise InputError([Fault(str(path), "is there already", "give another name, or move it away")])
    asked = questions()
    values, unknown = _from_file(asked, args.answers) if args.answers else _talk(asked)
    values = _settled(values, unknown, path.parent)
    text = panel_text(values, unknown, *_area_and_span(values["size"], path.parent))
    with faults_of_file(str(path)):
        import tomllib

        panel = panel_from_dict(tomllib.loads(text), path.parent)
    write_text(path, text)
    picture = path.with_name("panel.png")
    panel_picture_file(panel, picture)
    print_lines(*(f"not known: {one.key}: {one.why}" for one in asked if one.key in unknown))
    print_lines(f"wrote {path} and {picture}: look at the picture, correct the file, then: stiffen check {path}")
    return MET


def _settled(values: dict[str, Any], unknown: list[str], folder: Path) -> dict[str, Any]:
    """The answers with paths as seen from the panel file; a drawing has no corners that are known."""
    shape: Shape = values["size"]
    if not shape.rectangular and values["held"] in (
        "long sides",
        "short sides",
        *(["corners"] if shape.drawing else []),
    ):
        if "held" not in unknown:
            what = f"is {values['held']!r}, but only a rectangle has sides and corners that are known"
            raise InputError([Fault("held", what, "say riveted or seal, and put the real [[support]] into the file")])
        values = {**values, "held": "seal"}
    if shape.drawing:
        values = {**values, "size": replace(shape, drawing=_as_seen_from(folder, shape.drawing))}
    if values["dies"] != "starter":
        values = {**values, "dies": _as_seen_from(folder, values["dies"])}
    return values


def _as_seen_from(folder: Path, name: str) -> str:
    return Path(os.path.relpath(name, folder)).as_posix()


def _area_and_span(shape: Shape, folder: Path) -> tuple[float, float]:
    """Area of the sheet and its short side, mm2 and mm."""
    from shapely.geometry import Polygon

    if not shape.drawing:
        full = shape.width * shape.height
        return (0.785398 * full if shape.round else full), min(shape.width, shape.height)
    from stiffen.io.dxf_reader import read_drawing

    outline = Polygon(read_drawing(folder / shape.drawing).outline.ring)
    x0, y0, x1, y1 = outline.bounds
    return outline.area, min(x1 - x0, y1 - y0)


def _from_file(asked: tuple[Question, ...], name: str) -> tuple[dict[str, Any], list[str]]:
    """The answers of a file; InputError with every fault."""
    from stiffen.io.files import read_toml
    from stiffen.model.value_rules import show_value, suggestion

    data = read_toml(name)
    keys = [one.key for one in asked]
    faults = [Fault(f"{name}: {key}", "is no question", suggestion(key, keys)) for key in data if key not in keys]
    values, unknown = {}, []
    for one in asked:
        said = data.get(one.key, "?")
        if not isinstance(said, str):
            faults.append(Fault(f"{name}: {one.key}", f"is {show_value(said)}, not a text", "put it in quotes"))
            continue
        try:
            values[one.key], not_known = one.answer(said)
        except ValueError as error:
            faults.append(Fault(f"{name}: {one.key}", f"is {show_value(said)}", str(error)))
            continue
        unknown += [one.key] * not_known
    if faults:
        raise InputError(faults)
    return values, unknown


def _talk(asked: tuple[Question, ...]) -> tuple[dict[str, Any], list[str]]:
    """Ask one question after the other on the terminal; each again until its answer fits."""
    print_lines(
        "Ten questions. Enter alone takes what stands in [ ]; ? says that you do not know and takes the safe choice.",
        "Nothing is written before the last answer; Ctrl-C leaves.",
    )
    values: dict[str, Any] = {}
    unknown: list[str] = []
    for number, one in enumerate(asked, 1):
        print_lines("", *textwrap.wrap(f"{number}. {one.text}", LINE_CHARS, subsequent_indent="   "))
        for place, (name, meaning) in enumerate(one.choices, 1):
            label = f"   {place} {name:14}" if one.key != "load" else f"   {name:14}"
            print_lines(*textwrap.wrap(f"{label} {meaning}", LINE_CHARS, subsequent_indent=" " * 20))
        if one.key not in ("what",):
            print_lines(f"   ? {one.why}")
        while one.key not in values:
            try:
                values[one.key], not_known = one.answer(_typed(f"   [{one.default}] "))
                unknown += [one.key] * not_known
            except ValueError as error:
                print_error(f"   {error}")
    print_lines("")
    return values, unknown


def _typed(prompt: str) -> str:
    """One line of the user; the end of the input counts as Ctrl-C."""
    print_lines(prompt, end="")
    sys.stdout.flush()
    line = sys.stdin.readline()
    if not line:
        raise KeyboardInterrupt
    return line.rstrip("\n")

"""The text of a panel file on the page: read, its faults beside the lines, single values changed with comments kept."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from stiffen.errors import Fault, InputError
from stiffen.io.files import DEEP_KEY_PATTERN, MAX_KEY_PARTS
from stiffen.io.panel_file import panel_from_dict
from stiffen.model.panel import Panel

MAX_TEXT = 400_000  # characters of a panel file on the page
HEADING = re.compile(r"^\s*(\[\[?)\s*([\w.\"-]+)\s*\]\]?")
PART = re.compile(r"^(\w+)(?:\[(\d+)\])?")
NAMED_FILES = ("tools", "outline_dxf")  # keys of [panel] that may name a file


def panel_of_text(text: str, folder: Path, trusted: dict | None = None) -> Panel:
    """The panel of a panel file's text; files named in it lie in `folder`.

    trusted: the data of the file on disk, whose named files are the user's own choice.  A file outside the folder that
    is named only on the page is refused.  InputError with all faults.
    """
    data = data_of_text(text)
    _refuse_outside_files(data, folder, trusted or {})
    return panel_from_dict(data, folder)


def data_of_text(text: str) -> dict:
    """The tables of the text.  InputError names the line that cannot be read."""
    if len(text) > MAX_TEXT:
        raise InputError([Fault("", f"has over {MAX_TEXT} characters", "leave only what describes the panel")])
    if deep := DEEP_KEY_PATTERN.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        raise InputError([Fault(f"line {line}", "is nested too deep", f"a key has at most {MAX_KEY_PARTS} parts")])
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError([Fault("", "is nested too deep", "lists of points are the deepest that is needed")]) from None
    except ValueError as error:
        found = re.search(r"\(at line (\d+), column \d+\)", str(error))
        line = int(found[1]) if found else text.count("\n") + 1
        message = str(error)[: found.start()].strip() if found else str(error)
        raise InputError([Fault(f"line {line}", message, "a line reads: key = value")]) from None


def _refuse_outside_files(data: dict, folder: Path, trusted: dict) -> None:
    head, own = data.get("panel"), trusted.get("panel", {})
    if not isinstance(head, dict):
        return
    for key in NAMED_FILES:
        name = head.get(key)
        if isinstance(name, str) and name != own.get(key) and not (folder / name).resolve().is_relative_to(folder):
            what = f"{name} lies outside the panel's folder"
            raise InputError([Fault(f"panel.{key}", what, "put the file into the folder, or edit the file on disk")])


def fault_rows(text: str, error: InputError) -> list[dict]:
    """Each fault with the line of the text that it concerns, from 1; 0 if none does."""
    return [
        {"line": line_of(text, fault.where), "where": fault.where, "what": fault.what, "cure": fault.cure}
        for fault in error.faults
    ]


def line_of(text: str, where: str) -> int:
    """The line, from 1, of the place of a fault such as `load[2].at` or `panel.outline[3]`; 0 if it is not found.

    A missing key is told at the heading of its table.
    """
    if found := re.fullmatch(r"line (\d+)", where):
        return int(found[1])
    table = PART.match(where)
    if table is None:
        return 0
    wanted, number = table[1], int(table[2] or 1)
    key = PART.match(where[table.end() :].lstrip("."))
    count, heading, lines = 0, 0, text.split("\n")
    for place, line in enumerate(lines, 1):
        if found := HEADING.match(line):
            count += found[2] == wanted
            if heading:
                break
            heading = place if found[2] == wanted and count == number else 0
        elif heading and key and re.match(rf"\s*{key[1]}\s*=", line):
            return place
    return heading


def with_value(text: str, path: list, value: Any) -> str:
    """The text with the value at a path of keys and list places (from 0) changed, or taken out if it is None.

    Comments stay.  InputError if there is no such table.
    """
    try:
        document: Any = tomlkit.parse(text)
        table = document
        for key in path[:-1]:
            table = table[key]
        if value is None:
            table.pop(path[-1], None)
        else:
            table[path[-1]] = value
        return tomlkit.dumps(document)
    except (TOMLKitError, KeyError, IndexError, TypeError, AttributeError, ValueError):
        place = ".".join(map(str, path))
        raise InputError([Fault(place, "cannot be changed from here", "change it in the file's text")]) from None


def with_drawing(text: str, name: str) -> str:
    """The text with its outline taken from a drawing in the panel's folder."""
    text = with_value(text, ["panel", "outline"], None)
    text = with_value(text, ["panel", "corner_radius"], None)
    return with_value(text, ["panel", "outline_dxf"], name)

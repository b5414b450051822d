"""Reads one [[joint]] of a build file."""

from __future__ import annotations

from stiffen.io.schema import TableReader
from stiffen.model.layout import Point
from stiffen.model.panel import Panel
from stiffen.model.tools import Tools
from stiffen.model.value_rules import PATH, TEXT, Choice, Range, show_value, suggestion

from .angle_strips import leg_row
from .part_rules import JOINT_RULES
from .records import AngleStrip, Joint, Place

SUPPORT_NUMBER = Range(1, 1000)
LEG_NAMES = ("leg 1", "leg 2")


def joint_of_table(
    row: TableReader,
    known: dict[str, Place | None],
    complete: bool,
    parts: dict[str, Panel | AngleStrip],
    tools: Tools,
) -> Joint | None:
    """[[joint]]: a row of rivets on one part, and the parts that they go through.

    known: places of all parts by name.  complete: False where faulty parts are left out of it.
    """
    part = row.read("part", TEXT)
    mates = _mates(row)
    diameter = row.read("diameter", JOINT_RULES["diameter"])
    line = _row_line(row, parts.get(part), diameter, tools)
    values = {
        "pitch": row.read("pitch", JOINT_RULES["pitch"]),
        "diameter": diameter,
        "in_plane": row.read("in_plane", JOINT_RULES["in_plane"], "unknown"),
        "grip": row.read("grip", JOINT_RULES["grip"], None),
    }
    row.reject_unknown_keys("[[joint]]")
    named = [(("part",), part)] + [(("mates", place), mate) for place, mate in enumerate(mates or ())]
    for key, name in named:
        if complete or name in known:
            _check_part(row, key, name, known)
    if mates and part in mates:
        row.add_fault("mates", f"holds {show_value(part)}, the part itself", "name the parts that it is joined to")
    if row.ok and values["pitch"] < 3 * values["diameter"]:
        row.add_fault("pitch", f"is {values['pitch']:g} mm", f"at least 3 diameters, {3 * values['diameter']:g} mm")
    if not row.ok or line is None or mates is None:
        return None
    return Joint(part, line, mates, **values)


def _mates(row: TableReader) -> tuple[str, ...] | None:
    if not row.has("mates"):
        row.add_fault("mates", "is missing", 'the parts that the rivets go through: mates = ["side"]')
        return None
    value = row.data["mates"]
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(name, str) for name in names):
        told = "is empty" if value == [] else f"is {show_value(value)}, not a list of names"
        row.add_fault("mates", told, 'write mates = ["side"]')
        return None
    return tuple(dict.fromkeys(names))


def _row_line(
    row: TableReader, part: Panel | AngleStrip | None, diameter: float | None, tools: Tools
) -> tuple[Point, ...] | None:
    """The line of the row: points, a leg of a strip, or the number of a [[support]] of rivets in the panel file."""
    given = row.data.get("row")
    if isinstance(given, list) or "row" not in row.data or part is None:
        if isinstance(given, list) or "row" not in row.data:
            return row.read("row", PATH)
        row.has("row")
        return None
    if isinstance(part, AngleStrip):
        leg = row.read("row", Choice(LEG_NAMES, also="a line: [[x, y], [x, y]]"))
        return leg_row(part, LEG_NAMES.index(leg) + 1, diameter, tools) if leg and diameter else None
    number = row.read("row", SUPPORT_NUMBER)
    if number is None:
        return None
    supports = part.supports
    if number != int(number) or number > len(supports) or supports[int(number) - 1].kind != "rivets":
        rivets = ", ".join(f"{n}" for n, one in enumerate(supports, 1) if one.kind == "rivets") or "none"
        what = f"is {number:g}: no [[support]] of rivets of that number"
        return row.add_fault("row", what, f"rivets are {rivets}; or give a line: [[x, y], [x, y]]")
    return supports[int(number) - 1].path


def _check_part(row: TableReader, key: tuple, name: str | None, known: dict[str, Place | None]) -> None:
    """Add a fault unless the part is known, and placed in space."""
    if name is None:
        return
    if name not in known:
        row.add_fault(key, f"is {show_value(name)}: no such panel or strip", suggestion(name, known))
    elif known[name] is None:
        cure = f'give "{name}" a place = {{origin = [0, 0, 0], x = [1, 0, 0], y = [0, 1, 0]}}'
        row.add_fault(key, f"is {show_value(name)}, which has no place", cure)

"""The commented panel file of the answers.  mm, N, MPa."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from .questions import FIRM, FRAME, HELD, SMOOTH, Shape

RIVET, BOLT = 4.0, 5.0  # diameters
RIVET_INSET, BOLT_INSET, PITCH = 12.0, 15.0, 40.0
SPAN_RATIO = 200  # deflection limit of a load: short side over this, as of gratings (ISO 14122-2 practice, from memory)
STRESS_RESERVE = 1.5  # yield over stress: common practice, no source
IN_PLANE = {"stiff": "held", "soft": "free", "unknown": "unknown"}
DISC_CORNERS = 72


def panel_text(values: Mapping[str, Any], unknown: Iterable[str], area: float, span: float) -> str:
    """The panel file as TOML text.

    values: by question.  unknown: questions whose safe choice was taken.  area: of the sheet, mm2.  span: its short
    side.
    """
    unknown, shape, clear = set(unknown), values["size"], values["clear"]

    def note(key: str, text: str) -> str:
        return f"# {text}" + (" (not known: the safe choice)" if key in unknown else "")

    metal, gauges = values["metal"]
    lines = [
        f"# {values['what']}: written by `stiffen ask` from ten answers.  Units: mm, N, MPa.",
        "# Look at panel.png, correct what is wrong here, then: stiffen check, stiffen search.",
        "# A design aid: proof-load the finished panel before anyone relies on it.",
        "",
        "[panel]",
        f"name = {_quoted(values['what'])}",
        note("metal", "the metal, and the thicknesses that you can get"),
        f"material = {_quoted(metal)}",
        f"gauges = [{', '.join(f'{gauge:g}' for gauge in gauges)}]",
        note(
            "size",
            "EXAMPLE SIZE: measure, and change it" if "size" in unknown else "the flat sheet, seen on the up face",
        ),
        *_outline(shape),
        note("smooth", f"smooth stays: {values['smooth']}; beads may stand on:"),
        f'bead_side = "{SMOOTH[values["smooth"]]}"',
        note("dies", "dies, roller and cutters: `starter`, or your own file (stiffen stock lists them)"),
        f"tools = {_quoted(values['dies'])}",
        *(["dies_at_most = 1"] if "dies" in unknown else []),
        *([note("clear", "water or fingers must not get through"), 'holes = "none"'] if clear.no_holes else []),
        "",
        *_supports(values, note),
        *_loads(values, note, area, span),
        note("firm", "how firm it feels: a push of so many N, anywhere, gives at most so many mm"),
        "[[demand]]",
        'kind = "softness"',
        f"force = {FIRM[values['firm']][0]:g}",
        f"limit = {FIRM[values['firm']][1]:g}",
    ]
    for x, y, width, height, what in clear.places:
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        lines += [
            "",
            "[[keep_out]]",
            f"polygon = {_points(corners)}",
            'against = ["bead", "hole"]',
            f"why = {_quoted(what)}",
        ]
    return "\n".join(lines) + "\n"


def _outline(shape: Shape) -> list[str]:
    if shape.drawing:
        return [f"outline_dxf = {_quoted(shape.drawing)}"]
    if shape.round:
        radius, turn = shape.width / 2, math.tau / DISC_CORNERS
        ring = [
            (radius + radius * math.cos(k * turn), radius + radius * math.sin(k * turn)) for k in range(DISC_CORNERS)
        ]
        return [f"outline = {_points(ring)}"]
    w, h = shape.width, shape.height
    rounded = [f"corner_radius = {shape.radius:g}"] if shape.radius else []
    return [f"outline = {_points([(0, 0), (w, 0), (w, h), (0, h)])}", *rounded]


def _supports(values: Mapping[str, Any], note: Any) -> list[str]:
    shape, held, frame = values["size"], values["held"], values["frame"]
    lines = [note("held", f"held: {HELD[held]}"), note("frame", f"fixed to something {frame}: {FRAME[frame]}")]
    restraint = ['hold = "pinned"', f'in_plane = "{IN_PLANE[frame]}"']
    if held == "seal":
        return [*lines, "[[support]]", 'kind = "edge"', 'along = "outline"', *restraint, ""]
    short = min(shape.width, shape.height)
    pitch = min(PITCH, max(4 * RIVET, round(short / 5)))
    rivets = ["[[support]]", 'kind = "rivets"']
    sizes = [f"pitch = {pitch:g}", f"diameter = {RIVET:g}", *restraint, ""]
    if held == "riveted":
        return [*lines, *rivets, 'along = "outline"', f"inset = {RIVET_INSET:g}", *sizes]
    w, h = shape.width, shape.height
    if held == "corners":
        inset = min(BOLT_INSET, short / 6) + 0.3 * shape.radius
        places = [(inset, inset), (w - inset, inset), (w - inset, h - inset), (inset, h - inset)]
        if shape.round:
            reach = w / 2 - inset
            turns = (math.radians(a) for a in (90, 210, 330))
            places = [(w / 2 + reach * math.cos(a), w / 2 + reach * math.sin(a)) for a in turns]
        return [
            *lines,
            "[[support]]",
            'kind = "bolts"',
            f"at = {_points(places)}",
            f"diameter = {BOLT:g}",
            *restraint,
            "",
        ]
    along_x = (w >= h) == (held == "long sides")
    end = RIVET_INSET + shape.radius
    rows = (
        [[(end, y), (w - end, y)] for y in (RIVET_INSET, h - RIVET_INSET)]
        if along_x
        else [[(x, end), (x, h - end)] for x in (RIVET_INSET, w - RIVET_INSET)]
    )
    return [*lines, *(line for row in rows for line in (*rivets, f"path = {_points(row)}", *sizes))]


def _loads(values: Mapping[str, Any], note: Any, area: float, span: float) -> list[str]:
    if not values["load"]:
        return [note("load", "no load was given: nothing is said about strength"), ""]
    lines = []
    for one in values["load"]:
        number = f" {one.number:g} {one.load.number}" if one.load.number else ""
        lines += [
            f"# {one.load.name}{number}: {one.load.meaning}",
            f"# source: {one.load.source}",
            "[[load]]",
            f'case = "{one.case}"',
            *(f"{key} = {value}" for key, value in one.keys(area).items()),
            "",
            f"# at most the short side over {SPAN_RATIO}, as asked of gratings (ISO 14122-2 practice, from memory)",
            *("[[demand]]", 'kind = "deflection"', f'case = "{one.case}"', f"limit = {span / SPAN_RATIO:.3g}", ""),
            "# yield strength over the largest stress: common practice, no source",
            *("[[demand]]", 'kind = "stress"', f'case = "{one.case}"', f"limit = {STRESS_RESERVE:g}", ""),
        ]
    return lines


def _points(points: Iterable[tuple[float, float]]) -> str:
    return "[" + ", ".join(f"[{round(x, 2):g}, {round(y, 2):g}]" for x, y in points) + "]"


def _quoted(text: str) -> str:
    """A TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

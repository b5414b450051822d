"""Mirrors a panel or layout file left to right, as data: left and right of a pair stay one design.

The mirror stands in the middle of the outline's box, x -> x0 + x1 - x.  Faces, fold angles and y stay as they are: the
up face of the one part is the up face of the other.  Comments of a panel file are kept, word for word.
"""

from __future__ import annotations

import copy
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit
from shapely.geometry import Polygon
from tomlkit.items import AoT, Item

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .files import MAX_TOML_BYTES, FilePath, atomic_write, file_error, read_json, read_text, write_json
from .panel_file import layout_document, panel_from_dict, read_layout, read_panel
from .tools_file import STARTER

# Keys of a table that hold plan positions: a point, or a list of points.
POSITIONS: dict[str, tuple[str, ...]] = {
    "panel": ("outline",),
    "cutout": ("polygon",),
    "fold": ("line",),
    "flange": ("edge",),
    "support": ("path", "at"),
    "load": ("path", "polygon", "at"),
    "keep_out": ("polygon",),
    "mass": ("at",),
    "trim": ("path",),
    "out_of_flat": ("at",),
    "bead": ("path",),
    "hole": ("at",),
}
VECTORS = {"load": ("direction", "g")}
DRAWN_TABLES = ("cutout", "fold", "support", "keep_out")  # what a drawing may add to the file's own tables
HANDS = {"left": "right", "right": "left"}
Edit = Callable[[float], float]


def mirror_panel(source: FilePath, target: FilePath) -> tuple[Panel, tuple[str, ...]]:
    """Write the mirror image of a panel file; returns its panel, and remarks for the user.

    A drawing named as outline_dxf is written into the file as points.  The file is checked before it is written.
    InputError for a faulty panel file, and for a target that is the source or cannot be written.
    """
    panel = read_panel(source)
    _refuse_same_file(source, target)
    document: Any = tomlkit.parse(read_text(source, MAX_TOML_BYTES))
    remarks = []
    if "outline_dxf" in document["panel"]:
        name = str(document["panel"]["outline_dxf"])
        _take_drawing_in(document, panel)
        remarks.append(f"the outline and the marks of {name} are now points in the file, no drawing")
    _mirror_tables(document, panel)
    head: Any = document["panel"]
    if isinstance(head.get("tools"), str) and head["tools"] != STARTER:
        path = (Path(source).parent / str(head["tools"])).resolve()
        head["tools"] = Path(os.path.relpath(path, Path(target).resolve().parent)).as_posix()
    head["name"] = mirrored_name(panel.name)
    if any("#" in line for line in tomlkit.dumps(document).splitlines()):
        remarks.append("comments are kept as they were: read those that speak of left, right or x again")
    mirrored = panel_from_dict(tomlkit.parse(tomlkit.dumps(document)).unwrap(), Path(target).parent)
    with atomic_write(target) as fresh:
        fresh.write_text(tomlkit.dumps(document), encoding="utf-8")
    return mirrored, tuple(remarks)


def mirror_layout(source: FilePath, target: FilePath) -> tuple[Panel, tuple[str, ...]]:
    """Write the mirror image of a layout file, without its result; returns its panel, and remarks for the user.

    InputError as for `mirror_panel`.
    """
    panel, layout = read_layout(source)
    _refuse_same_file(source, target)
    data = copy.deepcopy(read_json(source)["panel"])
    _mirror_tables(data, panel)
    data["panel"]["name"] = mirrored_name(panel.name)
    mirrored = panel_from_dict(data, Path(target).parent)
    plain = layout_document(mirrored, layout, None)
    flip = _flip(panel)
    for bead in plain["beads"]:
        _set_positions(bead, "path", flip)
    for hole in plain["holes"]:
        _set_positions(hole, "at", flip)
    write_json(target, plain)
    return mirrored, ("results are not mirrored: stiffen draw computes them again",)


def mirrored_panel(panel: Panel, name: str) -> Panel:
    """The mirror image of a panel, left to right about the middle of its outline, under another name."""
    data = copy.deepcopy(panel.source)
    _mirror_tables(data, panel)
    data["panel"]["name"] = name
    return panel_from_dict(data, Path())


def mirrored_layout(panel: Panel, layout: Layout) -> Layout:
    """The mirror image of a panel's layout, beads and holes in the same order."""
    flip = _flip(panel)
    beads = tuple(replace(bead, path=tuple((flip(x), y) for x, y in bead.path)) for bead in layout.beads)
    holes = tuple(replace(hole, at=(flip(hole.at[0]), hole.at[1])) for hole in layout.holes)
    return replace(layout, beads=beads, holes=holes)


def mirrored_name(name: str) -> str:
    """The name of the other hand: left and right exchanged, else "mirrored" added."""

    def other(word: re.Match) -> str:
        found = HANDS[word[0].lower()]
        return found.upper() if word[0].isupper() else found.capitalize() if word[0][0].isupper() else found

    changed = re.sub(r"\b(left|right)\b", other, name, flags=re.IGNORECASE)
    if changed != name:
        return changed
    return name.removesuffix(", mirrored") if name.endswith(", mirrored") else f"{name}, mirrored"


def _refuse_same_file(source: FilePath, target: FilePath) -> None:
    if Path(target).exists():
        same = os.path.samefile(source, target)
        what = "is the file to mirror" if same else "is there already"
        raise file_error(target, what, "give another name, or move it away")


def _flip(panel: Panel) -> Edit:
    x0, _, x1, _ = Polygon(panel.outline).bounds
    return lambda x: round(x0 + x1 - x, 6) + 0.0


def _mirror_tables(data: Any, panel: Panel) -> None:
    """Mirror all plan positions and vectors of a panel's data, in place."""
    flip = _flip(panel)
    for name, keys in POSITIONS.items():
        tables = data.get(name, ())
        table: Any
        for table in [tables] if isinstance(tables, Mapping) else tables:
            for key in keys:
                if not isinstance(table.get(key), str | None):  # "worst" is no place, "left" no point
                    _set_positions(table, key, flip)
            for key in VECTORS.get(name, ()):
                if key in table:
                    table[key][0] = -table[key][0] + 0.0
            if name == "cutout" and "circle" in table:
                _set_positions(table["circle"], "centre", flip)
            if name == "flange" and isinstance(table.get("edge"), str):
                table["edge"] = HANDS.get(str(table["edge"]), table["edge"])
            if name == "trim" and "from" in table and "to" in table:  # it runs counter-clockwise from one to the other
                ends = [list(map(float, table[key])) for key in ("to", "from")]
                for key, (x, y) in zip(("from", "to"), ends, strict=True):
                    table[key] = [flip(x), y]


def _set_positions(table: Any, key: str, flip: Edit) -> None:
    """Mirror a point or a list of points in place, which keeps comments and line breaks between them."""
    if key not in table:
        return
    value = table[key]
    points = [value] if value and not isinstance(value[0], list) else value
    for point in points:
        x = flip(float(point[0]))
        point[0] = int(x) if x == int(x) else x


def _take_drawing_in(document: Any, panel: Panel) -> None:
    """Put what the drawing gives into the file: the outline, and the rows after the file's own."""
    head = document["panel"]
    outline = tomlkit.array()
    outline.extend([[float(x), float(y)] for x, y in panel.source["panel"]["outline"]])
    del head["outline_dxf"]
    head["outline"] = outline
    document.pop("dxf_layers", None)
    for name in DRAWN_TABLES:
        own = len(document.get(name, ()))
        drawn = panel.source.get(name, [])[own:]
        if not drawn:
            continue
        document.add(tomlkit.nl())
        if name not in document:
            document[name] = AoT([])
        for row in drawn:
            table = tomlkit.table()
            for key, value in row.items():
                table[key] = _plain_item(value)
            document[name].append(table)


def _plain_item(value: Any) -> Item:
    """A value as TOML; a table inside a row stands on one line."""
    if isinstance(value, Mapping):
        inline = tomlkit.inline_table()
        inline.update({key: _plain_item(one) for key, one in value.items()})
        return inline
    if isinstance(value, tuple):
        value = [list(one) if isinstance(one, tuple) else one for one in value]
    return tomlkit.item(value)

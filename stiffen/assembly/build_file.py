"""Reads a build file: panels, strips, joints and extras, with every fault of it and of its panel files at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from stiffen.errors import InputError
from stiffen.io.files import FilePath, read_toml
from stiffen.io.mirrored_file import mirrored_name, mirrored_panel
from stiffen.io.panel_file import panel_from_dict
from stiffen.io.schema import FaultList, TableReader
from stiffen.io.tools_file import STARTER, read_tools, starter_tools
from stiffen.model.material import Material, find_material, materials
from stiffen.model.panel import Panel
from stiffen.model.tools import Tools
from stiffen.model.value_rules import FLAG, TEXT, show_value, suggestion

from .joint_table import joint_of_table
from .part_rules import (
    COPIES,
    KG,
    PLACE_RULES,
    STRIP_RULES,
    axis_findings,
    beyond_findings,
    file_stem,
    strip_findings,
)
from .records import BUILD_RULES, AngleStrip, Extra, PanelPart, Place, WholeBuild


def is_build_file(path: FilePath) -> bool:
    """True for a TOML file with the heading [build]; False too where it cannot be read."""
    try:
        return Path(path).suffix.lower() == ".toml" and "build" in read_toml(path)
    except InputError:
        return False


def read_build(path: FilePath) -> WholeBuild:
    """The build of a TOML file; panel files named in it are relative to its folder.

    InputError with every fault of the build file and of the panel files that it names.
    """
    data, folder = read_toml(path), Path(path).parent
    faults = FaultList(data)
    root = TableReader(data, faults)
    head = root.table("build")
    if head is None:
        faults.add(("build",), "is missing", "a build file has [build] with a name, and a [[panel]] for each panel")
        head = TableReader({"name": "build"}, FaultList({}))
    name = head.read("name", TEXT)
    gauges = head.read("gauges", BUILD_RULES["gauges"], "each")
    target = head.read("target_mass", KG, None)
    rival = head.read("rival_mass", KG, None)
    tools = _tools(head, folder)
    head.reject_unknown_keys("[build]")
    files: dict[str, Panel | None] = {}
    panels = [part for row in root.tables("panel") if (part := _panel(row, folder, files))]
    if not data.get("panel"):
        root.add_fault("panel", "is missing", 'each panel has a [[panel]] with file = "side.toml"')
    strips = [strip for row in root.tables("strip") if (strip := _strip(row))]
    parts: list[PanelPart | AngleStrip] = [*panels, *strips]
    _reject_double_names(root, parts)
    known = {one.name: one.place for one in parts}
    complete = len(known) == sum(len(_dicts(data, key)) for key in ("panel", "strip"))
    _reject_unknown_neighbours(root, parts if complete else [], known)
    by_name: dict[str, Panel | AngleStrip] = {one.name: one.panel for one in panels}
    by_name |= {one.name: one for one in strips}
    joints = [
        joint
        for row in root.tables("joint")
        if tools and (joint := joint_of_table(row, known, complete, by_name, tools))
    ]
    extras = [extra for row in root.tables("extra") if (extra := _extra(row))]
    root.reject_unknown_keys("a build file")
    faults.raise_if_any()
    assert name and tools  # else a fault was raised
    return WholeBuild(
        name, tools, tuple(panels), tuple(strips), tuple(joints), tuple(extras), gauges, target, rival
    )  # fmt: skip


def _dicts(data: dict, key: str) -> list[dict]:
    rows = data.get(key)
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def _tools(head: TableReader, folder: Path) -> Tools | None:
    entry = head.read("tools", TEXT, STARTER)
    if entry is None:
        return None
    try:
        return starter_tools() if entry == STARTER else read_tools(folder / entry)
    except InputError as error:
        for fault in error.faults:
            head.add_fault("tools", f"{Path(entry).name}: {fault.what}", fault.cure)
    return None


def _panel(row: TableReader, folder: Path, files: dict[str, Panel | None]) -> PanelPart | None:
    """[[panel]]: the panel file, how many, which hand, and where it lies.  files: panels that were read already."""
    file = row.read("file", TEXT)
    copies = row.read("copies", COPIES, 1)
    mirrored = row.read("mirrored", FLAG, False)
    given = row.read("name", TEXT, None)
    place = _place(row, face=True)
    row.reject_unknown_keys("[[panel]]")
    if file is not None and file not in files:
        files[file] = _panel_of_file(row, file, folder)
    panel = files.get(file)
    if not row.ok or panel is None:
        return None
    _reject_placed_copies(row, copies, place)
    name = given or (mirrored_name(panel.name) if mirrored else panel.name)
    panel = mirrored_panel(panel, name) if mirrored else renamed(panel, name)
    return PanelPart(name, file, panel, copies, mirrored, place) if row.ok else None


def renamed(panel: Panel, name: str) -> Panel:
    """The same panel under another name."""
    if name == panel.name:
        return panel
    return panel_from_dict({**panel.source, "panel": {**panel.source["panel"], "name": name}}, Path())


def _panel_of_file(row: TableReader, file: str, folder: Path) -> Panel | None:
    try:
        return panel_from_dict(read_toml(folder / file), (folder / file).parent)
    except InputError as error:
        for fault in error.faults:
            place = "" if fault.where == str(folder / file) else f"{fault.where}: "
            row.add_fault("file", f"{file}: {place}{fault.what}", fault.cure)
    return None


def _reject_placed_copies(row: TableReader, copies: int, place: Place | None) -> None:
    if place and copies != 1:
        row.add_fault("place", f"is one place for {copies} copies", "give each copy a row and a name of its own")


def _place(row: TableReader, face: bool) -> Place | None:
    table = row.table("place")
    if table is None:
        return None
    origin = table.read("origin", PLACE_RULES["origin"], (0.0, 0.0, 0.0))
    x = table.read("x", PLACE_RULES["x"], (1.0, 0.0, 0.0))
    y = table.read("y", PLACE_RULES["y"], (0.0, 1.0, 0.0))
    side = table.read("face", PLACE_RULES["face"], "down") if face else "down"
    beyond = table.read("beyond", TEXT, None)
    direction = table.read("direction", PLACE_RULES["origin"], None)
    table.reject_unknown_keys("a place")
    if table.ok:
        table.add_findings([*axis_findings(x, y), *beyond_findings(beyond, direction)])
    return Place(origin, x, y, side, beyond, direction) if table.ok else None


def _material(row: TableReader) -> Material | None:
    name = row.read("material", TEXT)
    found = find_material(name) if name is not None else None
    if name is not None and found is None:
        row.add_fault("material", f'"{name}" is not in the built-in table', suggestion(name, materials()))
    return found


def _strip(row: TableReader) -> AngleStrip | None:
    """[[strip]]: an angle strip."""
    values: dict[str, Any] = {
        "name": row.read("name", TEXT),
        "material": _material(row),
        **{key: row.read(key, STRIP_RULES[key]) for key in ("thickness", "legs", "length")},
        "radius": row.read("radius", STRIP_RULES["radius"], 0.0),
        "copies": row.read("copies", COPIES, 1),
        "curve": row.read("curve", STRIP_RULES["curve"], "straight"),
        "heel_radius": row.read("heel_radius", STRIP_RULES["heel_radius"], None),
        "way": row.read("way", STRIP_RULES["way"], "bent"),
        "place": _place(row, face=False),
    }
    row.reject_unknown_keys("[[strip]]")
    if row.ok:
        keys = ("thickness", "legs", "radius", "curve", "heel_radius", "length")
        row.add_findings(strip_findings(*(values[key] for key in keys)))
        _reject_placed_copies(row, values["copies"], values["place"])
    return AngleStrip(**values) if row.ok else None


def _reject_double_names(root: TableReader, parts: list[PanelPart | AngleStrip]) -> None:
    """Add a fault for each panel or strip with the name of another one, upper case and blanks aside."""
    seen: dict[str, str] = {}
    for part in parts:
        key = "panel" if isinstance(part, PanelPart) else "strip"
        if (stem := file_stem(part.name)) in seen:
            cure = "give each row a name of its own, or one row copies = 2"
            root.add_fault(key, f"{show_value(part.name)} has the name of {show_value(seen[stem])}", cure)
        seen.setdefault(stem, part.name)


def _reject_unknown_neighbours(
    root: TableReader, parts: list[PanelPart | AngleStrip], known: dict[str, Place | None]
) -> None:
    """Add a fault for each place beyond a part that there is not."""
    for part in parts:
        if part.place and part.place.beyond is not None and part.place.beyond not in known:
            key = "panel" if isinstance(part, PanelPart) else "strip"
            what = f"{show_value(part.name)} is placed beyond {show_value(part.place.beyond)}: no such panel or strip"
            root.add_fault(key, what, suggestion(part.place.beyond, known))


def _extra(row: TableReader) -> Extra | None:
    """[[extra]]: something bought that counts in the mass."""
    what = row.read("what", TEXT)
    kg = row.read("kg", KG)
    copies = row.read("copies", COPIES, 1)
    row.reject_unknown_keys("[[extra]]")
    return Extra(what, kg, copies) if row.ok else None

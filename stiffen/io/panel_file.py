"""Reads panel and layout files into records, reporting every fault at once; makes the data of a layout file.

mm, N, MPa, kg, s, Hz.  Places in faults count from 1: `load[2].at` is the key `at` of the second
[[load]], `panel.outline[3]` the third point of the outline.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from stiffen.errors import InputError
from stiffen.model import sheet_rules
from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.layout import GAUGE_RANGE, Layout
from stiffen.model.material import Material, find_material, materials
from stiffen.model.panel import PANEL_RULES, Cutout, FlatnessReading, Fold, Panel
from stiffen.model.sheet_geometry import RING, Ring, SheetGeometry, round_corners
from stiffen.model.tools import Tools
from stiffen.model.value_rules import TEXT, Range, printable, show_value, suggestion
from stiffen.shop.bends import ROUND_RADIUS_RATIO, is_round_bend
from stiffen.shop.folding.curved_flange import ArcFlange, curved_blank
from stiffen.shop.folding.flange_blank import EdgeFlange, flanged_blank
from stiffen.shop.folding.notches import CutBlank, crossing_fault, cut_corners

from . import panel_tables
from .closed_loops import Loop
from .dxf_layers import NAME_CHOICES, normalised_name, role_of_name
from .files import FilePath, file_error, read_json, read_toml, write_json
from .schema import FaultList, TableReader
from .tools_file import STARTER, read_tools, starter_tools, tools_data, tools_from_dict, tools_from_table

if TYPE_CHECKING:
    from .dxf_reader import Drawing

__all__ = [
    "layout_document",
    "panel_from_dict",
    "read_layout",
    "read_panel",
    "read_tools",
    "starter_tools",
    "tools_from_dict",
    "write_json",
]

SEARCH_KEYS = ("goal", "beads_at_most", "dies_at_most", "holes_at_most", "hole_dies_at_most", "hole_edge",
               "grams_per_minute", "minutes_at_most", "margin")  # fmt: skip
SEARCH_DEFAULTS = {field.name: field.default for field in fields(Panel) if field.name in SEARCH_KEYS}
FORMAT_NAME, FORMAT_VERSION = "stiffen layout", 1
CORNER_RADIUS = Range(0.0, 5000.0, "mm")
PANEL_KEYS = ("name", "material", "gauges", "outline", "outline_dxf", "corner_radius", "bead_side", "tools", "waviness",
              "symmetry", "holes", *SEARCH_KEYS)  # fmt: skip


class LayoutContext(NamedTuple):
    """What beads and holes are checked against; a part with faults of its own is None."""

    sheet: SheetGeometry | None
    tools: Tools | None
    bead_side: str | None


def read_panel(path: FilePath) -> Panel:
    """The panel of a TOML file; files named in it are relative to its folder.  InputError with every fault found.

    >>> from importlib.resources import files
    >>> panel = read_panel(files("stiffen") / "data/starter_panel.toml")
    >>> panel.name, panel.gauges
    ('side cheek', (0.8, 1.0, 1.2, 1.5))
    """
    return panel_from_dict(read_toml(path), Path(path).parent)


def panel_from_dict(data: dict, folder: Path) -> Panel:
    """The panel of plain data in the form of a panel file; `folder` is where files named in it lie.

    `data` is not changed.  The panel's `source` is a copy of it that holds the outline and the tools themselves.
    InputError with every fault found.

    >>> panel_from_dict({"panel": {"name": "lid", "gauges": [1.0, "2 mm"]}}, Path())
    Traceback (most recent call last):
    stiffen.errors.InputError: panel.gauges[2]: is "2 mm", not a number (take the quotes and the unit off)
    panel.outline: is missing (give outline = [[x, y], ...] or outline_dxf = "part.dxf")
    panel.material: is missing (give a text in quotes)
    """
    faults = FaultList(data)
    panel, _ = _panel(TableReader(data, faults), Path(folder))
    faults.raise_if_any()
    assert panel is not None  # else a fault was raised
    return panel


def layout_document(panel: Panel, layout: Layout, result: dict | None) -> dict:
    """The data of a layout file: the panel with the files it names, gauge, beads and holes, and the result."""
    return {
        "format": FORMAT_NAME,
        "version": FORMAT_VERSION,
        "panel": panel.source,
        **layout.to_dict(),
        "result": result,
    }


def read_layout(path: FilePath) -> tuple[Panel, Layout]:
    """Panel and layout of a layout file, perhaps edited by hand.  InputError with every fault found."""
    data = read_json(path)
    if data.get("format") != FORMAT_NAME:
        raise file_error(path, "is not a stiffen layout", f'its key "format" would be "{FORMAT_NAME}"')
    if data.get("version") != FORMAT_VERSION:
        raise file_error(
            path,
            f"has version {show_value(data.get('version'))}, known is {FORMAT_VERSION}",
            "use the stiffen that wrote it",
        )
    faults = FaultList(data)
    root = TableReader(data, faults)
    for key in ("format", "version", "result"):
        root.has(key)
    body = root.table("panel")
    if "panel" not in data:
        root.add_fault("panel", "is missing", "a layout file holds its panel")
    panel, context = _panel(body, Path(path).parent) if body else (None, LayoutContext(None, None, None))
    gauge = root.read("gauge", GAUGE_RANGE)
    beads = _rows(root, "beads", partial(panel_tables.bead, **context._asdict()))
    holes = _rows(root, "holes", partial(panel_tables.hole, **context._asdict()))
    root.reject_unknown_keys("a layout file")
    faults.raise_if_any()
    assert panel is not None  # else a fault was raised
    return panel, Layout(gauge, beads, holes)


# --- the panel -------------------------------------------------------------------------------------------------


def _panel(root: TableReader, folder: Path) -> tuple[Panel | None, LayoutContext]:
    """The panel (None after any fault), and its parts without faults, for checks on beads and holes."""
    head = root.table("panel")
    if head is None:
        if "panel" not in root.data:
            root.add_fault(
                "panel", "is missing", "a panel file has [panel] with name, material, gauges, outline, tools"
            )
        head = TableReader({}, FaultList({}))  # no further faults: each would only repeat the missing [panel]
    for key in PANEL_KEYS:
        head.has(key)
    tools, tools_data = _tools(head, folder)
    outline, drawing = _outline(head, folder, _own_layers(root, head))
    gauges = _gauges(head)
    finished, outline, flange_folds, curved_flanges = _flanged(root, outline, gauges, tools)
    cutouts, sheet = _cutouts(root, head, outline, drawing)
    folds = (*_folds(root, head, drawing, sheet), *flange_folds)
    if folds and sheet and outline and gauges and tools and root.ok:
        outline, folds = _notched(root, outline, folds, max(gauges), tools)
        sheet = SheetGeometry(outline, sheet.cutouts)
    context = LayoutContext(sheet, tools, head.read("bead_side", PANEL_RULES["bead_side"], "up"))
    values = {
        "name": head.read("name", TEXT),
        "material": _material(root, head),
        "gauges": gauges,
        "waviness": head.read("waviness", PANEL_RULES["waviness"], 0.0),
        "symmetry": head.read("symmetry", PANEL_RULES["symmetry"], "auto"),
        "flared_holes": head.read("holes", PANEL_RULES["flared_holes"], "any"),
        **{key: head.read(key, PANEL_RULES[key], default) for key, default in SEARCH_DEFAULTS.items()},
        "supports": _rows_and_annotations(root, head, drawing, "support", partial(panel_tables.support, sheet=sheet)),
        "loads": _rows(root, "load", partial(panel_tables.load, sheet=sheet)),
        **_cases(root),
        "keep_outs": _rows_and_annotations(
            root, head, drawing, "keep_out", partial(panel_tables.keep_out, sheet=sheet)
        ),
        "folds": folds,
        "curved_flanges": curved_flanges,
        "finished": finished,
        "masses": _rows(root, "mass", partial(panel_tables.mass, sheet=sheet)),
        "trims": _rows(root, "trim", partial(panel_tables.edge_trim, sheet=sheet)),
        "out_of_flat": _out_of_flat(root, sheet),
        "beads": _rows(root, "bead", partial(panel_tables.bead, **context._asdict())),
        "holes": _rows(root, "hole", partial(panel_tables.hole, **context._asdict())),
    }
    head.reject_unknown_keys("[panel]")
    _reject_unknown_headings(root)
    if not root.ok or outline is None or tools is None or context.bead_side is None:
        return None, context
    source = _source(root.data, tools_data, drawing)
    panel = Panel(outline=outline, cutouts=cutouts, tools=tools, bead_side=context.bead_side, source=source, **values)
    return panel, context


def _out_of_flat(root: TableReader, sheet: SheetGeometry | None) -> tuple[FlatnessReading, ...]:
    """Flatness readings; a fault unless their places give a shape."""
    found = _rows(root, "out_of_flat", partial(panel_tables.flatness_reading, sheet=sheet))
    if not found or len(found) < len(root.data["out_of_flat"]):
        return ()
    for path, what, cure in sheet_rules.flatness_findings([one.at for one in found]):
        root.add_fault(("out_of_flat", *path), what, cure)
    return found


def _source(data: dict, tools: dict, drawing: Drawing | None) -> dict:
    """A copy of the panel's data that names no other file: the tools as a table, the drawing as points."""
    source = copy.deepcopy(data)
    source.pop("dxf_layers", None)
    head = source["panel"]
    head["tools"] = copy.deepcopy(tools)
    if drawing:
        del head["outline_dxf"]
        head["outline"] = [list(point) for point in drawing.outline.ring]
        source["cutout"] = source.get("cutout", []) + [_loop_as_table(loop) for loop in drawing.cutouts]
        for mark in drawing.annotations:
            source[mark.key] = [*source.get(mark.key, []), mark.row]
    return source


def _loop_as_table(loop: Loop) -> dict:
    if loop.circle:
        x, y, diameter = loop.circle
        return {"circle": {"centre": [x, y], "diameter": diameter}}
    return {"polygon": [list(point) for point in loop.ring]}


Build = Callable[[TableReader], Any]  # makes a record from a table, or adds faults and returns None


def _rows(root: TableReader, key: str, build: Build) -> tuple:
    """The records of one array of tables without the faulty ones."""
    return tuple(record for row in root.tables(key) if (record := build(row)) is not None)


def _rows_and_annotations(
    root: TableReader, head: TableReader, drawing: Drawing | None, key: str, build: Build
) -> tuple:
    """The records of one array of tables, then those of the drawing, without the faulty ones."""
    records = list(_rows(root, key, build))
    for mark in drawing.annotations if drawing else ():
        if mark.key != key:
            continue
        faults = FaultList(mark.row)
        record = build(TableReader(mark.row, faults))
        try:
            faults.raise_if_any()
            records.append(record)
        except InputError as error:
            for fault in error.faults:
                name = Path(head.data["outline_dxf"]).name
                what = f"{name}: layer {printable(mark.layer)}: {fault.where or key} {fault.what}"
                head.add_fault("outline_dxf", what, fault.cure)
    return tuple(records)


def _reject_unknown_headings(root: TableReader) -> None:
    """Add a fault for each unknown heading, and for each key of [panel] that is written above that heading."""
    for key in PANEL_KEYS:
        if key in root.data and key != "material":
            root.has(key)
            root.add_fault(key, "is outside [panel]", "move it below the heading [panel]")
    root.reject_unknown_keys("a panel file")


# --- its head --------------------------------------------------------------------------------------------------


def _material(root: TableReader, head: TableReader) -> Material | None:
    """The material: a name in the built-in table, or the table [material]."""
    if isinstance(root.data.get("material"), str) and root.has("material"):
        return root.add_fault("material", "is outside [panel]", "move it below the heading [panel]")
    inline = isinstance(head.data.get("material"), dict)
    own = (head if inline else root).table("material")
    if own:
        if not inline and "material" in head.data:
            head.add_fault("material", "is given together with a table [material]", "give one of the two")
        return panel_tables.own_material(own)
    if "material" in root.data:  # it is no table: `table` has added that fault
        return None
    name = head.read("material", TEXT)
    if name is not None and find_material(name) is None:
        cure = f"{suggestion(name, materials())}; or describe your own under [material]"
        return head.add_fault("material", f'"{name}" is not in the built-in table', cure)
    return find_material(name) if name is not None else None


def _gauges(head: TableReader) -> tuple[float, ...] | None:
    """Available sheet thicknesses, rising."""
    gauges = head.read("gauges", PANEL_RULES["gauges"])
    return gauges and tuple(sorted(gauges))


def _tools(head: TableReader, folder: Path) -> tuple[Tools | None, dict]:
    """Tools and their plain data: "starter" unless given, else a file or a table in [panel]."""
    inline = head.table("tools") if isinstance(head.data.get("tools"), dict) else None
    if inline:
        return tools_from_table(inline, "tools"), inline.data
    entry = head.read("tools", TEXT, STARTER)
    if entry is None:
        return None, {}
    name = Path(entry).name
    try:
        data = tools_data(entry, folder)
    except InputError as error:
        for fault in error.faults:
            head.add_fault("tools", f"{name}: {fault.what}", fault.cure)
        return None, {}
    try:
        return tools_from_dict(data, entry), data
    except InputError as error:
        for fault in error.faults:
            head.add_fault("tools", f"{name}: {fault.where}: {fault.what}", fault.cure)
    return None, {}


def _own_layers(root: TableReader, head: TableReader) -> dict[str, str]:
    """[dxf_layers]: for each of the user's layer names, ours."""
    own = root.table("dxf_layers")
    if own and "outline_dxf" not in head.data:
        root.add_fault("dxf_layers", "has no meaning without outline_dxf", "it names the layers of that drawing")
    names = {key: own.read(key, TEXT) for key in own.data} if own else {}
    for key, name in names.items():
        if own and name is not None and role_of_name(name) is None:
            own.add_fault(key, f"is {show_value(name)}", f"name it {NAME_CHOICES}")
    return {normalised_name(key): name for key, name in names.items() if name}


def _outline(head: TableReader, folder: Path, own_layers: dict[str, str]) -> tuple[Ring | None, Drawing | None]:
    """The outline with its corners rounded, from points or from a drawing, and the drawing."""
    given = [key for key in ("outline", "outline_dxf") if head.has(key)]
    radius = head.read("corner_radius", CORNER_RADIUS, 0.0)
    if len(given) != 1:
        what = "is given together with outline_dxf" if given else "is missing"
        head.add_fault("outline", what, 'give outline = [[x, y], ...] or outline_dxf = "part.dxf"')
        return None, None
    if given == ["outline_dxf"]:
        drawing = _drawing(head, folder, own_layers)
        if "corner_radius" in head.data:
            head.add_fault("corner_radius", "has no meaning beside outline_dxf", "round the corners in the drawing")
        return drawing.outline.ring if drawing else None, drawing
    ring = head.read("outline", RING)
    if ring is None or not _is_plausible_size(head, "outline", ring, "the file is read as mm"):
        return None, None
    try:
        return (round_corners(ring, radius) if radius else ring), None
    except InputError as error:
        for fault in error.faults:
            head.add_fault("corner_radius", fault.what, fault.cure)
        return ring, None


def _drawing(head: TableReader, folder: Path, own_layers: dict[str, str]) -> Drawing | None:
    """The drawing that outline_dxf names; None, after adding faults, if it cannot be used."""
    from .dxf_reader import read_drawing  # its library loads slowly

    name = head.read("outline_dxf", TEXT)
    if name is None:
        return None
    try:
        drawing = read_drawing(folder / name, own_layers)
    except InputError as error:
        for fault in error.faults:
            head.add_fault("outline_dxf", f"{Path(name).name}: {fault.what}", fault.cure)
        return None
    unit = f"the drawing's unit is {drawing.unit}"
    return drawing if _is_plausible_size(head, "outline_dxf", drawing.outline.ring, unit) else None


def _is_plausible_size(head: TableReader, key: str, ring: Ring, unit: str) -> bool:
    """False, with a fault, for a sheet so small or large that the unit must be wrong."""
    found = sheet_rules.size_findings(ring, unit)
    for _, what, cure in found:
        head.add_fault(key, what, cure)
    return not found


# --- rules between tables ---------------------------------------------------------------------------------------


def _cutouts(
    root: TableReader, head: TableReader, outline: Ring | None, drawing: Drawing | None
) -> tuple[tuple[Cutout, ...], SheetGeometry | None]:
    """All cut-outs, those of the file before those of the drawing, and the sheet without them."""
    own = [(row, record) for row in root.tables("cutout") if (record := panel_tables.cutout(row)) is not None]
    drawn = [Cutout(loop.ring, loop.circle) for loop in (drawing.cutouts if drawing else ())]
    cutouts = (*(record for _, record in own), *drawn)
    if outline is None:
        return cutouts, None
    sheet = SheetGeometry(outline, tuple(cutout.ring for cutout in cutouts))
    for place, what in sheet.cutout_conflicts():
        if place < len(own):
            own[place][0].add_fault("", what, "move or shrink it; cut-outs lie inside the outline and apart")
        else:
            x, y = sheet.cutout_centroid(place)
            where = f"has a cut-out around ({x:.1f}, {y:.1f}) that {what}"
            head.add_fault("outline_dxf", where, "cut-outs lie inside the outline and apart")
    return cutouts, sheet


def _folds(
    root: TableReader, head: TableReader, drawing: Drawing | None, sheet: SheetGeometry | None
) -> tuple[Fold, ...]:
    """The folds; a fault if two cross where no notch can part them."""
    folds: list[Fold] = []

    def build(row: TableReader) -> Fold | None:
        fold = panel_tables.fold(row, sheet)
        if fold is None:
            return None
        if sheet and (what := crossing_fault(sheet.outline, fold.line, [other.line for other in folds])):
            row.add_fault("line", what, "let folds meet near a corner of the sheet, which is then cut out")
        folds.append(fold)
        return fold

    return _rows_and_annotations(root, head, drawing, "fold", build)


def _notched(
    root: TableReader, outline: Ring, folds: tuple[Fold, ...], t: float, tools: Tools
) -> tuple[Ring, tuple[Fold, ...]]:
    """The blank with its corners cut out where folds cross, and the folds cut off there."""
    try:
        blank = cut_corners(outline, folds, t, tools.folding_brake.neutral)
    except InputError as error:
        for fault in error.faults:
            place = int(fault.where.split()[1]) - 1
            in_file = place < len(root.data.get("fold", []))  # the others are those of the drawing
            path = ("fold", place, "line") if in_file else ("panel", "outline_dxf")
            root.add_fault(path, fault.what if in_file else f"{fault.where}: {fault.what}", fault.cure)
        return outline, folds
    return blank.outline, blank.folds


def _flanged(
    root: TableReader, outline: Ring | None, gauges: tuple[float, ...] | None, tools: Tools | None
) -> tuple[Ring | None, Ring | None, tuple[Fold, ...], tuple[CurvedFlange, ...]]:
    """The finished outline (None without flanges), the blank, the folds of straight flanges, the curved flanges.

    The blank is that of the thickest gauge: its bends take most.
    """
    rows = root.tables("flange")
    sides: dict[int, int] = {}
    walls: dict[int, EdgeFlange] = {}  # by the number of the flange
    arcs: dict[int, ArcFlange] = {}
    for number, row in enumerate(rows, 1):
        flange = panel_tables.edge_flange(row, outline)
        if flange is None:
            continue
        side = flange.side if isinstance(flange, EdgeFlange) else flange.first
        if sides.setdefault(side, number) != number:
            row.add_fault("edge", f"is the side of flange[{sides[side]}] too", "one flange on a side")
        if isinstance(flange, EdgeFlange):
            walls[number] = flange
        else:
            arcs[number] = flange
            if gauges and is_round_bend(flange.bend_radius, min(gauges)):
                most = f"{ROUND_RADIUS_RATIO * min(gauges):g} mm, {ROUND_RADIUS_RATIO:g} thicknesses"
                row.add_fault("radius", f"is {flange.bend_radius:g} mm on a curved edge", f"at most {most}")
    found = len(walls) + len(arcs)
    if not found or found < len(rows) or not root.ok or outline is None or not gauges or tools is None:
        return None, outline, (), ()
    numbers = list(walls)
    try:
        t, neutral = max(gauges), tools.folding_brake.neutral
        blank = flanged_blank(outline, [*walls.values()], t, neutral) if walls else CutBlank(outline, (), ())
        numbers = list(range(1, len(rows) + 1))
        ring: Ring = blank.outline
        curved: tuple[CurvedFlange, ...] = ()
        if arcs:
            ring, curved = curved_blank(outline, blank, [*walls.values()], [*arcs.items()], t, neutral)
    except InputError as error:
        for fault in error.faults:
            place = numbers[int(fault.where.split()[1]) - 1] - 1 if " " in fault.where else 0
            rows[place].add_fault("leg", fault.what.removeprefix("leg "), fault.cure)
        return None, outline, (), ()
    return outline, ring, blank.folds, curved


def _cases(root: TableReader) -> dict:
    """Combinations and demands; they may name the case of a faulty load."""
    cases = _case_names(root, "load")
    combined = _case_names(root, "combination")
    combinations = _rows(root, "combination", partial(panel_tables.combination, cases=cases))
    for _, what, cure in sheet_rules.repeated_findings(combined):
        root.add_fault("combination", what, cure)
    demands = _rows(root, "demand", partial(panel_tables.demand, cases=[*cases, *combined]))
    return {"combinations": combinations, "demands": demands}


def _case_names(root: TableReader, key: str) -> list[str]:
    """The case names in the tables of one kind, faulty tables included."""
    rows = root.data.get(key)
    rows = rows if isinstance(rows, list) else []
    names = (row.get("case") for row in rows if isinstance(row, dict))
    return [name.strip() for name in names if isinstance(name, str)]

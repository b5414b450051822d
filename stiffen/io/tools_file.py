"""The shop's tools from a TOML file, or from the table of the same form inside a panel or layout.

    name = "home shop"            # optional; the file's name otherwise
    [roller]                      # throat, rated_steel; optional: the other fields of `tools.Roller`
    [[bead_die]]                  # name, profile, width, depth; optional: nose_radius, shoulder_radius, flank, run_out
    [[hole_die]]                  # name, pilot, finished, flange, rise
    [[trial]]                     # die, material, thickness, turns = [...], depth = [...]
    [folder]                      # optional: neutral, least_flat
    [[cutter]]                    # kind, sizes = [...]; those commonly sold if there is none
    [spacing]                     # shop rules by name, mm

Lengths in mm, angles in degrees.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from importlib import resources
from pathlib import Path

from stiffen.errors import InputError
from stiffen.model.tools import PROFILES, BeadDie, Cutter, FoldingBrake, HoleDie, Roller, Tools, Trial
from stiffen.shop.bead_section import half_profile
from stiffen.shop.spacing_rules import SPACING_RULES

from .files import FilePath, file_error, read_toml
from .schema import FaultList, Range, TableReader, suggestion

STARTER = "starter"
DIAMETER_RANGE = Range(1.0, 500.0, "mm")
RADIUS_RANGE = Range(0.0, 100.0, "mm")
ROLLER_RANGES = {
    "throat": Range(20.0, 5000.0, "mm"),
    "rated_steel": Range(0.2, 6.0, "mm"),
    "screw_lead": Range(0.1, 10.0, "mm"),
    "least_path_radius": Range(0.0, 5000.0, "mm"),
    "hand_speed": Range(10.0, 50_000.0, "mm a minute"),
    "set_up_minutes": Range(0.0, 120.0, "minutes"),
    "die_change_minutes": Range(0.0, 120.0, "minutes"),
}


def read_tools(path: FilePath) -> Tools:
    """The tools of a file.  InputError with every fault found."""
    return tools_from_dict(read_toml(path), Path(path).stem)


def starter_tools() -> Tools:
    """The tool list that ships with the package."""
    return tools_from_dict(starter_data(), STARTER)


def starter_data() -> dict:
    """The shipped tool list as plain data."""
    text = resources.files("stiffen").joinpath("data/starter_tools.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def tools_from_dict(data: dict, name: str) -> Tools:
    """Tools from plain data; `name` where the data give none.  InputError with every fault found."""
    faults = FaultList(data)
    tools = tools_from_table(TableReader(data, faults), name)
    faults.raise_if_any()
    return tools


def tools_data(entry: str, folder: Path) -> dict:
    """The plain data behind `tools = "..."` of a panel: "starter", or a tools file beside the panel file.

    InputError if it cannot be read; what stands in it is checked by `tools_from_table`.
    """
    if entry == STARTER:
        return {"name": STARTER, **starter_data()}
    path = folder / entry
    if not path.suffix and not path.exists():
        raise file_error(path, f'is neither "{STARTER}" nor a file', f'tools = "{STARTER}", or the name of a TOML file')
    return {"name": path.stem, **read_toml(path)}


def tools_from_table(table: TableReader, name: str) -> Tools:
    """Tools from an open table; faults are left with it."""
    name = table.text("name", name) or name
    bead_rows, hole_rows = table.tables("bead_die"), table.tables("hole_die")
    roller = _roller(table, needed=bool(bead_rows))
    bead_dies = [_bead_die(row) for row in bead_rows]
    hole_dies = [_hole_die(row) for row in hole_rows]
    _check_unique_names(bead_rows)
    _check_unique_names(hole_rows)
    named = [row.data["name"] for row in bead_rows if isinstance(row.data.get("name"), str)]
    trials = [_trial(row, named) for row in table.tables("trial")]
    spacing = _spacing(table.table("spacing"))
    folder = _folding_brake(table.table("folder"))
    cutters = [_cutter(row) for row in table.tables("cutter")]
    if not bead_rows and not hole_rows and table.ok:
        table.fault("bead_die", "is missing", "give at least one [[bead_die]] or [[hole_die]]")
    table.reject_unknown_keys("a tools file")
    return Tools(
        name,
        roller,
        _without_none(bead_dies),
        _without_none(hole_dies),
        _without_none(trials),
        spacing,
        _without_none(cutters),
        folder,
    )


def _without_none(rows: Iterable) -> tuple:
    return tuple(row for row in rows if row is not None)


def _check_unique_names(rows: list[TableReader]) -> None:
    """Tell of names given twice."""
    seen: dict[object, int] = {}
    for place, row in enumerate(rows):
        name = row.data.get("name")
        if isinstance(name, str) and seen.setdefault(name, place) != place:
            row.fault("name", f'"{name}" is the name of number {seen[name] + 1} too', "give each die its own name")


def _roller(table: TableReader, needed: bool) -> Roller:
    row = table.table("roller")
    if row is None:
        if needed and "roller" not in table.data:
            table.fault("roller", "is missing", "bead dies need a [roller] with throat and rated_steel")
        return Roller()
    for key in ("throat", "rated_steel"):
        if key not in row.data:
            row.fault(key, "is missing", f"give a number in mm, {ROLLER_RANGES[key]}")
    values = {key: row.number(key, within, None) for key, within in ROLLER_RANGES.items()}
    row.reject_unknown_keys("a roller")
    return Roller(**{key: value for key, value in values.items() if value is not None})


def _bead_die(row: TableReader) -> BeadDie | None:
    name = row.text("name")
    profile = row.choice("profile", PROFILES)
    width = row.number("width", Range(2.0, 200.0, "mm"))
    depth = row.number("depth", Range(0.2, 50.0, "mm"))
    nose = row.number("nose_radius", RADIUS_RANGE, 0.0)
    shoulder = row.number("shoulder_radius", RADIUS_RANGE, 0.0)
    flank = row.number("flank", Range(10.0, 90.0, "degrees"), 45.0)
    run_out = row.number("run_out", Range(0.0, 500.0, "mm"), 0.0)
    row.reject_unknown_keys("a bead die")
    if not row.ok:
        return None
    die = BeadDie(name, profile, width, depth, nose, shoulder, flank, run_out)
    _check_profile(row, die)
    return die if row.ok else None


def _check_profile(row: TableReader, die: BeadDie) -> None:
    """Tell of a profile that cannot be: `bead_section.half_profile` knows."""
    try:
        nose = half_profile(die).nose_radius
    except InputError as error:
        for fault in error.faults:
            row.fault("", fault.what, fault.cure)
        return
    if die.profile == "round" and die.nose_radius and abs(die.nose_radius - nose) > 0.05:
        what = f"is {die.nose_radius:g}, but width, depth and shoulder of a round bead make it {nose:.2f}"
        row.fault("nose_radius", what, "leave it out")


def _hole_die(row: TableReader) -> HoleDie | None:
    name = row.text("name")
    pilot, finished, flange = (row.number(key, DIAMETER_RANGE) for key in ("pilot", "finished", "flange"))
    rise = row.number("rise", Range(0.2, 50.0, "mm"))
    row.reject_unknown_keys("a hole die")
    if not row.ok:
        return None
    if not pilot < finished < flange:
        what = f"is {finished:g}; it must lie between pilot {pilot:g} and flange {flange:g}"
        return row.fault("finished", what, "pilot < finished < flange, all diameters")
    die = HoleDie(name, pilot, finished, flange, rise)
    if not 10 <= die.angle <= 85:
        what = f"is {rise:g}, which makes a cone of {die.angle:.0f} degrees to the sheet"
        return row.fault("rise", what, "a flared hole has 10 to 85 degrees, mostly 45")
    return die


def _trial(row: TableReader, dies: list[str]) -> Trial | None:
    die = row.text("die")
    if die is not None and die not in dies:
        row.fault("die", f'"{die}" is no bead die of this list', suggestion(die, dies))
    material = row.text("material")
    thickness = row.number("thickness", Range(0.1, 6.0, "mm"))
    turns = row.numbers("turns", Range(0.0, 100.0, "turns"))
    depth = row.numbers("depth", Range(0.0, 50.0, "mm"))
    row.reject_unknown_keys("a trial")
    if not row.ok:
        return None
    if len(turns) != len(depth):
        return row.fault("depth", f"has {len(depth)} values for {len(turns)} turns", "one depth for each turn")
    for key, values in (("turns", turns), ("depth", depth)):
        if any(b <= a for a, b in zip(values, values[1:], strict=False)):
            return row.fault(key, "does not rise from value to value", "enter the pairs in rising order")
    return Trial(die, material, thickness, turns, depth)


def _folding_brake(row: TableReader | None) -> FoldingBrake:
    if row is None:
        return FoldingBrake()
    neutral = row.number("neutral", Range(0.2, 0.5), FoldingBrake.neutral)
    least_flat = row.number("least_flat", Range(0.0, 200.0, "mm"), 0.0)
    row.reject_unknown_keys("a folder")
    return FoldingBrake(neutral, least_flat) if row.ok else FoldingBrake()


def _cutter(row: TableReader) -> Cutter | None:
    kind = row.text("kind")
    sizes = row.numbers("sizes", DIAMETER_RANGE)
    row.reject_unknown_keys("a cutter")
    return Cutter(kind, sizes) if row.ok else None


def _spacing(row: TableReader | None) -> dict[str, float]:
    if row is None:
        return {}
    values = {key: row.number(key, Range(0.0, 500.0, "mm"), None) for key in SPACING_RULES}
    row.reject_unknown_keys("the spacing rules")
    return {key: value for key, value in values.items() if value is not None}

"""Reads the shop's tools from a TOML file, or from a table of the same form inside a panel or layout.

    name = "home shop"            # optional; the file's name otherwise
    [roller]                      # throat, rated_steel; optional: the other fields of `tools.Roller`
    [[bead_die]]                  # name, profile, width, depth; optional: nose_radius, shoulder_radius, flank, run_out
    [[hole_die]]                  # name, pilot, finished, flange, rise; optional: draw_bolt
    [[trial]]                     # die, material, thickness, turns = [...], depth = [...]; optional: passes
    [folder]                      # optional: neutral, least_flat
    [[cutter]]                    # kind, sizes = [...]; those commonly sold if there is none
    [spacing]                     # shop rules by name, mm
    [minutes]                     # bench minutes by name

Lengths in mm, angles in degrees.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path

from stiffen.errors import InputError
from stiffen.model.tools import (
    BEAD_DIE_RULES,
    CUTTER_RULES,
    FOLDING_BRAKE_RULES,
    HOLE_DIE_RULES,
    MINUTES_RANGE,
    ROLLER_RULES,
    SPACING_RANGE,
    TRIAL_RULES,
    BeadDie,
    Cutter,
    FoldingBrake,
    HoleDie,
    Roller,
    Tools,
    Trial,
    hole_die_findings,
    repeated_name_findings,
    trial_die_findings,
    trial_findings,
)
from stiffen.model.value_rules import TEXT, Rule
from stiffen.shop.bead_section import half_profile
from stiffen.shop.process_plan import BENCH_MINUTES
from stiffen.shop.spacing_rules import SPACING_RULES

from .files import FilePath, file_error, read_toml
from .schema import REQUIRED, FaultList, TableReader, Value

STARTER = "starter"


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
    """The plain data that `tools = "..."` of a panel names: "starter", or a tools file beside the panel file.

    InputError if the file cannot be read; `tools_from_table` checks its content.
    """
    if entry == STARTER:
        return {"name": STARTER, **starter_data()}
    path = folder / entry
    if not path.suffix and not path.exists():
        raise file_error(path, f'is neither "{STARTER}" nor a file', f'tools = "{STARTER}", or the name of a TOML file')
    return {"name": path.stem, **read_toml(path)}


def tools_from_table(table: TableReader, name: str) -> Tools:
    """Tools from a table; faults are added to the list of the table."""
    name = table.read("name", TEXT, name) or name
    bead_rows, hole_rows = table.tables("bead_die"), table.tables("hole_die")
    roller = _roller(table, needed=bool(bead_rows))
    bead_dies = [_bead_die(row) for row in bead_rows]
    hole_dies = [_hole_die(row) for row in hole_rows]
    _check_unique_names(bead_rows)
    _check_unique_names(hole_rows)
    named = [row.data["name"] for row in bead_rows if isinstance(row.data.get("name"), str)]
    trials = [_trial(row, named) for row in table.tables("trial")]
    spacing = _own_values(table.table("spacing"), SPACING_RULES, SPACING_RANGE, "the spacing rules")
    minutes = _own_values(table.table("minutes"), BENCH_MINUTES, MINUTES_RANGE, "the bench minutes")
    brake = _folding_brake(table.table("folder"))
    cutters = [_cutter(row) for row in table.tables("cutter")]
    if not bead_rows and not hole_rows and table.ok:
        table.add_fault("bead_die", "is missing", "give at least one [[bead_die]] or [[hole_die]]")
    table.reject_unknown_keys("a tools file")
    if not table.ok:  # still lists the valid dies, so that the panel's beads can be checked
        return Tools(name, roller, _valid_dies(bead_dies), _valid_dies(hole_dies))
    return Tools(
        name,
        roller,
        _without_none(bead_dies),
        _without_none(hole_dies),
        _without_none(trials),
        spacing,
        _without_none(cutters),
        brake,
        minutes,
    )


def _without_none(records: Iterable) -> tuple:
    return tuple(record for record in records if record is not None)


def _valid_dies(dies: Iterable) -> tuple:
    """The valid dies, each name once."""
    return tuple({die.name: die for die in _without_none(dies)}.values())


def _check_unique_names(rows: list[TableReader]) -> None:
    """Add a fault for each name that an earlier row has too."""
    for (place, *below), what, cure in repeated_name_findings([row.data.get("name") for row in rows]):
        rows[int(place)].add_fault(tuple(below), what, cure)


def _values(row: TableReader, rules: Mapping[str, Rule], record: type) -> dict[str, Value]:
    """The value of each key of a row by the rules of its record; defaults are those of the record."""
    return {key: row.read(key, rule, getattr(record, key, REQUIRED)) for key, rule in rules.items()}


def _roller(table: TableReader, needed: bool) -> Roller:
    row = table.table("roller")
    if row is None:
        if needed and "roller" not in table.data:
            table.add_fault("roller", "is missing", "bead dies need a [roller] with throat and rated_steel")
        return Roller()
    for key in ("throat", "rated_steel"):
        if key not in row.data:
            row.add_fault(key, "is missing", f"give a number in mm, {ROLLER_RULES[key]}")
    values = _values(row, ROLLER_RULES, Roller)
    row.reject_unknown_keys("a roller")
    return Roller(**{key: value for key, value in values.items() if value is not None})


def _bead_die(row: TableReader) -> BeadDie | None:
    values = _values(row, BEAD_DIE_RULES, BeadDie)
    row.reject_unknown_keys("a bead die")
    if not row.ok:
        return None
    die = BeadDie(**values)
    _check_profile(row, die)
    return die if row.ok else None


def _check_profile(row: TableReader, die: BeadDie) -> None:
    """Add a fault for a profile that has no geometry (`bead_section.half_profile`)."""
    try:
        nose = half_profile(die).nose_radius
    except InputError as error:
        for fault in error.faults:
            row.add_fault("", fault.what, fault.cure)
        return
    if die.profile == "round" and die.nose_radius and abs(die.nose_radius - nose) > 0.05:
        what = f"is {die.nose_radius:g}, but width, depth and shoulder of a round bead make it {nose:.2f}"
        row.add_fault("nose_radius", what, "leave it out")


def _hole_die(row: TableReader) -> HoleDie | None:
    values = _values(row, HOLE_DIE_RULES, HoleDie)
    row.reject_unknown_keys("a hole die")
    if row.ok:
        row.add_findings(hole_die_findings(**{key: values[key] for key in HOLE_DIE_RULES if key != "name"}))
    return HoleDie(**values) if row.ok else None


def _trial(row: TableReader, dies: list[str]) -> Trial | None:
    values = _values(row, TRIAL_RULES, Trial)
    row.add_findings(trial_die_findings(values["die"], dies))
    row.reject_unknown_keys("a trial")
    if row.ok:
        row.add_findings(trial_findings(values["turns"], values["depth"]))
    return Trial(**values) if row.ok else None


def _folding_brake(row: TableReader | None) -> FoldingBrake:
    if row is None:
        return FoldingBrake()
    values = _values(row, FOLDING_BRAKE_RULES, FoldingBrake)
    row.reject_unknown_keys("a folder")
    return FoldingBrake(**values) if row.ok else FoldingBrake()


def _cutter(row: TableReader) -> Cutter | None:
    values = _values(row, CUTTER_RULES, Cutter)
    row.reject_unknown_keys("a cutter")
    return Cutter(**values) if row.ok else None


def _own_values(row: TableReader | None, names: Iterable[str], rule: Rule, noun: str) -> dict[str, float]:
    """The shop's own values by name; {} for a table that is not there."""
    if row is None:
        return {}
    values = {key: row.read(key, rule, None) for key in names}
    row.reject_unknown_keys(noun)
    return {key: value for key, value in values.items() if value is not None}

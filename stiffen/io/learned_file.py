"""Writes what was learned from a finished panel into a tools or panel file; comments and order of the file are kept.

The changed text is checked as a file of its kind before it is written, whole or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT

from stiffen.errors import Fault, InputError
from stiffen.model.tools import BeadDie, Trial
from stiffen.model.value_rules import suggestion

from .files import MAX_TOML_BYTES, FilePath, atomic_write, file_error, read_text, read_toml
from .panel_file import panel_from_dict
from .tools_file import tools_from_dict

SAME_GAUGE = 1e-6  # mm


def learn_depths(path: FilePath, dies: Sequence[BeadDie]) -> tuple[str, ...]:
    """Give bead dies of a tools file the depth of these; returns what was changed, in words.

    A flat-topped die gets the flank, and every die the run-out, that goes with its depth.
    """

    def edit(document: Any) -> list[str]:
        rows = {str(row.get("name")): row for row in document.get("bead_die", ())}
        told = []
        for die in dies:
            if die.name not in rows:
                cure = suggestion(die.name, rows) or "name the tools file of the panel"
                raise InputError([Fault("bead_die", f'has no die "{die.name}"', cure)])
            row = rows[die.name]
            told.append(f"{die.name}: depth {float(row['depth']):g} -> {die.depth:.2f} mm")
            row["depth"] = round(die.depth, 2)
            row["run_out"] = round(die.run_out_length, 2)
            if die.profile == "flat":
                row["flank"] = round(die.flank, 1)
            if float(row.get("nose_radius", 0.0)) and die.profile != "round":
                row["nose_radius"] = round(die.nose_radius, 2)
        return told

    return _edited(path, edit, _check_tools)


def learn_trials(path: FilePath, trials: Sequence[Trial]) -> tuple[str, ...]:
    """Add trial strips to a tools file; returns what was added, in words."""

    def edit(document: Any) -> list[str]:
        if "trial" not in document:
            document["trial"] = AoT([])
        for trial in trials:
            table = tomlkit.table()
            table["die"], table["material"] = trial.die, trial.material
            table["thickness"] = trial.thickness
            table["turns"], table["depth"] = list(trial.turns), [round(one, 2) for one in trial.depth]
            document["trial"].append(table)
        return [
            f"{one.die} in {one.thickness:g} mm: {one.turns[-1]:g} turns gave {one.depth[-1]:.2f} mm" for one in trials
        ]

    return _edited(path, edit, _check_tools)


def learn_gauge(path: FilePath, nominal: float, measured: float) -> tuple[str, ...]:
    """Put a measured thickness in place of the nominal gauge of a panel file; returns what was changed, in words."""

    def edit(document: Any) -> list[str]:
        gauges = document.get("panel", {}).get("gauges", [])
        places = [k for k, gauge in enumerate(gauges) if abs(float(gauge) - nominal) < SAME_GAUGE]
        if not places:
            what = f"does not list {nominal:g} mm"
            raise InputError([Fault("panel.gauges", what, "name the panel file that this panel was made from")])
        gauges[places[0]] = round(measured, 2)
        return [f"gauges: {nominal:g} -> {measured:.2f} mm"]

    return _edited(path, edit, _check_panel)


def learn_in_plane(path: FilePath, in_plane: str) -> tuple[str, ...]:
    """Give every support of a panel file this in-plane restraint; returns what was changed, in words."""

    def edit(document: Any) -> list[str]:
        told = []
        for place, row in enumerate(document.get("support", ()), 1):
            before = str(row.get("in_plane", "unknown"))
            row.pop("slip", None)
            if before != in_plane:
                row["in_plane"] = in_plane
                told.append(f"support[{place}].in_plane: {before} -> {in_plane}")
        if not told:
            raise InputError([Fault("support", f"has in_plane = {in_plane} already", "nothing to learn")])
        return told

    return _edited(path, edit, _check_panel)


def _edited(path: FilePath, edit: Callable[[Any], list[str]], check: Callable[[dict, Path], None]) -> tuple[str, ...]:
    """Edit a TOML file.  InputError if it cannot be read, edited or written, or if the result would be faulty."""
    read_toml(path)  # its faults are told better than tomlkit's
    document: Any = tomlkit.parse(read_text(path, MAX_TOML_BYTES))
    told = edit(document)
    text = tomlkit.dumps(document)
    try:
        check(tomlkit.parse(text).unwrap(), Path(path))
    except InputError as error:
        first = error.faults[0]
        what = f"would no longer be valid: {first.where} {first.what}"
        raise file_error(path, what, "it was not changed; change it by hand") from None
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")
    return tuple(told)


def _check_tools(data: dict, path: Path) -> None:
    tools_from_dict(data, path.stem)


def _check_panel(data: dict, path: Path) -> None:
    panel_from_dict(data, path.parent)

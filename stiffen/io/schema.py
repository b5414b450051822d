"""Reads one table of a file key by key, collects the faults in a list, and raises them all at the end.

Places of faults count from 1: `load[2].at` is the key `at` of the second [[load]], and
`panel.outline[3]` the third point of the outline.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from stiffen.errors import Fault, InputError
from stiffen.model.value_rules import (
    Finding,
    KeyPath,
    KindKeys,
    Optional,
    Rule,
    dotted_path,
    kind_findings,
    show_value,
    suggestion,
)

Value = Any  # a checked value, or None after a fault; while a table is `ok`, no required key gave None
REQUIRED = object()
MAX_FAULTS = 200  # of a file that are listed; the others are only counted
MAX_ROWS = 1000  # tables of one kind


class FaultList:
    """All faults found in `data`."""

    def __init__(self, data: dict) -> None:
        self._data = data
        self._found: list[tuple[KeyPath, Fault]] = []
        self._bad: set[KeyPath] = set()  # every path with a fault at or below it
        self._order: dict[int, dict[str, int]] = {}  # places of the keys of a table, by the table's id

    def add(self, path: KeyPath, what: str, cure: str = "") -> None:
        """Add one fault at `path` (keys, and list places counted from 0)."""
        self._found.append((path, Fault(dotted_path(path), what, cure)))
        self._bad.update(path[:length] for length in range(len(path) + 1))

    def __len__(self) -> int:
        return len(self._found)

    def has_fault_at(self, path: KeyPath) -> bool:
        """True if anything at or below `path` is wrong."""
        return path in self._bad

    def raise_if_any(self) -> None:
        """Raise one InputError with all faults in file order, if any; beyond MAX_FAULTS they are only counted."""
        if self._found:
            faults = [fault for _, fault in sorted(self._found, key=lambda item: self._rank(item[0]))]
            more = len(faults) - MAX_FAULTS
            raise InputError(faults[:MAX_FAULTS] + [Fault("", f"{more} more faults", "mend these first")] * (more > 0))

    def _rank(self, path: KeyPath) -> list[int]:
        """Sort key of a path: the position of each key among its neighbours; a missing key comes after them."""
        rank: list[int] = []
        here: Any = self._data
        for key in path:
            if isinstance(here, list) and isinstance(key, int):
                rank.append(key)
                here = here[key]
            elif isinstance(here, dict):
                order = self._order.setdefault(id(here), {name: i for i, name in enumerate(here)})
                rank.append(order.get(str(key), len(order)))
                here = here.get(key)
        return rank


class TableReader:
    """A table that is being read.  Each method returns a checked value, or None after adding a fault."""

    def __init__(self, data: dict, faults: FaultList, path: KeyPath = ()) -> None:
        self.data, self.faults, self.path = data, faults, path
        self._asked: dict[str, None] = {}

    @property
    def ok(self) -> bool:
        """True while no fault was found in this table."""
        return not self.faults.has_fault_at(self.path)

    def has(self, key: str) -> bool:
        """True if the table has the key.  The key counts as known from now on; see `reject_unknown_keys`."""
        self._asked[key] = None
        return key in self.data

    def add_fault(self, key: str | KeyPath, what: str, cure: str = "") -> None:
        """Add a fault at a key of this table, or at a path below it ("" for the table itself)."""
        below = key if isinstance(key, tuple) else (key,) if key else ()
        self.faults.add(self.path + below, what, cure)

    def reject_unknown_keys(self, noun: str) -> None:
        """Add a fault for every key of the table that no reader asked for."""
        unknown = [key for key in self.data if key not in self._asked]
        for key in unknown[:MAX_FAULTS]:
            self.add_fault(key, f"is not a key of {noun}", suggestion(key, self._asked))
        if len(unknown) > MAX_FAULTS:
            self.add_fault("", f"has {len(unknown) - MAX_FAULTS} more unknown keys")

    def add_findings(self, findings: Iterable[Finding]) -> None:
        """Add the faults that a rule found, at their places below this table."""
        for path, what, cure in findings:
            self.add_fault(path, what, cure)

    def check_keys_of_kind(self, noun: str, keys: KindKeys) -> None:
        """Add a fault for each missing key that this kind needs, and for each known key without meaning for it."""
        self.add_findings(
            kind_findings(noun, keys, [key for key in self.data if key in self._asked or key in keys.needed])
        )

    def read(self, key: str, rule: Rule, default: object = REQUIRED) -> Value:
        """The value of a key in its stored form; the default where the key is missing.

        None, after adding faults, where the rule does not allow the value, or where a required key is missing.
        """
        if isinstance(rule, Optional):
            rule = rule.rule
        if not self.has(key):
            if default is REQUIRED:
                self.add_fault(key, "is missing", rule.missing)
                return None
            return default
        value = self.data[key]
        if found := rule.faults(value):
            self.add_findings(((key, *path), what, cure) for path, what, cure in found)
            return None
        return rule.convert(value)

    def table(self, key: str) -> TableReader | None:
        """The table under a key; None if there is none."""
        if not self.has(key):
            return None
        value = self.data[key]
        if isinstance(value, dict):
            return TableReader(value, self.faults, (*self.path, key))
        cure = f"in TOML it has the heading [{key}], single brackets, once" if isinstance(value, list) else ""
        return self.add_fault(key, f"is {show_value(value)}, not a table", cure)

    def tables(self, key: str) -> list[TableReader]:
        """The tables of an array of tables; an empty list if there is none."""
        if not self.has(key):
            return []
        value = self.data[key]
        if not isinstance(value, list):
            self.add_fault(
                key, f"is {show_value(value)}, not a list of tables", f"in TOML each has the heading [[{key}]]"
            )
            return []
        if len(value) > MAX_ROWS:
            self.add_fault(key, f"occurs {len(value)} times", f"at most {MAX_ROWS} of a kind")
            return []
        rows = []
        for place, item in enumerate(value):
            if isinstance(item, dict):
                rows.append(TableReader(item, self.faults, (*self.path, key, place)))
            else:
                self.add_fault(
                    (key, place), f"is {show_value(item)}, not a table", f"in TOML it has the heading [[{key}]]"
                )
        return rows

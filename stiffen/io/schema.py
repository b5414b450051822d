"""One table of a file, read key by key; every fault is kept and told at the end.

`where` of a fault counts as a person does: `load[2].at` is the key `at` of the second [[load]], and
`panel.outline[3]` the third point of the outline.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from stiffen.errors import Fault, InputError

KeyPath = tuple[str | int, ...]
Value = Any  # a checked value, or None after a fault: a table that is `ok` has no None where a key is required
REQUIRED = object()
MAX_COORDINATE = 1e6  # mm from the origin; a coordinate beyond it is a slip
MAX_FAULTS_OF_A_LIST = 5  # so many faults are told of one list of points, the rest not
MAX_FAULTS = 200  # so many faults are told of a whole file, the rest only counted
MAX_POINTS = 10_000  # in one list
MAX_ROWS = 1000  # tables of one kind


@dataclass(frozen=True)
class Range:
    """What a number may be: from `low` (itself allowed unless `excludes_low`) to `text_height`.

    `cure` helps who missed it.
    """

    low: float
    high: float
    unit: str = ""
    excludes_low: bool = False
    cure: str = ""

    def __contains__(self, value: float) -> bool:
        return (self.low < value if self.excludes_low else self.low <= value) and value <= self.high

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{'more than' if self.excludes_low else 'at least'} {self.low:g} and at most {self.high:g}{unit}"


class FaultList:
    """All that was found wrong in `data`."""

    def __init__(self, data: dict) -> None:
        self._data = data
        self._found: list[tuple[KeyPath, Fault]] = []
        self._bad: set[KeyPath] = set()  # every path with a fault at or below it
        self._order: dict[int, dict[str, int]] = {}  # places of the keys of a table, by the table's id

    def add(self, path: KeyPath, what: str, cure: str = "") -> None:
        """Keep one fault at `path` (keys, and list places counted from 0)."""
        self._found.append((path, Fault(dotted_path(path), what, cure)))
        self._bad.update(path[:length] for length in range(len(path) + 1))

    def __len__(self) -> int:
        return len(self._found)

    def has_fault_at(self, path: KeyPath) -> bool:
        """True if anything at or below `path` is wrong."""
        return path in self._bad

    def raise_if_any(self) -> None:
        """Raise one InputError with all faults in file order, if there are any; beyond MOST the rest is counted."""
        if self._found:
            faults = [fault for _, fault in sorted(self._found, key=lambda item: self._rank(item[0]))]
            more = len(faults) - MAX_FAULTS
            raise InputError(faults[:MAX_FAULTS] + [Fault("", f"{more} more faults", "mend these first")] * (more > 0))

    def _rank(self, path: KeyPath) -> list[int]:
        """Place in the file: the position of each key among its neighbours, a missing key after them."""
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


def dotted_path(path: KeyPath) -> str:
    """`("load", 1, "at")` as load[2].at."""
    text = ""
    for key in path:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{printable(key)}" if text else printable(key)
    return text


def printable(text: str, max_length: int = 40) -> str:
    """`text` cut to `max_length` characters, and quoted if it holds characters that a screen would obey."""
    return text[:max_length] if text.isprintable() else repr(text[:max_length])


def show_value(value: object) -> str:
    """A value as it is shown in a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{printable(value)}"' if value.isprintable() else printable(value)
    if isinstance(value, int | float):
        try:
            return f"{float(value):.6g}"
        except OverflowError:
            return "a huge number"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    return "a table" if isinstance(value, dict) else str(value)[:40]


def suggestion(word: str, known: Iterable[str]) -> str:
    """A cure for a wrong word: the known one that looks like it, or all of them where they are few."""
    names = list(known)
    lower = {name.lower(): name for name in names}
    close = difflib.get_close_matches(word.lower(), lower, n=1, cutoff=0.6)
    if close:
        return f"did you mean {show_value(lower[close[0]])}?"
    if not names:
        return ""
    return "one of: " + ", ".join(map(printable, names)) if len(names) <= 24 else f"one of {len(names)} names"


class TableReader:
    """A table under reading.  Each method returns a checked value, or None after it has kept a fault."""

    def __init__(self, data: dict, faults: FaultList, path: KeyPath = ()) -> None:
        self.data, self.faults, self.path = data, faults, path
        self._asked: dict[str, None] = {}

    @property
    def ok(self) -> bool:
        """True while nothing in this table is wrong."""
        return not self.faults.has_fault_at(self.path)

    def has(self, key: str) -> bool:
        """True if the key is there; it counts as known from now on."""
        self._asked[key] = None
        return key in self.data

    def fault(self, key: str | KeyPath, what: str, cure: str = "") -> None:
        """Keep a fault at a key of this table, or at a path below it ("" for the table itself)."""
        below = key if isinstance(key, tuple) else (key,) if key else ()
        self.faults.add(self.path + below, what, cure)

    def reject_unknown_keys(self, noun: str) -> None:
        """Tell of every key that was not asked for."""
        unknown = [key for key in self.data if key not in self._asked]
        for key in unknown[:MAX_FAULTS]:
            self.fault(key, f"is not a key of {noun}", suggestion(key, self._asked))
        if len(unknown) > MAX_FAULTS:
            self.fault("", f"has {len(unknown) - MAX_FAULTS} more unknown keys")

    def check_keys_of_kind(self, noun: str, needed: Iterable[str], allowed: Iterable[str]) -> None:
        """Tell of keys that must be there and are not, and of known keys that have no sense here."""
        needed = tuple(needed)
        for key in needed:
            if key not in self.data:
                self.fault(key, "is missing", f"{noun} needs it")
        may = (*needed, *allowed)
        for key in self.data:
            if key in self._asked and key not in may:
                self.fault(key, f"has no meaning for {noun}", "its keys: " + ", ".join(may))

    def number(self, key: str, within: Range, default: object = REQUIRED) -> Value:
        """A finite number within the range."""
        if not self._there(key, default, f"give a number, {within}"):
            return None if default is REQUIRED else default
        return self._number(self.data[key], (key,), within)

    def numbers(self, key: str, within: Range, default: object = REQUIRED, count: int = 0) -> Value:
        """A list of `count` numbers within the range (0: of one or more)."""
        if not self._there(key, default, "give a list of numbers"):
            return None if default is REQUIRED else default
        return self._numbers(self.data[key], (key,), within, count)

    def text(self, key: str, default: object = REQUIRED) -> Value:
        """A line of text that is not empty."""
        if not self._there(key, default, "give a text in quotes"):
            return None if default is REQUIRED else default
        value = self.data[key]
        if not isinstance(value, str):
            return self.fault(key, f"is {show_value(value)}, not a text", "put it in quotes")
        if not value.strip() or not value.isprintable() or len(value) > 200:
            return self.fault(key, f"is {show_value(value)}", "give one line of 1 to 200 characters")
        return value.strip()

    def choice(self, key: str, allowed: Iterable[str], default: object = REQUIRED) -> Value:
        """One of the allowed words."""
        allowed = tuple(allowed)
        if not self._there(key, default, "one of: " + ", ".join(allowed)):
            return None if default is REQUIRED else default
        value = self.data[key]
        if isinstance(value, str) and value in allowed:
            return value
        cure = suggestion(value, allowed) if isinstance(value, str) else "one of: " + ", ".join(allowed)
        return self.fault(key, f"is {show_value(value)}", cure)

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        if not self.has(key):
            return default
        value = self.data[key]
        if not isinstance(value, bool):
            self.fault(key, f"is {show_value(value)}", "write true or false, without quotes")
        return bool(value)

    def choices(self, key: str, allowed: tuple[str, ...]) -> tuple[str, ...]:
        """A list of some of the allowed words; all of them where the key is missing."""
        if not self.has(key):
            return allowed
        value = self.data[key]
        if not isinstance(value, list) or not value:
            self.fault(key, f"is {show_value(value)}, not a list of words", f"some of {list(allowed)}")
            return ()
        for place, item in enumerate(value):
            if item not in allowed:
                self.fault((key, place), f"is {show_value(item)}", "one of: " + ", ".join(allowed))
        return tuple(word for word in allowed if word in value)

    def point(self, key: str, default: object = REQUIRED) -> Value:
        """A point [x, y] in mm."""
        if not self._there(key, default, "give a point: [x, y]"):
            return None if default is REQUIRED else default
        return self._point(self.data[key], (key,))

    def points(self, key: str, default: object = REQUIRED, least: int = 2) -> Value:
        """A list of at least so many points [x, y] in mm, no two neighbours in the same place."""
        if not self._there(key, default, "give a list of points: [[x, y], [x, y]]"):
            return None if default is REQUIRED else default
        value = self.data[key]
        if not isinstance(value, list) or (value and not isinstance(value[0], list)):
            return self.fault(key, f"is {show_value(value)}, not a list of points", "write [[x, y], [x, y]]")
        if not least <= len(value) <= MAX_POINTS:
            cure = f"give at least {least}" if len(value) < least else f"at most {MAX_POINTS}: thin the line out"
            return self.fault(key, f"has {_count(len(value), 'point')}", cure)
        before = len(self.faults)
        points: list = []
        for place, item in enumerate(value):
            if len(self.faults) - before >= MAX_FAULTS_OF_A_LIST:
                return self.fault(key, f"has more faults after point {place}")
            points.append(self._point(item, (key, place)))
        if None in points:
            return None
        for place in range(1, len(points)):
            if math.dist(points[place - 1], points[place]) < 1e-3:
                return self.fault((key, place), f"is the same place as point {place}", "leave one out")
        return tuple(points)

    def table(self, key: str) -> TableReader | None:
        """The table under a key, None where there is none."""
        if not self.has(key):
            return None
        value = self.data[key]
        if isinstance(value, dict):
            return TableReader(value, self.faults, (*self.path, key))
        cure = f"in TOML it has the heading [{key}], single brackets, once" if isinstance(value, list) else ""
        return self.fault(key, f"is {show_value(value)}, not a table", cure)

    def tables(self, key: str) -> list[TableReader]:
        """The tables of an array of tables; an empty list where there is none."""
        if not self.has(key):
            return []
        value = self.data[key]
        if not isinstance(value, list):
            self.fault(key, f"is {show_value(value)}, not a list of tables", f"in TOML each has the heading [[{key}]]")
            return []
        if len(value) > MAX_ROWS:
            self.fault(key, f"stands there {len(value)} times", f"at most {MAX_ROWS} of a kind")
            return []
        rows = []
        for place, item in enumerate(value):
            if isinstance(item, dict):
                rows.append(TableReader(item, self.faults, (*self.path, key, place)))
            else:
                self.fault((key, place), f"is {show_value(item)}, not a table", f"in TOML it has the heading [[{key}]]")
        return rows

    def _there(self, key: str, default: object, cure: str) -> bool:
        if self.has(key):
            return True
        if default is REQUIRED:
            self.fault(key, "is missing", cure)
        return False

    def _number(self, value: object, place: KeyPath, within: Range) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            cure = "take the quotes and the unit off" if isinstance(value, str) else "give one number"
            return self.fault(place, f"is {show_value(value)}, not a number", cure)
        if abs(value) > 1e15 or not math.isfinite(value):  # in this order: an int may not fit into a float
            return self.fault(place, f"is {show_value(value)}, not a finite number", f"give {within}")
        if value not in within:
            return self.fault(place, f"is {show_value(value)}, must be {within}", within.cure)
        return float(value)

    def _numbers(self, value: object, place: KeyPath, within: Range, count: int) -> tuple | None:
        if not isinstance(value, list):
            return self.fault(place, f"is {show_value(value)}, not a list", "write it in brackets: [1.0, 1.5]")
        if len(value) != count if count else not 1 <= len(value) <= 1000:
            return self.fault(place, f"has {_count(len(value), 'number')}", f"give {count or 'one or more'}")
        numbers = [self._number(item, (*place, i), within) for i, item in enumerate(value)]
        return None if None in numbers else tuple(numbers)

    def _point(self, value: object, place: KeyPath) -> tuple[float, float] | None:
        if not isinstance(value, list) or len(value) != 2:
            return self.fault(place, f"is {show_value(value)}, not a point", "write [x, y]")
        reach = Range(-MAX_COORDINATE, MAX_COORDINATE, "mm", cure="plan coordinates are in mm")
        x, y = (self._number(item, place, reach) for item in value)
        return None if x is None or y is None else (x, y)


def _count(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"

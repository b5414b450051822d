"""Rules for single values, with the text of each fault: records check themselves by them, file readers reuse them.

Every rule has two methods.  `accepts(value)` is a quick test: it may reject a valid value, but never accepts an invalid
one.
`faults(value)` lists what is wrong as (path below the value, what, cure); an empty list means that the value is valid.
`missing` is the cure where the value is not given at all; `convert(value)` returns a valid value in its stored form.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np

from stiffen.errors import Fault, InputError

KeyPath = tuple[str | int, ...]
Finding = tuple[KeyPath, str, str]  # path below the value or record, what is wrong, cure
MAX_COORDINATE = 1e6  # mm from the origin; a larger coordinate must be a mistake
MAX_FAULTS_OF_A_LIST = 5  # of one list of points that are reported
MAX_POINTS = 10_000  # of one list in a file
MAX_DERIVED_POINTS = 2_000_000  # of one list of points computed from curves
MIN_SPACING = 1e-3  # mm between neighbouring points of a list in a file
MIN_DERIVED_SPACING = 1e-9  # mm; rounded corners and inset lines may have short chords


# --- how values and places are shown ---------------------------------------------------------------------------


def dotted_path(path: KeyPath) -> str:
    """`("load", 1, "at")` as load[2].at: places in lists count from 1."""
    text = ""
    for key in path:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{printable(key)}" if text else printable(key)
    return text


def printable(text: str, max_length: int = 40) -> str:
    """`text` cut to `max_length` characters, and quoted where it holds control characters."""
    return text[:max_length] if text.isprintable() else repr(text[:max_length])


def show_value(value: object) -> str:
    """A value as it is shown in a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{printable(value)}"' if value.isprintable() else printable(value)
    if isinstance(value, int | float | np.number):
        try:
            return f"{float(value):.6g}"
        except (OverflowError, TypeError):
            return "a huge number"
    if isinstance(value, list | tuple | np.ndarray):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a table"
    if hasattr(value, "__dataclass_fields__"):
        return f"a {type(value).__name__}"
    return str(value)[:40]


def suggestion(word: str, known: Iterable[str]) -> str:
    """A cure for an unknown word: the known word of most similar spelling, else all of them where they are few."""
    names = list(known)
    lower = {name.lower(): name for name in names}
    close = difflib.get_close_matches(word.lower(), lower, n=1, cutoff=0.6)
    if close:
        return f"did you mean {show_value(lower[close[0]])}?"
    if not names:
        return ""
    return "one of: " + ", ".join(map(printable, names)) if len(names) <= 24 else f"one of {len(names)} names"


def _count(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


# --- rules -----------------------------------------------------------------------------------------------------


class Rule(Protocol):
    """What a value may be."""

    @property
    def missing(self) -> str:
        """The cure where the value is not given."""

    def accepts(self, value: Any) -> bool:
        """Quick test; True only for a value without faults."""

    def faults(self, value: Any) -> list[Finding]:
        """All that is wrong with the value."""

    def convert(self, value: Any) -> Any:
        """The stored form of a value without faults."""


@dataclass(frozen=True)
class Range:
    """A finite number from `low` (allowed unless `excludes_low`) to `high`; `cure` is advice for other values."""

    low: float
    high: float
    unit: str = ""
    excludes_low: bool = False
    cure: str = ""

    def contains(self, value: float) -> bool:
        """True for a number between the limits."""
        return (self.low < value if self.excludes_low else self.low <= value) and value <= self.high

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        return f"{'more than' if self.excludes_low else 'at least'} {self.low:g} and at most {self.high:g}{unit}"

    @property
    def missing(self) -> str:
        return f"give a number, {self}"

    def accepts(self, value: Any) -> bool:
        return type(value) in (float, int) and self.contains(value)

    def faults(self, value: Any) -> list[Finding]:
        if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating):
            cure = "take the quotes and the unit off" if isinstance(value, str) else "give one number"
            return [((), f"is {show_value(value)}, not a number", cure)]
        if not (-1e15 <= value <= 1e15):  # NaN too; an int may not fit into a float
            return [((), f"is {show_value(value)}, not a finite number", f"give {self}")]
        if not self.contains(float(value)):
            return [((), f"is {show_value(value)}, must be {self}", self.cure)]
        return []

    def convert(self, value: Any) -> float:
        return float(value)


@dataclass(frozen=True)
class Whole:
    """A whole number within a range."""

    within: Range

    @property
    def missing(self) -> str:
        return self.within.missing

    def accepts(self, value: Any) -> bool:
        return type(value) is int and self.within.contains(value)

    def faults(self, value: Any) -> list[Finding]:
        if found := self.within.faults(value):
            return found
        return [] if value == int(value) else [((), f"is {value:g}, not a whole number", "give how many")]

    def convert(self, value: Any) -> int:
        return int(value)


@dataclass(frozen=True)
class Choice:
    """One of the allowed words.  also: what a panel file may say besides, for the cure."""

    allowed: tuple[str, ...]
    also: str = ""

    @property
    def missing(self) -> str:
        return "one of: " + ", ".join(filter(None, (*self.allowed, self.also)))

    def accepts(self, value: Any) -> bool:
        return type(value) is str and value in self.allowed

    def faults(self, value: Any) -> list[Finding]:
        if isinstance(value, str) and value in self.allowed:
            return []
        named = isinstance(value, str) and not self.also
        return [((), f"is {show_value(value)}", suggestion(value, self.allowed) if named else self.missing)]

    def convert(self, value: Any) -> Any:
        return value


@dataclass(frozen=True)
class Choices:
    """A list of some of the allowed words."""

    allowed: tuple[str, ...]

    @property
    def missing(self) -> str:
        return f"some of {list(self.allowed)}"

    def accepts(self, value: Any) -> bool:
        return type(value) is tuple and bool(value) and all(word in self.allowed for word in value)

    def faults(self, value: Any) -> list[Finding]:
        if not isinstance(value, list | tuple) or not value:
            return [((), f"is {show_value(value)}, not a list of words", self.missing)]
        wrong = ((place, item) for place, item in enumerate(value) if item not in self.allowed)
        return [((place,), f"is {show_value(item)}", "one of: " + ", ".join(self.allowed)) for place, item in wrong]

    def convert(self, value: Any) -> tuple[str, ...]:
        return tuple(word for word in self.allowed if word in value)


@dataclass(frozen=True)
class Text:
    """One line of text that is not empty."""

    missing: str = "give a text in quotes"

    def accepts(self, value: Any) -> bool:
        return type(value) is str and not self.faults(value)

    def faults(self, value: Any) -> list[Finding]:
        if not isinstance(value, str):
            return [((), f"is {show_value(value)}, not a text", "put it in quotes")]
        if not value.strip() or not value.isprintable() or len(value) > 200:
            return [((), f"is {show_value(value)}", "give one line of 1 to 200 characters")]
        return []

    def convert(self, value: Any) -> str:
        return str(value).strip()


@dataclass(frozen=True)
class Flag:
    """true or false."""

    missing: str = "write true or false, without quotes"

    def accepts(self, value: Any) -> bool:
        return type(value) is bool

    def faults(self, value: Any) -> list[Finding]:
        return [] if isinstance(value, bool | np.bool_) else [((), f"is {show_value(value)}", self.missing)]

    def convert(self, value: Any) -> bool:
        return bool(value)


@dataclass(frozen=True)
class Numbers:
    """A list of `count` numbers within a range (count 0: `least` or more).

    unique: "", or the name of the numbers, for the fault if one of them occurs twice.
    """

    within: Range
    count: int = 0
    unique: str = ""
    missing: str = "give a list of numbers"
    least: int = 1

    def accepts(self, value: Any) -> bool:
        return type(value) is tuple and not self.faults(value)

    def faults(self, value: Any) -> list[Finding]:
        if not isinstance(value, list | tuple):
            return [((), f"is {show_value(value)}, not a list", "write it in brackets: [1.0, 1.5]")]
        if len(value) != self.count if self.count else not self.least <= len(value) <= 1000:
            return [((), f"has {_count(len(value), 'number')}", f"give {self.count or 'one or more'}")]
        found = [
            ((place, *path), what, cure)
            for place, item in enumerate(value)
            for path, what, cure in self.within.faults(item)
        ]
        if self.unique and not found and len(set(value)) < len(value):
            return [((), f"holds {self.unique} twice", "name each once")]
        return found

    def convert(self, value: Any) -> tuple[float, ...]:
        return tuple(map(float, value))


COORDINATE = Range(-MAX_COORDINATE, MAX_COORDINATE, "mm", cure="plan coordinates are in mm")


@dataclass(frozen=True)
class PlanPoint:
    """A point (x, y) in plan, mm."""

    missing: str = "give a point: [x, y]"

    def accepts(self, value: Any) -> bool:
        return type(value) is tuple and len(value) == 2 and all(map(COORDINATE.accepts, value))

    def faults(self, value: Any) -> list[Finding]:
        if not isinstance(value, list | tuple) or len(value) != 2:
            return [((), f"is {show_value(value)}, not a point", "write [x, y]")]
        return [finding for item in value for finding in COORDINATE.faults(item)]

    def convert(self, value: Any) -> tuple[float, float]:
        x, y = value
        return float(x), float(y)


POINT = PlanPoint()


@dataclass(frozen=True)
class PlanPoints:
    """At least `least` points in plan, mm; no two neighbours within `spacing` mm of each other."""

    least: int = 2
    most: int = MAX_POINTS
    spacing: float = MIN_SPACING
    missing: str = "give a list of points: [[x, y], [x, y]]"

    def accepts(self, value: Any) -> bool:
        if type(value) is not tuple or not self.least <= len(value) <= self.most:
            return False
        last_x = last_y = math.inf
        try:
            for point in value:
                x, y = point
                if not (
                    type(point) is tuple
                    and -MAX_COORDINATE <= x <= MAX_COORDINATE
                    and -MAX_COORDINATE <= y <= MAX_COORDINATE
                    and (abs(x - last_x) >= self.spacing or abs(y - last_y) >= self.spacing)
                ):
                    return False
                last_x, last_y = x, y
        except (TypeError, ValueError):
            return False
        return True

    def faults(self, value: Any) -> list[Finding]:
        if not isinstance(value, list | tuple) or (len(value) and not isinstance(value[0], list | tuple)):
            return [((), f"is {show_value(value)}, not a list of points", "write [[x, y], [x, y]]")]
        if not self.least <= len(value) <= self.most:
            cure = (
                f"give at least {self.least}" if len(value) < self.least else f"at most {self.most}: thin the line out"
            )
            return [((), f"has {_count(len(value), 'point')}", cure)]
        found: list[Finding] = []
        for place, item in enumerate(value):
            if len(found) >= MAX_FAULTS_OF_A_LIST:
                return [*found, ((), f"has more faults after point {place}", "")]
            found += [((place, *path), what, cure) for path, what, cure in POINT.faults(item)]
        if found:
            return found
        for place in range(1, len(value)):
            if math.dist(value[place - 1], value[place]) < self.spacing:
                return [((place,), f"is the same place as point {place}", "leave one out")]
        return []

    def convert(self, value: Any) -> tuple[tuple[float, float], ...]:
        return tuple(map(POINT.convert, value))


@dataclass(frozen=True)
class Instance:
    """A record of one type; `cure` says how to get one."""

    kind: type
    cure: str = ""

    @property
    def missing(self) -> str:
        return self.cure

    def accepts(self, value: Any) -> bool:
        return isinstance(value, self.kind)

    def faults(self, value: Any) -> list[Finding]:
        if isinstance(value, self.kind):
            return []
        return [((), f"is {show_value(value)}, not a {self.kind.__name__}", self.cure)]

    def convert(self, value: Any) -> Any:
        return value


@dataclass(frozen=True)
class Records:
    """A tuple of records of one type."""

    kind: type

    @property
    def missing(self) -> str:
        return f"give a tuple of {self.kind.__name__} records"

    def accepts(self, value: Any) -> bool:
        return type(value) is tuple and all(type(item) is self.kind for item in value)

    def faults(self, value: Any) -> list[Finding]:
        name = self.kind.__name__
        if not isinstance(value, list | tuple):
            return [((), f"is {show_value(value)}, not a tuple of {name} records", f"write ({name}(...),)")]
        wrong = ((place, item) for place, item in enumerate(value) if not isinstance(item, self.kind))
        return [((place,), f"is {show_value(item)}, not a {name}", f"write {name}(...)") for place, item in wrong]

    def convert(self, value: Any) -> tuple:
        return tuple(value)


@dataclass(frozen=True)
class Optional:
    """A value by another rule, or None."""

    rule: Rule

    @property
    def missing(self) -> str:
        return self.rule.missing

    def accepts(self, value: Any) -> bool:
        return value is None or self.rule.accepts(value)

    def faults(self, value: Any) -> list[Finding]:
        return [] if value is None else self.rule.faults(value)

    def convert(self, value: Any) -> Any:
        return None if value is None else self.rule.convert(value)


TEXT, FLAG = Text(), Flag()
PATH = PlanPoints()  # as a file gives it
DERIVED_PATH = PlanPoints(2, MAX_DERIVED_POINTS, MIN_DERIVED_SPACING)  # as a record holds it


# --- kinds of a record -----------------------------------------------------------------------------------------


class KindKeys(NamedTuple):
    """Keys that one kind of a record needs, and others it may have."""

    needed: tuple[str, ...] = ()
    allowed: tuple[str, ...] = ()


def kind_findings(noun: str, keys: KindKeys, given: Iterable[str]) -> list[Finding]:
    """Keys that a record of this kind needs and has not, and keys that have no meaning for it."""
    given = tuple(given)
    allowed = (*keys.needed, *keys.allowed)
    found: list[Finding] = [((key,), "is missing", f"{noun} needs it") for key in keys.needed if key not in given]
    cure = "its keys: " + ", ".join(allowed)
    found += [((key,), f"has no meaning for {noun}", cure) for key in given if key not in allowed]
    return found


# --- records ---------------------------------------------------------------------------------------------------


def field_findings(record: Any, rules: Mapping[str, Rule]) -> list[Finding]:
    """Faults of the fields of a frozen record; a field that has its default value is not checked.

    Lists and arrays become tuples, so that the record can be compared and hashed.
    """
    found: list[Finding] = []
    for name, rule in rules.items():
        value = getattr(record, name)
        if rule.accepts(value) or has_default(record, name):
            continue
        plain = _as_tuples(value)
        faults = rule.faults(plain)
        found += [((name, *path), what, cure) for path, what, cure in faults]
        if not faults:
            object.__setattr__(record, name, rule.convert(plain))
    return found


def has_default(record: Any, name: str) -> bool:
    """True where a field of a record has the value that it has unless one is given."""
    value, default = getattr(record, name), getattr(type(record), name, field_findings)
    plain = isinstance(value, int | float | str | tuple) and isinstance(default, int | float | str | tuple)
    return value is default or (plain and bool(value == default))


def _as_tuples(value: Any) -> Any:
    """Lists and arrays as tuples, those inside too."""
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return tuple(map(_as_tuples, value))
    return value


def raise_findings(noun: str, findings: Iterable[Finding]) -> None:
    """Raise one InputError with all findings of a record called `noun`, if there are any."""
    faults = [Fault(dotted_path((noun, *path) if noun else path), what, cure) for path, what, cure in findings]
    if faults:
        raise InputError(faults)


def check_fields(record: Any, noun: str, rules: Mapping[str, Rule]) -> None:
    """Raise InputError unless every field of a record is as its rule says."""
    raise_findings(noun, field_findings(record, rules))

"""Records that break the rules they check themselves by: for tests of the guards behind those rules."""

from dataclasses import fields
from typing import TypeVar

Record = TypeVar("Record")


def unchecked(record: Record, **changes: object) -> Record:
    """A copy of a record with other values in some fields, made without its checks."""
    copy = object.__new__(type(record))
    for one in fields(record):  # type: ignore[arg-type]
        object.__setattr__(copy, one.name, changes.pop(one.name, getattr(record, one.name)))
    assert not changes, f"no fields: {', '.join(changes)}"
    return copy

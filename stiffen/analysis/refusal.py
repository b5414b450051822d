"""Refusal of panel records that the analysis does not know, so that no demand is met by default."""

from __future__ import annotations

from collections.abc import Iterable

from stiffen.errors import Fault, InputError


def unknown(where: str, value: object, known: Iterable[str]) -> InputError:
    """The InputError for a kind or name that is none of the `known` ones; `where` names the record."""
    return InputError([Fault(where, f"{value!r} is not known", "one of: " + (", ".join(known) or "none"))])

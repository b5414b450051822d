"""The record of one outside check of the judge: what is known, from where, how close, and our own value."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

SOURCE_KINDS = ("published", "recomputed", "from memory")


@dataclass(frozen=True)
class Reference:
    """One known value and the function that computes ours.

    group: heading in the table.  kind: "published" (the source was read, at least second-hand), "recomputed" (found
    again by an independent method, such as a series or a Ritz solution) or "from memory" (not looked up).
    tolerance: greatest relative difference; why: the reason for that figure.  compute takes no arguments.
    miss: not empty where our value is known to lie outside the tolerance: what keeps it there.
    """

    group: str
    name: str
    source: str
    kind: str
    expected: float
    tolerance: float
    tolerance_reason: str
    compute: Callable[[], float]
    known_miss: str = ""

    def difference(self, value: float) -> float:
        """Relative difference of our value."""
        return value / self.expected - 1

    def is_within_tolerance(self, value: float) -> bool:
        """Whether our value lies within the tolerance."""
        return abs(self.difference(value)) <= self.tolerance

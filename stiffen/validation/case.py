"""The record of one validation case: the known value, its source, the tolerance and the function that computes ours."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

SOURCE_KINDS = ("published", "recomputed", "from memory")


@dataclass(frozen=True)
class Reference:
    """One known value and the function that computes ours.

    group: heading in the table.  kind: "published" (the source was read, at least second-hand), "recomputed" (by an
    independent method, such as a series or a Ritz solution) or "from memory" (not looked up).  tolerance: largest
    relative difference allowed; tolerance_reason: why.  compute takes no arguments.  known_miss: if our value is known
    to lie outside the tolerance, the reason; else ''.
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
        """Relative difference of our value from the known one."""
        return value / self.expected - 1

    def is_within_tolerance(self, value: float) -> bool:
        """True if our value lies within the tolerance."""
        return abs(self.difference(value)) <= self.tolerance

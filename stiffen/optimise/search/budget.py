"""Time limits of a search and of its parts."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass


def no_reserve() -> float:
    """No time is kept back."""
    return 0.0


@dataclass(frozen=True)
class Budget:
    """The time that a part of a search may take.

    start, deadline: s, on the clock of `time.monotonic`.  reserve: gives the seconds to keep free before the deadline
    for the evaluations at the end; called at each look at the clock, as it grows with the longest evaluation.
    """

    start: float
    deadline: float
    reserve: Callable[[], float] = no_reserve

    @classmethod
    def of(cls, seconds: float) -> Budget:
        """From now on for so many seconds."""
        now = time.monotonic()
        return cls(now, now + seconds)

    @property
    def seconds_left(self) -> float:
        """Seconds until the deadline, less the reserve; negative if time is up."""
        return self.deadline - self.reserve() - time.monotonic()

    @property
    def is_spent(self) -> bool:
        """True if no time is left."""
        return self.seconds_left <= 0

    @property
    def length(self) -> float:
        """Seconds from start to deadline."""
        return self.deadline - self.start


UNLIMITED = Budget(-math.inf, math.inf)

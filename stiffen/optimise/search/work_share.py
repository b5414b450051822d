"""Share of a search's work that is done, for progress lines.

A search looks for beads gauge by gauge until one meets the demands; makes of that layout what is worth proposing;
evaluates the proposals in full; then compares with flat sheets.  Which gauge will meet is not known beforehand: of the
work that is left until then, each gauge is taken to be half.
"""

from __future__ import annotations

from dataclasses import dataclass

# Share done at the end of each part.  CPU time at quick effort, of a dust cover: 0.64, 0.79, 0.92; of a lid of
# 420 x 260 mm: 0.47, 0.68, 0.89.
UNTIL_MET, COLLECTED, SETTLED = 0.55, 0.75, 0.9


@dataclass
class WorkShare:
    """Where a search stands: between the shares `begin` and `end` of its work, `stage` of the way.  It never falls."""

    begin: float = 0.0
    end: float = 0.0
    stage: float = 0.0
    largest: float = 0.0

    @property
    def done(self) -> float:
        """Share of the work done, 0 ... 1."""
        now = self.begin + (self.end - self.begin) * min(self.stage, 1.0)
        self.largest = max(self.largest, now)
        return self.largest

    def enter(self, begin: float, end: float) -> None:
        """Begin a part of the work."""
        self.begin, self.end, self.stage = begin, end, 0.0

    def enter_gauge(self, number: int, count: int) -> None:
        """Begin the search at gauge `number`, from 0, of `count`."""
        before, after = (UNTIL_MET * (1 - 0.5**k) / (1 - 0.5**count) for k in (number, number + 1))
        self.enter(before, after)

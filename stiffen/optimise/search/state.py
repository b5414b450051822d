"""One search under way: what was judged, what is best so far, how much time is left, whom to tell."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from stiffen.analysis.evaluation import Evaluation, Progress, evaluate
from stiffen.analysis.screening import QUICK_MISS_LIMIT, quick_utilisation, screen
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop import process_plan

RECORD_TIME_FACTOR = (
    2.0  # times that judging the best took: its record and the flat sheets beside it, measured 1.5 to 2.5
)

OnBest = Callable[[Verdict], None]


def ignore_best(verdict: Verdict) -> None:
    """Tells nobody of a better layout."""


@dataclass(eq=False)
class SearchState:
    """One search under way: what is best so far, how long it may go on, whom to tell.

    deadline: of the hunt; what is proven afterwards takes until `end`.  opened: what was last looked at, by gauge.
    glances: what `screen` said.  looked: badness of layouts on the quick mesh by their places, and False where it is a
    lower bound.  cut_short: the clock has ended a part of it.  stood: what the latest best stood on, where it was
    judged in full.
    """

    panel: Panel
    deadline: float
    seed: int
    mesh_level: str
    progress: Progress
    on_best: OnBest
    best: Verdict | None = None
    reasons: dict[float, GaugeOutcome] = field(default_factory=dict)
    best_utilisations: dict[float, float] = field(default_factory=dict)
    candidate_count: int = 0
    initial_layouts: tuple[Layout, ...] = ()  # layouts that somebody has drawn, to go on from
    verdicts: dict[Layout, Verdict] = field(default_factory=dict)
    quick_evaluations: dict[tuple, tuple[float, bool]] = field(default_factory=dict)
    screenings: dict[Layout, tuple[float, tuple[int, ...]]] = field(default_factory=dict)
    start: float = field(default_factory=time.monotonic)
    end: float = math.inf
    gauge_searches: dict[float, Any] = field(
        default_factory=dict
    )  # of `gauge_search.GaugeSearch`, which builds on this
    cut_short: bool = False
    best_evaluation: Evaluation | None = None

    @property
    def seconds_left(self) -> float:
        """Seconds left, those kept back for the record of the best."""
        record = RECORD_TIME_FACTOR * self.best.seconds if self.best else 0.0
        return self.deadline - record - time.monotonic()

    def report(self, message: str) -> None:
        """Report the fraction of the time used, the best so far, and the time left."""
        now = time.monotonic()
        used = min(1.0, (now - self.start) / max(self.end - self.start, 1e-9))
        if self.best is not None:
            worst = self.best.utilisation
            state = f"margin {100 * (1 - worst):.0f} %" if self.best.met else f"misses by {100 * (worst - 1):.0f} %"
            message = f"{message}; best {self.best.layout.gauge:g} mm, {self.best.mass_kg:.3f} kg, {state}"
        self.progress(used, f"{message}; {max(self.end - now, 0.0):.0f} s left")

    def evaluate(self, layout: Layout, abandon_above: float = QUICK_MISS_LIMIT) -> Verdict:
        """The verdict on a layout, by a coarse mesh where it is worse than `abandon_above` there.

        Kept if the best so far.
        """
        if layout in self.verdicts:
            return self.verdicts[layout]
        found = evaluate(
            self.panel,
            layout,
            mesh_level=self.mesh_level,
            mesh_error=self.mesh_level != "quick",
            abandon_above=abandon_above,
        )
        verdict = found.full_verdict()
        whole = None if verdict.mesh_error is None else found
        self.verdicts[layout] = verdict
        miss = verdict.utilisation
        self.best_utilisations[layout.gauge] = min(miss, self.best_utilisations.get(layout.gauge, math.inf))
        if self.best is None or rank(self.panel, verdict) < rank(self.panel, self.best):
            self.accept(verdict, whole)
        return verdict

    def screen(self, layout: Layout) -> tuple[float, tuple[int, ...]]:
        """`screening.screen` at a layout up to FAR, remembered."""
        if layout not in self.screenings:
            self.screenings[layout] = screen(self.panel, layout, stop_above=QUICK_MISS_LIMIT)
        return self.screenings[layout]

    def quick_utilisation(self, layout: Layout, cap: float) -> float:
        """Badness of a layout on the quick mesh, remembered; where it is above `stop_above`, something above that."""
        if layout in self.verdicts:
            return self.verdicts[layout].utilisation
        place = _geometry_key(layout)
        known, whole = self.quick_evaluations.get(place, (0.0, False))
        if not whole and known <= cap:
            known = quick_utilisation(self.panel, layout, stop_above=cap)
            self.quick_evaluations[place] = known, known <= cap
        return known

    def accept(self, verdict: Verdict, evaluation: Evaluation | None = None) -> None:
        """Make it the best so far, and tell of it, unless it is that already; whole: what it stands on, to be kept."""
        if verdict is not self.best:
            self.best, self.best_evaluation = verdict, evaluation
            self.on_best(verdict)


def _geometry_key(layout: Layout) -> tuple:
    """The same for layouts whose beads and holes lie in the same places, to 0.1 mm, in whatever order."""

    def rounded(points: Sequence[tuple[float, float]]) -> tuple:
        return tuple((round(x, 1), round(y, 1)) for x, y in points)

    beads = ((b.die.name, b.side, min(rounded(b.path), rounded(b.path[::-1]))) for b in layout.beads)
    holes = ((h.die.name, h.side, rounded([h.at])) for h in layout.holes)
    return layout.gauge, frozenset(beads), frozenset(holes)


def rank(panel: Panel, verdict: Verdict) -> tuple:
    """Smaller is better: met first; then mass (to 1 %), minutes; what is not met by how much it misses."""
    if not verdict.met or panel.goal == "stiffest":
        return (1, verdict.utilisation, verdict.mass_kg)
    return (0, round(math.log(verdict.mass_kg) / 0.01), process_plan.minutes(panel, verdict.layout), verdict.mass_kg)

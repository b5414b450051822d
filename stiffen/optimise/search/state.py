"""What the parts of one search share: evaluator, incumbent, initial layouts, and how it ended at each gauge."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

from stiffen.analysis.evaluation import Evaluation, Progress, no_progress
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .budget import Budget
from .evaluator import Evaluator
from .incumbent import Incumbent
from .limits import within_limits
from .runner import LayoutRunner
from .settings import DEFAULT_SETTINGS, NORMAL, SearchEffort, SearchSettings
from .work_share import WorkShare

QUICK_EVALUATIONS = 3.0  # times an evaluation on the quick mesh: what the end of a search takes at least
LEAST_SHARE = 0.1  # of the work done before the time left is told
KEPT_EVALUATIONS = 4  # complete ones, each with its mesh and solutions


@dataclass(eq=False)
class SearchState:
    """What the parts of one search share.

    runner: evaluates by the surrogate.  effort: the counted work.  whole: the time of the whole search, for progress
    lines.  initial_layouts: layouts of the user to start from.  outcomes: by gauge (mm), how the search
    ended there.  count: layouts evaluated by the surrogate.  work: share of the work done.  cut_short: True if a time
    limit has ended a part of the search.
    move_seconds: s, of the latest evaluation by the surrogate, used only for time limits.
    evaluations: complete ones of the latest layouts.  passed_quickly: layouts that meet the demands on the quick mesh,
    for which there was no time on the finer one.
    """

    evaluator: Evaluator
    incumbent: Incumbent
    runner: LayoutRunner
    effort: SearchEffort = NORMAL
    seed: int = 0
    settings: SearchSettings = DEFAULT_SETTINGS
    whole: Budget = field(default_factory=lambda: Budget.of(math.inf))
    progress: Progress = no_progress
    initial_layouts: tuple[Layout, ...] = ()
    outcomes: dict[float, GaugeOutcome] = field(default_factory=dict)
    count: int = 0
    work: WorkShare = field(default_factory=WorkShare)
    cut_short: bool = False
    move_seconds: float = 0.0
    evaluations: dict[Layout, Evaluation] = field(default_factory=dict)
    passed_quickly: list[Layout] = field(default_factory=list)

    @property
    def panel(self) -> Panel:
        """The panel that the search is for."""
        return self.evaluator.panel

    @property
    def stiffest(self) -> bool:
        """True if the goal is the stiffest layout at the thinnest gauge, not the lightest that meets the demands."""
        return self.panel.goal == "stiffest"

    def evaluate(self, layout: Layout) -> Verdict:
        """The shell model's verdict on a layout, remembered; a new one may become the incumbent."""
        known = self.evaluator.verdicts.get(layout)
        if known is not None:
            return known
        verdict, evaluation = self.evaluator.evaluate(layout)
        if evaluation is not None:
            self.evaluations = dict([*self.evaluations.items(), (layout, evaluation)][-KEPT_EVALUATIONS:])
        if within_limits(self.panel, layout):
            self.incumbent.consider(verdict, evaluation)
        return verdict

    def evaluate_for_the_end(self, layout: Layout) -> Verdict:
        """`evaluate` a layout that is to be handed out, however bad; on the quick mesh if there is no time for more."""
        if self.full_in_time or layout in self.evaluator.verdicts:
            return self.evaluate(layout)
        verdict, evaluation = self.evaluator.evaluate_quickly(layout)
        self.incumbent.consider(verdict, evaluation)
        return verdict

    @property
    def full_in_time(self) -> bool:
        """True if a complete evaluation fits in the time of the search, before what its end needs at least."""
        return self.whole.seconds_left > self.evaluator.full_seconds + self.quick_end

    @property
    def quick_end(self) -> float:
        """Seconds that the end of a search needs at least: layout and flat sheet on the quick mesh, with fields."""
        return QUICK_EVALUATIONS * self.evaluator.latest_quick

    def record(self, outcome: GaugeOutcome) -> None:
        """Record how the search ended at a gauge."""
        self.outcomes[outcome.gauge] = outcome

    def report(self, message: str) -> None:
        """Report the fraction of the time used, a message, the incumbent, and the seconds left.

        Without a time limit the fraction is that of the counted work, and the seconds left follow from it.
        """
        now = time.monotonic()
        limited = math.isfinite(self.whole.deadline)
        used = self.work.done
        if limited:
            used = max(used, min(1.0, (now - self.whole.start) / max(self.whole.length, 1e-9)))
        best = self.incumbent.verdict
        if best is not None:
            worst = best.utilisation
            margin = f"{100 * (1 - worst):.0f} % to spare" if best.met else f"misses by {100 * (worst - 1):.0f} %"
            message = f"{message}; best {best.layout.gauge:g} mm {best.mass_kg:.3f} kg, {margin}"
        left = f"{max(self.whole.deadline - now, 0.0):.0f} s left"
        if not limited:
            seconds = (now - self.whole.start) * (1 / used - 1) if used > LEAST_SHARE else math.inf
            left = f"about {seconds:.0f} s left" if math.isfinite(seconds) else f"{self.count} layouts tried"
        self.progress(used, f"{message}; {left}")

"""Evaluations with the shell model during a search, each made once and remembered."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from stiffen.analysis.evaluation import Evaluation, evaluate
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.symmetry import place_key

from .runner import LayoutRunner
from .settings import DEFAULT_SETTINGS, SearchSettings

FULL_OVER_QUICK = {"quick": 1.0, "normal": 3.5, "fine": 12.0}  # processor time; 12.1 s over 3.4 s on 1200 x 950 mm
BEADED_OVER_FLAT = 4.0  # processor time on the quick mesh: 3.3 s over 0.75 s on 1200 x 950 mm


@dataclass(eq=False)
class Evaluator:
    """Evaluates layouts of one panel with the shell model and remembers the answers.

    runner: evaluates on the quick mesh.  full: evaluates on the mesh of `mesh_level`; a test may replace it.
    verdicts: those of `evaluate`.  lowest_utilisations: by gauge (mm), the lowest that a layout of it has reached.
    latest_quick: s, of the latest evaluation on the quick mesh; for a sheet without beads times BEADED_OVER_FLAT.
    longest_full: s, of a complete evaluation.  Both are used only for time limits.  mesh_factors: by gauge (mm), see
    `expected`.
    """

    panel: Panel
    mesh_level: str
    runner: LayoutRunner
    settings: SearchSettings = DEFAULT_SETTINGS
    full: Callable[..., Evaluation] = evaluate
    verdicts: dict[Layout, Verdict] = field(default_factory=dict)
    lowest_utilisations: dict[float, float] = field(default_factory=dict)
    latest_quick: float = 0.0
    longest_full: float = 0.0
    mesh_factors: dict[float, tuple[float, ...]] = field(default_factory=dict)
    _quick_values: dict[tuple, tuple[float, ...]] = field(default_factory=dict)
    _started: dict[Layout, Callable[[], Verdict]] = field(default_factory=dict)
    _quick_started: dict[tuple, Callable[[], tuple[float, ...]]] = field(default_factory=dict)

    def evaluate_quickly(self, layout: Layout) -> tuple[Verdict, Evaluation]:
        """Evaluate a layout anew on the quick mesh, without a mesh error: for the end of a search without time."""
        evaluation = self.full(self.panel, layout, mesh_level="quick", mesh_error=False)
        verdict = self.verdicts[layout] = evaluation.full_verdict()
        self.record_utilisation(layout.gauge, verdict.utilisation)
        return verdict, evaluation

    def evaluate(self, layout: Layout) -> tuple[Verdict, Evaluation | None]:
        """Evaluate a layout anew: the verdict, and the evaluation behind it if that is complete.

        Complete: on the mesh of `mesh_level`, with a mesh error.
        """
        begun = time.monotonic()
        evaluation: Evaluation | None = None
        started = self._started.pop(layout, None)
        if started is None:
            workers_free = self.runner.executor is not None and not self._started
            evaluation = self.full(
                self.panel,
                layout,
                mesh_level=self.mesh_level,
                mesh_error=self.mesh_level != "quick",
                elsewhere=self.runner.start_some_demands(layout, self.mesh_level) if workers_free else None,
            )
            verdict = evaluation.full_verdict()
        else:
            verdict = started()
        self.verdicts[layout] = verdict
        self.record_utilisation(layout.gauge, verdict.utilisation)
        complete = verdict.mesh_error is not None or self.mesh_level == "quick"
        if complete and started is None:
            self.longest_full = max(self.longest_full, time.monotonic() - begun)
        self._compare_meshes(layout, verdict)
        return verdict, None if verdict.mesh_error is None else evaluation

    def start(self, layouts: Sequence[Layout]) -> None:
        """Start complete evaluations of layouts on the workers, if there are any; `evaluate` waits for their verdicts.

        The verdicts are the same, without the evaluations behind them.
        """
        if self.runner.executor is None:
            return
        for layout in layouts:
            if layout not in self.verdicts and layout not in self._started:
                self._started[layout] = self.runner.start_full(layout, self.mesh_level)

    def _compare_meshes(self, layout: Layout, verdict: Verdict) -> None:
        """Remember for a gauge how utilisations on the mesh of `mesh_level` compare with those on the quick mesh."""
        quick = self.quick_utilisations(layout) if self.knows(layout) else None
        if quick is None or verdict.mesh_error is None:
            return
        own = self.utilisations(verdict)
        self.mesh_factors[layout.gauge] = tuple(
            min(max(a / b, 0.8), 1.25) if math.isfinite(a) and math.isfinite(b) and b > 0 else 1.0
            for a, b in zip(own, quick, strict=True)
        )

    @property
    def full_seconds(self) -> float:
        """Seconds that a complete evaluation is expected to take; 0 before anything was evaluated."""
        return max(self.longest_full, FULL_OVER_QUICK[self.mesh_level] * self.latest_quick)

    def utilisations(self, verdict: Verdict) -> tuple[float, ...]:
        """Utilisation of each demand of a verdict."""
        return tuple(d.utilisation(r.value) for d, r in zip(self.panel.demands, verdict.demands, strict=True))

    def record_utilisation(self, gauge: float, utilisation: float) -> None:
        """Remember a utilisation at a gauge (mm) if it is the lowest."""
        self.lowest_utilisations[gauge] = min(utilisation, self.lowest_utilisation(gauge))

    def lowest_utilisation(self, gauge: float) -> float:
        """The lowest utilisation that a layout of this gauge (mm) has reached; infinite if none was evaluated."""
        return self.lowest_utilisations.get(gauge, math.inf)

    def knows(self, layout: Layout) -> bool:
        """True if a layout was evaluated on the quick mesh, or is being."""
        key = _geometry_key(layout)
        return key in self._quick_values or key in self._quick_started

    def known_quickly(self, layout: Layout) -> tuple[float, ...] | None:
        """Utilisation of each demand of a layout on the quick mesh, if it was evaluated there."""
        return self._quick_values.get(_geometry_key(layout))

    def start_quickly(self, *layouts: Layout) -> None:
        """Start evaluations of layouts on the quick mesh on workers; whoever asks for their values waits for them."""
        for layout in layouts:
            if not self.knows(layout):
                self._quick_started[_geometry_key(layout)] = self.runner.start_quick(layout)

    def quick_utilisations(self, layout: Layout) -> tuple[float, ...]:
        """Utilisation of each demand of a layout on the quick mesh, remembered; infinite where that fails."""
        return self.quick_batch([layout])[0]

    def quick_batch(self, layouts: Sequence[Layout]) -> list[tuple[float, ...]]:
        """`quick_utilisations` of several layouts, on the workers."""
        for key in map(_geometry_key, layouts):
            if key in self._quick_started:
                self._quick_values[key] = self._quick_started.pop(key)()
        new = [layout for layout in layouts if _geometry_key(layout) not in self._quick_values]
        if new:
            begun = time.monotonic()
            for layout, values in zip(new, self.runner.quick_batch(new), strict=True):
                self._quick_values[_geometry_key(layout)] = values
            factor = 1.0 if any(layout.beads for layout in new) else BEADED_OVER_FLAT
            self.latest_quick = factor * (time.monotonic() - begun) / len(new)
        return [self._quick_values[_geometry_key(layout)] for layout in layouts]

    def expected(self, layouts: Sequence[Layout]) -> list[float]:
        """Largest utilisation of each layout to expect on the mesh of `mesh_level`.

        By the quick mesh, corrected by the ratio of both meshes for the last layout of its gauge evaluated on both.
        """
        out = []
        for layout, values in zip(layouts, self.quick_batch(layouts), strict=True):
            factors = self.mesh_factors.get(layout.gauge, (1.0,) * len(values))
            out.append(max((value * factor for value, factor in zip(values, factors, strict=True)), default=0.0))
        return out

    def flat_utilisations(self) -> dict[float, float]:
        """Utilisation on the quick mesh of the flat sheets that were evaluated, by gauge (mm)."""
        return {
            key[0]: max(values, default=0.0) for key, values in self._quick_values.items() if not key[1] and not key[2]
        }


def _geometry_key(layout: Layout) -> tuple:
    """Equal for layouts whose beads and holes lie in the same places to 0.1 mm, in whatever order and direction."""
    holes = ((h.die.name, h.side, round(h.at[0], 1), round(h.at[1], 1)) for h in layout.holes)
    return layout.gauge, frozenset(map(place_key, layout.beads)), frozenset(holes)

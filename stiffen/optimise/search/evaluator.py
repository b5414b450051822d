"""Evaluations with the shell model during a search, each made once and remembered."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from stiffen.analysis.evaluation import Evaluation, evaluate
from stiffen.analysis.screening import quick_utilisations
from stiffen.errors import MeshError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .settings import DEFAULT_SETTINGS, SearchSettings


@dataclass(eq=False)
class Evaluator:
    """Evaluates layouts of one panel with the shell model and remembers the answers.

    full, quick: the functions that do it; others may stand in for them.  verdicts: those of `evaluate`.
    lowest_utilisations: by gauge (mm), the lowest that a layout of it has reached.
    longest_evaluation: s, for time limits alone.
    """

    panel: Panel
    mesh_level: str
    settings: SearchSettings = DEFAULT_SETTINGS
    full: Callable[..., Evaluation] = evaluate
    quick: Callable[..., tuple[float, ...]] = quick_utilisations
    verdicts: dict[Layout, Verdict] = field(default_factory=dict)
    lowest_utilisations: dict[float, float] = field(default_factory=dict)
    longest_evaluation: float = 0.0
    _quick_values: dict[tuple, tuple[float, ...]] = field(default_factory=dict)

    def evaluate(self, layout: Layout, abandon_above: float | None = None) -> tuple[Verdict, Evaluation | None]:
        """Evaluate a layout anew: the verdict, and the evaluation behind it if that is complete.

        abandon_above: utilisation on the mesh twice as coarse above which the verdict is that mesh's; default the
        setting `quick_miss_limit`.  Complete: on the mesh of `mesh_level`, with a mesh error.
        """
        begun = time.monotonic()
        evaluation = self.full(
            self.panel,
            layout,
            mesh_level=self.mesh_level,
            mesh_error=self.mesh_level != "quick",
            abandon_above=self.settings.quick_miss_limit if abandon_above is None else abandon_above,
        )
        verdict = self.verdicts[layout] = evaluation.full_verdict()
        self.record_utilisation(layout.gauge, verdict.utilisation)
        self.longest_evaluation = max(self.longest_evaluation, time.monotonic() - begun)
        return verdict, None if verdict.mesh_error is None else evaluation

    def record_utilisation(self, gauge: float, utilisation: float) -> None:
        """Remember a utilisation at a gauge (mm) if it is the lowest."""
        self.lowest_utilisations[gauge] = min(utilisation, self.lowest_utilisation(gauge))

    def lowest_utilisation(self, gauge: float) -> float:
        """The lowest utilisation that a layout of this gauge (mm) has reached; infinite if none was evaluated."""
        return self.lowest_utilisations.get(gauge, math.inf)

    def quick_utilisations(self, layout: Layout) -> tuple[float, ...]:
        """Utilisation of each demand of a layout on the quick mesh, remembered; infinite where no mesh can be made."""
        key = _geometry_key(layout)
        if key not in self._quick_values:
            try:
                begun = time.monotonic()
                self._quick_values[key] = tuple(self.quick(self.panel, layout))
                self.longest_evaluation = max(self.longest_evaluation, time.monotonic() - begun)
            except MeshError:
                self._quick_values[key] = (math.inf,) * len(self.panel.demands)
        return self._quick_values[key]

    def flat_utilisations(self) -> dict[float, float]:
        """Utilisation on the quick mesh of the flat sheets that were evaluated, by gauge (mm)."""
        return {
            key[0]: max(values, default=0.0)
            for key, values in self._quick_values.items()
            if not key[1] and not key[2]
        }


def _geometry_key(layout: Layout) -> tuple:
    """Equal for layouts whose beads and holes lie in the same places to 0.1 mm, in whatever order and direction."""

    def rounded(points: Sequence[tuple[float, float]]) -> tuple:
        return tuple((round(x, 1), round(y, 1)) for x, y in points)

    beads = ((b.die.name, b.side, min(rounded(b.path), rounded(b.path[::-1]))) for b in layout.beads)
    holes = ((h.die.name, h.side, rounded([h.at])) for h in layout.holes)
    return layout.gauge, frozenset(beads), frozenset(holes)

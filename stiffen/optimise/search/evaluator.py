"""Evaluations with the shell model during a search, each made once and remembered."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from stiffen.analysis.evaluation import Evaluation, evaluate
from stiffen.analysis.screening import quick_utilisation, screen
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .settings import DEFAULT_SETTINGS, SearchSettings


@dataclass(eq=False)
class Evaluator:
    """Evaluates layouts of one panel with the shell model and remembers the answers.

    full, quick, screening: the functions that do it; others may stand in for them.  verdicts: those of `evaluate`.
    lowest_utilisations: by gauge (mm), the lowest that a layout of it has reached.
    """

    panel: Panel
    mesh_level: str
    settings: SearchSettings = DEFAULT_SETTINGS
    full: Callable[..., Evaluation] = evaluate
    quick: Callable[..., float] = quick_utilisation
    screening: Callable[..., tuple[float, tuple[int, ...]]] = screen
    verdicts: dict[Layout, Verdict] = field(default_factory=dict)
    lowest_utilisations: dict[float, float] = field(default_factory=dict)
    _quick_values: dict[tuple, tuple[float, bool]] = field(default_factory=dict)  # value, False if a lower bound
    _screenings: dict[Layout, tuple[float, tuple[int, ...]]] = field(default_factory=dict)

    def evaluate(self, layout: Layout, abandon_above: float | None = None) -> tuple[Verdict, Evaluation | None]:
        """Evaluate a layout anew: the verdict, and the evaluation behind it if that is complete.

        abandon_above: utilisation on the mesh twice as coarse above which the verdict is that mesh's; default the
        setting `quick_miss_limit`.  Complete: on the mesh of `mesh_level`, with a mesh error.
        """
        evaluation = self.full(
            self.panel,
            layout,
            mesh_level=self.mesh_level,
            mesh_error=self.mesh_level != "quick",
            abandon_above=self.settings.quick_miss_limit if abandon_above is None else abandon_above,
        )
        verdict = self.verdicts[layout] = evaluation.full_verdict()
        self.record_utilisation(layout.gauge, verdict.utilisation)
        return verdict, None if verdict.mesh_error is None else evaluation

    def record_utilisation(self, gauge: float, utilisation: float) -> None:
        """Remember a utilisation at a gauge (mm) if it is the lowest."""
        self.lowest_utilisations[gauge] = min(utilisation, self.lowest_utilisation(gauge))

    def lowest_utilisation(self, gauge: float) -> float:
        """The lowest utilisation that a layout of this gauge (mm) has reached; infinite if none was evaluated."""
        return self.lowest_utilisations.get(gauge, math.inf)

    def quick_utilisation(self, layout: Layout, stop_above: float) -> float:
        """Utilisation of a layout on the quick mesh; above `stop_above` a lower bound that is above it too.

        A remembered bound is replaced where it does not answer the question.
        """
        if layout in self.verdicts:
            return self.verdicts[layout].utilisation
        key = _geometry_key(layout)
        value, is_exact = self._quick_values.get(key, (0.0, False))
        if not is_exact and value <= stop_above:
            value = self.quick(self.panel, layout, stop_above=stop_above)
            self._quick_values[key] = value, value <= stop_above
        return value

    def screen(self, layout: Layout) -> tuple[float, tuple[int, ...]]:
        """`screening.screen`: utilisation on the quick mesh, and the demands beyond small deflections."""
        if layout not in self._screenings:
            self._screenings[layout] = self.screening(self.panel, layout, stop_above=self.settings.quick_miss_limit)
        return self._screenings[layout]

    def flat_utilisations(self) -> dict[float, float]:
        """Utilisation on the quick mesh of the flat sheets that were screened, by gauge (mm)."""
        screened = self._screenings.items()
        return {layout.gauge: value for layout, (value, _) in screened if layout == Layout(layout.gauge)}


def _geometry_key(layout: Layout) -> tuple:
    """Equal for layouts whose beads and holes lie in the same places to 0.1 mm, in whatever order and direction."""

    def rounded(points: Sequence[tuple[float, float]]) -> tuple:
        return tuple((round(x, 1), round(y, 1)) for x, y in points)

    beads = ((b.die.name, b.side, min(rounded(b.path), rounded(b.path[::-1]))) for b in layout.beads)
    holes = ((h.die.name, h.side, rounded([h.at])) for h in layout.holes)
    return layout.gauge, frozenset(beads), frozenset(holes)

"""Evaluations of layouts, by the surrogate or on the shell's quick mesh, in this process or on workers.

A batch gives the same values wherever it runs: each layout is evaluated by itself, and its
equilibrium iterations start from the same first guesses.
"""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import TypeVar

from stiffen.analysis.evaluation import Elsewhere, Values, evaluate, values_by_mesh
from stiffen.analysis.screening import quick_utilisations
from stiffen.errors import MeshError, SolverError
from stiffen.fem.blas_threads import start_job
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.model.tools import BeadDie
from stiffen.optimise.candidates.bead_rules import Group
from stiffen.optimise.candidates.group_pool import group_pool
from stiffen.surrogate.laminated_panel import Guesses, LaminatedPanel, laminated_panel

DIGITS = 6  # to which values are rounded, so that the last bits of a processor's arithmetic decide nothing
WORK = {"deflection": 4, "softness": 4, "buckling": 2, "frequency": 1, "stress": 1}  # of an evaluation, measured
TAKEN_BY_A_WORKER = ("softness", "buckling", "frequency")  # the others' fields are wanted for pictures too
KEPT_SURROGATES = 12
KEPT_CONFIRMED = 16
T = TypeVar("T")
Confirmed = tuple[tuple[float, ...], Guesses]


@dataclass(frozen=True, eq=False)
class LayoutRunner:
    """Evaluates layouts of one panel.  executor: runs batches; None for this process."""

    panel: Panel
    executor: Executor | None = None
    _confirmed: dict[Layout, Confirmed] = field(default_factory=dict)
    _started: dict[Layout, Callable[[], Confirmed]] = field(default_factory=dict)

    @cached_property
    def _pickled(self) -> bytes:
        return pickle.dumps(self.panel)

    def start_pool(self, gauge: float, mirror_axes: str, dies: tuple[BeadDie, ...]) -> Callable[[], tuple[Group, ...]]:
        """Start `group_pool` on a worker; a function that waits for the groups."""
        return start_job(self.executor, pool_of, self._pickled, gauge, mirror_axes, dies)

    def confirm(self, layout: Layout) -> Confirmed:
        """Utilisations of a layout solved without first guesses; its equilibria, first guesses for similar layouts.

        The latest ones are remembered.
        """
        found = self._confirmed.pop(layout, None)
        if found is None:
            started = self._started.pop(layout, None)
            found = confirmed(self._pickled, layout) if started is None else started()
        self._confirmed[layout] = found
        if len(self._confirmed) > KEPT_CONFIRMED:
            del self._confirmed[next(iter(self._confirmed))]
        return found

    def start_confirm(self, *layouts: Layout) -> None:
        """Start on workers what `confirm` will be asked for."""
        for layout in layouts:
            if layout not in self._confirmed and layout not in self._started:
                self._started[layout] = start_job(self.executor, confirmed, self._pickled, layout)

    def start_cold(self, layout: Layout) -> Callable[[], tuple[float, ...]]:
        """Start an evaluation without first guesses on a worker; a function that waits for the utilisations."""
        return start_job(self.executor, utilisations, self._pickled, layout, {})

    def batch(
        self, layouts: Sequence[Layout], guesses: Guesses, give_up_above: tuple[float, ...] | None = None
    ) -> list[tuple[float, ...]]:
        """Utilisations of each layout's demands; infinite where no equilibrium is found.

        give_up_above: see `LaminatedPanel.respond`.
        """
        return [wait() for wait in self.start_batch(layouts, guesses, give_up_above)]

    def start_batch(
        self, layouts: Sequence[Layout], guesses: Guesses, give_up_above: tuple[float, ...] | None = None
    ) -> list[Callable[[], tuple[float, ...]]]:
        """Start `batch` on workers; for each layout a function that waits for its utilisations."""
        return [
            start_job(self.executor, utilisations, self._pickled, layout, guesses, give_up_above) for layout in layouts
        ]

    def quick_batch(self, layouts: Sequence[Layout]) -> list[tuple[float, ...]]:
        """Utilisations of each layout's demands on the quick mesh of the shell model; infinite where that fails.

        The demands of a single layout are shared by two workers.
        """
        parts = demand_parts(self.panel)
        if len(layouts) == 1 and self.executor is not None and all(parts):
            jobs = [(self._pickled, layouts[0], math.inf, part) for part in parts]
            known: dict[int, float] = {}
            for part, found in zip(parts, run_jobs(self.executor, _on_quick_mesh, jobs), strict=True):
                if found is None:
                    return [(math.inf,) * len(self.panel.demands)]
                known.update(zip(part, found, strict=True))
            return [tuple(known[i] for i in range(len(known)))]
        return run_jobs(self.executor, shell_utilisations, [(self._pickled, layout) for layout in layouts])

    def start_quick(self, layout: Layout) -> Callable[[], tuple[float, ...]]:
        """Start an evaluation on the quick mesh on a worker; a function that waits for its values."""
        return start_job(self.executor, shell_utilisations, self._pickled, layout)

    def start_some_demands(self, layout: Layout, mesh_level: str) -> Elsewhere | None:
        """Start on a worker what it may take from a complete evaluation in this process; None if that is nothing."""
        numbers = tuple(i for i, one in enumerate(self.panel.demands) if one.kind in TAKEN_BY_A_WORKER)
        if self.executor is None or len(numbers) in (0, len(self.panel.demands)):
            return None
        return Elsewhere(numbers, start_job(self.executor, demand_values, self._pickled, layout, numbers, mesh_level))

    def start_full(self, layout: Layout, mesh_level: str) -> Callable[[], Verdict]:
        """Start a complete evaluation of a layout on a worker; a function that waits for its verdict."""
        return start_job(self.executor, full_verdict, self._pickled, layout, mesh_level)


def run_jobs(executor: Executor | None, function: Callable[..., T], jobs: Sequence[tuple]) -> list[T]:
    """The function's result for the arguments of each job, in their order.  executor: None for this process."""
    started = [start_job(executor, function, *job) for job in jobs]
    return [result() for result in started]


def confirmed(pickled: bytes, layout: Layout) -> Confirmed:
    """What `LayoutRunner.confirm` gives for a layout of a pickled panel."""
    surrogate = _surrogate(pickled, layout.gauge)
    try:
        response = surrogate.respond(layout)
    except SolverError:
        return (math.inf,) * len(surrogate.panel.demands), {}
    return _rounded(response.utilisations), response.guesses


def pool_of(pickled: bytes, gauge: float, mirror_axes: str, dies: tuple[BeadDie, ...]) -> tuple[Group, ...]:
    """`group_pool` of a pickled panel at a gauge, mm."""
    return group_pool(_surrogate(pickled, gauge), mirror_axes, dies)


def full_verdict(pickled: bytes, layout: Layout, mesh_level: str) -> Verdict:
    """The verdict on a pickled panel's layout, as `Evaluator.evaluate` gives it."""
    found = evaluate(_panel(pickled), layout, mesh_level=mesh_level, mesh_error=mesh_level != "quick")
    return found.full_verdict()


def demand_values(pickled: bytes, layout: Layout, numbers: tuple[int, ...], mesh_level: str) -> list[Values]:
    """Values of some demands of a pickled panel by mesh, as a complete evaluation takes them."""
    return values_by_mesh(_panel(pickled), layout, numbers, mesh_level, mesh_level != "quick")[0]


def demand_parts(panel: Panel) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Numbers of the demands in two parts of about the same work.  Those of one load case share its equilibrium."""
    groups: dict[str, list[int]] = {}
    for i, demand in enumerate(panel.demands):
        groups.setdefault(demand.case or demand.kind, []).append(i)
    parts: tuple[list[int], list[int]] = ([], [])
    work = [0, 0]
    of_group = [(sum(WORK[panel.demands[i].kind] for i in group), group) for group in groups.values()]
    for more, group in sorted(of_group, reverse=True):
        less = work.index(min(work))
        parts[less].extend(group)
        work[less] += more
    return tuple(parts[0]), tuple(parts[1])


def shell_utilisations(pickled: bytes, layout: Layout, stop_above: float = math.inf) -> tuple[float, ...]:
    """Utilisations of the demands of a pickled panel for a layout on the quick mesh, rounded.

    The surrogate finds the softest place and the first guesses of equilibria.
    stop_above: see `screening.quick_utilisations`.
    """
    found = _on_quick_mesh(pickled, layout, stop_above)
    return (math.inf,) * len(_panel(pickled).demands) if found is None else found


def _on_quick_mesh(
    pickled: bytes, layout: Layout, stop_above: float, only: tuple[int, ...] | None = None
) -> tuple[float, ...] | None:
    """As `shell_utilisations`, of the demands of some numbers; None for a layout that cannot be evaluated."""
    panel = _panel(pickled)
    if only is not None:
        panel = replace(panel, demands=tuple(panel.demands[i] for i in only))
    try:
        surrogate = _surrogate(pickled, layout.gauge)
        coarser = {assumed: surrogate.model_of(layout, assumed) for assumed in surrogate.models}
        return _rounded(quick_utilisations(panel, layout, stop_above, coarser))
    except (SolverError, MeshError):
        return None


def utilisations(
    pickled: bytes, layout: Layout, guesses: Guesses, give_up_above: tuple[float, ...] | None = None
) -> tuple[float, ...]:
    """Utilisations of the demands of a pickled panel for a layout, rounded."""
    surrogate = _surrogate(pickled, layout.gauge)
    try:
        return _rounded(surrogate.respond(layout, guesses, give_up_above).utilisations)
    except SolverError:
        return (math.inf,) * len(surrogate.panel.demands)


def _rounded(values: Sequence[float]) -> tuple[float, ...]:
    return tuple(float(f"{value:.{DIGITS}g}") for value in values)


@lru_cache(maxsize=4)
def _panel(pickled: bytes) -> Panel:
    return pickle.loads(pickled)


@lru_cache(maxsize=KEPT_SURROGATES)
def _surrogate(pickled: bytes, gauge: float) -> LaminatedPanel:
    return laminated_panel(_panel(pickled), gauge)

"""The proof of one finished panel: plan of the push test, what to expect, what was measured, the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .answer import Answer, answer, push_readings
from .expectation import Expectation, base_build, expectation
from .measurements import Measured, require_plausible
from .push_plan import PushPlan
from .responses import Push, Responses

Progress = Callable[[float | None, str], None]


@dataclass(frozen=True)
class Proof:
    """The proof of a panel.  expected: of each observable.  answer: None if nothing comparable was measured."""

    panel: Panel
    layout: Layout
    plan: PushPlan
    measured: Measured
    observables: tuple[Push, ...]
    expected: Expectation
    answer: Answer | None = None


def make_proof(
    panel: Panel,
    layout: Layout,
    plan: PushPlan,
    measured: Measured,
    *,
    mesh_level: str = "normal",
    varied_mesh: str = "quick",
    reading_error: float | None = None,
    progress: Progress = lambda fraction, message: None,
) -> Proof:
    """Compute what to expect, and the answer to what was measured.

    The panel as drawn or measured is computed on `mesh_level`; what differs from it is computed on `varied_mesh`, in
    proportion.  reading_error: mm, of each push reading; None for that of the instrument the plan names.  Raises
    InputError for values that are not of this panel, MeshError, SolverError.
    """
    require_plausible(measured, layout, plan.pushes)
    quick = Responses(panel, layout, plan.pushes, varied_mesh, progress)
    base = base_build(layout, measured, panel)
    scale = np.ones(len(quick.observables))
    if mesh_level != varied_mesh and len(scale):
        scale = Responses(panel, layout, plan.pushes, mesh_level, progress).of(base) / quick.of(base)
    expected = expectation(panel, layout, measured, quick, scale)
    readings, errors = push_readings(plan.pushes, measured, expected.value, reading_error)
    found = None
    if np.isfinite(readings).any():
        found = answer(panel, layout, measured, quick, scale, expected, readings, errors, progress)
    return Proof(panel, layout, plan, measured, quick.observables, expected, found)

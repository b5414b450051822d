"""Pseudo-transient continuation: relaxation to a stable equilibrium under constant load, where none lies near by.

Newton's method with damping and a line search.  The damping is a stiffness against the step itself, just large enough
that the tangent is stable and the step no longer than a few thicknesses (C. T. Kelley and D. E. Keyes, "Convergence
analysis of pseudo-transient continuation", SIAM J. Numer. Anal. 35 (1998) 508-523).  The line search is on the work of
the residual along the step (M. A. Crisfield, "An arc-length method including line searches and accelerations", Int. J.
Numer. Methods Eng. 19 (1983) 1269-1289), so that the sheet moves only in the direction of the unbalanced forces.

A sheet on unilateral supports is followed beyond the load at which it gives way (its corners lift, then it rolls up) by
relaxing it step by step.  A line search inside the load steps was tried too and left out: each step that it changed
converged without it, in as many factorisations.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stiffen.errors import SolverError

from .direct_solvers.sparse_lu import SparseFactors
from .nonlinear_problem import NonlinearProblem, Response

MAX_STEPS = 200
MAX_STEP_IN_THICKNESSES = 3.0
INITIAL_DAMPING = 1e-8  # over the largest membrane stiffness of a triangle's corner
DAMPING_INCREASE, DAMPING_DECREASE = 10.0, 0.1
# Both as the work of the residual along the step, at its end over that at its start:
MAX_OPPOSING_WORK = 0.5  # a step is shortened while this ratio is below -MAX_OPPOSING_WORK
MIN_WORK_TO_EXTEND = 0.9  # a step is doubled while the ratio is above this
MAX_HALVINGS = 8
PERTURBATION = 0.01  # length of the step that leaves an unstable equilibrium, over the longest step
INVERSE_ITERATIONS = 4


def relax_to_stable(
    problem: NonlinearProblem, response: Response, factor: float, is_equilibrium: Callable[[Response], bool]
) -> tuple[Response | None, int, int]:
    """The next stable equilibrium at a load factor, or None; and the numbers of steps and of factorisations."""
    max_step = MAX_STEP_IN_THICKNESSES * float(np.mean(problem.shell.t))
    min_damping = INITIAL_DAMPING * problem.max_stiffness
    damping, factorisations = 0.0, 0
    for count in range(MAX_STEPS):
        residual = problem.residual(response, factor)
        while True:
            factorisations += 1
            try:
                factors = problem.factorise(response, response.element_forces, factor, damping)
                step = factors.solve(residual) if factors.negative_eigenvalues == 0 else None
            except SolverError:  # the tangent is singular at this state
                step = None
            if step is not None and _max_displacement(step) <= max_step:
                break
            damping = max(DAMPING_INCREASE * damping, min_damping)
            if damping > problem.max_stiffness:
                return None, count, factorisations
        if is_equilibrium(response):
            if damping == 0.0:
                return response, count, factorisations
            perturbation = PERTURBATION * max_step * _instability_direction(problem, factors)
            response = problem.respond(response.state.updated(perturbation))
            continue
        response, fraction = _line_search(problem, response, step, residual, factor, max_step)
        damping = damping * DAMPING_DECREASE if fraction >= 1.0 else damping
        if damping < min_damping:
            damping = 0.0
    return None, MAX_STEPS, factorisations


def _instability_direction(problem: NonlinearProblem, factors: SparseFactors) -> np.ndarray:
    """Step (6 n,) along the lowest eigenvector of the damped tangent, largest displacement 1 mm, by inverse iteration.

    Its sign depends on the start vector, which is fixed, so that results repeat.
    """
    step = problem.free_part(np.random.default_rng(0).standard_normal(problem.shell.dof_count))
    for _ in range(INVERSE_ITERATIONS):
        step = factors.solve(step)
        step /= _max_displacement(step)
    return step


def _line_search(
    problem: NonlinearProblem,
    response: Response,
    step: np.ndarray,
    residual: np.ndarray,
    factor: float,
    max_step: float,
) -> tuple[Response, float]:
    """Line search: state after the largest admissible fraction of the step, and that fraction.

    A fraction is admissible while the residual at its end does not oppose the step by more than MAX_OPPOSING_WORK.
    Where the residual hardly falls along the step, the fraction grows beyond 1.
    """

    def response_at(fraction: float) -> tuple[Response, float]:
        """Response after a fraction of the step, and the work of its residual along the step."""
        end = problem.respond(response.state.updated(fraction * step))
        return end, float(step @ problem.residual(end, factor))

    start_work, fraction, max_fraction = float(step @ residual), 1.0, max_step / _max_displacement(step)
    end, work = response_at(fraction)
    for _ in range(MAX_HALVINGS):
        if work >= -MAX_OPPOSING_WORK * start_work:
            break
        fraction /= 2
        end, work = response_at(fraction)
    while work > MIN_WORK_TO_EXTEND * start_work and 2 * fraction <= max_fraction:
        longer_end, longer_work = response_at(2 * fraction)
        if longer_work < -MAX_OPPOSING_WORK * start_work:
            break
        end, work, fraction = longer_end, longer_work, 2 * fraction
    return end, fraction


def _max_displacement(step: np.ndarray) -> float:
    """Largest displacement of a step (6 n,) along an axis, mm."""
    return float(np.abs(step.reshape(-1, 2, 3)[:, 0]).max())

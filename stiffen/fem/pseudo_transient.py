"""Letting go: a sheet that finds no equilibrium near by slides to the next one that is stable, its load held.

Newton's method with drag and a line search.  The drag is a stiffness against the step itself, as much as makes the
tangent stable and the step no longer than a few thicknesses (C. T. Kelley and D. E. Keyes, "Convergence analysis of
pseudo-transient continuation", SIAM J. Numer. Anal. 35 (1998) 508-523); the line search is on the work that the forces
out of balance do along the step (M. A. Crisfield, "An arc-length method including line searches and accelerations",
Int. J. Numer. Methods Eng. 19 (1983) 1269-1289), so that the sheet only goes where it is pushed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stiffen.errors import SolverError

from .nonlinear_problem import NonlinearProblem, Response
from .sparse_lu import SparseFactors

MAX_STEPS = 200
MAX_STEP_IN_THICKNESSES = 3.0  # step, in thicknesses
INITIAL_DAMPING = 1e-8  # to begin with, of the stiffness of a triangle's corner
DAMPING_INCREASE, DAMPING_DECREASE = 10.0, 0.1
MAX_OPPOSING_WORK = (
    0.5  # work at the end of a step that pushes back, over that at its start, up to which the step will do
)
MIN_WORK_TO_EXTEND = 0.9  # the same, pushing on, over which it may be longer
MAX_HALVINGS = 8
PERTURBATION = 0.01  # of the longest step, to leave an unstable equilibrium
INVERSE_ITERATIONS = 4


def relax_to_stable(
    problem: NonlinearProblem, response: Response, factor: float, is_equilibrium: Callable[[Response], bool]
) -> tuple[Response | None, int, int]:
    """The next stable equilibrium at a load factor, or None where none is found; steps and factorisations taken."""
    longest = MAX_STEP_IN_THICKNESSES * float(np.mean(problem.shell.t))
    least = INITIAL_DAMPING * problem.max_stiffness
    drag, factorisations = 0.0, 0
    for count in range(MAX_STEPS):
        residual = problem.residual(response, factor)
        while True:
            factorisations += 1
            try:
                factors = problem.factorise(response, response.element_forces, factor, drag)
                step = factors.solve(residual) if factors.negative_eigenvalues == 0 else None
            except SolverError:  # nothing holds a part of the sheet here
                step = None
            if step is not None and _max_displacement(step) <= longest:
                break
            drag = max(DAMPING_INCREASE * drag, least)
            if drag > problem.max_stiffness:
                return None, count, factorisations
        if is_equilibrium(response):
            if drag == 0.0:
                return response, count, factorisations
            response = problem.respond(
                response.state.updated(PERTURBATION * longest * _instability_direction(problem, factors))
            )
            continue
        response, share = _line_search(problem, response, step, residual, factor, longest)
        drag = drag * DAMPING_DECREASE if share >= 1.0 else drag
        if drag < least:
            drag = 0.0
    return None, MAX_STEPS, factorisations


def _instability_direction(problem: NonlinearProblem, factors: SparseFactors) -> np.ndarray:
    """A step (6 n,) in the direction in which a sheet at an unstable equilibrium gives way first, longest shift 1.

    By inverse iteration; the sign is chance, but the same each time.
    """
    step = problem.free_part(np.random.default_rng(0).standard_normal(problem.shell.dof_count))
    for _ in range(INVERSE_ITERATIONS):
        step = factors.solve(step)
        step /= _max_displacement(step)
    return step


def _line_search(
    problem: NonlinearProblem, response: Response, step: np.ndarray, residual: np.ndarray, factor: float, longest: float
) -> tuple[Response, float]:
    """As much of a step as does not run against the forces out of balance, and which share of it that is.

    More than the step where these push on undiminished: there the sheet gives way.
    """

    def gone(share: float) -> tuple[Response, float]:
        there = problem.respond(response.state.updated(share * step))
        return there, float(step @ problem.residual(there, factor))

    work, share, most = float(step @ residual), 1.0, longest / _max_displacement(step)
    there, left = gone(share)
    for _ in range(MAX_HALVINGS):
        if left >= -MAX_OPPOSING_WORK * work:
            break
        share /= 2
        there, left = gone(share)
    while left > MIN_WORK_TO_EXTEND * work and 2 * share <= most:
        further, beyond = gone(2 * share)
        if beyond < -MAX_OPPOSING_WORK * work:
            break
        there, left, share = further, beyond, 2 * share
    return there, share


def _max_displacement(step: np.ndarray) -> float:
    """Largest shift of a step (6 n,), mm."""
    return float(np.abs(step.reshape(-1, 2, 3)[:, 0]).max())

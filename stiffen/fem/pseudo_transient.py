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

from .nonlinear_problem import Factors, Problem, Response

STEPS = 200
LONGEST = 3.0  # step, in thicknesses
DRAG = 1e-8  # to begin with, of the stiffness of a triangle's corner
STRONGER, WEAKER = 10.0, 0.1
OVERSHOOT = 0.5  # work at the end of a step that pushes back, over that at its start, up to which the step will do
PUSHED_ON = 0.9  # the same, pushing on, over which it may be longer
HALVINGS = 8
NUDGE = 0.01  # of the longest step, to leave an unstable equilibrium
INVERSE = 4


def let_go(
    problem: Problem, response: Response, factor: float, balanced: Callable[[Response], bool]
) -> tuple[Response | None, int, int]:
    """The next stable equilibrium at a load factor, or None where none is found; steps and factorisations taken."""
    longest = LONGEST * float(np.mean(problem.shell.t))
    least = DRAG * problem.stiffest
    drag, factorisations = 0.0, 0
    for count in range(STEPS):
        residual = problem.residual(response, factor)
        while True:
            factorisations += 1
            try:
                factors = problem.factorise(response, response.stress, factor, drag)
                step = factors.solve(residual) if factors.negative() == 0 else None
            except SolverError:  # nothing holds a part of the sheet here
                step = None
            if step is not None and _largest(step) <= longest:
                break
            drag = max(STRONGER * drag, least)
            if drag > problem.stiffest:
                return None, count, factorisations
        if balanced(response):
            if drag == 0.0:
                return response, count, factorisations
            response = problem.respond(response.state.moved(NUDGE * longest * _way_out(problem, factors)))
            continue
        response, share = _along(problem, response, step, residual, factor, longest)
        drag = drag * WEAKER if share >= 1.0 else drag
        if drag < least:
            drag = 0.0
    return None, STEPS, factorisations


def _way_out(problem: Problem, factors: Factors) -> np.ndarray:
    """A step (6 n,) in the direction in which a sheet at an unstable equilibrium gives way first, longest shift 1.

    By inverse iteration; the sign is chance, but the same each time.
    """
    step = problem.free_part(np.random.default_rng(0).standard_normal(problem.shell.size))
    for _ in range(INVERSE):
        step = factors.solve(step)
        step /= _largest(step)
    return step


def _along(
    problem: Problem, response: Response, step: np.ndarray, residual: np.ndarray, factor: float, longest: float
) -> tuple[Response, float]:
    """As much of a step as does not run against the forces out of balance, and which share of it that is.

    More than the step where these push on undiminished: there the sheet gives way.
    """

    def gone(share: float) -> tuple[Response, float]:
        there = problem.respond(response.state.moved(share * step))
        return there, float(step @ problem.residual(there, factor))

    work, share, most = float(step @ residual), 1.0, longest / _largest(step)
    there, left = gone(share)
    for _ in range(HALVINGS):
        if left >= -OVERSHOOT * work:
            break
        share /= 2
        there, left = gone(share)
    while left > PUSHED_ON * work and 2 * share <= most:
        further, beyond = gone(2 * share)
        if beyond < -OVERSHOOT * work:
            break
        there, left, share = further, beyond, 2 * share
    return there, share


def _largest(step: np.ndarray) -> float:
    """Largest shift of a step (6 n,), mm."""
    return float(np.abs(step.reshape(-1, 2, 3)[:, 0]).max())

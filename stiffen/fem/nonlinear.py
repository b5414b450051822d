"""The judge beyond small deflections: what a loaded sheet does when it leaves linear theory.

The flat triangles of the linear judge in frames that turn with them (`corotational.py`), equilibrium on the deflected
sheet (`nonlinear_problem.py`), followed as the load grows (`continuation.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError

from . import triangle
from .blas_threads import one_thread
from .contact import nonlinear_supports
from .continuation import FIRST_STEP, MAX_ARC_STEPS, ContinuationSolver, Equilibrium, PathTangent, Progress
from .corotational import State
from .edge_beams import EdgeBeams
from .nonlinear_problem import NonlinearProblem
from .shell import Shell, rigid_body_modes, unrestrained_modes

BALANCE_TOLERANCE = 1e-5  # greatest force or moment out of balance, as a fraction of what was applied


@dataclass(frozen=True, eq=False)
class EquilibriumPath:
    """A path of equilibria of a shell under growing load.

    factors (k,): load factors of the states found, in order, from the start.  largest (k,): largest shift of a node,
    mm.  history (k, w): the freedoms that were watched.  energy (k,): stored work, N mm.  states: load factor -> state,
    for the factors asked for, where the path first passed them rising.  last: the state at the end.  reactions (6 n,):
    forces of supports on the sheet at the end, N and N mm.  limit: load factor at which the sheet first snaps through,
    or None.  converged: the path reached the factor asked for.  stable: the end state gives way in no direction.
    words: what happened, for people.
    """

    shell: Shell
    factors: np.ndarray
    max_displacements: np.ndarray
    history: np.ndarray
    energy: np.ndarray
    states: dict[float, State]
    end_state: State
    reactions: np.ndarray
    iterations: int
    factorisations: int
    limit_factor: float | None
    converged: bool
    stable: bool
    message: str
    problem: NonlinearProblem

    @cached_property
    def resultants(self) -> tuple[np.ndarray, np.ndarray]:
        """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm at the end, at centroids, in the triangles' frames."""
        return resultants(self.problem, self.end_state)

    @cached_property
    def stress(self) -> tuple[np.ndarray, np.ndarray]:
        """Stresses (m, 3) MPa on the upper and lower face at the end, as `Shell.stress`."""
        N, M = self.resultants
        t = np.broadcast_to(np.asarray(self.shell.t, float), (len(N),))[:, None]
        return N / t + 6 * M / t**2, N / t - 6 * M / t**2


def resultants(problem: NonlinearProblem, state: State) -> tuple[np.ndarray, np.ndarray]:
    """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm of a state, at centroids, in the triangles' frames."""
    shell, model = problem.shell, problem.elements
    strained = np.concatenate([model.element_state(part, state).deformation for part in model.chunks()])
    return triangle.resultants(shell.geometry, shell.t, shell.E, shell.nu, strained)


@one_thread
def follow_path(
    shell: Shell,
    fixed: np.ndarray,
    forces: np.ndarray,
    *,
    springs: sp.spmatrix | None = None,
    pressure: np.ndarray | None = None,
    unilateral: np.ndarray | None = None,
    gaps: Sequence[tuple[np.ndarray, float]] = (),
    edge_beams: EdgeBeams | None = None,
    start: EquilibriumPath | None = None,
    target_factor: float = 1.0,
    requested_factors: Sequence[float] = (),
    watched_dofs: Sequence[int] = (),
    by_arc_length: bool = False,
    first_step: float = FIRST_STEP,
    progress: Progress | None = None,
) -> EquilibriumPath:
    """Follow a shell from rest (or from the end of `start`) as its loads grow to `target_factor` times.

    fixed: freedoms held at zero.  forces: (6 n,) N and N mm, dead: they keep their direction.  pressure: (m,) MPa,
    stays square to the sheet and pushes against the triangles' normals.  springs: (6 n, 6 n) elastic supports.
    rests: uz freedoms of nodes that lie on a frame: they may lift, not sink.  slips: (nodes of a fastener's disc,
    clearance mm): the disc slides in plane by its clearance, then holds.  tubes: beams fitted to the sheet.  steps:
    load factors at which a state is wanted.  watch: freedoms whose history is wanted.  arc: follow the path by its
    length from the start; otherwise only where growing load finds no equilibrium near by, and never with rests.
    reach: first step, linear deflection over thickness; a long one costs less and may leap over a snap on its way to
    the same end.  progress(fraction, words) is called after every step.

    Raises SolverError where the panel is not held, or no way on is found; it names the last load factor reached.
    """
    factor, state = (0.0, State.at_rest(len(shell.nodes))) if start is None else (start.factors[-1], start.end_state)
    if not target_factor > 0 or target_factor < factor:
        raise ValueError(f"until = {target_factor:g} lies behind the start")
    problem = NonlinearProblem(
        shell,
        np.asarray(fixed),
        np.asarray(forces, float),
        None if pressure is None else np.asarray(pressure, float),
        nonlinear_supports(shell.E * float(np.mean(shell.t)), springs, unilateral, gaps),
        edge_beams,
    )
    _check_restrained(problem)
    walk = ContinuationSolver(
        problem,
        target_factor,
        tuple(sorted(requested_factors)),
        np.asarray(watched_dofs, int),
        progress or _no_progress,
        first_step=first_step,
    )
    here, tangent = walk.run(float(factor), state, by_arc_length)
    return _path_result(walk, here, tangent)


def _no_progress(fraction: float, message: str) -> None:
    """Progress that nobody asked for."""


def load_deflection(
    shell: Shell,
    fixed: np.ndarray,
    forces: np.ndarray,
    *,
    factors: Sequence[float] = (0.05, 0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5),
    **more,
) -> EquilibriumPath:
    """The load-deflection curve to the last of `factors`, with a state at each; more: as for `follow_path`."""
    return follow_path(shell, fixed, forces, target_factor=max(factors), requested_factors=factors, **more)


def _check_restrained(problem: NonlinearProblem) -> None:
    """SolverError where nothing stops the panel from moving off."""
    u = np.zeros(problem.shell.dof_count)
    springs = None
    for stop in problem.supports:
        K = stop.respond(u)[2]
        springs = K if springs is None else springs + K
    loose = unrestrained_modes(problem.shell, problem.fixed, springs)
    if loose:
        words = "; ".join(f"can {motion} (part about x {p[0]:.0f}, y {p[1]:.0f})" for motion, p in loose)
        raise SolverError(f"the panel is not held: it {words}; add or extend a support")


def _path_result(solver: ContinuationSolver, here: Equilibrium, tangent: PathTangent) -> EquilibriumPath:
    """The result of a walk that ended `gauge_search`."""
    problem, response = solver.problem, here.response
    reactions = -response.support_forces
    held = ~problem.is_free
    reactions[held] += (response.internal_forces - here.factor * response.load)[held]
    _check_balance(problem, here, reactions)
    factors, largest, energy, history = zip(*solver.history, strict=True)
    reached = solver.reached_target(here)
    words = [f"load factor {here.factor:.4g} reached in {len(factors) - 1} steps"]
    if solver.limit_factor is not None:
        words.append(f"snaps through at load factor {solver.limit_factor:.3g}")
    if not reached:
        words.append(f"load factor {solver.target_factor:g} was not reached in {MAX_ARC_STEPS} steps along the path")
    if solver.first_unstable_factor is not None:
        words.append(
            f"from load factor {solver.first_unstable_factor:.3g} on the sheet could leave this path for a buckled one; give it an "
            "initial waviness to see which"
        )
    return EquilibriumPath(
        problem.shell,
        np.array(factors),
        np.array(largest),
        np.array(history),
        np.array(energy),
        solver.states,
        response.state,
        reactions,
        solver.iterations,
        solver.factorisations,
        solver.limit_factor,
        reached,
        tangent.negative_eigenvalues == 0,
        "; ".join(words),
        problem,
    )


def _check_balance(problem: NonlinearProblem, here: Equilibrium, reactions: np.ndarray) -> None:
    """SolverError unless loads and reactions balance in force and moment on the deflected sheet."""
    load = here.factor * here.response.load
    place = problem.shell.nodes + here.displacements
    reach = float(np.ptp(place, axis=0).max())
    motions = rigid_body_modes(place)
    scale = np.array([1, 1, 1, reach, reach, reach])
    rest = np.abs(motions.T @ (load + reactions) / scale).max()
    applied = np.abs(load.reshape(-1, 2, 3) / np.array([1.0, reach])[:, None]).sum()
    noise = problem.roundoff_residual(here.response)
    if not rest <= BALANCE_TOLERANCE * applied + 10 * noise * np.sqrt(len(load)):
        raise SolverError(f"loads and reactions do not balance (off by {rest:.2g} N of {applied:.2g} N)")

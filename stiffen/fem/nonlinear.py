"""Geometrically nonlinear static analysis of a shell: the equilibrium path as its loads grow.

Corotational triangles (`corotational.py`), equilibrium on the deflected sheet (`nonlinear_problem.py`) and a
continuation method that follows the path (`continuation.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.errors import SolverError

from .blas_threads import one_thread
from .contact import nonlinear_supports
from .continuation import (
    FIRST_STEP,
    MAX_ARC_STEPS,
    TOLERANCE,
    ContinuationSolver,
    Equilibrium,
    Guess,
    PathTangent,
    Progress,
)
from .corotational import State
from .edge_beams import EdgeBeams
from .nonlinear_problem import NonlinearProblem
from .shell import Shell, check_restrained, rigid_body_modes

BALANCE_TOLERANCE = 1e-5  # largest unbalanced force or moment, as a fraction of what was applied


@dataclass(frozen=True, eq=False)
class EquilibriumPath:
    """A path of equilibria of a shell under growing load.

    factors (k,): load factors of the equilibria, in order from the start.  max_displacements (k,): largest
    displacement of a node, mm.  history (k, w): values of the watched DOFs.  energy (k,): strain energy, N mm.
    states: load factor -> state, for the requested factors, where the path first passed them with rising load.
    end_state: the last equilibrium.  reactions (6 n,): forces of supports on the sheet there, N and N mm.
    limit_factor: load factor of the first limit point (snap-through), or None.  first_unstable_factor: load factor of
    the first unstable equilibrium at which the load rises, or None.  guessed: the end was found from a guess, and what
    lies before it is not known.  converged: the path reached the target
    factor.  stable: the tangent at the end has no negative eigenvalue.  iterations, factorisations: counts over the
    whole path.  message: the outcome in words, for the user.
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
    first_unstable_factor: float | None
    guessed: bool
    converged: bool
    stable: bool
    message: str
    problem: NonlinearProblem

    @property
    def is_plain(self) -> bool:
        """True where the path reached its target by growing load alone, stable all the way."""
        is_broken = self.limit_factor is not None or self.first_unstable_factor is not None
        return self.converged and self.stable and not is_broken

    @cached_property
    def resultants(self) -> tuple[np.ndarray, np.ndarray]:
        """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm at the end, at centroids, in the triangles' frames."""
        return resultants(self.problem, self.end_state)

    @cached_property
    def stress(self) -> tuple[np.ndarray, np.ndarray]:
        """Stresses (m, 3) MPa on the upper and lower face at the end, as `Shell.stress`."""
        return self.shell.local_stress(deformations(self.problem, self.end_state))


def resultants(problem: NonlinearProblem, state: State) -> tuple[np.ndarray, np.ndarray]:
    """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm of a state, at centroids, in the triangles' frames."""
    return problem.shell.local_resultants(deformations(problem, state))


def deformations(problem: NonlinearProblem, state: State) -> np.ndarray:
    """(m, 18) deformations of the triangles in their frames at a state."""
    elements = problem.elements
    return np.concatenate([elements.element_state(chunk, state).deformation for chunk in elements.chunks()])


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
    guess: Guess | None = None,
    trust_guess: bool = False,
    target_factor: float = 1.0,
    requested_factors: Sequence[float] = (),
    watched_dofs: Sequence[int] = (),
    by_arc_length: bool = False,
    first_step: float = FIRST_STEP,
    tolerance: float = TOLERANCE,
    rest_rate: np.ndarray | None = None,
    reuses_factors: bool = False,
    progress: Progress | None = None,
) -> EquilibriumPath:
    """Follow the equilibrium path of a shell from rest (or from the end of `start`) to the target load factor.

    fixed: DOFs constrained to zero.
    forces: (6 n,) N and N mm; dead loads, which keep their direction.
    pressure: (m,) MPa; stays normal to the sheet and pushes against the triangles' normals.
    springs: (6 n, 6 n) stiffness of elastic supports.
    unilateral: uz DOFs of nodes that lie on a frame: they may lift off, not sink.
    gaps: (nodes of a fastener's disc, clearance mm): the disc slides in plane by its clearance, then bears.
    edge_beams: beams attached to the sheet.
    guess: of the equilibrium at the target factor.  If a stable one is found from it directly, it is the
    whole path; else the path is followed from rest.  trust_guess: do not check that it is stable.
    requested_factors: load factors at which the state is kept.
    watched_dofs: DOFs whose history is kept.
    by_arc_length: use arc-length steps from the start; otherwise they are used only where load steps find no nearby
    equilibrium.  Unilateral supports never use them.
    first_step: linear deflection of the first step over thickness.  Longer steps cost less, but may jump over a
    snap-through without noticing it.
    tolerance: residual force over load at which a state counts as equilibrium.
    rest_rate: (6 n,) linear displacements under the loads, if they are known: the tangent of the path at rest.
    reuses_factors: take the tangent at an equilibrium from the last iteration that led to it, and make the last steps
    to it with earlier factors; rougher, and faster.
    progress(fraction, message): called after every step.

    Raises SolverError where a rigid-body mode is unrestrained, or where no further equilibrium is found: the message
    names the last load factor reached.  Raises ValueError for a target behind the start.
    """
    factor, state = (0.0, State.at_rest(len(shell.nodes))) if start is None else (start.factors[-1], start.end_state)
    if not target_factor > 0 or target_factor < factor:
        raise ValueError(f"the target factor {target_factor:g} lies behind the start")
    problem = NonlinearProblem(
        shell,
        np.asarray(fixed),
        np.asarray(forces, float),
        None if pressure is None else np.asarray(pressure, float),
        nonlinear_supports(shell.E * float(np.mean(shell.t)), springs, unilateral, gaps),
        edge_beams,
    )
    _check_restrained(problem)
    solver = ContinuationSolver(
        problem,
        target_factor,
        tuple(sorted(requested_factors)),
        np.asarray(watched_dofs, int),
        progress or _no_progress,
        first_step=first_step,
        tolerance=tolerance,
        rest_rate=rest_rate,
        reuses_factors=reuses_factors,
    )
    found = solver.near_guess(guess, trust_guess) if guess is not None else None
    end, tangent = found or solver.run(float(factor), state, by_arc_length)
    return _path_result(solver, end, tangent, guessed=found is not None)


def _no_progress(fraction: float, message: str) -> None:
    """Default for `progress`: does nothing."""


def load_deflection(
    shell: Shell,
    fixed: np.ndarray,
    forces: np.ndarray,
    *,
    factors: Sequence[float] = (0.05, 0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5),
    **options,
) -> EquilibriumPath:
    """Load-deflection curve up to the largest of `factors`, with the state at each; options as for `follow_path`."""
    return follow_path(shell, fixed, forces, target_factor=max(factors), requested_factors=factors, **options)


def _check_restrained(problem: NonlinearProblem) -> None:
    """Raises SolverError where neither fixed DOFs nor supports restrain a rigid-body mode."""
    u = np.zeros(problem.shell.dof_count)
    stiffness = None
    for support in problem.supports:
        K = support.respond(u)[2]
        stiffness = K if stiffness is None else stiffness + K
    check_restrained(problem.shell, problem.fixed, stiffness)


def _path_result(solver: ContinuationSolver, end: Equilibrium, tangent: PathTangent, guessed: bool) -> EquilibriumPath:
    """The result of a solver that stopped at the equilibrium `end`; raises SolverError where forces do not balance."""
    problem, response = solver.problem, end.response
    reactions = -response.support_forces
    constrained = ~problem.is_free
    reactions[constrained] += (response.internal_forces - end.factor * response.load)[constrained]
    _check_balance(problem, end, reactions, max(BALANCE_TOLERANCE, 10 * solver.tolerance))
    factors, max_displacements, energy, history = zip(*solver.history, strict=True)
    converged = solver.reached_target(end)
    messages = [f"load factor {end.factor:.4g} reached in {len(factors) - 1} steps"]
    if solver.limit_factor is not None:
        messages.append(f"snaps through at load factor {solver.limit_factor:.3g}")
    if not converged:
        messages.append(f"load factor {solver.target_factor:g} was not reached in {MAX_ARC_STEPS} arc-length steps")
    if solver.first_unstable_factor is not None:
        messages.append(
            f"from load factor {solver.first_unstable_factor:.3g} on this path is unstable (the sheet can "
            "buckle); give it an initial waviness to follow the buckled path"
        )
    return EquilibriumPath(
        problem.shell,
        np.array(factors),
        np.array(max_displacements),
        np.array(history),
        np.array(energy),
        solver.states,
        response.state,
        reactions,
        solver.iterations,
        solver.factorisations,
        solver.limit_factor,
        solver.first_unstable_factor,
        guessed,
        converged,
        tangent.negative_eigenvalues == 0,
        "; ".join(messages),
        problem,
    )


def _check_balance(problem: NonlinearProblem, end: Equilibrium, reactions: np.ndarray, tolerance: float) -> None:
    """Raises SolverError unless loads and reactions balance in force and moment on the deflected sheet.

    tolerance: largest unbalanced force or moment, as a fraction of what was applied.
    """
    load = end.factor * end.response.load
    deflected = problem.shell.nodes + end.displacements
    span = float(np.ptp(deflected, axis=0).max())
    modes = rigid_body_modes(deflected)
    scale = np.array([1, 1, 1, span, span, span])
    unbalanced = np.abs(modes.T @ (load + reactions) / scale).max()
    applied = np.abs(load.reshape(-1, 2, 3) / np.array([1.0, span])[:, None]).sum()
    roundoff = problem.roundoff_residual(end.response)
    if not unbalanced <= tolerance * applied + 10 * roundoff * np.sqrt(len(load)):
        raise SolverError(
            f"loads and reactions do not balance, deflected (off by {unbalanced:.2g} N of {applied:.2g} N): "
            "the solution is not to be used; another mesh level or a smaller load may do, or a support that holds more"
        )

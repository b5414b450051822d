"""Continuation: follows the equilibrium path of a shell as its load grows, through limit points and snap-through.

Newton's method on corotational elements.  The response of a thin sheet depends on its membrane forces, and a
displacement that is guessed too large brings membrane forces that are far too large.  Therefore the tangent takes the
membrane forces that the last step predicted, not those of the guess.  This is the mixed Newton iteration of D.
Magisano, L. Leonetti and G. Garcea, "How to improve efficiency and robustness of the Newton method in geometrically
non-linear structural problem discretized via displacement-based finite elements", Comput. Methods Appl. Mech. Eng. 313
(2017) 986-1005, here with the nodal forces of a triangle in place of stresses at integration points.  It
converges in steps many times longer than those of Newton's method, to the same solutions.

Beyond a limit point the load falls while the displacement goes on.  There the solver takes arc-length steps (M. A.
Crisfield, "A fast incremental/iterative solution procedure that handles snap-through", Comput. Struct. 13 (1981)
55-62).  Where these fail too, as on unilateral supports that the sheet leaves one by one, it relaxes to the next stable
equilibrium (`pseudo_transient.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np

from stiffen.errors import SolverError

from .contact import UnilateralSupport
from .corotational import State
from .direct_solvers.sparse_lu import SparseFactors
from .nonlinear_problem import NonlinearProblem, Response
from .pseudo_transient import relax_to_stable

Progress = Callable[[float, str], None]

# Residual force over load at which a state counts as equilibrium.  Deflections are accurate to five digits at 1e-2
# already, since the rest of the residual then lies in the stiff in-plane directions; 1e-6 costs one more iteration at
# most (convergence is quadratic) and gives reactions and stresses to that accuracy.
TOLERANCE = 1e-6
ROUGH_TOLERANCE = 1e-2  # of states on the way, at load factors nobody asks for: a step from them is a guess anyway
MAX_ROUNDOFF_SHARE = 1e-3  # a residual that rounding explains is accepted up to this fraction of the load
# near equilibrium a step by the factors of the last iteration takes a third of the time of one by its own
CHORD_RESIDUAL = 0.1  # over the load, up to which such steps are made
CHORD_GAIN = 0.3  # by which the last step has multiplied the residual, at most
MAX_ITERATIONS = 14  # of one step; a step that needs more was too long
FIRST_STEP = 1.5  # linear deflection over thickness; above 3 a step may jump over the snap-through of a shallow arch
# One load step is enough if the linear deflection at the target is at most this fraction of that of a first step.
SINGLE_STEP_LIMIT = 0.1
MAX_STEP_GROWTH = 3.0  # increment of the deflection in a load step, by the tangent, over the deflection so far
MAX_ATTEMPTS = 3  # at shorter and shorter steps, before another method is tried
ARC_STEP_RATIO = 0.35  # arc-length step over the displacement so far
BRANCH_JUMP_RATIO = 2.0  # a step longer than this multiple of what its end tangents predict is on another branch
MIN_PATH_COSINE = 0.2  # least cosine of the angle between a step and the path tangents at its ends
MAX_ARC_STEPS = 200
RELAXATION_LOAD_STEP = 0.01  # over the target factor: accuracy of a limit point that relaxation finds
MAX_RELAXATION_STEPS = 10  # longest load step in relaxation, over the shortest (RELAXATION_LOAD_STEP)
DRIFT_STEPS = 10  # after so many arc-length steps at zero load the sheet is taken to drift without resistance
EASY_ITERATIONS = 5  # the arc length is doubled after a step that needed no more iterations than this


@dataclass(frozen=True, eq=False)
class Equilibrium:
    """An equilibrium: load factor and response."""

    factor: float
    response: Response

    @property
    def displacements(self) -> np.ndarray:
        """(n, 3) mm."""
        return self.response.state.displacements


@dataclass(frozen=True, eq=False)
class Guess:
    """A state near an equilibrium, as of a similar sheet or of a coarser mesh.

    membrane: (m, 3) N/mm in the triangles' frames, membrane forces of the first tangent; None for those of the state.
    A state that was interpolated deforms its triangles at random, and its own membrane forces are then far too large.
    reach: largest norm of the displacements from the guess to the equilibrium, over that of the guess.
    """

    state: State
    membrane: np.ndarray | None = None
    reach: float = np.inf


@dataclass(frozen=True, eq=False)
class PathTangent:
    """Tangent of the path at an equilibrium.

    rate: (6 n,) step per unit load factor.  length: norm of its displacements, mm.  max_displacement: its largest
    displacement along an axis, mm.  negative_eigenvalues: of the tangent stiffness; 0 where the equilibrium is stable.
    """

    rate: np.ndarray
    length: float
    max_displacement: float
    negative_eigenvalues: int


def _displacements(step: np.ndarray) -> np.ndarray:
    """(n, 3) displacements of a step (6 n,), mm."""
    return step.reshape(-1, 2, 3)[:, 0]


@dataclass(eq=False)
class ContinuationSolver:
    """Follows the path and keeps its record.

    history: load factor, largest displacement (mm), strain energy (N mm) and watched DOFs of each equilibrium.  states:
    load factor -> state, at requested factors.  limit_factor: load factor of the first limit point.
    first_unstable_factor: load factor of the first unstable equilibrium at which the load rises.  step_growth: current
    ratio of a load step, see MAX_STEP_GROWTH.  failures: load steps that found no equilibrium.  tolerance: see
    TOLERANCE.  relaxation_step: current step of the load factor in relaxation.
    """

    problem: NonlinearProblem
    target_factor: float
    requested_factors: tuple[float, ...]
    watched_dofs: np.ndarray
    progress: Progress
    history: list[tuple[float, float, float, np.ndarray]] = field(default_factory=list)
    states: dict[float, State] = field(default_factory=dict)
    iterations: int = 0
    factorisations: int = 0
    limit_factor: float | None = None
    first_unstable_factor: float | None = None
    step_growth: float = MAX_STEP_GROWTH
    failures: int = 0
    relaxation_step: float = 0.0
    first_step: float = FIRST_STEP
    tolerance: float = TOLERANCE
    rest_rate: np.ndarray | None = None
    reuses_factors: bool = False
    _latest: tuple[Response, SparseFactors] | None = None  # where an iteration ended, and its last factors

    def __post_init__(self) -> None:
        self.relaxation_step = self.max_relaxation_step

    def run(self, factor: float, state: State, by_arc_length: bool) -> tuple[Equilibrium, PathTangent]:
        """Follow the path from a state at or near equilibrium to the target; the last equilibrium and its tangent.

        Raises SolverError where no further equilibrium is found.
        """
        point = self.start_equilibrium(factor, Guess(state))
        known = self.rest_rate if factor == 0.0 else None
        tangent = self.tangent(point) if known is None else _path_tangent(known, 0)
        self.add_to_history(point, tangent)
        arc_length, out_of_steps = np.inf if by_arc_length else 0.0, False
        while not (out_of_steps or self.reached_target(point)):
            if self.has_unilateral_supports and self.failures >= MAX_ATTEMPTS:
                point, tangent = self.jump_to_stable(point, tangent, point.factor)
            elif arc_length == 0.0 or self.has_unilateral_supports:
                point, tangent, arc_length = self.load_step(point, tangent)
            else:
                point, tangent, out_of_steps = self.trace_by_arc_length(
                    point, tangent, arc_length, back_to_load_steps=not by_arc_length
                )
                arc_length = 0.0
        return point, tangent

    @cached_property
    def has_unilateral_supports(self) -> bool:
        """Whether nodes may lift off a frame or land on it.  Newton steps may then grow, and paths may end."""
        return any(isinstance(support, UnilateralSupport) for support in self.problem.supports)

    def reached_target(self, point: Equilibrium) -> bool:
        """Whether an equilibrium has the target factor."""
        return abs(point.factor - self.target_factor) <= 1e-9 * abs(self.target_factor)

    def is_wanted(self, factor: float) -> bool:
        """Whether the state at a load factor is asked for, not only passed on the way."""
        return factor == self.target_factor or factor in self.requested_factors

    def start_equilibrium(self, factor: float, guess: Guess) -> Equilibrium:
        """The equilibrium nearest to a guess; raises SolverError where there is none."""
        response = self.problem.respond(guess.state)
        if self.is_equilibrium_at(factor, response):
            return Equilibrium(factor, response)
        forces = response.element_forces
        if guess.membrane is not None:
            forces = self.problem.constant_stress_forces(guess.membrane)
        factors = self.factorise(response, forces, factor)
        point = self.newton(response, factors.solve(self.problem.residual(response, factor)), factor)
        if point is None:
            raise SolverError(
                f"no equilibrium was found near the end of the earlier path (load factor {factor:g}); start from rest"
            )
        return point

    def near_guess(self, guess: Guess, trusted: bool) -> tuple[Equilibrium, PathTangent] | None:
        """The equilibrium at the target factor near a guess, with its tangent; None where no stable one is found.

        trusted: its stability is not checked, and its tangent is left out (zero).
        """
        try:
            point = self.start_equilibrium(self.target_factor, guess)
            start = guess.state.displacements
            if np.linalg.norm(point.displacements - start) > guess.reach * np.linalg.norm(start):
                return None
            if trusted:
                tangent = PathTangent(np.zeros(self.problem.shell.dof_count), 0.0, 0.0, 0)
            else:
                tangent = self.tangent(point, rough=True)
        except SolverError:
            return None
        if tangent.negative_eigenvalues:
            return None
        self.add_to_history(point, tangent)
        return point, tangent

    def add_to_history(self, point: Equilibrium, rising_tangent: PathTangent | None) -> None:
        """Record an equilibrium, with its tangent if the load rises there, and report progress."""
        state = point.response.state
        largest = float(np.linalg.norm(state.displacements, axis=1).max())
        watched = state.dofs[self.watched_dofs] if len(self.watched_dofs) else np.zeros(0)
        self.history.append((point.factor, largest, point.response.energy, watched))
        if rising_tangent is not None and rising_tangent.negative_eigenvalues and self.first_unstable_factor is None:
            self.first_unstable_factor = point.factor
        if point.factor in self.requested_factors:
            self.states.setdefault(point.factor, state)
        fraction = min(max(point.factor / self.target_factor, 0.0), 1.0)
        self.progress(fraction, f"load factor {point.factor:.3g}: {largest:.3g} mm")

    def factorise(self, response: Response, element_forces: list[np.ndarray], factor: float) -> SparseFactors:
        """Factors of the tangent stiffness; counts the factorisation."""
        self.factorisations += 1
        return self.problem.factorise(response, element_forces, factor)

    def tangent(self, point: Equilibrium, rough: bool = False) -> PathTangent:
        """Tangent of the path at an equilibrium; raises SolverError where the tangent stiffness is singular.

        rough: by the factors of the last iteration, if they show a stable sheet.
        """
        factors = None
        if (rough or self.reuses_factors) and self._latest is not None and self._latest[0] is point.response:
            factors = self._latest[1]
        if factors is None or (factors.negative_eigenvalues and not self.reuses_factors):
            try:
                factors = self.factorise(point.response, point.response.element_forces, point.factor)
            except SolverError as error:
                raise SolverError(f"at load factor {point.factor:.4g}: {error}") from error
        return _path_tangent(factors.solve(self.problem.free_part(point.response.load)), factors.negative_eigenvalues)

    def is_equilibrium(self, point: Equilibrium, tolerance: float | None = None) -> bool:
        """Whether the residual of a state is small against the load, or no larger than rounding explains.

        tolerance: that of the solver unless given.
        """
        problem = self.problem
        load = problem.force_norm(point.response.load) * max(abs(point.factor), 0.01 * abs(self.target_factor))
        residual = problem.force_norm(problem.residual(point.response, point.factor))
        roundoff = problem.roundoff_residual(point.response)
        tolerance = tolerance or self.tolerance
        return residual <= max(tolerance * load, min(roundoff, MAX_ROUNDOFF_SHARE * load) if load else roundoff)

    def is_equilibrium_at(self, factor: float, response: Response) -> bool:
        """Whether a response is an equilibrium at a load factor."""
        return self.is_equilibrium(Equilibrium(factor, response))

    def newton(
        self,
        response: Response,
        step: np.ndarray,
        factor: float,
        arc_constraint: tuple[np.ndarray, float] | None = None,
    ) -> Equilibrium | None:
        """Newton's iteration from a response and a first step (6 n,); None where it does not converge.

        With `reuses_factors` the last steps are made with the factors of the one before (modified Newton; M. A.
        Crisfield, Non-linear Finite Element Analysis of Solids and Structures, vol. 1, 1991, section 1.2.3, from
        memory).

        Without `arc_constraint` the load factor is fixed.  With `arc_constraint` = (displacements (n, 3), arc length)
        it is one more unknown: the solution lies at the arc length from these displacements (Crisfield's cylindrical
        arc length; the condition is linearised in each iteration).
        """
        problem = self.problem
        is_rough = arc_constraint is None and not self.is_wanted(factor)
        tolerance = max(self.tolerance, ROUGH_TOLERANCE) if is_rough else self.tolerance
        previous_size = residual_norm = np.inf
        makes_chords = self.reuses_factors and arc_constraint is None
        chord_load = abs(factor) * problem.force_norm(response.load) if makes_chords else 0.0
        factors: SparseFactors | None = None
        for count in range(MAX_ITERATIONS):
            self.iterations += 1
            size = float(np.abs(_displacements(step)).max())
            diverges = count > 1 and size > 3 * previous_size and not self.has_unilateral_supports
            if not size < np.inf or diverges:
                return None
            previous_size = size
            before, response = response, problem.respond(response.state.updated(step))
            if self.is_equilibrium(Equilibrium(factor, response), tolerance):
                self._latest = None if factors is None else (response, factors)
                return Equilibrium(factor, response)
            residual = problem.residual(response, factor)
            last_residual, residual_norm = residual_norm, problem.force_norm(residual)
            nearly = residual_norm <= min(CHORD_RESIDUAL * chord_load, CHORD_GAIN * last_residual)
            if factors is None or not nearly:
                try:
                    factors = self.factorise(response, problem.predict_element_forces(before, step), factor)
                except SolverError:  # the tangent at this guess is singular
                    return None
            if arc_constraint is None:
                step = factors.solve(residual)
            else:
                correction, rate = factors.solve(np.stack([residual, problem.free_part(response.load)], axis=1)).T
                centre, arc_length = arc_constraint
                radius = response.state.displacements - centre
                # |radius + d|^2 = arc_length^2, linearised: radius.d = shortfall
                shortfall = (arc_length**2 - np.vdot(radius, radius)) / 2
                change = shortfall - np.vdot(radius, _displacements(correction))
                change /= np.vdot(radius, _displacements(rate))
                factor += float(change)
                step = correction + change * rate
        return None

    def load_step(self, point: Equilibrium, tangent: PathTangent) -> tuple[Equilibrium, PathTangent, float]:
        """One step at growing load: the next equilibrium, its tangent, and 0.

        Where none is found on this branch: the same equilibrium, its tangent, and the arc length to try instead.
        """
        next_factor = point.factor + self.load_increment(point, tangent)
        factor = min(f for f in (*self.requested_factors, self.target_factor, next_factor) if f > point.factor)
        end = self.newton(point.response, (factor - point.factor) * tangent.rate, factor)
        if end is not None:
            end_tangent = self.tangent(end, rough=not self.is_wanted(factor))
            distance = float(np.linalg.norm(end.displacements - point.displacements))
            # on one branch the secant compliance of a step lies near the tangent compliances at its ends
            expected = np.sqrt(tangent.length * end_tangent.length) * (factor - point.factor)
            if distance <= BRANCH_JUMP_RATIO * expected and _is_smooth_segment(
                point, tangent, end, end_tangent, 1.0, 1.0
            ):
                self.step_growth = min(1.5 * self.step_growth, MAX_STEP_GROWTH)
                self.add_to_history(end, end_tangent)
                return end, end_tangent, 0.0
        self.step_growth = max(self.step_growth / 2, ARC_STEP_RATIO)
        self.failures += 1
        return point, tangent, (factor - point.factor) * tangent.length / 2

    def load_increment(self, point: Equilibrium, tangent: PathTangent) -> float:
        """Increment of the load factor in the next load step."""
        if tangent.max_displacement * self.target_factor <= SINGLE_STEP_LIMIT * self.first_step_deflection:
            return self.target_factor
        deflection = float(np.abs(point.displacements).max())
        return max(self.first_step_deflection, self.step_growth * deflection) / tangent.max_displacement

    @cached_property
    def first_step_deflection(self) -> float:
        """Linear deflection of the first step, mm."""
        return self.first_step * float(np.mean(self.problem.shell.t))

    def trace_by_arc_length(
        self, point: Equilibrium, tangent: PathTangent, arc_length: float, back_to_load_steps: bool
    ) -> tuple[Equilibrium, PathTangent, bool]:
        """Arc-length steps to the target, or until the load rises above its value at the start.

        Returns the last equilibrium, its tangent, and whether MAX_ARC_STEPS were used up.  The more load steps have
        failed before, the longer the path is followed this way.
        """
        start_factor, highest = point.factor, abs(point.factor)
        forward = _displacements(tangent.rate)
        for count in range(MAX_ARC_STEPS):
            arc_length = min(arc_length, self._max_arc_length(point, tangent))
            sign = 1.0 if np.vdot(forward, _displacements(tangent.rate)) > 0 else -1.0
            try:
                end, end_tangent, arc_length = self.arc_length_step(point, tangent, sign, arc_length)
            except SolverError:
                if not back_to_load_steps:
                    raise
                return *self.jump_to_stable(point, tangent, start_factor), False
            forward = end.displacements - point.displacements
            slope = np.copysign(1 / end_tangent.length, np.vdot(forward, _displacements(end_tangent.rate)))
            if self.limit_factor is None and sign > 0 and (slope < 0 or end.factor < point.factor):
                self.limit_factor = self.limit_load(point, tangent, end, slope)
            for factor in (*self.requested_factors, self.target_factor):
                if point.factor < factor <= end.factor:
                    between = self.equilibrium_between(point, tangent, end, end_tangent, factor)
                    if between is not None:
                        tangent_between = self.tangent(between)
                        self.add_to_history(between, tangent_between)
                        if factor == self.target_factor:
                            return between, tangent_between, False
            self.add_to_history(end, end_tangent if slope > 0 else None)
            point, tangent = end, end_tangent
            highest = max(highest, abs(point.factor))
            if count == DRIFT_STEPS and highest < self.tolerance * self.target_factor:
                raise self.no_equilibrium_error(Equilibrium(0.0, point.response))
            if back_to_load_steps and slope > 0 and point.factor > start_factor and count + 1 >= self.failures:
                return point, tangent, False
        return point, tangent, True

    def _max_arc_length(self, point: Equilibrium, tangent: PathTangent) -> float:
        """Longest arc-length step from an equilibrium, mm."""
        displacement = float(np.linalg.norm(point.displacements))
        if displacement:
            return ARC_STEP_RATIO * displacement
        return self.first_step_deflection * tangent.length / tangent.max_displacement

    def equilibrium_between(
        self, point: Equilibrium, tangent: PathTangent, end: Equilibrium, end_tangent: PathTangent, factor: float
    ) -> Equilibrium | None:
        """The equilibrium at a load factor between those of two others, sought from the nearer one first."""
        starts = sorted(((point, tangent), (end, end_tangent)), key=lambda start: abs(factor - start[0].factor))
        for start, start_tangent in starts:
            if found := self.newton(start.response, (factor - start.factor) * start_tangent.rate, factor):
                return found
        return None

    def arc_length_step(
        self, point: Equilibrium, tangent: PathTangent, sign: float, arc_length: float
    ) -> tuple[Equilibrium, PathTangent, float]:
        """The next equilibrium at an arc length from a point, its tangent, and the arc length for the step after it.

        sign: +1 to leave the point with rising load.  Raises SolverError where shorter steps fail too.
        """
        best: tuple[Equilibrium, PathTangent, float] | None = None
        for _ in range(MAX_ATTEMPTS):
            change = sign * arc_length / tangent.length
            iterations_before = self.iterations
            constraint = point.displacements, arc_length
            end = self.newton(point.response, change * tangent.rate, point.factor + change, constraint)
            if end is not None:
                end_tangent = self.tangent(end)
                forward = end.displacements - point.displacements
                end_sign = np.copysign(1.0, np.vdot(forward, _displacements(end_tangent.rate)))
                easy = self.iterations - iterations_before <= EASY_ITERATIONS
                best = end, end_tangent, 2 * arc_length if easy else arc_length
                if _is_smooth_segment(point, tangent, end, end_tangent, sign, end_sign):
                    return best
            arc_length /= 4
        if best is not None:  # the path itself has a corner here: a perfect sheet that buckles
            return best
        raise self.no_equilibrium_error(point)

    @property
    def max_relaxation_step(self) -> float:
        """Longest step of the load factor in relaxation."""
        return MAX_RELAXATION_STEPS * RELAXATION_LOAD_STEP * self.target_factor

    def jump_to_stable(
        self, point: Equilibrium, tangent: PathTangent, highest_factor: float
    ) -> tuple[Equilibrium, PathTangent]:
        """The stable equilibrium to which the sheet relaxes at a load factor a little above the highest so far.

        Where that equilibrium is far off, the step is halved until the limit point is known to RELAXATION_LOAD_STEP.
        Raises SolverError where none is found.
        """
        base_factor = max(highest_factor, point.factor)
        while True:
            next_factor = base_factor + self.relaxation_step
            factor = min(f for f in (*self.requested_factors, self.target_factor, next_factor) if f > base_factor)
            is_equilibrium = partial(self.is_equilibrium_at, factor)
            found, steps, factorisations = relax_to_stable(self.problem, point.response, factor, is_equilibrium)
            self.iterations += steps
            self.factorisations += factorisations
            end = None if found is None else Equilibrium(factor, found)
            distance = np.inf if end is None else float(np.linalg.norm(end.displacements - point.displacements))
            snaps = distance > BRANCH_JUMP_RATIO * tangent.length * abs(factor - point.factor)
            if end is not None and (not snaps or factor - base_factor <= RELAXATION_LOAD_STEP * self.target_factor):
                break
            self.relaxation_step = min(self.relaxation_step, factor - base_factor) / 2
            if end is None and self.relaxation_step < RELAXATION_LOAD_STEP * self.target_factor / 2:
                raise self.no_equilibrium_error(point)
        if snaps and self.limit_factor is None:
            self.limit_factor = base_factor
        self.relaxation_step = min(2 * self.relaxation_step, self.max_relaxation_step)
        end_tangent = self.tangent(end)
        self.add_to_history(end, end_tangent)
        return end, end_tangent

    def no_equilibrium_error(self, point: Equilibrium) -> SolverError:
        """Error that no equilibrium was found beyond a point."""
        return SolverError(
            f"no equilibrium was found beyond load factor {point.factor:.4g} (asked for: {self.target_factor:g}); the "
            "sheet may crumple or lift off there: lower the load, add a support, or give a flat sheet an initial "
            "waviness"
        )

    def limit_load(self, point: Equilibrium, tangent: PathTangent, end: Equilibrium, slope: float) -> float:
        """Highest load factor between two equilibria, where the path rises from `point`.

        slope: of the load factor along the path at `end`, 1/mm.  A third equilibrium near the maximum refines it.
        """
        distance = float(np.linalg.norm(end.displacements - point.displacements))
        share, value = cubic_maximum(point.factor, end.factor, distance / tangent.length, distance * slope)
        if not 0.0 < share < 1.0:
            return value
        change = share * distance / tangent.length
        constraint = point.displacements, share * distance
        middle = self.newton(point.response, change * tangent.rate, point.factor + change, constraint)
        if middle is None:
            return value
        middle_tangent = self.tangent(middle)
        forward = middle.displacements - point.displacements
        if np.vdot(forward, _displacements(middle_tangent.rate)) > 0:
            rest = float(np.linalg.norm(end.displacements - middle.displacements))
            return cubic_maximum(middle.factor, end.factor, rest / middle_tangent.length, rest * slope)[1]
        passed = float(np.linalg.norm(forward))
        return cubic_maximum(point.factor, middle.factor, passed / tangent.length, -passed / middle_tangent.length)[1]


def _path_tangent(rate: np.ndarray, negative_eigenvalues: int) -> PathTangent:
    """The tangent of the path with a step (6 n,) per unit load factor."""
    displacements = _displacements(rate)
    length, largest = float(np.linalg.norm(displacements)), float(np.abs(displacements).max())
    return PathTangent(rate, length, largest, negative_eigenvalues)


def _is_smooth_segment(
    point: Equilibrium,
    tangent: PathTangent,
    end: Equilibrium,
    end_tangent: PathTangent,
    start_sign: float,
    end_sign: float,
) -> bool:
    """Whether two equilibria may lie on one smooth branch; the signs are +1 where the load rises along the path.

    They do not where the path would turn by nearly a right angle, or where a stable sheet would become unstable while
    the load rises: the step has then left the path for another branch.
    """
    chord = (end.displacements - point.displacements).ravel()
    distance = float(np.linalg.norm(chord))
    if distance == 0.0:  # the loads act on constrained DOFs alone
        return True
    start_cosine = start_sign * float(chord @ _displacements(tangent.rate).ravel()) / (distance * tangent.length)
    end_cosine = end_sign * float(chord @ _displacements(end_tangent.rate).ravel()) / (distance * end_tangent.length)
    loses_stability = tangent.negative_eigenvalues == 0 and end_tangent.negative_eigenvalues > 0 and end_sign > 0
    return min(start_cosine, end_cosine) > MIN_PATH_COSINE and not loses_stability


def cubic_maximum(first: float, last: float, start_slope: float, end_slope: float) -> tuple[float, float]:
    """Position in 0 to 1 and value of the maximum of the cubic with these end values and end slopes."""
    d = last - first
    cubic = np.array([start_slope + end_slope - 2 * d, 3 * d - 2 * start_slope - end_slope, start_slope, first])
    roots = np.roots(np.polyder(cubic))
    positions = [0.0, 1.0, *(float(r.real) for r in roots if abs(r.imag) < 1e-12 and 0 < r.real < 1)]
    return max(((x, float(np.polyval(cubic, x))) for x in positions), key=lambda pair: pair[1])

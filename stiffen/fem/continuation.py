"""The path of a loaded sheet, equilibrium by equilibrium, as its load grows; through snap-through if it must.

Newton's method on the corotated shell.  What a load does to a thin sheet hangs on its membrane forces, and those that
go with a displacement guessed too large are far too large; so the tangent takes the membrane forces that the last step
foresaw, not those of the guess.  That is the mixed Newton iteration of D. Magisano, L. Leonetti and G. Garcea, "How to
improve efficiency and robustness of the Newton method in geometrically non-linear structural problem discretized via
displacement-based finite elements", Comput. Methods Appl. Mech. Eng. 313 (2017) 986-1005, here with the triangle's
straining freedoms in place of integration points.  It takes steps many times longer, and its solutions are the same.

Past a limit point the load falls while the sheet goes on: there the path is followed by its length (M. A. Crisfield, "A
fast incremental/iterative solution procedure that handles snap-through", Comput. Struct. 13 (1981) 55-62).  Where that
leads nowhere either, as on rests that the sheet leaves one by one, it is let go (`pseudo_transient.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np

from stiffen.errors import SolverError

from .contact import UnilateralSupport
from .corotational import State
from .nonlinear_problem import NonlinearProblem, Response
from .pseudo_transient import relax_to_stable
from .sparse_lu import SparseFactors

Progress = Callable[[float, str], None]

# Residual force over load at which a state counts as equilibrium.  Deflections are settled to five digits at 1e-2
# already, since what is left then sits in the stiff in-plane directions; 1e-6 costs one more iteration at most
# (convergence is quadratic) and leaves reactions and stresses to that accuracy.
TOLERANCE = 1e-6
MAX_ROUNDOFF_SHARE = 1e-3  # most of the load that rounding may hide before a state no longer counts
MAX_ITERATIONS = 14  # of one step; more means the step was too long
FIRST_STEP = 1.5  # first step: linear deflection over thickness; more than 3 leaps over the snap of a shallow arch
SINGLE_STEP_LIMIT = 0.1  # the same for all of the load, over that of a first step: up to it one step does
MAX_STEP_GROWTH = 3.0  # step: linear change of the deflection over the deflection so far
MAX_ATTEMPTS = 3  # at shorter and shorter steps, before the path is followed by its length, or before giving up
ARC_STEP_RATIO = 0.35  # step along the path, over the way so far
BRANCH_JUMP_RATIO = (
    2.0  # way of a step over what the softness at its ends explains: more means it jumped to another branch
)
MIN_PATH_COSINE = 0.2  # least cosine between a step and the path at its ends
MAX_ARC_STEPS = 200
RELAXATION_LOAD_STEP = (
    0.01  # load factor, over the one asked for, that a sheet is let go beyond the last equilibrium found
)
DRIFT_STEPS = 10  # of them without any load mean that the sheet drifts off


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
class PathTangent:
    """What the tangent at an equilibrium tells: step per load factor (6 n,), its length over all shifts and its
    largest shift (mm), and in how many directions the sheet gives way."""

    rate: np.ndarray
    length: float
    max_displacement: float
    negative_eigenvalues: int


def _displacements(step: np.ndarray) -> np.ndarray:
    return step.reshape(-1, 2, 3)[:, 0]


@dataclass(eq=False)
class ContinuationSolver:
    """The path so far, and how to go on."""

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

    def __post_init__(self) -> None:
        self.relaxation_step = 10 * RELAXATION_LOAD_STEP * self.target_factor

    def run(self, factor: float, state: State, arc: bool) -> tuple[Equilibrium, PathTangent]:
        """Go from a state at or near equilibrium to the factor asked for; the last equilibrium and its tangent."""
        here = self.start_equilibrium(factor, state)
        tangent = self.tangent(here)
        self.add_to_history(here, tangent)
        length, lost = np.inf if arc else 0.0, False
        while not (lost or self.reached_target(here)):
            if self.has_unilateral_supports and self.failures >= MAX_ATTEMPTS:
                here, tangent = self.jump_to_stable(here, tangent, here.factor)
            elif length == 0.0 or self.has_unilateral_supports:
                here, tangent, length = self.load_step(here, tangent)
            else:
                here, tangent, lost = self.trace_by_arc_length(here, tangent, length, back_to_growth=not arc)
                length = 0.0
        return here, tangent

    @cached_property
    def has_unilateral_supports(self) -> bool:
        """Whether nodes may lift off a frame or land on it, which makes steps grow and paths end."""
        return any(isinstance(stop, UnilateralSupport) for stop in self.problem.supports)

    def reached_target(self, here: Equilibrium) -> bool:
        """Whether the factor asked for is reached."""
        return abs(here.factor - self.target_factor) <= 1e-9 * abs(self.target_factor)

    def start_equilibrium(self, factor: float, state: State) -> Equilibrium:
        """The equilibrium nearest to a state."""
        response = self.problem.respond(state)
        point: Equilibrium | None = Equilibrium(factor, response)
        if not self.is_equilibrium(point):
            factors = self.factorise(response, response.element_forces, factor)
            point = self.newton(response, factors.solve(self.problem.residual(response, factor)), factor)
        if point is None:
            raise SolverError(
                f"no equilibrium was found near the end of the earlier path (load factor {factor:g}); start from rest"
            )
        return point

    def add_to_history(self, point: Equilibrium, rising: PathTangent | None) -> None:
        """Put an equilibrium on record, with its tangent if the load rises there."""
        state = point.response.state
        largest = float(np.linalg.norm(state.displacements, axis=1).max())
        watched = state.dofs[self.watched_dofs] if len(self.watched_dofs) else np.zeros(0)
        self.history.append((point.factor, largest, point.response.energy, watched))
        if rising is not None and rising.negative_eigenvalues and self.first_unstable_factor is None:
            self.first_unstable_factor = point.factor
        if point.factor in self.requested_factors:
            self.states.setdefault(point.factor, state)
        self.progress(
            min(max(point.factor / self.target_factor, 0.0), 1.0), f"load factor {point.factor:.3g}: {largest:.3g} mm"
        )

    def factorise(self, response: Response, stress: list[np.ndarray], factor: float) -> SparseFactors:
        """Factors of the tangent, counted."""
        self.factorisations += 1
        return self.problem.factorise(response, stress, factor)

    def tangent(self, here: Equilibrium) -> PathTangent:
        """The tangent at an equilibrium."""
        try:
            factors = self.factorise(here.response, here.response.element_forces, here.factor)
        except SolverError as error:
            raise SolverError(f"at load factor {here.factor:.4g}: {error}") from error
        rate = factors.solve(self.problem.free_part(here.response.load))
        shifts = _displacements(rate)
        return PathTangent(
            rate, float(np.linalg.norm(shifts)), float(np.abs(shifts).max()), factors.negative_eigenvalues
        )

    def is_equilibrium(self, point: Equilibrium) -> bool:
        """Whether a state is an equilibrium."""
        problem = self.problem
        load = problem.force_norm(point.response.load) * max(abs(point.factor), 0.01 * abs(self.target_factor))
        rest = problem.force_norm(problem.residual(point.response, point.factor))
        noise = problem.roundoff_residual(point.response)
        return rest <= max(TOLERANCE * load, min(noise, MAX_ROUNDOFF_SHARE * load) if load else noise)

    def newton(
        self,
        response: Response,
        step: np.ndarray,
        factor: float,
        arc_constraint: tuple[np.ndarray, float] | None = None,
    ) -> Equilibrium | None:
        """Newton's iteration from a response and a first step; None where it does not settle.

        At a fixed load factor; or, with `arc_constraint` = (shifts (n, 3), distance), at the factor that brings the sheet to
        that distance from these shifts (Crisfield's cylindrical arc length, its condition linearised).
        """
        problem = self.problem
        before = np.inf
        for count in range(MAX_ITERATIONS):
            self.iterations += 1
            way = float(np.abs(_displacements(step)).max())
            if not way < np.inf or (
                count > 1 and way > 3 * before and not self.has_unilateral_supports
            ):  # it has lost its way
                return None
            before = way
            foreseen = problem.predict_element_forces(response, step)
            response = problem.respond(response.state.updated(step))
            if self.is_equilibrium(Equilibrium(factor, response)):
                return Equilibrium(factor, response)
            try:
                factors = self.factorise(response, foreseen, factor)
            except SolverError:  # nothing holds a part of the sheet at this guess
                return None
            residual = problem.residual(response, factor)
            if arc_constraint is None:
                step = factors.solve(residual)
            else:
                rest, rate = factors.solve(np.stack([residual, problem.free_part(response.load)], axis=1)).T
                centre, distance = arc_constraint
                out = response.state.displacements - centre
                lack = (distance**2 - np.vdot(out, out)) / 2
                change = (lack - np.vdot(out, _displacements(rest))) / np.vdot(out, _displacements(rate))
                factor += float(change)
                step = rest + change * rate
        return None

    def load_step(self, here: Equilibrium, tangent: PathTangent) -> tuple[Equilibrium, PathTangent, float]:
        """One step at growing load; the length along the path to try instead where there is none near by, else 0."""
        factor = min(
            f
            for f in (*self.requested_factors, self.target_factor, here.factor + self.load_increment(here, tangent))
            if f > here.factor
        )
        there = self.newton(here.response, (factor - here.factor) * tangent.rate, factor)
        if there is not None:
            onward = self.tangent(there)
            way = float(np.linalg.norm(there.displacements - here.displacements))
            # without a jump the sheet is about as soft within a step as at the step's ends
            soft = np.sqrt(tangent.length * onward.length) * (factor - here.factor)
            if way <= BRANCH_JUMP_RATIO * soft and _is_smooth_segment(here, tangent, there, onward, 1.0, 1.0):
                self.step_growth = min(1.5 * self.step_growth, MAX_STEP_GROWTH)
                self.add_to_history(there, onward)
                return there, onward, 0.0
        self.step_growth = max(self.step_growth / 2, ARC_STEP_RATIO)
        self.failures += 1
        return here, tangent, (factor - here.factor) * tangent.length / 2

    def load_increment(self, here: Equilibrium, tangent: PathTangent) -> float:
        """Length of the next step in the load factor."""
        if tangent.max_displacement * self.target_factor <= SINGLE_STEP_LIMIT * self.first_step_deflection:
            return self.target_factor
        so_far = float(np.abs(here.displacements).max())
        return max(self.first_step_deflection, self.step_growth * so_far) / tangent.max_displacement

    @cached_property
    def first_step_deflection(self) -> float:
        """Linear deflection of the first step, mm."""
        return self.first_step * float(np.mean(self.problem.shell.t))

    def trace_by_arc_length(
        self, here: Equilibrium, tangent: PathTangent, length: float, back_to_growth: bool
    ) -> tuple[Equilibrium, PathTangent, bool]:
        """Follow the path by its length to the factor asked for, or until it rises over where it was; True if lost.

        Lost: the path went on for ARC_STEPS without getting there.  The more often growing load has failed before, the
        longer the path is followed this way.
        """
        high, highest = here.factor, abs(here.factor)
        forward = _displacements(tangent.rate)
        for count in range(MAX_ARC_STEPS):
            way_so_far = float(np.linalg.norm(here.displacements))
            length = min(
                length,
                ARC_STEP_RATIO * way_so_far
                if way_so_far
                else self.first_step_deflection * tangent.length / tangent.max_displacement,
            )
            sign = 1.0 if np.vdot(forward, _displacements(tangent.rate)) > 0 else -1.0
            try:
                there, onward, length = self.arc_length_step(here, tangent, sign, length)
            except SolverError:
                if not back_to_growth:
                    raise
                return *self.jump_to_stable(here, tangent, high), False
            forward = there.displacements - here.displacements
            slope = np.copysign(1 / onward.length, np.vdot(forward, _displacements(onward.rate)))
            if self.limit_factor is None and sign > 0 and (slope < 0 or there.factor < here.factor):
                self.limit_factor = self.limit_load(here, tangent, there, slope)
            for factor in (*self.requested_factors, self.target_factor):
                if here.factor < factor <= there.factor:
                    point = self.equilibrium_between(here, tangent, there, onward, factor)
                    if point is not None:
                        at_point = self.tangent(point)
                        self.add_to_history(point, at_point)
                        if factor == self.target_factor:
                            return point, at_point, False
            self.add_to_history(there, onward if slope > 0 else None)
            here, tangent = there, onward
            highest = max(highest, abs(here.factor))
            if count == DRIFT_STEPS and highest < TOLERANCE * self.target_factor:
                raise self.no_equilibrium_error(Equilibrium(0.0, here.response))
            if back_to_growth and slope > 0 and here.factor > high and count + 1 >= self.failures:
                return here, tangent, False
        return here, tangent, True

    def equilibrium_between(
        self, here: Equilibrium, tangent: PathTangent, there: Equilibrium, onward: PathTangent, factor: float
    ) -> Equilibrium | None:
        """The equilibrium at a load factor between those of two others, from the nearer one first."""
        ends = sorted(((here, tangent), (there, onward)), key=lambda end: abs(factor - end[0].factor))
        for point, rate in ends:
            if found := self.newton(point.response, (factor - point.factor) * rate.rate, factor):
                return found
        return None

    def arc_length_step(
        self, here: Equilibrium, tangent: PathTangent, sign: float, length: float
    ) -> tuple[Equilibrium, PathTangent, float]:
        """The next equilibrium at a distance along the path, its tangent, and the distance for the step after it."""
        best: tuple[Equilibrium, PathTangent, float] | None = None
        for _ in range(MAX_ATTEMPTS):
            change = sign * length / tangent.length
            before = self.iterations
            there = self.newton(
                here.response, change * tangent.rate, here.factor + change, (here.displacements, length)
            )
            if there is not None:
                onward = self.tangent(there)
                rising = np.copysign(
                    1.0, np.vdot(there.displacements - here.displacements, _displacements(onward.rate))
                )
                best = there, onward, 2 * length if self.iterations - before <= 5 else length
                if _is_smooth_segment(here, tangent, there, onward, sign, rising):
                    return best
            length /= 4
        if best is not None:  # the path itself has a corner here: a perfect sheet that buckles
            return best
        raise self.no_equilibrium_error(here)

    def jump_to_stable(self, here: Equilibrium, tangent: PathTangent, high: float) -> tuple[Equilibrium, PathTangent]:
        """The stable equilibrium that the sheet, let go a little beyond the highest load, slides to.

        Where that is far off, by less and less load until it is known to a LEAP where the sheet snapped.
        """
        above = max(high, here.factor)
        while True:
            factor = min(
                f for f in (*self.requested_factors, self.target_factor, above + self.relaxation_step) if f > above
            )
            balanced = partial(self.is_equilibrium_at, factor)
            found, steps, factorisations = relax_to_stable(self.problem, here.response, factor, balanced)
            self.iterations += steps
            self.factorisations += factorisations
            there = None if found is None else Equilibrium(factor, found)
            way = np.inf if there is None else float(np.linalg.norm(there.displacements - here.displacements))
            snaps = way > BRANCH_JUMP_RATIO * tangent.length * abs(factor - here.factor)
            if there is not None and (not snaps or factor - above <= RELAXATION_LOAD_STEP * self.target_factor):
                break
            self.relaxation_step = min(self.relaxation_step, factor - above) / 2
            if there is None and self.relaxation_step < RELAXATION_LOAD_STEP * self.target_factor / 2:
                raise self.no_equilibrium_error(here)
        if snaps and self.limit_factor is None:
            self.limit_factor = above
        self.relaxation_step = min(2 * self.relaxation_step, 10 * RELAXATION_LOAD_STEP * self.target_factor)
        onward = self.tangent(there)
        self.add_to_history(there, onward)
        return there, onward

    def is_equilibrium_at(self, factor: float, response: Response) -> bool:
        """Whether a response is an equilibrium at a load factor."""
        return self.is_equilibrium(Equilibrium(factor, response))

    def no_equilibrium_error(self, here: Equilibrium) -> SolverError:
        """No way on."""
        return SolverError(
            f"no equilibrium was found beyond load factor {here.factor:.4g} (asked for: {self.target_factor:g}); the sheet may "
            "crumple or lift off there: lower the load, add a support, or give a flat sheet an initial waviness"
        )

    def limit_load(self, here: Equilibrium, tangent: PathTangent, there: Equilibrium, slope: float) -> float:
        """Highest load factor between two equilibria, the path rising from `gauge_search`: by one more, near the top."""
        way = float(np.linalg.norm(there.displacements - here.displacements))
        share, value = cubic_maximum(here.factor, there.factor, way / tangent.length, way * slope)
        if not 0.0 < share < 1.0:
            return value
        change = share * way / tangent.length
        near = self.newton(
            here.response, change * tangent.rate, here.factor + change, (here.displacements, share * way)
        )
        if near is None:
            return value
        onward = self.tangent(near)
        forward = near.displacements - here.displacements
        if np.vdot(forward, _displacements(onward.rate)) > 0:
            rest = float(np.linalg.norm(there.displacements - near.displacements))
            return cubic_maximum(near.factor, there.factor, rest / onward.length, rest * slope)[1]
        done = float(np.linalg.norm(forward))
        return cubic_maximum(here.factor, near.factor, done / tangent.length, -done / onward.length)[1]


def _is_smooth_segment(
    here: Equilibrium, tangent: PathTangent, there: Equilibrium, onward: PathTangent, leaves: float, arrives: float
) -> bool:
    """Whether a path may run smoothly between two equilibria, that it leaves and reaches in these senses (+1 rising).

    It may not where it would turn by nearly a right angle, or where a stable sheet would turn unstable while the load
    rises: the step has then left the path for another branch.
    """
    chord = (there.displacements - here.displacements).ravel()
    way = float(np.linalg.norm(chord))
    if way == 0.0:  # loads that held freedoms take
        return True
    starts = leaves * float(chord @ _displacements(tangent.rate).ravel()) / (way * tangent.length)
    ends = arrives * float(chord @ _displacements(onward.rate).ravel()) / (way * onward.length)
    lost = tangent.negative_eigenvalues == 0 and onward.negative_eigenvalues > 0 and arrives > 0
    return min(starts, ends) > MIN_PATH_COSINE and not lost


def cubic_maximum(first: float, last: float, rise: float, fall: float) -> tuple[float, float]:
    """Where in 0 to 1 the cubic with end values first, last and end slopes rise, fall is highest, and how high."""
    d = last - first
    cubic = np.array([rise + fall - 2 * d, 3 * d - 2 * rise - fall, rise, first])
    roots = np.roots(np.polyder(cubic))
    places = [0.0, 1.0, *(float(r.real) for r in roots if abs(r.imag) < 1e-12 and 0 < r.real < 1)]
    return max(((place, float(np.polyval(cubic, place))) for place in places), key=lambda pair: pair[1])

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

from .contact import Rests
from .corotational import State
from .nonlinear_problem import Factors, Problem, Response
from .pseudo_transient import let_go

Progress = Callable[[float, str], None]

# Residual force over load at which a state counts as equilibrium.  Deflections are settled to five digits at 1e-2
# already, since what is left then sits in the stiff in-plane directions; 1e-6 costs one more iteration at most
# (convergence is quadratic) and leaves reactions and stresses to that accuracy.
TOLERANCE = 1e-6
NOISE = 1e-3  # most of the load that rounding may hide before a state no longer counts
ITERATIONS = 14  # of one step; more means the step was too long
FIRST = 1.5  # first step: linear deflection over thickness; more than 3 leaps over the snap of a shallow arch
LINEAR = 0.1  # the same for all of the load, over that of a first step: up to it one step does
GROWTH = 3.0  # step: linear change of the deflection over the deflection so far
TRIES = 3  # at shorter and shorter steps, before the path is followed by its length, or before giving up
ARC = 0.35  # step along the path, over the way so far
JUMP = 2.0  # way of a step over what the softness at its ends explains: more means it jumped to another branch
TURN = 0.2  # least cosine between a step and the path at its ends
ARC_STEPS = 200
LEAP = 0.01  # load factor, over the one asked for, that a sheet is let go beyond the last equilibrium found
DRIFT = 10  # of them without any load mean that the sheet drifts off


@dataclass(frozen=True, eq=False)
class Point:
    """An equilibrium: load factor and response."""

    factor: float
    response: Response

    @property
    def shifts(self) -> np.ndarray:
        """(n, 3) mm."""
        return self.response.state.shifts


@dataclass(frozen=True, eq=False)
class Tangent:
    """What the tangent at an equilibrium tells: step per load factor (6 n,), its length over all shifts and its
    largest shift (mm), and in how many directions the sheet gives way."""

    rate: np.ndarray
    length: float
    largest: float
    negative: int


def _shifts(step: np.ndarray) -> np.ndarray:
    return step.reshape(-1, 2, 3)[:, 0]


@dataclass(eq=False)
class Walk:
    """The path so far, and how to go on."""

    problem: Problem
    until: float
    wanted: tuple[float, ...]
    watch: np.ndarray
    progress: Progress
    record: list[tuple[float, float, float, np.ndarray]] = field(default_factory=list)
    states: dict[float, State] = field(default_factory=dict)
    iterations: int = 0
    factorisations: int = 0
    limit: float | None = None
    unstable: float | None = None
    growth: float = GROWTH
    failures: int = 0
    leap: float = 0.0
    reach: float = FIRST

    def __post_init__(self) -> None:
        self.leap = 10 * LEAP * self.until

    def run(self, factor: float, state: State, arc: bool) -> tuple[Point, Tangent]:
        """Go from a state at or near equilibrium to the factor asked for; the last equilibrium and its tangent."""
        here = self.begin(factor, state)
        tangent = self.tangent(here)
        self.note(here, tangent)
        length, lost = np.inf if arc else 0.0, False
        while not (lost or self.arrived(here)):
            if self.touchy and self.failures >= TRIES:
                here, tangent = self.slide(here, tangent, here.factor)
            elif length == 0.0 or self.touchy:
                here, tangent, length = self.grow(here, tangent)
            else:
                here, tangent, lost = self.go_round(here, tangent, length, back_to_growth=not arc)
                length = 0.0
        return here, tangent

    @cached_property
    def touchy(self) -> bool:
        """Whether nodes may lift off a frame or land on it, which makes steps grow and paths end."""
        return any(isinstance(stop, Rests) for stop in self.problem.stops)

    def arrived(self, here: Point) -> bool:
        """Whether the factor asked for is reached."""
        return abs(here.factor - self.until) <= 1e-9 * abs(self.until)

    def begin(self, factor: float, state: State) -> Point:
        """The equilibrium nearest to a state."""
        response = self.problem.respond(state)
        point: Point | None = Point(factor, response)
        if not self.balanced(point):
            factors = self.factorise(response, response.stress, factor)
            point = self.settle(response, factors.solve(self.problem.residual(response, factor)), factor)
        if point is None:
            raise SolverError(
                f"no equilibrium was found near the end of the earlier path (load factor {factor:g}); start from rest"
            )
        return point

    def note(self, point: Point, rising: Tangent | None) -> None:
        """Put an equilibrium on record, with its tangent if the load rises there."""
        state = point.response.state
        largest = float(np.linalg.norm(state.shifts, axis=1).max())
        watched = state.freedoms[self.watch] if len(self.watch) else np.zeros(0)
        self.record.append((point.factor, largest, point.response.energy, watched))
        if rising is not None and rising.negative and self.unstable is None:
            self.unstable = point.factor
        if point.factor in self.wanted:
            self.states.setdefault(point.factor, state)
        self.progress(
            min(max(point.factor / self.until, 0.0), 1.0), f"load factor {point.factor:.3g}: {largest:.3g} mm"
        )

    def factorise(self, response: Response, stress: list[np.ndarray], factor: float) -> Factors:
        """Factors of the tangent, counted."""
        self.factorisations += 1
        return self.problem.factorise(response, stress, factor)

    def tangent(self, here: Point) -> Tangent:
        """The tangent at an equilibrium."""
        try:
            factors = self.factorise(here.response, here.response.stress, here.factor)
        except SolverError as error:
            raise SolverError(f"at load factor {here.factor:.4g}: {error}") from error
        rate = factors.solve(self.problem.free_part(here.response.load))
        shifts = _shifts(rate)
        return Tangent(rate, float(np.linalg.norm(shifts)), float(np.abs(shifts).max()), factors.negative())

    def balanced(self, point: Point) -> bool:
        """Whether a state is an equilibrium."""
        problem = self.problem
        load = problem.size(point.response.load) * max(abs(point.factor), 0.01 * abs(self.until))
        rest = problem.size(problem.residual(point.response, point.factor))
        noise = problem.noise(point.response)
        return rest <= max(TOLERANCE * load, min(noise, NOISE * load) if load else noise)

    def settle(
        self, response: Response, step: np.ndarray, factor: float, sphere: tuple[np.ndarray, float] | None = None
    ) -> Point | None:
        """Newton's iteration from a response and a first step; None where it does not settle.

        At a fixed load factor; or, with `sphere` = (shifts (n, 3), distance), at the factor that brings the sheet to
        that distance from these shifts (Crisfield's cylindrical arc length, its condition linearised).
        """
        problem = self.problem
        before = np.inf
        for count in range(ITERATIONS):
            self.iterations += 1
            way = float(np.abs(_shifts(step)).max())
            if not way < np.inf or (count > 1 and way > 3 * before and not self.touchy):  # it has lost its way
                return None
            before = way
            foreseen = problem.predicted(response, step)
            response = problem.respond(response.state.moved(step))
            if self.balanced(Point(factor, response)):
                return Point(factor, response)
            try:
                factors = self.factorise(response, foreseen, factor)
            except SolverError:  # nothing holds a part of the sheet at this guess
                return None
            residual = problem.residual(response, factor)
            if sphere is None:
                step = factors.solve(residual)
            else:
                rest, rate = factors.solve(np.stack([residual, problem.free_part(response.load)], axis=1)).T
                centre, distance = sphere
                out = response.state.shifts - centre
                lack = (distance**2 - np.vdot(out, out)) / 2
                change = (lack - np.vdot(out, _shifts(rest))) / np.vdot(out, _shifts(rate))
                factor += float(change)
                step = rest + change * rate
        return None

    def grow(self, here: Point, tangent: Tangent) -> tuple[Point, Tangent, float]:
        """One step at growing load; the length along the path to try instead where there is none near by, else 0."""
        factor = min(f for f in (*self.wanted, self.until, here.factor + self.step(here, tangent)) if f > here.factor)
        there = self.settle(here.response, (factor - here.factor) * tangent.rate, factor)
        if there is not None:
            onward = self.tangent(there)
            way = float(np.linalg.norm(there.shifts - here.shifts))
            # without a jump the sheet is about as soft within a step as at the step's ends
            soft = np.sqrt(tangent.length * onward.length) * (factor - here.factor)
            if way <= JUMP * soft and _smooth(here, tangent, there, onward, 1.0, 1.0):
                self.growth = min(1.5 * self.growth, GROWTH)
                self.note(there, onward)
                return there, onward, 0.0
        self.growth = max(self.growth / 2, ARC)
        self.failures += 1
        return here, tangent, (factor - here.factor) * tangent.length / 2

    def step(self, here: Point, tangent: Tangent) -> float:
        """Length of the next step in the load factor."""
        if tangent.largest * self.until <= LINEAR * self.first:
            return self.until
        so_far = float(np.abs(here.shifts).max())
        return max(self.first, self.growth * so_far) / tangent.largest

    @cached_property
    def first(self) -> float:
        """Linear deflection of the first step, mm."""
        return self.reach * float(np.mean(self.problem.shell.t))

    def go_round(
        self, here: Point, tangent: Tangent, length: float, back_to_growth: bool
    ) -> tuple[Point, Tangent, bool]:
        """Follow the path by its length to the factor asked for, or until it rises over where it was; True if lost.

        Lost: the path went on for ARC_STEPS without getting there.  The more often growing load has failed before, the
        longer the path is followed this way.
        """
        high, highest = here.factor, abs(here.factor)
        forward = _shifts(tangent.rate)
        for count in range(ARC_STEPS):
            way_so_far = float(np.linalg.norm(here.shifts))
            length = min(length, ARC * way_so_far if way_so_far else self.first * tangent.length / tangent.largest)
            sign = 1.0 if np.vdot(forward, _shifts(tangent.rate)) > 0 else -1.0
            try:
                there, onward, length = self.along(here, tangent, sign, length)
            except SolverError:
                if not back_to_growth:
                    raise
                return *self.slide(here, tangent, high), False
            forward = there.shifts - here.shifts
            slope = np.copysign(1 / onward.length, np.vdot(forward, _shifts(onward.rate)))
            if self.limit is None and sign > 0 and (slope < 0 or there.factor < here.factor):
                self.limit = self.top(here, tangent, there, slope)
            for factor in (*self.wanted, self.until):
                if here.factor < factor <= there.factor:
                    point = self.between(here, tangent, there, onward, factor)
                    if point is not None:
                        at_point = self.tangent(point)
                        self.note(point, at_point)
                        if factor == self.until:
                            return point, at_point, False
            self.note(there, onward if slope > 0 else None)
            here, tangent = there, onward
            highest = max(highest, abs(here.factor))
            if count == DRIFT and highest < TOLERANCE * self.until:
                raise self.stuck(Point(0.0, here.response))
            if back_to_growth and slope > 0 and here.factor > high and count + 1 >= self.failures:
                return here, tangent, False
        return here, tangent, True

    def between(self, here: Point, tangent: Tangent, there: Point, onward: Tangent, factor: float) -> Point | None:
        """The equilibrium at a load factor between those of two others, from the nearer one first."""
        ends = sorted(((here, tangent), (there, onward)), key=lambda end: abs(factor - end[0].factor))
        for point, rate in ends:
            if found := self.settle(point.response, (factor - point.factor) * rate.rate, factor):
                return found
        return None

    def along(self, here: Point, tangent: Tangent, sign: float, length: float) -> tuple[Point, Tangent, float]:
        """The next equilibrium at a distance along the path, its tangent, and the distance for the step after it."""
        best: tuple[Point, Tangent, float] | None = None
        for _ in range(TRIES):
            change = sign * length / tangent.length
            before = self.iterations
            there = self.settle(here.response, change * tangent.rate, here.factor + change, (here.shifts, length))
            if there is not None:
                onward = self.tangent(there)
                rising = np.copysign(1.0, np.vdot(there.shifts - here.shifts, _shifts(onward.rate)))
                best = there, onward, 2 * length if self.iterations - before <= 5 else length
                if _smooth(here, tangent, there, onward, sign, rising):
                    return best
            length /= 4
        if best is not None:  # the path itself has a corner here: a perfect sheet that buckles
            return best
        raise self.stuck(here)

    def slide(self, here: Point, tangent: Tangent, high: float) -> tuple[Point, Tangent]:
        """The stable equilibrium that the sheet, let go a little beyond the highest load, slides to.

        Where that is far off, by less and less load until it is known to a LEAP where the sheet snapped.
        """
        above = max(high, here.factor)
        while True:
            factor = min(f for f in (*self.wanted, self.until, above + self.leap) if f > above)
            balanced = partial(self.rests_at, factor)
            found, steps, factorisations = let_go(self.problem, here.response, factor, balanced)
            self.iterations += steps
            self.factorisations += factorisations
            there = None if found is None else Point(factor, found)
            way = np.inf if there is None else float(np.linalg.norm(there.shifts - here.shifts))
            snaps = way > JUMP * tangent.length * abs(factor - here.factor)
            if there is not None and (not snaps or factor - above <= LEAP * self.until):
                break
            self.leap = min(self.leap, factor - above) / 2
            if there is None and self.leap < LEAP * self.until / 2:
                raise self.stuck(here)
        if snaps and self.limit is None:
            self.limit = above
        self.leap = min(2 * self.leap, 10 * LEAP * self.until)
        onward = self.tangent(there)
        self.note(there, onward)
        return there, onward

    def rests_at(self, factor: float, response: Response) -> bool:
        """Whether a response is an equilibrium at a load factor."""
        return self.balanced(Point(factor, response))

    def stuck(self, here: Point) -> SolverError:
        """No way on."""
        return SolverError(
            f"no equilibrium was found beyond load factor {here.factor:.4g} (asked for: {self.until:g}); the sheet may "
            "crumple or lift off there: lower the load, add a support, or give a flat sheet an initial waviness"
        )

    def top(self, here: Point, tangent: Tangent, there: Point, slope: float) -> float:
        """Highest load factor between two equilibria, the path rising from `here`: by one more, near the top."""
        way = float(np.linalg.norm(there.shifts - here.shifts))
        share, value = top_of(here.factor, there.factor, way / tangent.length, way * slope)
        if not 0.0 < share < 1.0:
            return value
        change = share * way / tangent.length
        near = self.settle(here.response, change * tangent.rate, here.factor + change, (here.shifts, share * way))
        if near is None:
            return value
        onward = self.tangent(near)
        forward = near.shifts - here.shifts
        if np.vdot(forward, _shifts(onward.rate)) > 0:
            rest = float(np.linalg.norm(there.shifts - near.shifts))
            return top_of(near.factor, there.factor, rest / onward.length, rest * slope)[1]
        done = float(np.linalg.norm(forward))
        return top_of(here.factor, near.factor, done / tangent.length, -done / onward.length)[1]


def _smooth(here: Point, tangent: Tangent, there: Point, onward: Tangent, leaves: float, arrives: float) -> bool:
    """Whether a path may run smoothly between two equilibria, that it leaves and reaches in these senses (+1 rising).

    It may not where it would turn by nearly a right angle, or where a stable sheet would turn unstable while the load
    rises: the step has then left the path for another branch.
    """
    chord = (there.shifts - here.shifts).ravel()
    way = float(np.linalg.norm(chord))
    if way == 0.0:  # loads that held freedoms take
        return True
    starts = leaves * float(chord @ _shifts(tangent.rate).ravel()) / (way * tangent.length)
    ends = arrives * float(chord @ _shifts(onward.rate).ravel()) / (way * onward.length)
    lost = tangent.negative == 0 and onward.negative > 0 and arrives > 0
    return min(starts, ends) > TURN and not lost


def top_of(first: float, last: float, rise: float, fall: float) -> tuple[float, float]:
    """Where in 0 to 1 the cubic with end values first, last and end slopes rise, fall is highest, and how high."""
    d = last - first
    cubic = np.array([rise + fall - 2 * d, 3 * d - 2 * rise - fall, rise, first])
    roots = np.roots(np.polyder(cubic))
    places = [0.0, 1.0, *(float(r.real) for r in roots if abs(r.imag) < 1e-12 and 0 < r.real < 1)]
    return max(((place, float(np.polyval(cubic, place))) for place in places), key=lambda pair: pair[1])

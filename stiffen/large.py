"""The judge beyond small deflections: follows a loaded sheet from rest, through snap-through if it must.

Newton's method on the corotated shell.  What a load does to a thin sheet hangs on its membrane forces, and those that
go with a displacement guessed too large are far too large; so the tangent takes the membrane forces that the last step
foresaw, not those of the guess.  That is the mixed Newton iteration of D. Magisano, L. Leonetti and G. Garcea, "How to
improve efficiency and robustness of the Newton method in geometrically non-linear structural problem discretized via
displacement-based finite elements", Comput. Methods Appl. Mech. Eng. 313 (2017) 986-1005, here with the triangle's
straining freedoms in place of integration points.  It takes steps many times longer, and its solutions are the same.

Past a limit point the load falls while the sheet goes on: there the path is followed by its length (M. A. Crisfield, "A
fast incremental/iterative solution procedure that handles snap-through", Comput. Struct. 13 (1981) 55-62).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from . import triangle
from .contact import Rests, stops
from .corotational import State
from .equilibrium import Factors, Problem, Response
from .errors import SolverError
from .shell import Shell, free_motions, rigid_motions

Progress = Callable[[float, str], None]

# Residual force over load at which a state counts as equilibrium.  Deflections are settled to five digits at 1e-2
# already, since what is left then sits in the stiff in-plane directions; 1e-6 costs one more iteration at most
# (convergence is quadratic) and leaves reactions and stresses to that accuracy.
TOLERANCE = 1e-6
ITERATIONS = 14  # of one step; more means the step was too long
FIRST = 1.5  # first step: linear deflection over thickness
GROWTH = 3.0  # step: linear change of the deflection over the deflection so far
LONGEST = 0.5  # step, over the load factor asked for
TRIES = 3  # at shorter and shorter steps, before the path is followed by its length, or before giving up
ARC = 0.35  # step along the path, over the way so far
JUMP = 2.0  # way of a step over what the softness at its ends explains: more means it jumped to another branch
TURN = 0.2  # least cosine between a step and the path at its ends
ARC_STEPS = 200
OVERSHOOT = 0.8  # slope of the energy at the end of a step over that at its start, from which a shorter step is sought
SEARCHES = 6
BALANCE = 1e-5  # greatest force or moment out of balance, as a fraction of what was applied


@dataclass(frozen=True, eq=False)
class LargeResult:
    """A path of equilibria of a shell under growing load.

    factors (k,): load factors of the states found, in order, from the start.  largest (k,): largest shift of a node,
    mm.  history (k, w): the freedoms that were watched.  energy (k,): stored work, N mm.  states: load factor -> state,
    for the factors asked for, where the path passed them rising.  last: the state at the end.  reactions (6 n,): forces
    of supports on the sheet at the end, N and N mm.  limit: load factor at which the sheet first snaps through, or None.
    converged: the path reached the factor asked for.  stable: the end state gives way in no direction.  words: what
    happened, for people.
    """

    shell: Shell
    factors: np.ndarray
    largest: np.ndarray
    history: np.ndarray
    energy: np.ndarray
    states: dict[float, State]
    last: State
    reactions: np.ndarray
    iterations: int
    factorisations: int
    limit: float | None
    converged: bool
    stable: bool
    words: str
    problem: Problem

    @cached_property
    def resultants(self) -> tuple[np.ndarray, np.ndarray]:
        """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm at the end, at centroids, in the triangles' frames."""
        return resultants(self.problem, self.last)

    @cached_property
    def stress(self) -> tuple[np.ndarray, np.ndarray]:
        """Stresses (m, 3) MPa on the upper and lower face at the end, as `Shell.stress`."""
        N, M = self.resultants
        t = np.broadcast_to(np.asarray(self.shell.t, float), (len(N),))[:, None]
        return N / t + 6 * M / t**2, N / t - 6 * M / t**2


def resultants(problem: Problem, state: State) -> tuple[np.ndarray, np.ndarray]:
    """Membrane forces (m, 3) N/mm and moments (m, 3) N mm/mm of a state, at centroids, in the triangles' frames."""
    shell, model = problem.shell, problem.model
    strained = np.concatenate([model.bent(part, state).strained for part in model.lots()])
    return triangle.resultants(shell.facets, shell.t, shell.E, shell.nu, strained)


def follow(
    shell: Shell,
    fixed: np.ndarray,
    forces: np.ndarray,
    *,
    springs: sp.spmatrix | None = None,
    pressure: np.ndarray | None = None,
    rests: np.ndarray | None = None,
    slips: Sequence[tuple[np.ndarray, float]] = (),
    start: LargeResult | None = None,
    until: float = 1.0,
    steps: Sequence[float] = (),
    watch: Sequence[int] = (),
    arc: bool = False,
    progress: Progress | None = None,
) -> LargeResult:
    """Follow a shell from rest (or from the end of `start`) as its loads grow to `until` times.

    fixed: freedoms held at zero.  forces: (6 n,) N and N mm, dead: they keep their direction.  pressure: (m,) MPa, stays
    square to the sheet and pushes against the triangles' normals.  springs: (6 n, 6 n) elastic supports.  rests: uz
    freedoms of nodes that lie on a frame: they may lift, not sink.  slips: (nodes of a fastener's disc, clearance mm):
    the disc slides in plane by its clearance, then holds.  steps: load factors at which a state is wanted besides the
    end.  watch: freedoms whose history is wanted.  arc: follow the path by its length from the start; otherwise only
    where growing load finds no equilibrium near by.  progress(fraction, words) is called after every step.

    Raises SolverError where the panel is not held, or no way on is found; it names the last load factor reached.
    """
    if until <= (0.0 if start is None else float(start.factors[-1])):
        raise ValueError(f"until = {until:g} lies behind the start")
    t = np.asarray(shell.t, float)
    problem = Problem(
        shell,
        np.asarray(fixed),
        np.asarray(forces, float),
        None if pressure is None else np.asarray(pressure, float),
        stops(shell.E * float(t.mean()), springs, rests, slips),
    )
    _demand_held(problem)
    walk = _Walk(problem, until, tuple(sorted(steps)), np.asarray(watch, int), progress or (lambda fraction, words: None))
    here, tangent = walk.run(start, arc)
    return _result(walk, here, tangent)


def load_deflection(
    shell: Shell,
    fixed: np.ndarray,
    forces: np.ndarray,
    *,
    factors: Sequence[float] = (0.05, 0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5),
    **more,
) -> LargeResult:
    """The load-deflection curve to the last of `factors`, with a state at each; more: as for `follow`."""
    return follow(shell, fixed, forces, until=max(factors), steps=factors, **more)


def _demand_held(problem: Problem) -> None:
    """SolverError where nothing stops the panel from moving off."""
    u = np.zeros(problem.shell.size)
    springs = None
    for stop in problem.stops:
        K = stop.respond(u)[2]
        springs = K if springs is None else springs + K
    loose = free_motions(problem.shell, problem.fixed, springs)
    if loose:
        words = "; ".join(f"can {motion} (part about x {p[0]:.0f}, y {p[1]:.0f})" for motion, p in loose)
        raise SolverError(f"the panel is not held: it {words}; add or extend a support")


def _result(walk: _Walk, here: _Point, tangent: _Tangent) -> LargeResult:
    """The result of a walk that ended `here`."""
    problem, response = walk.problem, here.response
    reactions = -response.stop_forces
    held = ~problem.is_free
    reactions[held] += (response.forces - here.factor * response.load)[held]
    _demand_balance(problem, here, reactions)
    factors, largest, energy, history = zip(*walk.record, strict=True)
    reached = walk.arrived(here)
    words = [f"load factor {here.factor:.4g} reached in {len(factors) - 1} steps"]
    if walk.limit is not None:
        words.append(f"snaps through at load factor {walk.limit:.3g}")
    if not reached:
        words.append(f"load factor {walk.until:g} was not reached in {ARC_STEPS} steps along the path")
    if tangent.negative:
        words.append(
            "the end state is unstable: the sheet would leave it for a buckled one; give it an initial waviness to see that"
        )
    return LargeResult(
        problem.shell,
        np.array(factors),
        np.array(largest),
        np.array(history),
        np.array(energy),
        walk.states,
        response.state,
        reactions,
        walk.iterations,
        walk.factorisations,
        walk.limit,
        reached,
        tangent.negative == 0,
        "; ".join(words),
        problem,
    )


def _demand_balance(problem: Problem, here: _Point, reactions: np.ndarray) -> None:
    """SolverError unless loads and reactions balance in force and moment on the deflected sheet."""
    load = here.factor * here.response.load
    place = problem.shell.nodes + here.shifts
    reach = float(np.ptp(place, axis=0).max())
    motions = rigid_motions(place)
    scale = np.array([1, 1, 1, reach, reach, reach])
    rest = np.abs(motions.T @ (load + reactions) / scale).max()
    applied = np.abs(load.reshape(-1, 2, 3) / np.array([1.0, reach])[:, None]).sum()
    noise = problem.noise(here.response)
    if not rest <= BALANCE * applied + 10 * noise * np.sqrt(len(load)):
        raise SolverError(f"loads and reactions do not balance (off by {rest:.2g} N of {applied:.2g} N)")


@dataclass(frozen=True, eq=False)
class _Point:
    """An equilibrium: load factor and response."""

    factor: float
    response: Response

    @property
    def shifts(self) -> np.ndarray:
        """(n, 3) mm."""
        return self.response.state.shifts


@dataclass(frozen=True, eq=False)
class _Tangent:
    """What the tangent at an equilibrium tells: step per load factor (6 n,), its length over all shifts and its
    largest shift (mm), and in how many directions the sheet gives way."""

    rate: np.ndarray
    length: float
    largest: float
    negative: int


def _shifts(step: np.ndarray) -> np.ndarray:
    return step.reshape(-1, 2, 3)[:, 0]


@dataclass(eq=False)
class _Walk:
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
    growth: float = GROWTH

    def run(self, start: LargeResult | None, arc: bool) -> tuple[_Point, _Tangent]:
        """Go from rest or the end of `start` to the factor asked for; the last equilibrium and its tangent."""
        here = self.begin(start)
        tangent = self.tangent(here)
        length, lost = np.inf if arc else 0.0, False
        while not (lost or self.arrived(here)):
            if length == 0.0:
                here, tangent, length = self.grow(here, tangent)
            else:
                here, tangent, lost = self.go_round(here, tangent, length, back_to_growth=not arc)
                length = 0.0
        return here, tangent

    def arrived(self, here: _Point) -> bool:
        """Whether the factor asked for is reached."""
        return abs(here.factor - self.until) <= 1e-9 * abs(self.until)

    def begin(self, start: LargeResult | None) -> _Point:
        """At rest, or the equilibrium nearest to the end of `start`."""
        if start is None:
            point = _Point(0.0, self.problem.respond(State.at_rest(len(self.problem.shell.nodes))))
        else:
            point = _Point(float(start.factors[-1]), self.problem.respond(start.last))
            if not self.balanced(point):
                response = point.response
                factors = self.factorise(response, response.stress, point.factor)
                step = factors.solve(self.problem.residual(response, point.factor))
                point = self.settle(response, step, point.factor)
            if point is None:
                raise SolverError(
                    f"no equilibrium was found near the end of the earlier path (load factor {start.factors[-1]:g}); "
                    "start from rest"
                )
        self.note(point)
        return point

    def note(self, point: _Point) -> None:
        """Put an equilibrium on record."""
        state = point.response.state
        largest = float(np.linalg.norm(state.shifts, axis=1).max())
        watched = state.freedoms[self.watch] if len(self.watch) else np.zeros(0)
        self.record.append((point.factor, largest, point.response.energy, watched))
        if point.factor in self.wanted:
            self.states[point.factor] = state
        self.progress(
            min(max(point.factor / self.until, 0.0), 1.0), f"load factor {point.factor:.3g}: {largest:.3g} mm"
        )

    def factorise(self, response: Response, stress: list[np.ndarray], factor: float) -> Factors:
        """Factors of the tangent, counted."""
        self.factorisations += 1
        return self.problem.factorise(response, stress, factor)

    def tangent(self, here: _Point) -> _Tangent:
        """The tangent at an equilibrium."""
        factors = self.factorise(here.response, here.response.stress, here.factor)
        rate = factors.solve(self.problem.free_part(here.response.load))
        shifts = _shifts(rate)
        return _Tangent(rate, float(np.linalg.norm(shifts)), float(np.abs(shifts).max()), factors.negative())

    def balanced(self, point: _Point) -> bool:
        """Whether a state is an equilibrium."""
        problem = self.problem
        load = problem.size(point.response.load) * max(abs(point.factor), 0.01 * abs(self.until))
        rest = problem.size(problem.residual(point.response, point.factor))
        return rest <= max(TOLERANCE * load, problem.noise(point.response))

    def settle(
        self, response: Response, step: np.ndarray, factor: float, sphere: tuple[np.ndarray, float] | None = None
    ) -> _Point | None:
        """Newton's iteration from a response and a first step; None where it does not settle.

        At a fixed load factor; or, with `sphere` = (shifts (n, 3), distance), at the factor that brings the sheet to
        that distance from these shifts (Crisfield's cylindrical arc length, its condition linearised).
        """
        problem = self.problem
        before = np.inf
        touchy = any(isinstance(stop, Rests) for stop in problem.stops)  # nodes that lift or land make steps grow
        for count in range(3 * ITERATIONS if touchy else ITERATIONS):
            self.iterations += 1
            way = float(np.abs(_shifts(step)).max())
            if not way < np.inf or (count > 1 and way > 3 * before and not touchy):  # it has lost its way
                return None
            before = way
            response, foreseen = self.taken(response, step, factor, damped=count > 0)
            if self.balanced(_Point(factor, response)):
                return _Point(factor, response)
            factors = self.factorise(response, foreseen, factor)
            residual = problem.residual(response, factor)
            if sphere is None:
                step = factors.solve(residual)
            else:
                rest, rate = factors.solve(np.stack([residual, problem.free_part(response.load)], axis=1)).T
                centre, distance = sphere
                out = response.state.shifts - centre
                lack = (distance**2 - np.vdot(out, out)) / 2
                change = (lack - np.vdot(out, _shifts(rest))) / np.vdot(out, _shifts(rate))
                factor += change
                step = rest + change * rate
        return None

    def taken(
        self, response: Response, step: np.ndarray, factor: float, damped: bool
    ) -> tuple[Response, list[np.ndarray]]:
        """The response after a step, and the stress foreseen for it.

        Damped: where the full step overshoots the least energy along its way, as it does when many stops open or close
        at once, a shorter one is taken (line search by regula falsi, Illinois rule).
        """
        problem = self.problem
        there = problem.respond(response.state.moved(step))
        share = 1.0
        if damped:
            low, high = 0.0, 1.0
            push = float(problem.residual(response, factor) @ step)  # loss of energy per share of the step
            at_low, at_high = push, float(problem.residual(there, factor) @ step)
            for _ in range(SEARCHES):
                if push <= 0 or at_high > -OVERSHOOT * push:
                    break
                share = low + (high - low) * at_low / (at_low - at_high)
                there = problem.respond(response.state.moved(share * step))
                slope = float(problem.residual(there, factor) @ step)
                if abs(slope) <= OVERSHOOT * push:
                    break
                if slope < 0:
                    high, at_high, at_low = share, slope, at_low / 2
                else:
                    low, at_low, at_high = share, slope, at_high / 2
        return there, problem.predicted(response, share * step)

    def grow(self, here: _Point, tangent: _Tangent) -> tuple[_Point, _Tangent, float]:
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
                self.note(there)
                return there, onward, 0.0
        self.growth = max(self.growth / 2, ARC)
        return here, tangent, (factor - here.factor) * tangent.length / 2

    def step(self, here: _Point, tangent: _Tangent) -> float:
        """Length of the next step in the load factor."""
        if tangent.largest == 0.0:
            return self.until
        so_far = float(np.abs(here.shifts).max())
        return min(max(self.first, self.growth * so_far) / tangent.largest, LONGEST * self.until)

    @cached_property
    def first(self) -> float:
        """Linear deflection of the first step, mm."""
        return FIRST * float(np.mean(self.problem.shell.t))

    def go_round(
        self, here: _Point, tangent: _Tangent, length: float, back_to_growth: bool
    ) -> tuple[_Point, _Tangent, bool]:
        """Follow the path by its length to the factor asked for, or until it rises over where it was; True if lost.

        Lost: the path went on for ARC_STEPS without getting there.
        """
        high = here.factor
        forward = _shifts(tangent.rate)
        for _ in range(ARC_STEPS):
            way_so_far = float(np.linalg.norm(here.shifts))
            length = min(length, ARC * way_so_far if way_so_far else self.first * tangent.length / tangent.largest)
            sign = 1.0 if np.vdot(forward, _shifts(tangent.rate)) > 0 else -1.0
            there, onward, length = self.along(here, tangent, sign, length)
            forward = there.shifts - here.shifts
            slope = np.copysign(1 / onward.length, np.vdot(forward, _shifts(onward.rate)))
            if self.limit is None and sign > 0 and (slope < 0 or there.factor < here.factor):
                self.limit = self.top(here, tangent, there, slope)
            for factor in (*self.wanted, self.until):
                if here.factor < factor <= there.factor:
                    point = self.settle(there.response, (factor - there.factor) * onward.rate, factor)
                    if point is not None:
                        self.note(point)
                        if factor == self.until:
                            return point, self.tangent(point), False
            self.note(there)
            here, tangent = there, onward
            if back_to_growth and slope > 0 and here.factor > high:
                return here, tangent, False
        return here, tangent, True

    def along(
        self, here: _Point, tangent: _Tangent, sign: float, length: float
    ) -> tuple[_Point, _Tangent, float]:
        """The next equilibrium at a distance along the path, its tangent, and the distance for the step after it."""
        best: tuple[_Point, _Tangent, float] | None = None
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
        raise SolverError(
            f"no equilibrium was found beyond load factor {here.factor:.4g} (asked for: {self.until:g}); the sheet may "
            "crumple or lift off there: lower the load, add a support, or give a flat sheet an initial waviness"
        )

    def top(self, here: _Point, tangent: _Tangent, there: _Point, slope: float) -> float:
        """Highest load factor between two equilibria, of which the path leaves `here` rising: by a third, near the top."""
        way = float(np.linalg.norm(there.shifts - here.shifts))
        share, value = _top(here.factor, there.factor, way / tangent.length, way * slope)
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
            return _top(near.factor, there.factor, rest / onward.length, rest * slope)[1]
        done = float(np.linalg.norm(forward))
        return _top(here.factor, near.factor, done / tangent.length, -done / onward.length)[1]


def _smooth(here: _Point, tangent: _Tangent, there: _Point, onward: _Tangent, leaves: float, arrives: float) -> bool:
    """Whether a path may run smoothly between two equilibria, that it leaves and reaches in these senses (+1 rising).

    It may not where it would turn by nearly a right angle, or where a stable sheet would turn unstable while the load
    rises: the step has then left the path for another branch.
    """
    chord = (there.shifts - here.shifts).ravel()
    way = float(np.linalg.norm(chord))
    starts = leaves * float(chord @ _shifts(tangent.rate).ravel()) / (way * tangent.length)
    ends = arrives * float(chord @ _shifts(onward.rate).ravel()) / (way * onward.length)
    lost = tangent.negative == 0 and onward.negative > 0 and arrives > 0
    return min(starts, ends) > TURN and not lost


def _top(first: float, last: float, rise: float, fall: float) -> tuple[float, float]:
    """Where in 0 to 1 the cubic with end values first, last and end slopes rise, fall is highest, and how high."""
    d = last - first
    cubic = np.array([rise + fall - 2 * d, 3 * d - 2 * rise - fall, rise, first])
    roots = np.roots(np.polyder(cubic))
    places = [0.0, 1.0, *(float(r.real) for r in roots if abs(r.imag) < 1e-12 and 0 < r.real < 1)]
    return max(((place, float(np.polyval(cubic, place))) for place in places), key=lambda pair: pair[1])

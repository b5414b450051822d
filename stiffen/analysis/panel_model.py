"""The shell model of one layout on one mesh, under one assumption on unknown in-plane restraints.

Fields are computed on request and cached.  Small deflections come from one factorisation of the stiffness matrix.  If
the linear deflection of a case exceeds `LINEAR_LIMIT` thicknesses, the large-deflection solver traces it instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator, RBFInterpolator

from stiffen.errors import Fault, InputError, SolverError
from stiffen.fem.continuation import FIRST_STEP, TOLERANCE, Guess
from stiffen.fem.edge_beams import EdgeBeams
from stiffen.fem.first_guess import carried_over
from stiffen.fem.linear import MODE_TOLERANCE, LinearModel
from stiffen.fem.nonlinear import EquilibriumPath, follow_path
from stiffen.fem.shell import Shell
from stiffen.fem.triangle import von_mises
from stiffen.mesh.normals import node_normals
from stiffen.mesh.panel_mesh import Mesh, mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel, Point

from .edge_trims import trim_beams
from .loads import case_forces, locate, lumped_masses, moving_patch_positions
from .mechanisms import require_held
from .natural_modes import modes_in_wall
from .probe_points import probe_points
from .supports import FREE, HELD, UNKNOWN, Restraints, build_restraints

T = TypeVar("T")

LINEAR_LIMIT = 0.5  # largest deflection over thickness up to which small-deflection theory decides
MODE_COUNT = 3  # natural modes; air may put another one first
PROBES_PER_SIDE = 8  # points pushed along the side of a square panel, before refining about the softest
MAX_IN_PLANE_IMBALANCE = 0.05  # share of the load that drift_dofs may carry if all supports are free in plane
PUSH_FIRST_STEP = 6.0  # `first_step` of a push, in thicknesses; large, as only the end state matters
CURVE_LOAD_FACTORS = (1.25, 1.5)  # load factors beyond 1 of a load-deflection curve
CURVE_POINTS = 60  # points of an interpolated load-deflection curve


@dataclass(frozen=True)
class Accuracy:
    """How accurately a panel model is solved.

    tolerance: residual force over load at equilibrium.  mode_tolerance: see `LinearModel.modes`.  soft_places: places
    pushed by the large-deflection solver if a push leaves linear theory.  softening: a push deflects at most so many
    times what linear theory says; taken to leave places out, not for values.  refine_probes: True if more points are
    probed about the softest.  trust_guesses: an equilibrium found from a guess is not checked for stability.
    reuses_factors: see `follow_path`.  linear_push_ratio: deflection over thickness up to which linear theory decides
    a push too.  first_step: see `follow_path`; of the path of a case.
    """

    tolerance: float = TOLERANCE
    mode_tolerance: float = MODE_TOLERANCE
    soft_places: int = 5
    softening: float = 1.2
    refine_probes: bool = True
    trust_guesses: bool = False
    reuses_factors: bool = False
    linear_push_ratio: float = 0.0
    first_step: float = FIRST_STEP


FULL_ACCURACY = Accuracy()


@dataclass(frozen=True, eq=False)
class PanelModel:
    """A meshed and restrained layout; made by `build_panel_model`.

    nodal_mass: (n,) kg.  normals: (n, 3) unit normals of the folded sheet; deflections and pushes are along them, on
    flanges too.  trim_beams: the stiff trims, or None.  guesses: for a case ("case", name) or a push ("push", place,
    force) a state near its equilibrium, from a similar layout on the same mesh.  accuracy: of the solutions.  coarser:
    the model on a coarser mesh, if there is one: where its sheet neither buckles nor snaps through under a load, its
    equilibrium is the first guess of this one's.
    """

    panel: Panel
    layout: Layout
    mesh: Mesh
    restraints: Restraints
    linear_model: LinearModel
    assumed: str
    nodal_mass: np.ndarray
    normals: np.ndarray
    trim_beams: EdgeBeams | None = None
    guesses: Mapping[tuple, Guess] = field(default_factory=dict)
    accuracy: Accuracy = FULL_ACCURACY
    coarser: PanelModel | None = None
    _cache: dict = field(default_factory=dict)

    def _cached(self, key: tuple, make: Callable[[], T]) -> T:
        """The cached result of `make`; a SolverError is cached too, so no failed solve is repeated."""
        if key not in self._cache:
            try:
                self._cache[key] = make()
            except SolverError as error:
                self._cache[key] = error
        if isinstance(self._cache[key], SolverError):
            raise self._cache[key]
        return self._cache[key]

    # ------------------------------------------------------------------------------------------ small deflections

    def linear_solution(self, case: str, place: Point | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Nodal forces and displacements (6 n,) of a load case by small-deflection theory.

        place: of a moving patch; where it gives the largest deflection by that theory, unless given.  Raises InputError
        for an unknown case, and if nothing holds the panel in plane against the loads; SolverError if the solve fails.
        """

        if place is None:
            return self._worst_patch(case)[1:]
        return self._cached(("case", case, place), lambda: self._worst_of(case, [place])[1:])

    def worst_place(self, case: str) -> Point | None:
        """Where a moving patch gives the largest deflection by small-deflection theory; None without a moving patch."""
        return self._worst_patch(case)[0]

    def _worst_patch(self, case: str) -> tuple[Point | None, np.ndarray, np.ndarray]:
        """The worst place of a moving patch, if there is one, with nodal forces and displacements."""
        return self._cached(
            ("case", case), lambda: self._worst_of(case, moving_patch_positions(self.panel, case) or [None])
        )

    def _worst_of(self, case: str, places: Sequence[Point | None]) -> tuple[Point | None, np.ndarray, np.ndarray]:
        """The worst of some places of a moving patch, with nodal forces and displacements."""
        forces = np.stack([case_forces(self.panel, self.mesh, self.nodal_mass, case, p) for p in places], axis=1)
        u = self.linear_model.solve(forces)
        self._check_in_plane_balance(case, u, forces)
        worst = int(np.abs(self.normal_displacement(u)).max(axis=0).argmax())
        return places[worst], forces[:, worst], u[:, worst]

    def other_place(self, case: str, place: Point | None) -> Point | None:
        """A given place of a moving patch; None if it is the worst one, or none is given."""
        return None if place is None or place == self.worst_place(case) else place

    def _check_in_plane_balance(self, case: str, u: np.ndarray, forces: np.ndarray) -> None:
        """Raise InputError if the loads act along the plane and no support holds the panel in plane against them.

        Supports whose restraint is unknown are judged as held: some of them hold for certain.
        """
        unknown = any(support.in_plane == UNKNOWN for support in self.panel.supports)
        if not len(self.restraints.drift_dofs) or (unknown and self.assumed != HELD):
            return
        reactions = self.linear_model.reactions(u, forces)
        if self.restraints.springs is not None:
            reactions = reactions + self.restraints.springs @ u  # less those of springs, as of a fastener on a flange
        carried = np.abs(reactions[self.restraints.drift_dofs]).max(axis=1)
        if carried.max() > MAX_IN_PLANE_IMBALANCE * np.abs(forces).sum(axis=0).max():
            axis = "xy"[self.restraints.drift_dofs[carried.argmax()] % 6]
            held = any(support.in_plane != FREE and support.slip is None for support in self.panel.supports)
            motion = "turn in its plane" if held else f"slide along {axis}"
            why = "too few supports hold it in plane" if held else "every support is free in plane"
            x, y, _ = self.mesh.nodes.mean(axis=0)
            what = f"case {case} makes it {motion} (part near x {x:.0f}, y {y:.0f}), and {why}"
            cure = f'give {"another" if held else "one"} in_plane = "held"'
            raise InputError([Fault("support", f"the panel is not held: {what}", cure)])

    def normal_displacement(self, u: np.ndarray) -> np.ndarray:
        """Displacement normal to the sheet, mm, (n,) or (n, k), from displacements (6 n,) or (6 n, k).

        It is positive toward the "up" face.
        """
        translations = u.reshape(len(self.normals), 6, *u.shape[1:])[:, :3]
        return np.einsum("ni,ni...->n...", self.normals, translations)

    def deflection_over_thickness(self, case: str) -> float:
        """Largest deflection of a case over the thickness, by small-deflection theory."""
        return float(np.abs(self.normal_displacement(self.linear_solution(case)[1])).max()) / self.layout.gauge

    @cached_property
    def first_frequency(self) -> float:
        """First natural frequency, Hz, of the unloaded panel in vacuum."""
        return float(self._modes_in_vacuum[0][0])

    @cached_property
    def _modes_in_vacuum(self) -> tuple[np.ndarray, np.ndarray]:
        return self.linear_model.modes(MODE_COUNT, self.accuracy.mode_tolerance)

    @cached_property
    def modes_in_air(self) -> tuple[np.ndarray, np.ndarray]:
        """First natural frequencies (k,) Hz of the unloaded panel in air, and normal displacements (n, k).

        See `air_mass`: the panel counts as part of a rigid wall, its plan as its shape.
        """
        hertz, shapes = self._modes_in_vacuum
        return modes_in_wall(self.mesh, hertz, self.normal_displacement(shapes))

    @cached_property
    def softness(self) -> np.ndarray:
        """(k, 3) rows x, y, mm per newton at points over the sheet, by small-deflection theory.

        The points are denser about the three softest.
        """
        spacing = math.sqrt(self.panel.region.area) / PROBES_PER_SIDE
        coarse = probe_points(self.mesh, spacing)
        first = self._unit_push_deflections(coarse)
        if not self.accuracy.refine_probes:
            return np.column_stack([self.mesh.plan[coarse], first])
        softest = self.mesh.plan[coarse[first.argsort()[-3:]]]
        fine = probe_points(self.mesh, spacing / 4)
        gap = np.linalg.norm(self.mesh.plan[fine][:, None] - softest, axis=2).min(axis=1)
        close = np.setdiff1d(fine[gap < 0.8 * spacing], coarse)
        nodes = np.concatenate([coarse, close])
        return np.column_stack([self.mesh.plan[nodes], np.concatenate([first, self._unit_push_deflections(close)])])

    def softness_at(self, place: Point) -> float:
        """Deflection per force, mm/N, at a place, interpolated in its triangle; small deflections."""
        triangle, shares = locate(self.mesh, np.array([place]))
        return float(shares[0] @ self._unit_push_deflections(self.mesh.triangles[triangle[0]]))

    def _unit_push_deflections(self, nodes: np.ndarray) -> np.ndarray:
        """(k,) deflection, mm, of each node under 1 N along its own normal.

        Raises SolverError as `LinearModel.solve` does, where loads and reactions do not balance for the softest.
        """
        pushes = np.zeros((len(self.normals), 6, len(nodes)))
        pushes[nodes, :3, np.arange(len(nodes))] = self.normals[nodes]
        forces = pushes.reshape(-1, len(nodes))
        found = self.linear_model.compliances(forces)
        if len(nodes):
            self.linear_model.solve(forces[:, found.argmax()])
        return found

    def push_forces(self, place: Point, force: float) -> np.ndarray:
        """(6 n,) nodal forces of a push of `force` N onto the "up" face at a place."""
        triangle, shares = locate(self.mesh, np.array([place]))
        nodes = self.mesh.triangles[triangle[0]]
        forces = np.zeros((len(self.normals), 6))
        forces[nodes, :3] = -force * shares[0][:, None] * self.normals[nodes]
        return forces.ravel()

    # ------------------------------------------------------------------------------------------ large deflections

    @property
    def has_contact(self) -> bool:
        """True if rests lift off or fasteners slip, so that linear theory holds at no load."""
        return bool(len(self.restraints.rests) or self.restraints.slips)

    def imperfect_shell(self, forces: np.ndarray, u: np.ndarray) -> Shell:
        """The shell with its initial imperfection: the measured out-of-flat and a wave of the panel's waviness.

        The measured shape is a thin-plate spline through the measured places.  The wave follows the first buckling mode
        of the case, or the first natural mode if nothing buckles.  It is signed against the load, so that snap-through
        is triggered.
        """
        shell, height = self.linear_model.shell, self.panel.waviness
        if self.panel.out_of_flat:
            places, heights = zip(*((one.at, one.height) for one in self.panel.out_of_flat), strict=True)
            shape = RBFInterpolator(np.array(places), np.array(heights), kernel="thin_plate_spline")(self.mesh.plan)
            shell = replace(shell, nodes=shell.nodes + shape[:, None] * self.normals)
        if not height:
            return shell
        _, shapes = self.linear_model.buckling(u)
        shape = self.normal_displacement((shapes if shapes.shape[1] else self.linear_model.modes(1)[1])[:, 0])
        shape = shape / np.abs(shape).max() * (-1 if shape @ self.normal_displacement(forces) > 0 else 1)
        return replace(shell, nodes=shell.nodes + height * shape[:, None] * self.normals)

    def equilibrium_path(
        self, case: str, until: float = 1.0, from_rest: bool = False, place: Point | None = None
    ) -> EquilibriumPath:
        """Equilibrium path of a case by the large-deflection solver, up to `until` times its load.

        The path to the load itself may be its end alone, found from a first guess, unless it is wanted from rest.
        place: of a moving patch; the worst one unless given.  Raises SolverError if no equilibrium is found on the way.
        """
        elsewhere = self.other_place(case, place)

        def make() -> EquilibriumPath:
            guess, only_end = None, until == 1.0 and not from_rest
            if only_end and elsewhere is None:
                there = self.worst_place(case)
                guess = self._first_guess(("case", case), lambda coarser: coarser.equilibrium_path(case, place=there))
            first_step = self.accuracy.first_step
            return self._trace_path(*self.linear_solution(case, elsewhere), until, first_step=first_step, guess=guess)

        key = ("from rest" if from_rest else "followed", case, until)
        return self._cached(key if elsewhere is None else (*key, elsewhere), make)

    def _first_guess(self, key: tuple, path_of: Callable[[PanelModel], EquilibriumPath]) -> Guess | None:
        """The first guess of an equilibrium.  key: in `guesses`.  path_of: its path by the coarser model."""
        if key in self.guesses:
            return self.guesses[key]
        if self.coarser is None:
            return None
        try:
            return carried_over(path_of(self.coarser), self.linear_model.shell)
        except SolverError:
            return None

    def _trace_path(
        self,
        forces: np.ndarray,
        u: np.ndarray,
        until: float,
        factors: tuple[float, ...] = (),
        first_step: float = FIRST_STEP,
        start: EquilibriumPath | None = None,
        guess: Guess | None = None,
    ) -> EquilibriumPath:
        """The large-deflection solver from these forces; u: their linear displacements, for the imperfection."""
        if len(self.restraints.rests) and (motion := self.restraints.uplift_mode(self.mesh.nodes, forces)):
            raise SolverError(
                f"rests can only push, and the load makes the panel {motion} off them: hold it down, or add a rest "
                "under the load"
            )
        shell = self.imperfect_shell(forces, u)
        perfect = shell is self.linear_model.shell and not self.has_contact
        return follow_path(
            shell,
            self.restraints.fixed,
            forces,
            springs=self.restraints.springs,
            unilateral=self.restraints.rests if len(self.restraints.rests) else None,
            gaps=self.restraints.slips,
            edge_beams=self.trim_beams,
            start=start,
            guess=guess,
            target_factor=until,
            requested_factors=factors,
            first_step=first_step,
            tolerance=self.accuracy.tolerance,
            rest_rate=u if perfect else None,
            trust_guess=self.accuracy.trust_guesses,
            reuses_factors=self.accuracy.reuses_factors,
        )

    def push_deflection(self, place: Point, force: float) -> float:
        """Deflection, mm, under a push of `force` N at a place, by the large-deflection solver."""

        def make() -> float:
            forces = self.push_forces(place, force)
            result = self.push_path(place, force)
            return float(forces.reshape(-1, 6)[:, :3].ravel() @ result.end_state.displacements.ravel() / force)

        return self._cached(("pushed", place, force), make)

    def push_path(self, place: Point, force: float) -> EquilibriumPath:
        """Equilibrium path of a push of `force` N at a place."""
        key = ("push", place, force)

        def make() -> EquilibriumPath:
            forces = self.push_forces(place, force)
            guess = self._first_guess(key, lambda coarser: coarser.push_path(place, force))
            u = self.linear_model.solve(forces)
            return self._trace_path(forces, u, 1.0, first_step=PUSH_FIRST_STEP, guess=guess)

        return self._cached(key, make)

    def ends_as_guesses(self) -> dict[tuple, Guess]:
        """Ends of the cases and pushes solved in large deflection so far, as `guesses` for a similar layout."""
        out: dict[tuple, Guess] = {}
        for key, value in self._cache.items():
            if isinstance(value, EquilibriumPath) and value.converged:
                if key[0] in ("followed", "from rest") and key[2:] == (1.0,):
                    key = ("case", key[1])
                if key[0] in ("push", "case"):
                    out[key] = Guess(value.end_state, value.resultants[0])
        return out

    def load_deflection_curve(self, case: str) -> tuple[np.ndarray, np.ndarray]:
        """Load factors and largest deflections, mm, up to 1.5 times the load or as far as the solver gets.

        If only the end of the path was found, the curve is that of the coarser mesh, scaled to the deflection at the
        load itself.

        If the sheet does not snap through, points are interpolated between the computed states: the load as a monotonic
        cubic of the deflection that starts with the slope of small-deflection theory.
        """
        result = self.equilibrium_path(case)
        if result.guessed and self.coarser is not None:
            factors, largest = self.coarser.load_deflection_curve(case)
            at_load = float(self.coarser.equilibrium_path(case).max_displacements[-1])
            return factors, largest * float(result.max_displacements[-1]) / at_load
        if result.guessed:
            result = self.equilibrium_path(case, from_rest=True)
        factors, largest = result.factors, result.max_displacements
        try:
            more = self._cached(
                ("beyond", case),
                lambda: self._trace_path(
                    *self.linear_solution(case), CURVE_LOAD_FACTORS[-1], CURVE_LOAD_FACTORS, start=result
                ),
            )
            factors, largest = np.append(factors, more.factors[1:]), np.append(largest, more.max_displacements[1:])
        except SolverError:
            pass  # the curve ends where the solver does
        if self.has_contact or not (np.diff(factors) > 0).all() or not (np.diff(largest) > 0).all():
            return factors, largest
        slopes = PchipInterpolator(largest, factors).derivative()(largest)
        slopes[0] = 1 / np.linalg.norm(self.linear_solution(case)[1].reshape(-1, 2, 3)[:, 0], axis=1).max()
        w = np.unique(np.concatenate([largest, np.linspace(0.0, largest[-1], CURVE_POINTS)]))
        filled = CubicHermiteSpline(largest, factors, slopes)(w)
        return (filled, w) if (np.diff(filled) > 0).all() else (factors, largest)

    # ------------------------------------------------------------------------------ by the theory that applies

    def stress(self, case: str) -> np.ndarray:
        """(m,) larger von Mises stress of the two faces at centroids, MPa, by the theory that applies."""
        if self.uses_large_deflection(case):
            faces = self.equilibrium_path(case).stress
        else:
            faces = self.linear_model.shell.stress(self.linear_solution(case)[1])
        return np.maximum(*(von_mises(face) for face in faces))

    def deflection(self, case: str) -> np.ndarray:
        """(n,) deflection, mm, positive toward the "up" face, by the theory that applies."""
        if self.uses_large_deflection(case):
            return np.einsum("ni,ni->n", self.normals, self.equilibrium_path(case).end_state.displacements)
        return self.normal_displacement(self.linear_solution(case)[1])

    def uses_large_deflection(self, case: str) -> bool:
        """True if the large-deflection solver decides this case, not linear theory."""
        return self.has_contact or self.deflection_over_thickness(case) > LINEAR_LIMIT

    def fastener_loads(self, case: str) -> dict[Point, tuple[float, float]]:
        """Shear across and pull along the axis of each rivet or bolt, N, by its centre."""
        if self.uses_large_deflection(case):
            reactions = self.equilibrium_path(case).reactions
        else:
            forces, u = self.linear_solution(case)
            reactions = self.linear_model.reactions(u, forces)
        by_node = reactions.reshape(-1, 6)[:, :3]
        out = {}
        for centre, disc in self.restraints.fasteners.items():
            force, axis = by_node[disc].sum(axis=0), self.normals[disc[0]]
            pull = float(force @ axis)
            out[centre] = float(np.linalg.norm(force - pull * axis)), abs(pull)
        return out


def build_panel_model(panel: Panel, layout: Layout, mesh: Mesh, assumed: str) -> PanelModel:
    """The panel model of a layout on a given mesh, under one assumption on unknown in-plane restraints.

    Raises InputError for a gauge that is not positive, for supports that are not known, and if they leave the panel a
    mechanism.
    """
    if not layout.gauge > 0:
        raise InputError([Fault("gauge", f"is {layout.gauge:g} mm", "give a positive thickness")])
    material = panel.material
    shell = Shell(mesh.nodes, mesh.triangles, layout.gauge, material.E, material.nu, material.rho)
    restraints = build_restraints(panel, mesh, assumed)
    require_held(mesh, restraints)
    masses = lumped_masses(panel, mesh)
    normals = node_normals(panel, mesh)
    beams = trim_beams(panel, mesh, normals)
    beam_stiffness = None if beams is None else beams.stiffness_at_rest(len(mesh.nodes))
    linear = LinearModel(shell, restraints.linear_fixed, restraints.springs, masses, beam_stiffness)
    return PanelModel(panel, layout, mesh, restraints, linear, assumed, linear.nodal_mass, normals, beams)


def meshed_model(panel: Panel, layout: Layout, mesh_level: str = "normal", assumed: str = FREE) -> PanelModel:
    """The panel model of a layout on a mesh of its own; raises as `build_panel_model` and `mesh_panel`."""
    return build_panel_model(panel, layout, mesh_panel(panel, layout, mesh_level=mesh_level), assumed)

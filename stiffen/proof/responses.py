"""What the shell model says of a panel as built: deflections under pushes on a block of wood, and natural frequencies.

mm, N, kg, Hz.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import linear_sum_assignment

from stiffen.analysis.loads import GRAVITY, locate
from stiffen.analysis.natural_modes import at_points, hanging_modes, modes_in_wall
from stiffen.analysis.panel_model import PanelModel, meshed_model
from stiffen.analysis.probe_points import probe_points
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.fem.blas_threads import one_thread
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.layout import Layout
from stiffen.model.panel import Load, Panel, Point

from .builds import Build, Hold, apply_build

Progress = Callable[[float | None, str], None]
PUSHED, HANGING, FITTED = "pushed", "hanging", "fitted"  # parts of the responses
MODE_COUNTS = {HANGING: 10, FITTED: 8}
SPARE_MODES = 4  # computed beyond those told, as another build may put them in another order
TRACKING_POINTS_PER_SIDE = 12


@dataclass(frozen=True)
class Push:
    """A mass of kg on a square block of wood, `side` mm, whose centre is `at`; read at the block."""

    place: str
    at: Point
    kg: float
    side: float

    part = PUSHED
    unit = "mm"
    stiffer_if_more = False
    # Share of a deflection that mesh, elastic constants and idealised supports leave open: published values are met
    # within 2 to 3 % (`python -m stiffen.validate`); E of a metal is known to about 2 % (from memory).
    model_error = 0.03

    @property
    def case(self) -> str:
        """Name of its load case."""
        return f"proof push {self.place} {self.kg:g} kg"

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.place}, {self.kg:g} kg"

    @property
    def force(self) -> float:
        """N."""
        return self.kg * GRAVITY


@dataclass(frozen=True)
class Mode:
    """A natural mode of the panel that hangs free or is fitted; number counts from 1 in the panel as drawn."""

    part: str
    number: int

    unit = "Hz"
    stiffer_if_more = True
    model_error = 0.02  # of a frequency: half the share of a stiffness, and 0.5 % for the air

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.part}, mode {self.number}"


Observable = Push | Mode


def pushed_model(panel: Panel, layout: Layout, build: Build, pushes: tuple[Push, ...], mesh_level: str) -> PanelModel:
    """The panel model of a build with a load case for each push.

    Where the build leaves the in-plane restraint unknown, the first assumption is taken.  Raises InputError if the
    supports no longer hold the panel, MeshError.
    """
    built, as_built = apply_build(panel, layout, build)
    loads = tuple(Load(push.case, "patch", push.force, at=push.at, size=(push.side, push.side)) for push in pushes)
    built = replace(built, loads=built.loads + loads)
    return meshed_model(built, as_built, mesh_level, in_plane_assumptions(built)[0])


def push_deflection(model: PanelModel, push: Push) -> float:
    """Deflection, mm, at the centre of the block, positive downward, by the theory that applies."""
    triangle, shares = locate(model.mesh, np.array([push.at]))
    return -float(shares[0] @ model.deflection(push.case)[model.mesh.triangles[triangle[0]]])


@dataclass
class ModeTracker:
    """Gives each mode of a build the number of the most similar mode of the first build it saw.

    points: (p, 2) plan points at which shapes are compared.  shapes: (p, count) of the first build.
    """

    points: dict[str, np.ndarray] = field(default_factory=dict)
    shapes: dict[str, np.ndarray] = field(default_factory=dict)

    def numbered(self, part: str, hertz: np.ndarray, shapes: np.ndarray, mesh: Mesh) -> np.ndarray:
        """(count,) frequencies in the order of the first build's modes, by the modal assurance criterion."""
        count = MODE_COUNTS[part]
        if part not in self.points:
            spacing = float(np.sqrt(np.prod(np.ptp(mesh.plan, axis=0)))) / TRACKING_POINTS_PER_SIDE
            self.points[part] = mesh.plan[probe_points(mesh, spacing)]
            self.shapes[part] = at_points(mesh, shapes, self.points[part])[:, :count]
            return hertz[:count]
        known, here = self.shapes[part], at_points(mesh, shapes, self.points[part])
        sizes = np.outer(np.square(known).sum(axis=0), np.square(here).sum(axis=0))
        _, mode = linear_sum_assignment(-((known.T @ here) ** 2) / np.maximum(sizes, 1e-300))
        return hertz[mode]


@dataclass
class Responses:
    """Computes the responses of builds of one panel, each build once.

    pushes: what is pushed.  mesh_level: of all builds.  parts: PUSHED, HANGING, FITTED; what is not computed is NaN.
    tracker: numbers the modes.
    """

    panel: Panel
    layout: Layout
    pushes: tuple[Push, ...]
    mesh_level: str = "quick"
    progress: Progress = lambda fraction, message: None
    parts: tuple[str, ...] = (PUSHED,)
    told: tuple[str, ...] = (PUSHED,)
    tracker: ModeTracker = field(default_factory=ModeTracker)
    _known: dict[tuple[str, Build], np.ndarray] = field(default_factory=dict)

    @property
    def observables(self) -> tuple[Observable, ...]:
        """What the responses are of, in their order."""
        modes = [Mode(part, k) for part in self.told if part != PUSHED for k in range(1, MODE_COUNTS[part] + 1)]
        return (*self.pushes, *modes)

    def only(self, parts: tuple[str, ...]) -> Responses:
        """The same, but for what is computed."""
        return replace(self, parts=parts)

    def of(self, build: Build) -> np.ndarray:
        """(k,) responses of a build, one an observable.  Raises InputError, MeshError or SolverError."""
        found = [self._part(PUSHED, build)]
        found += [self._part(part, build) for part in self.told if part != PUSHED]
        return np.concatenate(found)

    def _part(self, part: str, build: Build) -> np.ndarray:
        if part == HANGING:
            build = replace(build, hold=Hold())  # nothing holds it
        if part not in self.parts:
            return np.full(len(self.pushes) if part == PUSHED else MODE_COUNTS[part], np.nan)
        if (part, build) not in self._known:
            depths = ", ".join(f"{name} {depth:.2f} mm deep" for name, depth in build.depths)
            what = "hanging free" if part == HANGING else build.hold.label
            self.progress(None, f"sheet {build.thickness:.2f} mm, {depths or 'beads of full depth'}, {what}")
            compute = {PUSHED: self._pushed, HANGING: self._hanging, FITTED: self._fitted}[part]
            self._known[part, build] = compute(build)
        return self._known[part, build]

    @one_thread
    def _pushed(self, build: Build) -> np.ndarray:
        if not self.pushes:
            return np.zeros(0)
        model = pushed_model(self.panel, self.layout, build, self.pushes, self.mesh_level)
        return np.array([push_deflection(model, push) for push in self.pushes])

    @one_thread
    def _hanging(self, build: Build) -> np.ndarray:
        panel, layout = apply_build(self.panel, self.layout, build)
        count = MODE_COUNTS[HANGING] + SPARE_MODES
        return self.tracker.numbered(HANGING, *hanging_modes(panel, layout, count, self.mesh_level))

    @one_thread
    def _fitted(self, build: Build) -> np.ndarray:
        model = pushed_model(self.panel, self.layout, build, (), self.mesh_level)
        hertz, shapes = model.linear_model.modes(MODE_COUNTS[FITTED] + SPARE_MODES)
        in_air = modes_in_wall(model.mesh, hertz, model.normal_displacement(shapes))
        return self.tracker.numbered(FITTED, *in_air, model.mesh)

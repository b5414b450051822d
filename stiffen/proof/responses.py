"""What the shell model says of a panel as built: deflections under pushes on a block of wood, and natural frequencies.

mm, N, kg, Hz.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from stiffen.analysis.loads import GRAVITY, locate
from stiffen.analysis.panel_model import PanelModel, meshed_model
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Layout
from stiffen.model.panel import Load, Panel, Point

from .builds import Build, apply_build

Progress = Callable[[float | None, str], None]


@dataclass(frozen=True)
class Push:
    """A mass of kg on a square block of wood, `side` mm, whose centre is `at`; read at the block."""

    place: str
    at: Point
    kg: float
    side: float

    @property
    def case(self) -> str:
        """Name of its load case."""
        return f"proof push {self.place} {self.kg:g} kg"

    unit = "mm"
    stiffer_if_more = False

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.place}, {self.kg:g} kg"

    @property
    def force(self) -> float:
        """N."""
        return self.kg * GRAVITY


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
class Responses:
    """Computes the responses of builds of one panel, each build once.

    pushes: what is pushed.  mesh_level: of all builds.
    """

    panel: Panel
    layout: Layout
    pushes: tuple[Push, ...]
    mesh_level: str = "quick"
    progress: Progress = lambda fraction, message: None
    _known: dict[Build, np.ndarray] = field(default_factory=dict)

    @property
    def observables(self) -> tuple[Push, ...]:
        """What the responses are of, in their order."""
        return self.pushes

    @one_thread
    def of(self, build: Build) -> np.ndarray:
        """(k,) responses of a build: mm under each push.  Raises InputError, MeshError or SolverError."""
        if build not in self._known:
            depths = ", ".join(f"{name} {depth:.2f} mm deep" for name, depth in build.depths)
            self.progress(
                None, f"sheet {build.thickness:.2f} mm, {depths or 'beads of full depth'}, {build.hold.label}"
            )
            model = pushed_model(self.panel, self.layout, build, self.pushes, self.mesh_level)
            self._known[build] = np.array([push_deflection(model, push) for push in self.pushes])
        return self._known[build]

"""The surrogate: a panel on one coarse mesh whose triangles are laminates of flat sheet, beads and flared holes.

One mesh serves all layouts of a panel at a gauge, so that an evaluation needs no meshing and a similar layout's
equilibrium is a good first guess.  Loads, supports, springs, slip, trims, masses, small and large deflection, modes and
buckling are those of the shell model (`stiffen.analysis.panel_model`): only the sheet differs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely
from shapely.geometry import Polygon

from stiffen.analysis.demand_values import DemandValue, demand_value, require_known_demands
from stiffen.analysis.panel_model import Accuracy, PanelModel, build_panel_model
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.fem.blas_threads import one_thread
from stiffen.fem.continuation import Guess
from stiffen.fem.laminate import Laminate
from stiffen.mesh.panel_mesh import Mesh, mesh_panel
from stiffen.mesh.size_field import COARSE, background_side
from stiffen.model.layout import Bead, Hole, Layout, Point
from stiffen.model.panel import Cutout, Demand, Panel
from stiffen.model.results import NOT_DECIDED

from .coverage import Coverage, ElementSamples, bead_coverage, hole_coverage, opening_coverage
from .element_laminates import element_laminates

SMALL_OPENING = 0.8  # widths of an element up to which an opening is left out of the mesh, its sheet taken away
# At a residual of 1e-2 of the load deflections are exact to four digits, as the rest lies in the stiff directions of
# the plane.  A first step of 3 thicknesses is the longest that does not jump over the snap-through of a shallow arch,
# and saves an eighth of the iterations.
ACCURACY = Accuracy(
    tolerance=1e-2,
    mode_tolerance=3e-3,
    soft_places=4,
    softening=1.0,
    trust_guesses=True,
    reuses_factors=True,
    linear_push_ratio=0.3,
    first_step=3.0,
)
CHEAPEST_FIRST = ("frequency", "buckling", "stress", "deflection", "softness")
NOT_COMPUTED = DemandValue(math.nan, decided_by=NOT_DECIDED)
Guesses = Mapping[str, Mapping[tuple, Guess]]  # in-plane assumption -> ends of cases and pushes


@dataclass(frozen=True, eq=False)
class SurrogateResponse:
    """Values of the demands of one layout by the surrogate.

    values: for each demand the value of the worst in-plane assumption.  utilisations: of each demand.  models: solved,
    by in-plane assumption.
    """

    values: tuple[DemandValue, ...]
    utilisations: tuple[float, ...]
    models: Mapping[str, PanelModel]

    @cached_property
    def guesses(self) -> Guesses:
        """Equilibria from which those of a similar layout are found sooner."""
        return {assumed: model.ends_as_guesses() for assumed, model in self.models.items()}

    @property
    def utilisation(self) -> float:
        """Largest utilisation; 0 without demands."""
        return max(self.utilisations, default=0.0)


@dataclass(frozen=True, eq=False)
class LaminatedPanel:
    """The surrogate of a panel at one gauge; made by `laminated_panel`.

    models: in-plane assumption -> the model of the flat sheet.  left_out: openings that the mesh does not have.
    """

    panel: Panel
    gauge: float
    models: Mapping[str, PanelModel]
    left_out: tuple[Polygon, ...]
    _coverages: dict[Bead | Hole, Coverage] = field(default_factory=dict)

    @property
    def mesh(self) -> Mesh:
        """The coarse mesh."""
        return next(iter(self.models.values())).mesh

    @cached_property
    def samples(self) -> ElementSamples:
        """Sample points of the triangles."""
        return ElementSamples.of(self.mesh.plan[self.mesh.triangles])

    @cached_property
    def axes(self) -> np.ndarray:
        """(m, 2, 2) directions in plan of the triangles' e1 and e2: how the flat sheet's axes lie in their frames."""
        corners = self.mesh.plan[self.mesh.triangles]
        side = corners[:, 1] - corners[:, 0]
        e1 = side / np.linalg.norm(side, axis=1)[:, None]
        return np.stack([e1, np.column_stack([-e1[:, 1], e1[:, 0]])], axis=1)

    @cached_property
    def _left_out_coverages(self) -> list[tuple[Bead | Hole | None, Coverage]]:
        return [(None, opening_coverage(self.samples, region)) for region in self.left_out]

    def coverage(self, shape: Bead | Hole) -> Coverage:
        """Coverage of a bead or flared hole; kept, as the search meets the same ones again and again."""
        if shape not in self._coverages:
            self._coverages[shape] = (
                bead_coverage(self.samples, shape, self.panel.outline, self.gauge)
                if isinstance(shape, Bead)
                else hole_coverage(self.samples, shape)
            )
        return self._coverages[shape]

    def model_of(self, layout: Layout, assumed: str, guesses: Mapping[tuple, Guess] | None = None) -> PanelModel:
        """The model of a layout under an in-plane assumption.  guesses: see `PanelModel`."""
        flat = self.models[assumed]
        shell = flat.linear_model.shell.with_laminate(self._laminate(layout))
        added = flat.nodal_mass - flat.linear_model.shell.nodal_mass
        return replace(
            flat,
            layout=layout,
            linear_model=replace(flat.linear_model, shell=shell),
            nodal_mass=shell.nodal_mass + added,
            guesses=guesses or {},
            accuracy=ACCURACY,
            _cache={},
        )

    def _laminate(self, layout: Layout) -> Laminate:
        """The laminates of all triangles."""
        found: tuple[Bead | Hole, ...] = (*layout.beads, *layout.holes)
        shapes: list[tuple[Bead | Hole | None, Coverage]] = [(shape, self.coverage(shape)) for shape in found]
        shapes += self._left_out_coverages
        return element_laminates(len(self.axes), self.axes, shapes, self.panel.material, self.gauge)

    @one_thread
    def respond(
        self, layout: Layout, guesses: Guesses | None = None, give_up_above: Sequence[float] | None = None
    ) -> SurrogateResponse:
        """The demands' values for a layout of this gauge.

        A demand for which no equilibrium is found counts as infinitely utilised.  give_up_above: utilisation of each
        demand above which the others are not computed any more but count as infinitely utilised.  Raises SolverError
        where the panel is not held.
        """
        models = {assumed: self.model_of(layout, assumed, (guesses or {}).get(assumed)) for assumed in self.models}
        demands = self.panel.demands
        values: list[DemandValue] = [NOT_COMPUTED] * len(demands)
        utilisations = [math.inf] * len(demands)
        for i in sorted(range(len(demands)), key=lambda i: _cost(demands[i], models.values())):
            enough = math.inf if give_up_above is None else give_up_above[i]
            found = [demand_value(model, demands[i], stop_above=enough) for model in models.values()]
            values[i] = max(found, key=lambda value: value.utilisation(demands[i]))
            utilisations[i] = values[i].utilisation(demands[i])
            if give_up_above is not None and utilisations[i] > give_up_above[i]:
                break
        return SurrogateResponse(tuple(values), tuple(utilisations), models)


def laminated_panel(panel: Panel, gauge: float, size: float | None = None) -> LaminatedPanel:
    """The surrogate of a panel at a gauge.

    size: element size, mm; default: that of the coarse mesh level.  Raises InputError, MeshError.
    """
    require_known_demands(panel)
    side = size or background_side(panel.region.area, COARSE)
    kept: list[Cutout] = []
    left_out: list[Cutout] = []
    for cutout in panel.cutouts:
        region = Polygon(cutout.ring)
        small = np.ptp(shapely.bounds(region).reshape(2, 2), axis=0).max() < SMALL_OPENING * side
        (left_out if small and not _touches_a_line(panel, region) else kept).append(cutout)
    meshed = replace(panel, cutouts=tuple(kept)) if left_out else panel
    flat = Layout(gauge)
    mesh = mesh_panel(meshed, flat, size=size, mesh_level=COARSE)
    models = {assumed: build_panel_model(panel, flat, mesh, assumed) for assumed in in_plane_assumptions(panel)}
    return LaminatedPanel(panel, gauge, models, tuple(Polygon(cutout.ring) for cutout in left_out))


def _cost(demand: Demand, models: Iterable[PanelModel]) -> int:
    """Rank of a demand by the time its value takes; a path followed from rest for snap-through takes longest."""
    case = demand.case if demand.kind == "buckling" else None
    if case is not None and any(model.uses_large_deflection(case) for model in models):
        return len(CHEAPEST_FIRST)
    return CHEAPEST_FIRST.index(demand.kind)


def _touches_a_line(panel: Panel, region: Polygon) -> bool:
    """True if a support, load, fold or trim line meets an opening: the mesh then has the opening."""
    paths: list[tuple[Point, ...] | None] = [*panel.fold_lines]
    paths += [support.path for support in panel.supports]
    paths += [load.path for load in panel.loads]
    paths += [trim.path for trim in panel.trims]
    return any(path is not None and shapely.LineString(path).intersects(region) for path in paths)

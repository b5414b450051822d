"""Results: frozen records that `check` and `search` return and every writer reads."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .explanation import Explanation
from .layout import Bead, Hole, Layout, Point
from .outcomes import GaugeOutcome

LINEAR = "linear"
NONLINEAR = "large deflection"
NOT_DECIDED = "not decided: large deflection"


@dataclass(frozen=True)
class DemandResult:
    """The evaluation of one demand.

    value: in the unit of the demand; NaN if none was found.  margin: as a fraction of the limit,
    1 - value/limit if smaller is better, value/limit - 1 otherwise.  decided_by: LINEAR, NONLINEAR or NOT_DECIDED.
    deflection_over_thickness: largest linear deflection over thickness.  mesh_error: estimate, a fraction of value.
    in_plane: the assumed in-plane restraint of the supports that gives the value.  by_in_plane_restraint: the value
    under each one.  at: place (mm) of the largest value, if any.  snap_through_factor: load factor at which the sheet
    oil-cans, or None.  value_in_vacuum: of a frequency, Hz, whose value is that in air; None of other demands.
    decided_ratio: largest deflection over thickness by the solution that decides; None if it has none or is not known.
    """

    kind: str
    label: str
    unit: str
    limit: float
    value: float
    margin: float
    met: bool
    case: str | None = None
    force: float | None = None
    decided_by: str = LINEAR
    deflection_over_thickness: float = 0.0
    mesh_error: float | None = None
    in_plane: str = "free"
    by_in_plane_restraint: dict[str, float] = field(default_factory=dict)
    at: tuple[float, float] | None = None
    snap_through_factor: float | None = None
    value_in_vacuum: float | None = None
    decided_ratio: float | None = None

    @property
    def is_lower_bound(self) -> bool:
        """True for a buckling factor that large deflection followed up to the limit and no further: `value` or more."""
        followed = self.kind == "buckling" and self.decided_by == NONLINEAR and self.snap_through_factor is None
        return followed and self.value == self.limit

    @property
    def missed_by_mesh_error(self) -> bool:
        """True if the value meets its limit, but not once the mesh error is counted in."""
        return not self.met and self.margin >= 0 and self.decided_by != NOT_DECIDED


@dataclass(frozen=True)
class FastenerLoad:
    """The rivet or bolt of one support that carries most in a case.

    centre: mm.  shear, pull: N.  in_plane: the assumed in-plane restraint that gives them.
    """

    case: str
    centre: tuple[float, float]
    shear: float
    pull: float
    in_plane: str


@dataclass(frozen=True, eq=False)
class LoadDeflectionCurve:
    """Load factors (k,) and largest deflections (k,) mm along a case, by the large-deflection solver."""

    load_factors: np.ndarray
    largest_deflections: np.ndarray


@dataclass(frozen=True, eq=False)
class ResultFields:
    """Fields for pictures on one mesh: plan_nodes (n, 2) mm, triangles (m, 3), heights (n,) mm of the mid-surface.

    deflection: (n,) mm by case, positive toward "up".  softness: (k, 3) rows x, y, mm per newton.
    modes: pairs of Hz in air and (n,) shape scaled to 1.  stress: (m,) MPa greatest von Mises of both faces by case.
    curves: load-deflection curves of the cases that large deflection decides.
    """

    plan_nodes: np.ndarray
    triangles: np.ndarray
    heights: np.ndarray
    deflection: dict[str, np.ndarray]
    softness: np.ndarray
    modes: tuple[tuple[float, np.ndarray], ...] = ()
    stress: dict[str, np.ndarray] = field(default_factory=dict)
    curves: dict[str, LoadDeflectionCurve] = field(default_factory=dict)

    def rings(self) -> tuple[tuple[Point, ...], ...]:
        """The rim of the mesh in plan as closed rings, mm: the outline first, then cut-outs and holes."""
        corners = self.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).tolist()
        edges = set(map(tuple, corners))
        following = {a: b for a, b in edges if (b, a) not in edges}
        rings = []
        while following:
            start, here = following.popitem()
            ring = [start]
            while here != start and here in following:
                ring.append(here)
                here = following.pop(here)
            rings.append(tuple((float(x), float(y)) for x, y in self.plan_nodes[ring]))
        return tuple(sorted(rings, key=_extent, reverse=True))


def _extent(ring: Sequence[Point]) -> float:
    """Diagonal of the box round a ring, mm."""
    return float(np.hypot(*np.ptp(np.asarray(ring), axis=0)))


@dataclass(frozen=True)
class Verdict:
    """The evaluation of a layout; `print` shows it in five lines, a notebook as a picture.

    mass_kg: of the finished panel.  blank_mass_kg: of the same gauge without holes.  fastener_loads: for each case the
    fastener that carries most.  fields: for pictures, if asked for.
    """

    panel: str
    layout: Layout
    mass_kg: float
    blank_mass_kg: float
    demands: tuple[DemandResult, ...]
    nodes: int
    mesh_error: float | None = None
    warnings: tuple[str, ...] = ()
    fastener_loads: tuple[FastenerLoad, ...] = ()
    second_opinion: dict | None = None
    fields: ResultFields | None = None
    seconds: float = 0.0

    @property
    def met(self) -> bool:
        """True where every demand is met."""
        return all(demand.met for demand in self.demands)

    @property
    def governing_demand(self) -> DemandResult | None:
        """The demand with the least margin."""
        return min(self.demands, key=lambda demand: demand.margin, default=None)

    @property
    def utilisation(self) -> float:
        """Largest value/limit (limit/value where more is better); over 1 where a demand is missed or not decided."""
        worst = 0.0
        for d in self.demands:
            ratio = 1 - d.margin if d.kind in ("deflection", "softness") else 1 / max(1 + d.margin, 1e-12)
            worst = max(worst, ratio if d.met else max(ratio, 1.0 + 1e-9))
        return worst

    def __repr__(self) -> str:
        mass = f"mass {self.mass_kg:.3g} kg, without holes {self.blank_mass_kg:.3g} kg"
        return "\n".join((_status(self), mass, _shape(self.layout), _margins(self.demands), _cautions(self)))

    def svg(self) -> str:
        """A picture of the layout as SVG text, on its sheet where the verdict has fields."""
        return self.layout.svg(self.fields.rings() if self.fields else (), self.panel)

    def _repr_svg_(self) -> str:
        return self.svg()


@dataclass(frozen=True)
class FlatSheetBaseline:
    """The thinnest flat sheet that meets the same demands in the same shell model; gauge None if no gauge does.

    evaluated_gauges: mm; empty if the search was stopped before.  verdict: of that sheet.  outside_gauge_mm,
    outside_mass_kg: if no sheet of the rack does, the thinnest usual gauge that would, if it was looked for.
    """

    gauge_mm: float | None
    mass_kg: float | None
    evaluated_gauges: tuple[float, ...] = ()
    verdict: Verdict | None = None
    outside_gauge_mm: float | None = None
    outside_mass_kg: float | None = None


@dataclass(frozen=True)
class Proposal:
    """One of the layouts that a search proposes.

    names: what it is, of "lightest", "recommended", "quickest".  minutes: at the bench.  dimensions: distinct ones that
    a person must measure to mark it out.
    """

    names: tuple[str, ...]
    verdict: Verdict
    minutes: float
    dimensions: int

    @property
    def name(self) -> str:
        """All its names in one."""
        return " and ".join(self.names)


@dataclass(frozen=True)
class Alternative:
    """A layout that meets the demands on the quick mesh: mass (kg) against minutes at the bench."""

    layout: Layout
    mass_kg: float
    minutes: float


@dataclass(frozen=True)
class BenchMargin:
    """Margins that are left if the work comes out short; one for each demand, in the order of `labels`.

    thin_sheet: mm, the lower tolerance of the gauge by `standard`.  with_shallow_beads: beads 10 % shallower; empty
    without beads.  least_depth_share: of the dies' depth, the least one tried at which all demands hold; None if they
    do not hold with shallow beads.  least_share_tried: the least one tried; None without beads.
    """

    labels: tuple[str, ...]
    thin_sheet: float
    standard: str
    with_thin_sheet: tuple[float, ...]
    with_shallow_beads: tuple[float, ...]
    least_depth_share: float | None
    least_share_tried: float | None


@dataclass(frozen=True)
class SearchResult:
    """The result of a search; `print` shows it in five lines, a notebook as a picture.

    verdict: of the best layout.  flat_verdict: of the flat sheet at the same gauge, for pictures before and after.
    flat_baseline: see `FlatSheetBaseline`.  gauge_outcomes: how the search ended at each gauge, thinnest first.
    candidate_count: layouts that the surrogate evaluated.  stopped: why the search ended early, in words, else "".
    interrupted: True if Ctrl-C or a signal ended it.  explanation: why this layout, if it was asked for.
    proposals: the lightest, the recommended and the quickest layout, those that are one layout once; `verdict` is that
    of the panel's goal.  alternatives: what they were chosen from.
    bench_margin: what is left if beads or sheet come out short, if that was computed.  quick_utilisations: of the
    demands for the best layout on the quick mesh, if that was asked.
    cut_short: True if the time limit ended a stage of the search: another run may then find another layout.
    """

    verdict: Verdict
    flat_verdict: Verdict
    flat_baseline: FlatSheetBaseline
    gauge_outcomes: tuple[GaugeOutcome, ...] = ()
    effort: str = "normal"
    seed: int = 0
    candidate_count: int = 0
    stopped: str = ""
    cut_short: bool = False
    seconds: float = 0.0
    interrupted: bool = False
    explanation: Explanation | None = None
    proposals: tuple[Proposal, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    bench_margin: BenchMargin | None = None
    quick_utilisations: tuple[float, ...] | None = None

    def __repr__(self) -> str:
        best = self.verdict
        mass = f"mass {best.mass_kg:.3g} kg; {_comparison(best.mass_kg, self.flat_baseline)}"
        time_ran_out = "the time ran out: a longer search may find a lighter layout" if self.cut_short else ""
        notes = [note for note in (self.stopped or time_ran_out,) if note]
        return "\n".join((_status(best), mass, _shape(best.layout), _margins(best.demands), _cautions(best, notes)))

    def svg(self) -> str:
        """A picture of the best layout as SVG text; see `Verdict.svg`."""
        return self.verdict.svg()

    def _repr_svg_(self) -> str:
        return self.svg()


# --- the lines of a result in words ----------------------------------------------------------------------------


def _status(verdict: Verdict) -> str:
    """Panel, whether all demands are met, gauge."""
    missed = sum(not demand.met for demand in verdict.demands)
    met = f"{missed} of {len(verdict.demands)} demands not met" if missed else "all demands met"
    return f"{verdict.panel}: {met if verdict.demands else 'no demands'}, {verdict.layout.gauge:g} mm sheet"


def _comparison(mass: float, flat: FlatSheetBaseline) -> str:
    """The flat sheet that meets the same demands, and what share of its mass is saved."""
    if flat.gauge_mm is not None and flat.mass_kg:
        saved = 1 - mass / flat.mass_kg
        sheet = f"{flat.gauge_mm:g} mm, {flat.mass_kg:.3g} kg"
        return f"flat sheet that meets the demands: {sheet} ({saved * 100:.0f} % saved)"
    if flat.evaluated_gauges:
        return f"no flat sheet up to {max(flat.evaluated_gauges):g} mm meets the demands"
    return "flat sheets were not evaluated"


def _shape(layout: Layout) -> str:
    """Beads by die with their total length, and flared holes by die."""
    beads = _counted(layout.beads, "bead")
    length = f", {layout.rolled_length / 1000:.2f} m in all" if layout.beads else ""
    return f"{beads}{length}; {_counted(layout.holes, 'flared hole')}"


def _counted(parts: Sequence[Bead] | Sequence[Hole], noun: str) -> str:
    if not parts:
        return f"no {noun}s"
    dies = Counter(part.die.name for part in parts)
    by_die = ", ".join(f"{count} {name}" for name, count in dies.items())
    return f"{len(parts)} {noun}{'' if len(parts) == 1 else 's'} ({by_die})"


def _margins(demands: Sequence[DemandResult]) -> str:
    """Each demand with its value and margin."""
    if not demands:
        return "demands: none"
    return "; ".join(
        f"{one.label} {'>= ' if one.is_lower_bound else ''}{one.value:.3g} {one.unit} (limit {one.limit:g}, margin "
        f"{one.margin * 100:+.0f} %{', missed by the mesh error' if one.missed_by_mesh_error else ''})"
        for one in demands
    )


def _cautions(verdict: Verdict, notes: Sequence[str] = ()) -> str:
    """What makes the result less certain."""
    undecided = [one.label for one in verdict.demands if one.decided_by == NOT_DECIDED]
    found = [f"not decided: {', '.join(undecided)}"] if undecided else []
    if verdict.mesh_error is not None and math.isfinite(verdict.mesh_error):
        found.append(f"estimated mesh error {verdict.mesh_error * 100:.1f} %")
    return "cautions: " + ("; ".join((*found, *verdict.warnings, *notes)) or "none")

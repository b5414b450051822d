"""The answers: plain frozen records that `check` and `search` hand out and every writer reads."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .layout import Layout
from .outcomes import BoundRecord, GaugeOutcome

LINEAR = "linear"
NONLINEAR = "large deflection"
NOT_DECIDED = "not decided: large deflection"


@dataclass(frozen=True)
class DemandResult:
    """One demand, judged.

    value: what the judge found (units of the demand; NaN where nothing was found).  margin: fraction left,
    1 - value/limit where smaller is better, value/limit - 1 otherwise.  decided_by: LINEAR, NONLINEAR or UNDECIDED.
    ratio_w_t: largest linear deflection over thickness.  error: estimated mesh error as a fraction of value.
    in_plane: which assumption on the supports' in-plane hold gave the value.  by_hold: value under each one.
    at: place (mm) of the largest value where there is one.  snaps_at: load factor at which the sheet oil-cans, or None.
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


@dataclass(frozen=True)
class FastenerLoad:
    """The rivet or bolt of one support that carries most in a case: centre (mm), shear and pull, N; under which
    in-plane hold.
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
    """Fields for pictures on one mesh: plan (n, 2) mm, triangles (m, 3), heights z (n,) mm of the mid-surface.

    deflection: (n,) mm by case, positive toward "up".  softness: (k, 3) rows x, y, mm per newton.
    modes: pairs of Hz and (n,) shape scaled to 1.  stress: (m,) MPa greatest von Mises of both faces by case.
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


@dataclass(frozen=True)
class Verdict:
    """A layout, judged.  mass_kg: finished; blank_mass_kg: the same gauge without holes.

    rivets: for each case the fastener that carries most.
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
        """Largest value/limit (limit/value where more is better); over 1 is missed, as is what is not decided."""
        worst = 0.0
        for d in self.demands:
            bad = 1 - d.margin if d.kind in ("deflection", "softness") else 1 / max(1 + d.margin, 1e-12)
            worst = max(worst, bad if d.met else max(bad, 1.0 + 1e-9))
        return worst


@dataclass(frozen=True)
class FlatSheetBaseline:
    """The flat sheet that meets the same demands under the same judge; gauge None where no gauge in the rack does.

    looked_at: the gauges judged, mm; none where the search was stopped before.  verdict: on that sheet.
    """

    gauge_mm: float | None
    mass_kg: float | None
    evaluated_gauges: tuple[float, ...] = ()
    verdict: Verdict | None = None


@dataclass(frozen=True)
class SearchResult:
    """What a search hands out.

    verdict: of the best layout.  flat_verdict: of the flat sheet at the same gauge (for before/after pictures).
    flat_baseline: see `FlatSheetBaseline`.  gauge_outcomes: how the search ended at each gauge, thinnest first.
    bound: on the bench time of the best layout, or None.  stopped: '' or why the search ended before it was done.
    cut_short: True where the clock ended a part of it, so that another run may find another layout.
    """

    verdict: Verdict
    flat_verdict: Verdict
    flat_baseline: FlatSheetBaseline
    gauge_outcomes: tuple[GaugeOutcome, ...] = ()
    bound: BoundRecord | None = None
    seed: int = 0
    candidate_count: int = 0
    stopped: str = ""
    cut_short: bool = False
    seconds: float = 0.0

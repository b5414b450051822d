"""What is left of each demand's margin if the work at the bench comes out short: shallow beads, thin sheet.

The shell's quick mesh gives how much a utilisation changes; the verdict's own value is multiplied by it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor
from functools import partial

from stiffen.analysis.screening import quick_utilisations
from stiffen.errors import InputError, MeshError, SolverError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, Verdict
from stiffen.model.thickness_tolerance import thickness_tolerance

from .builds import Build, apply_build

SHALLOW = 0.9  # of the die's depth: what a first panel may come out at; common practice, no source
FAR_OVER = 1.5  # utilisation above which a demand is followed no further
DEPTH_SHARES = (0.8, 0.7, 0.6, 0.5, 0.4)  # of the depth, tried one after the other for the least that does


def bench_margin(panel: Panel, verdict: Verdict, executor: Executor | None = None) -> BenchMargin | None:
    """Margins with shallow beads and with the sheet at its lower tolerance; least depth at which all demands hold.

    None if there is no demand, one is missed, or a quick evaluation fails.  executor: evaluates on its workers.
    """
    layout = verdict.layout
    if not panel.demands or not verdict.met:
        return None
    tolerance = thickness_tolerance(panel.material, layout.gauge)
    thin = round(layout.gauge - tolerance.mm, 3)
    shares = (SHALLOW, *DEPTH_SHARES) if layout.beads else ()
    builds = [Build(layout.gauge), Build(thin), *(_at_depth(layout, share) for share in shares)]
    nominal, *changed = _run(executor, partial(_utilisations, panel, layout), builds)
    own = [demand.utilisation(result.value) for demand, result in zip(panel.demands, verdict.demands, strict=True)]
    if nominal is None or changed[0] is None:
        return None

    def scaled(values: tuple[float, ...] | None) -> tuple[float, ...] | None:
        """Utilisations to expect of the verdict's mesh."""
        if values is None:
            return None
        return tuple(
            mine * value / base if base > 0 and math.isfinite(mine) else value
            for mine, value, base in zip(own, values, nominal, strict=True)
        )

    by_share = dict(zip(shares, map(scaled, changed[1:]), strict=True))
    least = None
    for share in shares:
        values = by_share[share]
        if values is None or max(values) > 1.0:
            break
        least = share
    thin_values = scaled(changed[0])
    assert thin_values is not None
    return BenchMargin(
        labels=tuple(demand.label for demand in panel.demands),
        thin_sheet=thin,
        standard=tolerance.standard,
        with_thin_sheet=_margins(panel, thin_values),
        with_shallow_beads=_margins(panel, by_share.get(SHALLOW)),
        least_depth_share=least,
        least_share_tried=min(shares, default=None),
    )


def _at_depth(layout: Layout, share: float) -> Build:
    depths = {bead.die.name: share * bead.die.depth for bead in layout.beads}
    return Build(layout.gauge, tuple(sorted(depths.items())))


def _utilisations(panel: Panel, layout: Layout, build: Build) -> tuple[float, ...] | None:
    """Utilisation of each demand of a build on the quick mesh; None if it cannot be evaluated."""
    try:
        return quick_utilisations(*apply_build(panel, layout, build), stop_above=FAR_OVER)
    except (InputError, MeshError, SolverError):
        return None


def _run(executor: Executor | None, function: Callable, builds: list[Build]) -> list[tuple[float, ...] | None]:
    if executor is None:
        return [function(build) for build in builds]
    return [future.result() for future in [executor.submit(function, build) for build in builds]]


def _margins(panel: Panel, utilisations: tuple[float, ...] | None) -> tuple[float, ...]:
    """Margin of each demand as the card tells it: a share of its limit."""
    if utilisations is None:
        return ()
    return tuple(
        1 - value if demand.at_most else 1 / max(value, 1e-9) - 1
        for demand, value in zip(panel.demands, utilisations, strict=True)
    )

"""What is left of each demand's margin if the work at the bench comes out short: shallow beads, thin sheet.

The shell's quick mesh gives how much a utilisation changes; the verdict's own value is multiplied by it.
"""

from __future__ import annotations

import math
from concurrent.futures import Executor

from stiffen.errors import InputError
from stiffen.model.explanation import Estimate
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, Verdict
from stiffen.model.thickness_tolerance import thickness_tolerance
from stiffen.optimise.explain.estimator import Estimator, Variant

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
    shallow = {share: build for share in shares if (build := _at_depth(panel, layout, share)) is not None}
    variants = [apply_build(panel, layout, Build(thin)), *shallow.values()]
    with_thin, *others = Estimator(panel, verdict, executor).confirm(variants, FAR_OVER)
    if not math.isfinite(with_thin.utilisation):
        return None
    by_share = dict(zip(shallow, others, strict=True))
    least = None
    for share in shares:
        if share not in by_share or by_share[share].utilisation > 1.0:
            break
        least = share
    return BenchMargin(
        labels=tuple(demand.label for demand in panel.demands),
        thin_sheet=thin,
        standard=tolerance.standard,
        with_thin_sheet=_margins(panel, with_thin),
        with_shallow_beads=_margins(panel, by_share.get(SHALLOW)),
        least_depth_share=least,
        least_share_tried=min(shares, default=None),
    )


def _at_depth(panel: Panel, layout: Layout, share: float) -> Variant | None:
    """Panel and layout with beads of a share of their dies' depth; None if a profile does not allow it."""
    depths = {bead.die.name: share * bead.die.depth for bead in layout.beads}
    try:
        return apply_build(panel, layout, Build(layout.gauge, tuple(sorted(depths.items()))))
    except InputError:
        return None


def _margins(panel: Panel, estimate: Estimate | None) -> tuple[float, ...]:
    """Margin of each demand; empty if it is not known."""
    if estimate is None or not math.isfinite(estimate.utilisation):
        return ()
    return tuple(demand.margin(value) for demand, value in zip(panel.demands, estimate.values, strict=True))

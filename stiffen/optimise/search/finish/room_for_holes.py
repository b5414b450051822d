"""Even layouts that leave more room for flared holes than a given one, or for holes that take less measuring."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.hole_patterns import hole_patterns
from stiffen.optimise.candidates.neat_patterns import neat_variants, parallel_sets
from stiffen.shop import layout_check
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

from ..runner import run_jobs
from ..state import SearchState
from .strike_out import LIKELY, calibrated_worst, calibration, give_up_above

MORE_BEADS = (0, 1, 2)  # that may be added to the longest set of parallel ones: closer together they leave more room
TRIALS = 12  # variants that the surrogate evaluates
COUNTED = 5  # patterns of one layout whose dimensions are counted
KEPT = 2  # of the variants that may meet the demands


def roomier_layouts(state: SearchState, layout: Layout, rules: BeadRules, limit: float) -> list[Layout]:
    """Variants of a layout, its longest set of parallel beads at another pitch, that have room for more in holes.

    Those with the most room, less what must be measured, first.  By the surrogate, calibrated on the layout, they may
    keep `limit` (utilisation).
    """
    groups = rules.groups_of(layout)
    sets = parallel_sets(groups or ())
    if not groups or not sets or state.panel.flared_holes == "none":
        return []
    made = [rules.layout(one, layout.holes) for one in neat_variants(rules, groups, sets[0], MORE_BEADS)]
    allowed = [one for one in dict.fromkeys(made) if _is_allowed(state, one)]
    shared = state.panel, rules.mirror_axes, state.settings.mass_per_dimension
    jobs = [(*shared, one) for one in (layout, *allowed)]
    own, *others = run_jobs(state.runner.executor, room_for_holes, jobs)
    room = dict(zip(allowed, others, strict=True))
    roomy = sorted((one for one in room if room[one] > own), key=lambda one: room[one])
    if not roomy:
        return []
    ranks = np.linspace(0, len(roomy) - 1, min(TRIALS, len(roomy))).round().astype(int)  # the roomiest mostly miss
    roomy = [roomy[rank] for rank in ranks]
    values, guesses = state.runner.confirm(layout)
    factors = calibration(state, layout, values)
    trials = state.runner.batch(roomy, guesses, give_up_above(LIKELY * limit, factors))
    worst = [calibrated_worst(one, factors) for one in trials]
    likely = [(-room[one], value, one) for one, value in zip(roomy, worst, strict=True) if value <= LIKELY * limit]
    return [one for _, _, one in sorted(likely, key=lambda one: one[:2])[:KEPT]]


def room_for_holes(panel: Panel, mirror_axes: str, mass_per_dimension: float, layout: Layout) -> float:
    """Grams that holes beside a layout's beads would take away, less what their dimensions must save; whatever minutes.

    The best of the heaviest patterns counts.  mass_per_dimension: see `SearchSettings`.
    """
    bare = replace(layout, holes=())
    patterns = hole_patterns(panel, layout.gauge, layout.beads, mirror_axes)
    full = [replace(bare, holes=tuple(hole for row in rows for hole in row)) for rows in patterns]
    heaviest = sorted(full, key=lambda one: round(panel.mass(one), 6))[:COUNTED]
    per_dimension = 1000 * mass_per_dimension * panel.mass(bare)
    values = [
        1000 * (panel.mass(bare) - panel.mass(one)) - per_dimension * distinct_dimensions(panel, one).count
        for one in heaviest
    ]
    return round(max(values, default=0.0), 3)


def _is_allowed(state: SearchState, layout: Layout) -> bool:
    return state.panel.within_count_limits(layout) and not layout_check.audit(state.panel, layout)

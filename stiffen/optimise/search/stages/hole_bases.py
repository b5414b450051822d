"""Layouts of one gauge's stages beside whose beads flared holes are worth trying."""

from __future__ import annotations

import math

import numpy as np

from stiffen.model.layout import Layout

from ..finish.hole_effects import hole_effects
from .gauge_search import GaugeSearch
from .moves import Choice, beads_of, sort_key

BEST_FOR_HOLES = 2  # of the layouts that may meet the demands with flared holes


def short_layouts(search: GaugeSearch) -> list[Layout]:
    """Known layouts with the least length to roll: of those that should meet the demands, and that nearly do.

    They leave more room for holes, and holes in the right place can raise a frequency.
    """
    found: dict[Choice, None] = {}
    for limit in (search.state.settings.safe_pass_limit, search.state.settings.nearly_met_limit):
        fitting = [trial for trial in search.known.values() if trial.choice and search.worst(trial) <= limit]
        if fitting:
            found.setdefault(min(fitting, key=lambda one: (_rolled(one.choice), search.order(one))).choice)
    return [search.rules.layout(choice) for choice in found]


def layouts_for_holes(search: GaugeSearch) -> list[Layout]:
    """Known layouts that miss the demands but may meet them with flared holes: the best, and the least to roll.

    The flanges of holes stiffen the sheet, and holes take mass away where it moves.  How much both bring is
    estimated from `hole_effects`; the bare sheet counts as a layout.  Frames leave little room for holes.
    """
    panel, settings = search.state.panel, search.state.settings
    if panel.flared_holes == "none" or not panel.tools.hole_dies:
        return []
    (bare,) = search.evaluate([()], {})
    if not search.calibrated:
        search.calibrate(bare, search.state.evaluator.quick_utilisations(search.rules.layout(())))
    trials = list(search.known.values())
    missing = [one for one in trials if settings.safe_pass_limit < search.worst(one) <= settings.holes_raise_limit]
    effects = hole_effects(search.state, search.rules, search.bare_guesses) if missing else []
    values = {one.choice: np.array(one.utilisations) * search.factors for one in missing if _leaves_room(one.choice)}
    fitting = {
        choice: least
        for choice, own in values.items()
        if (least := min((float((own * one).max(initial=0.0)) for one in effects), default=math.inf)) <= 1.0
    }
    if not fitting:
        return []
    shortest = min(fitting, key=lambda one: (_rolled(one), fitting[one], sort_key(one)))
    best = *sorted(fitting, key=lambda one: (fitting[one], sort_key(one)))[:BEST_FOR_HOLES], shortest
    return [search.rules.layout(choice) for choice in dict.fromkeys(best)]


def _leaves_room(choice: Choice) -> bool:
    return not any(bead.closed for bead in beads_of(choice))


def _rolled(choice: Choice) -> int:
    """Length to roll, whole mm."""
    return round(sum(bead.length for bead in beads_of(choice)))

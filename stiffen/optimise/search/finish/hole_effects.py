"""What flared holes do to the demands: their flanges stiffen the sheet, and they take mass away where it moves."""

from __future__ import annotations

import numpy as np

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.candidates.hole_patterns import hole_patterns
from stiffen.surrogate.laminated_panel import Guesses

from ..state import SearchState
from .hole_placement import holes_left, holes_of, with_holes


def hole_effects(state: SearchState, rules: BeadRules, guesses: Guesses) -> list[np.ndarray]:
    """For each flaring die, the utilisation of each demand with as many of its holes as the sheet has room for, over
    that of the sheet without beads and holes; (demands,), by the surrogate.

    Beads take room from holes, so beside beads holes do less.  guesses: equilibria of the bare sheet.
    """
    panel, bare = state.panel, rules.layout(())
    most = holes_left(panel, bare)
    if most <= 0:
        return []
    fullest: dict[str, Layout] = {}
    for rows in hole_patterns(panel, rules.gauge, bare.beads, rules.mirror_axes, most):
        holes = holes_of(rows)
        made, name = with_holes(bare, holes), holes[0].die.name
        if name not in fullest or panel.mass(made) < panel.mass(fullest[name]):
            fullest[name] = made
    if not fullest:
        return []
    without = np.array(state.runner.batch([bare], guesses)[0])
    holed = np.array(state.runner.batch(list(fullest.values()), guesses))
    usable = np.isfinite(holed) & np.isfinite(without) & (without > 0)
    return list(np.where(usable, holed / np.where(usable, without, 1.0), 1.0))

"""The least that a panel can weigh at a gauge: full of flared holes, as densely as the shop's rules let them."""

from __future__ import annotations

import math

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop import clearance, layout_check


def least_mass(panel: Panel, gauge: float) -> float:
    """kg that no layout with holes of one die can be lighter than at a gauge, mm.

    n circles of diameter d apart lie in an area A with n <= 2 A/(sqrt(3) d2) (A. Thue; H. Groemer, Math. Z. 73 (1960)
    285, for any convex area); here A is where centres may lie, widened by d/2.  Beads only take room from holes.
    """
    flat = panel.mass(Layout(gauge, holes=panel.holes))
    if panel.flared_holes == "none":
        return flat
    most = 0.0
    for die in panel.tools.hole_dies:
        if layout_check.hole_die_violations(panel, die, gauge):
            continue
        apart = die.flange + clearance.pair_clearance(panel.tools, "hole", "hole", gauge)
        region = clearance.hole_feasible_region(panel, die, gauge)
        if region.is_empty:
            continue
        count = math.floor(2 * region.buffer(apart / 2).area / (math.sqrt(3) * apart**2))
        if panel.holes_at_most is not None:
            count = min(count, panel.holes_at_most)
        most = max(most, count * math.pi / 4 * die.pilot**2)
    return flat - panel.material.rho * gauge * most

"""Spacing rules on the sheet: one table; the tools file of a shop may replace each value.

mm.  `clearance` says between which lines a distance is measured.  A bend ends at its tangent lines.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from stiffen.errors import Fault
from stiffen.model.tools import Tools

COMMON_PRACTICE = "common practice, no source"
AC_43_13 = "FAA AC 43.13-1B (1998), chapter 4"


@dataclass(frozen=True)
class SpacingRule:
    """One spacing rule.

    name: its key in the tools file.  value(t, d): mm, for sheet of t mm; d is the diameter of the fastener.
    """

    name: str
    description: str
    formula: str
    value: Callable[[float, float], float]
    source: str = COMMON_PRACTICE


SPACING_RULES: dict[str, SpacingRule] = {
    rule.name: rule
    for rule in (
        SpacingRule("bead_edge", "bead to edge of the sheet", "max(12, 8 t)", lambda t, d: max(12.0, 8 * t)),
        SpacingRule("step_edge", "stepped bead to the edge it stiffens", "max(6, 4 t)", lambda t, d: max(6.0, 4 * t)),
        SpacingRule("step_reach", "stepped bead to that edge, at most", "40", lambda t, d: 40.0),
        SpacingRule(
            "bead_open_end", "open end to a support or edge trim", "max(10, 6 t)", lambda t, d: max(10.0, 6 * t)
        ),
        SpacingRule("bead_cutout", "bead to cut-out", "max(12, 8 t)", lambda t, d: max(12.0, 8 * t)),
        SpacingRule("bead_fold", "bead to a bend", "max(10, 4 t)", lambda t, d: max(10.0, 4 * t)),
        SpacingRule("bead_rivet", "bead to rivet row or bolt, centre", "max(8, 2 d)", lambda t, d: max(8.0, 2 * d)),
        SpacingRule("bead_support", "bead to a line it rests on", "max(6, 4 t)", lambda t, d: max(6.0, 4 * t)),
        SpacingRule("bead_bead", "bead to bead", "max(10, 6 t)", lambda t, d: max(10.0, 6 * t)),
        SpacingRule("bead_hole", "bead to fold circle of a flared hole", "max(10, 6 t)", lambda t, d: max(10.0, 6 * t)),
        SpacingRule("bead_keep_out", "bead to keep-out", "0", lambda t, d: 0.0),
        SpacingRule("hole_edge", "fold circle to edge of the sheet", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        SpacingRule("hole_cutout", "fold circle to cut-out", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        SpacingRule("hole_fold", "fold circle to a bend", "max(8, 4 t)", lambda t, d: max(8.0, 4 * t)),
        SpacingRule("hole_rivet", "fold circle to rivet row or bolt", "max(8, 2 d)", lambda t, d: max(8.0, 2 * d)),
        SpacingRule("hole_support", "fold circle to a line it rests on", "max(6, 3 t)", lambda t, d: max(6.0, 3 * t)),
        SpacingRule("hole_hole", "fold circle to fold circle", "max(8, 6 t)", lambda t, d: max(8.0, 6 * t)),
        SpacingRule("hole_keep_out", "fold circle to keep-out", "0", lambda t, d: 0.0),
        SpacingRule("rivet_edge", "rivet or bolt centre to edge of the sheet", "2 d", lambda t, d: 2 * d, AC_43_13),
        SpacingRule("rivet_fold", "rivet or bolt centre to a bend", "2 d", lambda t, d: 2 * d),
        SpacingRule("cutout_fold", "cut-out to a bend", "4 t", lambda t, d: 4 * t),
        SpacingRule("rivet_pitch", "rivet or bolt to the next, centres", "3 d", lambda t, d: 3 * d, AC_43_13),
    )
}


def spacing(tools: Tools, name: str, t: float, d: float = 0.0) -> float:
    """Distance (mm) of the rule `name` in this shop: the shop's own value if it has one, else that of the table."""
    own = tools.spacing.get(name)
    return float(own) if own is not None else SPACING_RULES[name].value(t, d)


def spacing_faults(tools: Tools) -> tuple[Fault, ...]:
    """One fault for each of the shop's own spacings that names no rule or is not a length.

    `layout_check.audit` and the feasible regions raise them, so that a misspelt rule is never ignored.
    """
    faults = []
    for name, value in tools.spacing.items():
        if name not in SPACING_RULES:
            faults.append(Fault(f"spacing.{name}", "no such rule", f"one of {', '.join(SPACING_RULES)}"))
        elif not 0 <= value < math.inf:
            faults.append(Fault(f"spacing.{name}", f"{value:g} mm", "0 or more"))
    return tuple(faults)

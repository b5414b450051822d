"""What check and search found, as plain data for JSON."""

from __future__ import annotations

from collections.abc import Sequence

from .card import warning_lines
from .panel import Panel
from .rules import audit
from .verdict import NONLINEAR, DemandResult, Found, Rival, Verdict


def report(panel: Panel, verdict: Verdict, rival: Rival | None = None, found: Found | None = None) -> dict:
    """The result as a dict of what JSON has; numbers that are not finite become null when it is written.

    status is "met" only where every demand is met and no rule of the shop is broken.  Masses in kg, lengths in mm.
    found: adds the bound and how the search went.
    """
    layout = verdict.layout.plain()
    broken = audit(panel, verdict.layout)
    data = {
        "panel": verdict.panel,
        "status": "met" if verdict.met and not broken else "not met",
        "material": panel.material.name,
        "gauge_mm": verdict.layout.gauge,
        "mass_kg": verdict.mass_kg,
        "blank_mass_kg": verdict.blank_mass_kg,
        "beads": layout["beads"],
        "holes": layout["holes"],
        "demands": [_demand(demand) for demand in verdict.demands],
        "rules_broken": [
            {"where": breach.where, "what": breach.what, "short_by_mm": breach.short_by_mm} for breach in broken
        ],
        "rival": _rival(rival),
        "model": {
            "nodes": verdict.nodes,
            "mesh_error_estimate": verdict.mesh_error,
            "nonlinear": any(demand.decided_by == NONLINEAR for demand in verdict.demands),
        },
        "second_opinion": verdict.second_opinion,
        "bound": found.bound if found else None,
        "warnings": warning_lines(panel, verdict),
        "seconds": found.seconds if found else verdict.seconds,
    }
    if found:
        data["search"] = {
            "seed": found.seed,
            "candidates": found.candidates,
            "stopped": found.stopped,
            "gauges": _gauges(found.gauges),
        }
    return data


def _demand(demand: DemandResult) -> dict:
    return {
        "kind": demand.kind,
        "case": demand.case,
        "force": demand.force,
        "unit": demand.unit,
        "limit": demand.limit,
        "value": demand.value,
        "margin": demand.margin,
        "met": demand.met,
        "decided_by": demand.decided_by,
        "deflection_over_thickness": demand.ratio_w_t,
        "mesh_error_estimate": demand.error,
        "in_plane": demand.in_plane,
        "by_hold": demand.by_hold,
        "at": demand.at,
    }


def _rival(rival: Rival | None) -> dict | None:
    """None where flat sheets were not looked at; gauge and mass null where none of the rack meets the demands."""
    if rival is None or (rival.gauge_mm is None and not rival.verdicts):
        return None
    return {"gauge_mm": rival.gauge_mm, "mass_kg": rival.mass_kg}


def _gauges(gauges: Sequence[tuple[float, str]]) -> list[dict]:
    return [{"gauge_mm": gauge, "outcome": why} for gauge, why in gauges]

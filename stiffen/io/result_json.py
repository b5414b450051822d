"""What check and search found, as plain data for JSON, and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import NONLINEAR, DemandResult, FastenerLoad, Found, Rival, Verdict
from stiffen.output.report.shop_card import warning_lines
from stiffen.shop.layout_check import audit

GRAM = 0.001  # kg; a result whose mass is further off is of another panel


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
        "fasteners": [
            {"case": one.case, "at": one.centre, "shear_N": one.shear, "pull_N": one.pull, "in_plane": one.in_plane}
            for one in verdict.rivets
        ],
        "bound": found.bound if found else None,
        "warnings": warning_lines(panel, verdict),
        "seconds": found.seconds if found else verdict.seconds,
    }
    if found:
        data["search"] = {
            "seed": found.seed,
            "candidates": found.candidates,
            "stopped": found.stopped,
            "cut_short": found.cut_short,
            "gauges": _gauges(found.gauges),
        }
    return data


def verdict_of(panel: Panel, layout: Layout, result: Any) -> Verdict | None:
    """The verdict that a report holds, without its maps; None where it is not one of this layout on this panel.

    Beads, holes, gauge, mass and demands must be the same, so that a file edited by hand is judged again.
    """
    try:
        if not _same(panel, layout, result):
            return None
        pairs = zip(panel.demands, result["demands"], strict=True)
        return Verdict(
            panel=panel.name,
            layout=layout,
            mass_kg=float(result["mass_kg"]),
            blank_mass_kg=float(result["blank_mass_kg"]),
            demands=tuple(_judged(demand, told) for demand, told in pairs),
            nodes=int(result["model"]["nodes"]),
            mesh_error=_maybe(result["model"]["mesh_error_estimate"]),
            warnings=tuple(map(str, result["warnings"])),
            rivets=tuple(_fastener(one) for one in result.get("fasteners", ())),
            second_opinion=result.get("second_opinion"),
            seconds=float(result["seconds"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError):  # not ours, or edited by hand
        return None


def _same(panel: Panel, layout: Layout, result: dict) -> bool:
    """True where a report tells of this layout, panel and demands."""
    plain = layout.plain()
    asked = [(one.kind, one.case, one.force, one.limit) for one in panel.demands]
    return (
        all(result[key] == plain[key] for key in ("beads", "holes"))
        and (result["gauge_mm"], result["material"]) == (layout.gauge, panel.material.name)
        and abs(result["mass_kg"] - panel.mass(layout)) < GRAM
        and [(one["kind"], one["case"], one["force"], one["limit"]) for one in result["demands"]] == asked
    )


def _judged(demand: Demand, told: dict) -> DemandResult:
    """A demand's result; null stands for a number that is none, or for no limit where the demand is met."""
    nothing = math.inf if told["met"] else math.nan
    value, margin = _maybe(told["value"]), _maybe(told["margin"])
    return DemandResult(
        kind=demand.kind,
        label=demand.label,
        unit=demand.unit,
        limit=demand.limit,
        value=nothing if value is None else value,
        margin=nothing if margin is None else margin,
        met=bool(told["met"]),
        case=demand.case,
        force=demand.force,
        decided_by=str(told["decided_by"]),
        ratio_w_t=_maybe(told["deflection_over_thickness"]) or 0.0,
        error=_maybe(told["mesh_error_estimate"]),
        in_plane=str(told["in_plane"]),
        by_hold={str(end): nothing if one is None else float(one) for end, one in told["by_hold"].items()},
        at=None if told["at"] is None else (float(told["at"][0]), float(told["at"][1])),
    )


def _fastener(told: dict) -> FastenerLoad:
    x, y = map(float, told["at"])
    return FastenerLoad(str(told["case"]), (x, y), float(told["shear_N"]), float(told["pull_N"]), str(told["in_plane"]))


def _maybe(value: Any) -> float | None:
    return None if value is None else float(value)


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
    if rival is None or (rival.gauge_mm is None and not rival.looked_at):
        return None
    return {"gauge_mm": rival.gauge_mm, "mass_kg": rival.mass_kg}


def _gauges(gauges: Sequence[tuple[float, str]]) -> list[dict]:
    return [{"gauge_mm": gauge, "outcome": why} for gauge, why in gauges]

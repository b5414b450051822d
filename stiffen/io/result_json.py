"""Results of check and search as plain data for JSON, and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from stiffen.model.explanation import Estimate, Explanation
from stiffen.model.layout import Layout
from stiffen.model.outcomes import GaugeOutcome, gauge_sentence
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import (
    NONLINEAR,
    DemandResult,
    FastenerLoad,
    FlatSheetBaseline,
    Proposal,
    SearchResult,
    Verdict,
)
from stiffen.shop.cautions import bench_cautions, list_warnings
from stiffen.shop.layout_check import audit
from stiffen.shop.process_plan import ProcessPlan

MASS_TOLERANCE = 0.001  # kg; a result whose mass differs by more belongs to another panel


def result_document(
    panel: Panel,
    verdict: Verdict,
    flat_baseline: FlatSheetBaseline | None = None,
    search_result: SearchResult | None = None,
    plan: ProcessPlan | None = None,
    explanation: Explanation | None = None,
) -> dict:
    """The result as plain data; numbers that are not finite become null when it is written as JSON.

    status is "met" only if there are demands, all are met and no spacing rule is broken; it is "nothing asked" without
    demands.  Masses in kg, lengths in mm.
    search_result: adds how the search went.  explanation: why this layout; default that of the search.
    """
    layout = verdict.layout.to_dict()
    if plan and plan.layout == verdict.layout:
        violations, cautions = plan.violations, plan.cautions
    else:
        violations, cautions = audit(panel, verdict.layout), bench_cautions(panel, verdict.layout)
    data = {
        "panel": verdict.panel,
        "status": _status(verdict, bool(violations)),
        "material": panel.material.name,
        "gauge_mm": verdict.layout.gauge,
        "mass_kg": verdict.mass_kg,
        "blank_mass_kg": verdict.blank_mass_kg,
        "beads": layout["beads"],
        "holes": layout["holes"],
        "demands": [_demand(demand) for demand in verdict.demands],
        "rules_broken": [{"where": one.where, "what": one.what, "short_by_mm": one.short_by_mm} for one in violations],
        "rival": _flat_baseline(flat_baseline),
        "model": {
            "nodes": verdict.nodes,
            "mesh_error_estimate": verdict.mesh_error,
            "nonlinear": any(demand.decided_by == NONLINEAR for demand in verdict.demands),
        },
        "second_opinion": verdict.second_opinion,
        "fasteners": [
            {"case": one.case, "at": one.centre, "shear_N": one.shear, "pull_N": one.pull, "in_plane": one.in_plane}
            for one in verdict.fastener_loads
        ],
        "warnings": list_warnings(violations, verdict, cautions),
        "seconds": search_result.seconds if search_result else verdict.seconds,
    }
    if search_result:
        if search_result.bench_margin:
            data["if_short"] = asdict(search_result.bench_margin)
        data["search"] = {
            "effort": search_result.effort,
            "seed": search_result.seed,
            "candidates": search_result.candidate_count,
            "stopped": search_result.stopped,
            "cut_short": search_result.cut_short,
            "gauges": _gauges(search_result.gauge_outcomes),
            "proposals": [_proposal(one) for one in search_result.proposals],
        }
    explanation = explanation or (search_result.explanation if search_result else None)
    if explanation:
        data["explanation"] = _explanation(explanation)
    return data


def _proposal(proposal: Proposal) -> dict:
    verdict = proposal.verdict
    return {
        "names": list(proposal.names),
        "gauge_mm": verdict.layout.gauge,
        "mass_kg": verdict.mass_kg,
        "minutes": proposal.minutes,
        "beads": len(verdict.layout.beads),
        "holes": len(verdict.layout.holes),
        "least_margin": min((one.margin for one in verdict.demands), default=None),
        "distinct_dimensions": proposal.dimensions,
    }


def _status(verdict: Verdict, has_violations: bool) -> str:
    if has_violations or not verdict.met:
        return "not met"
    return "met" if verdict.demands else "nothing asked"


def verdict_from_document(panel: Panel, layout: Layout, result: Any) -> Verdict | None:
    """The verdict of a stored result, without its result fields; None if it is not of this layout on this panel.

    Beads, holes, gauge, mass and demands must be the same, so that a file edited by hand is evaluated again.
    """
    try:
        if not _is_same_problem(panel, layout, result):
            return None
        pairs = zip(panel.demands, result["demands"], strict=True)
        return Verdict(
            panel=panel.name,
            layout=layout,
            mass_kg=float(result["mass_kg"]),
            blank_mass_kg=float(result["blank_mass_kg"]),
            demands=tuple(_demand_result(demand, entry) for demand, entry in pairs),
            nodes=int(result["model"]["nodes"]),
            mesh_error=_optional_float(result["model"]["mesh_error_estimate"]),
            warnings=tuple(map(str, result["warnings"])),
            fastener_loads=tuple(_fastener(one) for one in result.get("fasteners", ())),
            second_opinion=result.get("second_opinion"),
            seconds=float(result["seconds"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError):  # not written by stiffen, or edited by hand
        return None


def _is_same_problem(panel: Panel, layout: Layout, result: dict) -> bool:
    """True if a stored result is of this layout, panel and demands."""
    plain = layout.to_dict()
    asked = [(one.kind, one.case, one.force, one.limit) for one in panel.demands]
    return (
        all(result[key] == plain[key] for key in ("beads", "holes"))
        and (result["gauge_mm"], result["material"]) == (layout.gauge, panel.material.name)
        and abs(result["mass_kg"] - panel.mass(layout)) < MASS_TOLERANCE
        and [(one["kind"], one["case"], one["force"], one["limit"]) for one in result["demands"]] == asked
    )


def _demand_result(demand: Demand, entry: dict) -> DemandResult:
    """The result of one demand.  A value of null is NaN, or infinity if the demand is met."""
    nothing = math.inf if entry["met"] else math.nan
    value, margin = _optional_float(entry["value"]), _optional_float(entry["margin"])
    return DemandResult(
        kind=demand.kind,
        label=demand.label,
        unit=demand.unit,
        limit=demand.limit,
        value=nothing if value is None else value,
        margin=nothing if margin is None else margin,
        met=bool(entry["met"]),
        case=demand.case,
        force=demand.force,
        decided_by=str(entry["decided_by"]),
        deflection_over_thickness=_optional_float(entry["deflection_over_thickness"]) or 0.0,
        mesh_error=_optional_float(entry["mesh_error_estimate"]),
        in_plane=str(entry["in_plane"]),
        by_in_plane_restraint={
            str(end): nothing if one is None else float(one) for end, one in entry["by_hold"].items()
        },
        at=None if entry["at"] is None else (float(entry["at"][0]), float(entry["at"][1])),
        # a frequency without it is of a version that did not count the air: a KeyError, so it is evaluated again
        value_in_vacuum=_optional_float(entry["value_in_vacuum"]) if demand.kind == "frequency" else None,
        snap_through_factor=_optional_float(entry.get("snap_through_factor")),
        decided_ratio=_optional_float(entry.get("decided_deflection_over_thickness")),
    )


def _fastener(entry: dict) -> FastenerLoad:
    x, y = map(float, entry["at"])
    return FastenerLoad(
        str(entry["case"]), (x, y), float(entry["shear_N"]), float(entry["pull_N"]), str(entry["in_plane"])
    )


def _optional_float(value: Any) -> float | None:
    return None if value is None else float(value)


def _demand(demand: DemandResult) -> dict:
    return {
        "kind": demand.kind,
        "case": demand.case,
        "force": demand.force,
        "unit": demand.unit,
        "limit": demand.limit,
        "value": demand.value,
        "value_in_vacuum": demand.value_in_vacuum,
        "margin": demand.margin,
        "met": demand.met,
        "decided_by": demand.decided_by,
        "deflection_over_thickness": demand.deflection_over_thickness,
        "decided_deflection_over_thickness": demand.decided_ratio,
        "snap_through_factor": demand.snap_through_factor,
        "mesh_error_estimate": demand.mesh_error,
        "in_plane": demand.in_plane,
        "by_hold": demand.by_in_plane_restraint,
        "at": demand.at,
    }


def _flat_baseline(flat_baseline: FlatSheetBaseline | None) -> dict | None:
    """None if flat sheets were not evaluated; gauge and mass are null if no available gauge meets the demands."""
    if flat_baseline is None or (flat_baseline.gauge_mm is None and not flat_baseline.evaluated_gauges):
        return None
    outside = {"gauge_mm": flat_baseline.outside_gauge_mm, "mass_kg": flat_baseline.outside_mass_kg}
    found = {"gauge_mm": flat_baseline.gauge_mm, "mass_kg": flat_baseline.mass_kg}
    return found | ({"outside_rack": outside} if flat_baseline.outside_gauge_mm else {})


def _explanation(explanation: Explanation) -> dict:
    """What each part adds, what would help, the other face; values in the order of the demands."""
    other = explanation.other_face
    return {
        "here": _estimate(explanation.here),
        "parts": [
            {
                "beads": [bead.to_dict() for bead in one.beads],
                "holes": [hole.to_dict() for hole in one.holes],
                "without": _estimate(one.without),
                "share": one.share,
                "saved_kg": one.mass_kg,
                "minutes": one.minutes,
            }
            for one in explanation.parts
        ],
        "changes": [
            {"what": one.what, "mass_kg": one.mass_kg, "then": _estimate(one.estimate)} for one in explanation.changes
        ],
        "other_face": other
        and {
            "face": other.face,
            "same_beads": _estimate(other.same_gauge),
            "gauge_mm": other.gauge,
            "then": _estimate(other.estimate),
            "saved_kg": other.saved_kg,
        },
    }


def _estimate(estimate: Estimate | None) -> dict | None:
    if estimate is None:
        return None
    return {
        "values": list(estimate.values),
        "utilisation": estimate.utilisation,
        "met": estimate.met,
        "model": estimate.model,
    }


def _gauges(outcomes: Sequence[GaugeOutcome]) -> list[dict]:
    return [{"gauge_mm": outcome.gauge, "outcome": gauge_sentence(outcome)} for outcome in outcomes]

"""Demands and results: the table of demands, and notes on the model that gave the values."""

from __future__ import annotations

import math
import textwrap

from stiffen.model.panel import Panel
from stiffen.model.results import LINEAR, NONLINEAR, NOT_DECIDED, DemandResult, Verdict

from ..sections import MAX_LINE_CHARS, columns
from .value_texts import datum_xy, found_text, limit_text, percent_text, shortened, value_text

NO_SECOND_OPINION = "No second opinion was taken: it needs sfepy (pip install sfepy)."
DEMAND_HEAD = ("demand", "limit", "found", "margin", "", "decided by", "mesh error", "2nd", "w/t")
DECIDED_BY_TEXT = {LINEAR: "linear", NONLINEAR: "large defl.", NOT_DECIDED: "not decided"}
NO_DEMAND_TEXT = "nothing asked: the panel file makes no demand"
MISSED_BY_MESH = "NOT MET (mesh)"


def demand_rows(verdict: Verdict) -> list[tuple[str, ...]]:
    """A row under DEMAND_HEAD for each demand."""
    return [
        (
            shortened(demand.label, 24),
            limit_text(demand),
            f"{'>= ' if demand.is_lower_bound else ''}{found_text(demand)}",
            (">= " if demand.is_lower_bound else "")
            + percent_text(demand.margin, sign=True, places=0 if demand.met or abs(demand.margin) > 0.005 else 2),
            "met" if demand.met else MISSED_BY_MESH if demand.missed_by_mesh_error else "NOT MET",
            DECIDED_BY_TEXT.get(demand.decided_by, demand.decided_by),
            "-" if demand.mesh_error is None else percent_text(demand.mesh_error),
            _cross_check_text(verdict, demand),
            _decided_ratio_text(verdict, demand),
        )
        for demand in verdict.demands
    ]


def demand_table(verdict: Verdict) -> list[str]:
    """The table of demands as lines of text, then the in-plane restraint of the edges and frequencies in vacuum."""
    if not verdict.demands:
        return [NO_DEMAND_TEXT]
    rows = columns(DEMAND_HEAD, demand_rows(verdict), right_aligned=(1, 2, 3, 6, 7, 8))
    notes = (*_in_plane_notes(verdict), *_air_notes(verdict), *_sign_notes(verdict))
    return [*rows, *(line for note in notes for line in textwrap.wrap(note, MAX_LINE_CHARS))]


def second_opinion_note(verdict: Verdict) -> str:
    """One sentence: what the column "2nd" holds, or that no second opinion was taken and how to get one."""
    return NO_SECOND_OPINION if verdict.second_opinion is None else "2nd: difference of a second shell element."


def missed_labels(verdict: Verdict) -> list[str]:
    """The labels of the demands that are not met; with the reason where it is the mesh error."""
    return [
        f"{demand.label}{' (by less than the mesh error)' if demand.missed_by_mesh_error else ''}"
        for demand in verdict.demands
        if not demand.met
    ]


def model_notes(panel: Panel, verdict: Verdict) -> list[str]:
    lines = [
        *_worst_places(panel, verdict),
        *_in_plane_notes(verdict),
        *_air_notes(verdict),
        *_sign_notes(verdict),
    ]
    if verdict.layout.beads:
        lines.append(
            "Not computed: stress that rolling leaves, which can bow the panel or make it pop: push it by hand first."
        )
    lines.append(
        f"Mesh error: what a finer mesh than this ({verdict.nodes} points) may change. {second_opinion_note(verdict)} "
        "w/t: deflection over thickness, by the solution that decides; over 0.5 that is large deflection."
    )
    return [" ".join(lines)]


def _air_notes(verdict: Verdict) -> list[str]:
    """Frequencies in vacuum beside those in air, which are judged."""
    found = [demand.value_in_vacuum for demand in verdict.demands if demand.value_in_vacuum is not None]
    if not found:
        return []
    return [f"Frequency: with the air that moves along, edges as in a wall (cautious); in vacuum {found[0]:.3g} Hz."]


def _worst_places(panel: Panel, verdict: Verdict) -> list[str]:
    """Where each demand is at its worst, from the datum corner."""
    places = [
        f"{shortened(demand.label, 24)} at X {x}, Y {y}"
        for demand in verdict.demands
        if demand.at
        for x, y in [datum_xy(panel, demand.at)]
    ]
    return [f"Worst places, mm from the datum corner: {'; '.join(places)}."] if places else []


def _sign_notes(verdict: Verdict) -> list[str]:
    """What the signs in the table mean, where they stand there."""
    notes = []
    if any(demand.missed_by_mesh_error for demand in verdict.demands):
        notes.append(
            f"{MISSED_BY_MESH}: the value meets its limit, but by less than the mesh error; --mesh fine may settle it."
        )
    if any(demand.is_lower_bound for demand in verdict.demands):
        notes.append(">=: the load was followed up to the limit and no further, and the sheet did not snap through.")
    return notes


def _decided_ratio_text(verdict: Verdict, demand: DemandResult) -> str:
    """Deflection over thickness by the solution that decides."""
    ratio = demand.decided_ratio
    if ratio is None and demand.kind in ("deflection", "softness") and demand.decided_by != NOT_DECIDED:
        ratio = demand.value / verdict.layout.gauge  # a result stored before this number was
    if ratio is None and demand.decided_by == LINEAR:
        ratio = demand.deflection_over_thickness
    return f"{ratio:.2f}" if ratio and math.isfinite(ratio) else "-"


def _in_plane_notes(verdict: Verdict) -> list[str]:
    """The in-plane restraint of the edges, and the values for both if both were computed."""
    lines = []
    for demand in verdict.demands:
        ends = {end: value_text(value, demand.unit) for end, value in demand.by_in_plane_restraint.items()}
        if len(set(ends.values())) > 1:
            values = ", ".join(f"{end} {value}" for end, value in ends.items())
            lines.append(f"{shortened(demand.label, 24)} {values}")
    if lines:
        return [f"Edges held and free in their plane, the worse counts: {'; '.join(lines)}."]
    if any(len(demand.by_in_plane_restraint) > 1 for demand in verdict.demands):
        return ["Edges in plane: unknown; computed held and free, which give the same values."]
    holds = sorted({demand.in_plane for demand in verdict.demands})
    return [f"Edges in plane: {' or '.join(holds)}."]


def _cross_check_text(verdict: Verdict, demand: DemandResult) -> str:
    """Relative difference of the second shell element's value of a demand."""
    one = (verdict.second_opinion or {}).get(demand.label)
    apart = one.get("difference") if isinstance(one, dict) else None
    return "-" if apart is None else percent_text(apart, sign=True, places=1)

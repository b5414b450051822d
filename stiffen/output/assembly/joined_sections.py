"""The build judged as one thing, in tables: demands, frequencies, what holds each edge, loads of the rivets."""

from __future__ import annotations

import math
from collections.abc import Mapping

from stiffen.joined.edge_hold import NO_MATTER, EdgeHold
from stiffen.joined.evaluation import BuildEvaluation
from stiffen.model.results import NOT_DECIDED, DemandResult, Verdict
from stiffen.output.report.card_sections.demand_section import MISSED_BY_MESH
from stiffen.output.report.sections import Section, Table

DEMAND_HEAD = ("panel", "demand", "limit", "by itself", "in the build", "margin", "mesh", "")
DEMANDS_RIGHT = (2, 3, 4, 5, 6)
MODE_HEAD = ("Hz", "bends most", "bend too")
HOLD_HEAD = ("panel", "joint", "with", "demand", "slides", "in the build", "held", "share held")
HOLDS_RIGHT = (1, 4, 5, 6, 7)
RIVET_HEAD = ("joint", "rivet", "shear N", "pull N", "load of", "case")
RIVETS_RIGHT = (0, 1, 2, 3)
BUCKLING_HEAD = ("load of", "case", "factor", "buckles most")
MODES_TOLD = 4
PUSHED, OVER = "pushed", "over 100 %"
FROM_SLIDING = 0.02  # share below zero, or over one, that still counts as zero or one
DEMAND_NOTE = (
    "By itself: the panel held as its own file and the joints say. In the build: on its neighbours, under its own "
    "loads alone; frequencies are those of the whole, of the first mode in which the panel bends. Mesh: estimated "
    "error of the value in the build, by a mesh twice as coarse."
)
HOLD_NOTE = (
    "Share held: how much the neighbours hold the edge in the panel's plane, from 0 % where it slides freely to 100 % "
    "where it is held rigidly, by the value of the demand named, on the quick mesh; all else as in the build. "
    f'"-": that changes the value by less than {100 * NO_MATTER:.0f} %, or one of the values was not found.'
)
BUCKLING_NOTE = (
    "Factor: load at which something in the build buckles, over the load of the case, for small deflections before. "
    "Below 1 thin sheet wrinkles: no collapse where the demands above, which follow large deflection, are met."
)
PUSHED_NOTE = (
    f'"{PUSHED}": the neighbour bends and moves this edge with it; if these rivets let the edge slide in the panel\'s '
    "plane, the panel would give way less. Stiffen the neighbour, or the panel square to this edge."
)
OVER_NOTE = f'"{OVER}": the neighbour moves this edge against the load; a rigid edge would let the panel give way more.'


def joined_sections(found: BuildEvaluation, alone: Mapping[str, Verdict | None]) -> list[Section]:
    """The sections of the build sheet.  alone: the verdict on each panel by itself, by name."""
    sections = []
    if found.clashes:
        sections.append(Section("PARTS IN EACH OTHER", tuple(f"{one}." for one in found.clashes)))
    demands = demand_rows(found, alone)
    if demands:
        sections.append(Section("JUDGED AS ONE THING", (Table(DEMAND_HEAD, demands, DEMANDS_RIGHT), DEMAND_NOTE)))
    sections.append(Section("FIRST FREQUENCIES OF THE WHOLE", (Table(MODE_HEAD, mode_rows(found), (0,)),)))
    if found.buckling:
        table = Table(BUCKLING_HEAD, buckling_rows(found), (2,))
        sections.append(Section("BUCKLING OF THE WHOLE", (table, BUCKLING_NOTE)))
    if found.holds:
        told = {share_text(one) for one in found.holds}
        notes = [note for word, note in ((PUSHED, PUSHED_NOTE), (OVER, OVER_NOTE)) if word in told]
        table = Table(HOLD_HEAD, hold_rows(found), HOLDS_RIGHT)
        sections.append(Section("WHAT HOLDS EACH EDGE", (table, HOLD_NOTE, *notes)))
    if found.rivets:
        sections.append(
            Section("MOST LOADED RIVET OF EACH JOINT", (Table(RIVET_HEAD, rivet_rows(found), RIVETS_RIGHT),))
        )
    return sections


def demand_rows(found: BuildEvaluation, alone: Mapping[str, Verdict | None]) -> tuple[tuple[str, ...], ...]:
    """Rows under DEMAND_HEAD."""
    rows = []
    for name, verdict in found.panels.items():
        own = alone.get(name)
        by_label = {one.label: one for one in own.demands} if own else {}
        for demand in verdict.demands:
            before = by_label.get(demand.label)
            values = (_value(before) if before else "-", _value(demand))
            limit = f"{demand.limit:g} {demand.unit}".strip()
            state = "met" if demand.met else MISSED_BY_MESH if demand.missed_by_mesh_error else "NOT MET"
            mesh = "-" if demand.mesh_error is None else f"{100 * demand.mesh_error:.1f} %"
            rows.append((name, demand.label, limit, *values, f"{100 * demand.margin:.0f} %", mesh, state))
    return tuple(rows)


def _value(demand: DemandResult) -> str:
    return "not decided" if demand.decided_by == NOT_DECIDED else _number(demand.value, demand.unit)


def _number(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".strip() if math.isfinite(value) else "not found"


def share_text(hold: EdgeHold) -> str:
    """The share in per cent or in words, or a dash where it does not matter or is not known."""
    if hold.share is None:
        return "-"
    if hold.share < -FROM_SLIDING:
        return PUSHED
    return OVER if hold.share > 1 + FROM_SLIDING else f"{100 * min(max(hold.share, 0.0), 1.0):.0f} %"


def hold_rows(found: BuildEvaluation) -> tuple[tuple[str, ...], ...]:
    """Rows under HOLD_HEAD."""
    rows = []
    for one in found.holds:
        values = (_number(value, one.unit) for value in (one.free, one.build, one.held))
        rows.append((one.panel, f"{one.joint}", ", ".join(one.neighbours), one.demand, *values, share_text(one)))
    return tuple(rows)


def rivet_rows(found: BuildEvaluation) -> tuple[tuple[str, ...], ...]:
    """Rows under RIVET_HEAD: the most loaded rivet of each joint."""
    return tuple(
        (f"{one.joint}", f"{one.rivet}", f"{one.shear:.0f}", f"{max(one.pull, 0.0):.0f}", one.panel, one.case)
        for one in found.rivets
    )


def buckling_rows(found: BuildEvaluation) -> tuple[tuple[str, ...], ...]:
    """Rows under BUCKLING_HEAD: the lowest linear buckling factor in each case."""
    return tuple(
        (one.panel, one.case, f"{one.factor:.3g}" if math.isfinite(one.factor) else "none", one.most or "-")
        for one in found.buckling
    )


def mode_rows(found: BuildEvaluation) -> tuple[tuple[str, ...], ...]:
    """Rows under MODE_HEAD: the first modes of the whole, in air."""
    return tuple(
        (f"{one.hertz:.1f}", one.most, ", ".join(part for part in one.parts if part != one.most) or "-")
        for one in found.modes[:MODES_TOLD]
    )


def summary_line(found: BuildEvaluation) -> str:
    """One line: how many demands are missed inside the build, and which part sets the first frequency."""
    demands = [one for verdict in found.panels.values() for one in verdict.demands]
    missed = sum(not one.met for one in demands)
    told = f"{missed} of {len(demands)} demands missed" if missed else f"all {len(demands)} demands met"
    first = f"; first frequency {found.modes[0].hertz:.1f} Hz, in which {found.modes[0].most} bends most"
    return f"judged as one thing: {told}{first if found.modes else ''}"


def joined_document(found: BuildEvaluation) -> dict:
    """The same as plain data."""
    return {
        "met": found.met,
        "demands": [
            {
                "panel": name, "demand": one.label, "limit": one.limit, "value": one.value, "margin": one.margin,
                "met": one.met, "mesh_error": one.mesh_error,
            }
            for name, verdict in found.panels.items()
            for one in verdict.demands
        ],
        "clashes": [{"parts": list(one.parts), "at": list(one.at)} for one in found.clashes],
        "buckling": [
            {
                "panel": one.panel, "case": one.case, "most": one.most or None,
                "factor": one.factor if math.isfinite(one.factor) else None,
            }
            for one in found.buckling
        ],
        "modes": [{"hertz": one.hertz, "most": one.most, "parts": list(one.parts)} for one in found.modes],
        "holds": [
            {
                "panel": one.panel, "joint": one.joint, "neighbours": list(one.neighbours), "demand": one.demand,
                "slides": one.free, "in_the_build": one.build, "held": one.held, "share": one.share,
            }
            for one in found.holds
        ],
        "rivets": [
            {
                "joint": one.joint, "rivet": one.rivet, "panel": one.panel, "case": one.case,
                "shear_n": one.shear, "pull_n": one.pull,
            }
            for one in found.rivets
        ],
    }  # fmt: skip

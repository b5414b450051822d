"""The build judged as one thing, in tables: demands, frequencies, what holds each edge, loads of the rivets."""

from __future__ import annotations

import math
from collections.abc import Mapping

from stiffen.joined.edge_hold import NO_MATTER, EdgeHold
from stiffen.joined.evaluation import BuildEvaluation
from stiffen.model.results import NOT_DECIDED, DemandResult, Verdict
from stiffen.output.report.sections import Section, Table

DEMAND_HEAD = ("panel", "demand", "limit", "by itself", "in the build", "margin", "")
DEMANDS_RIGHT = (2, 3, 4, 5)
MODE_HEAD = ("Hz", "bends most", "bend too")
HOLD_HEAD = ("panel", "joint", "with", "demand", "slides", "in the build", "held", "share held")
HOLDS_RIGHT = (1, 4, 5, 6, 7)
RIVET_HEAD = ("joint", "rivet", "shear N", "pull N", "load of", "case")
RIVETS_RIGHT = (0, 1, 2, 3)
MODES_TOLD = 4
DEMAND_NOTE = (
    "By itself: the panel held as its own file and the joints say. In the build: on its neighbours, under its own "
    "loads alone; frequencies are those of the whole, of the first mode in which the panel bends."
)
HOLD_NOTE = (
    "Share held: how much the neighbours hold the edge in the panel's plane, from 0 % where it slides freely to 100 % "
    "where it is held rigidly, by the value of the demand named, on the quick mesh; all else as in the build. "
    f'"-": that changes the value by less than {100 * NO_MATTER:.0f} %, or one of the values was not found.'
)


def joined_sections(found: BuildEvaluation, alone: Mapping[str, Verdict | None]) -> list[Section]:
    """The sections of the build sheet.  alone: the verdict on each panel by itself, by name."""
    sections = []
    if found.clashes:
        sections.append(Section("PARTS IN EACH OTHER", tuple(f"{one}." for one in found.clashes)))
    demands = demand_rows(found, alone)
    if demands:
        sections.append(Section("JUDGED AS ONE THING", (Table(DEMAND_HEAD, demands, DEMANDS_RIGHT), DEMAND_NOTE)))
    sections.append(Section("FIRST FREQUENCIES OF THE WHOLE", (Table(MODE_HEAD, mode_rows(found), (0,)),)))
    if found.holds:
        sections.append(Section("WHAT HOLDS EACH EDGE", (Table(HOLD_HEAD, hold_rows(found), HOLDS_RIGHT), HOLD_NOTE)))
    if found.rivets:
        sections.append(
            Section("MOST LOADED RIVET OF EACH JOINT", (Table(RIVET_HEAD, rivet_rows(found), RIVETS_RIGHT),))
        )
    return sections


def demand_rows(found: BuildEvaluation, alone: Mapping[str, Verdict | None]) -> tuple[tuple[str, ...], ...]:
    """Rows under DEMAND_HEAD."""
    rows = []
    for name, evaluation in found.panels.items():
        own = alone.get(name)
        by_label = {one.label: one for one in own.demands} if own else {}
        for demand in evaluation.verdict.demands:
            before = by_label.get(demand.label)
            values = (_value(before) if before else "-", _value(demand))
            limit = f"{demand.limit:g} {demand.unit}".strip()
            state = "met" if demand.met else "NOT MET"
            rows.append((name, demand.label, limit, *values, f"{100 * demand.margin:.0f} %", state))
    return tuple(rows)


def _value(demand: DemandResult) -> str:
    return "not decided" if demand.decided_by == NOT_DECIDED else _number(demand.value, demand.unit)


def _number(value: float, unit: str) -> str:
    return f"{value:.3g} {unit}".strip() if math.isfinite(value) else "not found"


def share_text(hold: EdgeHold) -> str:
    """The share in per cent, or a dash where it does not matter or is not known."""
    return "-" if hold.share is None else f"{100 * hold.share:.0f} %"


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


def mode_rows(found: BuildEvaluation) -> tuple[tuple[str, ...], ...]:
    """Rows under MODE_HEAD: the first modes of the whole, in air."""
    return tuple(
        (f"{one.hertz:.1f}", one.most, ", ".join(part for part in one.parts if part != one.most) or "-")
        for one in found.modes[:MODES_TOLD]
    )


def summary_line(found: BuildEvaluation) -> str:
    """One line: how many demands are missed inside the build, and which part sets the first frequency."""
    demands = [one for evaluation in found.panels.values() for one in evaluation.verdict.demands]
    missed = sum(not one.met for one in demands)
    told = f"{missed} of {len(demands)} demands missed" if missed else f"all {len(demands)} demands met"
    first = f"; first frequency {found.modes[0].hertz:.1f} Hz, in which {found.modes[0].most} bends most"
    return f"judged as one thing: {told}{first if found.modes else ''}"


def joined_document(found: BuildEvaluation) -> dict:
    """The same as plain data."""
    return {
        "met": all(one.verdict.met for one in found.panels.values() if one.verdict.demands),
        "demands": [
            {
                "panel": name, "demand": one.label, "limit": one.limit, "value": one.value, "margin": one.margin,
                "met": one.met,
            }
            for name, evaluation in found.panels.items()
            for one in evaluation.verdict.demands
        ],
        "clashes": [{"parts": list(one.parts), "at": list(one.at)} for one in found.clashes],
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

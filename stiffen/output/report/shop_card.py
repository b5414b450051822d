"""The shop card: what to buy, how to set the roller, what to do in which order, and what was found."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from shapely.geometry import LineString, Polygon

from stiffen.model.layout import Layout
from stiffen.model.outcomes import BoundRecord, BoundStatus, GaugeOutcome, gauge_sentence
from stiffen.model.panel import Panel
from stiffen.model.results import LINEAR, NONLINEAR, NOT_DECIDED, DemandResult, FlatSheetBaseline, Verdict
from stiffen.model.tools import HoleDie
from stiffen.output.drawing.bench_view import (
    datum_corner,
    face_up,
    face_view,
    mark_points,
    number_ranges,
    rolled_faces,
)
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.shop import bead_section, flared_holes
from stiffen.shop.cautions import list_warnings
from stiffen.shop.process_plan import ProcessPlan, plan_for
from stiffen.shop.rivets import fastener_utilisations
from stiffen.shop.roller_settings import pass_depths

from .page_flow import MAX_LINE_CHARS, Section, Table, columns, text_lines

MASS_RESOLUTION = 0.001  # kg
NO_FLAT_SHEET = "no flat sheet in the rack meets the demands"
DEMAND_HEAD = ("demand", "limit", "found", "margin", "", "decided by", "mesh error", "2nd", "w/t")
DIE_STRAIN_HEAD = ("die", "run-out mm", "if held: stretches", "thins", "if free: draws in mm", "spring-back mm")
DECIDED_BY_TEXT = {LINEAR: "linear", NONLINEAR: "large defl.", NOT_DECIDED: "not decided"}


@dataclass(frozen=True)
class Card:
    """A title, bad news in capitals if there is any, and sections."""

    title: str
    alerts: tuple[str, ...]
    sections: tuple[Section, ...]


def card(
    panel: Panel,
    verdict: Verdict,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    bound: BoundRecord | None = None,
    plan: ProcessPlan | None = None,
) -> Card:
    """What the card says; beads are numbered in rolling order.

    rival: the flat sheet to compare with.  gauges: the outcome at every gauge that was searched.  bound: on the
    bench time of the layout.  plan: of the verdict's layout, where it is made already.
    """
    plan = plan_for(panel, verdict.layout, plan)
    verdict = replace(verdict, layout=plan.layout)
    layout = plan.layout
    found = Table(DEMAND_HEAD, tuple(demand_rows(verdict)), (1, 2, 3, 6, 7, 8))
    sections: list[tuple[str, Sequence[str | Table]]] = [
        ("SHEET", _sheet_lines(panel, verdict, flat_baseline, plan)),
        ("TRIAL STRIP FIRST", _roller_settings(plan)),
        ("BEADS, IN THE ORDER TO ROLL THEM", _bead_table(panel, plan)),
        ("FLARED HOLES", _hole_tables(panel, layout)),
        ("ORDER OF WORK", [*(f"{n:2}.\t{step}" for n, step in enumerate(plan.work_steps, 1)), _minutes_text(plan)]),
        ("WHAT WAS ASKED, WHAT WAS FOUND", [found, *_model_notes(verdict)] if verdict.demands else [NO_DEMAND_TEXT]),
        ("RIVET OR BOLT THAT CARRIES MOST", _fastener_tables(panel, verdict)),
        ("LOOK OUT", list_warnings(plan.violations, verdict, plan.cautions)),
        (
            "OTHER SHEETS, LESS WORK?",
            _other_sheets(gauges, bound),
        ),
        ("CAUTIONS", CAUTIONS),
    ]
    return Card(
        f"{panel.name}: shop card",
        tuple(_alerts(verdict, flat_baseline)),
        tuple(Section(title, tuple(parts)) for title, parts in sections if parts),
    )


def card_text(
    panel: Panel,
    verdict: Verdict,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    bound: BoundRecord | None = None,
    plan: ProcessPlan | None = None,
) -> str:
    """The card as plain text, lines of at most 100 letters; see `card`."""
    told = card(panel, verdict, flat_baseline, gauges, bound, plan)
    title = told.title.upper()
    lines = [title, "=" * min(len(title), 100), *told.alerts]
    return "\n".join([*lines, *(line for one in told.sections for line in ("", *text_lines(one)))]) + "\n"


# -------------------------------------------------------------------------------------------- what others say as well

NO_DEMAND_TEXT = "the panel file makes no demand"


def demand_rows(verdict: Verdict) -> list[tuple[str, ...]]:
    """Every demand as words under DEMAND_HEAD."""
    return [
        (
            _shortened(demand.label, 24),
            _limit_text(demand),
            _value_text(demand.value, demand.unit),
            _percent_text(demand.margin, sign=True),
            "met" if demand.met else "NOT MET",
            DECIDED_BY_TEXT.get(demand.decided_by, demand.decided_by),
            "-" if demand.mesh_error is None else _percent_text(demand.mesh_error),
            _cross_check_text(verdict, demand),
            f"{demand.deflection_over_thickness:.2f}" if demand.deflection_over_thickness else "-",
        )
        for demand in verdict.demands
    ]


def demand_table(verdict: Verdict) -> list[str]:
    """Every demand with limit, value, margin, how far to believe it; then how the edges hold in their plane."""
    if not verdict.demands:
        return [NO_DEMAND_TEXT]
    rows = columns(DEMAND_HEAD, demand_rows(verdict), right_aligned=(1, 2, 3, 6, 7, 8))
    return [*rows, *(line for words in _in_plane_notes(verdict) for line in textwrap.wrap(words, MAX_LINE_CHARS))]


def fastener_table(panel: Panel, verdict: Verdict) -> list[str]:
    """Of each case and support the rivet or bolt that carries most; nothing where there is none."""
    return [
        line
        for table in _fastener_tables(panel, verdict)
        for line in columns(table.head, table.rows, right_aligned=table.right_aligned)
    ]


def mass_comparison(verdict: Verdict, flat_baseline: FlatSheetBaseline) -> str:
    """One phrase: how the mass stands against the flat sheet that does the same."""
    if flat_baseline.gauge_mm is None or flat_baseline.mass_kg is None:
        return NO_FLAT_SHEET if flat_baseline.evaluated_gauges else "flat sheets were not looked at"
    if not verdict.met:
        return f"the {flat_baseline.gauge_mm:g} mm flat sheet meets the demands with {mass_text(flat_baseline.mass_kg)}"
    less = flat_baseline.mass_kg - verdict.mass_kg
    flat = f"the {flat_baseline.gauge_mm:g} mm flat sheet that meets the demands ({mass_text(flat_baseline.mass_kg)})"
    if abs(less) < MASS_RESOLUTION:
        flat_too = not (verdict.layout.beads or verdict.layout.holes)
        return "the lightest flat sheet of the rack that meets the demands" if flat_too else f"as heavy as {flat}"
    share = 100 * abs(less) / flat_baseline.mass_kg
    return f"{mass_text(abs(less))} ({share:.0f} %) {'lighter' if less > 0 else 'HEAVIER'} than {flat}"


def bound_text(bound: BoundRecord) -> str:
    """The bound on the bench time in words.

    The bound is rounded down, so that no layout beats what is said.
    """
    if bound.status is BoundStatus.OPTIMAL:
        said = "no layout takes less: proven"
    else:
        least = math.floor(10 * bound.value) / 10
        said = f"no layout takes less than {least:.1f} (proven; gap {100 * bound.gap:.0f} %)"
    return (
        f"The beads take {bound.known:.1f} minutes to mark, set up and roll, trial strips included; {said}. "
        f"This covers {bound.covers}; not re-grips, nor layouts that only the full reckoning would pass."
    )


def mass_text(mass: float) -> str:
    """A mass to the gram below 10 kg."""
    return f"{mass:.3f} kg" if mass < 10 else f"{mass:.2f} kg"


# ------------------------------------------------------------------------------------------------------------ sections


def _alerts(verdict: Verdict, flat_baseline: FlatSheetBaseline | None) -> Iterable[str]:
    """Bad news that is said first."""
    if (
        flat_baseline
        and flat_baseline.mass_kg is not None
        and flat_baseline.mass_kg < verdict.mass_kg - MASS_RESOLUTION
    ):
        mass = mass_text(flat_baseline.mass_kg)
        yield f"A FLAT SHEET IS LIGHTER: {flat_baseline.gauge_mm:g} mm flat meets the demands with {mass}."
    if not verdict.met:
        missed = ", ".join(demand.label for demand in verdict.demands if not demand.met)
        yield f"NOT MET: {missed}. This is the best that was found, not what was asked for."


def _sheet_lines(
    panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None, plan: ProcessPlan
) -> list[str]:
    layout = verdict.layout
    rough, outline = plan.rough_outline, Polygon(panel.outline)
    heft = panel.material.rho * layout.gauge  # kg/mm2
    blank = heft * rough.area
    parts = {
        "trimmed edge": heft * (rough.area - outline.area),
        "cut-outs": heft * (outline.area - panel.region.area),
        "flared holes": verdict.blank_mass_kg - verdict.mass_kg,
    }
    removed = ", ".join(f"{what} {mass_text(mass)}" for what, mass in parts.items() if mass > 0.5 * MASS_RESOLUTION)
    return [
        f"Buy: {panel.material.name}, {layout.gauge:g} mm.",
        f"Blank: {_size_text(rough)} ({'rough cut' if layout.beads else 'no beads: cut to size'}).",
        f"Finished: {_size_text(outline)}, flat.",
        f"Mass: blank {mass_text(blank)}; "
        f"removed {mass_text(blank - verdict.mass_kg)}{f' ({removed})' if removed else ''}; "
        f"finished {mass_text(verdict.mass_kg)}.",
        *_edge_trim_lines(panel),
        *([f"Against flat: {mass_comparison(verdict, flat_baseline)}."] if flat_baseline else []),
    ]


def _other_sheets(gauges: Sequence[GaugeOutcome], bound: BoundRecord | None) -> list[str]:
    looked_at = " ".join(f"{outcome.gauge:g} mm: {gauge_sentence(outcome)}." for outcome in gauges)
    lines = [line for line in (looked_at, bound_text(bound) if bound else "") if line]
    if bound or any(outcome.rests_on_surrogate for outcome in gauges):
        lines[-1] += " Ribbed plate: a quick reckoning with beads as ribs on flat sheet."
    return lines


def _size_text(shape: Polygon) -> str:
    x0, y0, x1, y1 = shape.bounds
    return f"{x1 - x0:.1f} x {y1 - y0:.1f} mm"


def _edge_trim_lines(panel: Panel) -> list[str]:
    """The mass of edge trim, which comes on top."""
    total = sum(
        trim.kg_per_metre * (LineString(trim.path) if trim.path else Polygon(panel.outline).exterior).length / 1000
        for trim in panel.trims
    )
    return [f"Edge trim comes on top: {mass_text(total)}."] if panel.trims else []


def _roller_settings(plan: ProcessPlan) -> list[str | Table]:
    """A row a die, a column a pass."""
    found = plan.roller_settings
    dies = [one.die for one in found]
    if not dies:
        return []
    most = max(len(one.passes) for one in found)
    rows, sheet = [], []
    notes: dict[str, list[str]] = {}
    for die, one in zip(dies, found, strict=True):
        passes = [f"{_turns_text(step.turns)} ({step.depth:.1f} mm)" for step in one.passes]
        rows.append((die.name, "trial strip" if one.from_trial else "formula", *passes, *[""] * (most - len(passes))))
        stretch, thinner = bead_section.stretch_strain(die), bead_section.thinning(die)
        drawn_in, run_out = f"{bead_section.draw_in(die):.1f}", f"{die.run_out_length:.0f}"
        sheet.append(
            (die.name, run_out, f"{100 * stretch:.0f} %", f"{100 * thinner:.0f} %", drawn_in, f"{one.springback:.2f}")
        )
        notes.setdefault(one.note, []).append(die.name)
    strips = " or ".join(f"--die {die.name}" for die in dies)
    return [
        "Roll a scrap strip of this very sheet with each die first and measure its depth: stiffen trial PANEL.toml "
        f"{strips} --gauge {plan.layout.gauge:g} prints the strip and says how. Below: turns of the screw from first "
        "touch, and the depth they are to give.",
        Table(("die", "from", *(f"pass {number}" for number in range(1, most + 1))), tuple(rows)),
        *(f"{', '.join(names)}: {note}." for note, names in notes.items()),
        "What each asks of the sheet, its edges held or free to draw in:",
        Table(DIE_STRAIN_HEAD, tuple(sheet), (1, 2, 3, 4, 5)),
    ]


def _turns_text(turns: float | None) -> str:
    return "roll a trial" if turns is None else f"{turns:.2f}"


def _bead_table(panel: Panel, plan: ProcessPlan) -> list[str | Table]:
    layout = plan.layout
    if not layout.beads:
        return []
    seen = {face: face_view(panel, layout, face, plan) for face in rolled_faces(layout)}
    rows = []
    for place_, (bead, grip) in enumerate(zip(layout.beads, _handling_before_beads(plan), strict=True)):
        passes = len(pass_depths(bead.die, panel.material))
        side = seen[face_up(layout, bead)].frame_sides[place_] or "NEITHER"
        start, *between, stop = mark_points(bead)
        rows.append(
            (f"{place_ + 1}", bead.die.name, bead.side, *_datum_xy(panel, start), *_datum_xy(panel, stop))
            + (f"{bead.length:.0f}", f"{passes}", side, grip)
        )
        rows += [("", "", "", *_datum_xy(panel, at), "", "", "", "", "", at[2] or "via") for at in between]
    head = ("bead", "die", "stands", "start X", "Y", "end X", "Y", "length", "passes", "frame", "before")
    lying = [
        f"{face.upper()} face up in the roller, raised roll {one.raised_roll}: bead {_bead_numbers(layout, face)}."
        for face, one in seen.items()
    ]
    return [
        Table(head, tuple(rows), (0, 3, 4, 5, 6, 7, 8)),
        *lying,
        "mm. X and Y from the datum corner. Frame: side of the bead that goes to the roller's frame, looking from "
        "start to end with that face up. Before: what to do first.",
    ]


def _bead_numbers(layout: Layout, face: str) -> str:
    return number_ranges([("", number) for number, bead in enumerate(layout.beads, 1) if face_up(layout, bead) == face])


def _handling_before_beads(plan: ProcessPlan) -> list[str]:
    """For each bead what comes before it: the die, the other face up, a turn of the sheet."""
    words = [f"die {plan.layout.beads[0].die.name}"]
    for turned, (before, bead) in zip(plan.is_reoriented[1:], pairwise(plan.layout.beads), strict=True):
        told = [f"die {bead.die.name}"] if bead.die != before.die else []
        if bead.side != before.side:
            told.append("other face up")
        elif turned:
            told.append("turn sheet")
        words.append(", ".join(told) or "-")
    return words


def _datum_xy(panel: Panel, at: Sequence) -> tuple[str, str]:
    x0, y0 = datum_corner(panel)
    return f"{at[0] - x0:.1f}", f"{at[1] - y0:.1f}"


def _hole_tables(panel: Panel, layout: Layout) -> list[Table]:
    """What is told of all holes of a die and a face once, then the place of each."""
    if not layout.holes:
        return []
    alike: dict[tuple[HoleDie, str], list[int]] = {}
    for number, hole in enumerate(layout.holes, 1):
        alike.setdefault((hole.die, hole.side), []).append(number)
    dies = [
        (
            die.name,
            side,
            f"{len(numbers)}",
            number_ranges([("H", number) for number in numbers]),
            f"{die.pilot:g}",
            _pilot_cutter(panel, die),
            f"{die.finished:g}",
            f"{die.flange:g}",
            f"{die.rise:g}",
        )
        for (die, side), numbers in alike.items()
    ]
    head = ("die", "face", "holes", "which", "cut dia.", "with", "opening", "flare dia.", "rise")
    places = [(f"H{number}", *_datum_xy(panel, hole.at)) for number, hole in enumerate(layout.holes, 1)]
    return [Table(head, tuple(dies), (2, 4, 6, 7, 8)), Table(("hole", "X", "Y"), tuple(places), (1, 2))]


def _pilot_cutter(panel: Panel, die: HoleDie) -> str:
    """What cuts the pilot hole, as near below its size as there is."""
    cuts = flared_holes.pilot_cuts(die, panel.tools.cutters)
    return f"{cuts[0].kind} {cuts[0].diameter:g}" if cuts else "-"


def _fastener_tables(panel: Panel, verdict: Verdict) -> list[Table]:
    """Of each case and support the rivet or bolt that carries most."""
    rows = []
    for use in fastener_utilisations(panel, verdict):
        one, support = use.load, panel.supports[use.support_number - 1]
        what = f"{support.kind[:-1]} {support.diameter:g}" if support.diameter else support.kind[:-1]
        strength = "not given" if use.strength is None else f"{use.strength:.0f}"
        share = "-" if use.utilisation is None else _percent_text(use.utilisation)
        rows.append(
            (one.case, what, *_datum_xy(panel, one.centre), f"{one.shear:.0f}", f"{one.pull:.0f}", strength, share)
        )
    if not rows:
        return []
    head = ("case", "what", "X mm", "Y mm", "shear N", "pull N", "strength N", "used")
    return [Table(head, tuple(rows), (2, 3, 4, 5, 6, 7))]


def _model_notes(verdict: Verdict) -> list[str]:
    lines = _in_plane_notes(verdict)
    if verdict.layout.beads:
        lines.append(
            "Not computed: the stress that rolling leaves in the sheet, which can bow it or make it pop: push the "
            "rolled panel before you fit it."
        )
    lines.append(
        f"Mesh error: by how much a finer mesh than the {verdict.nodes} points used may change it. 2nd: how far a "
        "second way of reckoning is off. w/t: deflection over thickness; above 0.5 only large deflection decides."
    )
    return [" ".join(lines)]


def _in_plane_notes(verdict: Verdict) -> list[str]:
    """How the edges hold in their plane, and what comes of it where both ends were tried."""
    lines = []
    for demand in verdict.demands:
        ends = {end: _value_text(value, demand.unit) for end, value in demand.by_in_plane_restraint.items()}
        if len(set(ends.values())) > 1:
            told = ", ".join(f"{end} {value}" for end, value in ends.items())
            lines.append(f"{_shortened(demand.label, 24)} {told}")
    if lines:
        return [f"Edges held and free in their plane, the worse counts: {'; '.join(lines)}."]
    holds = sorted({demand.in_plane for demand in verdict.demands})
    return [f"Edges in plane: {' or '.join(holds)}."]


def _cross_check_text(verdict: Verdict, demand: DemandResult) -> str:
    """How far the other element's value of a demand is from ours."""
    one = (verdict.second_opinion or {}).get(demand.label)
    apart = one.get("difference") if isinstance(one, dict) else None
    return "-" if apart is None else _percent_text(apart, sign=True, places=1)


def _minutes_text(plan: ProcessPlan) -> str:
    """All minutes and their shares, rounded so that the shares add up: down, then up where most was cut off."""
    spent, total = plan.time_breakdown, round(plan.minutes)
    whole = {what: math.floor(share) for what, share in spent.items()}
    by_rest = sorted(spent, key=lambda what: whole[what] - spent[what])
    for what in by_rest[: total - sum(whole.values())]:
        whole[what] += 1
    told = ", ".join(f"{what} {share}" for what, share in whole.items() if share)
    return f"Minutes: about {total} in all: {told} (a guess, to plan with)."


# --------------------------------------------------------------------------------------------------------------- words


def _limit_text(demand: DemandResult) -> str:
    smaller = demand.kind in ("deflection", "softness")
    return f"{'<=' if smaller else '>='} {demand.limit:g} {demand.unit}"


def _value_text(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return "no limit" if value == math.inf else "none"
    return f"{value:.3g} {unit}" if abs(value) < 1000 else f"{value:.0f} {unit}"


def _percent_text(fraction: float, sign: bool = False, places: int = 0) -> str:
    if not math.isfinite(fraction):
        return "-"
    if abs(fraction) >= 9.995:
        return f"{'+' if fraction > 0 else '-'}>999 %" if sign else ">999 %"
    return f"{100 * fraction:+.{places}f} %" if sign else f"{100 * fraction:.1f} %"


def _shortened(text: str, max_chars: int) -> str:
    return text if len(text) <= max_chars else text[: max_chars - 2] + ".."

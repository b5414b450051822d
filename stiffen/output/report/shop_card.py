"""The shop card: the sheet to buy, warnings, roller settings, beads and holes, order of work, results, cautions."""

from __future__ import annotations

import math
import shlex
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from shapely.geometry import LineString, Polygon

from stiffen.model.explanation import Explanation
from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.layout import Bead, Layout
from stiffen.model.outcomes import GaugeOutcome, gauge_sentence
from stiffen.model.panel import Fold, Panel
from stiffen.model.results import (
    LINEAR,
    NONLINEAR,
    NOT_DECIDED,
    BenchMargin,
    DemandResult,
    FlatSheetBaseline,
    Proposal,
    Verdict,
)
from stiffen.model.tools import HoleDie
from stiffen.output.drawing.bench_view import (
    MarkPoint,
    datum_corner,
    face_up,
    face_view,
    mark_points,
    number_ranges,
    rolled_faces,
)
from stiffen.output.drawing.title_block import CAUTIONS
from stiffen.shop import bead_section, flared_holes
from stiffen.shop.bends import bend_allowance, flanges, folded_base_size
from stiffen.shop.cautions import list_warnings
from stiffen.shop.folding.curved_flange import curved_flange_name, outside_leg
from stiffen.shop.folding.edge_trims import trim_cut
from stiffen.shop.layout_check import why_no_beads
from stiffen.shop.process_plan import ProcessPlan, plan_for
from stiffen.shop.rivets import COMMON_RIVET_SHEAR, bolt_name, fastener_utilisations
from stiffen.shop.rollability import direction
from stiffen.shop.roller_settings import RollingPass, rolling_depths, turns_text
from stiffen.shop.work_steps import hands_needed

from .explanation_sections import (
    THE_OTHER_FACE,
    WHAT_EACH_ADDS,
    WHAT_WOULD_HELP,
    face_section,
    help_section,
    part_section,
)
from .proposal_table import proposal_notes, proposal_table
from .sections import MAX_LINE_CHARS, Section, Table, columns, text_lines
from .tape_measure import tape_tables

MASS_RESOLUTION = 0.001  # kg
NO_FLAT_SHEET = "no flat sheet in the rack meets the demands"
NO_SECOND_OPINION = "No second opinion was taken: it needs sfepy (pip install sfepy)."
DEMAND_HEAD = ("demand", "limit", "found", "margin", "", "decided by", "mesh error", "2nd", "w/t")
DIE_STRAIN_HEAD = ("die", "run-out mm", "held: stretch", "thinning", "free: draw-in mm", "spring-back mm")
TAPE_TITLE = "WITH TAPE AND SQUARE"
FOLDS_TITLE = "FOLDS, IN THE ORDER TO MAKE THEM"
FOLD_HEAD = ("fold", "angle", "face", "inside R", "takes", "flange mm")
VIA_HEAD = ("bead", "via X", "Y", "centre X", "Y", "R")
DECIDED_BY_TEXT = {LINEAR: "linear", NONLINEAR: "large defl.", NOT_DECIDED: "not decided"}


@dataclass(frozen=True)
class Card:
    """The content of a card.  alerts: demands that are not met, or a lighter flat sheet."""

    title: str
    alerts: tuple[str, ...]
    sections: tuple[Section, ...]


def card(
    panel: Panel,
    verdict: Verdict,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
) -> Card:
    """The content of the card.  Beads are numbered in rolling order.

    plan: the process plan of the verdict's layout, if it is made already.  flat_baseline: the flat sheet to compare
    with.  gauges: how the search ended at each gauge.  explanation: why this layout.  proposals: what the search
    proposes.  bench_margin: what is left if the work comes out short.
    """
    plan = plan_for(panel, verdict.layout, plan)
    verdict = replace(verdict, layout=plan.layout)
    layout = plan.layout
    demands = Table(DEMAND_HEAD, tuple(demand_rows(verdict)), (1, 2, 3, 6, 7, 8))
    sections: list[tuple[str, Sequence[str | Table]]] = [
        ("SHEET", _sheet_lines(panel, verdict, flat_baseline, plan)),
        ("WARNINGS", list_warnings(plan.violations, verdict, plan.cautions)),
        (_roller_title(plan), _roller_settings(plan)),
        ("BEADS, IN ROLLING ORDER", _bead_table(panel, plan)),
        ("FLARED HOLES", _hole_tables(panel, layout)),
        (TAPE_TITLE, tape_tables(panel, layout)),
        (FOLDS_TITLE, _fold_table(panel, layout)),
        ("EDGE TRIM", _trim_table(panel, layout)),
        ("ORDER OF WORK", _order_of_work(plan)),
        ("DEMANDS AND RESULTS", [demands, *_model_notes(panel, verdict)] if verdict.demands else [NO_DEMAND_TEXT]),
        ("IF THE WORK COMES OUT SHORT", bench_margin_parts(bench_margin, layout)),
        ("MOST LOADED RIVETS AND BOLTS", _fastener_section(panel, verdict)),
        (WHAT_WOULD_HELP, help_section(panel, explanation)),
        (WHAT_EACH_ADDS, part_section(panel, layout, explanation)),
        (THE_OTHER_FACE, face_section(panel, explanation)),
        ("LAYOUTS PROPOSED", _proposals(panel, proposals, verdict)),
        ("OTHER GAUGES", _other_gauges(panel, layout, gauges)),
        ("CAUTIONS", CAUTIONS),
    ]
    return Card(
        f"{panel.name}: shop card",
        tuple(_alerts(verdict, flat_baseline)),
        tuple(
            Section(title, tuple(parts), keep_together=title == "CAUTIONS", to_tick=title == "ORDER OF WORK")
            for title, parts in sections
            if parts
        ),
    )


def card_text(
    panel: Panel,
    verdict: Verdict,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
) -> str:
    """The card as plain text, lines of at most 100 characters; see `card`."""
    content = card(
        panel, verdict, plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=bench_margin,
    )  # fmt: skip
    title = content.title.upper()
    lines = [title, "=" * min(len(title), MAX_LINE_CHARS), *content.alerts]
    for section in content.sections:
        lines += ["", *text_lines(section)]
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------ shared with screen and report

NO_DEMAND_TEXT = "nothing asked: the panel file makes no demand"
MISSED_BY_MESH = "NOT MET (mesh)"


def demand_rows(verdict: Verdict) -> list[tuple[str, ...]]:
    """A row under DEMAND_HEAD for each demand."""
    return [
        (
            _shortened(demand.label, 24),
            _limit_text(demand),
            f"{'>= ' if demand.is_lower_bound else ''}{_found_text(demand)}",
            (">= " if demand.is_lower_bound else "")
            + _percent_text(demand.margin, sign=True, places=0 if demand.met or abs(demand.margin) > 0.005 else 2),
            "met" if demand.met else MISSED_BY_MESH if demand.missed_by_mesh_error else "NOT MET",
            DECIDED_BY_TEXT.get(demand.decided_by, demand.decided_by),
            "-" if demand.mesh_error is None else _percent_text(demand.mesh_error),
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


def fastener_table(panel: Panel, verdict: Verdict) -> list[str]:
    """The most loaded rivet or bolt of each case and support, as lines of text; empty if there is none."""
    return [
        line
        for table in _fastener_tables(panel, verdict)
        for line in columns(table.head, table.rows, right_aligned=table.right_aligned)
    ]


def mass_comparison(verdict: Verdict, flat_baseline: FlatSheetBaseline) -> str:
    """One phrase: the mass compared with the flat sheet that meets the same demands."""
    if not verdict.demands:
        return "nothing asked, so there is no flat sheet to compare with"
    if flat_baseline.gauge_mm is None or flat_baseline.mass_kg is None:
        return _no_flat_sheet(flat_baseline)
    if not verdict.met:
        return f"the {flat_baseline.gauge_mm:g} mm flat sheet meets the demands with {mass_text(flat_baseline.mass_kg)}"
    less = flat_baseline.mass_kg - verdict.mass_kg
    flat = f"the {flat_baseline.gauge_mm:g} mm flat sheet that meets the demands ({mass_text(flat_baseline.mass_kg)})"
    if abs(less) < MASS_RESOLUTION:
        flat_too = not (verdict.layout.beads or verdict.layout.holes)
        return "the lightest flat sheet of the rack that meets the demands" if flat_too else f"as heavy as {flat}"
    share = 100 * abs(less) / flat_baseline.mass_kg
    return f"{mass_text(abs(less))} ({share:.0f} %) {'lighter' if less > 0 else 'HEAVIER'} than {flat}"


def _no_flat_sheet(flat_baseline: FlatSheetBaseline) -> str:
    """One phrase where no flat sheet of the rack does; it names the sheet outside the rack that would, if known."""
    if not flat_baseline.evaluated_gauges:
        return "flat sheets were not evaluated"
    if flat_baseline.outside_gauge_mm is None or flat_baseline.outside_mass_kg is None:
        return NO_FLAT_SHEET
    outside = f"{flat_baseline.outside_gauge_mm:g} mm, {mass_text(flat_baseline.outside_mass_kg)}"
    return f"{NO_FLAT_SHEET}; outside the rack {outside}, would"


def missed_labels(verdict: Verdict) -> list[str]:
    """The labels of the demands that are not met; with the reason where it is the mesh error."""
    return [
        f"{demand.label}{' (by less than the mesh error)' if demand.missed_by_mesh_error else ''}"
        for demand in verdict.demands
        if not demand.met
    ]


def mass_text(mass: float) -> str:
    """A mass, to the gram below 10 kg."""
    return f"{mass:.3f} kg" if mass < 10 else f"{mass:.2f} kg"


# ------------------------------------------------------------------------------------------------------------ sections


def _alerts(verdict: Verdict, flat_baseline: FlatSheetBaseline | None) -> Iterable[str]:
    """What stands above everything else: a lighter flat sheet, demands that are not met."""
    if flat_baseline and flat_baseline.mass_kg is not None:
        flat = f"{flat_baseline.gauge_mm:g} mm flat meets the demands with {mass_text(flat_baseline.mass_kg)}"
        if flat_baseline.mass_kg < verdict.mass_kg - MASS_RESOLUTION:
            yield f"A FLAT SHEET IS LIGHTER: {flat}."
    if not verdict.met:
        missed = ", ".join(missed_labels(verdict))
        yield f"NOT MET: {missed}. This is the best that was found, not what was asked for."


def _sheet_lines(
    panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None, plan: ProcessPlan
) -> list[str]:
    layout = verdict.layout
    rough, outline = plan.rough_outline, Polygon(panel.outline)
    mass_per_area = panel.material.rho * layout.gauge  # kg/mm2
    blank = mass_per_area * rough.area
    parts = {
        "trimmed edge": mass_per_area * (rough.area - outline.area),
        "cut-outs": mass_per_area * (outline.area - panel.region.area),
        "flared holes": verdict.blank_mass_kg - verdict.mass_kg,
    }
    removed = ", ".join(f"{what} {mass_text(mass)}" for what, mass in parts.items() if mass > 0.5 * MASS_RESOLUTION)
    return [
        f"Buy: {panel.material.name}, {layout.gauge:g} mm.",
        f"Blank: {_size_text(rough)} ({'rough cut' if layout.beads else 'no beads: cut to size'}).",
        *_finished_sizes(panel, layout),
        *([f"Finished base: {_size_text(Polygon(panel.finished))} outside."] if panel.finished else []),
        f"Mass: blank {mass_text(blank)}; removed {mass_text(blank - verdict.mass_kg)}"
        f"{f' ({removed})' if removed else ''}; finished {mass_text(verdict.mass_kg)}.",
        *_edge_trim_lines(panel),
        *_no_beads_lines(panel, verdict),
        *([hands] if (hands := hands_needed(panel, layout, rough)) else []),
        *([f"Against flat: {mass_comparison(verdict, flat_baseline)}."] if flat_baseline else []),
    ]


def _no_beads_lines(panel: Panel, verdict: Verdict) -> list[str]:
    """Why a sheet without beads has none, if that is known."""
    layout = verdict.layout
    if layout.beads or not panel.tools.bead_dies:
        return []
    without = "the sheet meets all demands without" if verdict.met and verdict.demands else ""
    reasons = [reason for reason in (without, why_no_beads(panel, layout.gauge)) if reason]
    return [f"No beads: {'; '.join(reasons)}."] if reasons else []


def bench_margin_parts(found: BenchMargin | None, layout: Layout) -> list[str | Table]:
    """Margins with shallow beads and thin sheet, and the least depth that does."""
    if found is None:
        return []
    shallow = [_percent_text(one, sign=True) for one in found.with_shallow_beads] or ["-"] * len(found.labels)
    thin = [_percent_text(one, sign=True) for one in found.with_thin_sheet]
    rows = list(zip(found.labels, shallow, thin, strict=True))
    head = ("margin of", "beads 10 % shallower", f"sheet {found.thin_sheet:g} mm")
    notes = [f"{found.thin_sheet:g} mm is the lower tolerance of the sheet ({found.standard})."]
    dies = {bead.die.name: bead.die.depth for bead in layout.beads}
    share = found.least_depth_share
    if dies and share is None:
        notes.append("Beads 10 % shallower would no longer do: measure their depth before you trim.")
    elif dies and share is not None:
        depths = ", ".join(f"{name} {share * depth:.1f} mm" for name, depth in dies.items())
        least = "at least " if share != found.least_share_tried else ""
        notes.append(f"All demands hold with beads {least}this deep: {depths} ({100 * share:.0f} % of the die).")
    return [Table(head, tuple(rows), (1, 2)), *notes]


def _proposals(panel: Panel, proposals: Sequence[Proposal], verdict: Verdict) -> list[str | Table]:
    """The proposals side by side, and what their names mean."""
    table = proposal_table(proposals)
    return [table, *proposal_notes(panel, proposals, verdict)] if table else []


def _other_gauges(panel: Panel, layout: Layout, gauges: Sequence[GaugeOutcome]) -> list[str]:
    def why(outcome: GaugeOutcome) -> str:
        told_above = outcome.gauge == layout.gauge and not layout.beads
        reason = why_no_beads(panel, outcome.gauge) if panel.tools.bead_dies and not told_above else ""
        return f" No beads: {reason}." if reason else ""

    outcomes = " ".join(f"{outcome.gauge:g} mm: {gauge_sentence(outcome)}.{why(outcome)}" for outcome in gauges)
    if any(outcome.rests_on_surrogate for outcome in gauges):
        outcomes += " Surrogate: a quick model on a coarse mesh."
    return [outcomes] if outcomes else []


def _finished_sizes(panel: Panel, layout: Layout) -> list[str]:
    """The finished size of a flat part; of a folded part its flat size, then what the folds make of it."""
    flat = _size_text(Polygon(panel.outline))
    if not panel.is_folded:
        return [f"Finished: {flat}, flat."]
    size = folded_base_size(panel, layout.gauge) if not panel.curved_flanges else None
    base = f"base {size[0]:.1f} x {size[1]:.1f} mm outside, " if size else ""
    heights = ", ".join(
        f"fold {flange.number} {flange.outside:.1f} mm {_fold_text(fold)}"
        for fold, flange in zip(panel.folds, flanges(panel, layout.gauge), strict=True)
    )
    neutral = panel.tools.folding_brake.neutral
    curved = ", ".join(
        f"{curved_flange_name(panel, one)} {outside_leg(one, layout.gauge, neutral):.1f} mm {_fold_text(one)}"
        for one in panel.curved_flanges
    )
    heights = ", ".join(filter(None, (heights, curved)))
    return [f"Finished, before folding: {flat}, flat.", f"Folded: {base}flanges outside {heights}."]


def _fold_text(fold: Fold | CurvedFlange) -> str:
    return f"({abs(fold.angle):g} degrees {'up' if fold.angle > 0 else 'down'})"


def _size_text(shape: Polygon) -> str:
    x0, y0, x1, y1 = shape.bounds
    return f"{x1 - x0:.1f} x {y1 - y0:.1f} mm"


def _edge_trim_lines(panel: Panel) -> list[str]:
    """The mass of edge trim, which is not part of the finished mass."""
    total = sum(
        trim.kg_per_metre * (LineString(trim.path) if trim.path else Polygon(panel.outline).exterior).length / 1000
        for trim in panel.trims
    )
    return [f"Edge trim comes on top: {mass_text(total)}."] if panel.trims else []


def _trim_table(panel: Panel, layout: Layout) -> list[str | Table]:
    """One row an edge trim: its length to cut, where it begins and ends; then how tubes are slit and bent."""
    if not panel.trims:
        return []
    rows, notes = [], []
    for number, trim in enumerate(panel.trims, 1):
        cut = trim_cut(panel, trim, layout.gauge)
        what = trim.what or (f"tube {trim.tube:g}" if trim.tube else "edging")
        ends = (
            ("all round", "", "", "")
            if trim.path is None
            else (*_datum_xy(panel, trim.path[0]), *_datum_xy(panel, trim.path[-1]))
        )
        rows.append((f"{number}", _shortened(what, 24), f"{cut.length:.0f}", *ends))
        notes += [f"Trim {number}: {line}" for line in cut.notes]
    return [Table(("trim", "what", "cut to mm", "from X", "Y", "to X", "Y"), tuple(rows), (0, 2, 3, 4, 5, 6)), *notes]


def _order_of_work(plan: ProcessPlan) -> list[str | Table]:
    return [*(f"{n:2}.\t{step}" for n, step in enumerate(plan.work_steps, 1)), _minutes_text(plan)]


def _without_strip(plan: ProcessPlan) -> list[str]:
    """Names of the dies for which a trial strip is still to be rolled, or to be rolled deeper."""
    return [one.die.name for one in plan.roller_settings if not (one.from_trial and one.reaches_depth)]


def _roller_title(plan: ProcessPlan) -> str:
    return "TRIAL STRIP FIRST" if _without_strip(plan) else "ROLLER SETTINGS"


def _roller_settings(plan: ProcessPlan) -> list[str | Table]:
    """Turns of the screw, one row a die, one column a pass; then the strains of the sheet."""
    found = plan.roller_settings
    dies = [one.die for one in found]
    if not dies:
        return []
    most = max(len(one.passes) for one in found)
    rows, sheet = [], []
    notes: dict[str, list[str]] = {}
    for die, one in zip(dies, found, strict=True):
        passes = [_pass_text(step) for step in one.passes]
        rows.append((die.name, "trial strip" if one.from_trial else "formula", *passes, *[""] * (most - len(passes))))
        stretch, thinner = bead_section.stretch_strain(die), bead_section.thinning(die)
        drawn_in, run_out = f"{bead_section.draw_in(die):.1f}", f"{die.run_out_length:.0f}"
        sheet.append(
            (die.name, run_out, f"{100 * stretch:.0f} %", f"{100 * thinner:.0f} %", drawn_in, f"{one.springback:.2f}")
        )
        notes.setdefault(one.note, []).append(die.name)
    new = _without_strip(plan)
    strips = " ".join(f"--die {shlex.quote(name)}" for name in new)
    first = (
        f"First roll a scrap strip of the same sheet with die {', '.join(new)} and measure the depth. This prints it "
        f"with instructions: stiffen trial PANEL.toml {strips} --gauge {plan.layout.gauge:g} --out DIR. "
    )
    return [
        f"{first if strips else ''}Turns of the screw from first touch, to the nearest eighth, and the depth at them:",
        Table(("die", "from", *(f"pass {number}" for number in range(1, most + 1))), tuple(rows)),
        *(f"{', '.join(names)}: {note}." for note, names in notes.items()),
        "Stretch and thinning of the sheet if its edges are held; draw-in if they are free:",
        Table(DIE_STRAIN_HEAD, tuple(sheet), (1, 2, 3, 4, 5)),
    ]


def _pass_text(step: RollingPass) -> str:
    """Turns and depth of one pass."""
    return f"{'roll a trial' if step.turns is None else turns_text(step.turns)} ({step.depth:.1f} mm)"


def _bead_table(panel: Panel, plan: ProcessPlan) -> list[str | Table]:
    layout = plan.layout
    if not layout.beads:
        return []
    views = {face: face_view(panel, layout, face, plan) for face in rolled_faces(layout)}
    rows, via = [], []
    for position, (bead, handling) in enumerate(zip(layout.beads, _handling_before_beads(plan), strict=True)):
        passes = len(rolling_depths(panel.tools, bead.die, panel.material, layout.gauge))
        side = views[face_up(layout, bead)].frame_sides[position] or "NEITHER"
        start, *between, stop = mark_points(bead)
        rows.append(
            (f"{position + 1}", bead.die.name, bead.side, *_datum_xy(panel, start.at), *_datum_xy(panel, stop.at))
            + (f"{bead.length:.0f}", f"{passes}", side, handling)
        )
        via += [_via_row(panel, position + 1, point) for point in between]
    head = ("bead", "die", "face", "start X", "Y", "end X", "Y", "length", "passes", "frame", "before")
    handling_notes = [
        f"{face.upper()} face up in the roller, raised roll {view.raised_roll}: bead {_bead_numbers(layout, face)}."
        for face, view in views.items()
    ]
    return [
        Table(head, tuple(rows), (0, 3, 4, 5, 6, 7, 8)),
        *([_via_table(via)] if via else []),
        *handling_notes,
        "All in mm, X and Y from the datum corner. Face: the side on which the bead stands proud. Frame: the side of "
        "the bead toward the roller's frame, seen from start to end with the face up that is named above. Before: what "
        "to do before this bead."
        + (
            " Via: corners, ends of straight runs, and the middle of each arc with its centre and radius."
            if via
            else ""
        ),
    ]


def _via_table(rows: Sequence[tuple[str, ...]]) -> Table:
    """The rows under VIA_HEAD, without the columns for arcs if there are none."""
    count = len(VIA_HEAD) if any(row[-1] for row in rows) else 3
    return Table(VIA_HEAD[:count], tuple(row[:count] for row in rows), tuple(range(count)))


def _via_row(panel: Panel, number: int, point: MarkPoint) -> tuple[str, ...]:
    """A row under VIA_HEAD for a mark point between start and end."""
    arc = (*_datum_xy(panel, point.centre), f"{point.radius:.1f}") if point.centre else ("", "", "")
    return (f"{number}", *_datum_xy(panel, point.at), *arc)


def _bead_numbers(layout: Layout, face: str) -> str:
    return number_ranges([("", number) for number, bead in enumerate(layout.beads, 1) if face_up(layout, bead) == face])


def _handling_before_beads(plan: ProcessPlan) -> list[str]:
    """For each bead what to do before it: change the die, turn the other face up, turn the sheet and by how much."""
    beads, sides = plan.layout.beads, plan.frame_sides
    texts = [f"die {beads[0].die.name}"]
    for position, (before, bead) in enumerate(pairwise(beads), 1):
        steps = [f"die {bead.die.name}"] if bead.die != before.die else []
        if bead.side != before.side:
            steps.append("other face up")
        elif plan.is_reoriented[position]:
            steps.append(_turn_text((before, sides[position - 1]), (bead, sides[position])))
        texts.append(", ".join(steps) or "-")
    return texts


def _turn_text(before: tuple[Bead, str | None], after: tuple[Bead, str | None]) -> str:
    """How far the sheet is turned in the roller between two beads, each with its side at the frame."""
    if before[1] is None or after[1] is None:
        return "turn sheet"
    to_frame = [direction(bead) + (90.0 if side == "left" else -90.0) for bead, side in (before, after)]
    angle = abs((to_frame[1] - to_frame[0] + 180.0) % 360.0 - 180.0)
    return "turn sheet end for end" if angle > 175.0 else f"turn sheet {angle:.0f} deg"


def _datum_xy(panel: Panel, at: Sequence) -> tuple[str, str]:
    x0, y0 = datum_corner(panel)
    return f"{at[0] - x0:.1f}", f"{at[1] - y0:.1f}"


def _hole_tables(panel: Panel, layout: Layout) -> list[Table]:
    """A table of the dies and faces with their holes, then the centre of each hole."""
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
            f"{round(die.cut_diameter, 1):g}",
            _pilot_cutter(panel, die, layout.gauge),
            f"{die.finished:g}",
            f"{die.flange:g}",
            f"{die.rise:g}",
        )
        for (die, side), numbers in alike.items()
    ]
    head = ("die", "face", "holes", "which", "cut dia.", "with", "opening", "flare dia.", "rise")
    places = [(f"H{number}", *_datum_xy(panel, hole.at)) for number, hole in enumerate(layout.holes, 1)]
    return [Table(head, tuple(dies), (2, 4, 6, 7, 8)), Table(("hole", "X", "Y"), tuple(places), (1, 2))]


def _fold_table(panel: Panel, layout: Layout) -> list[str | Table]:
    """One row a fold: its angle, face, radius, the sheet that it takes, the flange."""
    if not panel.is_folded:
        return []
    rows = []
    for fold, flange in zip(panel.folds, flanges(panel, layout.gauge), strict=True):
        side = "up" if fold.angle > 0 else "down"
        size = (f"{fold.radius:g}", f"{flange.allowance:.1f}", f"{flange.outside:.1f}")
        rows.append((f"{flange.number}", f"{abs(fold.angle):g}", side, *size))
    neutral = panel.tools.folding_brake.neutral
    for number, curved in enumerate(panel.curved_flanges, len(rows) + 1):
        side = "up" if curved.angle > 0 else "down"
        takes = bend_allowance(abs(curved.angle), curved.bend_radius, layout.gauge, neutral)
        size = (f"{curved.bend_radius:g}", f"{takes:.1f}", f"{outside_leg(curved, layout.gauge, neutral):.1f}")
        rows.append((f"{number} curved", f"{abs(curved.angle):g}", side, *size))
    return [
        Table(FOLD_HEAD, tuple(rows), (0, 1, 3, 4, 5)),
        "Face: toward it the flange turns. Takes: mm of sheet. Picture: up face white, down face grey.",
    ]


def _pilot_cutter(panel: Panel, die: HoleDie, t: float) -> str:
    """The cutter whose size is nearest to the pilot hole and keeps the lip within what the sheet stands."""
    if die.draw_bolt:
        return "drill for bolt"
    most = flared_holes.max_lip_strain(panel.material, t)
    cuts = flared_holes.best_cuts(die, panel.tools.cutters, most)
    return f"{cuts[0].kind} {cuts[0].diameter:g}" if cuts else "-"


def _fastener_section(panel: Panel, verdict: Verdict) -> list[str | Table]:
    """The table, and a note on rivets that carry more than aluminium ones commonly do, if no strength is given."""
    found = fastener_utilisations(panel, verdict)
    heavy: dict[float, float] = {}
    for use in found:
        support = panel.supports[use.support_number - 1]
        carried = math.hypot(use.load.shear, use.load.pull)
        common = COMMON_RIVET_SHEAR.get(support.diameter, (math.inf,))[0]
        if support.kind == "rivets" and use.strength is None and carried > common:
            heavy[support.diameter] = max(carried, heavy.get(support.diameter, 0.0))
    notes = [
        f"{diameter:g} mm rivets carry up to {carried:.0f} N. Aluminium blind rivets of this size commonly stand "
        f"{' to '.join(f'{value:g}' for value in COMMON_RIVET_SHEAR[diameter])} N in shear (ISO 15977, from memory): "
        "find the strength of yours, enter it in the panel file, and take more, thicker or steel ones."
        for diameter, carried in heavy.items()
    ]
    return [*_fastener_tables(panel, verdict), *notes]


def _fastener_tables(panel: Panel, verdict: Verdict) -> list[Table]:
    """The most loaded rivet or bolt of each case and support."""
    rows = []
    for use in fastener_utilisations(panel, verdict):
        one, support = use.load, panel.supports[use.support_number - 1]
        what = bolt_name(support.diameter) if support.kind == "bolts" else f"{support.diameter:g} mm rivet"
        strength = "not given" if use.strength is None else f"{use.strength:.0f}"
        share = "-" if use.utilisation is None else _percent_text(use.utilisation)
        rows.append(
            (one.case, what, *_datum_xy(panel, one.centre), f"{one.shear:.0f}", f"{one.pull:.0f}", strength, share)
        )
    if not rows:
        return []
    head = ("case", "what", "X mm", "Y mm", "shear N", "pull N", "strength N", "used")
    return [Table(head, tuple(rows), (2, 3, 4, 5, 6, 7))]


def _model_notes(panel: Panel, verdict: Verdict) -> list[str]:
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
        f"{_shortened(demand.label, 24)} at X {x}, Y {y}"
        for demand in verdict.demands
        if demand.at
        for x, y in [_datum_xy(panel, demand.at)]
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
        ends = {end: _value_text(value, demand.unit) for end, value in demand.by_in_plane_restraint.items()}
        if len(set(ends.values())) > 1:
            values = ", ".join(f"{end} {value}" for end, value in ends.items())
            lines.append(f"{_shortened(demand.label, 24)} {values}")
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
    return "-" if apart is None else _percent_text(apart, sign=True, places=1)


def _minutes_text(plan: ProcessPlan) -> str:
    """Minutes in all and by kind of work, in whole minutes that add up (largest remainders are rounded up)."""
    spent, total = plan.time_breakdown, round(plan.minutes)
    whole = {what: math.floor(share) for what, share in spent.items()}
    by_rest = sorted(spent, key=lambda what: whole[what] - spent[what])
    for what in by_rest[: total - sum(whole.values())]:
        whole[what] += 1
    parts = ", ".join(f"{what} {share}" for what, share in whole.items() if share)
    return f"Minutes, an estimate: about {total} in all: {parts}."


# ------------------------------------------------------------------------------------------------------ texts of values


def _limit_text(demand: DemandResult) -> str:
    smaller = demand.kind in ("deflection", "softness")
    return f"{'<=' if smaller else '>='} {demand.limit:g} {demand.unit}"


def _found_text(demand: DemandResult) -> str:
    """The value found, with more figures where three would make a missed limit look kept."""
    told = _value_text(demand.value, demand.unit)
    if demand.met or told != _value_text(demand.limit, demand.unit):
        return told
    return f"{demand.value:.5g} {demand.unit}"


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

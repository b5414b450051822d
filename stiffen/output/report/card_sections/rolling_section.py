"""Roller settings, and the beads in rolling order."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from itertools import pairwise

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Panel
from stiffen.output.drawing.bench_view import MarkPoint, face_up, face_view, mark_points, number_ranges, rolled_faces
from stiffen.shop import bead_section
from stiffen.shop.process_plan import ProcessPlan
from stiffen.shop.rollability import direction
from stiffen.shop.roller_settings import RollingPass, rolling_depths, turns_text

from ..sections import Table
from .value_texts import datum_xy

DIE_STRAIN_HEAD = ("die", "run-out mm", "held: stretch", "thinning", "free: draw-in mm", "spring-back mm")
VIA_HEAD = ("bead", "via X", "Y", "centre X", "Y", "R")


def _without_strip(plan: ProcessPlan) -> list[str]:
    """Names of the dies for which a trial strip is still to be rolled, or to be rolled deeper."""
    return [one.die.name for one in plan.roller_settings if not (one.from_trial and one.reaches_depth)]


def roller_title(plan: ProcessPlan) -> str:
    """The title of `roller_settings_parts`: whether a trial strip comes first."""
    return "TRIAL STRIP FIRST" if _without_strip(plan) else "ROLLER SETTINGS"


def roller_settings_parts(plan: ProcessPlan) -> list[str | Table]:
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


def bead_parts(panel: Panel, plan: ProcessPlan) -> list[str | Table]:
    """One row a bead, its mark points between the ends, and which face is up."""
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
            (f"{position + 1}", bead.die.name, bead.side, *datum_xy(panel, start.at), *datum_xy(panel, stop.at))
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
    arc = (*datum_xy(panel, point.centre), f"{point.radius:.1f}") if point.centre else ("", "", "")
    return (f"{number}", *datum_xy(panel, point.at), *arc)


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

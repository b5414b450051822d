"""The column beside a marking drawing: title block, tables of X and Y, notes and cautions.  All lengths in mm."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import numpy as np
from shapely.geometry import Polygon

from stiffen.model.results import Verdict
from stiffen.shop.rivets import CLEARANCE_HOLES, rivet_runs

from .bench_view import FaceView, mark_points, plural, rolled_faces
from .dxf_writer import DxfCanvas
from .keep_out_marks import keep_out_marks
from .primitives import XY, text_width

MAX_LISTED_CORNERS = 12  # of a cut-out, listed one by one; with more corners it counts as a curve
CAUTIONS = (
    "A design aid, not an approval: proof-load the finished panel before anyone relies on it.",
    "Vehicle, seat and structural parts need a qualified person and the local rules.",
    "Sharp edges: gloves and eye protection. At turning rolls: no loose gloves or sleeves, fingers clear.",
)


def draw_column(canvas: DxfCanvas, view: FaceView, verdict: Verdict | None) -> None:
    """Draw title block, tables and notes right of the sheet, from the top down."""
    _, _, right, top = view.rough_outline.bounds
    gap = 8.0 if view.x_sign > 0 else 14.0  # text heights; the label of a datum corner at the right needs more
    at = right + gap * canvas.text_height, top
    at = _draw_title_block(canvas, at, view, verdict)
    if beads := _bead_rows(view):
        head = ("bead", "die", "face", "frame", "X mm", "Y mm", "mark")
        at = _draw_table(canvas, at, "BEADS, in rolling order", head, beads)
    holes: list[tuple[str, ...]] = [
        (
            f"H{number}",
            die.name,
            hole.side,
            *_xy_text(view, hole.at),
            f"{round(die.cut_diameter, 1):g}",
            f"{die.flange:g}",
        )
        for number, hole in enumerate(view.layout.holes, 1)
        for die, sizes in ((hole.die, (hole.die.cut_diameter, hole.die.flange)),)
    ]
    if holes:
        head = ("hole", "die", "face", "X mm", "Y mm", "cut dia.", "flare dia.")
        at = _draw_table(canvas, at, "FLARED HOLES, centres", head, holes)
    if cutouts := _cutout_rows(view):
        at = _draw_table(canvas, at, "CUT-OUTS", ("cut-out", "where", "X mm", "Y mm"), cutouts)
    if fasteners := _fastener_rows(view):
        at = _draw_table(canvas, at, "RIVETS AND BOLTS, centres", ("what", "how many", "X mm", "Y mm"), fasteners)
    _draw_notes(canvas, at, view)


def _bead_rows(view: FaceView) -> list[tuple[str, ...]]:
    """One row for each mark point of the beads rolled with this face up."""
    rows: list[tuple[str, ...]] = []
    for number, (bead, side) in enumerate(zip(view.layout.beads, view.frame_sides, strict=True), 1):
        if view.is_rolled_here(bead):
            first = (f"{number}", bead.die.name, bead.side, side or "NEITHER")
            for i, point in enumerate(mark_points(bead)):
                rows.append((*(first if i == 0 else ("",) * 4), *_xy_text(view, point.at), point.word))
                if point.centre:
                    rows.append((*("",) * 4, *_xy_text(view, point.centre), f"centre of R {point.radius:.1f}"))
    return rows


def _cutout_rows(view: FaceView) -> list[tuple[str, ...]]:
    """The centre of a circle, the corners of a polygon, the bounding box of any other ring."""
    rows: list[tuple[str, ...]] = []
    for number, cutout in enumerate(view.panel.cutouts, 1):
        if cutout.circle:
            x, y, diameter = cutout.circle
            rows.append((f"C{number}", f"centre, dia. {diameter:g}", *_xy_text(view, (x, y))))
        elif len(cutout.ring) <= MAX_LISTED_CORNERS:
            for i, at in enumerate(cutout.ring):
                first = (f"C{number}", "corners, in turn") if i == 0 else ("", "")
                rows.append((*first, *_xy_text(view, at)))
        else:
            x0, y0, x1, y1 = Polygon(cutout.ring).bounds
            near, far = ((x0, y0), (x1, y1)) if view.x_sign > 0 else ((x1, y0), (x0, y1))
            rows += [(f"C{number}", "from", *_xy_text(view, near)), ("", "to", *_xy_text(view, far))]
    return rows


def _fastener_rows(view: FaceView) -> list[tuple[str, ...]]:
    """The centre of each bolt; the ends and corners of each row of rivets, or its rivets if these are fewer."""
    rows: list[tuple[str, ...]] = []
    for support in view.panel.supports:
        centres = support.fasteners()
        if not centres:
            continue
        size = f" {support.diameter:g} mm"
        if support.kind == "bolts":
            name = f"bolt M{support.diameter:g}" if support.diameter in CLEARANCE_HOLES else f"bolt{size}"
            rows += [(name if i == 0 else "", "", *_xy_text(view, at)) for i, at in enumerate(centres)]
            continue
        runs = rivet_runs(support)
        gaps = [gap for run in runs for gap in (*run.gaps, run.to_next or 0.0) if gap]
        even = gaps and max(gaps) - min(gaps) < 0.05
        pitch = f"{len(centres)} at {gaps[0]:.1f}" if even else f"{len(centres)}, see card"
        corners, to = tuple(dict.fromkeys(support.path)), "to"
        if len(corners) > len(centres):  # a rounded line: its rivets are fewer than its points
            corners, to = centres, ""
        for i, at in enumerate(corners):
            rows.append((*((f"rivets{size}", pitch) if i == 0 else ("", to)), *_xy_text(view, at)))
    return rows


def _xy_text(view: FaceView, at: XY) -> tuple[str, str]:
    """X and Y from the datum corner, as text."""
    x, y = view.from_datum(at)
    return f"{x:.1f}", f"{y:.1f}"


def _draw_title_block(canvas: DxfCanvas, at: XY, view: FaceView, verdict: Verdict | None) -> XY:
    """Draw the title block; return where the next block starts."""
    panel, layout = view.panel, view.layout
    mass = verdict.mass_kg if verdict else panel.mass(layout)
    lines = [
        (min(2.0, max(1.0, 50 / max(1, len(panel.name)))), panel.name),
        (1.6, f"{'THIS FACE UP IN THE ROLLER' if layout.beads else 'SEEN ON'}: {view.face.upper()} FACE"),
        *([(1.0, f"raised roll {view.raised_roll}")] if view.raised_roll else []),
        (1.0, f"{panel.material.name}, {layout.gauge:g} mm thick"),
        *((1.0, text) for text in _size_lines(view)),
        (1.0, f"finished mass {mass:.3f} kg"),
        *([(1.0, f"{plural(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll")] if layout.beads else []),
        *([(1.0, plural(layout.holes, "flared hole"))] if layout.holes else []),
    ]
    if len(rolled_faces(layout)) == 2:
        lines.append((1.0, f"beads on both faces: see the other drawing for the {_other_face(view)} face"))
    if verdict:
        met = "all demands met" if verdict.demands else "nothing asked: no demand in the panel file"
        lines.append((1.0, met if verdict.met else "NOT ALL DEMANDS ARE MET: see the card"))
    if view.plan.violations:
        lines.append((1.0, "A RULE OF THE SHOP IS NOT KEPT: see the card"))
    lines.append((1.0, "scale 1:1, millimetres; check bar: 100 mm"))
    x, top = at
    h = canvas.text_height
    y = top - 0.8 * h
    for size, text in lines:
        y -= size * h
        canvas.text((x + h, y), text, "NOTE", size)
        y -= 0.8 * h
    y -= 0.6 * h
    for p, q in (((0, 0), (100, 0)), ((0, -h / 2), (0, h / 2)), ((100, -h / 2), (100, h / 2))):
        canvas.line([(x + h + p[0], y + p[1]), (x + h + q[0], y + q[1])], "NOTE")
    bottom = y - 1.3 * h
    width = max(100.0, *(text_width(text, size * h) for size, text in lines)) + 2 * h
    canvas.line([(x, bottom), (x + width, bottom), (x + width, top), (x, top)], "NOTE", closed=True)
    return x, bottom - 2.5 * h


def _size_lines(view: FaceView) -> Iterator[str]:
    """Sizes of the rough cut, if there are beads, and of the finished outline."""
    for name, shape in (
        ("rough cut", view.rough_outline),
        ("finished", Polygon(view.panel.outline)),
    ):
        x0, y0, x1, y1 = shape.bounds
        if name == "finished" or view.layout.beads:
            state = ", before folding," if name == "finished" and view.panel.is_folded else ""
            yield f"{name}{state} {x1 - x0:.1f} x {y1 - y0:.1f} mm"


def _other_face(view: FaceView) -> str:
    return "down" if view.face == "up" else "up"


def _draw_table(canvas: DxfCanvas, at: XY, title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> XY:
    """Draw a ruled table with a title; figures are right-aligned, empty columns are left out.

    Returns where the next block starts.
    """
    filled = [i for i in range(len(head)) if any(row[i] for row in rows)]
    head, rows = tuple(head[i] for i in filled), [tuple(row[i] for i in filled) for row in rows]
    x, top = at
    h = canvas.text_height
    canvas.text((x, top - h), title, "DIMENSION")
    top -= 1.8 * h
    pitch = 2.0 * h
    widths = [max(text_width(row[i], h) for row in (head, *rows)) + 1.4 * h for i in range(len(head))]
    edges = x + np.concatenate([[0.0], np.cumsum(widths)])
    for i, row in enumerate((head, *rows)):
        for j, cell_text in enumerate(row):
            right = all(cell[j].replace(".", "", 1).lstrip("-").isdigit() for cell in rows if cell[j])
            side = edges[j + 1] - 0.7 * h if right else edges[j] + 0.7 * h
            canvas.text((side, top - (i + 1) * pitch + 0.5 * h), cell_text, "DIMENSION", right=right)
    bottom = top - (len(rows) + 1) * pitch
    for edge in edges:
        canvas.line([(edge, top), (edge, bottom)], "DIMENSION")
    for level in (top, top - pitch, bottom):
        canvas.line([(edges[0], level), (edges[-1], level)], "DIMENSION")
    return x, bottom - 2.5 * h


def _draw_notes(canvas: DxfCanvas, at: XY, view: FaceView) -> None:
    """Draw the notes on how to use the drawing, and the cautions."""
    x, y = at
    h = canvas.text_height
    canvas.text((x, y - h), "NOTES", "NOTE")
    y -= 1.8 * h
    for note in (*bench_notes(view), *CAUTIONS):
        y -= 0.5 * h
        for line in textwrap.wrap(note, 58):
            y -= 1.6 * h
            canvas.text((x, y), line, "NOTE")


def bench_notes(view: FaceView) -> list[str]:
    """Notes on how to read the lines of a face, in the order of work."""
    beads = [bead for bead in view.layout.beads if view.is_rolled_here(bead)]
    notes = []
    if view.layout.beads:
        x, y = view.plan.trim_allowance
        notes.append(f"Cut the sheet to the rough cut: {x:g} mm more left and right, {y:g} mm more above and below.")
        notes.append("Scribe the two datum lines: the edges of the finished outline.")
    if view.x_sign > 0:
        notes.append("Measure from the datum corner: X to the right, Y up.")
    else:
        notes.append("This is the back, mirrored. Measure from the datum corner: X to the LEFT, Y up.")
    if beads:
        notes.append(
            "Roll the beads in the order of their numbers, as the arrow points. The word frame: this side to the frame."
        )
    if any(not bead.closed for bead in beads):
        notes.append(
            "Small tick across a bead: full depth begins here. From there to its end the bead runs out to zero."
        )
        notes.append("Start at the double tick: rolls down. Stop at the single tick: rolls up.")
    if any(bead.closed for bead in beads):
        notes.append(
            "A closed bead starts at its long tick. Roll on past that tick to the small one, until the join is as deep "
            "as the rest."
        )
    if any(point.centre for bead in beads for point in mark_points(bead)):
        notes.append("A cross with R marks the centre of an arc: strike it with dividers.")
    if any(any(bead.open_ends) for bead in beads):
        notes.append("Roll an end without a tick over the edge of the sheet.")
    notes += [
        f"Over the whole sheet: {mark.text}."
        for mark in keep_out_marks(view.panel, view.layout)
        if mark.over_whole_sheet
    ]
    if view.layout.beads:
        notes.append("Trim to the finished outline after rolling.")
    if view.panel.is_folded:
        when = "after trimming" if view.layout.beads else "after all openings are cut and flared"
        notes.append(f"Fold {when}, in the order of the numbers.")
    if any(support.fasteners() for support in view.panel.supports):
        notes.append("Drill the rivet and bolt holes last, together with the mating part.")
    return notes

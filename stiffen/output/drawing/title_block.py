"""What stands beside a marking drawing: title block, tables of X and Y, notes, cautions.  mm."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import numpy as np
import shapely
from shapely.geometry import Polygon

from stiffen.model.results import Verdict

from .bench_view import FaceView, mark_points, plural, rolled_faces
from .dxf_writer import DxfCanvas
from .primitives import XY, text_width

MAX_LISTED_CORNERS = 12  # of a cut-out that are listed one by one: more are those of a curve
CAUTIONS = (
    "A design aid, not an approval: proof-load the finished panel before anyone relies on it.",
    "Vehicle, seat and structural parts need a qualified person and the local rules.",
    "Sharp edges: gloves and eye protection. At turning rolls: no loose gloves or sleeves, fingers clear.",
)


def draw_column(sheet: DxfCanvas, seen: FaceView, verdict: Verdict | None) -> None:
    """Title block, tables and notes, right of the sheet, from the top down."""
    _, _, right, top = seen.rough_outline.bounds
    at = (
        right + (8.0 if seen.x_sign > 0 else 14.0) * sheet.text_height,
        top,
    )  # past the words at a datum corner on the right
    at = _draw_title_block(sheet, at, seen, verdict)
    if beads := _bead_rows(seen):
        head = ("bead", "die", "stands", "frame", "X mm", "Y mm", "mark")
        at = _draw_table(sheet, at, "BEADS, in the order to roll them", head, beads)
    holes: list[tuple[str, ...]] = [
        (f"H{number}", die.name, hole.side, *_xy_text(seen, hole.at), f"{die.pilot:g}", f"{die.flange:g}")
        for number, hole in enumerate(seen.layout.holes, 1)
        for die in (hole.die,)
    ]
    if holes:
        head = ("hole", "die", "stands", "X mm", "Y mm", "cut dia.", "flare dia.")
        at = _draw_table(sheet, at, "FLARED HOLES, centres", head, holes)
    if cutouts := _cutout_rows(seen):
        at = _draw_table(sheet, at, "CUT-OUTS", ("cut-out", "where", "X mm", "Y mm"), cutouts)
    if fasteners := _fastener_rows(seen):
        at = _draw_table(sheet, at, "RIVETS AND BOLTS, centres", ("what", "how many", "X mm", "Y mm"), fasteners)
    _draw_notes(sheet, at, seen)


def _bead_rows(seen: FaceView) -> list[tuple[str, ...]]:
    """A row for every mark of the beads rolled with this face up."""
    rows: list[tuple[str, ...]] = []
    for number, (bead, side) in enumerate(zip(seen.layout.beads, seen.frame_sides, strict=True), 1):
        if seen.is_rolled_here(bead):
            first = (f"{number}", bead.die.name, bead.side, side or "NEITHER")
            for i, (x, y, word) in enumerate(mark_points(bead)):
                rows.append((*(first if i == 0 else ("",) * 4), *_xy_text(seen, (x, y)), word))
    return rows


def _cutout_rows(seen: FaceView) -> list[tuple[str, ...]]:
    """Centres of circles, every corner of a polygon with a few, of others those of the box round it."""
    rows: list[tuple[str, ...]] = []
    for number, cutout in enumerate(seen.panel.cutouts, 1):
        if cutout.circle:
            x, y, diameter = cutout.circle
            rows.append((f"C{number}", f"centre, dia. {diameter:g}", *_xy_text(seen, (x, y))))
        elif len(cutout.ring) <= MAX_LISTED_CORNERS:
            told = [
                (f"C{number}" if i == 0 else "", "corners, in turn" if i == 0 else "") for i in range(len(cutout.ring))
            ]
            rows += [(*words, *_xy_text(seen, at)) for words, at in zip(told, cutout.ring, strict=True)]
        else:
            x0, y0, x1, y1 = Polygon(cutout.ring).bounds
            near, far = ((x0, y0), (x1, y1)) if seen.x_sign > 0 else ((x1, y0), (x0, y1))
            rows += [(f"C{number}", "reaches from", *_xy_text(seen, near)), ("", "to", *_xy_text(seen, far))]
    return rows


def _fastener_rows(seen: FaceView) -> list[tuple[str, ...]]:
    """Each bolt, and the corners of each row of rivets."""
    rows: list[tuple[str, ...]] = []
    for support in seen.panel.supports:
        centres = support.fasteners()
        if not centres:
            continue
        size = f" dia. {support.diameter:g}" if support.diameter else ""
        if support.kind == "bolts":
            rows += [(f"bolt{size}" if i == 0 else "", "", *_xy_text(seen, at)) for i, at in enumerate(centres)]
            continue
        length = shapely.LineString(support.path).length
        pitch = f"{len(centres)} at {length / max(1, round(length / support.pitch)):.1f}"
        for i, at in enumerate(dict.fromkeys(support.path)):
            rows.append((*((f"rivets{size}", pitch) if i == 0 else ("", "to")), *_xy_text(seen, at)))
    return rows


def _xy_text(seen: FaceView, at: XY) -> tuple[str, str]:
    """X and Y from the datum corner."""
    x, y = seen.from_datum(at)
    return f"{x:.1f}", f"{y:.1f}"


def _draw_title_block(sheet: DxfCanvas, at: XY, seen: FaceView, verdict: Verdict | None) -> XY:
    """The title block; hands back where the next block starts."""
    panel, layout = seen.panel, seen.layout
    mass = verdict.mass_kg if verdict else panel.mass(layout)
    lines = [
        (min(2.0, max(1.0, 50 / max(1, len(panel.name)))), panel.name),
        (1.6, f"{'THIS FACE UP IN THE ROLLER' if layout.beads else 'SEEN ON'}: {seen.face.upper()} FACE"),
        *([(1.0, f"raised roll {seen.raised_roll}")] if seen.raised_roll else []),
        (1.0, f"{panel.material.name}, {layout.gauge:g} mm thick"),
        *((1.0, words) for words in _size_lines(seen)),
        (1.0, f"finished mass {mass:.3f} kg"),
        *([(1.0, f"{plural(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll")] if layout.beads else []),
        *([(1.0, plural(layout.holes, "flared hole"))] if layout.holes else []),
    ]
    if len(rolled_faces(layout)) == 2:
        lines.append((1.0, f"beads stand on both faces: the other drawing shows the {_other_face(seen)} face"))
    if verdict:
        lines.append((1.0, "all demands met" if verdict.met else "NOT ALL DEMANDS ARE MET: see the card"))
    if seen.plan.violations:
        lines.append((1.0, "A RULE OF THE SHOP IS NOT KEPT: see the card"))
    lines.append((1.0, "scale 1:1, millimetres; measure this bar: 100 mm"))
    x, top = at
    h = sheet.text_height
    y = top - 0.8 * h
    for size, words in lines:
        y -= size * h
        sheet.text((x + h, y), words, "NOTE", size)
        y -= 0.8 * h
    y -= 0.6 * h
    for p, q in (((0, 0), (100, 0)), ((0, -h / 2), (0, h / 2)), ((100, -h / 2), (100, h / 2))):
        sheet.line([(x + h + p[0], y + p[1]), (x + h + q[0], y + q[1])], "NOTE")
    bottom = y - 1.3 * h
    across = max(100.0, *(text_width(words, size * h) for size, words in lines)) + 2 * h
    sheet.line([(x, bottom), (x + across, bottom), (x + across, top), (x, top)], "NOTE", closed=True)
    return x, bottom - 2.5 * h


def _size_lines(seen: FaceView) -> Iterator[str]:
    """Of the blank where it is larger, and of the finished outline."""
    for words, shape in (
        ("rough cut", seen.rough_outline),
        ("finished", Polygon(seen.panel.outline)),
    ):
        x0, y0, x1, y1 = shape.bounds
        if words == "finished" or seen.layout.beads:
            yield f"{words} {x1 - x0:.1f} x {y1 - y0:.1f} mm"


def _other_face(seen: FaceView) -> str:
    return "down" if seen.face == "up" else "up"


def _draw_table(sheet: DxfCanvas, at: XY, title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> XY:
    """A ruled table with a title, figures at the right of their columns, columns with nothing in them left out.

    Hands back where the next block starts.
    """
    filled = [i for i in range(len(head)) if any(row[i] for row in rows)]
    head, rows = tuple(head[i] for i in filled), [tuple(row[i] for i in filled) for row in rows]
    x, top = at
    h = sheet.text_height
    sheet.text((x, top - h), title, "DIMENSION")
    top -= 1.8 * h
    pitch = 2.0 * h
    widths = [max(text_width(row[i], h) for row in (head, *rows)) + 1.4 * h for i in range(len(head))]
    edges = x + np.concatenate([[0.0], np.cumsum(widths)])
    for i, row in enumerate((head, *rows)):
        for j, words in enumerate(row):
            right = all(cell[j].replace(".", "", 1).lstrip("-").isdigit() for cell in rows if cell[j])
            side = edges[j + 1] - 0.7 * h if right else edges[j] + 0.7 * h
            sheet.text((side, top - (i + 1) * pitch + 0.5 * h), words, "DIMENSION", right=right)
    bottom = top - (len(rows) + 1) * pitch
    for edge in edges:
        sheet.line([(edge, top), (edge, bottom)], "DIMENSION")
    for level in (top, top - pitch, bottom):
        sheet.line([(edges[0], level), (edges[-1], level)], "DIMENSION")
    return x, bottom - 2.5 * h


def _draw_notes(sheet: DxfCanvas, at: XY, seen: FaceView) -> None:
    """How to use the drawing, and the cautions."""
    x, y = at
    h = sheet.text_height
    sheet.text((x, y - h), "NOTES", "NOTE")
    y -= 1.8 * h
    for note in (*bench_notes(seen), *CAUTIONS):
        y -= 0.5 * h
        for words in textwrap.wrap(note, 58):
            y -= 1.6 * h
            sheet.text((x, y), words, "NOTE")


def bench_notes(seen: FaceView) -> list[str]:
    """How to read the lines of a face and in which order to work to them."""
    beads = [bead for bead in seen.layout.beads if seen.is_rolled_here(bead)]
    notes = []
    if seen.layout.beads:
        x, y = seen.plan.trim_allowance
        notes.append(f"Cut the sheet to the rough cut: {x:g} mm more left and right, {y:g} mm more above and below.")
        notes.append("Scribe the two datum lines: the edges of the finished outline.")
    if seen.x_sign > 0:
        notes.append("X runs right and Y up from the datum corner, on this face.")
    else:
        notes.append("This is the back, mirrored: X runs LEFT and Y up from the datum corner, on this face.")
    if beads:
        notes.append("Roll the beads in the order of their numbers, as the arrow points. F: this side to the frame.")
    if any(not bead.closed for bead in beads):
        notes.append("Small ticks across a bead: full depth from here; it fades to nothing at its end.")
        notes.append("Start at the double tick: bring the rolls down there. Stop at the single one.")
    if any(bead.closed for bead in beads):
        notes.append("A closed bead starts and ends at its one long tick.")
    if any(any(bead.open_ends) for bead in beads):
        notes.append("An end without a tick runs on over the edge of the sheet.")
    if seen.layout.beads:
        notes.append("Trim to the finished outline after rolling.")
    if seen.panel.folds:
        notes.append("Fold when all openings are cut and flared." if not seen.layout.beads else "Fold after trimming.")
    if any(support.fasteners() for support in seen.panel.supports):
        notes.append("Drill the rivet and bolt holes last, together with the part that the panel goes on.")
    return notes

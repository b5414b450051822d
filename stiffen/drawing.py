"""The marking drawing: one DXF at 1:1, millimetres, with every line that goes onto a face of the sheet.

What is drawn comes from `marking`; here it gets layers, running dimensions, a title block, tables and notes.
Lines are told apart by layer; `LAYERS` says what for.
"""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np
import shapely
from scipy.optimize import isotonic_regression
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from .bench import trim_allowance
from .files import refuse
from .layout import Layout
from .marking import (
    XY,
    Circle,
    Hatch,
    Line,
    View,
    Words,
    counted,
    faces,
    marking,
    marks,
    place,
    ranges,
    rough_outline,
    view,
    wide,
)
from .panel import Panel
from .verdict import Verdict

# name: colour number, line type, weight in 1/100 mm, what it is for
LAYERS: dict[str, tuple[int, str, int, str]] = {
    "CUT": (7, "CONTINUOUS", 35, "finished outline and cut-outs: cut after rolling"),
    "ROUGH CUT": (30, "BENCH LONG", 25, "cut the sheet here first: rolling draws it in"),
    "FOLD": (6, "BENCH CENTRE", 25, "fold lines with angle and side"),
    "BEAD AXIS": (1, "BENCH CENTRE", 35, "the line to roll along"),
    "BEAD FLANK": (8, "BENCH SHORT", 13, "how wide the bead will be"),
    "BEAD STOP": (1, "CONTINUOUS", 35, "double tick: rolls down; single: rolls up; small: full depth from here"),
    "FEED": (1, "CONTINUOUS", 25, "arrow: feed this way; F: this side goes to the roller's frame"),
    "OTHER FACE": (8, "BENCH SHORT", 13, "beads that are rolled with the other face up"),
    "HOLE PILOT": (5, "CONTINUOUS", 35, "holes to cut before flaring, with centre crosses"),
    "HOLE FLANGE": (150, "BENCH SHORT", 13, "how wide the flare will be"),
    "RIVET": (94, "CONTINUOUS", 25, "rivet and bolt centres: drill after rolling and trimming"),
    "KEEP OUT": (33, "BENCH SHORT", 18, "no bead or hole in here"),
    "DATUM": (134, "BENCH CENTRE", 25, "the two lines to scribe first; all X and Y start here"),
    "NUMBER": (7, "CONTINUOUS", 25, "numbers of beads, in the order to roll them, and of holes"),
    "DIMENSION": (7, "CONTINUOUS", 13, "running dimensions, overall sizes, tables of X and Y"),
    "NOTE": (7, "CONTINUOUS", 18, "title block, cautions, the 100 mm check bar"),
}
# total length, then dash (+), gap (-), dot (0), mm
LINE_TYPES = {
    "BENCH LONG": (15.0, 12.0, -3.0),
    "BENCH SHORT": (5.0, 3.0, -2.0),
    "BENCH CENTRE": (18.0, 12.0, -2.0, 2.0, -2.0),
}
CAUTIONS = (
    "A design aid, not an approval: proof-load the finished panel before anyone relies on it.",
    "Vehicle, seat and structural parts need a qualified person and the local rules.",
    "Sharp edges: gloves and eye protection. At turning rolls: no loose gloves or sleeves, fingers clear.",
)


@contextmanager
def written(path: str | Path) -> Iterator[Path]:
    """Hand out a temporary name beside `path`; on success it takes the place of `path`, else it goes.

    InputError if the place cannot be written.
    """
    path = Path(path)
    fresh = path.with_name(f".{path.name}.{os.getpid()}{path.suffix}")
    try:
        yield fresh
        os.replace(fresh, path)
    except BaseException as error:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise refuse(path, f"cannot be written: {error.strerror or error}") from None
        raise


def write_marking(
    panel: Panel, layout: Layout, path: str | Path, verdict: Verdict | None = None, face: str = "up"
) -> None:
    """Write the marking drawing of one face of `layout` as DXF (R2010, millimetres, 1:1).

    verdict: adds the judged mass and whether the demands are met.  face: "up" or "down"; see `marking.faces` for those
    that are needed.  Written to a temporary name, then renamed.  Raises InputError where the place cannot be written.
    """
    import ezdxf

    document = ezdxf.new("R2010")
    document.units = 4  # millimetres
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 1.0
    for name, pattern in LINE_TYPES.items():
        document.linetypes.add(name, pattern=list(pattern), description=name.lower())
    for name, (colour, line_type, weight, purpose) in LAYERS.items():
        layer = document.layers.add(name, color=colour, linetype=line_type, lineweight=weight)
        layer.description = purpose
    document.styles.add("BENCH", font="arial.ttf")

    x0, y0, x1, y1 = panel.region.bounds
    height = min(7.0, max(3.5, math.hypot(x1 - x0, y1 - y0) / 150))
    _add_styles(document, height)
    sheet = _Sheet(document.modelspace(), height)
    seen = view(panel, layout, face)
    drawn = marking(seen, height)
    found = place(drawn.labels, [*drawn.taken, *_draw_running(sheet, seen)], height)
    placed = [words for lines in found.values() for words in lines]
    for item in drawn.items:
        sheet.draw(item, placed)
    for words in placed:
        sheet.letter(words)
    _draw_column(sheet, seen, verdict)
    with written(path) as fresh:
        document.saveas(fresh)


@dataclass(frozen=True)
class _Sheet:
    """The model space, and the height of the capitals, mm."""

    space: object
    height: float

    def draw(self, item: Line | Circle | Hatch, placed: Sequence[Words] = ()) -> None:
        attributes = {"layer": item.layer}
        if isinstance(item, Line):
            self.space.add_lwpolyline(item.points, close=item.closed, dxfattribs=attributes)
        elif isinstance(item, Circle):
            self.space.add_circle(item.at, item.diameter / 2, dxfattribs=attributes)
        else:
            hatch = self.space.add_hatch(dxfattribs={**attributes, "color": 256})
            hatch.set_pattern_fill("BENCH", color=256, definition=[[45.0, (0.0, 0.0), (-3.0, 3.0), []]])
            hatch.paths.add_polyline_path(item.polygon, is_closed=True, flags=1)
            for window in item.windows(placed):
                hatch.paths.add_polyline_path(window.exterior.coords[:-1], is_closed=True, flags=16)

    def line(self, points: Iterable[XY], layer: str, closed: bool = False) -> None:
        self.draw(Line(layer, tuple((float(x), float(y)) for x, y in points), closed))

    def letter(self, words: Words) -> None:
        """A label, about the middle of its base line."""
        self._add(words.text, words.at, words.layer, words.height, words.turn, "CENTER")

    def text(self, at: XY, words: str, layer: str, size: float = 1.0) -> None:
        """Level words whose first letter stands at `at`; `size` in heights of the drawing's letters."""
        self._add(words, at, layer, size * self.height, 0.0, "LEFT")

    def _add(self, words: str, at: XY, layer: str, height: float, turn: float, align: str) -> None:
        from ezdxf.enums import TextEntityAlignment

        words = " ".join(words.split()).replace("%%", "% %")  # two percent signs would start a control code
        if words:
            attributes = {"layer": layer, "style": "BENCH", "rotation": turn}
            text = self.space.add_text(words, height=height, dxfattribs=attributes)
            text.set_placement(at, align=TextEntityAlignment[align])


def _add_styles(document: object, height: float) -> None:
    """The styles of overall and running dimensions."""
    common = {
        "dimtxt": height,
        "dimtxsty": "BENCH",
        "dimasz": height,
        "dimexe": 0.5 * height,
        "dimgap": 0.5 * height,
        "dimdec": 1,
        "dimdsep": ord("."),
        "dimclrd": 256,
        "dimclre": 256,
        "dimclrt": 256,
    }
    document.dimstyles.new("BENCH", dxfattribs={**common, "dimexo": height, "dimtad": 1, "dimzin": 8})
    document.dimstyles.new("BENCH RUNNING", dxfattribs={**common, "dimexo": 1.0, "dimtad": 0, "dimzin": 0})


# -------------------------------------------------------------------------------------------------- running dimensions


@dataclass(frozen=True)
class Running:
    """One running dimension: mm from the datum, the drawn point it is taken to, and what lies at that distance."""

    value: float
    at: XY
    words: str


def running(seen: View, along: int) -> tuple[Running, ...]:
    """Running dimensions along X (0) or Y (1) to every mark of the beads rolled with this face up, every hole and
    circular cut-out; those that read alike are one, taken to the point nearest to the edge where they stand."""
    names, points = zip(*_named_points(seen), strict=True) if _named_points(seen) else ((), ())
    measured = [round(seen.measured(at)[along], 1) for at in points]
    rising = sorted(range(len(points)), key=lambda i: (measured[i], points[i][1 - along]))
    found = []
    for value, group in groupby(rising, key=lambda i: measured[i]):
        same = list(group)
        words = f"{ranges([names[i] for i in same])}   {value + 0.0:.1f}"
        found.append(Running(value, points[same[0]], words))
    return tuple(sorted(found, key=lambda one: one.at[along]))


def _named_points(seen: View) -> list[tuple[tuple[str, int], XY]]:
    """(kind, number) and place of everything that is measured."""
    beads = [
        (("", number), (x, y))
        for number, bead in enumerate(seen.layout.beads, 1)
        if seen.own(bead)
        for x, y, _ in marks(bead)
    ]
    holes = [(("H", number), hole.at) for number, hole in enumerate(seen.layout.holes, 1)]
    cutouts = [(("C", n), cutout.circle[:2]) for n, cutout in enumerate(seen.panel.cutouts, 1) if cutout.circle]
    return [*beads, *holes, *cutouts]


def spread(values: Sequence[float], pitch: float, low: float, high: float) -> np.ndarray:
    """Places for rising values, nearest to them by least squares, at least `pitch` apart, between low and high.

    Where there is not room enough they go on beyond `high`.
    """
    steps = pitch * np.arange(len(values))
    free = isotonic_regression(np.asarray(values, dtype=float) - steps).x if len(values) else steps
    return np.clip(free, low, max(low, high - steps.max(initial=0.0))) + steps


def _draw_running(sheet: _Sheet, seen: View) -> list[BaseGeometry]:
    """Running dimensions below and left of the sheet, and beyond them the overall sizes; hands back what they cover.

    Their lines are drawn outside the rough cut only, so that the sheet itself stays clear.
    """
    h = sheet.height
    x0, y0, x1, y1 = Polygon(seen.panel.outline).bounds
    edges = rough_outline(seen.panel, seen.layout).bounds
    start = max(trim_allowance(seen.panel, seen.layout)) + 6.5 * h  # past the datum lines, with room to swerve
    covered: list[BaseGeometry] = []
    for along, low, high in ((0, x0, x1), (1, y0, y1)):
        found = running(seen, along)
        end = (y0, x0)[along] - start
        for one, place_ in zip(found, spread([r.at[along] for r in found], 1.7 * h, low, high), strict=True):
            to = (place_, end) if along == 0 else (end, place_)
            covered += _draw_one(sheet, seen, one, along, edges[1 - along], to)
        depth = start + max((wide(one.words, h) + 1.5 * h for one in found), default=-2.0 * h)
        base = (x0, y0 - depth - 2.0 * h) if along == 0 else (x0 - depth - 2.0 * h, y0)
        corners = ((x0, y0), (x1, y0)) if along == 0 else ((x0, y0), (x0, y1))
        size = sheet.space.add_linear_dim(
            base=base,
            p1=corners[0],
            p2=corners[1],
            angle=90.0 * along,
            dimstyle="BENCH",
            override={"dimexo": depth},  # starts beyond the running dimensions
            dxfattribs={"layer": "DIMENSION"},
        )
        _render(size)
    return covered


def _draw_one(sheet: _Sheet, seen: View, one: Running, along: int, edge: float, to: XY) -> list[BaseGeometry]:
    """One running dimension of a point, drawn from the edge of the sheet to `to`, where its words begin."""
    h, length = sheet.height, wide(one.words, sheet.height)
    add = (sheet.space.add_ordinate_x_dim, sheet.space.add_ordinate_y_dim)[along]
    dimension = add(
        feature_location=one.at,
        offset=(to[0] - one.at[0], to[1] - one.at[1]),
        origin=seen.origin,
        text=one.words,
        dimstyle="BENCH RUNNING",
        override={"dimexo": one.at[1 - along] - edge + 1.0},
        dxfattribs={"layer": "DIMENSION"},
    )
    _render(dimension)
    x, y = to
    words = box(x - h, y - length - h, x + h, y) if along == 0 else box(x - length - h, y - h, x, y + h)
    foot, knee = (
        ((one.at[0], edge), (one.at[0], y + 4 * h)) if along == 0 else ((edge, one.at[1]), (x + 4 * h, one.at[1]))
    )
    return [words, shapely.LineString([foot, knee, to]).buffer(0.3)]


def _render(dimension: object) -> None:
    """Draw a dimension, its words as a plain line of text: paragraphs are broken differently by every viewer."""
    from ezdxf.enums import TextEntityAlignment

    dimension.render()
    block = dimension.dimension.get_geometry_block()
    for words in block.query("MTEXT"):
        attributes = {"layer": words.dxf.layer, "style": "BENCH", "rotation": words.dxf.get("rotation", 0.0)}
        text = block.add_text(words.text, height=words.dxf.char_height, dxfattribs=attributes)
        text.set_placement(words.dxf.insert, align=TextEntityAlignment.MIDDLE_CENTER)
        block.delete_entity(words)


# ------------------------------------------------------------------------------------------- title, tables and notes


def _draw_column(sheet: _Sheet, seen: View, verdict: Verdict | None) -> None:
    """Title block, tables and notes, right of the sheet, from the top down."""
    _, _, right, top = rough_outline(seen.panel, seen.layout).bounds
    at = right + (8.0 if seen.hand > 0 else 14.0) * sheet.height, top  # past the words at a datum corner on the right
    at = _title(sheet, at, seen, verdict)
    if beads := _bead_rows(seen):
        head = ("bead", "die", "stands", "frame", "X mm", "Y mm", "mark")
        at = _table(sheet, at, "BEADS, in the order to roll them", head, beads)
    holes = [
        (f"H{number}", die.name, hole.side, *_measured(seen, hole.at), f"{die.pilot:g}", f"{die.flange:g}")
        for number, hole in enumerate(seen.layout.holes, 1)
        for die in (hole.die,)
    ]
    if holes:
        head = ("hole", "die", "stands", "X mm", "Y mm", "cut dia.", "flare dia.")
        at = _table(sheet, at, "FLARED HOLES, centres", head, holes)
    if cutouts := _cutout_rows(seen):
        at = _table(sheet, at, "CUT-OUTS", ("cut-out", "", "X mm", "Y mm"), cutouts)
    if fasteners := _fastener_rows(seen):
        at = _table(sheet, at, "RIVETS AND BOLTS, centres", ("what", "", "X mm", "Y mm"), fasteners)
    _notes(sheet, at, seen)


def _bead_rows(seen: View) -> list[tuple[str, ...]]:
    """A row for every mark of the beads rolled with this face up."""
    rows = []
    for number, (bead, side) in enumerate(zip(seen.layout.beads, seen.frames, strict=True), 1):
        if seen.own(bead):
            first = (f"{number}", bead.die.name, bead.side, side or "NEITHER")
            for i, (x, y, word) in enumerate(marks(bead)):
                rows.append((*(first if i == 0 else ("",) * 4), *_measured(seen, (x, y)), word))
    return rows


def _cutout_rows(seen: View) -> list[tuple[str, ...]]:
    """Centres of circles, corners of the box round the others."""
    rows = []
    for number, cutout in enumerate(seen.panel.cutouts, 1):
        if cutout.circle:
            x, y, diameter = cutout.circle
            rows.append((f"C{number}", f"centre, dia. {diameter:g}", *_measured(seen, (x, y))))
        else:
            x0, y0, x1, y1 = Polygon(cutout.ring).bounds
            near, far = ((x0, y0), (x1, y1)) if seen.hand > 0 else ((x1, y0), (x0, y1))
            rows += [(f"C{number}", "reaches from", *_measured(seen, near)), ("", "to", *_measured(seen, far))]
    return rows


def _fastener_rows(seen: View) -> list[tuple[str, ...]]:
    """Each bolt, and the corners of each row of rivets."""
    rows = []
    for support in seen.panel.supports:
        centres = support.fasteners()
        if not centres:
            continue
        size = f" dia. {support.diameter:g}" if support.diameter else ""
        if support.kind == "bolts":
            rows += [(f"bolt{size}" if i == 0 else "", "", *_measured(seen, at)) for i, at in enumerate(centres)]
            continue
        length = shapely.LineString(support.path).length
        pitch = f"{len(centres)} at {length / max(1, round(length / support.pitch)):.1f}"
        for i, at in enumerate(dict.fromkeys(support.path)):
            rows.append((*((f"rivets{size}", pitch) if i == 0 else ("", "to")), *_measured(seen, at)))
    return rows


def _measured(seen: View, at: XY) -> tuple[str, str]:
    """X and Y from the datum corner."""
    x, y = seen.measured(at)
    return f"{x:.1f}", f"{y:.1f}"


def _title(sheet: _Sheet, at: XY, seen: View, verdict: Verdict | None) -> XY:
    """The title block; hands back where the next block starts."""
    panel, layout = seen.panel, seen.layout
    mass = verdict.mass_kg if verdict else panel.mass(layout)
    lines = [
        (min(2.0, max(1.0, 50 / max(1, len(panel.name)))), panel.name),
        (1.6, f"THIS FACE UP IN THE ROLLER: {seen.face.upper()} FACE"),
        *([(1.0, f"raised roll {seen.rolls}")] if seen.rolls else []),
        (1.0, f"{panel.material.name}, {layout.gauge:g} mm thick"),
        *((1.0, words) for words in _sizes(seen)),
        (1.0, f"finished mass {mass:.3f} kg"),
        (1.0, f"{counted(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll"),
        (1.0, counted(layout.holes, "flared hole")),
    ]
    if len(faces(layout)) == 2:
        lines.append((1.0, f"beads stand on both faces: the other drawing shows the {_other(seen)} face"))
    if verdict:
        lines.append((1.0, "all demands met" if verdict.met else "NOT ALL DEMANDS ARE MET: see the card"))
    lines.append((1.0, "scale 1:1, millimetres; measure this bar: 100 mm"))
    x, top = at
    h = sheet.height
    y = top - 0.8 * h
    for size, words in lines:
        y -= size * h
        sheet.text((x + h, y), words, "NOTE", size)
        y -= 0.8 * h
    y -= 0.6 * h
    for p, q in (((0, 0), (100, 0)), ((0, -h / 2), (0, h / 2)), ((100, -h / 2), (100, h / 2))):
        sheet.line([(x + h + p[0], y + p[1]), (x + h + q[0], y + q[1])], "NOTE")
    bottom = y - 1.3 * h
    across = max(100.0, *(wide(words, size * h) for size, words in lines)) + 2 * h
    sheet.line([(x, bottom), (x + across, bottom), (x + across, top), (x, top)], "NOTE", closed=True)
    return x, bottom - 2.5 * h


def _sizes(seen: View) -> Iterator[str]:
    """Of the blank where it is larger, and of the finished outline."""
    for words, shape in (
        ("rough cut", rough_outline(seen.panel, seen.layout)),
        ("finished", Polygon(seen.panel.outline)),
    ):
        x0, y0, x1, y1 = shape.bounds
        if words == "finished" or seen.layout.beads:
            yield f"{words} {x1 - x0:.1f} x {y1 - y0:.1f} mm"


def _other(seen: View) -> str:
    return "down" if seen.face == "up" else "up"


def _table(sheet: _Sheet, at: XY, title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]) -> XY:
    """A ruled table with a title; hands back where the next block starts."""
    x, top = at
    h = sheet.height
    sheet.text((x, top - h), title, "DIMENSION")
    top -= 1.8 * h
    pitch = 2.0 * h
    widths = [max(wide(row[i], h) for row in (head, *rows)) + 1.4 * h for i in range(len(head))]
    edges = x + np.concatenate([[0.0], np.cumsum(widths)])
    for i, row in enumerate((head, *rows)):
        for j, words in enumerate(row):
            sheet.text((edges[j] + 0.7 * h, top - (i + 1) * pitch + 0.5 * h), words, "DIMENSION")
    bottom = top - (len(rows) + 1) * pitch
    for edge in edges:
        sheet.line([(edge, top), (edge, bottom)], "DIMENSION")
    for level in (top, top - pitch, bottom):
        sheet.line([(edges[0], level), (edges[-1], level)], "DIMENSION")
    return x, bottom - 2.5 * h


def _notes(sheet: _Sheet, at: XY, seen: View) -> None:
    """How to use the drawing, and the cautions."""
    x, y = at
    h = sheet.height
    sheet.text((x, y - h), "NOTES", "NOTE")
    y -= 1.8 * h
    for note in (*bench_notes(seen), *CAUTIONS):
        y -= 0.5 * h
        for words in textwrap.wrap(note, 58):
            y -= 1.6 * h
            sheet.text((x, y), words, "NOTE")


def bench_notes(seen: View) -> list[str]:
    """How to read the lines of a face and in which order to work to them."""
    beads = [bead for bead in seen.layout.beads if seen.own(bead)]
    notes = []
    if seen.layout.beads:
        x, y = trim_allowance(seen.panel, seen.layout)
        notes.append(f"Cut the sheet to the rough cut: {x:g} mm more left and right, {y:g} mm more above and below.")
        notes.append("Scribe the two datum lines: the edges of the finished outline.")
    if seen.hand > 0:
        notes.append("X runs right and Y up from the datum corner, on this face.")
    else:
        notes.append("This is the back, mirrored: X runs LEFT and Y up from the datum corner, on this face.")
    if beads:
        notes.append("Roll the beads in the order of their numbers, as the arrow points. F: this side to the frame.")
        notes.append("Small ticks across a bead: full depth from here; it fades to nothing at its end.")
    if any(not bead.closed for bead in beads):
        notes.append("Start at the double tick: bring the rolls down there. Stop at the single one.")
    if any(bead.closed for bead in beads):
        notes.append("A closed bead starts and ends at its one long tick.")
    if any(any(bead.open_ends) for bead in beads):
        notes.append("An end without a tick runs on over the edge of the sheet.")
    if seen.layout.beads:
        notes.append("Trim to the finished outline and drill the rivet holes after rolling.")
    if seen.panel.folds:
        notes.append("Fold last.")
    return notes

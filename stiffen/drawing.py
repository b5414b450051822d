"""The marking drawing: one DXF at 1:1, millimetres, with every line that goes onto the sheet.

Seen on the "up" face.  Positions are measured from the datum corner: right (X) from the left-most point of
the finished outline, up (Y) from its lowest point.  Lines are told apart by layer; `LAYERS` says what for.
"""

from __future__ import annotations

import math
import os
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from .bench import rolling_order, trim_allowance
from .files import refuse
from .layout import Bead, Layout
from .panel import KeepOut, Panel
from .verdict import Verdict

# name: colour number, line type, weight in 1/100 mm, what it is for
LAYERS: dict[str, tuple[int, str, int, str]] = {
    "CUT": (7, "CONTINUOUS", 35, "finished outline and cut-outs: cut after rolling"),
    "ROUGH CUT": (30, "BENCH LONG", 25, "cut the sheet here first: rolling draws it in"),
    "FOLD": (6, "BENCH CENTRE", 25, "fold lines with angle and side"),
    "BEAD AXIS": (1, "BENCH CENTRE", 35, "the line to roll along"),
    "BEAD FLANK": (8, "BENCH SHORT", 13, "how wide the bead will be"),
    "BEAD STOP": (1, "CONTINUOUS", 35, "rolls down, rolls up; small ticks: full depth from here"),
    "HOLE PILOT": (5, "CONTINUOUS", 35, "holes to cut before flaring, with centre crosses"),
    "HOLE FLANGE": (150, "BENCH SHORT", 13, "how wide the flare will be"),
    "RIVET": (94, "CONTINUOUS", 25, "rivet and bolt centres: drill after rolling and trimming"),
    "KEEP OUT": (33, "BENCH SHORT", 18, "no bead or hole in here"),
    "DATUM": (134, "BENCH CENTRE", 25, "the two lines to scribe first; all X and Y start here"),
    "NUMBER": (7, "CONTINUOUS", 25, "numbers of beads and holes"),
    "DIMENSION": (7, "CONTINUOUS", 18, "overall sizes and the tables of X and Y"),
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
LETTER = 0.92  # width of a letter over its height: wide enough for the usual drawing faces


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


def datum(panel: Panel) -> tuple[float, float]:
    """Plan point (mm) from which the bench measures: left-most x and lowest y of the finished outline."""
    x, y, _, _ = Polygon(panel.outline).bounds
    return x, y


def counted(things: Sequence, noun: str) -> str:
    """'1 bead', '3 beads'."""
    return f"{len(things)} {noun}{'' if len(things) == 1 else 's'}"


def marks(bead: Bead) -> tuple[tuple[float, float, str], ...]:
    """The points to mark for a bead: x, y (mm, plan) and a word.

    Ends, corners and the ends of straight runs are marks; a curve drawn by many short pieces gives its middle
    point and radius only.
    """
    path = np.asarray(bead.path, dtype=float)
    lengths = np.hypot(*np.diff(path, axis=0).T)
    straight = np.ones(len(lengths), bool) if len(path) <= 8 else lengths > 3 * np.median(lengths)
    keep = [i for i in range(len(path)) if i in (0, len(path) - 1) or straight[i - 1] or straight[i]]
    found = []
    for i, after in zip(keep, (*keep[1:], None), strict=True):
        word = "start" if i == 0 else "" if after is not None else "back at start" if bead.closed else "stop"
        found.append((float(path[i, 0]), float(path[i, 1]), word))
        if after is not None and after > i + 1:
            middle = path[(i + after) // 2]
            radius = _radius(path[i], middle, path[after])
            curve = "curve" if math.isinf(radius) else f"curve R {radius:.0f}"
            found.append((float(middle[0]), float(middle[1]), curve))
    return tuple(found)


def _radius(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    """Radius of the circle through three points."""
    (ux, uy), (vx, vy) = b - a, c - a
    twice_area = abs(ux * vy - uy * vx)
    sides = math.dist(a, b) * math.dist(b, c) * math.dist(c, a)
    return sides / (2 * twice_area) if twice_area > 1e-9 * sides else math.inf


def rough_outline(panel: Panel, layout: Layout) -> Polygon:
    """The sheet to cut before rolling, mm in plan: the outline and, where beads draw it in, something to trim."""
    outline = Polygon(panel.outline)
    x, y = trim_allowance(panel, layout)
    if not (x > 0 and y > 0):
        return outline
    # One buffer with two widths: squeeze the plan so that both become 1 mm, widen, and stretch it back.
    squeezed = affinity.scale(outline, 1 / x, 1 / y, origin=(0, 0))
    return affinity.scale(squeezed.buffer(1.0, join_style="mitre", mitre_limit=2.0), x, y, origin=(0, 0))


@dataclass
class _Sheet:
    """The model space, the letter height (mm), and what is taken up already, so that labels find room."""

    space: object
    letter: float
    taken: list[BaseGeometry]

    def line(self, points: Iterable, layer: str, close: bool = False) -> None:
        points = [(float(x), float(y)) for x, y in points]
        self.space.add_lwpolyline(points, close=close, dxfattribs={"layer": layer})
        self.taken.append(LineString([*points, points[0]] if close else points).buffer(0.6))

    def circle(self, at: tuple[float, float], diameter: float, layer: str) -> None:
        self.space.add_circle(at, diameter / 2, dxfattribs={"layer": layer})
        self.taken.append(Point(at).buffer(diameter / 2).boundary.buffer(0.6))

    def cross(self, at: tuple[float, float], arm: float, layer: str) -> None:
        x, y = at
        self.line([(x - arm, y), (x + arm, y)], layer)
        self.line([(x, y - arm), (x, y + arm)], layer)

    def text(self, at: tuple[float, float], words: str, layer: str, size: float = 1.0, turn: float = 0.0) -> None:
        """Words whose first letter stands at `at`; `size` in letter heights, `turn` in degrees."""
        words = " ".join(words.split()).replace("%%", "% %")  # two percent signs would start a control code
        if not words:
            return
        self.space.add_text(
            words,
            dxfattribs={
                "layer": layer,
                "style": "BENCH",
                "insert": at,
                "height": size * self.letter,
                "rotation": turn,
            },
        )

    def label(self, words: str, layer: str, places: Iterable[tuple[float, float, float]]) -> None:
        """Words centred on whichever of the places (x, y, degrees) covers least of what is there already."""
        wide, high = self.wide(words), self.letter
        best = None
        for x, y, turn in places:
            turn = 90.0 - (90.0 - turn) % 180.0  # never upside down
            ground = affinity.rotate(box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2), turn)
            room = ground.buffer(0.25 * high)
            covered = sum(room.intersection(other).area for other in self.taken if room.intersects(other))
            if best is None or covered < best[0]:
                best = (covered, ground, turn)
            if covered == 0:
                break
        _, ground, turn = best
        self.text(ground.exterior.coords[_LOWER_LEFT], words, layer, turn=turn)
        self.taken.append(ground)

    def wide(self, words: str, size: float = 1.0) -> float:
        return len(words) * LETTER * size * self.letter


# shapely's box starts at its lower right corner and runs counter-clockwise; rotation keeps that order
_LOWER_LEFT = 3


def write_marking(panel: Panel, layout: Layout, path: str | Path, verdict: Verdict | None = None) -> None:
    """Write the marking drawing of `layout` as DXF (R2010, millimetres, 1:1).

    verdict: adds the judged mass and whether the demands are met.  Written to a temporary name, then renamed.
    Raises InputError where the place cannot be written.
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
    letter = min(7.0, max(3.5, math.hypot(x1 - x0, y1 - y0) / 150))
    sheet = _Sheet(document.modelspace(), letter, [])
    _draw_outline(sheet, panel, layout)
    _draw_beads(sheet, layout)
    _draw_holes(sheet, layout)
    _draw_fasteners(sheet, panel)
    _draw_datum(sheet, panel, layout)
    _draw_sizes(document, sheet, panel, layout)
    _name_outline(sheet, panel, layout)
    _name_beads(sheet, layout)
    _name_holes(sheet, layout)
    _draw_column(sheet, panel, layout, verdict)
    with written(path) as fresh:
        document.saveas(fresh)


def _draw_outline(sheet: _Sheet, panel: Panel, layout: Layout) -> None:
    """Finished and rough outline, cut-outs, keep-outs, folds."""
    sheet.line(panel.outline, "CUT", close=True)
    for cutout in panel.cutouts:
        if cutout.circle:
            x, y, diameter = cutout.circle
            sheet.circle((x, y), diameter, "CUT")
        else:
            sheet.line(cutout.ring, "CUT", close=True)
    if layout.beads:
        sheet.line(rough_outline(panel, layout).exterior.coords[:-1], "ROUGH CUT", close=True)
    for keep_out in panel.keep_outs:
        sheet.line(keep_out.polygon, "KEEP OUT", close=True)
        words, room = _keep_out_words(sheet, keep_out)
        hatch = sheet.space.add_hatch(dxfattribs={"layer": "KEEP OUT", "color": 256})
        hatch.set_pattern_fill("BENCH", color=256, definition=[[45.0, (0.0, 0.0), (-3.0, 3.0), []]])
        hatch.paths.add_polyline_path(keep_out.polygon, is_closed=True, flags=1)
        if room:  # a window for the words
            hatch.paths.add_polyline_path(room.exterior.coords[:-1], is_closed=True, flags=16)
            sheet.label(words, "KEEP OUT", [(room.centroid.x, room.centroid.y, 0.0)])
    for fold in panel.folds:
        sheet.line(fold.line, "FOLD")


def _keep_out_words(sheet: _Sheet, keep_out: KeepOut) -> tuple[str, Polygon | None]:
    """What to write on a keep-out, and the window inside it for the words; None where they do not fit."""
    words = f"no {' or '.join(keep_out.against)}" + (f": {keep_out.why}" if keep_out.why else "")
    ground = Polygon(keep_out.polygon)
    centre = ground.representative_point()
    wide, high = sheet.wide(words) / 2 + sheet.letter / 2, sheet.letter
    room = box(centre.x - wide, centre.y - high, centre.x + wide, centre.y + high)
    return words, room if ground.contains(room) else None


def _name_outline(sheet: _Sheet, panel: Panel, layout: Layout) -> None:
    """The words beside small keep-outs, on folds, and on the rough cut."""
    for keep_out in panel.keep_outs:
        words, room = _keep_out_words(sheet, keep_out)
        if room:
            continue
        x0, y0, x1, y1 = Polygon(keep_out.polygon).bounds
        gap = 1.5 * sheet.letter
        middle = (x0 + x1) / 2
        beside = [
            (middle, y1 + gap, 0.0),
            (middle, y0 - gap, 0.0),
            (x1 + sheet.wide(words) / 2 + gap, (y0 + y1) / 2, 0.0),
            (x0 - sheet.wide(words) / 2 - gap, (y0 + y1) / 2, 0.0),
            (x0 - gap, (y0 + y1) / 2, 90.0),
            (x1 + gap, (y0 + y1) / 2, 90.0),
        ]
        sheet.label(words, "KEEP OUT", beside)
    for fold in panel.folds:
        side = "up" if fold.angle > 0 else "down"
        words = f"fold {side} {abs(fold.angle):g} deg"
        words += f", inside R {fold.radius:g}" if fold.radius else ""
        sheet.label(words, "FOLD", _beside(LineString(fold.line), 1.2 * sheet.letter, (0.5, 0.25, 0.75)))
    if layout.beads:
        rough = rough_outline(panel, layout)
        x, y = trim_allowance(panel, layout)
        words = f"rough cut: {x:g} mm more left and right, {y:g} mm more above and below"
        x0, _, x1, y1 = rough.bounds
        sheet.label(words, "ROUGH CUT", [((x0 + x1) / 2, y1 + up * sheet.letter, 0.0) for up in (1.2, 3.5)])


def _beside(line: LineString, off: float, shares: Iterable[float]) -> Iterator[tuple[float, float, float]]:
    """Places `off` mm to both sides of a line at shares of its length, turned along it."""
    for share in shares:
        s = share * line.length
        before, after = line.interpolate(max(0.0, s - 1.0)), line.interpolate(min(line.length, s + 1.0))
        dx, dy = after.x - before.x, after.y - before.y
        length = math.hypot(dx, dy) or 1.0
        at = line.interpolate(s)
        for hand in (off, -off):
            yield at.x - hand * dy / length, at.y + hand * dx / length, math.degrees(math.atan2(dy, dx))


def _draw_beads(sheet: _Sheet, layout: Layout) -> None:
    for bead in layout.beads:
        axis = LineString(bead.path)
        sheet.line(bead.path, "BEAD AXIS")
        half = bead.die.width / 2
        if bead.closed:
            band = axis.buffer(half, join_style="mitre")
            for ring in (band.exterior, *band.interiors):
                sheet.line(ring.coords[:-1], "BEAD FLANK", close=True)
            start = np.asarray(bead.path[:2], dtype=float)
            _tick(sheet, start[0], start[1] - start[0], half + 3.0)
            continue
        for hand in (half, -half):
            flank = axis.offset_curve(hand, join_style="mitre")
            if flank.geom_type == "LineString" and not flank.is_empty:
                sheet.line(flank.coords, "BEAD FLANK")
        for end, line in (("start", axis), ("stop", axis.reverse())):
            a, b = np.asarray(line.coords[0]), np.asarray(line.interpolate(1.0).coords[0])
            _tick(sheet, a, b - a, half + 3.0)
            if end == "start":  # a second tick just outside tells the start from the stop
                _tick(sheet, a - 2.0 * (b - a), b - a, half + 3.0)
            if 2 * bead.die.run_out_length < axis.length:
                full = np.asarray(line.interpolate(bead.die.run_out_length).coords[0])
                ahead = np.asarray(line.interpolate(bead.die.run_out_length + 1.0).coords[0])
                _tick(sheet, full, ahead - full, half / 2)


def _tick(sheet: _Sheet, at: np.ndarray, along: np.ndarray, half: float) -> None:
    """A short line across an axis."""
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    sheet.line([at - half * across, at + half * across], "BEAD STOP")


def _name_beads(sheet: _Sheet, layout: Layout) -> None:
    for number, bead in enumerate(layout.beads, 1):
        words = f"{number} {bead.side}"
        axis = LineString(bead.path)
        places = []
        if not bead.closed:
            for line in (axis, axis.reverse()):
                a, b = np.asarray(line.coords[0]), np.asarray(line.interpolate(1.0).coords[0])
                x, y = a - (b - a) * (sheet.wide(words) / 2 + 6.0)
                places.append((x, y, math.degrees(math.atan2(*(b - a)[::-1]))))
        off = bead.die.width / 2 + 1.4 * sheet.letter
        sheet.label(words, "NUMBER", (*places, *_beside(axis, off, np.linspace(0.06, 0.94, 12))))


def _draw_holes(sheet: _Sheet, layout: Layout) -> None:
    for hole in layout.holes:
        sheet.cross(hole.at, hole.die.pilot / 4, "HOLE PILOT")
        sheet.circle(hole.at, hole.die.pilot, "HOLE PILOT")
        sheet.circle(hole.at, hole.die.flange, "HOLE FLANGE")


def _name_holes(sheet: _Sheet, layout: Layout) -> None:
    for number, hole in enumerate(layout.holes, 1):
        words = f"H{number} cut {hole.die.pilot:g} {hole.side}"
        away = hole.die.flange / 2 + 1.0 * sheet.letter
        side = away + sheet.wide(words) / 2 - 0.5 * sheet.letter
        x, y = hole.at
        places = [(x, y - away, 0.0), (x, y + away, 0.0), (x + side, y, 0.0), (x - side, y, 0.0)]
        places += [(x - away, y, 90.0), (x + away, y, 90.0)]
        sheet.label(words, "NUMBER", places)


def _draw_fasteners(sheet: _Sheet, panel: Panel) -> None:
    for support in panel.supports:
        for centre in support.fasteners():
            sheet.cross(centre, max(2.0, 0.8 * support.diameter), "RIVET")
            if support.diameter:
                sheet.circle(centre, support.diameter, "RIVET")


def _draw_datum(sheet: _Sheet, panel: Panel, layout: Layout) -> None:
    """The two lines through the datum corner, drawn outside the outline only, and their names."""
    x, y = datum(panel)
    _, _, x1, y1 = Polygon(panel.outline).bounds
    spare = max(trim_allowance(panel, layout))
    out = spare + 2.5 * sheet.letter
    sheet.line([(x - out, y), (x - 1.0, y)], "DATUM")
    sheet.line([(x1 + 1.0, y), (x1 + out, y)], "DATUM")
    sheet.line([(x, y - out), (x, y - 1.0)], "DATUM")
    sheet.line([(x, y1 + 1.0), (x, y1 + out)], "DATUM")
    words = "datum 0, 0"
    left = x - sheet.wide(words) / 2 - sheet.letter
    sheet.label(words, "DATUM", [(left, y - out - 0.2 * sheet.letter, 0.0)])
    edge = _datum_edge(panel)
    if edge:
        (ax, ay), (bx, by) = edge
        line = LineString(edge)
        off = spare + 1.2 * sheet.letter
        outward = -off if ay == by else off
        middle = line.interpolate(0.5, normalized=True)
        place = (middle.x, middle.y + outward, 0.0) if ay == by else (middle.x - outward, middle.y, 90.0)
        sheet.label("datum edge of the finished outline", "DATUM", [place])


def _datum_edge(panel: Panel) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """The longest straight side that lies on a datum line, the lower one first."""
    x, y = datum(panel)
    ring = [*panel.outline, panel.outline[0]]
    sides = [
        ((a, b), math.dist(a, b), a[1] == b[1])
        for a, b in zip(ring, ring[1:], strict=False)
        if (a[1] == b[1] == y) or (a[0] == b[0] == x)
    ]
    return max(sides, key=lambda side: (side[2], side[1]))[0] if sides else None


def _draw_sizes(document: object, sheet: _Sheet, panel: Panel, layout: Layout) -> None:
    """Overall width and height of the finished outline, below and left of everything drawn so far."""
    letter = sheet.letter
    spare = max(trim_allowance(panel, layout))
    document.dimstyles.new(
        "BENCH",
        dxfattribs={
            "dimtxt": letter,
            "dimtxsty": "BENCH",
            "dimasz": letter,
            "dimexe": 0.5 * letter,
            "dimexo": spare + 3.0 * letter,  # starts beyond the datum lines
            "dimgap": 0.5 * letter,
            "dimtad": 1,
            "dimdec": 1,
            "dimzin": 8,
            "dimclrd": 256,
            "dimclre": 256,
            "dimclrt": 256,
        },
    )
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    off = spare + 6.5 * letter
    for base, p, q, turn in (
        ((x0, y0 - off), (x0, y0), (x1, y0), 0.0),
        ((x0 - off, y0), (x0, y0), (x0, y1), 90.0),
    ):
        sheet.space.add_linear_dim(
            base=base, p1=p, p2=q, angle=turn, dimstyle="BENCH", dxfattribs={"layer": "DIMENSION"}
        ).render()


def _draw_column(sheet: _Sheet, panel: Panel, layout: Layout, verdict: Verdict | None) -> None:
    """Title block, tables and notes, right of the sheet, from the top down."""
    _, _, right, top = rough_outline(panel, layout).bounds
    left = right + 8.0 * sheet.letter
    top = _title(sheet, (left, top), panel, layout, verdict)
    beads = [
        (f"{place + 1}", bead.die.name, bead.side, *_measured(panel, (x, y)), word)
        for place in rolling_order(panel, layout.beads)
        for bead in (layout.beads[place],)
        for x, y, word in marks(bead)
    ]
    if beads:
        head = ("bead", "die", "stands", "X mm", "Y mm", "mark")
        top = _table(sheet, (left, top), "BEADS, in the order to roll them", head, beads)
    holes = [
        (f"H{number}", die.name, hole.side, *_measured(panel, hole.at), f"{die.pilot:g}", f"{die.flange:g}")
        for number, hole in enumerate(layout.holes, 1)
        for die in (hole.die,)
    ]
    if holes:
        head = ("hole", "die", "stands", "X mm", "Y mm", "cut dia.", "flare dia.")
        top = _table(sheet, (left, top), "FLARED HOLES, centres", head, holes)
    _notes(sheet, (left, top), panel, layout)


def _measured(panel: Panel, at: tuple[float, float]) -> tuple[str, str]:
    """X and Y from the datum corner."""
    x0, y0 = datum(panel)
    return f"{at[0] - x0:.1f}", f"{at[1] - y0:.1f}"


def _title(sheet: _Sheet, at: tuple[float, float], panel: Panel, layout: Layout, verdict: Verdict | None) -> float:
    """The title block; hands back where the next block starts."""
    mass = verdict.mass_kg if verdict else panel.mass(layout)
    lines = [
        (min(2.0, max(1.0, 50 / max(1, len(panel.name)))), panel.name),
        (1.6, "THIS FACE UP"),
        (1.0, f"{panel.material.name}, {layout.gauge:g} mm thick"),
        (1.0, f"finished mass {mass:.3f} kg"),
        (1.0, f"{counted(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll"),
        (1.0, counted(layout.holes, "flared hole")),
    ]
    if verdict:
        lines.append((1.0, "all demands met" if verdict.met else "NOT ALL DEMANDS ARE MET: see the card"))
    lines.append((1.0, "scale 1:1, millimetres; measure this bar: 100 mm"))
    x, top = at
    h = sheet.letter
    y = top - 0.8 * h
    for size, words in lines:
        y -= size * h
        sheet.text((x + h, y), words, "NOTE", size)
        y -= 0.8 * h
    y -= 0.6 * h
    for p, q in (((0, 0), (100, 0)), ((0, -h / 2), (0, h / 2)), ((100, -h / 2), (100, h / 2))):
        sheet.line([(x + h + p[0], y + p[1]), (x + h + q[0], y + q[1])], "NOTE")
    bottom = y - 1.3 * h
    wide = max(100.0, *(sheet.wide(words, size) for size, words in lines)) + 2 * h
    sheet.line([(x, bottom), (x + wide, bottom), (x + wide, top), (x, top)], "NOTE", close=True)
    return bottom - 2.5 * h


def _table(
    sheet: _Sheet, at: tuple[float, float], title: str, head: tuple[str, ...], rows: list[tuple[str, ...]]
) -> float:
    """A ruled table with a title; hands back where the next block starts."""
    x, top = at
    h = sheet.letter
    sheet.text((x, top - h), title, "DIMENSION")
    top -= 1.8 * h
    pitch = 2.0 * h
    widths = [max(len(row[i]) for row in (head, *rows)) * LETTER * h + 1.4 * h for i in range(len(head))]
    edges = x + np.concatenate([[0.0], np.cumsum(widths)])
    for i, row in enumerate((head, *rows)):
        for j, words in enumerate(row):
            sheet.text((edges[j] + 0.7 * h, top - (i + 1) * pitch + 0.5 * h), words, "DIMENSION")
    bottom = top - (len(rows) + 1) * pitch
    for edge in edges:
        sheet.line([(edge, top), (edge, bottom)], "DIMENSION")
    for level in (top, top - pitch, bottom):
        sheet.line([(edges[0], level), (edges[-1], level)], "DIMENSION")
    return bottom - 2.5 * h


def _notes(sheet: _Sheet, at: tuple[float, float], panel: Panel, layout: Layout) -> None:
    """How to use the drawing, and the cautions."""
    start = ["Cut the sheet to the rough cut. Scribe the two datum lines."] if layout.beads else []
    notes = [
        *start,
        "X runs right and Y up from the datum corner, on this face.",
        *(
            ["Roll the beads in the order of the table, from the double tick (start) to the single one."]
            if any(not bead.closed for bead in layout.beads)
            else []
        ),
        *(["Trim to the finished outline and drill the rivet holes after rolling."] if layout.beads else []),
        *(["Fold last."] if panel.folds else []),
        *CAUTIONS,
    ]
    x, y = at
    h = sheet.letter
    sheet.text((x, y - h), "NOTES", "NOTE")
    y -= 1.8 * h
    for note in notes:
        y -= 0.5 * h
        for words in textwrap.wrap(note, 58):
            y -= 1.6 * h
            sheet.text((x, y), words, "NOTE")

"""The marking of a sheet: every line, circle and word that goes onto it, for whoever draws it.

A face is drawn as it lies in front of you: the "up" face in plan coordinates, the "down" face mirrored left to right
in the same bounds.  Positions are measured from the datum corner of the finished outline: its left-most point and its
lowest, seen on the "up" face; on the "down" face the same corner lies at the right and X runs to the left.
All lengths in mm.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby, pairwise

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from . import bench
from .layout import Bead, Hole, Layout
from .panel import KeepOut, Panel, Support

LETTER = 0.92  # width of a letter over its height: wide enough for the usual drawing faces
CLEAR = 0.6  # mm to keep between a line and words
LEADING = 1.5  # from line to line, heights of a capital
NOTCH = 20.0  # mm, half of what counts as narrow
STATION = 25.0  # mm between the places along a line where words may stand
OTHER = {"up": "down", "down": "up"}
ENDS = "start", "stop"
ACROSS = {"left": "right", "right": "left", None: None}

XY = tuple[float, float]


# ------------------------------------------------------------------------------------------------------- what is drawn


@dataclass(frozen=True)
class Line:
    """A polyline on a layer."""

    layer: str
    points: tuple[XY, ...]
    closed: bool = False

    @cached_property
    def shape(self) -> LineString:
        """As geometry, closed where it is."""
        return LineString([*self.points, self.points[0]] if self.closed else self.points)


@dataclass(frozen=True)
class Circle:
    """A full circle on a layer."""

    layer: str
    at: XY
    diameter: float

    @cached_property
    def shape(self) -> LineString:
        """The rim as geometry."""
        return LineString(Point(self.at).buffer(self.diameter / 2).exterior)


@dataclass(frozen=True)
class Hatch:
    """A hatched polygon on a layer; words that stand in it get a window, see `windows`."""

    layer: str
    polygon: tuple[XY, ...]

    def windows(self, placed: Iterable[Words]) -> list[Polygon]:
        """Room round the words that stand inside."""
        grounds = (words.ground.buffer(0.4 * words.height, join_style="mitre") for words in placed)
        return [ground for ground in grounds if Polygon(self.polygon).contains(ground)]

    def strokes(self, apart: float, windows: Iterable[Polygon]) -> Iterator[tuple[XY, XY]]:
        """The hatching as lines at 45 degrees, `apart` mm from each other, windows left free."""
        ground = Polygon(self.polygon).difference(shapely.union_all(list(windows)))
        x0, y0, x1, y1 = ground.bounds
        high, step = y1 - y0, apart * math.sqrt(2)
        lines = MultiLineString([[(x, y0), (x + high, y1)] for x in np.arange(x0 - high + step / 2, x1, step)])
        for piece in shapely.get_parts(lines.intersection(ground)):
            if piece.geom_type == "LineString":
                yield piece.coords[0], piece.coords[-1]


@dataclass(frozen=True, eq=False)
class Label:
    """Words in one or more lines, what they name, where their middle may stand: x, y, degrees; better places first."""

    layer: str
    text: str
    anchor: BaseGeometry
    places: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Words:
    """One line of words in place: the middle of its base line, degrees, height of the capitals."""

    layer: str
    text: str
    at: XY
    turn: float
    height: float

    @cached_property
    def ground(self) -> Polygon:
        """What the words cover, at most."""
        (x, y), half = self.at, wide(self.text, self.height) / 2
        return affinity.rotate(box(x - half, y, x + half, y + self.height), self.turn, origin=self.at)


@dataclass(frozen=True)
class Marking:
    """What is drawn on one face, labels in the order in which they choose their places."""

    items: tuple[Line | Circle | Hatch, ...]
    labels: tuple[Label, ...]

    @cached_property
    def taken(self) -> tuple[BaseGeometry, ...]:
        """What words should not cover."""
        return tuple(item.shape.buffer(CLEAR) for item in self.items if not isinstance(item, Hatch))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of all lines and circles."""
        return tuple(shapely.total_bounds([item.shape for item in self.items if not isinstance(item, Hatch)]).tolist())


def wide(text: str, height: float) -> float:
    """Width that words need, mm, at most; of the longest line."""
    return max(len(line) for line in text.split("\n")) * LETTER * height


def high(text: str, height: float) -> float:
    """Height of the lines of words together, mm."""
    return height * (1 + LEADING * text.count("\n"))


def place(
    labels: Iterable[Label],
    taken: Sequence[BaseGeometry],
    height: float,
    window: Polygon | None = None,
    free: bool = False,
) -> dict[Label, list[Words]]:
    """Each label at that of its places which covers least of what is taken, by lines or by labels before it.

    window: only places inside it count, and a label with none there is left out.  free: so is one with no place that
    covers nothing.
    """
    tree, grounds, placed = shapely.STRtree(list(taken)), [], {}
    for label in labels:
        best = None
        for x, y, turn in label.places:
            turn = 90.0 - (90.0 - turn) % 180.0  # never upside down
            half, tall = wide(label.text, height) / 2, high(label.text, height) / 2
            ground = affinity.rotate(box(x - half, y - tall, x + half, y + tall), turn)
            if window is not None and not window.contains(ground):
                continue
            room = ground.buffer(0.25 * height)
            others = [*tree.geometries[tree.query(room)], *grounds]
            covered = sum(room.intersection(other).area for other in others if room.intersects(other))
            if best is None or covered < best[0]:
                best = (covered, ground, (x, y), turn)
            if covered == 0:
                break
        if best is not None and not (free and best[0] > 0):
            grounds.append(best[1])
            placed[label] = list(_set_down(label, height, *best[2:]))
    return placed


def _set_down(label: Label, height: float, middle: XY, turn: float) -> Iterator[Words]:
    """The lines of a label about its middle."""
    up = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
    level = high(label.text, height) / 2 - height
    for line in label.text.split("\n"):
        x, y = np.asarray(middle) + level * up
        yield Words(label.layer, line, (float(x), float(y)), turn, height)
        level -= LEADING * height


# ------------------------------------------------------------------------------------------------- the sheet, its faces


def counted(things: Sequence, noun: str) -> str:
    """'1 bead', '3 beads'."""
    return f"{len(things)} {noun}{'' if len(things) == 1 else 's'}"


def ranges(names: Sequence[tuple[str, int]]) -> str:
    """'1-3, H2, H5-H7' of (kind, number)."""
    words = []
    for kind, group in groupby(sorted(set(names)), key=lambda name: name[0]):
        numbers = [number for _, number in group]
        for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
            run = [number for _, number in run]
            more = [] if len(run) == 1 else [f"{kind}{run[-1]}"]
            words.append(("-" if len(run) > 2 else ", ").join([f"{kind}{run[0]}", *more]))
    return ", ".join(words)


def datum(panel: Panel) -> XY:
    """Plan point from which the bench measures: left-most x and lowest y of the finished outline."""
    x, y, _, _ = Polygon(panel.outline).bounds
    return x, y


def in_rolling_order(panel: Panel, layout: Layout) -> Layout:
    """The layout with its beads in the order to roll them, which gives them their numbers at the bench."""
    return replace(layout, beads=tuple(layout.beads[i] for i in bench.rolling_order(panel, layout.beads)))


def faces(layout: Layout) -> tuple[str, ...]:
    """Faces that lie up in the roller: "up", and "down" too where beads stand proud on both.

    Beads that all stand on one face are rolled with the "up" face up; which roll goes on top decides where they stand.
    """
    return ("up", "down") if len({bead.side for bead in layout.beads}) == 2 else ("up",)


def face_up(layout: Layout, bead: Bead) -> str:
    """The face that lies up while this bead is rolled."""
    return bead.side if len(faces(layout)) == 2 else "up"


def raised_roll(bead: Bead, face: str) -> str:
    """Where the raised roll of the pair goes while `face` lies up: below the sheet if the bead stands proud on it."""
    return "below" if bead.side == face else "on top"


def marks(bead: Bead) -> tuple[tuple[float, float, str], ...]:
    """The points to mark for a bead: x, y (plan) and a word.

    Ends, corners and the ends of straight runs are marks; a curve drawn by many short pieces gives its middle
    point and radius only.
    """
    path = np.asarray(bead.path, dtype=float)
    lengths = np.hypot(*np.diff(path, axis=0).T)
    straight = np.ones(len(lengths), bool) if len(path) <= 8 else lengths > 3 * np.median(lengths)
    keep = [i for i in range(len(path)) if i in (0, len(path) - 1) or straight[i - 1] or straight[i]]
    found = []
    ends = [f"{word} over the edge" if is_open else word for word, is_open in zip(ENDS, bead.open_ends, strict=True)]
    for i, after in zip(keep, (*keep[1:], None), strict=True):
        word = ends[0] if i == 0 else "" if after is not None else "back at start" if bead.closed else ends[1]
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
    """The sheet to cut before rolling, in plan: the outline and, where beads draw it in, something to trim.

    Notches narrower than 40 mm are not cut yet.
    """
    outline = Polygon(panel.outline)
    x, y = bench.trim_allowance(panel, layout)
    if not (x > 0 and y > 0):
        return outline
    # One buffer with two widths: squeeze the plan so that both become 1 mm, widen, and stretch it back.
    squeezed = affinity.scale(outline, 1 / x, 1 / y, origin=(0, 0))
    mitre = {"join_style": "mitre", "mitre_limit": 2.0}
    wider = affinity.scale(squeezed.buffer(1.0, **mitre), x, y, origin=(0, 0))
    return wider.buffer(NOTCH, **mitre).buffer(-NOTCH, **mitre)


@dataclass(frozen=True)
class View:
    """One face of the sheet as it lies in front of you; `panel` and `layout` are mirrored for the "down" face.

    Beads stand in rolling order.  origin: the datum corner.  hand: +1 where X runs right, -1 where it runs left.
    frames: for each bead the side of its path, seen on this face, that goes to the roller's frame; None where the
    throat lets neither.
    """

    panel: Panel
    layout: Layout
    face: str
    origin: XY
    hand: float
    frames: tuple[str | None, ...]

    def own(self, bead: Bead) -> bool:
        """True for a bead that is rolled with this face up."""
        return len(faces(self.layout)) == 1 or bead.side == self.face

    @property
    def rolls(self) -> str:
        """Where the raised roll goes for the beads rolled with this face up; empty where there are none."""
        return " or ".join(sorted({raised_roll(bead, self.face) for bead in self.layout.beads if self.own(bead)}))

    def measured(self, at: XY) -> XY:
        """X and Y of a drawn point, from the datum corner."""
        return self.hand * (at[0] - self.origin[0]), at[1] - self.origin[1]


def view(panel: Panel, layout: Layout, face: str = "up") -> View:
    """The sheet as seen on a face."""
    layout = in_rolling_order(panel, layout)
    frames = bench.frame_sides(panel, layout.beads)
    if face == "up":
        return View(panel, layout, face, datum(panel), 1.0, frames)
    x0, y0, x1, _ = Polygon(panel.outline).bounds
    turned = _turned_panel(panel, x0 + x1), _turned_layout(layout, x0 + x1)
    return View(*turned, face, (x1, y0), -1.0, tuple(ACROSS[side] for side in frames))


def _turned(points: Iterable[XY] | None, twice: float) -> tuple[XY, ...] | None:
    """Points mirrored left to right about x = twice / 2."""
    return None if points is None else tuple((twice - x, y) for x, y in points)


def _turned_layout(layout: Layout, twice: float) -> Layout:
    return replace(
        layout,
        beads=tuple(replace(bead, path=_turned(bead.path, twice)) for bead in layout.beads),
        holes=tuple(replace(hole, at=_turned([hole.at], twice)[0]) for hole in layout.holes),
    )


def _turned_panel(panel: Panel, twice: float) -> Panel:
    cutouts = [
        replace(
            cutout,
            ring=_turned(cutout.ring, twice),
            circle=cutout.circle and (twice - cutout.circle[0], *cutout.circle[1:]),
        )
        for cutout in panel.cutouts
    ]
    return replace(
        panel,
        outline=_turned(panel.outline, twice)[::-1],
        cutouts=tuple(cutouts),
        keep_outs=tuple(replace(one, polygon=_turned(one.polygon, twice)) for one in panel.keep_outs),
        folds=tuple(replace(fold, line=_turned(fold.line, twice)) for fold in panel.folds),
        supports=tuple(_turned_support(support, twice) for support in panel.supports),
    )


def _turned_support(support: Support, twice: float) -> Support:
    return replace(support, path=_turned(support.path, twice), at=_turned(support.at, twice))


# ---------------------------------------------------------------------------------------------- the marking of a face


def marking(seen: View, height: float) -> Marking:
    """Everything that goes onto a face; `height` of the capitals that it will be lettered with."""
    items = [
        *_outline(seen, height),
        *(item for bead in seen.layout.beads for item in _bead(seen, bead, height)),
        *(item for hole in seen.layout.holes for item in _hole(hole)),
        *_fasteners(seen.panel),
        *_datum_lines(seen, height),
    ]
    labels = [
        *_bead_labels(seen, height),
        *_hole_labels(seen, height),
        *_frame_labels(seen, height),
        *_outline_labels(seen, height),
        *_datum_labels(seen, height),
    ]
    return Marking(tuple(items), tuple(labels))


def _line(layer: str, points: Iterable, closed: bool = False) -> Line:
    return Line(layer, tuple((float(x), float(y)) for x, y in points), closed)


def _cross(layer: str, at: XY, arm: float) -> Iterator[Line]:
    x, y = at
    yield _line(layer, [(x - arm, y), (x + arm, y)])
    yield _line(layer, [(x, y - arm), (x, y + arm)])


def _outline(seen: View, height: float) -> Iterator[Line | Circle | Hatch]:
    """Finished and rough outline, cut-outs, keep-outs, folds."""
    panel = seen.panel
    yield _line("CUT", panel.outline, closed=True)
    for cutout in panel.cutouts:
        if cutout.circle:
            x, y, diameter = cutout.circle
            yield Circle("CUT", (x, y), diameter)
            yield from _cross("CUT", (x, y), min(3.0, diameter / 4))
        else:
            yield _line("CUT", cutout.ring, closed=True)
    if seen.layout.beads:
        yield _line("ROUGH CUT", rough_outline(panel, seen.layout).exterior.coords[:-1], closed=True)
    for keep_out in panel.keep_outs:
        yield _line("KEEP OUT", keep_out.polygon, closed=True)
        yield Hatch("KEEP OUT", keep_out.polygon)
    for fold in panel.folds:
        yield _line("FOLD", fold.line)


def _keep_out_words(keep_out: KeepOut) -> str:
    """In short lines, to fit in."""
    return "\n".join(["no " + "\nor ".join(keep_out.against), *textwrap.wrap(keep_out.why, 14)])


def _bead(seen: View, bead: Bead, height: float) -> Iterator[Line]:
    """Axis, flanks, stops and feed arrow of a bead; only axis and flanks of one that is rolled from the other face."""
    own = seen.own(bead)
    axis = LineString(bead.path)
    yield _line("BEAD AXIS" if own else "OTHER FACE", bead.path)
    yield from _flanks(bead, _over_edge(seen, bead), "BEAD FLANK" if own else "OTHER FACE")
    if not own:
        return
    half = bead.die.width / 2
    for end, line, is_open in zip(ENDS, (axis, axis.reverse()), bead.open_ends, strict=True):
        if is_open or (bead.closed and end == "stop"):
            continue
        at, along = _heading(line, 0.0)
        yield _tick(at, along, half + 3.0)
        if bead.closed:
            continue
        if end == "start":  # a second tick just outside tells the start from the stop
            yield _tick(at - 2.0 * along, along, half + 3.0)
        if 2 * bead.die.run_out_length < axis.length:
            yield _tick(*_heading(line, bead.die.run_out_length), half / 2)
    yield _arrow(axis, min(0.5 * axis.length, bead.die.run_out_length + 2.5 * height), height)


def _over_edge(seen: View, bead: Bead) -> LineString:
    """The axis; open ends go on over the rough cut."""
    path = np.asarray(bead.path, dtype=float)
    more = max(bench.trim_allowance(seen.panel, seen.layout))
    for end, inner, is_open in ((0, 1, bead.open_ends[0]), (-1, -2, bead.open_ends[1])):
        if is_open:
            out = path[end] - path[inner]
            path[end] += more * out / np.hypot(*out)
    return LineString(path)


def _flanks(bead: Bead, axis: LineString, layer: str) -> Iterator[Line]:
    half = bead.die.width / 2
    if bead.closed:
        band = axis.buffer(half, join_style="mitre")
        for ring in (band.exterior, *band.interiors):
            yield _line(layer, ring.coords[:-1], closed=True)
        return
    for hand in (half, -half):
        flank = axis.offset_curve(hand, join_style="mitre")
        if flank.geom_type == "LineString" and not flank.is_empty:
            yield _line(layer, flank.coords)


def _heading(line: LineString, s: float) -> tuple[np.ndarray, np.ndarray]:
    """The point at `s` along a line, and the unit vector in which the line goes on there."""
    s = min(max(s, 0.0), line.length)
    before, after = line.interpolate(max(s - 0.01, 0.0)), line.interpolate(s + 0.01)
    if s + 0.01 <= line.length:
        before = line.interpolate(s)
    along = np.array([after.x - before.x, after.y - before.y])
    at = line.interpolate(s)
    return np.array([at.x, at.y]), along / (np.hypot(*along) or 1.0)


def _tick(at: np.ndarray, along: np.ndarray, half: float) -> Line:
    """A short line across an axis."""
    across = np.array([-along[1], along[0]])
    return _line("BEAD STOP", [at - half * across, at + half * across])


def _arrow(axis: LineString, s: float, size: float) -> Line:
    """The head of an arrow on the axis: feed this way."""
    tip, along = _heading(axis, s)
    across = np.array([-along[1], along[0]])
    back = tip - size * along
    return _line("FEED", [back + 0.4 * size * across, tip, back - 0.4 * size * across])


def _hole(hole: Hole) -> Iterator[Line | Circle]:
    yield from _cross("HOLE PILOT", hole.at, hole.die.pilot / 4)
    yield Circle("HOLE PILOT", hole.at, hole.die.pilot)
    yield Circle("HOLE FLANGE", hole.at, hole.die.flange)


def _fasteners(panel: Panel) -> Iterator[Line | Circle]:
    for support in panel.supports:
        for centre in support.fasteners():
            yield from _cross("RIVET", centre, max(2.0, 0.8 * support.diameter))
            if support.diameter:
                yield Circle("RIVET", centre, support.diameter)


def _datum_lines(seen: View, height: float) -> Iterator[Line]:
    """The two lines through the datum corner, drawn outside the outline only."""
    x, y = seen.origin
    x0, _, x1, y1 = Polygon(seen.panel.outline).bounds
    out = max(bench.trim_allowance(seen.panel, seen.layout)) + 2.5 * height
    yield _line("DATUM", [(x0 - out, y), (x0 - 1.0, y)])
    yield _line("DATUM", [(x1 + 1.0, y), (x1 + out, y)])
    yield _line("DATUM", [(x, y - out), (x, y - 1.0)])
    yield _line("DATUM", [(x, y1 + 1.0), (x, y1 + out)])


# -------------------------------------------------------------------------------------------------------------- labels


def _beside(line: LineString, off: float, hands: Sequence[int] = (1, -1)) -> Iterator[tuple[float, float, float]]:
    """Places `off` mm to the sides of a line (+1: left) along it, turned with it, from its start on."""
    count = max(2, math.ceil(line.length / STATION))
    for s in (np.arange(count) + 0.5) * line.length / count:
        at, along = _heading(line, float(s))
        for hand in hands:
            x, y = at + hand * off * np.array([-along[1], along[0]])
            yield float(x), float(y), math.degrees(math.atan2(along[1], along[0]))


def _from_middle(places: Iterable[tuple]) -> tuple:
    """The same places, those in the middle first."""
    places = list(places)
    order = sorted(range(len(places)), key=lambda i: abs(2 * i + 1 - len(places)))
    return tuple(places[i] for i in order)


def _bead_labels(seen: View, height: float) -> Iterator[Label]:
    for number, bead in enumerate(seen.layout.beads, 1):
        words = f"{number} {bead.die.name} {bead.side}" if seen.own(bead) else f"{number} other face"
        axis = LineString(bead.path)
        places = []
        if not bead.closed:
            for line in (axis, axis.reverse()):
                at, along = _heading(line, 0.0)
                x, y = at - along * (wide(words, height) / 2 + 6.0)
                places.append((float(x), float(y), math.degrees(math.atan2(along[1], along[0]))))
        off = bead.die.width / 2 + 0.6 * height + 1.5
        layer = "NUMBER" if seen.own(bead) else "OTHER FACE"
        yield Label(layer, words, axis, (*places, *_beside(axis, off), *_beside(axis, off + 1.5 * height)))


def _frame_labels(seen: View, height: float) -> Iterator[Label]:
    """An F on the side of the bead that goes to the frame."""
    for bead, side in zip(seen.layout.beads, seen.frames, strict=True):
        if side and seen.own(bead):
            off = bead.die.width / 2 + 0.6 * height + 1.5
            axis = LineString(bead.path)
            yield Label("FEED", "F", axis, tuple(_beside(axis, off, (1 if side == "left" else -1,))))


def _hole_labels(seen: View, height: float) -> Iterator[Label]:
    for number, hole in enumerate(seen.layout.holes, 1):
        words = f"H{number} cut {hole.die.pilot:g} {hole.side}"
        yield Label("NUMBER", words, Point(hole.at), _around(hole.at, hole.die.flange / 2, words, height))


def _around(at: XY, radius: float, words: str, height: float) -> tuple[tuple[float, float, float], ...]:
    """Places below, above and at the sides of a circle, then a little further away."""
    x, y = at
    places = []
    for away in (radius + height, radius + 2.4 * height):
        side = away + wide(words, height) / 2 - 0.5 * height
        places += [(x, y - away, 0.0), (x, y + away, 0.0), (x + side, y, 0.0), (x - side, y, 0.0)]
        places += [(x - away, y, 90.0), (x + away, y, 90.0)]
    return tuple(places)


def _outline_labels(seen: View, height: float) -> Iterator[Label]:
    """The words on keep-outs, folds, cut-outs, trim line and rough cut."""
    panel, layout = seen.panel, seen.layout
    for keep_out in panel.keep_outs:
        words = _keep_out_words(keep_out)
        yield Label("KEEP OUT", words, Polygon(keep_out.polygon), _keep_out_places(keep_out, words, height))
    for fold in panel.folds:
        toward = "toward you" if (fold.angle > 0) == (seen.face == "up") else "away from you"
        words = f"fold {'up' if fold.angle > 0 else 'down'} {abs(fold.angle):g} deg, {toward}"
        words += f", inside R {fold.radius:g}" if fold.radius else ""
        line = LineString(fold.line)
        yield Label("FOLD", words, line, _from_middle(_beside(line, 1.2 * height)))
    for cutout in panel.cutouts:
        if cutout.circle:
            x, y, diameter = cutout.circle
            words = f"cut {diameter:g}"
            yield Label("CUT", words, Point(x, y), _around((x, y), diameter / 2, words, height))
    outline = Polygon(panel.outline).exterior
    trim = "trim after rolling" if layout.beads else "cut here"
    inside = 1 if outline.is_ccw else -1
    yield Label("CUT", trim, outline, _from_middle(_beside(outline, 1.1 * height, (inside,))))
    if layout.beads:
        rough = rough_outline(panel, layout).exterior
        yield Label("ROUGH CUT", "rough cut: cut here first", rough, _above(rough, 1.2 * height))


def _above(ring: LineString, off: float) -> tuple[tuple[float, float, float], ...]:
    """Places over the longest level side at the top of a ring, or over its highest point."""
    points = np.asarray(ring.coords)[:, :2]
    top = points[:, 1].max()
    sides = [(a, b) for a, b in pairwise(points) if min(a[1], b[1]) > top - 0.01]
    a, b = max(sides, key=lambda side: abs(side[1][0] - side[0][0]), default=(points[points[:, 1].argmax()],) * 2)
    return tuple((float(a[0] + share * (b[0] - a[0])), float(top + off), 0.0) for share in (0.5, 0.3, 0.7, 0.15, 0.85))


def _keep_out_places(keep_out: KeepOut, words: str, height: float) -> tuple[tuple[float, float, float], ...]:
    """The window inside, then around the outside."""
    ground, half, tall = Polygon(keep_out.polygon), wide(words, height) / 2, high(words, height) / 2
    gap = tall + height
    x0, y0, x1, y1 = ground.bounds
    centre, middle, level = ground.representative_point(), (x0 + x1) / 2, (y0 + y1) / 2
    room = box(centre.x - half, centre.y - tall, centre.x + half, centre.y + tall).buffer(0.3 * height)
    inside = [(centre.x, centre.y, 0.0)] if ground.contains(room) else []
    return (
        *inside,
        *((x, y1 + gap, 0.0) for x in (middle, x0 + half, x1 - half)),
        *((x, y0 - gap, 0.0) for x in (middle, x0 + half, x1 - half)),
        *((x1 + half + height, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
        *((x0 - half - height, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
        *((x1 + gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
        *((x0 - gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
    )


def _datum_labels(seen: View, height: float) -> Iterator[Label]:
    x, y = seen.origin
    out = max(bench.trim_allowance(seen.panel, seen.layout)) + 2.5 * height
    half = wide("datum 0, 0", height) / 2
    outer = (x - seen.hand * (half + height), y - out - 0.2 * height, 0.0)
    below = (x + seen.hand * (half + height), y - out + 0.7 * height, 0.0)
    yield Label("DATUM", "datum 0, 0", Point(x, y), (outer, below))
    if edge := _datum_edge(seen):
        line = LineString(edge)
        off = 1.2 * height
        places = [*_from_middle(_beside(line, off)), *_from_middle(_beside(line, 3 * off))]
        yield Label("DATUM", "datum edge", line, tuple(places))


def _datum_edge(seen: View) -> tuple[XY, XY] | None:
    """The longest straight side that lies on a datum line, the lower one first."""
    x, y = seen.origin
    ring = [*seen.panel.outline, seen.panel.outline[0]]
    sides = [
        ((a, b), math.dist(a, b), a[1] == b[1])
        for a, b in zip(ring, ring[1:], strict=False)
        if (a[1] == b[1] == y) or (a[0] == b[0] == x)
    ]
    return max(sides, key=lambda side: (side[2], side[1]))[0] if sides else None

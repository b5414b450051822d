"""The marking of one face of a sheet: every line, circle and word that goes onto it.  mm."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import Bead, Hole
from stiffen.model.panel import Panel

from .bench_view import END_NAMES, FaceView
from .primitives import TEXT_CLEARANCE, XY, Circle, Hatch, Label, LabelPosition, Line, Marking, text_height, text_width

COLLINEAR_TOLERANCE = 1e-6  # mm, between points on one line: rounded corners end a breath beside it
TYPICAL_WIDTH_SHARE = 0.65  # of the width that words need at most: what they take up in common drawing faces
LABEL_PITCH = 25.0  # mm between the places along a line where words may stand


def build_marking(seen: FaceView, height: float) -> Marking:
    """Everything that goes onto a face; `profile_height` of the capitals that it will be lettered with."""
    items = [
        *_outline_items(seen, height),
        *(item for bead in seen.layout.beads for item in _bead_lines(seen, bead, height)),
        *(item for hole in seen.layout.holes for item in _hole_items(hole)),
        *_fastener_items(seen.panel),
        *_datum_lines(seen, height),
    ]
    labels = [
        *_frame_labels(seen, height),
        *_bead_labels(seen, height),
        *_hole_labels(seen, height),
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


def _outline_items(seen: FaceView, height: float) -> Iterator[Line | Circle | Hatch]:
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
        yield _line("ROUGH CUT", seen.rough_outline.exterior.coords[:-1], closed=True)
    for keep_out in panel.keep_outs:
        yield _line("KEEP OUT", keep_out.polygon, closed=True)
        yield Hatch("KEEP OUT", keep_out.polygon)
    for fold in panel.folds:
        yield _line("FOLD", fold.line)


def _bead_lines(seen: FaceView, bead: Bead, height: float) -> Iterator[Line]:
    """Axis, flanks, stops and feed arrow of a bead; only axis and flanks of one that is rolled from the other face."""
    own = seen.is_rolled_here(bead)
    axis = LineString(bead.path)
    yield _line("BEAD AXIS" if own else "OTHER FACE", bead.path)
    yield from _flanks(bead, _extended_axis(seen, bead), "BEAD FLANK" if own else "OTHER FACE")
    if not own:
        return
    half = bead.die.width / 2
    for end, line, is_open in zip(END_NAMES, (axis, axis.reverse()), bead.open_ends, strict=True):
        if is_open or (bead.closed and end == "stop"):
            continue
        at, along = _point_and_direction(line, 0.0)
        yield _tick(at, along, half + 3.0)
        if bead.closed:
            continue
        if end == "start":  # a second tick just outside tells the start from the stop
            yield _tick(at - 2.0 * along, along, half + 3.0)
        if 2 * bead.die.run_out_length < axis.length:
            yield _tick(*_point_and_direction(line, bead.die.run_out_length), half / 2)
    yield _feed_arrow(axis, min(0.5 * axis.length, bead.die.run_out_length + 2.5 * height), height)


def _extended_axis(seen: FaceView, bead: Bead) -> LineString:
    """The axis; open ends go on over the rough cut."""
    path = np.asarray(bead.path, dtype=float)
    more = max(seen.plan.trim_allowance)
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


def _point_and_direction(line: LineString, s: float) -> tuple[np.ndarray, np.ndarray]:
    """The point at `offset` along a line, and the unit vector in which the line goes on there."""
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


def _feed_arrow(axis: LineString, s: float, size: float) -> Line:
    """The head of an arrow on the axis: feed this way."""
    tip, along = _point_and_direction(axis, s)
    across = np.array([-along[1], along[0]])
    back = tip - size * along
    return _line("FEED", [back + 0.4 * size * across, tip, back - 0.4 * size * across])


def _hole_items(hole: Hole) -> Iterator[Line | Circle]:
    yield from _cross("HOLE PILOT", hole.at, hole.die.pilot / 4)
    yield Circle("HOLE PILOT", hole.at, hole.die.pilot)
    yield Circle("HOLE FLANGE", hole.at, hole.die.flange)


def _fastener_items(panel: Panel) -> Iterator[Line | Circle]:
    for support in panel.supports:
        for centre in support.fasteners():
            yield from _cross("RIVET", centre, max(2.0, 0.8 * support.diameter))
            if support.diameter:
                yield Circle("RIVET", centre, support.diameter)


def _datum_lines(seen: FaceView, height: float) -> Iterator[Line]:
    """The two lines through the datum corner, drawn outside the outline only."""
    x, y = seen.datum
    x0, _, x1, y1 = Polygon(seen.panel.outline).bounds
    out = max(seen.plan.trim_allowance) + 2.5 * height
    yield _line("DATUM", [(x0 - out, y), (x0 - 1.0, y)])
    yield _line("DATUM", [(x1 + 1.0, y), (x1 + out, y)])
    yield _line("DATUM", [(x, y - out), (x, y - 1.0)])
    yield _line("DATUM", [(x, y1 + 1.0), (x, y1 + out)])


# -------------------------------------------------------------------------------------------------------------- labels


def _positions_beside(line: LineString, off: float, hands: Sequence[int] = (1, -1)) -> Iterator[LabelPosition]:
    """Places `off` mm to the sides of a line (+1: left) along it, turned with it, from its start on."""
    count = max(2, math.ceil(line.length / LABEL_PITCH))
    for s in (np.arange(count) + 0.5) * line.length / count:
        at, along = _point_and_direction(line, float(s))
        for hand in hands:
            x, y = at + hand * off * np.array([-along[1], along[0]])
            yield float(x), float(y), math.degrees(math.atan2(along[1], along[0]))


def _middle_first(places: Iterable[LabelPosition]) -> tuple[LabelPosition, ...]:
    """The same places, those in the middle first."""
    places = list(places)
    order = sorted(range(len(places)), key=lambda i: abs(2 * i + 1 - len(places)))
    return tuple(places[i] for i in order)


def _bead_labels(seen: FaceView, height: float) -> Iterator[Label]:
    for number, (bead, frame) in enumerate(zip(seen.layout.beads, seen.frame_sides, strict=True), 1):
        hands = (-1, 1) if frame == "left" else (1, -1)  # where no F stands, so that the two are not read as one
        words = f"{number} {bead.die.name} {bead.side}" if seen.is_rolled_here(bead) else f"{number} other face"
        axis = LineString(bead.path)
        places = []
        if not bead.closed:
            for line in (axis, axis.reverse()):
                at, along = _point_and_direction(line, 0.0)
                x, y = at - along * (text_width(words, height) / 2 + 6.0)
                places.append((float(x), float(y), math.degrees(math.atan2(along[1], along[0]))))
        off, inside = _label_offset(bead, height), bead.die.width / 4
        layer = "NUMBER" if seen.is_rolled_here(bead) else "OTHER FACE"
        clear, further, within = (
            list(_positions_beside(axis, away, hands)) for away in (off, off + 1.5 * height, inside)
        )
        yield Label(layer, words, axis, (*places, *clear, *further, *within), f"{number}", (*clear, *within))


def _label_offset(bead: Bead, height: float) -> float:
    """From the axis to the middle of words beside a bead, the tails of their letters clear of its flank."""
    return bead.die.width / 2 + 0.85 * height + 1.5


def _frame_labels(seen: FaceView, height: float) -> Iterator[Label]:
    """An F on the side of the bead that goes to the frame."""
    for bead, side in zip(seen.layout.beads, seen.frame_sides, strict=True):
        if side and seen.is_rolled_here(bead):
            axis, hand = LineString(bead.path), (1 if side == "left" else -1,)
            near, inside = _label_offset(bead, height), bead.die.width / 4
            places = [
                place for off in (near, inside, near + 1.5 * height) for place in _positions_beside(axis, off, hand)
            ]
            yield Label("FEED", "F", axis, tuple(places))


def _hole_labels(seen: FaceView, height: float) -> Iterator[Label]:
    discs = [Point(hole.at).buffer(hole.die.flange / 2) for hole in seen.layout.holes]
    cutouts = [Polygon(cutout.ring) for cutout in seen.panel.cutouts]
    for number, hole in enumerate(seen.layout.holes, 1):
        radius, name = hole.die.flange / 2, f"H{number}"
        words = f"{name} cut {hole.die.pilot:g} {hole.side}"
        own, others = discs[number - 1], shapely.GeometryCollection([*discs[: number - 1], *discs[number:], *cutouts])
        places, nooks = (
            tuple(
                spot
                for spot in positions_around(hole.at, radius, text, height)
                if _reads_as_own(spot, text, height, own, others)
            )
            for text in (words, name)
        )
        yield Label("NUMBER", words, Point(hole.at), places, name, (*nooks, *_positions_in_pilot(hole, name, height)))


def _reads_as_own(spot: LabelPosition, text: str, height: float, own: Polygon, others: BaseGeometry) -> bool:
    """Whether words there are read as those of their own hole: all others, and cut-outs, are clearly further away."""
    x, y, turn = spot
    half = TYPICAL_WIDTH_SHARE * text_width(text, height) / 2
    ground = affinity.rotate(box(x - half, y - height / 2, x + half, y + height / 2), turn, origin=(x, y))
    return others.is_empty or 1.5 * ground.distance(own) <= ground.distance(others)


def _positions_in_pilot(hole: Hole, words: str, height: float) -> Iterator[LabelPosition]:
    """Places inside the pilot hole, between the arms of its cross and past their ends."""
    (x, y), past = hole.at, 0.375 * hole.die.pilot
    yield from ((x, y - past, 0.0), (x, y + past, 0.0))
    right, up = text_width(words, height) / 2 + 0.25 * height + TEXT_CLEARANCE, 0.75 * height + TEXT_CLEARANCE
    yield from ((x + i * right, y + j * up, 0.0) for i, j in ((1, -1), (-1, -1), (1, 1), (-1, 1)))


def positions_around(at: XY, radius: float, words: str, height: float) -> tuple[LabelPosition, ...]:
    """Places below, above, at the sides of a circle and between, then a little further away."""
    x, y = at
    places = []
    near = radius + height + TEXT_CLEARANCE + 0.1  # with the tails of letters clear of the rim on either side
    for away in (near, near + 1.4 * height):
        side = away + text_width(words, height) / 2 - 0.5 * height
        places += [(x, y - away, 0.0), (x, y + away, 0.0), (x + side, y, 0.0), (x - side, y, 0.0)]
        places += [(x - away, y, 90.0), (x + away, y, 90.0)]
        aslant = 0.71 * (away - 0.5 * height)
        across, up = aslant + text_width(words, height) / 2, aslant + 0.5 * height
        places += [(x + i * across, y + j * up, 0.0) for i, j in ((1, -1), (-1, -1), (1, 1), (-1, 1))]
    return tuple(places)


def _outline_labels(seen: FaceView, height: float) -> Iterator[Label]:
    """The words on keep-outs, folds, cut-outs, trim line and rough cut."""
    panel, layout = seen.panel, seen.layout
    for keep_out in panel.keep_outs:
        ground = Polygon(keep_out.polygon)
        told = "no " + "\nor ".join(keep_out.against)
        words = "\n".join([told, *textwrap.wrap(keep_out.why, 14)])  # in short lines, to fit in
        places, nooks = (_positions_in_or_around(ground, one, height) for one in (words, told))
        yield Label("KEEP OUT", words, ground, places, told, nooks)
    for number, fold in enumerate(panel.folds, 1):
        what = f"fold {number}: {'up' if fold.angle > 0 else 'down'} {abs(fold.angle):g} deg"
        how = "toward you" if (fold.angle > 0) == (seen.face == "up") else "away from you"
        how += f", inside R {fold.radius:g}" if fold.radius else ""
        line = LineString(fold.line)
        places, nooks = (_middle_first(_positions_beside(line, away * height)) for away in (1.2, 1.9))
        yield Label("FOLD", f"{what}, {how}", line, places, f"{what}\n{how}", nooks)
    for number, cutout in enumerate(panel.cutouts, 1):
        name, ring = f"C{number}", Polygon(cutout.ring)
        if cutout.circle:
            x, y, diameter = cutout.circle
            words = f"{name} cut {diameter:g}"
            places, nooks = (positions_around((x, y), diameter / 2, told, height) for told in (words, name))
        else:
            words = f"{name} cut-out"
            places, nooks = (_positions_in_or_around(ring, told, height) for told in (words, name))
        yield Label("CUT", words, ring, places, name, nooks)
    outline = Polygon(panel.outline).exterior
    trim = "trim after rolling" if layout.beads else "cut here"
    inside = 1 if outline.is_ccw else -1
    places = _middle_first(_positions_beside(outline, 1.1 * height, (inside,)))
    yield Label("CUT", trim, outline, places, trim.split()[0], places, optional=True)
    if layout.beads:
        rough = seen.rough_outline.exterior
        yield Label("ROUGH CUT", "rough cut: cut here first", rough, _positions_above(rough, 1.2 * height))


def _positions_above(ring: LineString, off: float) -> tuple[LabelPosition, ...]:
    """Places over the longest level side at the top of a ring, or over its highest point."""
    points = np.asarray(ring.coords)[:, :2]
    top = points[:, 1].max()
    sides = [(a, b) for a, b in pairwise(points) if min(a[1], b[1]) > top - 0.01]
    a, b = max(sides, key=lambda side: abs(side[1][0] - side[0][0]), default=(points[points[:, 1].argmax()],) * 2)
    return tuple((float(a[0] + share * (b[0] - a[0])), float(top + off), 0.0) for share in (0.5, 0.3, 0.7, 0.15, 0.85))


def _positions_in_or_around(ground: Polygon, words: str, height: float) -> tuple[LabelPosition, ...]:
    """Places inside an area that has room for the words, then round it, further and further out."""
    half, tall = text_width(words, height) / 2, text_height(words, height) / 2
    x0, y0, x1, y1 = ground.bounds
    centre, middle, level = ground.representative_point(), (x0 + x1) / 2, (y0 + y1) / 2
    room = box(centre.x - half, centre.y - tall, centre.x + half, centre.y + tall).buffer(0.3 * height)
    places = [(centre.x, centre.y, 0.0)] if ground.contains(room) else []
    for away in (height, 2.5 * height, 4 * height):
        gap, aside = tall + away, half + away
        places += [
            *((x, y1 + gap, 0.0) for x in (middle, x0 + half, x1 - half)),
            *((x, y0 - gap, 0.0) for x in (middle, x0 + half, x1 - half)),
            *((x1 + aside, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
            *((x0 - aside, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
            *((x1 + gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
            *((x0 - gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
        ]
    return tuple(places)


def _datum_labels(seen: FaceView, height: float) -> Iterator[Label]:
    x, y = seen.datum
    out = max(seen.plan.trim_allowance) + 2.5 * height
    half = text_width("datum 0, 0", height) / 2
    outer = (x - seen.x_sign * (half + height), y - out - 0.2 * height, 0.0)
    below = (x + seen.x_sign * (half + height), y - out + height, 0.0)
    yield Label("DATUM", "datum 0, 0", Point(x, y), (outer, below))
    if edge := _datum_edge(seen):
        line = LineString(edge)
        off = 1.2 * height
        places = [*_middle_first(_positions_beside(line, off)), *_middle_first(_positions_beside(line, 3 * off))]
        yield Label("DATUM", "datum edge", line, tuple(places), optional=True)


def _datum_edge(seen: FaceView) -> tuple[XY, XY] | None:
    """The longest straight side that lies on a datum line, the lower one first."""
    x, y = seen.datum
    ring = [*seen.panel.outline, seen.panel.outline[0]]
    sides = [
        ((a, b), math.dist(a, b), level)
        for a, b in pairwise(ring)
        for level, on in ((True, (a[1], b[1], y)), (False, (a[0], b[0], x)))
        if max(on) - min(on) < COLLINEAR_TOLERANCE
    ]
    return max(sides, key=lambda side: (side[2], side[1]))[0] if sides else None

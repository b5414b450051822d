"""The marking of one face of a sheet: every line, circle and label drawn on it.  All lengths in mm."""

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
from stiffen.shop.folding.bend_zones import BendZone, bend_zones
from stiffen.shop.folding.brake import is_round
from stiffen.shop.folding.curved_flange import curved_flange_name

from .bench_view import END_NAMES, FaceView, mark_points
from .keep_out_marks import keep_out_marks
from .primitives import TEXT_CLEARANCE, XY, Circle, Hatch, Label, LabelPosition, Line, Marking, text_height, text_width

COLLINEAR_TOLERANCE = 1e-6  # mm; rounded corners end this close to a straight side
TYPICAL_WIDTH_SHARE = 0.65  # width of text in common drawing fonts over its upper limit, `text_width`
OVER_ROUGH_CUT = 1.0  # mm by which an open end is drawn past the rough cut
CENTRE_CROSS_ARM = 3.0  # mm, of the cross at the centre of an arc
LABEL_PITCH = 25.0  # mm between label positions along a line


def build_marking(view: FaceView, height: float) -> Marking:
    """All items and labels of one face.  height: of the capitals of its labels, mm."""
    items = [
        *_outline_items(view, height),
        *(item for bead in view.layout.beads for item in _bead_lines(view, bead, height)),
        *(item for hole in view.layout.holes for item in _hole_items(hole)),
        *_fastener_items(view.panel),
        *_datum_lines(view, height),
    ]
    labels = [
        *_frame_labels(view, height),
        *_arc_labels(view, height),
        *_bead_labels(view, height),
        *_hole_labels(view, height),
        *_outline_labels(view, height),
        *_datum_labels(view, height),
    ]
    return Marking(tuple(items), tuple(labels))


def _line(layer: str, points: Iterable, closed: bool = False) -> Line:
    return Line(layer, tuple((float(x), float(y)) for x, y in points), closed)


def _cross(layer: str, at: XY, arm: float) -> Iterator[Line]:
    x, y = at
    yield _line(layer, [(x - arm, y), (x + arm, y)])
    yield _line(layer, [(x, y - arm), (x, y + arm)])


def _outline_items(view: FaceView, height: float) -> Iterator[Line | Circle | Hatch]:
    """Finished outline, rough cut, cut-outs, keep-outs and folds."""
    panel = view.panel
    yield _line("CUT", panel.outline, closed=True)
    for cutout in panel.cutouts:
        if cutout.circle:
            x, y, diameter = cutout.circle
            yield Circle("CUT", (x, y), diameter)
            yield from _cross("CUT", (x, y), min(3.0, diameter / 4))
        else:
            yield _line("CUT", cutout.ring, closed=True)
    if view.layout.beads:
        yield _line("ROUGH CUT", view.rough_outline.exterior.coords[:-1], closed=True)
    if panel.finished:
        yield _line("MOULD LINE", panel.finished, closed=True)
    for mark in keep_out_marks(panel, view.layout):
        for ring in () if mark.over_whole_sheet else mark.parts:
            yield _line("KEEP OUT", ring, closed=True)
            yield Hatch("KEEP OUT", ring, mark.hatch_angle)
    for line in panel.fold_lines:
        yield _line("FOLD", line)
    for zone in _round_bends(view):
        yield _line("BEND TANGENT", zone.inner.coords)
        yield _line("BEND TANGENT", zone.outer.coords)


def _round_bends(view: FaceView) -> list[BendZone]:
    """The bends formed round a tube; two tangent lines mark each."""
    t = view.layout.gauge
    return [zone for zone in bend_zones(view.panel, t) if is_round(zone, t)]


def _bead_lines(view: FaceView, bead: Bead, height: float) -> Iterator[Line]:
    """Axis, flanks, stop ticks and feed arrow of a bead; only axis and flanks if it is rolled from the other face."""
    own = view.is_rolled_here(bead)
    axis = LineString(bead.path)
    yield _line("BEAD AXIS" if own else "OTHER FACE", bead.path)
    yield from _flanks(bead, _extended_axis(view, bead), "BEAD FLANK" if own else "OTHER FACE")
    if not own:
        return
    half = bead.die.width / 2
    for end, line, is_open in zip(END_NAMES, (axis, axis.reverse()), bead.open_ends, strict=True):
        if is_open or (bead.closed and end == "stop"):
            continue
        at, along = _point_and_direction(line, 0.0)
        yield _tick(at, along, half + 3.0)
        if bead.closed:  # rolled on past its start, over the length in which the rolls went down
            yield _tick(*_point_and_direction(line, bead.die.run_out_length), half / 2)
            continue
        if end == "start":  # a second tick just outside marks the start
            yield _tick(at - 2.0 * along, along, half + 3.0)
        if 2 * bead.die.run_out_length < axis.length:
            yield _tick(*_point_and_direction(line, bead.die.run_out_length), half / 2)
    for point in mark_points(bead):
        if point.centre and view.within_reach(point.centre):
            yield from _cross("BEAD AXIS", point.centre, CENTRE_CROSS_ARM)
    yield _feed_arrow(axis, min(0.5 * axis.length, bead.die.run_out_length + 2.5 * height), height)


def _extended_axis(view: FaceView, bead: Bead) -> LineString:
    """The bead's axis, with its open ends extended past the rough cut."""
    path = np.asarray(bead.path, dtype=float)
    more = max(view.plan.trim_allowance) + OVER_ROUGH_CUT
    for end, inner, is_open in ((0, 1, bead.open_ends[0]), (-1, -2, bead.open_ends[1])):
        if is_open:
            out = path[end] - path[inner]
            path[end] += more * out / np.hypot(*out)
    return LineString(path)


def _flanks(bead: Bead, axis: LineString, layer: str) -> Iterator[Line]:
    """The two edges of a bead along an axis."""
    half = bead.die.width / 2
    if bead.closed:
        band = axis.buffer(half, join_style="mitre")
        for ring in (band.exterior, *band.interiors):
            yield _line(layer, ring.coords[:-1], closed=True)
        return
    for offset in (half, -half):
        flank = axis.offset_curve(offset, join_style="mitre")
        if flank.geom_type == "LineString" and not flank.is_empty:
            yield _line(layer, flank.coords)


def _point_and_direction(line: LineString, s: float) -> tuple[np.ndarray, np.ndarray]:
    """The point at arc length s of a line, and the unit vector along the line there."""
    s = min(max(s, 0.0), line.length)
    before, after = line.interpolate(max(s - 0.01, 0.0)), line.interpolate(s + 0.01)
    if s + 0.01 <= line.length:
        before = line.interpolate(s)
    along = np.array([after.x - before.x, after.y - before.y])
    at = line.interpolate(s)
    return np.array([at.x, at.y]), along / (np.hypot(*along) or 1.0)


def _tick(at: np.ndarray, along: np.ndarray, half: float) -> Line:
    """A tick across a bead's axis, 2 x half mm long."""
    across = np.array([-along[1], along[0]])
    return _line("BEAD STOP", [at - half * across, at + half * across])


def _feed_arrow(axis: LineString, s: float, size: float) -> Line:
    """The arrow head of the feed direction, its tip at arc length s of the axis."""
    tip, along = _point_and_direction(axis, s)
    across = np.array([-along[1], along[0]])
    back = tip - size * along
    return _line("FEED", [back + 0.4 * size * across, tip, back - 0.4 * size * across])


def _hole_items(hole: Hole) -> Iterator[Line | Circle]:
    """Centre cross, hole to cut and edge of the flare."""
    yield from _cross("HOLE PILOT", hole.at, hole.die.cut_diameter / 4)
    yield Circle("HOLE PILOT", hole.at, hole.die.cut_diameter)
    yield Circle("HOLE FLANGE", hole.at, hole.die.flange)


def _fastener_items(panel: Panel) -> Iterator[Line | Circle]:
    """A centre cross for each rivet and bolt, and a circle where its diameter is known."""
    for support in panel.supports:
        for centre in support.fasteners():
            yield from _cross("RIVET", centre, max(2.0, 0.8 * support.diameter))
            if support.diameter:
                yield Circle("RIVET", centre, support.diameter)


def _datum_lines(view: FaceView, height: float) -> Iterator[Line]:
    """The two datum lines, drawn only outside the finished outline."""
    x, y = view.datum
    x0, _, x1, y1 = Polygon(view.panel.outline).bounds
    out = max(view.plan.trim_allowance) + 2.5 * height
    yield _line("DATUM", [(x0 - out, y), (x0 - 1.0, y)])
    yield _line("DATUM", [(x1 + 1.0, y), (x1 + out, y)])
    yield _line("DATUM", [(x, y - out), (x, y - 1.0)])
    yield _line("DATUM", [(x, y1 + 1.0), (x, y1 + out)])


# -------------------------------------------------------------------------------------------------------------- labels


def _positions_beside(line: LineString, offset: float, sides: Sequence[int] = (1, -1)) -> Iterator[LabelPosition]:
    """Positions `offset` mm beside a line, from its start to its end, parallel to it.  sides: +1 left, -1 right."""
    count = max(2, math.ceil(line.length / LABEL_PITCH))
    for s in (np.arange(count) + 0.5) * line.length / count:
        at, along = _point_and_direction(line, float(s))
        for side in sides:
            x, y = at + side * offset * np.array([-along[1], along[0]])
            yield float(x), float(y), math.degrees(math.atan2(along[1], along[0]))


def _middle_first(positions: Iterable[LabelPosition]) -> tuple[LabelPosition, ...]:
    """The same positions, sorted from the middle outward."""
    positions = list(positions)
    order = sorted(range(len(positions)), key=lambda i: abs(2 * i + 1 - len(positions)))
    return tuple(positions[i] for i in order)


def _bead_labels(view: FaceView, height: float) -> Iterator[Label]:
    """Number, die and face of each bead: off its ends, beside it, else on it."""
    for number, (bead, frame) in enumerate(zip(view.layout.beads, view.frame_sides, strict=True), 1):
        sides = (-1, 1) if frame == "left" else (1, -1)  # the side without the word frame first, to keep apart
        text = f"{number} {bead.die.name} {bead.side}" if view.is_rolled_here(bead) else f"{number} other face"
        axis = LineString(bead.path)
        positions = []
        if not bead.closed:
            for line in (axis, axis.reverse()):
                at, along = _point_and_direction(line, 0.0)
                x, y = at - along * (text_width(text, height) / 2 + 6.0)
                positions.append((float(x), float(y), math.degrees(math.atan2(along[1], along[0]))))
        beside, inside = _label_offset(bead, height), bead.die.width / 4
        layer = "NUMBER" if view.is_rolled_here(bead) else "OTHER FACE"
        clear, further, within = (
            list(_positions_beside(axis, offset, sides)) for offset in (beside, beside + 1.5 * height, inside)
        )
        yield Label(layer, text, axis, (*positions, *clear, *further, *within), f"{number}", (*clear, *within))


def _label_offset(bead: Bead, height: float) -> float:
    """Distance from a bead's axis to the middle of a label beside it; descenders stay clear of the flank."""
    return bead.die.width / 2 + 0.85 * height + 1.5


def _arc_labels(view: FaceView, height: float) -> Iterator[Label]:
    """The number of the bead and the radius at the centre of each arc that lies on the sheet."""
    for number, bead in enumerate(view.layout.beads, 1):
        for point in mark_points(bead):
            if view.is_rolled_here(bead) and point.centre and view.within_reach(point.centre):
                text = f"{number} R {point.radius:.0f}"
                positions = positions_around(point.centre, CENTRE_CROSS_ARM, text, height)
                yield Label("NUMBER", text, Point(point.centre), positions, optional=True)


def _frame_labels(view: FaceView, height: float) -> Iterator[Label]:
    """The word "frame" on the side of each bead that goes to the roller's frame."""
    for bead, side in zip(view.layout.beads, view.frame_sides, strict=True):
        if side and view.is_rolled_here(bead):
            axis, hand = LineString(bead.path), (1 if side == "left" else -1,)
            near, inside = _label_offset(bead, height), bead.die.width / 4
            positions = [
                place for off in (near, inside, near + 1.5 * height) for place in _positions_beside(axis, off, hand)
            ]
            yield Label("FEED", "frame", axis, tuple(positions))


def _hole_labels(view: FaceView, height: float) -> Iterator[Label]:
    """Number, pilot diameter and face of each flared hole, nearer to it than to any other hole or cut-out."""
    discs = [Point(hole.at).buffer(hole.die.flange / 2) for hole in view.layout.holes]
    cutouts = [Polygon(cutout.ring) for cutout in view.panel.cutouts]
    for number, hole in enumerate(view.layout.holes, 1):
        radius, name = hole.die.flange / 2, f"H{number}"
        full = f"{name} cut {round(hole.die.cut_diameter, 1):g} {hole.side}"
        own, others = discs[number - 1], shapely.GeometryCollection([*discs[: number - 1], *discs[number:], *cutouts])
        positions, short_positions = (
            tuple(
                position
                for position in positions_around(hole.at, radius, text, height)
                if _reads_as_own(position, text, height, own, others)
            )
            for text in (full, name)
        )
        short_positions = (*short_positions, *_positions_in_pilot(hole, name, height))
        yield Label("NUMBER", full, Point(hole.at), positions, name, short_positions)


def _reads_as_own(position: LabelPosition, text: str, height: float, own: Polygon, others: BaseGeometry) -> bool:
    """True if a label there reads as that of its own hole: other holes and cut-outs are 1.5 times as far away."""
    x, y, angle = position
    half = TYPICAL_WIDTH_SHARE * text_width(text, height) / 2
    footprint = affinity.rotate(box(x - half, y - height / 2, x + half, y + height / 2), angle, origin=(x, y))
    return others.is_empty or 1.5 * footprint.distance(own) <= footprint.distance(others)


def _positions_in_pilot(hole: Hole, text: str, height: float) -> Iterator[LabelPosition]:
    """Positions inside the pilot hole: past the ends of its centre cross, then between the arms of the cross."""
    (x, y), past = hole.at, 0.375 * hole.die.cut_diameter
    yield from ((x, y - past, 0.0), (x, y + past, 0.0))
    right, up = text_width(text, height) / 2 + 0.25 * height + TEXT_CLEARANCE, 0.75 * height + TEXT_CLEARANCE
    yield from ((x + i * right, y + j * up, 0.0) for i, j in ((1, -1), (-1, -1), (1, 1), (-1, 1)))


def positions_around(at: XY, radius: float, text: str, height: float) -> tuple[LabelPosition, ...]:
    """Label positions round a circle: below, above, right, left, upright at the sides, diagonal; then further away."""
    x, y = at
    positions = []
    near = radius + height + TEXT_CLEARANCE + 0.1  # descenders clear of the circle
    for away in (near, near + 1.4 * height):
        side = away + text_width(text, height) / 2 - 0.5 * height
        positions += [(x, y - away, 0.0), (x, y + away, 0.0), (x + side, y, 0.0), (x - side, y, 0.0)]
        positions += [(x - away, y, 90.0), (x + away, y, 90.0)]
        aslant = 0.71 * (away - 0.5 * height)
        across, up = aslant + text_width(text, height) / 2, aslant + 0.5 * height
        positions += [(x + i * across, y + j * up, 0.0) for i, j in ((1, -1), (-1, -1), (1, 1), (-1, 1))]
    return tuple(positions)


def _outline_labels(view: FaceView, height: float) -> Iterator[Label]:
    """Labels of keep-outs, folds, cut-outs, trim line and rough cut."""
    panel, layout = view.panel, view.layout
    for mark in keep_out_marks(panel, layout):
        if mark.over_whole_sheet:
            continue
        area = max(map(Polygon, mark.parts), key=lambda part: part.area)
        short = f"{mark.name} {mark.rule}".replace(" or ", "\nor ")
        full = "\n".join([short, *textwrap.wrap(mark.keep_out.why, 14)])  # short lines, to fit inside
        positions, short_positions = (_positions_in_or_around(area, text, height) for text in (full, short))
        yield Label("KEEP OUT", full, area, positions, short, short_positions)
    round_bends = {zone.number: zone.allowance for zone in _round_bends(view)}
    for number, fold in enumerate(panel.folds, 1):
        what = f"fold {number}: {'up' if fold.angle > 0 else 'down'} {abs(fold.angle):g} deg"
        how = "toward you" if (fold.angle > 0) == (view.face == "up") else "away from you"
        if number in round_bends:
            how += f", round to inside R {fold.radius:g} between the two lines {round_bends[number]:.1f} apart"
        else:
            how += f", inside R {fold.radius:g}" if fold.radius else ""
        line = LineString(fold.line)
        positions, short_positions = (_middle_first(_positions_beside(line, away * height)) for away in (1.2, 1.9))
        yield Label("FOLD", f"{what}, {how}", line, positions, f"{what}\n{how}", short_positions)
    yield from _curved_flange_labels(view, height)
    for number, cutout in enumerate(panel.cutouts, 1):
        name, ring = f"C{number}", Polygon(cutout.ring)
        if cutout.circle:
            x, y, diameter = cutout.circle
            full = f"{name} cut {diameter:g}"
            positions, short_positions = (positions_around((x, y), diameter / 2, text, height) for text in (full, name))
        else:
            full = f"{name} cut-out"
            positions, short_positions = (_positions_in_or_around(ring, text, height) for text in (full, name))
        yield Label("CUT", full, ring, positions, name, short_positions)
    outline = Polygon(panel.outline).exterior
    trim = "trim after rolling" if layout.beads else "cut here"
    inside = 1 if outline.is_ccw else -1
    positions = _middle_first(_positions_beside(outline, 1.1 * height, (inside,)))
    yield Label("CUT", trim, outline, positions, trim.split()[0], positions, optional=True)
    if layout.beads:
        rough = view.rough_outline.exterior
        clear = view.plan.trim_allowance[1] + 1.1 * height
        positions = (*_positions_above(rough, 1.2 * height), *_positions_above(rough, -clear))
        yield Label("ROUGH CUT", "rough cut: cut here first", rough, positions)


def _curved_flange_labels(view: FaceView, height: float) -> Iterator[Label]:
    """Number, angle and radius of each curved flange, on the base, clear of its arc."""
    panel = view.panel
    for flange in panel.curved_flanges:
        name = curved_flange_name(panel, flange)
        what = f"{name}, curved: {'up' if flange.angle > 0 else 'down'} {abs(flange.angle):g} deg"
        how = "toward you" if (flange.angle > 0) == (view.face == "up") else "away from you"
        how += f", inside R {flange.bend_radius:g}" if flange.bend_radius else ""
        line, full, short = LineString(flange.line), f"{what}, {how}", f"{what}\n{how}"
        places = []
        for text, away in ((full, 1.4), (short, 2.0)):
            bow = text_width(text, height) ** 2 / (8 * flange.fold_radius) if flange.is_outside else 0.0
            beside = _positions_beside(line, away * height + bow, (1 if flange.is_outside else -1,))
            places.append(_middle_first(beside))
        yield Label("FOLD", full, line, places[0], short, places[1])


def _positions_above(ring: LineString, offset: float) -> tuple[LabelPosition, ...]:
    """Positions `offset` mm above the longest horizontal side at the top of a ring, else above its highest point."""
    points = np.asarray(ring.coords)[:, :2]
    top = points[:, 1].max()
    sides = [(a, b) for a, b in pairwise(points) if min(a[1], b[1]) > top - 0.01]
    a, b = max(sides, key=lambda side: abs(side[1][0] - side[0][0]), default=(points[points[:, 1].argmax()],) * 2)
    shares = (0.5, 0.3, 0.7, 0.15, 0.85)
    return tuple((float(a[0] + share * (b[0] - a[0])), float(top + offset), 0.0) for share in shares)


def _positions_in_or_around(area: Polygon, text: str, height: float) -> tuple[LabelPosition, ...]:
    """The middle of an area if the text fits inside, then positions round it, further and further out."""
    half, tall = text_width(text, height) / 2, text_height(text, height) / 2
    x0, y0, x1, y1 = area.bounds
    centre, middle, level = area.representative_point(), (x0 + x1) / 2, (y0 + y1) / 2
    needed = box(centre.x - half, centre.y - tall, centre.x + half, centre.y + tall).buffer(0.3 * height)
    positions = [(centre.x, centre.y, 0.0)] if area.contains(needed) else []
    for away in (height, 2.5 * height, 4 * height):
        gap, aside = tall + away, half + away
        positions += [
            *((x, y1 + gap, 0.0) for x in (middle, x0 + half, x1 - half)),
            *((x, y0 - gap, 0.0) for x in (middle, x0 + half, x1 - half)),
            *((x1 + aside, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
            *((x0 - aside, y, 0.0) for y in (level, y0 + tall, y1 - tall)),
            *((x1 + gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
            *((x0 - gap, y, 90.0) for y in (level, y0 + half, y1 - half)),
        ]
    return tuple(positions)


def _datum_labels(view: FaceView, height: float) -> Iterator[Label]:
    x, y = view.datum
    out = max(view.plan.trim_allowance) + 2.5 * height
    half = text_width("datum 0, 0", height) / 2
    outer = (x - view.x_sign * (half + height), y - out - 0.2 * height, 0.0)
    below = (x + view.x_sign * (half + height), y - out + height, 0.0)
    inner = [  # inside the outline, for paper that ends at the blank's edge
        (x + view.x_sign * (half + gap * height), y + level * height, 0.0)
        for gap in (1.0, 3.0, 6.0)
        for level in (1.2, 3.0, 5.0, 8.0)
    ]
    yield Label("DATUM", "datum 0, 0", Point(x, y), (outer, below, *inner))
    if edge := _datum_edge(view):
        line = LineString(edge)
        offset = 1.2 * height
        near, far = (_middle_first(_positions_beside(line, away)) for away in (offset, 3 * offset))
        positions = [*near, *far]
        yield Label("DATUM", "datum edge", line, tuple(positions), optional=True)


def _datum_edge(view: FaceView) -> tuple[XY, XY] | None:
    """The longest straight side on a datum line; a side on the horizontal line is preferred.  None if there is none."""
    x, y = view.datum
    ring = [*view.panel.outline, view.panel.outline[0]]
    sides = [
        ((a, b), math.dist(a, b), level)
        for a, b in pairwise(ring)
        for level, on in ((True, (a[1], b[1], y)), (False, (a[0], b[0], x)))
        if max(on) - min(on) < COLLINEAR_TOLERANCE
    ]
    return max(sides, key=lambda side: (side[2], side[1]))[0] if sides else None

"""Patterns of flared holes as a maker would mark them: rows and grids of one size at one pitch.

Each row or grid is centred in a room, a connected part of the region where holes may lie; or all lie on one lattice
(`hole_lattices`).  mm.  The same panel gives the same patterns in the same order.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from itertools import count, product

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import Bead, Hole, Point
from stiffen.model.panel import Panel
from stiffen.model.tools import HoleDie
from stiffen.shop import clearance, layout_check

from . import symmetry
from .hole_lattices import hole_lattices
from .straight_beads import fixed_beads_and_holes, main_directions, proud_side

Row = tuple[Hole, ...]  # holes of one row or grid with its mirror images; all or none are in a layout
PITCH_FACTORS = (1.0, 1.5, 2.0)  # pitch over the least pitch
PITCH_STEP = 5.0  # mm: pitches are multiples of it
ROUNDED_TO = (5.0, 1.0, 0.5)  # mm: to which rows along x and y are moved, the first that keeps all their holes
NEARBY = sorted(product(range(-2, 3), repeat=2), key=lambda one: (abs(one[0]) + abs(one[1]), one))  # steps moved by
SAME_LINE = 0.6  # mm: holes no farther from a line stand on it; images of whole millimetres about a middle on a half
MIN_HOLES_IN_ROW = 3  # on one line, with their mirror images: fewer do not look deliberate, nor are they worth the die


def hole_patterns(
    panel: Panel,
    gauge: float,
    beads: tuple[Bead, ...],
    mirror_axes: str,
    most: float = math.inf,
    holes: tuple[Hole, ...] | None = None,
) -> list[tuple[Row, ...]]:
    """Patterns of holes beside some beads and holes; each is a tuple of rows, of one die and one pitch.

    mirror_axes: axes along which rows are mirrored, "" for none.  most: number of holes in a row or grid; larger ones
    are thinned line by line, each way in a pattern of its own.  holes: that are there; default the fixed ones.
    """
    there = fixed_beads_and_holes(panel)[1] if holes is None else holes
    patterns: dict[tuple[Row, ...], None] = {}
    for die in panel.tools.hole_dies:
        if layout_check.hole_die_violations(panel, die, gauge):
            continue
        region = clearance.hole_feasible_region(panel, die, gauge, beads, there)
        if region.is_empty:
            continue
        least = die.flange + clearance.pair_clearance(panel.tools, "hole", "hole", gauge)
        for factor in PITCH_FACTORS:
            pitch = PITCH_STEP * math.ceil(factor * least / PITCH_STEP - 1e-6)
            rows = tuple(_rows(panel, die, region, pitch, mirror_axes))
            for one in _thinned_patterns(panel, rows, mirror_axes, most):
                patterns.setdefault(one)
        for lines in hole_lattices(panel, die, region, beads, mirror_axes, least):
            if rows := tuple(line for line in lines if len(line) <= most):
                patterns.setdefault(rows)
    return list(patterns)


def _thinned_patterns(panel: Panel, rows: tuple[Row, ...], mirror_axes: str, most: float) -> Iterator[tuple[Row, ...]]:
    """A pattern whose rows have at most so many holes each; one for each way to thin one that has more."""
    few = tuple(row for row in rows if len(row) <= most)
    if few:
        yield few
    for row in rows:
        if len(row) > most:
            for part in thinned(row, most, main_directions(panel)[0], symmetry.outline_centre(panel), mirror_axes):
                yield (part, *few)


def thinned(row: Row, most: float, angle: float, centre: Point, mirror_axes: str) -> list[Row]:
    """Parts of a grid with at most so many holes: whole lines of it, from one side, the other, or the middle.

    angle: of its lines, degrees.  Lines go with their mirror images.  A grid that is mirrored aslant is not thinned.
    """
    if angle % 90 and mirror_axes:
        return []
    parts: dict[Row, None] = {}
    for first, second in ("yx", "xy"):
        for part in _fewer_lines(row, most, first, angle, centre, mirror_axes):
            for one in [part] if len(part) <= most else _fewer_lines(part, most, second, angle, centre, mirror_axes):
                if MIN_HOLES_IN_ROW <= len(one) <= most:
                    parts.setdefault(one)
    return list(parts)


def _fewer_lines(row: Row, most: float, across: str, angle: float, centre: Point, mirror_axes: str) -> list[Row]:
    """As many lines of a grid as have at most so many holes together, but at least one.

    across: the direction, "x" or "y", in which the lines follow each other.
    """
    c, s = math.cos(math.radians(angle % 90)), math.sin(math.radians(angle % 90))
    lines: dict[float, list[Hole]] = defaultdict(list)
    for hole in row:
        x, y = hole.at[0] - centre[0], hole.at[1] - centre[1]
        place = c * y - s * x if across == "y" else c * x + s * y
        lines[round(abs(place) if across in mirror_axes else place, 1) + 0.0].append(hole)
    rising = sorted(lines)
    orders = [rising, rising[::-1]]
    if across not in mirror_axes:
        middle = (rising[0] + rising[-1]) / 2
        orders.append(sorted(rising, key=lambda place: (round(abs(place - middle), 3), place)))
    parts = []
    for order in orders:
        sizes = np.cumsum([len(lines[place]) for place in order])
        kept = [hole for place in order[: max(1, int((sizes <= most).sum()))] for hole in lines[place]]
        parts.append(tuple(hole for hole in row if hole in kept))
    return parts


def _rows(panel: Panel, die: HoleDie, region: BaseGeometry, pitch: float, mirror_axes: str) -> Iterator[Row]:
    """The rows or grids of one die at one pitch, one for each room of the region, with its mirror images."""
    centre = symmetry.outline_centre(panel)
    x0, y0, _, _ = Polygon(panel.outline).bounds
    side = proud_side(panel)
    angle = main_directions(panel)[0]
    taken = np.zeros((0, 2))
    for room in sorted(_rooms(region), key=lambda one: (-round(one.area), one.bounds)):
        points = _grid(room, pitch, angle, (x0, y0), centre)
        members: list[Hole] = []
        for images in (_images(point, centre, mirror_axes) for point in points):
            if not all(_on(region, x, y) for x, y in images):
                continue
            places = np.array(images)
            if len(taken) and np.hypot(*(taken[:, None] - places[None]).transpose(2, 0, 1)).min() < pitch - 0.5:
                continue
            members += [Hole(die, point, side) for point in images]
            taken = np.vstack([taken, places])
        members = [hole for hole in members if _stands_in_a_row(hole, members, pitch, angle, bool(mirror_axes))]
        if len(members) >= MIN_HOLES_IN_ROW:
            yield tuple(sorted(members, key=lambda hole: (round(hole.at[1], 1), round(hole.at[0], 1))))


def _rooms(region: BaseGeometry) -> list[Polygon]:
    """Connected parts of a region, of more than 1 mm2; each holds one row or grid."""
    return [part for part in shapely.get_parts(region) if part.geom_type == "Polygon" and part.area > 1.0]


def _grid(room: Polygon, pitch: float, angle: float, datum: Point, centre: Point) -> list[Point]:
    """Points of a grid along `angle` (degrees) that lie in the room, centred in it.

    Along x and y they move to multiples of 5 mm from the datum where as many points stay in the room, else to whole or
    half mm, where most stay; a grid about a centre line of the sheet stays even about it.
    """
    if angle % 90 == 0:
        angle = 0.0
    x0, y0, x1, y1 = rotate(room, -angle, origin=(0.0, 0.0)).bounds
    xs, ys = _centred(x0, x1, pitch), _centred(y0, y1, pitch)
    inside = _points_inside(room, xs, ys, angle)
    if angle:
        return inside
    most: list[Point] = []
    for step in ROUNDED_TO:
        for right, up in NEARBY:
            columns = _shifted(xs, step, datum[0], centre[0]) + right * step
            rows = _shifted(ys, step, datum[1], centre[1]) + up * step
            moved = _points_inside(room, columns, rows, angle)
            if len(moved) >= len(inside):
                return moved
            most = max(most, moved, key=len) if step < PITCH_STEP else most
    return most


def _shifted(places: np.ndarray, step: float, datum: float, centre: float) -> np.ndarray:
    """Places moved together: the first to a multiple of `step` from the datum, or all even about the centre."""
    middle = (places[0] + places[-1]) / 2
    if abs(middle - centre) < PITCH_STEP:
        return places + (centre - middle)
    return places + (datum + step * round((places[0] - datum) / step) - places[0])


def _points_inside(room: Polygon, xs: np.ndarray, ys: np.ndarray, angle: float) -> list[Point]:
    """Points of a grid, turned by `angle` about the origin, that lie in the room."""
    x, y = (v.ravel() for v in np.meshgrid(xs, ys))
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    px, py = c * x - s * y, s * x + c * y
    inside = shapely.dwithin(room, shapely.points(px, py), 1e-6)
    return [(round(float(a), 3) + 0.0, round(float(b), 3) + 0.0) for a, b in zip(px[inside], py[inside], strict=True)]


def _centred(low: float, high: float, pitch: float) -> np.ndarray:
    """(k,) places between two ends, as many at the pitch as fit, centred."""
    count = int((high - low) / pitch + 1e-6) + 1
    return (low + high) / 2 + pitch * (np.arange(count) - (count - 1) / 2)


def _images(point: tuple[float, float], centre: tuple[float, float], mirror_axes: str) -> list[tuple[float, float]]:
    """A point with its mirror images, each once."""
    out = [point]
    for axis in mirror_axes:
        for x, y in list(out):
            image = (2 * centre[0] - x, y) if axis == "x" else (x, 2 * centre[1] - y)
            if all(math.dist(image, other) > 0.6 for other in out):
                out.append((round(image[0], 3) + 0.0, round(image[1], 3) + 0.0))
    return out


def _on(region: BaseGeometry, x: float, y: float) -> bool:
    return bool(shapely.dwithin(region, shapely.Point(x, y), 1e-6))


def _stands_in_a_row(hole: Hole, members: list[Hole], pitch: float, angle: float, mirrored: bool) -> bool:
    """True if a hole is one of MIN_HOLES_IN_ROW that follow each other at the pitch, along an angle or square to it.

    mirrored: one neighbour is enough, as the images make more of the two.
    """
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    steps = [(other.at[0] - hole.at[0], other.at[1] - hole.at[1]) for other in members]
    turned = [((c * x + s * y) / pitch, (c * y - s * x) / pitch) for x, y in steps]
    for along in (0, 1):
        places = {round(one[along], 2) for one in turned if abs(one[1 - along]) < SAME_LINE / pitch}
        right = next(k for k in count(1) if k not in places)
        left = next(k for k in count(1) if -k not in places)
        run = left + right - 1
        if run >= MIN_HOLES_IN_ROW or (mirrored and run > 1):
            return True
    return False

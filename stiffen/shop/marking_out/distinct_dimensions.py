"""How many distinct dimensions a person must measure to mark out a layout.

Coordinates along an axis are measured from the datum edge, or from the centre line where each has its image about it;
then one half is measured.  Places at one pitch are two dimensions, the first place and the pitch; one where
they lie evenly about the centre line.  A pitch, a length, a radius, an angle other than 0 or 90 degrees counts once
however often it recurs.  A row of holes that starts on a line which another row has marked needs no start of its own,
nor a bead that ends on two such lines a length.  mm, degrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry import Polygon

from stiffen.model.layout import Bead, Layout, Point
from stiffen.model.panel import Panel

from .hole_rows import HoleRow, hole_rows

SAME = 0.25  # mm or degrees: dimensions that agree to it are one
MIRRORED = 0.6  # mm: how far an image may lie from what it mirrors; whole millimetres about a middle on a half
LARGEST_CHORD_TURN = math.radians(15.0)  # between neighbouring chords of a rounded corner
LEAST_SIDE = 0.1  # of the longest: shorter chords of a closed path belong to its corners
MIN_PROGRESSION = 3  # places at one pitch that are marked as start and pitch


@dataclass(frozen=True)
class DistinctDimensions:
    """The dimensions to measure.

    x, y: coordinates, from the datum edge or from the centre line.  symmetric_x, symmetric_y: True if from the
    centre line.  lengths, pitches, radii: mm.  angles: degrees from x.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    lengths: tuple[float, ...]
    pitches: tuple[float, ...]
    radii: tuple[float, ...]
    angles: tuple[float, ...]
    symmetric_x: bool
    symmetric_y: bool

    @property
    def count(self) -> int:
        """Number of dimensions to measure."""
        along_x, along_y = (split_places(*one) for one in ((self.x, self.symmetric_x), (self.y, self.symmetric_y)))
        pitches = _distinct((*self.pitches, *along_x.pitches, *along_y.pitches))
        return along_x.starts + along_y.starts + sum(map(len, (pitches, self.lengths, self.radii, self.angles)))

    @property
    def odd(self) -> int:
        """How many coordinates, lengths and pitches are no multiples of 2.5 mm, half of a 5 mm step about a middle."""
        values = (*self.x, *self.y, *self.lengths, *self.pitches)
        return sum(abs(value - 2.5 * round(value / 2.5)) > 0.01 for value in values)


def distinct_dimensions(panel: Panel, layout: Layout) -> DistinctDimensions:
    """The distinct dimensions of a layout's beads and holes."""
    sheet = Polygon(panel.outline)
    x0, y0, x1, y1 = sheet.bounds
    centre = (x0 + x1) / 2, (y0 + y1) / 2
    from_centre = _has_mirrored_places(layout, centre, 0), _has_mirrored_places(layout, centre, 1)
    either_hand = any(_is_mirrored(layout, centre, axis) for axis in (0, 1))
    found = _Collector(sheet, (x0, y0), centre, from_centre, either_hand)
    rows = hole_rows(layout.holes)
    for bead in layout.beads:
        found.add_bead(bead, rows)
    for row in rows:
        found.add_row(row, [other for other in rows if other is not row])
    return DistinctDimensions(
        _distinct(found.places[0]),
        _distinct(found.places[1]),
        _distinct(found.lengths),
        _distinct(found.pitches),
        _distinct(found.radii),
        _distinct(found.angles),
        *found.symmetric,
    )


@dataclass
class _Collector:
    """Dimensions as they are collected.

    sheet: the outline.  datum, centre: mm.  symmetric: True for an axis, x or y, measured from the centre line.
    either_hand: True if angles are set to either hand.  places: along x and y.
    """

    sheet: Polygon
    datum: Point
    centre: Point
    symmetric: tuple[bool, bool]
    either_hand: bool
    places: tuple[list[float], list[float]] = field(default_factory=lambda: ([], []))
    lengths: list[float] = field(default_factory=list)
    pitches: list[float] = field(default_factory=list)
    radii: list[float] = field(default_factory=list)
    angles: list[float] = field(default_factory=list)

    def add_bead(self, bead: Bead, rows: Sequence[HoleRow]) -> None:
        """The dimensions of a bead.

        Place, start and length of a straight one; ends and radii of a curved one; the radius of a ring; how far a frame
        lies inside the outline, and its corner radius.

        rows: of holes, on whose lines it may end.
        """
        path = np.array(bead.path)
        if bead.closed:
            middle = (path.min(axis=0) + path.max(axis=0)) / 2
            reach = np.hypot(*(np.vstack([path, (path[1:] + path[:-1]) / 2]) - middle).T)
            if np.ptp(reach) <= SAME:  # a circle: its centre, and what the dividers are set to
                self.radii.append(round(float(reach.max()), 1))
                if math.dist(middle, self.centre) > SAME:
                    self._add_point(middle)
                return
            self.radii += _corner_radii(path)
            inset = _inset(path, self.sheet)
            if inset is not None:
                self.lengths.append(inset)
                return
            for axis in (0, 1):
                self.places[axis].extend(
                    self._place(value, axis) for value in (path[:, axis].min(), path[:, axis].max())
                )
            return
        if len(path) > 2:
            self._add_point(path[0])
            self._add_point(path[-1])
            self.radii += _turn_radii(path)
            return
        dx, dy = path[1] - path[0]
        along = 0 if abs(dx) > abs(dy) else 1
        if min(abs(dx), abs(dy)) <= SAME and all(_marks(rows, end[along], along) for end in path):
            self.places[1 - along].append(self._place(path[0, 1 - along], 1 - along))
            return
        self.lengths.append(math.hypot(dx, dy))
        if min(abs(dx), abs(dy)) > SAME:
            self._add_point(max(path, key=lambda end: (self._place(end[0], 0), self._place(end[1], 1))))
            self._add_angle(math.degrees(math.atan2(dy, dx)))
            return
        self._add_line(path[0], path[1], along)

    def add_row(self, row: HoleRow, others: Sequence[HoleRow]) -> None:
        """The dimensions of a row of holes: start, pitch, direction.  others: the other rows."""
        if len(row.holes) > 1:
            self.pitches.append(row.pitch)
        if len(row.holes) > 1 and row.direction in (0.0, 90.0):
            along = int(row.direction == 90.0)
            first, last = row.holes[0].at, row.holes[-1].at
            begins = [HoleRow(other.holes[1:]) for other in others if other.direction == row.direction]
            self._add_line(first, last, along, is_marked=_marks(begins, first[along], along))
            return
        self._add_point(row.start)
        if row.direction:
            self._add_angle(row.direction)

    def _add_line(self, first: Sequence[float], last: Sequence[float], along: int, is_marked: bool = False) -> None:
        """A line along an axis: its place across, and where it starts unless the centre line halves it.

        is_marked: True if the start lies on a line that is marked already.
        """
        across = 1 - along
        self.places[across].append(self._place(first[across], across))
        off_centre = abs((first[along] + last[along]) / 2 - self.centre[along]) > MIRRORED
        if not is_marked and (off_centre or not self.symmetric[along]):
            self.places[along].append(min(self._place(first[along], along), self._place(last[along], along)))

    def _add_point(self, point: Sequence[float]) -> None:
        for axis in (0, 1):
            self.places[axis].append(self._place(point[axis], axis))

    def _add_angle(self, angle: float) -> None:
        angle %= 180
        self.angles.append(min(angle, 180 - angle) if self.either_hand else angle)

    def _place(self, value: float, axis: int) -> float:
        """A coordinate as it is measured."""
        return abs(value - self.centre[axis]) if self.symmetric[axis] else value - self.datum[axis]


class SplitPlaces(NamedTuple):
    """Coordinates as they are measured.  starts: number that are measured one by one.  pitches: of the others, mm."""

    starts: int
    pitches: tuple[float, ...]


def split_places(places: Iterable[float], symmetric: bool) -> SplitPlaces:
    """What fixes some distinct coordinates (mm), from a centre line if symmetric, else from an edge.

    Places at one pitch take a start and the pitch; the pitch alone where they lie evenly about the centre line.
    """
    left = sorted({sign * value + 0.0 for value in places for sign in ((1, -1) if symmetric else (1,))})
    starts, pitches = 0, []
    while len(left) >= MIN_PROGRESSION:
        run = longest_progression(left)
        if not run:
            break
        centred = symmetric and abs(run[0] + run[-1]) <= 2 * SAME
        marked = run + ([-value for value in run] if symmetric else [])
        left = [value for value in left if not any(abs(value - one) <= SAME for one in marked)]
        starts += not centred
        pitches.append(round((run[-1] - run[0]) / (len(run) - 1), 3))
    starts += sum(value > MIRRORED or not symmetric for value in left)
    return SplitPlaces(starts, tuple(pitches))


def longest_progression(values: list[float]) -> list[float]:
    """The most of some rising values (mm) that lie at one pitch; empty if those are fewer than MIN_PROGRESSION."""
    runs = (_progression(values, i, j) for j in range(len(values)) for i in range(j))
    longest = max(runs, key=len, default=[])
    return longest if len(longest) >= MIN_PROGRESSION else []


def _progression(values: list[float], i: int, j: int) -> list[float]:
    """Values at equal steps, from values i and j on."""
    run, step = [values[i], values[j]], values[j] - values[i]
    for value in values[j + 1 :]:
        if abs(value - run[-1] - step) <= SAME:
            run.append(value)
    return run


def _marks(rows: Sequence[HoleRow], place: float, along: int) -> bool:
    """True if some rows have a hole at a coordinate along an axis."""
    return any(abs(hole.at[along] - place) <= SAME for row in rows for hole in row.holes)


def _distinct(values: Iterable[float]) -> tuple[float, ...]:
    """Values no two of which agree, rising."""
    out: list[float] = []
    for value in sorted(float(one) for one in values):
        if not out or value - out[-1] > SAME:
            out.append(round(value, 3))
    return tuple(out)


def _has_mirrored_places(layout: Layout, centre: Point, axis: int) -> bool:
    """True if the layout has beads or holes, and each one's places along an axis are those of some image."""
    features: list[tuple[str, tuple[float, ...]]] = [("hole", (hole.at[axis],)) for hole in layout.holes]
    features += [("bead", tuple(sorted(point[axis] for point in _key_points(bead)))) for bead in layout.beads]
    images = ((kind, [2 * centre[axis] - place for place in places[::-1]]) for kind, places in features)
    return bool(features) and all(
        any(
            kind == other and len(image) == len(places) and max(map(_distance, image, places)) <= MIRRORED
            for other, places in features
        )
        for kind, image in images
    )


def _distance(one: float, other: float) -> float:
    return abs(one - other)


def _is_mirrored(layout: Layout, centre: Point, axis: int) -> bool:
    """True if the layout has beads or holes, and they are their own mirror images about the centre along an axis."""
    holes = [(hole.die.name, hole.side, [hole.at]) for hole in layout.holes]
    beads = [(bead.die.name, bead.side, _key_points(bead)) for bead in layout.beads]
    features = holes + beads
    for name, side, points in features:
        image = [tuple(2 * centre[k] - v if k == axis else v for k, v in enumerate(point)) for point in points]
        if not any((name, side) == (other, its_side) and _agree(image, others) for other, its_side, others in features):
            return False
    return bool(features)


def _key_points(bead: Bead) -> list[Point]:
    """Corners of the box round a closed bead; ends and middle of another."""
    path = np.array(bead.path)
    if bead.closed:
        (x0, y0), (x1, y1) = path.min(axis=0), path.max(axis=0)
        return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    middle = path[len(path) // 2] if len(path) % 2 else (path[len(path) // 2 - 1] + path[len(path) // 2]) / 2
    return [tuple(path[0]), tuple(path[-1]), tuple(middle)]


def _agree(image: list, points: list) -> bool:
    return len(image) == len(points) and all(
        min(math.dist(one, other) for other in points) <= MIRRORED for one in image
    )


def _corner_radii(path: np.ndarray) -> list[float]:
    """Radii of the rounded corners of a closed path, of each chord between two equal small turns."""
    chords = np.diff(path, axis=0)
    lengths = np.hypot(*chords.T)
    after = np.abs(_turns(np.vstack([chords, chords[:1]])))
    before = np.roll(after, 1)
    on_arc = (after < LARGEST_CHORD_TURN) & (after > 0.9 * after[after < LARGEST_CHORD_TURN].max(initial=0.0))
    on_arc &= np.abs(after - before) < 0.1 * after
    return [round(float(one), 1) for one in lengths[on_arc] / (2 * np.sin(after[on_arc] / 2))]


def _inset(path: np.ndarray, sheet: Polygon) -> float | None:
    """How far a closed path lies inside the outline, mm, if its sides run along it; else None."""
    lengths = np.hypot(*np.diff(path, axis=0).T)
    middles = (path[1:] + path[:-1])[lengths >= LEAST_SIDE * lengths.max()] / 2
    insets = shapely.distance(shapely.points(middles), sheet.exterior)
    return round(float(insets.mean()), 1) if np.ptp(insets) <= SAME else None


def _turn_radii(path: np.ndarray) -> list[float]:
    """One radius for each part of an open path that turns to one side."""
    chords = np.diff(path, axis=0)
    lengths, turns = np.hypot(*chords.T), _turns(chords)
    bends = [turn for turn in turns if abs(turn) > 1e-6]
    changes = [k for k in range(1, len(bends)) if bends[k] * bends[k - 1] < 0]
    parts = np.split(np.array(bends), changes) if bends else []
    mean = float(lengths.mean())
    return [round(mean / float(np.abs(part).mean()), 1) for part in parts if len(part)]


def _turns(chords: np.ndarray) -> np.ndarray:
    """Angles (radians) from each chord to the next, left positive."""
    angles = np.arctan2(chords[:, 1], chords[:, 0])
    return (np.diff(angles) + np.pi) % (2 * np.pi) - np.pi

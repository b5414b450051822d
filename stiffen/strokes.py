"""What is drawn on a sheet or on paper, whoever draws it: lines, circles, hatchings, and words that find their places.

mm; layers are named in `dxf.LAYERS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

LETTER = 0.92  # width of a letter over its height: wide enough for the usual drawing faces
CLEAR = 0.6  # mm to keep between a line and words
LEADING = 1.5  # from line to line, heights of a capital

XY = tuple[float, float]


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
    tree, placed = shapely.STRtree(list(taken)), {}
    grounds: list[BaseGeometry] = []
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

"""What is drawn on a sheet or on paper, whoever draws it: lines, circles, hatchings, and words that find their places.

mm; layers are named in `dxf_writer.LAYERS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

LETTER_WIDTH_RATIO = 0.92  # width of a letter over its height: wide enough for the usual drawing faces
TEXT_CLEARANCE = 0.6  # mm to keep between a line and words
LINE_PITCH_RATIO = 1.5  # from line to line, heights of a capital

XY = tuple[float, float]
LabelPosition = tuple[float, float, float]  # x, y, degrees


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
    """A hatched polygon on a layer; words that stand in it get a window, see `text_windows`."""

    layer: str
    polygon: tuple[XY, ...]

    def text_windows(self, texts: Iterable[TextLine]) -> list[Polygon]:
        """Room round the words that stand inside, cut short where it would reach over the edge."""
        inside = Polygon(self.polygon).buffer(-0.1, join_style="mitre")
        grounds = (words.footprint.buffer(0.4 * words.height, join_style="mitre") for words in texts)
        return [room for ground in grounds for room in _polygons(ground.intersection(inside))]

    def hatch_lines(self, spacing: float, windows: Iterable[Polygon]) -> Iterator[tuple[XY, XY]]:
        """The hatching as lines at 45 degrees, `spacing` mm from each other, windows left free."""
        ground = Polygon(self.polygon).difference(shapely.union_all(list(windows)))
        x0, y0, x1, y1 = ground.bounds
        high, step = y1 - y0, spacing * math.sqrt(2)
        lines = MultiLineString([[(x, y0), (x + high, y1)] for x in np.arange(x0 - high + step / 2, x1, step)])
        for piece in shapely.get_parts(lines.intersection(ground)):
            if piece.geom_type == "LineString":
                yield piece.coords[0], piece.coords[-1]


@dataclass(frozen=True, eq=False)
class Label:
    """Words in one or more lines, what they name, where their middle may stand: x, y, degrees; better places first.

    short, nooks: fewer words or shorter lines, and where they may stand, for where the full ones find no free room.
    spare: left out where nothing is free, since it is told elsewhere too.
    """

    layer: str
    text: str
    anchor: BaseGeometry
    positions: tuple[LabelPosition, ...]
    short_text: str = ""
    short_positions: tuple[LabelPosition, ...] = ()
    optional: bool = False

    @property
    def candidates(self) -> Iterator[tuple[str, LabelPosition]]:
        """Words and places in the order in which they are tried."""
        yield from ((self.text, spot) for spot in self.positions)
        yield from ((self.short_text, spot) for spot in self.short_positions)


@dataclass(frozen=True)
class TextLine:
    """One line of words in place: the middle of its base line, degrees, height of the capitals."""

    layer: str
    text: str
    at: XY
    rotation: float
    height: float

    @cached_property
    def footprint(self) -> Polygon:
        """What the words cover, at most."""
        (x, y), half = self.at, text_width(self.text, self.height) / 2
        return affinity.rotate(box(x - half, y, x + half, y + self.height), self.rotation, origin=self.at)


@dataclass(frozen=True)
class Marking:
    """What is drawn on one face, labels in the order in which they choose their places."""

    items: tuple[Line | Circle | Hatch, ...]
    labels: tuple[Label, ...]

    @cached_property
    def obstacles(self) -> tuple[BaseGeometry, ...]:
        """What words should not cover."""
        return tuple(item.shape.buffer(TEXT_CLEARANCE) for item in self.items if not isinstance(item, Hatch))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of all lines and circles."""
        return tuple(shapely.total_bounds([item.shape for item in self.items if not isinstance(item, Hatch)]).tolist())


def _polygons(shape: BaseGeometry) -> list[Polygon]:
    """The polygons of a shape, without what has no area."""
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


def text_width(text: str, height: float) -> float:
    """Width that words need, mm, at most; of the longest line."""
    return max(len(line) for line in text.split("\n")) * LETTER_WIDTH_RATIO * height


def text_height(text: str, height: float) -> float:
    """Height of the lines of words together, mm."""
    return height * (1 + LINE_PITCH_RATIO * text.count("\n"))

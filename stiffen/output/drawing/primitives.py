"""Items of a drawing, whether it becomes DXF or PDF: lines, circles, hatched areas, labels, lines of text.

All lengths in mm, all angles in degrees.  `dxf_writer.LAYERS` lists the layers.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

LETTER_WIDTH_RATIO = 0.92  # width of a letter over the height of a capital: enough for the usual drawing fonts
TEXT_CLEARANCE = 0.6  # mm between a line and text
LINE_PITCH_RATIO = 1.5  # from base line to base line, over the height of a capital

XY = tuple[float, float]
LabelPosition = tuple[float, float, float]  # x, y of the middle of a label, mm; its angle, degrees


@dataclass(frozen=True)
class Line:
    """A polyline on a layer."""

    layer: str
    points: tuple[XY, ...]
    closed: bool = False

    @cached_property
    def shape(self) -> LineString:
        """The polyline as geometry; a closed one ends at its first point."""
        return LineString([*self.points, self.points[0]] if self.closed else self.points)


@dataclass(frozen=True)
class Circle:
    """A full circle on a layer."""

    layer: str
    at: XY
    diameter: float

    @cached_property
    def shape(self) -> LineString:
        """The circumference as geometry."""
        return LineString(Point(self.at).buffer(self.diameter / 2).exterior)


@dataclass(frozen=True)
class Hatch:
    """A hatched polygon on a layer; angle: of its lines, degrees.  `text_windows` leaves them out behind text."""

    layer: str
    polygon: tuple[XY, ...]
    angle: float = 45.0

    def text_windows(self, texts: Iterable[TextLine]) -> list[Polygon]:
        """A window round each text inside the polygon, cut off at the polygon's edge."""
        inside = Polygon(self.polygon).buffer(-0.1, join_style="mitre")
        windows = (text.footprint.buffer(0.4 * text.height, join_style="mitre") for text in texts)
        return [part for window in windows for part in _polygons(window.intersection(inside))]

    def hatch_lines(self, spacing: float, windows: Iterable[Polygon]) -> Iterator[tuple[XY, XY]]:
        """Hatch lines at `angle`, `spacing` mm apart, outside the windows."""
        area = Polygon(self.polygon).difference(shapely.union_all(list(windows)))
        if area.is_empty:
            return
        level = affinity.rotate(area, -self.angle, origin=(0, 0))
        x0, y0, x1, y1 = level.bounds
        lines = MultiLineString([[(x0, y), (x1, y)] for y in np.arange(y0 + spacing / 2, y1, spacing)])
        for part in shapely.get_parts(affinity.rotate(lines, self.angle, origin=(0, 0)).intersection(area)):
            if part.geom_type == "LineString":
                yield part.coords[0], part.coords[-1]


@dataclass(frozen=True, eq=False)
class Label:
    """A text of one or more lines, the geometry it names, and the positions it may take, best first.

    short_text, short_positions: a shorter text and its positions, tried if the full text has no free position.
    optional: the label is left out if no position is free, because its content stands elsewhere too.
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
        """Texts and positions in the order in which they are tried."""
        yield from ((self.text, position) for position in self.positions)
        yield from ((self.short_text, position) for position in self.short_positions)


@dataclass(frozen=True)
class TextLine:
    """One line of text in its place.  at: middle of its base line.  rotation: degrees.  height: of capitals, mm."""

    layer: str
    text: str
    at: XY
    rotation: float
    height: float

    @cached_property
    def footprint(self) -> Polygon:
        """The area that the text covers at most."""
        (x, y), half = self.at, text_width(self.text, self.height) / 2
        return affinity.rotate(box(x - half, y, x + half, y + self.height), self.rotation, origin=self.at)


@dataclass(frozen=True)
class Marking:
    """Everything drawn on one face.  labels: in the order in which they are placed."""

    items: tuple[Line | Circle | Hatch, ...]
    labels: tuple[Label, ...]

    @cached_property
    def obstacles(self) -> tuple[BaseGeometry, ...]:
        """The areas that text should not cover: all lines and circles with their clearance."""
        return tuple(item.shape.buffer(TEXT_CLEARANCE) for item in self.items if not isinstance(item, Hatch))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of all lines and circles."""
        return tuple(shapely.total_bounds([item.shape for item in self.items if not isinstance(item, Hatch)]).tolist())


def _polygons(shape: BaseGeometry) -> list[Polygon]:
    """The polygons of a shape; parts without area are left out."""
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


def text_width(text: str, height: float) -> float:
    """Upper limit of the width of a text's longest line, mm.  height: of capitals."""
    return max(len(line) for line in text.split("\n")) * LETTER_WIDTH_RATIO * height


def text_height(text: str, height: float) -> float:
    """Height of all lines of a text together, mm.  height: of capitals."""
    return height * (1 + LINE_PITCH_RATIO * text.count("\n"))

"""What is drawn on a sheet or on paper, whoever draws it: lines, circles, hatchings, and words that find their places.

mm; layers are named in `dxf_writer.LAYERS`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.optimize import isotonic_regression
from shapely import affinity
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

LETTER_WIDTH_RATIO = 0.92  # width of a letter over its height: wide enough for the usual drawing faces
TEXT_CLEARANCE = 0.6  # mm to keep between a line and words
DESCENDER_RATIO = 0.3  # of some letters, below their line, over the height of a capital
LETTERS_WITH_DESCENDER = frozenset("gjpqyQ,;()[]/")
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


def place_labels(
    labels: Iterable[Label],
    obstacles: Sequence[BaseGeometry],
    height: float,
    window: Polygon | None = None,
    require_clear: bool = False,
) -> dict[Label, list[TextLine]]:
    """Each label at that of its places which covers least of what is taken, by lines or by labels before it.

    window: only places inside it count, and a label with none there is left out.  free: so is every label with no
    place that covers nothing, not only the spare ones.
    """
    tree, placed = shapely.STRtree(list(obstacles)), {}
    grounds: list[BaseGeometry] = []
    for label in labels:
        best = least_covering_position(label, tree, grounds, height, window)
        if best is not None and not (best.covered_area > 0 and (require_clear or label.optional)):
            grounds.append(best.footprint)
            placed[label] = best.lines
    return placed


@dataclass(frozen=True)
class PlacedLabel:
    """A label in place: its lines of words, the ground of all of them, and how much of what is taken it covers, mm2."""

    lines: list[TextLine]
    footprint: Polygon
    covered_area: float


def least_covering_position(
    label: Label,
    tree: shapely.STRtree,
    placed_footprints: Sequence[BaseGeometry],
    height: float,
    window: Polygon | None = None,
) -> PlacedLabel | None:
    """The label at its first place that covers nothing in the tree and of the grounds, else where it covers least.

    None where it has no place inside the window.
    """
    best: tuple[float, Polygon, str, LabelPosition] | None = None
    for text, (x, y, turn) in label.candidates:
        turn = 90.0 - (90.0 - turn) % 180.0  # never upside down
        half, tall = text_width(text, height) / 2, text_height(text, height) / 2
        tail = DESCENDER_RATIO * height if set(text.split("\n")[-1]) & LETTERS_WITH_DESCENDER else 0.0
        ground = affinity.rotate(box(x - half, y - tall - tail, x + half, y + tall), turn, origin=(x, y))
        if window is not None and not window.contains(ground):
            continue
        room = ground.buffer(0.2 * height)
        others = [*tree.geometries[tree.query(room)], *placed_footprints]
        covered = sum(room.intersection(other).area for other in others if room.intersects(other))
        if best is None or covered < best[0]:
            best = (covered, ground, text, (x, y, turn))
        if covered == 0:
            break
    if best is None:
        return None
    covered, ground, text, spot = best
    return PlacedLabel(list(_text_lines(label.layer, text, height, spot)), ground, covered)


def _text_lines(layer: str, text: str, height: float, spot: LabelPosition) -> Iterator[TextLine]:
    """The lines of words about their middle."""
    x, y, turn = spot
    up = np.array([-math.sin(math.radians(turn)), math.cos(math.radians(turn))])
    level = text_height(text, height) / 2 - height
    for line in text.split("\n"):
        at = np.array([x, y]) + level * up
        yield TextLine(layer, line, (float(at[0]), float(at[1])), turn, height)
        level -= LINE_PITCH_RATIO * height


def spread_apart(values: Sequence[float], pitch: float, low: float, high: float) -> np.ndarray:
    """Places for rising values, nearest to them by least squares, at least `pitch` apart, between low and high.

    Where there is not room enough they go on beyond `text_height`.
    """
    steps = pitch * np.arange(len(values))
    free = isotonic_regression(np.asarray(values, dtype=float) - steps).x if len(values) else steps
    return np.clip(free, low, max(low, high - steps.max(initial=0.0))) + steps

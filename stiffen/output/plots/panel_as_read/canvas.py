"""Axes in mm of the sheet from the datum corner, and the labels of what is drawn on them.  Sizes on paper in mm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.panel import Panel
from stiffen.output.drawing.bench_view import datum_corner
from stiffen.output.drawing.primitives import Label, LabelPosition, text_width

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

ARROW_HEAD = 8  # points
LETTER = 3.3  # height of the capitals of a label, with room for bold ones
ALONG = (0.5, 0.3, 0.7, 0.15, 0.85, 0.05, 0.95, 0.4, 0.6)  # places along a line for its label, best first


def draw_arrow(
    axis: Axes, start: ArrayLike, end: ArrayLike, colour: str, width: float = 1.0, heads: str = "-|>"
) -> None:
    """A straight arrow in the coordinates of the axes.  width: of its line, points; heads: "-|>" or "<|-|>"."""
    (x0, y0), (x1, y1) = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    style = {"arrowstyle": heads, "color": colour, "linewidth": width, "mutation_scale": ARROW_HEAD}
    axis.annotate("", (x1, y1), (x0, y0), arrowprops={**style, "shrinkA": 0, "shrinkB": 0}, zorder=4)


class Canvas:
    """Draws marks on axes and collects labels.

    scale: mm on paper over mm of the sheet.  obstacles: areas that no label may cover.  labels: (label, colour), to be
    placed once everything is drawn.
    """

    def __init__(self, axis: Axes, panel: Panel, scale: float):
        self.axis, self.panel, self.scale = axis, panel, scale
        self.origin = np.asarray(datum_corner(panel))
        self.sheet = shapely.affinity.translate(Polygon(panel.outline), *-self.origin)
        self.obstacles: list[BaseGeometry] = []
        self.labels: list[tuple[Label, str]] = []
        self.frames: list[BaseGeometry] = []  # of patches

    def points(self, points: Iterable) -> np.ndarray:
        """(n, 2) points from the datum corner."""
        return np.asarray(points, dtype=float).reshape(-1, 2) - self.origin

    def outward(self, shape: LineString, station: float) -> tuple[np.ndarray, np.ndarray]:
        """A place on a line, and the unit vector square to it that leads off the sheet, or to its nearer edge."""
        step = 1e-3 * shape.length
        at = np.asarray(shape.interpolate(station).coords[0])
        before, after = (
            np.asarray(shape.interpolate(s).coords[0])
            for s in (max(0.0, station - step), min(shape.length, station + step))
        )
        way = (after - before) / (np.hypot(*(after - before)) or 1.0)
        out = np.array([way[1], -way[0]])
        near = 0.4 / self.scale
        sides = [self._inside(at + turn * out * near) for turn in (1, -1)]
        return at, (-out if sides[0] > sides[1] else out)

    def _inside(self, at: np.ndarray) -> float:
        """How far a point lies from the edge, negative off the sheet, mm."""
        point = Point(at)
        distance = self.sheet.exterior.distance(point)
        return distance if self.sheet.contains(point) else -distance

    def keep_clear_of_line(self, line: Sequence, gap: float) -> None:
        """No label on a line that was drawn, gap mm on paper."""
        self.keep_clear(LineString(line), gap)

    def keep_clear(self, shape: BaseGeometry, gap: float) -> None:
        self.obstacles.append(shape.buffer(gap / self.scale))

    def add_label(self, text: str, anchor: BaseGeometry, positions: Iterable[LabelPosition], colour: str) -> None:
        self.labels.append((Label("", text, anchor, tuple(positions)), colour))

    def label_line(self, text: str, line: np.ndarray, gap: float, colour: str, turned: bool = False) -> None:
        """A label beside a line: outside the sheet first, then inside, at several places along it.

        turned: the label runs along the line.
        """
        shape = LineString(line)
        places: list[LabelPosition] = []
        half = np.array([text_width(text, LETTER), LETTER]) / 2 / self.scale
        for side in (1, -1):
            for more in (0.8, 2.5):
                for share in ALONG:
                    at, out = self.outward(shape, share * shape.length)
                    out = side * out
                    own = half[1] if turned else abs(out[0]) * half[0] + abs(out[1]) * half[1]
                    x, y = at + out * (own + (gap * (side > 0) + more) / self.scale)
                    angle = float(np.degrees(np.arctan2(out[0], -out[1]))) if turned else 0.0
                    places.append((float(x), float(y), angle))
        self.add_label(text, shape, places, colour)

    def round_about(self, at: np.ndarray, gap: float, text: str) -> list[LabelPosition]:
        """Places for a label round a point."""
        half = np.array([text_width(text, LETTER), LETTER]) / 2 / self.scale
        places = []
        for more in (0.0, 2.5, 6.0):
            for way in ((1, 0), (-1, 0), (0, 1), (0, -1), (0.8, 0.8), (-0.8, 0.8), (0.8, -0.8), (-0.8, -0.8)):
                step = np.array(way) * ((gap + more) / self.scale + half)
                places.append((float(at[0] + step[0]), float(at[1] + step[1]), 0.0))
        return places

"""Labels of points in a diagram: beside their point, clear of curves, of other points and of each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry import LineString, Point, box
from shapely.geometry.base import BaseGeometry

from stiffen.output.drawing.label_placement import least_covering_position
from stiffen.output.drawing.primitives import Label, LabelPosition, text_height, text_width

from .style import FONT_SIZE, LINE_COLOUR

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

CAPITAL_HEIGHT = 3.0  # mm on paper
NEAREST, STEP, FARTHEST = 2.5, 3.0, 40.0  # mm on paper, from a point to the edge of its label
MARK_RADIUS = 2.2  # mm on paper, of the mark of a point
DIRECTIONS = (270, 90, 315, 225, 45, 135, 0, 180)  # degrees, from a point to its label, best first
LEADER_FROM = 6.0  # mm on paper: a label farther off has a line to its point


@dataclass(frozen=True)
class PointLabel:
    """A text for a point in data coordinates."""

    x: float
    y: float
    text: str


def label_points(
    axis: Axes, labels: Sequence[PointLabel], curves: Iterable[tuple[ArrayLike, ArrayLike]], size: tuple[float, float]
) -> None:
    """Write a text beside each point; its limits are those of the axes when this is called.

    curves: (x, y) of lines that no label may cover.  size: width and height of the axes on paper, mm, about.
    """
    (x0, x1), (y0, y1) = axis.get_xlim(), axis.get_ylim()

    def on_paper(x: ArrayLike, y: ArrayLike) -> np.ndarray:
        return np.column_stack([(np.asarray(x) - x0) / (x1 - x0) * size[0], (np.asarray(y) - y0) / (y1 - y0) * size[1]])

    lines = [LineString(path).buffer(0.8) for x, y in curves if len(path := on_paper(x, y)) > 1]
    points = on_paper([one.x for one in labels], [one.y for one in labels]) if labels else np.empty((0, 2))
    tree = shapely.STRtree([*lines, *(Point(at).buffer(MARK_RADIUS) for at in points)])
    window = box(0.5, 0.5, size[0] - 0.5, size[1] - 0.5)
    placed: list[BaseGeometry] = []
    for one, at in zip(labels, points, strict=True):
        label = Label("", one.text, Point(at), _positions(at, one.text))
        best = least_covering_position(label, tree, placed, CAPITAL_HEIGHT, window)
        if best is None:
            continue
        placed.append(best.footprint)
        x, y = best.footprint.centroid.coords[0]
        far = best.footprint.distance(Point(at)) > LEADER_FROM
        axis.annotate(
            one.text,
            (one.x, one.y),
            xytext=(x / size[0], y / size[1]),
            textcoords="axes fraction",
            ha="center",
            va="center",
            fontsize=FONT_SIZE,
            color=LINE_COLOUR,
            arrowprops={"arrowstyle": "-", "color": LINE_COLOUR, "linewidth": 0.7, "shrinkB": 5} if far else None,
            zorder=4,
        )


def _positions(at: np.ndarray, text: str) -> tuple[LabelPosition, ...]:
    """Places of a label round its point, the nearest first."""
    half = np.array([text_width(text, CAPITAL_HEIGHT), text_height(text, CAPITAL_HEIGHT) + 1.0]) / 2
    places = []
    for gap in np.arange(NEAREST, FARTHEST, STEP):
        for direction in np.radians(DIRECTIONS):
            way = np.round([np.cos(direction), np.sin(direction)], 6)
            x, y = at + way * gap + np.sign(way) * half
            places.append((float(x), float(y), 0.0))
    return tuple(places)

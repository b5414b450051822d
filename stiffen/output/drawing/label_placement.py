"""Label placement: each label takes the first of its positions that covers no line and no label placed before it.

All lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import isotonic_regression
from shapely import affinity
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from .primitives import LINE_PITCH_RATIO, Label, LabelPosition, TextLine, text_height, text_width

DESCENDER_RATIO = 0.3  # depth of letters such as g below their base line, over the height of a capital
LETTERS_WITH_DESCENDER = frozenset("gjpqyQ,;()[]/")


@dataclass(frozen=True)
class PlacedLabel:
    """A label in its place.  footprint: area of all its lines.  covered_area: mm2 of obstacles under it."""

    lines: list[TextLine]
    footprint: Polygon
    covered_area: float


def place_labels(
    labels: Iterable[Label],
    obstacles: Sequence[BaseGeometry],
    height: float,
    window: Polygon | None = None,
    require_clear: bool = False,
) -> dict[Label, list[TextLine]]:
    """Place each label where it covers least of the obstacles and of the labels placed before it.

    height: of capitals, mm.  window: only positions inside it count; a label that has none is left out.
    require_clear: leave out every label that has no free position, not only the optional ones.
    """
    tree, placed = shapely.STRtree(list(obstacles)), {}
    footprints: list[BaseGeometry] = []
    for label in labels:
        best = least_covering_position(label, tree, footprints, height, window)
        if best is not None and not (best.covered_area > 0 and (require_clear or label.optional)):
            footprints.append(best.footprint)
            placed[label] = best.lines
    return placed


def least_covering_position(
    label: Label,
    tree: shapely.STRtree,
    placed_footprints: Sequence[BaseGeometry],
    height: float,
    window: Polygon | None = None,
) -> PlacedLabel | None:
    """Place a label at its first free position, else where it covers the least area.

    tree: obstacles.  placed_footprints: labels placed before.  height: of capitals, mm.  None if no position lies
    inside the window.
    """
    best: tuple[float, Polygon, str, LabelPosition] | None = None
    for text, (x, y, angle) in label.candidates:
        angle = 90.0 - (90.0 - angle) % 180.0  # never upside down
        half_width, half_height = text_width(text, height) / 2, text_height(text, height) / 2
        descender = DESCENDER_RATIO * height if set(text.split("\n")[-1]) & LETTERS_WITH_DESCENDER else 0.0
        upright = box(x - half_width, y - half_height - descender, x + half_width, y + half_height)
        footprint = affinity.rotate(upright, angle, origin=(x, y))
        if window is not None and not window.contains(footprint):
            continue
        clear = footprint.buffer(0.2 * height)
        others = [*tree.geometries[tree.query(clear)], *placed_footprints]
        covered = sum(clear.intersection(other).area for other in others if clear.intersects(other))
        if best is None or covered < best[0]:
            best = (covered, footprint, text, (x, y, angle))
        if covered == 0:
            break
    if best is None:
        return None
    covered, footprint, text, position = best
    return PlacedLabel(list(_text_lines(label.layer, text, height, position)), footprint, covered)


def _text_lines(layer: str, text: str, height: float, position: LabelPosition) -> Iterator[TextLine]:
    """The lines of a text, centred on its position."""
    x, y, angle = position
    up = np.array([-math.sin(math.radians(angle)), math.cos(math.radians(angle))])
    level = text_height(text, height) / 2 - height
    for line in text.split("\n"):
        at = np.array([x, y]) + level * up
        yield TextLine(layer, line, (float(at[0]), float(at[1])), angle, height)
        level -= LINE_PITCH_RATIO * height


def spread_apart(values: Sequence[float], pitch: float, low: float, high: float) -> np.ndarray:
    """Move rising values at least `pitch` apart, between low and high, with the least sum of squared shifts.

    values: (k,), in rising order.  Returns (k,) positions.  If the range is too short, they continue beyond `high`.
    """
    steps = pitch * np.arange(len(values))
    free = isotonic_regression(np.asarray(values, dtype=float) - steps).x if len(values) else steps
    return np.clip(free, low, max(low, high - steps.max(initial=0.0))) + steps

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

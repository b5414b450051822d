"""Labels of beads in the picture of a layout: each stands on its bead and covers nothing else.

Lengths in mm of the sheet from the datum corner, angles in degrees.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import Bead
from stiffen.output.drawing.label_placement import least_covering_position
from stiffen.output.drawing.primitives import Label, TextLine, text_width

SHARES = (0.5, 0.35, 0.65, 0.22, 0.78, 0.12, 0.88)  # places along a bead's longest straight run, best first


def place_bead_labels(
    beads: Sequence[Bead], obstacles: Iterable[BaseGeometry], origin: tuple[float, float], height: float
) -> list[TextLine]:
    """The label of each bead: number, die and length where there is room on the bead, else the number.

    obstacles: outline, folds, fasteners and the like, on the sheet as drawn.  origin: the datum corner.  height: of
    capitals.  A label covers its own bead; where it cannot help covering more, it covers least.
    """
    bands = [_band(bead, origin) for bead in beads]
    others = [shapely.boundary(band) for band in bands]
    fixed = list(obstacles)
    placed: list[BaseGeometry] = []
    lines: list[TextLine] = []
    for number, (bead, path) in enumerate(zip(beads, (_path(bead, origin) for bead in beads), strict=True), 1):
        tree = shapely.STRtree([*fixed, *(edge for k, edge in enumerate(others, 1) if k != number)])
        best = least_covering_position(_label(number, bead, path, height), tree, placed, height)
        assert best is not None
        placed.append(best.footprint)
        lines += best.lines
    return lines


def _label(number: int, bead: Bead, path: np.ndarray, height: float) -> Label:
    start, stop = _longest_run(path)
    angle = float(np.degrees(np.arctan2(*(stop - start)[::-1])))
    places = tuple((float(x), float(y), angle) for x, y in (start + share * (stop - start) for share in SHARES))
    name = f"{number}: {bead.die.name}, {bead.length:.0f} mm"
    run = float(np.hypot(*(stop - start)))
    half = text_width(name, height) / 2 / run if run else 1.0
    inside = tuple(at for at, share in zip(places, SHARES, strict=True) if half <= min(share, 1 - share))
    return Label("", name, LineString(path), inside, f"{number}", places)


def _path(bead: Bead, origin: tuple[float, float]) -> np.ndarray:
    return np.asarray(bead.path, dtype=float) - origin


def _band(bead: Bead, origin: tuple[float, float]) -> BaseGeometry:
    return LineString(_path(bead, origin)).buffer(bead.die.width / 2, cap_style="flat")


def _longest_run(path: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Ends of a path's longest straight segment; of a curve of many short segments, those of its middle one."""
    lengths = np.hypot(*np.diff(path, axis=0).T)
    longest = int(np.argmax(lengths.round(6)))
    if len(lengths) > 8 and lengths[longest] < 2 * np.median(lengths):
        longest = len(lengths) // 2
    return path[longest], path[longest + 1]

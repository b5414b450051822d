"""Mesh of an angle strip in space: both legs and the bend between them as shell, on a grid with a node at each rivet.

The strip is a shell of its own.  Two flanges tied to each other would leave out that its corner moves and turns, which
is most of what such a strip gives way by.  mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from stiffen.assembly.angle_strips import StripSurface
from stiffen.assembly.placement import PlacedPart

SAME_STATION = 3.0  # mm along the strip within which rivets of both legs share a line of the grid
GRID_SIZE = {"quick": 27.0, "normal": 9.0, "fine": 5.0}  # mm between lines of the grid, at most


@dataclass(frozen=True, eq=False)
class StripMesh:
    """nodes: (n, 3) mm in space.  triangles: (m, 3).  rivets: joint's number -> (k,) nodes of its rivets."""

    nodes: np.ndarray
    triangles: np.ndarray
    rivets: Mapping[int, np.ndarray]


def strip_mesh(
    surface: StripSurface, placed: PlacedPart, rows: Mapping[int, np.ndarray], mesh_level: str = "normal"
) -> StripMesh:
    """The mesh of a strip.  rows: joint's number -> (k, 2) its rivets in the flat strip."""
    flat2, flat1 = surface.pattern.flats
    length, width = surface.strip.length, surface.pattern.length
    size = GRID_SIZE[mesh_level]
    rivets = {number: surface.unrolled(at) for number, at in rows.items()}
    on_leg2 = {number: bool(across.mean() < width / 2) for number, (_, across) in rivets.items()}
    stations = _stations(length, size, *(_along(rivets, on_leg2, leg) for leg in (True, False)))
    tangents = [flat2, (flat2 + width - flat1) / 2, width - flat1]
    row_lines = [float(across.mean()) for _, across in rivets.values()]
    lines = _filled(np.unique(np.round([0.0, *tangents, *row_lines, width], 6)), size)
    share = np.clip((lines - tangents[0]) / (tangents[2] - tangents[0]), 0.0, 1.0)
    along = stations[:, :1] + (stations[:, 1:] - stations[:, :1]) * share  # (stations, lines)
    across = np.broadcast_to(lines, along.shape)
    nodes, _ = placed.surface(surface.rolled(along.ravel(), across.ravel()))
    corner = np.arange(along.size).reshape(along.shape)
    a, b, c, d = (part.ravel() for part in (corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]))
    triangles = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    found = {}
    for number, (at, over) in rivets.items():
        line = int(np.abs(lines - over.mean()).argmin())
        place = [int(np.abs(along[:, line] - one).argmin()) for one in at]
        found[number] = corner[place, line]
    return StripMesh(nodes, triangles, found)


def _along(rivets: Mapping[int, tuple[np.ndarray, np.ndarray]], on_leg2: Mapping[int, bool], leg2: bool) -> np.ndarray:
    """Sorted places along the strip of the rivets of one leg."""
    return np.unique(
        np.round(np.concatenate([np.zeros(0), *(rivets[n][0] for n, is_leg2 in on_leg2.items() if is_leg2 == leg2)]), 6)
    )


def _stations(length: float, size: float, leg2: np.ndarray, leg1: np.ndarray) -> np.ndarray:
    """(k, 2) places along leg 2 and leg 1 of the lines of the grid: at all rivets, the ends, and filled up between.

    A line runs a little askew where rivets of the two legs lie nearly opposite.
    """
    pairs = [(0.0, 0.0), (length, length)]
    left = list(leg1)
    for one in leg2:
        near = min(left, key=lambda other: abs(other - one), default=None)
        if near is not None and abs(near - one) <= SAME_STATION:
            left.remove(near)
            pairs.append((one, near))
        else:
            pairs.append((one, one))
    pairs += [(one, one) for one in left]
    found = np.array(sorted(pairs))
    return np.column_stack([_filled(found[:, 0], size), _filled_as(found, size)])


def _filled_as(pairs: np.ndarray, size: float) -> np.ndarray:
    """The second column of pairs, filled up where the first one is."""
    out = [pairs[0, 1]]
    for (a, first), (b, last) in zip(pairs[:-1], pairs[1:], strict=True):
        out += list(np.linspace(first, last, _parts(b - a, size) + 1)[1:])
    return np.array(out)


def _filled(values: np.ndarray, size: float) -> np.ndarray:
    """Sorted values with even steps between them, none longer than `size`."""
    return _filled_as(np.column_stack([values, values]), size)


def _parts(gap: float, size: float) -> int:
    return max(1, int(np.ceil(gap / size - 1e-9)))

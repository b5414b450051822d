"""Places where a sheet is pushed to find where it is soft."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.panel import Point

CORNER_TURN = 30.0  # degrees by which the outline turns at a corner


@lru_cache(maxsize=16)
def probe_points(mesh: Mesh, spacing: float) -> np.ndarray:
    """(k,) nodes at least `spacing` mm apart that cover the sheet, free edges and corners included.

    Corners of the outline are chosen first, the sharpest before the others, as a free corner is softer than all beside
    it.  Edge nodes follow, then the others in the order of their numbers, so the choice is repeatable.
    """
    chosen: list[int] = []
    cells: dict[tuple[int, int], list[int]] = {}
    border = np.concatenate([_corners(mesh, spacing / 4), mesh.outline, *mesh.rims])
    for node in np.concatenate([border, np.setdiff1d(np.arange(len(mesh.plan)), border)]):
        x, y = mesh.plan[node]
        i, j = int(x // spacing), int(y // spacing)
        close = (c for a in (-1, 0, 1) for b in (-1, 0, 1) for c in cells.get((i + a, j + b), ()))
        if all(np.hypot(*(mesh.plan[c] - mesh.plan[node])) >= spacing for c in close):
            chosen.append(int(node))
            cells.setdefault((i, j), []).append(int(node))
    return np.array(chosen)


def _corners(mesh: Mesh, reach: float) -> np.ndarray:
    """(k,) nodes at which the outline turns outward by more than CORNER_TURN within `reach` mm either side."""
    ring = mesh.plan[mesh.outline]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1))])
    before, after = (
        np.column_stack([np.interp((along[:-1] + step) % along[-1], along, np.append(x, x[0])) for x in ring.T])
        for step in (-reach, reach)
    )
    come, go = ring - before, after - ring
    turn = np.degrees(np.arctan2(come[:, 0] * go[:, 1] - come[:, 1] * go[:, 0], (come * go).sum(axis=1)))
    order = np.argsort(-turn.round(3), kind="stable")
    return mesh.outline[order[turn[order] > CORNER_TURN]]


def peaks(points: np.ndarray, reach: float) -> list[Point]:
    """The points (k, 2), in descending order of their values, that have no greater one within `reach` mm."""
    apart = np.linalg.norm(points[:, None] - points, axis=2)
    greater_near = np.tril(apart <= reach, -1).any(axis=1)
    return [(float(x), float(y)) for x, y in points[~greater_near]]

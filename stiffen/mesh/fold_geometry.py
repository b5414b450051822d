"""Flat sheet to folded sheet: turns the flange beside each fold line, sharp, about the line on the mid-surface."""

from __future__ import annotations

import math

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from stiffen.errors import Fault, MeshError
from stiffen.model.panel import Fold

from .triangulation import directed_edges, edge_keys, signed_area


def fold_nodes(
    nodes: np.ndarray, triangles: np.ndarray, folds: tuple[Fold, ...], fold_edges: list[np.ndarray]
) -> np.ndarray:
    """Nodes (n, 3) after all folds; `lines` are the mesh edges (k, 2) on each fold line; x, y of `nodes` are the plan.

    A flange on another flange is turned first, in the flat, and then goes with it.  Raises MeshError where a line
    does not part the sheet, or where two flanges overlap.
    """
    plan = nodes[:, :2]
    area = signed_area(plan[triangles])
    parts = [
        _flange_mask(f"fold {n}", fold, line, plan, triangles, area)
        for n, (fold, line) in enumerate(zip(folds, fold_edges, strict=True), 1)
    ]
    order = sorted(range(len(folds)), key=lambda i: area[parts[i]].sum())
    for place, i in enumerate(order):
        for j in order[place + 1 :]:
            both = parts[i] & parts[j]
            if both.any() and (parts[i] & ~parts[j]).any():
                where = f"fold {min(i, j) + 1} and fold {max(i, j) + 1}"
                raise MeshError(str(Fault(where, "their flanges overlap", "cut the corner out where they cross")))
    nodes = nodes.copy()
    for i in order:
        turned = np.unique(triangles[parts[i]])
        nodes[turned] = _rotate_flange(nodes[turned], folds[i], plan[triangles[parts[i]]].mean(axis=(0, 1)))
    return nodes


def _flange_mask(
    where: str, fold: Fold, line: np.ndarray, plan: np.ndarray, triangles: np.ndarray, area: np.ndarray
) -> np.ndarray:
    """(m,) mask of the triangles on the side of the fold line that has less of the sheet parted by it."""
    count = len(plan)
    edges = edge_keys(directed_edges(triangles), count)
    owner = np.repeat(np.arange(len(triangles)), 3)
    open_ = ~np.isin(edges, edge_keys(line, count))
    order = np.argsort(edges[open_], kind="stable")
    edge, cell = edges[open_][order], owner[open_][order]
    twin = np.flatnonzero(edge[1:] == edge[:-1])
    graph = coo_matrix((np.ones(len(twin)), (cell[twin], cell[twin + 1])), shape=(len(triangles),) * 2)
    parts, part = connected_components(graph, directed=False)
    beside = np.isin(owner, owner[~open_]) & ~open_
    start, along = _fold_axis(fold)
    left = np.array([-along[1], along[0]])
    offset = (plan[triangles].mean(axis=1) - start) @ left
    sides = []
    for side in (1, -1):
        touching = np.unique(part[owner[beside & (side * offset[owner] > 0)]])
        sides.append(np.isin(part, touching))
    if parts < 2 or (sides[0] & sides[1]).any():
        raise MeshError(str(Fault(where, "its line does not part the sheet", "draw it from edge to edge")))
    return min(sides, key=lambda side: area[side].sum())


def _fold_axis(fold: Fold) -> tuple[np.ndarray, np.ndarray]:
    """Start (2,) and direction (2,) of a fold line."""
    start, end = np.array(fold.line, dtype=float)
    return start, (end - start) / np.linalg.norm(end - start)


def _rotate_flange(nodes: np.ndarray, fold: Fold, middle: np.ndarray) -> np.ndarray:
    """Nodes (k, 3) of a flange, whose middle (2,) tells its side, turned by the fold's angle, + toward +z."""
    start, along = _fold_axis(fold)
    out = np.array([-along[1], along[0]])
    if (middle - start) @ out < 0:
        out = -out
    angle = math.radians(fold.angle)
    distance = (nodes[:, :2] - start) @ out
    flat = nodes[:, :2] - distance[:, None] * out
    z = nodes[:, 2]
    away = distance * math.cos(angle) - z * math.sin(angle)
    up = distance * math.sin(angle) + z * math.cos(angle)
    return np.column_stack([flat + away[:, None] * out, up])

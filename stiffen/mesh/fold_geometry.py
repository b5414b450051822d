"""Fold geometry: rotates the flange beside each fold line about that line on the mid-surface, without a radius."""

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
    """Nodes (n, 3) after all folds, from unfolded nodes (n, 3) whose x, y are the plan.

    fold_edges: mesh edges (k, 2) on each fold line.  A flange on another flange is rotated first, then moves with it.
    Raises MeshError where a line does not divide the sheet, or where two flanges overlap.
    """
    plan = nodes[:, :2]
    area = signed_area(plan[triangles])
    flanges = [
        _flange_mask(f"fold {n}", fold, line, plan, triangles, area)
        for n, (fold, line) in enumerate(zip(folds, fold_edges, strict=True), 1)
    ]
    order = sorted(range(len(folds)), key=lambda i: area[flanges[i]].sum())
    for rank, i in enumerate(order):
        for j in order[rank + 1 :]:
            common = flanges[i] & flanges[j]
            if common.any() and (flanges[i] & ~flanges[j]).any():
                where = f"fold {min(i, j) + 1} and fold {max(i, j) + 1}"
                raise MeshError(str(Fault(where, "their flanges overlap", "cut the corner out where they cross")))
    nodes = nodes.copy()
    for i in order:
        members = np.unique(triangles[flanges[i]])
        nodes[members] = _rotate_flange(nodes[members], folds[i], plan[triangles[flanges[i]]].mean(axis=(0, 1)))
    return nodes


def _flange_mask(
    where: str, fold: Fold, line: np.ndarray, plan: np.ndarray, triangles: np.ndarray, area: np.ndarray
) -> np.ndarray:
    """(m,) bool: triangles on that side of a fold line which has less area."""
    count = len(plan)
    edges = edge_keys(directed_edges(triangles), count)
    owner = np.repeat(np.arange(len(triangles)), 3)
    is_uncut = ~np.isin(edges, edge_keys(line, count))
    order = np.argsort(edges[is_uncut], kind="stable")
    edge, triangle = edges[is_uncut][order], owner[is_uncut][order]
    shared = np.flatnonzero(edge[1:] == edge[:-1])
    graph = coo_matrix((np.ones(len(shared)), (triangle[shared], triangle[shared + 1])), shape=(len(triangles),) * 2)
    parts, part = connected_components(graph, directed=False)
    beside = np.isin(owner, owner[~is_uncut]) & ~is_uncut
    start, along = _fold_axis(fold)
    left = np.array([-along[1], along[0]])
    offset = (plan[triangles].mean(axis=1) - start) @ left
    sides = []
    for side in (1, -1):
        touching = np.unique(part[owner[beside & (side * offset[owner] > 0)]])
        sides.append(np.isin(part, touching))
    if parts < 2 or (sides[0] & sides[1]).any():
        raise MeshError(str(Fault(where, "its line does not divide the sheet", "draw it from edge to edge")))
    return min(sides, key=lambda side: area[side].sum())


def _fold_axis(fold: Fold) -> tuple[np.ndarray, np.ndarray]:
    """Start (2,) and direction (2,) of a fold line."""
    start, end = np.array(fold.line, dtype=float)
    return start, (end - start) / np.linalg.norm(end - start)


def _rotate_flange(nodes: np.ndarray, fold: Fold, middle: np.ndarray) -> np.ndarray:
    """Nodes (k, 3) of a flange rotated by the fold's angle, positive toward +z; middle (2,): a point on its side."""
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

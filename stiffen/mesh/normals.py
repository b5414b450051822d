"""Normals of the folded sheet at the nodes, without the slopes of beads and cones."""

from __future__ import annotations

import numpy as np

from stiffen.model.panel import Panel

from .feature_lines import SNAP_DISTANCE, edges_on_path
from .fold_geometry import fold_nodes
from .panel_mesh import Mesh
from .size_field import MAX_CHORD_ERROR
from .triangulation import directed_edges

UP_NORMAL = np.array([0.0, 0.0, 1.0])
TILT_TOLERANCE = 1e-9  # greatest in-plane part of a unit normal that counts as upright


def node_normals(panel: Panel, mesh: Mesh) -> np.ndarray:
    """(n, 3) unit normals on the "up" face: (0, 0, 1) except on flanges.

    A node on a fold line has the normal of the side that is less tilted.
    """
    out = np.tile(UP_NORMAL, (len(mesh.plan), 1))
    if not panel.folds:
        return out
    edges = directed_edges(mesh.triangles)
    lines = [edges[edges_on_path(mesh.plan, edges, fold.line, SNAP_DISTANCE + MAX_CHORD_ERROR)] for fold in panel.folds]
    flat = np.column_stack([mesh.plan, np.zeros(len(mesh.plan))])
    corners = fold_nodes(flat, mesh.triangles, panel.folds, lines)[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    for k in np.argsort(np.abs(normals[:, 2]), kind="stable"):  # the least tilted last: it overwrites the others
        out[mesh.triangles[k]] = normals[k]
    return out


def is_tilted(normals: np.ndarray) -> np.ndarray:
    """(...) bool: normals (..., 3) that are not upright, as on a flange."""
    return np.hypot(normals[..., 0], normals[..., 1]) > TILT_TOLERANCE

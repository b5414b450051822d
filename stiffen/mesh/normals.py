"""Which way the sheet faces at each node, once it is folded; beads and cones are left out of it."""

from __future__ import annotations

import numpy as np

from stiffen.model.panel import Panel

from .feature_lines import SNAP_DISTANCE, edges_on_path
from .fold_geometry import fold_nodes
from .panel_mesh import Mesh
from .size_field import MAX_CHORD_ERROR
from .triangulation import directed_edges

UP_NORMAL = np.array([0.0, 0.0, 1.0])
TILT_TOLERANCE = 1e-9  # of a normal's part along x or y: less is none


def node_normals(panel: Panel, mesh: Mesh) -> np.ndarray:
    """(n, 3) unit normals, from the "up" face: (0, 0, 1) but on flanges.  On a fold line that of the flatter part."""
    out = np.tile(UP_NORMAL, (len(mesh.plan), 1))
    if not panel.folds:
        return out
    edges = directed_edges(mesh.triangles)
    lines = [edges[edges_on_path(mesh.plan, edges, fold.line, SNAP_DISTANCE + MAX_CHORD_ERROR)] for fold in panel.folds]
    flat = np.column_stack([mesh.plan, np.zeros(len(mesh.plan))])
    corners = fold_nodes(flat, mesh.triangles, panel.folds, lines)[mesh.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    for k in np.argsort(np.abs(normals[:, 2]), kind="stable"):  # the flattest last
        out[mesh.triangles[k]] = normals[k]
    return out


def is_tilted(normals: np.ndarray) -> np.ndarray:
    """Which normals (..., 3) do not stand upright, that is, lie on a flange: (...) bool."""
    return np.hypot(normals[..., 0], normals[..., 1]) > TILT_TOLERANCE

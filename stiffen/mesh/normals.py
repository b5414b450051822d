"""Normals of the folded sheet at the nodes, without the slopes of beads and cones."""

from __future__ import annotations

import numpy as np

from stiffen.model.panel import Panel

from .panel_mesh import Mesh

UP_NORMAL = np.array([0.0, 0.0, 1.0])
TILT_TOLERANCE = 1e-9  # greatest in-plane part of a unit normal that counts as upright


def node_normals(panel: Panel, mesh: Mesh) -> np.ndarray:
    """(n, 3) unit normals on the "up" face: (0, 0, 1) except on flanges and in bends.

    A node on the line of a sharp fold has the normal of the side that is less tilted.
    """
    return mesh.folded.normals(mesh.plan) if panel.is_folded else np.tile(UP_NORMAL, (len(mesh.plan), 1))


def is_tilted(normals: np.ndarray) -> np.ndarray:
    """(...) bool: normals (..., 3) that are not upright, as on a flange."""
    return np.hypot(normals[..., 0], normals[..., 1]) > TILT_TOLERANCE

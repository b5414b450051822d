"""Edge trims and tubes that are stiff: beams along the sheet, in the plane square to it."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from .mesh import Mesh
from .panel import Panel


def tube_stiffness(panel: Panel, mesh: Mesh, normals: np.ndarray) -> sp.csr_matrix | None:
    """(6 n, 6 n) stiffness, N/mm and N mm, of the panel's trims; None where none is stiff.

    normals: (n, 3) the way the sheet faces.  Each side between two nodes of a trim's path is a beam of two nodes with
    cubic deflection (Hermite; e.g. J. S. Przemieniecki, Theory of Matrix Structural Analysis, 1968, ch. 5), bent square
    to the sheet about its mid-surface.  The trim's stretching and twisting are left out.
    """
    rows, columns, values = [], [], []
    for trim in panel.trims:
        if not trim.stiffness:
            continue
        line = np.append(mesh.outline, mesh.outline[0]) if trim.path is None else mesh.paths[trim.path]
        ends = np.stack([line[:-1], line[1:]], axis=1)
        freedoms = (6 * ends[:, :, None] + np.arange(6)).reshape(-1, 12)
        beams = _beams(mesh.nodes[ends], normals[ends].mean(axis=1), trim.stiffness)
        rows.append(np.repeat(freedoms, 12, axis=1).ravel())
        columns.append(np.tile(freedoms, (1, 12)).ravel())
        values.append(beams.ravel())
    if not rows:
        return None
    place = np.concatenate(rows), np.concatenate(columns)
    return sp.csr_matrix((np.concatenate(values), place), shape=(6 * len(mesh.nodes),) * 2)


def _beams(ends: np.ndarray, normals: np.ndarray, stiffness: float) -> np.ndarray:
    """(k, 12, 12) stiffness of beams between ends (k, 2, 3), EI `stiffness`, bent in the plane of axis and normal."""
    axis = ends[:, 1] - ends[:, 0]
    L = np.linalg.norm(axis, axis=1)
    axis = axis / L[:, None]
    up = normals - np.einsum("ki,ki->k", normals, axis)[:, None] * axis
    up /= np.linalg.norm(up, axis=1)[:, None]
    tilt = np.cross(axis, up)  # a turn about it lifts the beam along its axis
    to_beam = np.zeros((len(L), 4, 12))
    for end in range(2):
        to_beam[:, 2 * end, 6 * end : 6 * end + 3] = up
        to_beam[:, 2 * end + 1, 6 * end + 3 : 6 * end + 6] = tilt
    l, l2, l3 = (stiffness * factor for factor in (1 / L, 1 / L**2, 1 / L**3))
    local = np.stack(
        [
            np.stack([12 * l3, 6 * l2, -12 * l3, 6 * l2], axis=1),
            np.stack([6 * l2, 4 * l, -6 * l2, 2 * l], axis=1),
            np.stack([-12 * l3, -6 * l2, 12 * l3, -6 * l2], axis=1),
            np.stack([6 * l2, 2 * l, -6 * l2, 4 * l], axis=1),
        ],
        axis=1,
    )
    return to_beam.transpose(0, 2, 1) @ local @ to_beam

"""Stiff edge trims and tubes, as beams along the sheet that bend normal to it."""

from __future__ import annotations

import numpy as np

from stiffen.fem.edge_beams import EdgeBeams
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.panel import Panel


def trim_beams(panel: Panel, mesh: Mesh, normals: np.ndarray) -> EdgeBeams | None:
    """The panel's stiff trims as beams between the nodes of their paths; None if no trim is stiff.

    normals: (n, 3) unit normals of the sheet.  The beams bend normal to the sheet, about its mid-surface.  Their axial
    and torsional stiffness is neglected.
    """
    ends, stiffness = [], []
    for trim in panel.trims:
        if not trim.stiffness:
            continue
        line = np.append(mesh.outline, mesh.outline[0]) if trim.path is None else mesh.paths[trim.path]
        ends.append(np.column_stack([line[:-1], line[1:]]))
        stiffness.append(np.full(len(line) - 1, trim.stiffness))
    if not ends:
        return None
    pairs = np.concatenate(ends)
    chords = mesh.nodes[pairs[:, 1]] - mesh.nodes[pairs[:, 0]]
    along = chords / np.linalg.norm(chords, axis=1)[:, None]
    up = normals[pairs].mean(axis=1)
    up = up - np.einsum("ki,ki->k", up, along)[:, None] * along
    return EdgeBeams(pairs, chords, up / np.linalg.norm(up, axis=1)[:, None], np.concatenate(stiffness))

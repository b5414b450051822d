"""Motions of parts as rigid bodies that neither ties nor supports hinder."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.sparse as sp

from stiffen.fem.shell import rigid_body_modes

from .parts import ShellPart
from .ties import DEFORMATIONS

LOOSE = 1e-9  # stiffness of a rigid motion over the greatest, below which the part is loose


def loose_motions(
    parts: Sequence[ShellPart], deformations: sp.csr_matrix, tie_springs: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(6 p, m) motions of p rigid parts, and (6 n, m) of their nodes, that nothing hinders.

    deformations: (5 k, 6 n) of the ties by the DOFs of the whole.  tie_springs: (5 k,) their stiffness.
    """
    rigid = []
    for part in parts:
        size = float(np.ptp(part.shell.nodes, axis=0).max())
        rigid.append(rigid_body_modes(part.shell.nodes) / np.array([1, 1, 1, size, size, size]))
    R = sp.block_diag(rigid, format="csr")
    gram = np.zeros((R.shape[1], R.shape[1]))
    if len(tie_springs):
        weight = tie_springs / tie_springs.reshape(-1, DEFORMATIONS).max(axis=1).repeat(DEFORMATIONS)
        stretch = sp.diags(np.sqrt(weight)) @ deformations @ R
        gram += (stretch.T @ stretch).toarray()
    for place, (part, rows) in enumerate(zip(parts, rigid, strict=True)):
        own = rows[part.fixed].T @ rows[part.fixed]
        if part.springs is not None:
            own = own + rows.T @ (part.springs @ rows) / abs(part.springs).max()
        gram[6 * place : 6 * place + 6, 6 * place : 6 * place + 6] += own
    values, vectors = np.linalg.eigh(gram)
    free = vectors[:, values < LOOSE * max(1.0, values[-1])]
    return free, R @ free

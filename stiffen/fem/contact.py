"""Nonlinear supports: a frame that the sheet may lift off (unilateral), fasteners with clearance (gap).

Penalty method: a stiff spring acts once the gap is closed, while the sheet pushes (e.g. P. Wriggers, Computational
Contact Mechanics, Springer 2006, ch. 6).  Every support has `respond(u)`: internal forces (6 n,), stored energy (N mm)
and stiffness (6 n, 6 n) at DOFs u (6 n,), displacements and rotation vectors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

UNILATERAL_PENALTY = 0.05  # penalty stiffness of a node on a frame, over E t; on 1 mm aluminium 10 N penetrate 3e-3 mm
BEARING_PENALTY = 20.0  # penalty stiffness of a fastener that bears, over E t; on 1 mm aluminium 10 N penetrate 1e-5 mm
LOOSE_STIFFNESS_RATIO = 1e-7  # stiffness within the clearance, over the bearing stiffness; stops drift


@dataclass(frozen=True, eq=False)
class UnilateralSupport:
    """A frame under the sheet: `dofs` (k,) may rise but not sink below zero; penalty stiffness of each, N/mm."""

    dofs: np.ndarray
    stiffness: float

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Internal forces, stored energy and stiffness at DOFs u (6 n,)."""
        penetration = np.minimum(u[self.dofs], 0.0)
        forces = np.zeros_like(u)
        forces[self.dofs] = self.stiffness * penetration
        touching = self.dofs[u[self.dofs] <= 0]
        K = sp.csr_matrix((np.full(len(touching), self.stiffness), (touching, touching)), shape=(len(u), len(u)))
        return forces, self.stiffness / 2 * float(penetration @ penetration), K


@dataclass(frozen=True, eq=False)
class GapSupport:
    """A fastener in a loose hole: the mean in-plane displacement of its disc's `nodes` is free up to `clearance`, mm.

    stiffness: penalty stiffness of the disc once it bears, N/mm.
    """

    nodes: np.ndarray
    clearance: float
    stiffness: float

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Internal forces, stored energy and stiffness at DOFs u (6 n,)."""
        count = len(self.nodes)
        dofs = 6 * self.nodes[:, None] + np.arange(2)
        slip = u[dofs].mean(axis=0)
        distance = float(np.hypot(*slip))
        overlap = max(distance - self.clearance, 0.0)
        loose = LOOSE_STIFFNESS_RATIO * self.stiffness  # N/mm, also within the clearance
        direction = slip / distance if distance > 0 else np.zeros(2)
        forces = np.zeros_like(u)
        forces[dofs] = (loose * slip + self.stiffness * overlap * direction) / count
        K = loose * np.eye(2)
        if distance >= self.clearance:
            share = overlap / distance if distance > 0 else 1.0
            K = K + self.stiffness * (share * np.eye(2) + (1 - share) * np.outer(direction, direction))
        blocks = np.broadcast_to(K[None, :, None, :] / count**2, (count, 2, count, 2)).reshape(2 * count, 2 * count)
        rows, cols = np.meshgrid(dofs.ravel(), dofs.ravel(), indexing="ij")
        matrix = sp.csr_matrix((blocks.ravel(), (rows.ravel(), cols.ravel())), shape=(len(u), len(u)))
        return forces, float(loose * distance**2 + self.stiffness * overlap**2) / 2, matrix


@dataclass(frozen=True, eq=False)
class ElasticSupport:
    """Elastic supports: (6 n, 6 n) stiffness on displacements and rotation vectors."""

    stiffness: sp.csr_matrix

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Internal forces, stored energy and stiffness at DOFs u (6 n,)."""
        forces = self.stiffness @ u
        return forces, float(u @ forces) / 2, self.stiffness


NonlinearSupport = UnilateralSupport | GapSupport | ElasticSupport


def nonlinear_supports(
    scale: float, springs: sp.spmatrix | None, unilateral: np.ndarray | None, gaps: Sequence[tuple[np.ndarray, float]]
) -> tuple[NonlinearSupport, ...]:
    """All supports that are not rigid.

    scale: E t of the sheet, N/mm, to which the penalties are relative.  springs: (6 n, 6 n).  unilateral: DOFs (k,).
    gaps: (nodes, clearance mm) of each fastener.
    """
    out: list[NonlinearSupport] = []
    if springs is not None:
        out.append(ElasticSupport(springs.tocsr()))
    if unilateral is not None and len(unilateral):
        out.append(UnilateralSupport(np.asarray(unilateral), UNILATERAL_PENALTY * scale))
    out += [GapSupport(np.asarray(nodes), float(clearance), BEARING_PENALTY * scale) for nodes, clearance in gaps]
    return tuple(out)

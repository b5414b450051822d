"""Supports that hold on one side or only after some play: a frame that the sheet may lift off, rivets in loose holes.

Both by stiff springs that come in when the gap is used up, as long as the sheet pushes (penalty method; e.g. P.
Wriggers, Computational Contact Mechanics, Springer 2006, ch. 6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

UNILATERAL_PENALTY, BEARING_PENALTY = (
    0.05,
    20.0,
)  # of a rest and of a rivet that bears, in E t: 10 N sink in by 3e-3 and 1e-5 mm
LOOSE_STIFFNESS_RATIO = 1e-7  # of the rivet: what keeps a loose fastener from drifting before it touches


@dataclass(frozen=True, eq=False)
class UnilateralSupport:
    """A frame under the sheet: `dofs` (k,) that cannot go below zero and may rise; stiffness of each stop, N/mm."""

    dofs: np.ndarray
    stiffness: float

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Inner forces (6 n,), stored work and stiffness (6 n, 6 n) at freedoms u (6 n,)."""
        down = np.minimum(u[self.dofs], 0.0)
        forces = np.zeros_like(u)
        forces[self.dofs] = self.stiffness * down
        touching = self.dofs[u[self.dofs] <= 0]
        K = sp.csr_matrix((np.full(len(touching), self.stiffness), (touching, touching)), shape=(len(u), len(u)))
        return forces, self.stiffness / 2 * float(down @ down), K


@dataclass(frozen=True, eq=False)
class GapSupport:
    """One fastener in a loose hole: the nodes of its disc, which slide together in plane up to `clearance`, mm."""

    nodes: np.ndarray
    clearance: float
    stiffness: float

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Inner forces (6 n,), stored work and stiffness (6 n, 6 n) at freedoms u (6 n,)."""
        count = len(self.nodes)
        freedoms = 6 * self.nodes[:, None] + np.arange(2)
        slid = u[freedoms].mean(axis=0)
        way = float(np.hypot(*slid))
        over = max(way - self.clearance, 0.0)
        soft = LOOSE_STIFFNESS_RATIO * self.stiffness
        direction = slid / way if way > 0 else np.zeros(2)
        forces = np.zeros_like(u)
        forces[freedoms] = (soft * slid + self.stiffness * over * direction) / count
        K = soft * np.eye(2)
        if way >= self.clearance:
            share = over / way if way > 0 else 1.0
            K = K + self.stiffness * (share * np.eye(2) + (1 - share) * np.outer(direction, direction))
        blocks = np.broadcast_to(K[None, :, None, :] / count**2, (count, 2, count, 2)).reshape(2 * count, 2 * count)
        rows, cols = np.meshgrid(freedoms.ravel(), freedoms.ravel(), indexing="ij")
        matrix = sp.csr_matrix((blocks.ravel(), (rows.ravel(), cols.ravel())), shape=(len(u), len(u)))
        return forces, float(soft * way**2 + self.stiffness * over**2) / 2, matrix


@dataclass(frozen=True, eq=False)
class ElasticSupport:
    """Elastic supports: (6 n, 6 n) stiffness on shifts and rotation vectors."""

    stiffness: sp.csr_matrix

    def respond(self, u: np.ndarray) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Inner forces (6 n,), stored work and stiffness (6 n, 6 n) at freedoms u (6 n,)."""
        forces = self.stiffness @ u
        return forces, float(u @ forces) / 2, self.stiffness


NonlinearSupport = UnilateralSupport | GapSupport | ElasticSupport


def nonlinear_supports(
    scale: float, springs: sp.spmatrix | None, unilateral: np.ndarray | None, gaps: Sequence[tuple[np.ndarray, float]]
) -> tuple[NonlinearSupport, ...]:
    """All that holds the sheet beside rigid supports; `scale` N/mm is E t of the sheet."""
    out: list[NonlinearSupport] = []
    if springs is not None:
        out.append(ElasticSupport(springs.tocsr()))
    if unilateral is not None and len(unilateral):
        out.append(UnilateralSupport(np.asarray(unilateral), UNILATERAL_PENALTY * scale))
    out += [GapSupport(np.asarray(nodes), float(clearance), BEARING_PENALTY * scale) for nodes, clearance in gaps]
    return tuple(out)

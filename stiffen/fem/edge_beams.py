"""Beams along triangle edges, such as stiff trims or tubes: bending in one plane, at any deflection.

The energy of a beam of length l depends only on the rotations theta_1, theta_2 of its ends against its chord:
EI/(2 l) (4 theta_1^2 + 4 theta_1 theta_2 + 4 theta_2^2), that of cubic (Hermite) deflection (e.g. J. S. Przemieniecki,
Theory of Matrix Structural Analysis, 1968, ch. 5).  With n a normal that rotates with the node and e the unit vector
along the current chord, theta = -n.e, which no rigid-body motion changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from .corotational import State
from .rotations import skew

END_STIFFNESS = np.array([[4.0, 2.0], [2.0, 4.0]])  # of EI/l


@dataclass(frozen=True, eq=False)
class EdgeBeams:
    """k beams: end nodes (k, 2), undeformed chords (k, 3) mm, undeformed normals (k, 3), EI (k,) N mm2."""

    nodes: np.ndarray
    chords: np.ndarray
    normals: np.ndarray
    bending_stiffness: np.ndarray

    def respond(self, state: State) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Internal forces (6 n,), strain energy N mm and stiffness (6 n, 6 n), conjugate to displacements and spins.

        The stiffness is the symmetric part of the derivative of the forces; the skew part vanishes where the moments at
        the nodes balance.
        """
        displacement = state.displacements[self.nodes]
        chord = self.chords + displacement[:, 1] - displacement[:, 0]
        length = np.linalg.norm(chord, axis=1)
        along = chord / length[:, None]
        normals = (state.rotations[self.nodes] @ self.normals[:, None, :, None])[..., 0]
        rotations = -np.einsum("kai,ki->ka", normals, along)
        gradients = _rotation_gradients(normals, along, length)
        local = (self.bending_stiffness / np.linalg.norm(self.chords, axis=1))[:, None, None] * END_STIFFNESS
        moments = (local @ rotations[:, :, None])[:, :, 0]
        n = len(state.displacements)
        dofs = (6 * self.nodes[:, :, None] + np.arange(6)).reshape(-1, 12)
        forces = np.bincount(dofs.ravel(), np.einsum("kai,ka->ki", gradients, moments).ravel(), 6 * n)
        blocks = gradients.transpose(0, 2, 1) @ local @ gradients + _geometric_stiffness(
            normals, along, length, moments
        )
        place = np.repeat(dofs, 12, axis=1).ravel(), np.tile(dofs, (1, 12)).ravel()
        K = sp.csr_matrix((blocks.ravel(), place), shape=(6 * n, 6 * n))
        return forces, float(np.vdot(moments, rotations)) / 2, K

    def stiffness_at_rest(self, node_count: int) -> sp.csr_matrix:
        """(6 n, 6 n) stiffness on the undeformed sheet of n nodes."""
        return self.respond(State.at_rest(node_count))[2]


def _rotation_gradients(normals: np.ndarray, along: np.ndarray, length: np.ndarray) -> np.ndarray:
    """(k, 2, 12) derivatives of the end rotations by the displacements and spins of both nodes.

    normals: (k, 2, 3) at the ends.  along: (k, 3) unit vectors of the chords.  length: (k,) mm.
    """
    transverse = normals - np.einsum("kai,ki->ka", normals, along)[:, :, None] * along[:, None]
    by_displacement = transverse / length[:, None, None]
    out = np.zeros((len(length), 2, 2, 2, 3))  # beam, end, node, (displacement, spin), xyz
    out[:, :, 0, 0], out[:, :, 1, 0] = by_displacement, -by_displacement
    by_spin = np.cross(along[:, None], normals)
    for end in range(2):
        out[:, end, end, 1] = by_spin[:, end]
    return out.reshape(-1, 2, 12)


def _geometric_stiffness(normals: np.ndarray, along: np.ndarray, length: np.ndarray, moments: np.ndarray) -> np.ndarray:
    """(k, 12, 12) geometric stiffness: end moments (k, 2) times the second derivatives of the end rotations -n.e.

    With P = I - e e^T, q = P n and s = n.e these are (s P + e q^T + q e^T)/l^2 by the chord twice, P skew(n)/l by the
    chord and the spin of n, and s I - (n e^T + e n^T)/2 by that spin twice (n expanded to second order in the spin).
    Arguments as for `_rotation_gradients`.
    """
    out = np.zeros((len(length), 2, 2, 3, 2, 2, 3))
    e, l = along, length[:, None, None]
    P = np.eye(3) - e[:, :, None] * e[:, None, :]
    sides = np.array([[1.0, -1.0], [-1.0, 1.0]])
    for end in range(2):
        n, m = normals[:, end], moments[:, end, None, None]
        s = np.einsum("ki,ki->k", n, e)[:, None, None]
        q = (P @ n[:, :, None])[:, :, 0]
        coupled = e[:, :, None] * q[:, None, :]
        chord = m * (s * P + coupled + coupled.transpose(0, 2, 1)) / l**2
        mixed = m * (P @ skew(n)) / l
        own = n[:, :, None] * e[:, None, :]
        for a in range(2):
            for b in range(2):
                out[:, a, 0, :, b, 0] += sides[a, b] * chord
            sign = 1.0 if a else -1.0
            out[:, a, 0, :, end, 1] += sign * mixed
            out[:, end, 1, :, a, 0] += sign * mixed.transpose(0, 2, 1)
        out[:, end, 1, :, end, 1] += m * (s * np.eye(3) - (own + own.transpose(0, 2, 1)) / 2)
    return out.reshape(-1, 12, 12)

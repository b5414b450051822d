"""Beams along the edges of a shell's triangles, bent in one plane: a stiff trim or tube, at any deflection.

A beam of length l between two nodes knows the turns of its ends against its chord alone, theta_1 and theta_2; its
energy is EI/(2 l) (4 theta_1^2 + 4 theta_1 theta_2 + 4 theta_2^2), that of cubic deflection (Hermite; e.g. J. S.
Przemieniecki, Theory of Matrix Structural Analysis, 1968, ch. 5).  With n a normal that turns with the node and e the
chord as it lies, theta = -n.e: no motion as a rigid body changes it.
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
    """k beams: their ends (k, 2) by node, chords at rest (k, 3) mm, normals at rest (k, 3), EI (k,) N mm2."""

    nodes: np.ndarray
    chords: np.ndarray
    normals: np.ndarray
    bending_stiffness: np.ndarray

    def respond(self, state: State) -> tuple[np.ndarray, float, sp.csr_matrix]:
        """Inner forces (6 n,), stored work N mm and stiffness (6 n, 6 n) at a state, conjugate to shifts and spins.

        The stiffness is the symmetric part of the forces' rates; the rest vanishes where moments balance at the nodes.
        """
        shift = state.displacements[self.nodes]
        chord = self.chords + shift[:, 1] - shift[:, 0]
        length = np.linalg.norm(chord, axis=1)
        along = chord / length[:, None]
        normals = (state.rotations[self.nodes] @ self.normals[:, None, :, None])[..., 0]
        turns = -np.einsum("kai,ki->ka", normals, along)
        rates = _rotation_gradients(normals, along, length)
        local = (self.bending_stiffness / np.linalg.norm(self.chords, axis=1))[:, None, None] * END_STIFFNESS
        moments = (local @ turns[:, :, None])[:, :, 0]
        n = len(state.displacements)
        freedoms = (6 * self.nodes[:, :, None] + np.arange(6)).reshape(-1, 12)
        forces = np.bincount(freedoms.ravel(), np.einsum("kai,ka->ki", rates, moments).ravel(), 6 * n)
        blocks = rates.transpose(0, 2, 1) @ local @ rates + _geometric_stiffness(normals, along, length, moments)
        place = np.repeat(freedoms, 12, axis=1).ravel(), np.tile(freedoms, (1, 12)).ravel()
        K = sp.csr_matrix((blocks.ravel(), place), shape=(6 * n, 6 * n))
        return forces, float(np.vdot(moments, turns)) / 2, K


def _rotation_gradients(normals: np.ndarray, along: np.ndarray, length: np.ndarray) -> np.ndarray:
    """(k, 2, 12): how the turn at each end goes with shifts and spins of both; normals (k, 2, 3), along (k, 3)."""
    square = normals - np.einsum("kai,ki->ka", normals, along)[:, :, None] * along[:, None]
    lift = square / length[:, None, None]
    out = np.zeros((len(length), 2, 2, 2, 3))  # beam, end, node, (shift, spin), xyz
    out[:, :, 0, 0], out[:, :, 1, 0] = lift, -lift
    tilt = np.cross(along[:, None], normals)
    for end in range(2):
        out[:, end, end, 1] = tilt[:, end]
    return out.reshape(-1, 2, 12)


def _geometric_stiffness(normals: np.ndarray, along: np.ndarray, length: np.ndarray, moments: np.ndarray) -> np.ndarray:
    """(k, 12, 12): what the moments (k, 2) do as chord and normals turn: moments times second rates of the turns."""
    out = np.zeros((len(length), 2, 2, 3, 2, 2, 3))
    e, l = along, length[:, None, None]
    across = np.eye(3) - e[:, :, None] * e[:, None, :]
    sides = np.array([[1.0, -1.0], [-1.0, 1.0]])
    for end in range(2):
        n, m = normals[:, end], moments[:, end, None, None]
        s = np.einsum("ki,ki->k", n, e)[:, None, None]
        q = (across @ n[:, :, None])[:, :, 0]
        leaning = e[:, :, None] * q[:, None, :]
        chord = m * (s * across + leaning + leaning.transpose(0, 2, 1)) / l**2
        mixed = m * (across @ skew(n)) / l
        own = n[:, :, None] * e[:, None, :]
        for a in range(2):
            for b in range(2):
                out[:, a, 0, :, b, 0] += sides[a, b] * chord
            sign = 1.0 if a else -1.0
            out[:, a, 0, :, end, 1] += sign * mixed
            out[:, end, 1, :, a, 0] += sign * mixed.transpose(0, 2, 1)
        out[:, end, 1, :, end, 1] += m * (s * np.eye(3) - (own + own.transpose(0, 2, 1)) / 2)
    return out.reshape(-1, 12, 12)

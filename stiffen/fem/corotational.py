"""The element beyond small deflections: the flat triangle in a frame that turns with it, all triangles at once.

The linear element of `triangle.py` sees only what is left of a node's shift and turn when the triangle's own motion is
taken away.  B. Nour-Omid and C. C. Rankin, "Finite rotation analysis and consistent linearization using projectors",
Comput. Methods Appl. Mech. Eng. 93 (1991) 353-384; C. A. Felippa and B. Haugen, "A unified formulation of small-strain
corotational finite elements: I. Theory", Comput. Methods Appl. Mech. Eng. 194 (2005) 2285-2335.

n nodes, m triangles, k triangles of a lot.  A node's place is a shift (3,) and a rotation matrix (3, 3); a step of it
is (6,): a shift and a spin about the fixed axes.  "Straining freedoms" (18,) of a triangle are the shifts and rotation
vectors of its corners, in its turned frame, once the triangle's own motion is taken away; "stress" (18,) are the nodal
forces and moments that go with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from . import rotations, triangle

NEXT_CORNER, PREVIOUS_CORNER = [1, 2, 0], [2, 0, 1]  # the corner after and before each corner


@dataclass(frozen=True, eq=False)
class State:
    """Where the nodes are: shifts (n, 3) mm and rotation matrices turns (n, 3, 3), both from the unloaded sheet."""

    displacements: np.ndarray
    rotations: np.ndarray

    @classmethod
    def at_rest(cls, n: int) -> State:
        """The unloaded sheet of n nodes."""
        return cls(np.zeros((n, 3)), np.tile(np.eye(3), (n, 1, 1)))

    def updated(self, step: np.ndarray) -> State:
        """The state after a step (6 n,): shifts, and spins about the fixed axes."""
        step = step.reshape(-1, 2, 3)
        return State(self.displacements + step[:, 0], rotations.rotation_matrices(step[:, 1]) @ self.rotations)

    @property
    def dofs(self) -> np.ndarray:
        """(6 n,) shifts and rotation vectors (each at most half a turn)."""
        return np.stack([self.displacements, rotations.rotation_vectors(self.rotations)], axis=1).ravel()


@dataclass(frozen=True, eq=False)
class ElementState:
    """A lot of triangles in their turned frames.

    frames: (k, 3, 3), rows are the axes now.  place: (k, 3, 3) corners now in that frame, origin at the centroid.
    strained: (k, 18) straining freedoms.  turn: (k, 3, 18) spin of the frame, in the frame, per step of the freedoms in
    the frame.  rates: (k, 3, 3, 3) from spins of a corner to its rotation vector.  stress: (k, 18).
    """

    frames: np.ndarray
    corners: np.ndarray
    deformation: np.ndarray
    spin_fitter: np.ndarray
    rotation_rates: np.ndarray
    local_forces: np.ndarray


@dataclass(frozen=True, eq=False)
class CorotationalElements:
    """Triangles (m, 3) ready for large motion: their facets at rest and small-strain stiffness (m, 18, 18)."""

    triangles: np.ndarray
    geometry: triangle.TriangleFrames
    stiffness: np.ndarray

    @cached_property
    def corners(self) -> np.ndarray:
        """(m, 3, 3) corners at rest from the centroid, fixed axes: small numbers, so that shifts lose no digits."""
        return self.geometry.xy @ self.geometry.frames[:, :2]

    def chunks(self) -> Iterator[slice]:
        """The triangles in lots."""
        return triangle.chunks(len(self.triangles))

    def element_state(self, part: slice, state: State) -> ElementState:
        """Frames, strains and stress of the triangles `stiffness_of`."""
        own = self.triangles[part]
        k = len(own)
        first = self.geometry.xy[part]
        now = triangle.frames_of_corners(self.corners[part] + state.displacements[own])
        # the frame's place in its plane: least squares over the corners, so that it does not hang on one side
        x, y = now.xy[:, :, 0], now.xy[:, :, 1]
        X, Y = first[:, :, 0], first[:, :, 1]
        sine, cosine = (X * y - Y * x).sum(axis=1), (X * x + Y * y).sum(axis=1)
        size = np.hypot(sine, cosine)
        sine, cosine = (sine / size)[:, None], (cosine / size)[:, None]
        frames = np.empty((k, 3, 3))
        frames[:, 0] = cosine * now.frames[:, 0] + sine * now.frames[:, 1]
        frames[:, 1] = cosine * now.frames[:, 1] - sine * now.frames[:, 0]
        frames[:, 2] = now.frames[:, 2]
        px, py = cosine * x + sine * y, cosine * y - sine * x
        place = np.stack([px, py, np.zeros_like(px)], axis=2)
        strained = np.zeros((k, 3, 2, 3))
        strained[:, :, 0, :2] = place[:, :, :2] - first
        relative = frames[:, None] @ state.rotations[own] @ self.geometry.frames[part].transpose(0, 2, 1)[:, None]
        strained[:, :, 1] = rotations.small_rotation_vectors(relative)
        # spin about x and y from the lift of the flat triangle's corners, about z from the least-squares rule
        turn = np.zeros((k, 3, 3, 2, 3))
        twice = 2 * now.area[:, None]
        turn[:, 0, :, 0, 2] = (px[:, PREVIOUS_CORNER] - px[:, NEXT_CORNER]) / twice
        turn[:, 1, :, 0, 2] = (py[:, PREVIOUS_CORNER] - py[:, NEXT_CORNER]) / twice
        turn[:, 2, :, 0, 0] = -Y / size[:, None]
        turn[:, 2, :, 0, 1] = X / size[:, None]
        rates = rotations.rotation_rate_matrices(strained[:, :, 1])
        strained = strained.reshape(k, 18)
        stress = (self.stiffness[part] @ strained[:, :, None])[:, :, 0]
        return ElementState(frames, place, strained, turn.reshape(k, 3, 18), rates, stress)

    def predict_forces(self, part: slice, b: ElementState, step: np.ndarray) -> np.ndarray:
        """(k, 18) stress after a step (6 n,), to first order."""
        own = step.reshape(-1, 2, 3)[self.triangles[part]]
        q = (own.reshape(-1, 6, 3) @ b.frames.transpose(0, 2, 1)).reshape(-1, 3, 2, 3)
        spin = (b.spin_fitter @ q.reshape(-1, 18, 1)).transpose(0, 2, 1)
        change = np.empty_like(q)
        change[:, :, 0] = q[:, :, 0] - np.cross(spin, b.corners)
        change[:, :, 1] = (b.rotation_rates @ (q[:, :, 1] - spin)[..., None])[..., 0]
        strained = b.deformation + change.reshape(-1, 18)
        return (self.stiffness[part] @ strained[:, :, None])[:, :, 0]


def nodal_forces(b: ElementState) -> np.ndarray:
    """(k, 18) forces and moments of the triangles' stress at their corners, about the fixed axes."""
    _, forces = _project_forces(b, b.local_forces)
    return (forces.reshape(-1, 6, 3) @ b.frames).reshape(-1, 18)


def _project_forces(b: ElementState, stress: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nodal forces (k, 18) in the frames that go with spins, before and after the frame's own turn is taken out."""
    plain = stress.reshape(-1, 3, 2, 3).copy()
    plain[:, :, 1] = (plain[:, :, 1][:, :, None] @ b.rotation_rates)[:, :, 0]
    moment = (np.cross(b.corners, plain[:, :, 0]) + plain[:, :, 1]).sum(axis=1)
    plain = plain.reshape(-1, 18)
    return plain, plain - (moment[:, None] @ b.spin_fitter)[:, 0]


def tangent_stiffness(b: ElementState, stiffness: np.ndarray, stress: np.ndarray) -> np.ndarray:
    """(k, 18, 18) symmetric tangent stiffness about the fixed axes, under `stress` (k, 18).

    B^T K B, with B from steps to straining freedoms, and the symmetric part of Felippa & Haugen's K_GR + K_GP: what
    the stress does as frames turn.  Their K_GM is left out: its symmetric part is smaller than the material's stiffness
    by the square of the straining rotation over twelve.  At equilibrium the full tangent is symmetric (Nour-Omid &
    Rankin), so symmetrising costs no speed of convergence near it.
    """
    k = len(stiffness)
    turn = _to_global_columns(b.spin_fitter, b.frames)
    follow = np.empty((k, 3, 2, 3, 3))
    follow[:, :, 0] = rotations.skew(b.corners)
    follow[:, :, 1] = -b.rotation_rates
    B = follow.reshape(k, 18, 3) @ turn
    turned = b.rotation_rates @ b.frames[:, None]
    for a in range(3):
        B[:, 6 * a : 6 * a + 3, 6 * a : 6 * a + 3] += b.frames
        B[:, 6 * a + 3 : 6 * a + 6, 6 * a + 3 : 6 * a + 6] += turned[:, a]
    out = B.transpose(0, 2, 1) @ (stiffness @ B)
    plain, projected = (f.reshape(k, 3, 2, 3) for f in _project_forces(b, stress))
    # forces as they turn with the frame (K_GR), and the moment they get as the corners move in it (K_GP)
    V = np.empty((k, 3, 2, 3, 3))
    V[:, :, 0] = rotations.skew((plain[:, :, 0] + projected[:, :, 0]) / 2)
    V[:, :, 1] = rotations.skew(projected[:, :, 1] / 2)
    V = _to_global_columns(V.reshape(k, 18, 3).transpose(0, 2, 1), b.frames)
    product = b.corners.transpose(0, 2, 1) @ plain[:, :, 0]
    W = np.einsum("kii->k", product)[:, None, None] * np.eye(3) - (product + product.transpose(0, 2, 1)) / 2
    V += W @ turn / 2
    out -= np.concatenate([V, turn], axis=1).transpose(0, 2, 1) @ np.concatenate([turn, V], axis=1)
    return out


def _to_global_columns(rows: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """(k, r, 18) rows over freedoms in the frames taken to freedoms about the fixed axes."""
    k, r, _ = rows.shape
    return (rows.reshape(k, 6 * r, 3) @ frames).reshape(k, r, 18)


def pressure_forces(corners: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """(m, 3) force on each corner of triangles with corners (m, 3, 3) under pressure (m,) MPa against their normals."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return -pressure[:, None] / 6 * normal


def pressure_stiffness(corners: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """(m, 18, 18) symmetric part of the stiffness of a pressure that stays square to the sheet.

    The part left out cancels between neighbours under even pressure (K. Schweizerhof and E. Ramm, "Displacement
    dependent pressure loads in nonlinear finite element analyses", Comput. Struct. 18 (1984) 1099-1114).
    """
    m = len(corners)
    side = rotations.skew(corners[:, PREVIOUS_CORNER] - corners[:, NEXT_CORNER])
    K = np.zeros((m, 3, 6, 3, 6))
    K[:, :, :3, :, :3] = ((side[:, None] - side[:, :, None]) * (pressure / 12)[:, None, None, None, None]).transpose(
        0, 1, 3, 2, 4
    )
    return K.reshape(m, 18, 18)

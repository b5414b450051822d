"""Corotational triangles: the flat shell triangle in a frame that moves with it, all triangles at once.

The linear element of `triangle.py` sees the deformation alone: the displacements and rotations of the corners that
remain when the rigid-body motion of the triangle's frame is removed.  B. Nour-Omid and C. C. Rankin, "Finite rotation
analysis and consistent linearization using projectors", Comput. Methods Appl. Mech. Eng. 93 (1991) 353-384; C. A.
Felippa and B. Haugen, "A unified formulation of small-strain corotational finite elements: I. Theory", Comput. Methods
Appl. Mech. Eng. 194 (2005) 2285-2335.

n nodes, m triangles, k triangles of a chunk.  The position of a node is a displacement (3,) and a rotation matrix
(3, 3).  A step of a node is (6,): a displacement and a spin about the fixed axes.  The deformation (18,) of a triangle
holds the displacements and rotation vectors of its corners in its frame, without the frame's own motion.  Its local
forces (18,) are the nodal forces and moments conjugate to the deformation.
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
    """Position of the nodes: displacements (n, 3) mm and rotation matrices (n, 3, 3), both from the unloaded sheet."""

    displacements: np.ndarray
    rotations: np.ndarray

    @classmethod
    def at_rest(cls, n: int) -> State:
        """The unloaded sheet of n nodes."""
        return cls(np.zeros((n, 3)), np.tile(np.eye(3), (n, 1, 1)))

    def updated(self, step: np.ndarray) -> State:
        """The state after a step (6 n,): displacements, and spins about the fixed axes."""
        step = step.reshape(-1, 2, 3)
        return State(self.displacements + step[:, 0], rotations.rotation_matrices(step[:, 1]) @ self.rotations)

    @property
    def dofs(self) -> np.ndarray:
        """(6 n,) displacements and rotation vectors (each at most half a turn)."""
        return np.stack([self.displacements, rotations.rotation_vectors(self.rotations)], axis=1).ravel()


@dataclass(frozen=True, eq=False)
class ElementState:
    """A chunk of triangles at a state.

    frames: (k, 3, 3), rows are the current axes.  corners: (k, 3, 3) current corners in that frame, origin at the
    centroid.  deformation: (k, 18).  spin_fitter: (k, 3, 18) spin of the frame per step of the corners, both in the
    frame.  rotation_rates: (k, 3, 3, 3) from spins of a corner to changes of its rotation vector.  local_forces:
    (k, 18).
    """

    frames: np.ndarray
    corners: np.ndarray
    deformation: np.ndarray
    spin_fitter: np.ndarray
    rotation_rates: np.ndarray
    local_forces: np.ndarray


@dataclass(frozen=True, eq=False)
class CorotationalElements:
    """Triangles (m, 3), their undeformed geometry and small-strain stiffness (m, 18, 18)."""

    triangles: np.ndarray
    geometry: triangle.TriangleFrames
    stiffness: np.ndarray

    @cached_property
    def corners(self) -> np.ndarray:
        """(m, 3, 3) undeformed corners, mm, from each centroid, fixed axes.

        These coordinates are small, so that adding displacements to them loses no digits.
        """
        return self.geometry.xy @ self.geometry.frames[:, :2]

    def chunks(self) -> Iterator[slice]:
        """Slices of the triangles."""
        return triangle.chunks(len(self.triangles))

    def element_state(self, chunk: slice, state: State) -> ElementState:
        """Frames, deformation and local forces of a chunk of triangles at a state."""
        nodes = self.triangles[chunk]
        k = len(nodes)
        undeformed = self.geometry.xy[chunk]
        current = triangle.frames_of_corners(self.corners[chunk] + state.displacements[nodes])
        # the frame's angle in its plane is fitted by least squares to all corners, so that no side is preferred
        x, y = current.xy[:, :, 0], current.xy[:, :, 1]
        X, Y = undeformed[:, :, 0], undeformed[:, :, 1]
        sine, cosine = (X * y - Y * x).sum(axis=1), (X * x + Y * y).sum(axis=1)
        norm = np.hypot(sine, cosine)
        sine, cosine = (sine / norm)[:, None], (cosine / norm)[:, None]
        frames = np.empty((k, 3, 3))
        frames[:, 0] = cosine * current.frames[:, 0] + sine * current.frames[:, 1]
        frames[:, 1] = cosine * current.frames[:, 1] - sine * current.frames[:, 0]
        frames[:, 2] = current.frames[:, 2]
        px, py = cosine * x + sine * y, cosine * y - sine * x
        corners = np.stack([px, py, np.zeros_like(px)], axis=2)
        deformation = np.zeros((k, 3, 2, 3))
        deformation[:, :, 0, :2] = corners[:, :, :2] - undeformed
        relative = frames[:, None] @ state.rotations[nodes] @ self.geometry.frames[chunk].transpose(0, 2, 1)[:, None]
        deformation[:, :, 1] = rotations.small_rotation_vectors(relative)
        # spins about x and y follow the corners' displacements normal to the plane, about z the least-squares fit
        spin_fitter = np.zeros((k, 3, 3, 2, 3))
        double_area = 2 * current.area[:, None]
        spin_fitter[:, 0, :, 0, 2] = (px[:, PREVIOUS_CORNER] - px[:, NEXT_CORNER]) / double_area
        spin_fitter[:, 1, :, 0, 2] = (py[:, PREVIOUS_CORNER] - py[:, NEXT_CORNER]) / double_area
        spin_fitter[:, 2, :, 0, 0] = -Y / norm[:, None]
        spin_fitter[:, 2, :, 0, 1] = X / norm[:, None]
        rates = rotations.rotation_rate_matrices(deformation[:, :, 1])
        deformation = deformation.reshape(k, 18)
        local_forces = (self.stiffness[chunk] @ deformation[:, :, None])[:, :, 0]
        return ElementState(frames, corners, deformation, spin_fitter.reshape(k, 3, 18), rates, local_forces)

    def predict_forces(self, chunk: slice, e: ElementState, step: np.ndarray) -> np.ndarray:
        """(k, 18) first-order prediction of the local forces after a step (6 n,)."""
        steps = step.reshape(-1, 2, 3)[self.triangles[chunk]]
        q = (steps.reshape(-1, 6, 3) @ e.frames.transpose(0, 2, 1)).reshape(-1, 3, 2, 3)
        spin = (e.spin_fitter @ q.reshape(-1, 18, 1)).transpose(0, 2, 1)
        change = np.empty_like(q)
        change[:, :, 0] = q[:, :, 0] - np.cross(spin, e.corners)
        change[:, :, 1] = (e.rotation_rates @ (q[:, :, 1] - spin)[..., None])[..., 0]
        deformation = e.deformation + change.reshape(-1, 18)
        return (self.stiffness[chunk] @ deformation[:, :, None])[:, :, 0]


def nodal_forces(e: ElementState) -> np.ndarray:
    """(k, 18) internal forces and moments at the corners, about the fixed axes."""
    _, forces = _project_forces(e, e.local_forces)
    return (forces.reshape(-1, 6, 3) @ e.frames).reshape(-1, 18)


def _project_forces(e: ElementState, local_forces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nodal forces (k, 18) in the frames, conjugate to spins, before and after projection.

    The projection removes the part that would do work in a rigid-body rotation of the frame.
    """
    forces = local_forces.reshape(-1, 3, 2, 3).copy()
    forces[:, :, 1] = (forces[:, :, 1][:, :, None] @ e.rotation_rates)[:, :, 0]
    moment = (np.cross(e.corners, forces[:, :, 0]) + forces[:, :, 1]).sum(axis=1)
    forces = forces.reshape(-1, 18)
    return forces, forces - (moment[:, None] @ e.spin_fitter)[:, 0]


def tangent_stiffness(e: ElementState, stiffness: np.ndarray, local_forces: np.ndarray) -> np.ndarray:
    """(k, 18, 18) symmetric tangent stiffness about the fixed axes, with given local forces (k, 18).

    B^T K B, with B from steps to deformations, plus the symmetric part of Felippa & Haugen's K_GR + K_GP: the geometric
    stiffness of the local forces as the frames rotate.  Their K_GM is left out: its symmetric part is smaller than the
    material stiffness by the square of the deformational rotation over twelve.  At equilibrium the full tangent is
    symmetric (Nour-Omid & Rankin), so that symmetrising does not slow convergence near it.
    """
    k = len(stiffness)
    spin_fitter = _to_global_columns(e.spin_fitter, e.frames)
    rigid_part = np.empty((k, 3, 2, 3, 3))
    rigid_part[:, :, 0] = rotations.skew(e.corners)
    rigid_part[:, :, 1] = -e.rotation_rates
    B = rigid_part.reshape(k, 18, 3) @ spin_fitter
    spin_to_rotation = e.rotation_rates @ e.frames[:, None]
    for a in range(3):
        B[:, 6 * a : 6 * a + 3, 6 * a : 6 * a + 3] += e.frames
        B[:, 6 * a + 3 : 6 * a + 6, 6 * a + 3 : 6 * a + 6] += spin_to_rotation[:, a]
    out = B.transpose(0, 2, 1) @ (stiffness @ B)
    forces, projected = (f.reshape(k, 3, 2, 3) for f in _project_forces(e, local_forces))
    # K_GR: forces rotate with the frame.  K_GP: their moment changes as the corners move in the frame
    V = np.empty((k, 3, 2, 3, 3))
    V[:, :, 0] = rotations.skew((forces[:, :, 0] + projected[:, :, 0]) / 2)
    V[:, :, 1] = rotations.skew(projected[:, :, 1] / 2)
    V = _to_global_columns(V.reshape(k, 18, 3).transpose(0, 2, 1), e.frames)
    product = e.corners.transpose(0, 2, 1) @ forces[:, :, 0]
    W = np.einsum("kii->k", product)[:, None, None] * np.eye(3) - (product + product.transpose(0, 2, 1)) / 2
    V += W @ spin_fitter / 2
    out -= np.concatenate([V, spin_fitter], axis=1).transpose(0, 2, 1) @ np.concatenate([spin_fitter, V], axis=1)
    return out


def _to_global_columns(rows: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """(k, r, 18) rows over DOFs in the frames, transformed to DOFs about the fixed axes."""
    k, r, _ = rows.shape
    return (rows.reshape(k, 6 * r, 3) @ frames).reshape(k, r, 18)


def pressure_forces(corners: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """(m, 3) force on each corner of triangles with corners (m, 3, 3) under pressure (m,) MPa against their normals."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return -pressure[:, None] / 6 * normal


def pressure_stiffness(corners: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """(m, 18, 18) symmetric part of the load stiffness of a pressure that stays normal to the sheet.

    The skew part cancels between neighbours under uniform pressure (K. Schweizerhof and E. Ramm, "Displacement
    dependent pressure loads in nonlinear finite element analyses", Comput. Struct. 18 (1984) 1099-1114).
    """
    m = len(corners)
    side = rotations.skew(corners[:, PREVIOUS_CORNER] - corners[:, NEXT_CORNER])
    K = np.zeros((m, 3, 6, 3, 6))
    K[:, :, :3, :, :3] = ((side[:, None] - side[:, :, None]) * (pressure / 12)[:, None, None, None, None]).transpose(
        0, 1, 3, 2, 4
    )
    return K.reshape(m, 18, 18)

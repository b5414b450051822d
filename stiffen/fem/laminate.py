"""Laminated triangles: sheet whose stiffness per unit width couples membrane and bending, as corrugated sheet does.

A laminate is a matrix C (6, 6) from the strains (e_x, e_y, gamma_xy) of the reference surface and its curvatures
(k_x, k_y, 2 k_xy) to the forces N, N/mm, and moments M, N mm/mm:

    N = A e + B k,   M = B e + D k,   C = [A B; B D].

Layered media.  Strips of different sheet lie side by side, s along and n across them.  They share e_s, k_s and k_sn,
and pass N_n, N_sn and M_n on to one another.  In the mixed form, [N_s, M_s, M_sn, e_n, gamma_sn, k_n] over
[e_s, k_s, k_sn, N_n, N_sn, M_n], the matrices of the strips are averaged by their shares of the width (the exact rule
for layers; e.g. G. W. Milton, The Theory of Composites, Cambridge 2002, ch. 9, from memory).

m is the number of triangles.  Axes are those of each triangle's frame (`triangle.py`) unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import triangle

SHARED = np.array([0, 3, 5])  # e_s, k_s, k_sn: the same in strips side by side
# Sets the weight of the OPT triangle's higher-order part to its least, 0.01: sheet that is soft across strips does not
# bend in its plane as the isotropic sheet does for which the weight was tuned.
HIGHER_ORDER_NU = 0.5
MEMBRANE_PLACES = (0, 1, 5)  # ux, uy, rz among the six DOFs of a node
PASSED_ON = np.array([1, 2, 4])  # e_n, gamma_sn, k_n: their forces are the same in strips side by side


@dataclass(frozen=True, eq=False)
class Laminate:
    """Laminates of m triangles in their own frames.

    stiffness: (m, 6, 6) N/mm, N and N mm.  areal_mass: (m,) kg/mm2.  axis: (m, 2) cosine and sine of the angle from
    the frame's x to the strips.  crest: (m,) signed height of the strips' farthest wall over the reference
    surface, mm; 0 where there is no strip.
    """

    stiffness: np.ndarray
    areal_mass: np.ndarray
    axis: np.ndarray
    crest: np.ndarray


def flat_sheet(E: float, nu: float, t: float) -> np.ndarray:
    """(6, 6) laminate of a flat sheet t mm thick about its mid-surface."""
    C = np.zeros((6, 6))
    plane = triangle.plane_stress_matrix(E, nu)
    C[:3, :3], C[3:, 3:] = plane * t, plane * t**3 / 12
    return C


def mixed_form(C: np.ndarray) -> np.ndarray:
    """(..., 6, 6) mixed form of laminates C (..., 6, 6) in strip axes."""
    pp, pq, qp, qq = (C[..., a[:, None], b] for a in (SHARED, PASSED_ON) for b in (SHARED, PASSED_ON))
    compliance = np.linalg.inv(qq)
    M = np.empty_like(C)
    M[..., :3, :3] = pp - pq @ compliance @ qp
    M[..., :3, 3:] = pq @ compliance
    M[..., 3:, :3] = -compliance @ qp
    M[..., 3:, 3:] = compliance
    return M


def stiffness_form(M: np.ndarray) -> np.ndarray:
    """(..., 6, 6) laminates of mixed forms M (..., 6, 6); the inverse of `mixed_form`."""
    qq = np.linalg.inv(M[..., 3:, 3:])
    pq = M[..., :3, 3:] @ qq
    C = np.empty_like(M)
    C[..., SHARED[:, None], SHARED] = M[..., :3, :3] - pq @ M[..., 3:, :3]
    C[..., SHARED[:, None], PASSED_ON] = pq
    C[..., PASSED_ON[:, None], SHARED] = -qq @ M[..., 3:, :3]
    C[..., PASSED_ON[:, None], PASSED_ON] = qq
    return C


def strain_rotation(cosine: np.ndarray, sine: np.ndarray) -> np.ndarray:
    """(..., 6, 6) matrices from strains and curvatures in x, y to axes s, n; s lies at (cosine, sine) in x, y.

    A laminate C in s, n is R^T C R in x, y.
    """
    c, s = np.asarray(cosine, float), np.asarray(sine, float)
    rows = [[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]]
    block = np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
    R = np.zeros((*c.shape, 6, 6))
    R[..., :3, :3] = R[..., 3:, 3:] = block
    return R


@dataclass(frozen=True, eq=False)
class StrainOperators:
    """What the stiffness of laminated triangles needs of the mesh alone; kept, as a mesh serves many layouts.

    membrane: (m, 4, 3, 9), see `triangle.membrane_operators`.  mean: (m, 3, 9) mean curvature, times the root of the
    area.  varying: (m, 3, 3, 9) what the curvature at the mid-sides has over its mean, times the root of a third of
    the area.  lumping: (m, 9, 3), see `triangle.lumping_matrix`, over the root of the area.
    """

    membrane: np.ndarray
    mean: np.ndarray
    varying: np.ndarray
    lumping: np.ndarray

    @classmethod
    def of(cls, geometry: triangle.TriangleFrames) -> StrainOperators:
        """The operators of a mesh."""
        xy, area = geometry.xy, geometry.area
        root = np.sqrt(area)[:, None, None]
        curvature = triangle.curvature_matrix(xy, area, triangle.MID_SIDE_POINTS)
        mean = curvature.mean(axis=1)
        varying = (curvature - mean[:, None]) * (root / np.sqrt(3))[:, None]
        membrane = triangle.membrane_operators(xy, area, HIGHER_ORDER_NU)
        return cls(membrane, root * mean, varying, triangle.lumping_matrix(xy) / root)


def element_stiffness(operators: StrainOperators, laminate: Laminate) -> np.ndarray:
    """(m, 18, 18) stiffness in the triangles' own frames, N/mm and N mm.

    The membrane is the OPT triangle, with constant strain apart from its higher-order part; the curvature of the DKT
    triangle is linear.  An offset strip needs a strain that varies with the curvature, which the membrane lacks; the
    membrane forces are therefore taken as constant in the triangle, and the part of the curvature that varies meets the
    stiffness at constant N, D - B A^-1 B.  Without it, coarse meshes with offset strips lock.
    """
    C = laminate.stiffness
    A, B, D = C[:, :3, :3], C[:, :3, 3:], C[:, 3:, 3:]
    relaxed = D - B.transpose(0, 2, 1) @ np.linalg.solve(A, B)
    mean, m = operators.mean, len(C)
    plane = _sum_of_squares(operators.membrane, A).reshape(m, 3, 3, 3, 3)
    plate = _sum_of_squares(operators.varying, relaxed) + mean.transpose(0, 2, 1) @ (D @ mean)
    coupling = (operators.lumping @ (B @ mean)).reshape(m, 3, 3, 3, 3)
    K = np.zeros((m, 3, 6, 3, 6))
    for a, b in np.ndindex(3, 3):
        at = MEMBRANE_PLACES[a]
        K[:, :, at, :, MEMBRANE_PLACES[b]] = plane[:, :, a, :, b]
        K[:, :, at, :, 2 + b] = coupling[:, :, a, :, b]
        K[:, :, 2 + b, :, at] = coupling[:, :, a, :, b].transpose(0, 2, 1)
    K[:, :, 2:5, :, 2:5] = plate.reshape(m, 3, 3, 3, 3)
    return K.reshape(m, 18, 18)


def _sum_of_squares(operators: np.ndarray, C: np.ndarray) -> np.ndarray:
    """(m, 9, 9) sums over k of E_k^T C E_k, for E (m, k, 3, 9) and C (m, 3, 3)."""
    rows = len(C), -1, 9
    return operators.reshape(rows).transpose(0, 2, 1) @ (C[:, None] @ operators).reshape(rows)


def resultants(geometry: triangle.TriangleFrames, laminate: Laminate, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Membrane forces N (m, 3), N/mm, and moments M (m, 3), N mm/mm, at the centroids, from local u (m, 18)."""
    forces = np.einsum("mij,mj->mi", laminate.stiffness, strains(geometry, u))
    return forces[:, :3], forces[:, 3:]


def face_stresses(
    geometry: triangle.TriangleFrames, laminate: Laminate, E: float, nu: float, t: float, u: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Stresses (m, 3) MPa on the two faces at the centroids, in axes of the strips, from local u (m, 18).

    Of the flat sheet beside the strips, or of the strips' crest where von Mises' stress is larger there: the flat sheet
    shares e_s, k_s and k_sn with the strips and passes N_n, N_sn and M_n on; the crest carries N_n and M_n - z N_n.  A
    mean over the triangle, so that peaks at fasteners and bead ends are not seen.
    """
    strain = strains(geometry, u)
    R = strain_rotation(laminate.axis[:, 0], laminate.axis[:, 1])
    local = np.einsum("mij,mj->mi", R, strain)
    # forces turn as the inverse transpose of strains
    force = np.linalg.solve(R.transpose(0, 2, 1), np.einsum("mij,mj->mi", laminate.stiffness, strain)[:, :, None])[
        :, :, 0
    ]
    shared, passed = local[:, SHARED], force[:, PASSED_ON]
    own = np.concatenate([shared, passed], axis=1) @ mixed_form(flat_sheet(E, nu, t)).T
    N = np.column_stack([own[:, 0], passed[:, 0], passed[:, 1]])
    M = np.column_stack([own[:, 1], passed[:, 2], own[:, 2]])
    crest_moment = passed[:, 2] - laminate.crest * passed[:, 0]
    out = []
    for sign in (1.0, -1.0):
        flat = N / t + sign * 6 * M / t**2
        across = passed[:, 0] / t + sign * 6 * crest_moment / t**2
        along = E * (shared[:, 0] + laminate.crest * shared[:, 1]) + nu * across
        crest = np.column_stack([along, across, passed[:, 1] / t])
        worse = triangle.von_mises(crest) > triangle.von_mises(flat)
        out.append(np.where(worse[:, None], crest, flat))
    return out[0], out[1]


def strains(geometry: triangle.TriangleFrames, u: np.ndarray) -> np.ndarray:
    """(m, 6) strains of the reference surface and curvatures, 1/mm, at the centroids, from local u (m, 18)."""
    lumping = triangle.lumping_matrix(geometry.xy)
    strain = np.einsum("mki,mk->mi", lumping, u[:, triangle.MEMBRANE_DOFS]) / geometry.area[:, None]
    matrix = triangle.curvature_matrix(geometry.xy, geometry.area, triangle.CENTROID)[:, 0]
    return np.concatenate([strain, np.einsum("mij,mj->mi", matrix, u[:, triangle.BENDING_DOFS])], axis=1)

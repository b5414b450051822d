"""Finite rotations of many nodes at once: rotation vectors (k, 3) and matrices (k, 3, 3).

Formulas as in J. H. Argyris, "An excursion into large rotations", Comput. Methods Appl. Mech. Eng. 32 (1982) 85-155.
A spin w (small rotation) applied to a rotation R from the left gives exp(w) R: w is about the fixed axes.
"""

from __future__ import annotations

import numpy as np

SERIES_LIMIT = 1e-4  # rad2: squared angles below which the truncated series are exact to rounding


def skew(v: np.ndarray) -> np.ndarray:
    """(..., 3, 3) skew matrix S with S w = v x w, for v (..., 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


def rotation_matrices(vectors: np.ndarray) -> np.ndarray:
    """(k, 3, 3) rotation matrices of rotation vectors (k, 3), rad: Rodrigues' formula."""
    square = np.einsum("ki,ki->k", vectors, vectors)
    small = square < SERIES_LIMIT
    angle = np.sqrt(np.where(small, 1.0, square))
    first = np.where(small, 1 - square / 6 + square**2 / 120, np.sin(angle) / angle)
    second = np.where(small, 0.5 - square / 24 + square**2 / 720, 2 * (np.sin(angle / 2) / angle) ** 2)
    S = skew(vectors)
    return np.eye(3) + first[:, None, None] * S + second[:, None, None] * (S @ S)


def rotation_vectors(matrices: np.ndarray) -> np.ndarray:
    """(k, 3) rotation vectors of rotation matrices (k, 3, 3), of length 0 to pi, by unit quaternions.

    The quaternion is taken from its largest component (S. W. Shepperd, "Quaternion from rotation matrix",
    J. Guidance and Control 1 (1978) 223-224), so that rotations near half a turn lose no digits.
    """
    M = matrices
    diagonal = np.einsum("kii->ki", M)
    trace = diagonal.sum(axis=1)
    squares = np.column_stack([trace, 2 * diagonal - trace[:, None]])  # 4 q^2 - 1
    axial = np.column_stack([M[:, 2, 1] - M[:, 1, 2], M[:, 0, 2] - M[:, 2, 0], M[:, 1, 0] - M[:, 0, 1]])
    products = np.empty((len(M), 4, 4))  # 4 q_i q_j
    products[:, 0, 0] = 1 + squares[:, 0]
    products[:, 0, 1:] = products[:, 1:, 0] = axial
    products[:, 1:, 1:] = M + M.transpose(0, 2, 1)
    products[:, [1, 2, 3], [1, 2, 3]] = 1 + squares[:, 1:]
    largest = np.argmax(squares, axis=1)
    q = products[np.arange(len(M)), largest]
    q = q / np.linalg.norm(q, axis=1)[:, None]
    q = np.where(q[:, :1] < 0, -q, q)
    sine = np.linalg.norm(q[:, 1:], axis=1)
    tiny = sine < 1e-8
    factor = np.where(tiny, 2.0, 2 * np.arctan2(sine, q[:, 0]) / np.where(tiny, 1.0, sine))
    return factor[:, None] * q[:, 1:]


def small_rotation_vectors(matrices: np.ndarray) -> np.ndarray:
    """(..., 3) rotation vectors of rotation matrices (..., 3, 3) of clearly less than half a turn."""
    M = matrices
    axial = np.stack([M[..., 2, 1] - M[..., 1, 2], M[..., 0, 2] - M[..., 2, 0], M[..., 1, 0] - M[..., 0, 1]], axis=-1)
    sine = np.sqrt(np.einsum("...i,...i->...", axial, axial))  # twice the sine of the angle
    cosine = np.einsum("...ii->...", M) - 1
    tiny = sine < 1e-8
    factor = np.where(tiny, 0.5, np.arctan2(sine, cosine) / np.where(tiny, 1.0, sine))
    return factor[..., None] * axial


def rotation_rate_matrices(vectors: np.ndarray) -> np.ndarray:
    """(..., 3, 3) matrices H: a spin w changes the rotation vector by H w; for vectors (..., 3) shorter than pi.

    H = I - S/2 + eta S^2 with S the vector's skew matrix (Nour-Omid & Rankin 1991; Felippa & Haugen 2005, eq. 97).
    """
    square = np.einsum("...i,...i->...", vectors, vectors)
    small = square < SERIES_LIMIT
    angle = np.sqrt(np.where(small, 1.0, square))
    eta = np.where(small, 1 / 12 + square / 720, (1 - angle / 2 / np.tan(angle / 2)) / angle**2)
    S = skew(vectors)
    return np.eye(3) - S / 2 + eta[..., None, None] * (S @ S)

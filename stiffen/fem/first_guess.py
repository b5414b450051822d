"""The first guess of an equilibrium on a fine mesh, from the one found on a coarse mesh of the same sheet.

A path followed from rest takes many load steps.  From the coarse mesh's state the fine one is found in about three
iterations, if the first tangent takes the coarse mesh's membrane forces (see `continuation.Guess`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from . import rotations
from .continuation import Guess
from .corotational import State
from .nonlinear import EquilibriumPath
from .shell import Shell

NEAREST = 8  # triangles whose centroids lie nearest to a node: among them is the one that holds it, or the next best
REACH = 0.3  # meshes of one sheet deflect alike: an equilibrium farther from its guess is on another branch


@dataclass(frozen=True)
class PartRange:
    """Nodes and triangles of one part of a shell."""

    nodes: slice
    triangles: slice


def carried_over(
    path: EquilibriumPath, shell: Shell, parts: Sequence[tuple[PartRange, PartRange]] | None = None
) -> Guess | None:
    """The end of a path as a guess on another mesh of the same sheet, which may be finer.

    parts: pairs of the same part on the path's mesh and on this one, so that no part takes the state of another that
    lies close by; the shells as wholes unless given.  None where the path is not plain: the sheet snaps through or
    buckles on the way, and another mesh may do so otherwise.
    """
    if not path.is_plain:
        return None
    coarse = path.shell
    if parts is None:
        parts = [(_all_of(coarse), _all_of(shell))]
    displacements, turns = np.zeros((len(shell.nodes), 3)), np.tile(np.eye(3), (len(shell.nodes), 1, 1))
    membrane = np.zeros((len(shell.triangles), 3))
    N, _ = path.resultants
    for here, there in parts:
        corners = coarse.nodes[coarse.triangles[here.triangles]]
        owner, shares, foot = _located(shell.nodes[there.nodes], corners)
        nodes = coarse.triangles[here.triangles][owner]
        vectors = rotations.rotation_vectors(path.end_state.rotations[nodes.ravel()]).reshape(-1, 3, 3)
        turn = rotations.rotation_matrices(np.einsum("ni,nij->nj", shares, vectors))
        turns[there.nodes] = turn
        moved = np.einsum("ni,nij->nj", shares, path.end_state.displacements[nodes])
        offset = shell.nodes[there.nodes] - foot  # turns with the sheet
        displacements[there.nodes] = moved + np.einsum("nij,nj->ni", turn, offset) - offset
        frames = shell.geometry.frames[there.triangles]
        centroids = shell.nodes[shell.triangles[there.triangles]].mean(axis=1)
        _, owner = cKDTree(corners.mean(axis=1)).query(centroids)
        membrane[there.triangles] = _turned(
            N[here.triangles][owner], coarse.geometry.frames[here.triangles][owner], frames
        )
    return Guess(State(displacements, turns), membrane, REACH)


def _all_of(shell: Shell) -> PartRange:
    return PartRange(slice(0, len(shell.nodes)), slice(0, len(shell.triangles)))


def _located(points: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The nearest of triangles (m, 3, 3) to each point (n, 3): its number, shares of its corners (n, 3), foot (n, 3).

    The foot is the point in the triangle that the shares make.
    """
    _, near = cKDTree(corners.mean(axis=1)).query(points, k=min(NEAREST, len(corners)))
    near = near.reshape(len(points), -1)
    a, b, c = np.moveaxis(corners[near], 2, 0)
    first, second, arm = b - a, c - a, points[:, None] - a
    g11, g12, g22 = ((u * v).sum(axis=2) for u, v in ((first, first), (first, second), (second, second)))
    r1, r2 = (first * arm).sum(axis=2), (second * arm).sum(axis=2)
    determinant = g11 * g22 - g12**2
    s, t = (g22 * r1 - g12 * r2) / determinant, (g11 * r2 - g12 * r1) / determinant
    shares = np.clip(np.stack([1 - s - t, s, t], axis=2), 0.0, None)
    shares /= shares.sum(axis=2, keepdims=True)
    feet = np.einsum("nki,nkij->nkj", shares, corners[near])
    best = np.linalg.norm(feet - points[:, None], axis=2).argmin(axis=1)
    row = np.arange(len(points))
    return near[row, best], shares[row, best], feet[row, best]


def _turned(N: np.ndarray, frames: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Membrane forces N (m, 3) in frames (m, 3, 3), in other frames (m, 3, 3)."""
    tensors = np.empty((len(N), 2, 2))
    tensors[:, 0, 0], tensors[:, 1, 1] = N[:, 0], N[:, 1]
    tensors[:, 0, 1] = tensors[:, 1, 0] = N[:, 2]
    turn = others[:, :2] @ frames[:, :2].transpose(0, 2, 1)
    turned = turn @ tensors @ turn.transpose(0, 2, 1)
    return np.stack([turned[:, 0, 0], turned[:, 1, 1], turned[:, 0, 1]], axis=1)

"""Ties between parts: a fastener as springs between two nodes, exact for any rigid motion of both.

A tie has five deformations: the slip along two directions square to its axis, the gap along it, and the tilts about the
two directions.  Turning about the axis is free.  DOF 6 i + k is DOF k of node i.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from .fastener_stiffness import FastenerStiffness

DEFORMATIONS = 5  # of a tie: slip, slip, gap, tilt, tilt


@dataclass(frozen=True, eq=False)
class Tie:
    """A fastener between two parts.

    joint: number of the joint, from 1.  rivet: number in its row, from 0.  parts: the names of the two.  nodes: one of
    each part, in its own numbering.  at: (3,) mm in space, where the faces meet.  axis: (3,) unit vector.
    """

    joint: int
    rivet: int
    parts: tuple[str, str]
    nodes: tuple[int, int]
    at: np.ndarray
    axis: np.ndarray
    stiffness: FastenerStiffness

    @property
    def directions(self) -> np.ndarray:
        """(3, 3): rows are two directions square to the axis, and the axis."""
        helper = np.eye(3)[int(np.abs(self.axis).argmin())]
        first = np.cross(self.axis, helper)
        first /= np.linalg.norm(first)
        return np.stack([first, np.cross(self.axis, first), self.axis])

    @property
    def springs(self) -> np.ndarray:
        """(5,) stiffness of each deformation, N/mm and N mm."""
        one = self.stiffness
        return np.array([one.shear, one.shear, one.axial, one.tilt, one.tilt])

    def softer_in_shear(self, ratio: float) -> Tie:
        """The tie with so much of its stiffness in shear."""
        return replace(self, stiffness=replace(self.stiffness, shear=ratio * self.stiffness.shear))

    def motion(self, place: np.ndarray) -> np.ndarray:
        """(5, 6) share in each deformation of the DOFs of a node at `place` (3,), mm."""
        lever = self.at - place
        rows = self.directions
        translation = np.hstack([rows, np.cross(lever, rows)])  # d.(u + theta x r) = d.u + (r x d).theta
        tilt = np.hstack([np.zeros((2, 3)), rows[:2]])
        return np.vstack([translation, tilt])


def motions(ties: list[Tie], side: list[int], places: list[np.ndarray], nodes: list[int], n: int) -> sp.csr_matrix:
    """(5 k, 6 n) deformations of k ties by the DOFs of n nodes, of one side of each tie.

    side: +1 or -1 for each tie.  places, nodes: of the node of each.
    """
    if not ties:
        return sp.csr_matrix((0, 6 * n))
    blocks = np.stack([s * tie.motion(place) for tie, s, place in zip(ties, side, places, strict=True)])
    rows = np.broadcast_to(np.arange(5 * len(ties)).reshape(-1, 5, 1), blocks.shape)
    columns = np.broadcast_to((6 * np.array(nodes)[:, None] + np.arange(6))[:, None, :], blocks.shape)
    return sp.csr_matrix((blocks.ravel(), (rows.ravel(), columns.ravel())), shape=(5 * len(ties), 6 * n))

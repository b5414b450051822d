"""Ties between parts: a fastener as springs between two nodes, exact for any rigid motion of both.

A tie has five deformations: the slip along two directions square to its axis, the gap along it, and the tilts about the
two directions.  Turning about the axis is free.  DOF 6 i + k is DOF k of node i.

Stiffness of a rivet or bolt between two sheets, mm, N, MPa.  Shear: T. Swift, Development of the fail-safe design
features of the DC-10, in ASTM STP 486 (1971): a fastener gives way by f = 5/(d E_f) + 0.8 (1/(t_1 E_1) + 1/(t_2 E_2))
mm/N in single shear, for aluminium rivets; bearing of both sheets is in it.  Formulas of other authors differ by some
tens of a per cent.  Along its axis and against tilt the shank is a bar and a beam as long as its grip (E A/L, E I/L).
It does not hinder a turn about its axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

DEFORMATIONS = 5  # of a tie: slip, slip, gap, tilt, tilt
RIVET_MODULUS = 70e3  # MPa, of an aluminium body
RIGID_FACTOR = 100.0  # stiffness of a rigid tie over that of an elastic fastener; more costs digits


@dataclass(frozen=True)
class FastenerStiffness:
    """shear, axial: N/mm.  tilt: N mm/rad, of one sheet against the other."""

    shear: float
    axial: float
    tilt: float

    @property
    def rigid(self) -> FastenerStiffness:
        """The same fastener as good as rigid."""
        return FastenerStiffness(RIGID_FACTOR * self.shear, RIGID_FACTOR * self.axial, RIGID_FACTOR * self.tilt)


def fastener_stiffness(
    diameter: float, first: tuple[float, float], second: tuple[float, float], modulus: float = RIVET_MODULUS
) -> FastenerStiffness:
    """The stiffness of a fastener between two sheets.

    diameter: mm.  first, second: thickness, mm, and modulus, MPa, of the sheets.  modulus: of the fastener, MPa.
    """
    (t1, E1), (t2, E2) = first, second
    flexibility = 5 / (diameter * modulus) + 0.8 * (1 / (t1 * E1) + 1 / (t2 * E2))
    grip = t1 + t2
    return FastenerStiffness(
        shear=1 / flexibility,
        axial=modulus * math.pi * diameter**2 / 4 / grip,
        tilt=modulus * math.pi * diameter**4 / 64 / grip,
    )


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

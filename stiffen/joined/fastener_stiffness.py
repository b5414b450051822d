"""Stiffness of a rivet or bolt between two sheets.  mm, N, MPa.

Shear: T. Swift, Development of the fail-safe design features of the DC-10, in ASTM STP 486 (1971): a fastener gives way
by f = 5/(d E_f) + 0.8 (1/(t_1 E_1) + 1/(t_2 E_2)) mm/N in single shear, for aluminium rivets; bearing of both sheets is
in it.  Formulas of other authors differ by some tens of a per cent.  Along its axis and against tilt the shank is a bar
and a beam as long as its grip (E A/L, E I/L).  It does not hinder a turn about its axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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

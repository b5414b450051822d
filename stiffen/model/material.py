"""Sheet materials: the record, and the table that ships with the package.

Units: MPa, kg/mm3, mm.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Material:
    """An isotropic sheet metal.

    E, yield_strength, tensile in MPa; rho in kg/mm3; elongation as a fraction.
    `bend_radius` is a rising table of (greatest thickness in mm, least inside radius as a multiple of t).
    """

    name: str
    E: float
    nu: float
    rho: float
    yield_strength: float
    tensile: float
    elongation: float
    bend_radius: tuple[tuple[float, float], ...] = ()
    source: str = "given by the user"

    def least_bend_radius(self, t: float) -> float | None:
        """Least inside bend radius in mm for sheet of thickness t mm; None where the table is silent."""
        for greatest, multiple in self.bend_radius:
            if t <= greatest + 1e-9:
                return multiple * t
        return None

    def bending_stiffness(self, t: float) -> float:
        """Plate stiffness D = E t^3 / (12 (1 - nu^2)) in N mm."""
        return self.E * t**3 / (12 * (1 - self.nu**2))


@cache
def materials() -> dict[str, Material]:
    """The built-in table by name, in file order."""
    table = {}
    for row in _shipped_tables()["material"]:
        row["yield_strength"] = row.pop("yield")
        row["bend_radius"] = tuple((float(t), float(k)) for t, k in row.get("bend_radius", ()))
        table[row["name"]] = Material(**row)
    return table


@cache
def stock_gauges() -> dict[str, tuple[tuple[str, float], ...]]:
    """Sheet thicknesses that are commonly sold: (what the trade calls it, mm), by kind of sheet."""
    return {row["name"]: tuple((name, float(mm)) for name, mm in row["sizes"]) for row in _shipped_tables()["gauge"]}


def _shipped_tables() -> dict:
    """The shipped data file."""
    return tomllib.loads(resources.files("stiffen").joinpath("data/materials.toml").read_text(encoding="utf-8"))


def rated_thickness(material: Material, rated_steel: float, steel_tensile: float = 340.0) -> float:
    """Thickest sheet of `material` (mm) for a roller rated `rated_steel` mm in mild steel.

    Bending force goes with R_m t^2, so t = t_steel sqrt(R_m,steel / R_m).  340 MPa is the middle of the
    range 270-410 MPa that EN 10130 gives for DC01 (from memory).
    """
    return rated_steel * math.sqrt(steel_tensile / material.tensile)

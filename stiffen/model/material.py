"""Sheet materials: the record, and the table that ships with the package.

Units: MPa, kg/mm3, mm.
"""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from .value_rules import TEXT, Finding, Range, Rule, field_findings, raise_findings

MATERIAL_RULES: dict[str, Rule] = {
    "name": TEXT,
    "E": Range(1e3, 5e5, "MPa", cure="MPa: 70 GPa is 70000"),
    "nu": Range(0.0, 0.499),
    "rho": Range(5e-7, 3e-5, "kg/mm3", cure="kg/mm3: 2700 kg/m3 is 2.7e-6"),
    "yield_strength": Range(1.0, 3000.0, "MPa"),
    "tensile": Range(1.0, 3000.0, "MPa"),
    "elongation": Range(0.0, 1.0, cure="a fraction: 14 % is 0.14"),
}
CHEMICAL_SYMBOLS = {  # of EN 573-2 (from memory) -> number of the alloy
    "almg2.5": "5052",
    "almg3": "5754",
    "almg1sicu": "6061",
    "alcu4mg1": "2024",
    "al99.5": "1050a",
    "almn1cu": "3003",
}


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

    def __post_init__(self) -> None:
        found = field_findings(self, MATERIAL_RULES)
        raise_findings("material", found or material_findings(self.yield_strength, self.tensile, self.bend_radius))

    def least_bend_radius(self, t: float) -> float | None:
        """Least inside bend radius in mm for sheet of thickness t mm; None beyond the end of the table."""
        for greatest, multiple in self.bend_radius:
            if t <= greatest + 1e-9:
                return multiple * t
        return None

    def bending_stiffness(self, t: float) -> float:
        """Plate stiffness D = E t^3 / (12 (1 - nu^2)) in N mm."""
        return self.E * t**3 / (12 * (1 - self.nu**2))


def material_findings(yield_strength: float, tensile: float, bend_radius: Any) -> list[Finding]:
    """Values of a material that do not go together: a yield above the tensile strength, bend radii that do not rise."""
    if yield_strength > tensile:
        return [(("yield_strength",), f"is {yield_strength:g}, above tensile {tensile:g}", "swap them?")]
    try:
        rises = all(a < b for (a, _), (b, _) in zip(bend_radius, bend_radius[1:], strict=False))
        rises = rises and all(
            math.isfinite(value) and value >= 0 for t, multiple in bend_radius for value in (t, multiple)
        )
    except (TypeError, ValueError):
        rises = False
    if not rises:
        return [(("bend_radius",), "does not rise in thickness", "[[t up to, multiple of t], ...], rising")]
    return []


@cache
def materials() -> dict[str, Material]:
    """The built-in table by name, in file order."""
    table = {}
    for row in _shipped_tables()["material"]:
        row["yield_strength"] = row.pop("yield")
        row["bend_radius"] = tuple((float(t), float(k)) for t, k in row.get("bend_radius", ()))
        row.pop("also", None)
        table[row["name"]] = Material(**row)
    return table


@cache
def material_aliases() -> dict[str, tuple[str, ...]]:
    """Other names of each built-in material: those of standards, and the trade's words."""
    return {row["name"]: tuple(row.get("also", ())) for row in _shipped_tables()["material"]}


def find_material(name: str) -> Material | None:
    """The built-in material of this name, or of another name for it; None if there is none.

    Capitals, spaces, hyphens and a leading "EN AW" or "AA" do not count.  A bare alloy without its temper is not found:
    its strength would be a guess.
    """
    return materials().get(_names().get(_plain(name), name))


def material_name(name: str) -> str:
    """The name in the built-in table of a material that may go by another name; other names are handed back."""
    return _names().get(_plain(name), name)


@cache
def _names() -> dict[str, str]:
    """Plain form of each name -> name in the built-in table."""
    found = {}
    for name, others in material_aliases().items():
        for other in (name, *others):
            found[_plain(other)] = name
    return found


def _plain(name: str) -> str:
    """A name without what writers of the same name vary."""
    text = re.sub(r"[^a-z0-9.+]", "", name.casefold())
    text = re.sub(r"^(en)?(aw|aa)(?=\d|al)|^(en|aluminium|aluminum|alloy)(?=\d|al)", "", text)
    for symbol, number in CHEMICAL_SYMBOLS.items():
        if text.startswith(symbol) and text[len(symbol) : len(symbol) + 1] in ("h", "o", "t"):
            return number + text[len(symbol) :]
    return text


@cache
def stock_gauges() -> dict[str, tuple[tuple[str, float], ...]]:
    """Sheet thicknesses that are commonly sold, by kind of sheet: pairs of trade name and mm."""
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

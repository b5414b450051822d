"""How far the thickness of bought sheet may lie from its nominal value, by the standard of its kind.

Sheet is sold 1000 mm and 1250 mm wide; the tolerances are those of the wider one.  Read in copies of the standards:
EN 485-4:1993 table 1 (cold-rolled aluminium), EN 10131:2006 table 1 (cold-rolled steel, yield strength below 260 MPa),
EN 10143:2006 table 1 (the same, hot-dip coated), EN 10259:1997 (cold-rolled stainless steel, in a supplier's table).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from .material import Material

# Pairs of (thickness up to and including, mm; tolerance, mm, either way).
ALUMINIUM_GROUP_1 = ((0.5, 0.04), (0.6, 0.05), (0.8, 0.06), (1.0, 0.06), (1.2, 0.07), (1.5, 0.09), (1.8, 0.10),
                     (2.0, 0.11), (2.5, 0.12), (3.0, 0.13), (3.5, 0.15), (4.0, 0.20), (5.0, 0.22),
                     (6.0, 0.24))  # fmt: skip
ALUMINIUM_GROUP_2 = ((0.5, 0.05), (0.6, 0.06), (0.8, 0.07), (1.0, 0.08), (1.2, 0.09), (1.5, 0.11), (1.8, 0.12),
                     (2.0, 0.13), (2.5, 0.14), (3.0, 0.15), (3.5, 0.17), (4.0, 0.20), (5.0, 0.22),
                     (6.0, 0.24))  # fmt: skip
STEEL = ((0.4, 0.04), (0.6, 0.04), (0.8, 0.05), (1.0, 0.06), (1.2, 0.07), (1.6, 0.09), (2.0, 0.11), (2.5, 0.13),
         (3.0, 0.15))  # fmt: skip
COATED_STEEL = ((0.6, 0.05), (0.8, 0.06), (1.0, 0.07), (1.2, 0.08), (1.6, 0.11), (2.0, 0.13), (2.5, 0.15), (3.0, 0.17),
                (5.0, 0.20), (6.5, 0.22))  # fmt: skip
STAINLESS = ((0.49, 0.04), (0.79, 0.05), (0.99, 0.06), (1.19, 0.07), (1.49, 0.08), (1.99, 0.09), (2.49, 0.10),
             (2.99, 0.12), (3.99, 0.14))  # fmt: skip
GROUP_1_ALLOYS = r"(1\d\d\d|3003|3103|3005|3105|4006|4007|5005|5050|8011)"
UNKNOWN_SHARE = 0.07  # of the thickness, where no table is known: common practice, no source
NO_STANDARD = "common practice, no source"


@dataclass(frozen=True)
class ThicknessTolerance:
    """A tolerance, mm either way, and the standard that gives it."""

    mm: float
    standard: str


def thickness_tolerance(material: Material, t: float) -> ThicknessTolerance:
    """Tolerance of sheet with nominal thickness t mm; a share of it where no table of a standard covers the sheet."""
    table, standard = _table(material)
    for greatest, tolerance in table:
        if t <= greatest + 1e-9:
            return ThicknessTolerance(tolerance, standard)
    return ThicknessTolerance(round(UNKNOWN_SHARE * t, 3), NO_STANDARD)


def _table(material: Material) -> tuple[tuple[tuple[float, float], ...], str]:
    """The table of a material and its standard, by its name, else by its density."""
    name = material.name
    if re.match(GROUP_1_ALLOYS, name):
        return ALUMINIUM_GROUP_1, "EN 485-4"
    if re.match(r"[2-8]\d\d\d", name) or 2.5e-6 < material.rho < 2.9e-6:
        return ALUMINIUM_GROUP_2, "EN 485-4"
    if name.startswith("DX"):
        return COATED_STEEL, "EN 10143"
    if re.match(r"(3\d\d|1\.4\d\d\d)", name):
        return STAINLESS, "EN 10259"
    if name.startswith("DC") or 7.6e-6 < material.rho < 8.1e-6:
        return STEEL, "EN 10131"
    return (), NO_STANDARD

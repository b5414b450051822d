"""The result of a build as plain data."""

from __future__ import annotations

from .build_sheet import BuildSheet, panel_status
from .joined_sections import joined_document


def build_document(sheet: BuildSheet) -> dict:
    """Status, mass, panels, joints and sheets to buy."""
    fitted, mass = sheet.fitted, sheet.mass
    build = fitted.build
    return {
        "status": "met" if sheet.met else "not met",
        "build": build.name,
        "judged_as_one": joined_document(sheet.joined) if sheet.joined else None,
        "mass_kg": mass.total,
        "mass_parts_kg": {
            "panels": mass.panels,
            "strips": mass.strips,
            "rivets": mass.rivets,
            "fitted": mass.fitted,
            "extras": mass.extras,
        },
        "target_mass_kg": build.target_mass,
        "rival_mass_kg": build.rival_mass,
        "panels": [
            {
                "name": part.name,
                "file": part.file,
                "copies": part.copies,
                "mirrored": part.mirrored,
                "status": panel_status(fitted, part.name, sheet.built[part.name]),
                "gauge_mm": sheet.built[part.name].layout.gauge,
                "mass_kg": fitted.panels[part.name].mass(sheet.built[part.name].layout),
            }
            for part in build.panels
        ],
        "joints": [
            {
                "part": one.joint.part,
                "mates": list(one.joint.mates),
                "rivets": one.count,
                "diameter_mm": one.joint.diameter,
                "grip_mm": one.grip,
                "centres": one.centres,
                "holes": dict(one.holes),
            }
            for one in fitted.rivets
        ],
        "sheets": [
            {
                "material": one.material,
                "gauge_mm": one.gauge_mm,
                "sheet_mm": list(one.sheet),
                "count": one.count,
                "mass_kg": one.mass_kg,
                "used": one.used_fraction,
            }
            for one in sheet.bought
        ],
    }

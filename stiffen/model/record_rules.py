"""The rules on the records of a panel: what each value may be, what each kind of record needs, what goes together.

The records of `model.panel` check themselves by these tables and functions; the reader of panel files uses the same.
Names of tables and keys are those of the panel file.  Each findings function returns the faults that it finds
as (path below the record, what is wrong, cure); its docstring says which faults it looks for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from . import sheet_rules
from .sheet_geometry import DERIVED_RING, SheetGeometry
from .value_rules import (
    COORDINATE,
    DERIVED_PATH,
    POINT,
    TEXT,
    Choice,
    Choices,
    Finding,
    KindKeys,
    Numbers,
    Optional,
    PlanPoints,
    Range,
    Rule,
    has_default,
    show_value,
)

if TYPE_CHECKING:
    from .panel import Panel

SUPPORT_KINDS = ("edge", "rivets", "bolts", "rest")
HOLD_KINDS = ("pinned", "clamped", "guided")
IN_PLANE_KINDS = ("held", "free", "unknown", "build")
LOAD_KINDS = ("pressure", "patch", "line", "inertia")
SYMMETRIES = ("auto", "none", "x", "y", "xy")
GOALS = ("recommended", "lightest", "quickest", "stiffest")
FLARED_HOLES = ("any", "none")
DIRECTION_TOLERANCE = 1e-9  # of the length of a unit vector
DEMAND_KINDS = ("deflection", "softness", "frequency", "buckling", "stress")
FEATURE_KINDS = ("bead", "hole")
LIMIT_RANGE = Range(0.0, 1e6, excludes_low=True)
FACTOR_RANGE = Range(-100.0, 100.0)
LOAD_VALUE_RANGES = {
    "pressure": Range(-1.0, 1.0, "MPa", cure="MPa: 500 Pa is 0.0005, 1 kPa is 0.001"),
    "patch": Range(-1e5, 1e5, "N"),
    "line": Range(-1e3, 1e3, "N/mm"),
    "inertia": Range(-1e5, 1e5),
}
CUTOUT_RULES: dict[str, Rule] = {"ring": DERIVED_RING, "circle": Optional(Numbers(COORDINATE, count=3))}
FOLD_RULES: dict[str, Rule] = {
    "line": PlanPoints(),
    "angle": Range(-170.0, 170.0, "degrees"),
    "radius": Range(0.0, 2000.0, "mm"),
}
SUPPORT_RULES: dict[str, Rule] = {
    "kind": Choice(SUPPORT_KINDS),
    "hold": Choice(HOLD_KINDS),
    "in_plane": Choice(IN_PLANE_KINDS, also="{slip = 0.1} (clearance, mm)"),
    "slip": Optional(Range(0.0, 10.0, "mm")),
    "path": Optional(DERIVED_PATH),
    "at": PlanPoints(1),
    "pitch": Range(2.0, 5000.0, "mm"),
    "diameter": Range(1.0, 50.0, "mm"),
    "stiffness": Optional(Range(0.0, 1e9, excludes_low=True)),
    "strength": Optional(Range(0.0, 1e6, "N", excludes_low=True)),
    "onto": Optional(Range(0.2, 100.0, "mm")),
}
RESTRAINT_KEYS = ("hold", "in_plane", "slip", "stiffness")
SUPPORT_KEYS = {  # keys of the record; a file gives a line as `along` or `path`
    "edge": KindKeys(("kind",), ("path", *RESTRAINT_KEYS)),
    "rest": KindKeys(("kind",), ("path", *RESTRAINT_KEYS)),
    "rivets": KindKeys(("kind", "path", "diameter", "pitch"), ("at", "strength", "onto", *RESTRAINT_KEYS)),
    "bolts": KindKeys(("kind", "at", "diameter"), ("strength", "onto", *RESTRAINT_KEYS)),
}
LOAD_RULES: dict[str, Rule] = {
    "case": TEXT,
    "kind": Choice(LOAD_KINDS),
    "polygon": Optional(DERIVED_RING),
    "at": Optional(POINT),
    "size": Optional(Numbers(Range(1.0, 10_000.0, "mm"), count=2)),
    "path": Optional(DERIVED_PATH),
    "direction": Numbers(Range(-1e6, 1e6), count=3),
    "g": Numbers(Range(-100.0, 100.0, "g"), count=3),
}
LOAD_KEYS = {
    "pressure": KindKeys(("case", "kind", "value"), ("polygon",)),
    "patch": KindKeys(("case", "kind", "value", "at", "size")),
    "line": KindKeys(("case", "kind", "value", "path"), ("direction",)),
    "inertia": KindKeys(("case", "kind", "g")),
}
COMBINATION_RULES: dict[str, Rule] = {"case": TEXT}
DEMAND_RULES: dict[str, Rule] = {
    "kind": Choice(DEMAND_KINDS),
    "limit": LIMIT_RANGE,
    "case": Optional(TEXT),
    "force": Optional(Range(0.0, 1e5, "N", excludes_low=True)),
}
DEMAND_KEYS = {
    "deflection": KindKeys(("kind", "case", "limit")),
    "softness": KindKeys(("kind", "force", "limit")),
    "frequency": KindKeys(("kind", "limit")),
    "buckling": KindKeys(("kind", "case", "limit")),
    "stress": KindKeys(("kind", "case", "limit")),
}
KEEP_OUT_RULES: dict[str, Rule] = {"polygon": DERIVED_RING, "against": Choices(FEATURE_KINDS), "why": TEXT}
MASS_RULES: dict[str, Rule] = {"at": POINT, "kg": Range(0.0, 1000.0, "kg", excludes_low=True), "what": TEXT}
FLATNESS_RULES: dict[str, Rule] = {"at": POINT, "height": Range(-50.0, 50.0, "mm")}
TRIM_RULES: dict[str, Rule] = {
    "kg_per_metre": Range(0.0, 100.0, "kg/m"),
    "path": Optional(DERIVED_PATH),
    "stiffness": Range(0.0, 1e13, "N mm2"),
    "what": TEXT,
    "tube": Range(0.0, 200.0, "mm"),
}


# --- rules between the values of one record --------------------------------------------------------------------


def given_fields(record: Any) -> list[str]:
    """The fields of a record that do not have their default value."""
    return [name for name in record.__dataclass_fields__ if not has_default(record, name)]


def fold_findings(line: Any, angle: float | None) -> list[Finding]:
    """A fold line of more than two points, or an angle of 0."""
    found: list[Finding] = []
    if line and len(line) != 2:
        found.append((("line",), f"has {len(line)} points", "a fold line is straight: give its two ends"))
    if angle == 0:
        found.append((("angle",), "is 0", "leave the fold out, or give degrees; + folds toward the up face"))
    return found


def fastener_findings(kind: str, pitch: float, diameter: float) -> list[Finding]:
    """Rivets nearer to each other than their diameter."""
    if kind == "rivets" and pitch <= diameter:
        return [(("pitch",), f"is {pitch:g}, not more than the diameter", "at least 3 diameters")]
    return []


def load_value_range(kind: str | None) -> Range:
    """Range of the value of a load of this kind; the widest range where the kind is not known."""
    return LOAD_VALUE_RANGES.get(kind or "", LOAD_VALUE_RANGES["inertia"])


def load_findings(value: float | None, direction: Any, g: Any) -> list[Finding]:
    """A load whose value is 0, or a direction of length 0.  Arguments are None where they are not given."""
    found: list[Finding] = []
    if value == 0:
        found.append((("value",), "is 0, which is no load", "leave the load out"))
    if direction and not any(direction):
        found.append((("direction",), "has no length", "[0, 0, -1] pushes onto the up face"))
    if g and not any(g):
        found.append((("g",), "is 0, which is no load", "[0, 0, -3] is three times gravity toward the down face"))
    return found


def factor_findings(factors: Any) -> list[Finding]:
    """Factors of a combination that are not pairs of a case and a number, or an empty list of factors."""
    if not isinstance(factors, tuple) or not all(isinstance(pair, tuple) and len(pair) == 2 for pair in factors):
        return [(("of",), f"is {show_value(factors)}, not pairs of case and factor", 'write (("wind", 1.0),)')]
    if not factors:
        return [(("of",), "is empty", "name at least one case")]
    found: list[Finding] = []
    for name, factor in factors:
        found += [(("of", str(name)), what, cure) for _, what, cure in FACTOR_RANGE.faults(factor)]
    return found


# --- rules between the records of one panel --------------------------------------------------------------------


def panel_findings(panel: Panel) -> list[Finding]:
    """Contradictions between records: unknown cases, faces not allowed, things off the sheet.  Paths are file keys."""
    found = _case_findings(panel)
    for place, bead in enumerate(panel.beads):
        found += _below(("bead", place), sheet_rules.side_findings(panel.bead_side, bead.side))
    for place, hole in enumerate(panel.holes):
        found += _below(("hole", place), sheet_rules.side_findings(panel.bead_side, hole.side))
    return found + _sheet_findings(panel)


def _below(path: tuple[str | int, ...], findings: list[Finding]) -> list[Finding]:
    return [((*path, *below), what, cure) for below, what, cure in findings]


def _case_findings(panel: Panel) -> list[Finding]:
    cases = [load.case for load in panel.loads]
    combined = [one.case for one in panel.combinations]
    found: list[Finding] = []
    for place, one in enumerate(panel.combinations):
        names = [name for name, _ in one.factors]
        found += _below(("combination", place), sheet_rules.combination_findings(one.case, names, cases))
    found += _below(("combination",), sheet_rules.repeated_findings(combined))
    for place, demand in enumerate(panel.demands):
        found += _below(("demand", place), sheet_rules.demand_findings(demand.case, [*cases, *combined]))
    return found


def _sheet_findings(panel: Panel) -> list[Finding]:
    """Cut-outs that meet, and records that lie off the sheet."""
    sheet = SheetGeometry(panel.outline, tuple(cutout.ring for cutout in panel.cutouts))
    cure = "move or shrink it; cut-outs lie inside the outline and apart"
    found: list[Finding] = [(("cutout", place), what, cure) for place, what in sheet.cutout_conflicts()]
    for place, support in enumerate(panel.supports):
        found += _below(("support", place), sheet_rules.path_findings(sheet, support.path))
        found += _below(("support", place), sheet_rules.centre_findings(sheet, support.at))
    for place, load in enumerate(panel.loads):
        lies = sheet_rules.load_findings(sheet, load.path, load.polygon, load.at, load.size)
        found += _below(("load", place), lies)
    for place, keep_out in enumerate(panel.keep_outs):
        found += _below(("keep_out", place), sheet_rules.keep_out_findings(sheet, keep_out.polygon))
    for place, fold in enumerate(panel.folds):
        found += _below(("fold", place), sheet_rules.fold_findings(sheet, fold.line))
    for place, mass in enumerate(panel.masses):
        found += _below(("mass", place), sheet_rules.point_findings(sheet, mass.at))
    for place, reading in enumerate(panel.out_of_flat):
        found += _below(("out_of_flat", place), sheet_rules.point_findings(sheet, reading.at))
    found += _below(("out_of_flat",), sheet_rules.flatness_findings([one.at for one in panel.out_of_flat]))
    for place, trim in enumerate(panel.trims):
        found += _below(("trim", place), sheet_rules.path_findings(sheet, trim.path))
    for place, bead in enumerate(panel.beads):
        found += _below(("bead", place), sheet_rules.path_findings(sheet, bead.path))
        found += _below(("bead", place), sheet_rules.open_end_findings(sheet, bead.path, bead.open_ends))
    for place, hole in enumerate(panel.holes):
        found += _below(("hole", place), sheet_rules.point_findings(sheet, hole.at))
    return found

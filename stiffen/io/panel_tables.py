"""One function for each kind of table in a panel file: returns the frozen record, or None after adding faults.

The rules on values are those of the records (`model.panel`, `model.sheet_rules`).  This module adds what
only a file has: missing and unknown keys, `along = "outline"`, `at = "worst"`, `in_plane = {slip = mm}`.
mm, N, MPa, kg, Hz; every position in plan coordinates.  A record is checked against the sheet where there is one.
"""

from __future__ import annotations

from collections.abc import Sequence

from shapely.geometry import Point

from stiffen.errors import InputError
from stiffen.model import sheet_rules
from stiffen.model.layout import BEAD_RULES, HOLE_RULES, OPEN_END_NAMES, SIDE, SIDES, Bead, Hole
from stiffen.model.material import MATERIAL_RULES, Material, material_findings
from stiffen.model.panel import (
    Combination,
    Cutout,
    Demand,
    EdgeTrim,
    FlatnessReading,
    Fold,
    KeepOut,
    Load,
    PointMass,
    Support,
)
from stiffen.model.record_rules import (
    COMBINATION_RULES,
    DEMAND_KEYS,
    DEMAND_KINDS,
    DEMAND_RULES,
    FACTOR_RANGE,
    FEATURE_KINDS,
    FLATNESS_RULES,
    FOLD_RULES,
    HOLD_KINDS,
    KEEP_OUT_RULES,
    LOAD_KEYS,
    LOAD_KINDS,
    LOAD_RULES,
    MASS_RULES,
    SUPPORT_RULES,
    TRIM_RULES,
    fastener_findings,
    fold_findings,
    load_findings,
    load_value_range,
)
from stiffen.model.sheet_geometry import RING, Ring, SheetGeometry, circle_ring
from stiffen.model.tools import BeadDie, HoleDie, Tools
from stiffen.model.value_rules import PATH, POINT, TEXT, Choice, Finding, KindKeys, PlanPoints, Range, suggestion
from stiffen.shop.folding.curved_flange import ArcFlange, arc_of
from stiffen.shop.folding.flange_blank import CORNERS, FACING, EdgeFlange, side_of

from .schema import TableReader, Value

# The starter's flaring dies had the letter of its flat bead die up to version 0.1.0; files that name them so are read.
EARLIER_DIE_NAMES = {"F32": "L32", "F50": "L50", "F63": "L63", "F80": "L80"}
OUTLINE = "outline"
ALONG = Choice((OUTLINE,))
WORST_PLACE = "worst"
OPEN_ENDS_BY_NAME = {word: ends for ends, word in OPEN_END_NAMES.items()}
CIRCLE_DIAMETER = Range(0.5, 10_000.0, "mm")
FLANGE_LEG = Range(0.5, 2000.0, "mm")
INSET = Range(0.0, 1000.0, "mm")
RIVET_INSET_DIAMETERS = (
    2.5  # default inset of a rivet row along the outline: the 2 of AC 43.13-1B and half a diameter more
)
MAX_GAP_TO_OUTLINE = 20.0  # mm by which a point that is named on the outline may miss it: a rounded corner
RESTRAINT_KEYS = ("hold", "in_plane", "stiffness")
LINE_SUPPORT_KEYS = ("along", "path", "inset", *RESTRAINT_KEYS)
SUPPORT_FILE_KEYS = {
    "edge": KindKeys(("kind",), LINE_SUPPORT_KEYS),
    "rest": KindKeys(("kind",), LINE_SUPPORT_KEYS),
    "rivets": KindKeys(("kind", "diameter"), (*LINE_SUPPORT_KEYS, "pitch", "at", "strength", "onto")),
    "bolts": KindKeys(("kind", "at", "diameter"), (*RESTRAINT_KEYS, "strength", "onto")),
}
MATERIAL_FILE_KEYS = {"yield_strength": "yield"}  # fields of `Material` whose file key has another name


def own_material(row: TableReader) -> Material | None:
    """[material]: E, nu, rho, yield, tensile, elongation; optional name and bend_radius = [[t, multiple], ...]."""
    name = row.read("name", TEXT, "own material")
    rules = {field: rule for field, rule in MATERIAL_RULES.items() if field != "name"}
    values = {field: row.read(MATERIAL_FILE_KEYS.get(field, field), rule) for field, rule in rules.items()}
    bends = row.read("bend_radius", PlanPoints(least=1), ())
    row.reject_unknown_keys("a material")
    if not row.ok:
        return None
    for (field, *below), what, cure in material_findings(values["yield_strength"], values["tensile"], bends):
        row.add_fault((MATERIAL_FILE_KEYS.get(str(field), field), *below), what, cure)
    return Material(name=name, bend_radius=bends, **values) if row.ok else None


# --- the sheet -------------------------------------------------------------------------------------------------


def cutout(row: TableReader) -> Cutout | None:
    """[[cutout]]: circle = {centre, diameter} or polygon."""
    ring = row.read("polygon", RING, None)
    round_one = row.table("circle")
    circle = _circle(round_one) if round_one else None
    row.reject_unknown_keys("a cut-out")
    given = [key for key in ("circle", "polygon") if key in row.data]
    if len(given) != 1:
        return row.add_fault("", f"has {' and '.join(given) or 'no shape'}", "give either circle or polygon")
    if not row.ok:
        return None
    return Cutout(circle_ring(*circle), circle) if circle else Cutout(ring)


def _circle(row: TableReader) -> tuple[float, float, float] | None:
    centre = row.read("centre", POINT)
    diameter = row.read("diameter", CIRCLE_DIAMETER)
    row.reject_unknown_keys("a circle")
    return (*centre, diameter) if row.ok else None


def keep_out(row: TableReader, sheet: SheetGeometry | None) -> KeepOut | None:
    """[[keep_out]]: polygon; optional against = ["bead", "hole"], why."""
    polygon = row.read("polygon", RING)
    against = row.read("against", KEEP_OUT_RULES["against"], FEATURE_KINDS)
    why = row.read("why", TEXT, "")
    row.reject_unknown_keys("a keep-out")
    if row.ok and sheet:
        row.add_findings(sheet_rules.keep_out_findings(sheet, polygon))
    return KeepOut(polygon, against, why) if row.ok else None


def fold(row: TableReader, sheet: SheetGeometry | None) -> Fold | None:
    """[[fold]]: line of two points from edge to edge, angle in degrees; optional radius."""
    line = row.read("line", FOLD_RULES["line"])
    angle = row.read("angle", FOLD_RULES["angle"])
    radius = row.read("radius", FOLD_RULES["radius"], 0.0)
    row.reject_unknown_keys("a fold")
    row.add_findings(fold_findings(line, angle))
    if row.ok and sheet:
        row.add_findings(sheet_rules.fold_findings(sheet, line))
    return Fold(line, angle, radius) if row.ok else None


def edge_flange(row: TableReader, outline: Ring | None) -> EdgeFlange | ArcFlange | None:
    """[[flange]]: edge, leg; optional angle, radius, corner.

    edge: bottom, right, top, left; the two ends of a side; or two ends of an arc with a point of it between them.
    """
    named = isinstance(row.data.get("edge"), str)
    edge = row.read("edge", Choice(tuple(FACING)) if named else PATH)
    leg = row.read("leg", FLANGE_LEG)
    angle = row.read("angle", FOLD_RULES["angle"], 90.0)
    radius = row.read("radius", FOLD_RULES["radius"], 0.0)
    corner = row.read("corner", Choice(CORNERS), CORNERS[0])
    row.reject_unknown_keys("a flange")
    if angle == 0:
        row.add_fault("angle", "is 0", "leave the flange out, or give degrees; + folds toward the up face")
    if edge and not named and len(edge) not in (2, 3):
        cure = "give the two ends of a side, three points of an arc, or bottom, right, top or left"
        row.add_fault("edge", f"has {len(edge)} points", cure)
    if not row.ok or outline is None:
        return None
    if not named and len(edge) == 3:
        return _arc_flange(row, outline, edge, leg, angle, radius)
    side, what = side_of(outline, edge)
    if side is None:
        return row.add_fault("edge", what, "give the two ends of a straight side: edge = [[x, y], [x, y]]")
    return EdgeFlange(side, leg, angle, radius, corner)


def _arc_flange(
    row: TableReader, outline: Ring, edge: Sequence, leg: float, angle: float, radius: float
) -> ArcFlange | None:
    """A flange along an arc of the outline."""
    arc, what = arc_of(outline, edge)
    if arc is None:
        return row.add_fault("edge", what, "one end of the arc, a point on it, its other end: [[x, y], [x, y], [x, y]]")
    return ArcFlange(*arc, leg, angle, radius)


# --- supports --------------------------------------------------------------------------------------------------


def support(row: TableReader, sheet: SheetGeometry | None) -> Support | None:
    """[[support]]: how the panel is held.

    edge, rest, rivets: along = "outline" (optional inset, mm inward; rivets: 2.5 diameters unless given) or path.
    rivets need diameter, and pitch or, with path, at; bolts need at and diameter; both may have a strength.  hold is
    pinned unless given; in_plane is unknown for rivets and bolts and free for edge and rest unless given; {slip = mm}
    means held, after the sheet has moved that far.
    """
    kind = row.read("kind", SUPPORT_RULES["kind"])
    hold = row.read("hold", SUPPORT_RULES["hold"], HOLD_KINDS[0])
    in_plane, slip = _in_plane(row, "unknown" if kind in ("rivets", "bolts") else "free")
    along = row.read("along", ALONG, None)
    inset = row.read("inset", INSET, None)
    path = row.read("path", PATH, None)
    at = row.read("at", SUPPORT_RULES["at"], ())
    pitch = row.read("pitch", SUPPORT_RULES["pitch"], 0.0)
    diameter = row.read("diameter", SUPPORT_RULES["diameter"], 0.0)
    stiffness = row.read("stiffness", SUPPORT_RULES["stiffness"], None)
    strength = row.read("strength", SUPPORT_RULES["strength"], None)
    onto = row.read("onto", SUPPORT_RULES["onto"], None)
    row.reject_unknown_keys("a support")
    if kind:
        row.check_keys_of_kind(f"a support of kind {kind}", SUPPORT_FILE_KEYS[kind])
    if kind in ("edge", "rest", "rivets"):
        _check_one_line(row, f"a support of kind {kind}")
    if kind == "rivets":
        _check_pitch_or_centres(row)
    if sheet:
        row.add_findings(sheet_rules.path_findings(sheet, path))
        row.add_findings(sheet_rules.centre_findings(sheet, at))
    if not row.ok:
        return None
    if kind == "rivets" and not at:
        row.add_findings(fastener_findings(kind, pitch, diameter))
    if along and row.ok:
        path = _outline_path(row, sheet, kind, inset, diameter)
    if not row.ok or (kind == "rivets" and path is None):  # without an outline, which has its own fault
        return None
    try:
        return Support(kind, hold, in_plane, slip, path, at, pitch, diameter, stiffness, strength, onto)
    except InputError as error:  # the pitch of rivets that are given one by one follows from their row
        for fault in error.faults:
            row.add_fault(fault.where.removeprefix("support."), fault.what, fault.cure)
    return None


def _check_pitch_or_centres(row: TableReader) -> None:
    """Add a fault unless rivets have either a pitch, or centres along a path."""
    if "at" not in row.data:
        if "pitch" not in row.data:
            row.add_fault("pitch", "is missing", "rivets need pitch, or path and at = [[x, y], ...]")
    elif "pitch" in row.data:
        row.add_fault("pitch", "is given together with at", "give one of the two")
    elif "along" in row.data:
        row.add_fault("at", 'has no meaning beside along = "outline"', "give the row's line as path")


def _outline_path(
    row: TableReader, sheet: SheetGeometry | None, kind: str, inset: float | None, diameter: float
) -> Value:
    """The line of a support along the outline: None for the outline itself, else the outline moved inward, closed."""
    if inset is None:
        inset = RIVET_INSET_DIAMETERS * diameter if kind == "rivets" else 0.0
    if kind == "rivets" and inset == 0:
        return row.add_fault("inset", "is 0, which puts the rivets on the very edge", "at least 2 diameters")
    if not inset or not sheet:
        return None
    path = sheet.inset_outline(inset)
    if path is None:
        return row.add_fault("inset", f"of {inset:g} mm leaves no single line on this sheet", "less, or give path")
    if place := sheet.first_exit(path):
        what = f"of {inset:g} mm makes a line that runs off the sheet at ({place[0]:.1f}, {place[1]:.1f})"
        return row.add_fault("inset", what, "another inset, or give path")
    return path


def _in_plane(row: TableReader, default: str) -> tuple[Value, Value]:
    """in_plane as a word and a slip; with a slip the word is held."""
    inner = row.table("in_plane") if isinstance(row.data.get("in_plane"), dict) else None
    if inner is None:
        return row.read("in_plane", SUPPORT_RULES["in_plane"], default), None
    slip = inner.read("slip", SUPPORT_RULES["slip"])
    inner.reject_unknown_keys("in_plane")
    return "held", slip


def _check_one_line(row: TableReader, noun: str) -> None:
    """Add a fault unless exactly one of along and path is there."""
    given = [key for key in ("along", "path") if key in row.data]
    if not given:
        row.add_fault("", "has no line", f'{noun} needs along = "{OUTLINE}" or path = [[x, y], [x, y]]')
    elif len(given) == 2:
        row.add_fault("path", f'is given together with along = "{OUTLINE}"', "give one of the two")
    elif "inset" in row.data and "path" in row.data:
        row.add_fault("inset", "has no meaning beside path", "the path itself says where the line runs")


# --- loads and demands -----------------------------------------------------------------------------------------


def load(row: TableReader, sheet: SheetGeometry | None) -> Load | None:
    """[[load]]: case, kind and what that kind takes; a positive value pushes toward -z, onto the up face."""
    case = row.read("case", LOAD_RULES["case"], None)
    kind = row.read("kind", LOAD_RULES["kind"])
    value = row.read("value", load_value_range(kind), 0.0)
    polygon = row.read("polygon", RING, None)
    at = _patch_place(row)
    size = row.read("size", LOAD_RULES["size"], None)
    path = row.read("path", PATH, None)
    direction = row.read("direction", LOAD_RULES["direction"], Load.direction)
    g = row.read("g", LOAD_RULES["g"], Load.g)
    row.reject_unknown_keys("a load")
    if kind is None and "case" not in row.data:
        row.add_fault("case", "is missing", "a load needs it: loads of one case act together")
    if kind in LOAD_KINDS:
        row.check_keys_of_kind(f"a load of kind {kind}", LOAD_KEYS[kind])
    row.add_findings(load_findings(value if "value" in row.data else None, direction, g if "g" in row.data else None))
    if sheet:
        row.add_findings(sheet_rules.load_findings(sheet, path, polygon, at, size))
    return Load(case, kind, value, polygon, at, size, path, direction, g) if row.ok else None


def _patch_place(row: TableReader) -> tuple[float, float] | None:
    """`at` of a patch: a point, or None for "worst"."""
    if not isinstance(row.data.get("at"), str):
        return row.read("at", POINT, None)
    row.read("at", Choice((WORST_PLACE,)))
    return None


def combination(row: TableReader, cases: list[str]) -> Combination | None:
    """[[combination]]: case, and `of` with a factor for each load case it is made of."""
    case = row.read("case", COMBINATION_RULES["case"])
    of = row.table("of")
    if "of" not in row.data:
        row.add_fault("of", "is missing", "give factors by case: of = {wind = 1.0, foot = 1.2}")
    row.reject_unknown_keys("a combination")
    factors = {name: of.read(name, FACTOR_RANGE) for name in of.data} if of else {}
    row.add_findings(sheet_rules.combination_findings(case, factors, cases))
    if of and not factors:
        row.add_fault("of", "is empty", "name at least one case")
    return Combination(case, tuple(factors.items())) if row.ok else None


def demand(row: TableReader, cases: list[str]) -> Demand | None:
    """[[demand]]: kind, limit, and case or force as the kind asks."""
    kind = row.read("kind", DEMAND_RULES["kind"])
    limit = row.read("limit", DEMAND_RULES["limit"], None)
    case = row.read("case", DEMAND_RULES["case"], None)
    force = row.read("force", DEMAND_RULES["force"], None)
    row.reject_unknown_keys("a demand")
    if kind in DEMAND_KINDS:
        row.check_keys_of_kind(f"a demand of kind {kind}", DEMAND_KEYS[kind])
    row.add_findings(sheet_rules.demand_findings(case, cases))
    return Demand(kind, limit, case, force) if row.ok else None


# --- things on the sheet ---------------------------------------------------------------------------------------


def mass(row: TableReader, sheet: SheetGeometry | None) -> PointMass | None:
    """[[mass]]: at, kg; optional what."""
    at = row.read("at", MASS_RULES["at"])
    kg = row.read("kg", MASS_RULES["kg"])
    what = row.read("what", TEXT, "")
    row.reject_unknown_keys("a mass")
    row.add_findings(_point_findings(sheet, at))
    return PointMass(at, kg, what) if row.ok else None


def flatness_reading(row: TableReader, sheet: SheetGeometry | None) -> FlatnessReading | None:
    """[[out_of_flat]]: at, height, mm, + toward up."""
    at = row.read("at", FLATNESS_RULES["at"])
    height = row.read("height", FLATNESS_RULES["height"])
    row.reject_unknown_keys("a measured place")
    row.add_findings(_point_findings(sheet, at))
    return FlatnessReading(at, height) if row.ok else None


def _point_findings(sheet: SheetGeometry | None, at: Value) -> list[Finding]:
    return sheet_rules.point_findings(sheet, at) if sheet else []


def edge_trim(row: TableReader, sheet: SheetGeometry | None) -> EdgeTrim | None:
    """[[trim]]: along = "outline", with from and to for a part of it, or path; kg_per_metre.

    Optional: stiffness (EI, N mm2), what, tube (outer diameter of a slit tube, mm).
    """
    row.read("along", ALONG, None)
    path = row.read("path", PATH, None)
    start, stop = row.read("from", POINT, None), row.read("to", POINT, None)
    weight = row.read("kg_per_metre", TRIM_RULES["kg_per_metre"])
    stiffness = row.read("stiffness", TRIM_RULES["stiffness"], 0.0)
    what = row.read("what", TEXT, "")
    tube = row.read("tube", TRIM_RULES["tube"], 0.0)
    row.reject_unknown_keys("a trim")
    _check_one_line(row, "a trim")
    if sheet:
        row.add_findings(sheet_rules.path_findings(sheet, path))
    if row.ok and ("from" in row.data or "to" in row.data):
        path = _outline_part(row, sheet, start, stop)
    return EdgeTrim(weight, path, stiffness, what, tube) if row.ok else None


def _outline_part(row: TableReader, sheet: SheetGeometry | None, start: Value, stop: Value) -> Value:
    """The outline from `from` to `to`, counter-clockwise; None after adding faults, or where there is no sheet."""
    if "path" in row.data:
        return row.add_fault("from", "has no meaning beside path", "the path itself says where the trim runs")
    for key, point, other in (("from", start, "to"), ("to", stop, "from")):
        if point is None:
            return row.add_fault(key, f"is missing beside {other}", "give both, counter-clockwise along the outline")
        if sheet and (gap := sheet.outline_polygon.exterior.distance(Point(point))) > MAX_GAP_TO_OUTLINE:
            cure = f"name a point within {MAX_GAP_TO_OUTLINE:g} mm of it"
            return row.add_fault(key, f"({point[0]:g}, {point[1]:g}) is {gap:.1f} mm off the outline", cure)
    part = sheet.outline_path(start, stop) if sheet else None
    if sheet and part is None:
        return row.add_fault("to", "is the same point as from", "name two points")
    return part


def bead(row: TableReader, sheet: SheetGeometry | None, tools: Tools | None, bead_side: str | None) -> Bead | None:
    """[[bead]]: die, path; optional side, fixed, open (the ends that run over the edge: start, stop, both)."""
    die = _die(row, tools.bead_dies if tools else None, "bead")
    path = row.read("path", PATH)
    side = _side(row, bead_side)
    fixed = row.read("fixed", BEAD_RULES["fixed"], False)
    ends = OPEN_ENDS_BY_NAME[row.read("open", Choice(tuple(OPEN_ENDS_BY_NAME)), "none") or "none"]
    row.reject_unknown_keys("a bead")
    if sheet:
        row.add_findings(sheet_rules.path_findings(sheet, path))
    if path:
        row.add_findings(sheet_rules.open_end_findings(sheet, path, ends))
    return Bead(die, path, side, fixed, ends) if row.ok and tools else None


def hole(row: TableReader, sheet: SheetGeometry | None, tools: Tools | None, bead_side: str | None) -> Hole | None:
    """[[hole]]: die, at; optional side, fixed."""
    die = _die(row, tools.hole_dies if tools else None, "hole")
    at = row.read("at", HOLE_RULES["at"])
    side = _side(row, bead_side)
    fixed = row.read("fixed", HOLE_RULES["fixed"], False)
    row.reject_unknown_keys("a hole")
    row.add_findings(_point_findings(sheet, at))
    return Hole(die, at, side, fixed) if row.ok and tools else None


def _die(row: TableReader, dies: Sequence[BeadDie] | Sequence[HoleDie] | None, noun: str) -> Value:
    """The die that the row names among those of the tools; None too where the tools are themselves at fault."""
    name = row.read("die", TEXT)
    if name is None or dies is None:
        return None
    known = {die.name: die for die in dies}
    die = known.get(name) or known.get(EARLIER_DIE_NAMES.get(name, ""))
    if die is None:
        cure = suggestion(name, known) or f"the tools have no {noun} dies"
        return row.add_fault("die", f'"{name}" is no {noun} die of the tools', cure)
    return die


def _side(row: TableReader, bead_side: str | None) -> Value:
    """The face; where none is given the one that bead_side allows, up if both."""
    side = row.read("side", SIDE, bead_side if bead_side in SIDES else "up")
    row.add_findings(sheet_rules.side_findings(bead_side, side))
    return side

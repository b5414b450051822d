"""One function for each kind of record in a panel file: from a table to the frozen record, or None with faults kept.

mm, N, MPa, kg, Hz; every position in plan coordinates.  A record is checked against the sheet where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from shapely.geometry import LineString

from stiffen.model.layout import OPEN_END_NAMES, SIDES, Bead, Hole
from stiffen.model.material import Material
from stiffen.model.panel import (
    DEMAND_KINDS,
    HOLD_KINDS,
    IN_PLANE_KINDS,
    LOAD_KINDS,
    SUPPORT_KINDS,
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
from stiffen.model.tools import BeadDie, HoleDie, Tools

from .schema import REQUIRED, Range, TableReader, Value, suggestion
from .sheet_geometry import ON_SHEET_TOLERANCE, SheetGeometry, circle_ring, open_ring, ring_fault

OUTLINE = "outline"
OPEN_ENDS_BY_NAME = {word: ends for ends, word in OPEN_END_NAMES.items()}
RIVET_INSET_DIAMETERS = (
    2.5  # diameters from the outline to a rivet row along it: 2 of AC 43.13-1B, half of one to spare
)
GAUGE_RANGE = Range(0.1, 6.0, "mm", cure="gauges are in mm: 0.040 inch is 1.016")
LENGTH_RANGE = Range(0.01, 10_000.0, "mm")
LIMIT_RANGE = Range(0.0, 1e6, excludes_low=True)
MATERIAL_RANGES = {
    "E": Range(1e3, 5e5, "MPa", cure="MPa: 70 GPa is 70000"),
    "nu": Range(0.0, 0.499),
    "rho": Range(5e-7, 3e-5, "kg/mm3", cure="kg/mm3: 2700 kg/m3 is 2.7e-6"),
    "yield": Range(1.0, 3000.0, "MPa"),
    "tensile": Range(1.0, 3000.0, "MPa"),
    "elongation": Range(0.0, 1.0, cure="a fraction: 14 % is 0.14"),
}


class KindKeys(NamedTuple):
    """Keys that one kind of a record needs, and others it may have."""

    needed: tuple[str, ...] = ()
    allowed: tuple[str, ...] = ()


def own_material(row: TableReader) -> Material | None:
    """[material]: E, nu, rho, yield, tensile, elongation; optional name and bend_radius = [[t, multiple], ...]."""
    name = row.text("name", "own material")
    values = {key: row.number(key, within) for key, within in MATERIAL_RANGES.items()}
    bends = row.points("bend_radius", (), least=1)
    row.reject_unknown_keys("a material")
    if not row.ok:
        return None
    if values["yield"] > values["tensile"]:
        return row.fault("yield", f"is {values['yield']:g}, above tensile {values['tensile']:g}", "swap them?")
    if any(b <= a for (a, _), (b, _) in zip(bends, bends[1:], strict=False)) or any(min(pair) < 0 for pair in bends):
        return row.fault("bend_radius", "does not rise in thickness", "[[t up to, multiple of t], ...], rising")
    values["yield_strength"] = values.pop("yield")
    return Material(name=name, bend_radius=bends, **values)


# --- rings -----------------------------------------------------------------------------------------------------


def read_ring(row: TableReader, key: str, default: object = None) -> Value:
    """A polygon as a ring, counter-clockwise; a fault where it crosses itself."""
    points = row.points(key, default, least=3)
    if not points:
        return None
    ring = open_ring(points)
    fault = ring_fault(ring)
    return row.fault(key, fault, "list the corners in order round the edge") if fault else ring


def cutout(row: TableReader) -> Cutout | None:
    """[[cutout]]: circle = {centre, diameter} or polygon."""
    ring = read_ring(row, "polygon")
    round_one = row.table("circle")
    circle = _circle(round_one) if round_one else None
    row.reject_unknown_keys("a cut-out")
    given = [key for key in ("circle", "polygon") if key in row.data]
    if len(given) != 1:
        return row.fault("", f"has {' and '.join(given) or 'no shape'}", "give either circle or polygon")
    if not row.ok:
        return None
    return Cutout(circle_ring(*circle), circle) if circle else Cutout(ring)


def _circle(row: TableReader) -> tuple[float, float, float] | None:
    centre = row.point("centre")
    diameter = row.number("diameter", Range(0.5, 10_000.0, "mm"))
    row.reject_unknown_keys("a circle")
    return (*centre, diameter) if row.ok else None


def keep_out(row: TableReader, sheet: SheetGeometry | None) -> KeepOut | None:
    """[[keep_out]]: polygon; optional against = ["bead", "hole"], why."""
    ring = read_ring(row, "polygon", REQUIRED)
    against = row.choices("against", ("bead", "hole"))
    why = row.text("why", "")
    row.reject_unknown_keys("a keep-out")
    if not row.ok:
        return None
    if sheet and not sheet.intersects(ring):
        return row.fault("polygon", "lies off the sheet altogether", "check its coordinates")
    return KeepOut(ring, against, why)


def fold(row: TableReader, sheet: SheetGeometry | None) -> Fold | None:
    """[[fold]]: line of two points from edge to edge, angle in degrees; optional radius."""
    line = row.points("line")
    angle = row.number("angle", Range(-170.0, 170.0, "degrees"))
    radius = row.number("radius", Range(0.0, 200.0, "mm"), 0.0)
    row.reject_unknown_keys("a fold")
    if line and len(line) != 2:
        row.fault("line", f"has {len(line)} points", "a fold line is straight: give its two ends")
    if angle == 0:
        row.fault("angle", "is 0", "leave the fold out, or give degrees; + folds toward the up face")
    if not row.ok:
        return None
    if sheet and (parts := sheet.count_parts(line)) != 2:
        told = "does not part the sheet" if parts < 2 else f"cuts the sheet into {parts} parts"
        return row.fault("line", told, "a fold line runs from edge to edge, right across the sheet, once")
    return Fold(line, angle, radius)


# --- supports --------------------------------------------------------------------------------------------------

RESTRAINT_KEYS = ("hold", "in_plane", "stiffness")
LINE_SUPPORT_KEYS = ("along", "path", "inset", *RESTRAINT_KEYS)
SUPPORT_KEYS = {
    "edge": KindKeys(("kind",), LINE_SUPPORT_KEYS),
    "rest": KindKeys(("kind",), LINE_SUPPORT_KEYS),
    "rivets": KindKeys(("kind", "diameter"), (*LINE_SUPPORT_KEYS, "pitch", "at", "strength")),
    "bolts": KindKeys(("kind", "at", "diameter"), (*RESTRAINT_KEYS, "strength")),
}


def support(row: TableReader, sheet: SheetGeometry | None) -> Support | None:
    """[[support]]: how the panel is held.

    edge, rest, rivets: along = "outline" (optional inset, mm inward; rivets: 2.5 diameters unless given) or path.
    rivets need diameter, and pitch or, with path, at; bolts need at and diameter; both may have a strength.  hold is
    pinned unless given; in_plane is unknown for rivets and bolts and free for edge and rest unless given; {slip = mm}
    means held after so much slip.
    """
    kind = row.choice("kind", SUPPORT_KINDS)
    hold = row.choice("hold", HOLD_KINDS, HOLD_KINDS[0])
    in_plane, slip = _in_plane(row, "unknown" if kind in ("rivets", "bolts") else "free")
    along = row.choice("along", (OUTLINE,), None)
    inset = row.number("inset", Range(0.0, 1000.0, "mm"), None)
    path = row.points("path", None)
    at = row.points("at", (), least=1)
    pitch = row.number("pitch", Range(2.0, 5000.0, "mm"), 0.0)
    diameter = row.number("diameter", Range(1.0, 50.0, "mm"), 0.0)
    stiffness = row.number("stiffness", Range(0.0, 1e9, excludes_low=True), None)
    strength = row.number("strength", Range(0.0, 1e6, "N", excludes_low=True), None)
    row.reject_unknown_keys("a support")
    if kind:
        row.check_keys_of_kind(f"a support of kind {kind}", *SUPPORT_KEYS[kind])
    if kind in ("edge", "rest", "rivets"):
        _check_one_line(row, f"a support of kind {kind}")
    if kind == "rivets":
        _check_pitch_or_centres(row)
    _check_path_on_sheet(row, sheet, path)
    _check_points_on_sheet(row, sheet, at)
    if not row.ok:
        return None
    if kind == "rivets" and at:
        pitch = LineString(path).length / max(1, len(at) - (path[0] != path[-1]))
    if kind == "rivets" and pitch <= diameter:
        return row.fault("pitch", f"is {pitch:g}, not more than the diameter", "at least 3 diameters")
    if along:
        inset = (RIVET_INSET_DIAMETERS * diameter if kind == "rivets" else 0.0) if inset is None else inset
        if kind == "rivets" and inset == 0:
            return row.fault("inset", "is 0, which puts the rivets on the very edge", "at least 2 diameters")
        path = _inset_line(row, sheet, inset) if inset and sheet else None
    return Support(kind, hold, in_plane, slip, path, at, pitch, diameter, stiffness, strength)


def _check_pitch_or_centres(row: TableReader) -> None:
    """Tell unless rivets have either a pitch, or centres along a path."""
    if "at" not in row.data:
        if "pitch" not in row.data:
            row.fault("pitch", "is missing", "rivets need pitch, or path and at = [[x, y], ...]")
    elif "pitch" in row.data:
        row.fault("pitch", "stands beside at", "give one of the two")
    elif "along" in row.data:
        row.fault("at", 'has no meaning beside along = "outline"', "give the row's line as path")


def _inset_line(row: TableReader, sheet: SheetGeometry, inset: float) -> tuple | None:
    """The outline moved inward as a closed line."""
    path = sheet.inset_outline(inset)
    if path is None:
        return row.fault("inset", f"of {inset:g} mm leaves no single line on this sheet", "less, or give path")
    if place := sheet.first_exit(path):
        what = f"of {inset:g} mm makes a line that runs off the sheet at ({place[0]:.1f}, {place[1]:.1f})"
        return row.fault("inset", what, "another inset, or give path")
    return path


def _in_plane(row: TableReader, default: str) -> tuple[Value, Value]:
    """in_plane as a word and a slip; with a slip the word is held."""
    inner = row.table("in_plane") if isinstance(row.data.get("in_plane"), dict) else None
    if inner is None:
        return row.choice("in_plane", IN_PLANE_KINDS, default), None
    slip = inner.number("slip", Range(0.0, 10.0, "mm"))
    inner.reject_unknown_keys("in_plane")
    return "held", slip


def _check_one_line(row: TableReader, noun: str) -> None:
    """Tell unless exactly one of along and path is there."""
    given = [key for key in ("along", "path") if key in row.data]
    if not given:
        row.fault("", "has no line", f'{noun} needs along = "{OUTLINE}" or path = [[x, y], [x, y]]')
    elif len(given) == 2:
        row.fault("path", f'stands beside along = "{OUTLINE}"', "give one of the two")
    elif "inset" in row.data and "path" in row.data:
        row.fault("inset", "has no meaning beside path", "the path itself says where the line runs")


def _check_path_on_sheet(row: TableReader, sheet: SheetGeometry | None, path: tuple | None) -> None:
    if sheet and path and (place := sheet.first_exit(path)):
        row.fault("path", f"leaves the sheet at ({place[0]:.1f}, {place[1]:.1f})", "keep it on the sheet, off cut-outs")


def _check_points_on_sheet(row: TableReader, sheet: SheetGeometry | None, points: tuple | None) -> None:
    for place, point in enumerate(points or ()):
        if sheet and not sheet.contains(point):
            row.fault(("at", place), f"({point[0]:g}, {point[1]:g}) is not on the sheet", "move it onto the sheet")


def _check_point_on_sheet(row: TableReader, sheet: SheetGeometry | None, point: tuple | None) -> None:
    if sheet and point and not sheet.contains(point):
        row.fault("at", f"({point[0]:g}, {point[1]:g}) is not on the sheet", "move it onto the sheet, off cut-outs")


# --- loads and demands -----------------------------------------------------------------------------------------

LOAD_KEYS = {
    "pressure": KindKeys(("case", "kind", "value"), ("polygon",)),
    "patch": KindKeys(("case", "kind", "value", "at", "size")),
    "line": KindKeys(("case", "kind", "value", "path"), ("direction",)),
    "inertia": KindKeys(("case", "kind", "g")),
}
LOAD_VALUE_RANGES = {
    "pressure": Range(-1.0, 1.0, "MPa", cure="MPa: 500 Pa is 0.0005, 1 kPa is 0.001"),
    "patch": Range(-1e5, 1e5, "N"),
    "line": Range(-1e3, 1e3, "N/mm"),
    "inertia": Range(-1e5, 1e5),
}
DEMAND_KEYS = {
    "deflection": KindKeys(("kind", "case", "limit")),
    "softness": KindKeys(("kind", "force", "limit")),
    "frequency": KindKeys(("kind", "limit")),
    "buckling": KindKeys(("kind", "case", "limit")),
    "stress": KindKeys(("kind", "case", "limit")),
}
FACTOR_RANGE = Range(-100.0, 100.0)
WORST_PLACE = "worst"
NO_LOADS_CURE = "there are no [[load]] tables"


def load(row: TableReader, sheet: SheetGeometry | None) -> Load | None:
    """[[load]]: case, kind and what that kind takes; a positive value pushes toward -z, onto the up face."""
    case = row.text("case", None)
    kind = row.choice("kind", LOAD_KINDS)
    value = row.number("value", LOAD_VALUE_RANGES.get(kind, Range(-1e5, 1e5)), 0.0)
    polygon = read_ring(row, "polygon")
    at = _patch_place(row)
    size = row.numbers("size", Range(1.0, 10_000.0, "mm"), None, count=2)
    path = row.points("path", None)
    direction = row.numbers("direction", Range(-1e6, 1e6), (0.0, 0.0, -1.0), count=3)
    g = row.numbers("g", Range(-100.0, 100.0, "g"), (0.0, 0.0, 0.0), count=3)
    row.reject_unknown_keys("a load")
    if kind is None and "case" not in row.data:
        row.fault("case", "is missing", "a load needs it: loads of one case act together")
    if kind:
        row.check_keys_of_kind(f"a load of kind {kind}", *LOAD_KEYS[kind])
    if "value" in row.data and value == 0:
        row.fault("value", "is 0, which is no load", "leave the load out")
    if direction and not any(direction):
        row.fault("direction", "has no length", "[0, 0, -1] pushes onto the up face")
    if "g" in row.data and g and not any(g):
        row.fault("g", "is 0, which is no load", "[0, 0, -3] is three times gravity toward the down face")
    _check_path_on_sheet(row, sheet, path)
    if sheet and polygon and not sheet.outline_covers(polygon):
        row.fault("polygon", "reaches over the outline", "keep it on the sheet")
    if sheet and at and size:
        _check_patch_on_sheet(row, sheet, at, size)
    if not row.ok:
        return None
    length = math.hypot(*direction)
    return Load(case, kind, value, polygon, at, size, path, tuple(d / length for d in direction), g)


def _patch_place(row: TableReader) -> tuple[float, float] | None:
    """`at` of a patch: a point, or None for "worst"."""
    value = row.data.get("at")
    if not isinstance(value, str):
        return row.point("at", None)
    row.choice("at", (WORST_PLACE,))
    return None


def _check_patch_on_sheet(row: TableReader, sheet: SheetGeometry, at: tuple, size: tuple) -> None:
    if not sheet.outline_covers(open_ring(circle_ring(at[0], at[1], 2 * ON_SHEET_TOLERANCE))):
        row.fault("at", f"({at[0]:g}, {at[1]:g}) lies outside the outline", "move it onto the sheet")
    elif (share := sheet.covered_fraction(at, size)) < 0.5:
        row.fault("size", f"{share:.0%} of the patch is on the sheet", "at least half must be; move or shrink it")


def combination(row: TableReader, cases: list[str]) -> Combination | None:
    """[[combination]]: case, and `of` with a factor for each load case it is made of."""
    case = row.text("case")
    of = row.table("of")
    if "of" not in row.data:
        row.fault("of", "is missing", "give factors by case: of = {wind = 1.0, foot = 1.2}")
    row.reject_unknown_keys("a combination")
    if case in cases:
        row.fault("case", f'"{case}" is the case of a load', "give the combination its own name")
    factors = {name: of.number(name, FACTOR_RANGE) for name in of.data} if of else {}
    for name in factors:
        if of and name not in cases:
            of.fault(name, "is the case of no load", suggestion(name, cases) or NO_LOADS_CURE)
    if of and not factors:
        row.fault("of", "is empty", "name at least one case")
    return Combination(case, tuple(factors.items())) if row.ok else None


def demand(row: TableReader, cases: list[str]) -> Demand | None:
    """[[demand]]: kind, limit, and case or force as the kind asks."""
    kind = row.choice("kind", DEMAND_KINDS)
    limit = row.number("limit", LIMIT_RANGE, None)
    case = row.text("case", None)
    force = row.number("force", Range(0.0, 1e5, "N", excludes_low=True), None)
    row.reject_unknown_keys("a demand")
    if kind:
        row.check_keys_of_kind(f"a demand of kind {kind}", *DEMAND_KEYS[kind])
    if case is not None and case not in cases:
        row.fault("case", f'"{case}" is the case of no load', suggestion(case, cases) or NO_LOADS_CURE)
    return Demand(kind, limit, case, force) if row.ok else None


# --- things on the sheet ---------------------------------------------------------------------------------------


def mass(row: TableReader, sheet: SheetGeometry | None) -> PointMass | None:
    """[[mass]]: at, kg; optional what."""
    at = row.point("at")
    kg = row.number("kg", Range(0.0, 1000.0, "kg", excludes_low=True))
    what = row.text("what", "")
    row.reject_unknown_keys("a mass")
    _check_point_on_sheet(row, sheet, at)
    return PointMass(at, kg, what) if row.ok else None


def flatness_reading(row: TableReader, sheet: SheetGeometry | None) -> FlatnessReading | None:
    """[[out_of_flat]]: at, height, mm, + toward up."""
    at = row.point("at")
    height = row.number("height", Range(-50.0, 50.0, "mm"))
    row.reject_unknown_keys("a measured place")
    _check_point_on_sheet(row, sheet, at)
    return FlatnessReading(at, height) if row.ok else None


def edge_trim(row: TableReader, sheet: SheetGeometry | None) -> EdgeTrim | None:
    """[[trim]]: along = "outline" or path, kg_per_metre; optional stiffness (EI, N mm2), what."""
    row.choice("along", (OUTLINE,), None)
    path = row.points("path", None)
    weight = row.number("kg_per_metre", Range(0.0, 100.0, "kg/m"))
    stiffness = row.number("stiffness", Range(0.0, 1e13, "N mm2"), 0.0)
    what = row.text("what", "")
    row.reject_unknown_keys("a trim")
    _check_one_line(row, "a trim")
    _check_path_on_sheet(row, sheet, path)
    return EdgeTrim(weight, path, stiffness, what) if row.ok else None


def bead(row: TableReader, sheet: SheetGeometry | None, tools: Tools | None, bead_side: str | None) -> Bead | None:
    """[[bead]]: die, path; optional side, fixed, open (the ends that run over the edge: start, stop, both)."""
    die = _die(row, tools.bead_dies if tools else None, "bead")
    path = row.points("path")
    side = _side(row, bead_side)
    fixed = row.flag("fixed", False)
    ends = OPEN_ENDS_BY_NAME.get(row.choice("open", OPEN_ENDS_BY_NAME, "none"), OPEN_ENDS_BY_NAME["none"])
    row.reject_unknown_keys("a bead")
    _check_path_on_sheet(row, sheet, path)
    if path:
        _check_open_ends(row, sheet, path, ends)
    return Bead(die, path, side, fixed, ends) if row.ok and tools else None


def _check_open_ends(row: TableReader, sheet: SheetGeometry | None, path: tuple, ends: tuple[bool, bool]) -> None:
    """Tell of an open end that does not lie on the outline."""
    if any(ends) and path[0] == path[-1]:
        return row.fault("open", "has no meaning for a closed frame", "leave it out")
    for place, is_open in zip((0, -1), ends, strict=True):
        if is_open and sheet and not sheet.on_edge(path[place]):
            x, y = path[place]
            cure = "let the path end on the outline, or leave the key out"
            row.fault("path", f"has an open end at ({x:g}, {y:g}), which is not on the edge", cure)
    return None


def hole(row: TableReader, sheet: SheetGeometry | None, tools: Tools | None, bead_side: str | None) -> Hole | None:
    """[[hole]]: die, at; optional side, fixed."""
    die = _die(row, tools.hole_dies if tools else None, "hole")
    at = row.point("at")
    side = _side(row, bead_side)
    fixed = row.flag("fixed", False)
    row.reject_unknown_keys("a hole")
    _check_point_on_sheet(row, sheet, at)
    return Hole(die, at, side, fixed) if row.ok and tools else None


def _die(row: TableReader, dies: Sequence[BeadDie] | Sequence[HoleDie] | None, noun: str) -> Value:
    """The die that the row names among those of the tools; None too where the tools are themselves at fault."""
    name = row.text("die")
    if name is None or dies is None:
        return None
    known = {die.name: die for die in dies}
    if name not in known:
        cure = suggestion(name, known) or f"the tools have no {noun} dies"
        return row.fault("die", f'"{name}" is no {noun} die of the tools', cure)
    return known[name]


def _side(row: TableReader, bead_side: str | None) -> Value:
    """The face; where none is given the one that bead_side allows, up if both."""
    side = row.choice("side", SIDES, bead_side if bead_side in SIDES else "up")
    if side and bead_side in SIDES and side != bead_side:
        cure = f'side = "{bead_side}", or panel.bead_side = "either"'
        return row.fault("side", f'is "{side}", but the panel allows beads on the {bead_side} face only', cure)
    return side

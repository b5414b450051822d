"""One function for each kind of record in a panel file: from a table to the frozen record, or None with faults kept.

mm, N, MPa, kg, Hz; every position in plan coordinates.  A record is checked against the sheet where there is one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from shapely.geometry import LineString

from stiffen.model.layout import OPEN, SIDES, Bead, Hole
from stiffen.model.material import Material
from stiffen.model.panel import (
    DEMAND_KINDS,
    HOLDS,
    IN_PLANE,
    LOAD_KINDS,
    SUPPORT_KINDS,
    Combination,
    Cutout,
    Demand,
    Fold,
    KeepOut,
    Load,
    OffFlat,
    PointMass,
    Support,
    Trim,
)
from stiffen.model.tools import BeadDie, HoleDie, Tools

from .schema import REQUIRED, Range, Table, Value, likeness
from .sheet_geometry import ON_SHEET, Sheet, circle_ring, open_ring, ring_fault

OUTLINE = "outline"
ENDS = {word: ends for ends, word in OPEN.items()}
RIVET_INSET = 2.5  # diameters from the outline to a rivet row along it: 2 of AC 43.13-1B, half of one to spare
GAUGE = Range(0.1, 6.0, "mm", cure="gauges are in mm: 0.040 inch is 1.016")
LENGTH = Range(0.01, 10_000.0, "mm")
LIMIT = Range(0.0, 1e6, above=True)
MATERIAL = {
    "E": Range(1e3, 5e5, "MPa", cure="MPa: 70 GPa is 70000"),
    "nu": Range(0.0, 0.499),
    "rho": Range(5e-7, 3e-5, "kg/mm3", cure="kg/mm3: 2700 kg/m3 is 2.7e-6"),
    "yield": Range(1.0, 3000.0, "MPa"),
    "tensile": Range(1.0, 3000.0, "MPa"),
    "elongation": Range(0.0, 1.0, cure="a fraction: 14 % is 0.14"),
}


class Keys(NamedTuple):
    """Keys that one kind of a record needs, and others it may have."""

    needed: tuple[str, ...] = ()
    allowed: tuple[str, ...] = ()


def own_material(row: Table) -> Material | None:
    """[material]: E, nu, rho, yield, tensile, elongation; optional name and bend_radius = [[t, multiple], ...]."""
    name = row.text("name", "own material")
    values = {key: row.number(key, within) for key, within in MATERIAL.items()}
    bends = row.points("bend_radius", (), least=1)
    row.close("a material")
    if not row.ok:
        return None
    if values["yield"] > values["tensile"]:
        return row.fault("yield", f"is {values['yield']:g}, above tensile {values['tensile']:g}", "swap them?")
    if any(b <= a for (a, _), (b, _) in zip(bends, bends[1:], strict=False)) or any(min(pair) < 0 for pair in bends):
        return row.fault("bend_radius", "does not rise in thickness", "[[t up to, multiple of t], ...], rising")
    values["yield_strength"] = values.pop("yield")
    return Material(name=name, bend_radius=bends, **values)


# --- rings -----------------------------------------------------------------------------------------------------


def ring_of(row: Table, key: str, default: object = None) -> Value:
    """A polygon as a ring, counter-clockwise; a fault where it crosses itself."""
    points = row.points(key, default, least=3)
    if not points:
        return None
    ring = open_ring(points)
    fault = ring_fault(ring)
    return row.fault(key, fault, "list the corners in order round the edge") if fault else ring


def cutout(row: Table) -> Cutout | None:
    """[[cutout]]: circle = {centre, diameter} or polygon."""
    ring = ring_of(row, "polygon")
    round_one = row.table("circle")
    circle = _circle(round_one) if round_one else None
    row.close("a cut-out")
    given = [key for key in ("circle", "polygon") if key in row.data]
    if len(given) != 1:
        return row.fault("", f"has {' and '.join(given) or 'no shape'}", "give either circle or polygon")
    if not row.ok:
        return None
    return Cutout(circle_ring(*circle), circle) if circle else Cutout(ring)


def _circle(row: Table) -> tuple[float, float, float] | None:
    centre = row.point("centre")
    diameter = row.number("diameter", Range(0.5, 10_000.0, "mm"))
    row.close("a circle")
    return (*centre, diameter) if row.ok else None


def keep_out(row: Table, sheet: Sheet | None) -> KeepOut | None:
    """[[keep_out]]: polygon; optional against = ["bead", "hole"], why."""
    ring = ring_of(row, "polygon", REQUIRED)
    against = row.words("against", ("bead", "hole"))
    why = row.text("why", "")
    row.close("a keep-out")
    if not row.ok:
        return None
    if sheet and not sheet.touches(ring):
        return row.fault("polygon", "lies off the sheet altogether", "check its coordinates")
    return KeepOut(ring, against, why)


def fold(row: Table, sheet: Sheet | None) -> Fold | None:
    """[[fold]]: line of two points from edge to edge, angle in degrees; optional radius."""
    line = row.points("line")
    angle = row.number("angle", Range(-170.0, 170.0, "degrees"))
    radius = row.number("radius", Range(0.0, 200.0, "mm"), 0.0)
    row.close("a fold")
    if line and len(line) != 2:
        row.fault("line", f"has {len(line)} points", "a fold line is straight: give its two ends")
    if angle == 0:
        row.fault("angle", "is 0", "leave the fold out, or give degrees; + folds toward the up face")
    if not row.ok:
        return None
    if sheet and (parts := sheet.parts(line)) != 2:
        told = "does not part the sheet" if parts < 2 else f"cuts the sheet into {parts} parts"
        return row.fault("line", told, "a fold line runs from edge to edge, right across the sheet, once")
    return Fold(line, angle, radius)


# --- supports --------------------------------------------------------------------------------------------------

HOW = ("hold", "in_plane", "stiffness")
LINE = ("along", "path", "inset", *HOW)
SUPPORT_KEYS = {
    "edge": Keys(("kind",), LINE),
    "rest": Keys(("kind",), LINE),
    "rivets": Keys(("kind", "diameter"), (*LINE, "pitch", "at", "strength")),
    "bolts": Keys(("kind", "at", "diameter"), (*HOW, "strength")),
}


def support(row: Table, sheet: Sheet | None) -> Support | None:
    """[[support]]: how the panel is held.

    edge, rest, rivets: along = "outline" (optional inset, mm inward; rivets: 2.5 diameters unless given) or path.
    rivets need diameter, and pitch or, with path, at; bolts need at and diameter; both may have a strength.  hold is
    pinned unless given; in_plane is unknown for rivets and bolts and free for edge and rest unless given; {slip = mm}
    means held after so much slip.
    """
    kind = row.choice("kind", SUPPORT_KINDS)
    hold = row.choice("hold", HOLDS, HOLDS[0])
    in_plane, slip = _in_plane(row, "unknown" if kind in ("rivets", "bolts") else "free")
    along = row.choice("along", (OUTLINE,), None)
    inset = row.number("inset", Range(0.0, 1000.0, "mm"), None)
    path = row.points("path", None)
    at = row.points("at", (), least=1)
    pitch = row.number("pitch", Range(2.0, 5000.0, "mm"), 0.0)
    diameter = row.number("diameter", Range(1.0, 50.0, "mm"), 0.0)
    stiffness = row.number("stiffness", Range(0.0, 1e9, above=True), None)
    strength = row.number("strength", Range(0.0, 1e6, "N", above=True), None)
    row.close("a support")
    if kind:
        row.restrict(f"a support of kind {kind}", *SUPPORT_KEYS[kind])
    if kind in ("edge", "rest", "rivets"):
        _one_line(row, f"a support of kind {kind}")
    if kind == "rivets":
        _pitch_or_places(row)
    _on_sheet(row, sheet, path)
    _points_on_sheet(row, sheet, at)
    if not row.ok:
        return None
    if kind == "rivets" and at:
        pitch = LineString(path).length / max(1, len(at) - (path[0] != path[-1]))
    if kind == "rivets" and pitch <= diameter:
        return row.fault("pitch", f"is {pitch:g}, not more than the diameter", "at least 3 diameters")
    if along:
        inset = (RIVET_INSET * diameter if kind == "rivets" else 0.0) if inset is None else inset
        if kind == "rivets" and inset == 0:
            return row.fault("inset", "is 0, which puts the rivets on the very edge", "at least 2 diameters")
        path = _inset_line(row, sheet, inset) if inset and sheet else None
    return Support(kind, hold, in_plane, slip, path, at, pitch, diameter, stiffness, strength)


def _pitch_or_places(row: Table) -> None:
    """Tell unless rivets have either a pitch, or centres along a path."""
    if "at" not in row.data:
        if "pitch" not in row.data:
            row.fault("pitch", "is missing", "rivets need pitch, or path and at = [[x, y], ...]")
    elif "pitch" in row.data:
        row.fault("pitch", "stands beside at", "give one of the two")
    elif "along" in row.data:
        row.fault("at", 'has no meaning beside along = "outline"', "give the row's line as path")


def _inset_line(row: Table, sheet: Sheet, inset: float) -> tuple | None:
    """The outline moved inward as a closed line."""
    path = sheet.inset(inset)
    if path is None:
        return row.fault("inset", f"of {inset:g} mm leaves no single line on this sheet", "less, or give path")
    if place := sheet.leaves(path):
        what = f"of {inset:g} mm makes a line that runs off the sheet at ({place[0]:.1f}, {place[1]:.1f})"
        return row.fault("inset", what, "another inset, or give path")
    return path


def _in_plane(row: Table, default: str) -> tuple[Value, Value]:
    """in_plane as a word and a slip; with a slip the word is held."""
    inner = row.table("in_plane") if isinstance(row.data.get("in_plane"), dict) else None
    if inner is None:
        return row.choice("in_plane", IN_PLANE, default), None
    slip = inner.number("slip", Range(0.0, 10.0, "mm"))
    inner.close("in_plane")
    return "held", slip


def _one_line(row: Table, noun: str) -> None:
    """Tell unless exactly one of along and path is there."""
    given = [key for key in ("along", "path") if key in row.data]
    if not given:
        row.fault("", "has no line", f'{noun} needs along = "{OUTLINE}" or path = [[x, y], [x, y]]')
    elif len(given) == 2:
        row.fault("path", f'stands beside along = "{OUTLINE}"', "give one of the two")
    elif "inset" in row.data and "path" in row.data:
        row.fault("inset", "has no meaning beside path", "the path itself says where the line runs")


def _on_sheet(row: Table, sheet: Sheet | None, path: tuple | None) -> None:
    if sheet and path and (place := sheet.leaves(path)):
        row.fault("path", f"leaves the sheet at ({place[0]:.1f}, {place[1]:.1f})", "keep it on the sheet, off cut-outs")


def _points_on_sheet(row: Table, sheet: Sheet | None, points: tuple | None) -> None:
    for place, point in enumerate(points or ()):
        if sheet and not sheet.holds(point):
            row.fault(("at", place), f"({point[0]:g}, {point[1]:g}) is not on the sheet", "move it onto the sheet")


def _point_on_sheet(row: Table, sheet: Sheet | None, point: tuple | None) -> None:
    if sheet and point and not sheet.holds(point):
        row.fault("at", f"({point[0]:g}, {point[1]:g}) is not on the sheet", "move it onto the sheet, off cut-outs")


# --- loads and demands -----------------------------------------------------------------------------------------

LOAD_KEYS = {
    "pressure": Keys(("case", "kind", "value"), ("polygon",)),
    "patch": Keys(("case", "kind", "value", "at", "size")),
    "line": Keys(("case", "kind", "value", "path"), ("direction",)),
    "inertia": Keys(("case", "kind", "g")),
}
LOAD_VALUE = {
    "pressure": Range(-1.0, 1.0, "MPa", cure="MPa: 500 Pa is 0.0005, 1 kPa is 0.001"),
    "patch": Range(-1e5, 1e5, "N"),
    "line": Range(-1e3, 1e3, "N/mm"),
    "inertia": Range(-1e5, 1e5),
}
DEMAND_KEYS = {
    "deflection": Keys(("kind", "case", "limit")),
    "softness": Keys(("kind", "force", "limit")),
    "frequency": Keys(("kind", "limit")),
    "buckling": Keys(("kind", "case", "limit")),
    "stress": Keys(("kind", "case", "limit")),
}
FACTOR = Range(-100.0, 100.0)
WORST = "worst"
NO_LOADS = "there are no [[load]] tables"


def load(row: Table, sheet: Sheet | None) -> Load | None:
    """[[load]]: case, kind and what that kind takes; a positive value pushes toward -z, onto the up face."""
    case = row.text("case", None)
    kind = row.choice("kind", LOAD_KINDS)
    value = row.number("value", LOAD_VALUE.get(kind, Range(-1e5, 1e5)), 0.0)
    polygon = ring_of(row, "polygon")
    at = _place(row)
    size = row.numbers("size", Range(1.0, 10_000.0, "mm"), None, count=2)
    path = row.points("path", None)
    direction = row.numbers("direction", Range(-1e6, 1e6), (0.0, 0.0, -1.0), count=3)
    g = row.numbers("g", Range(-100.0, 100.0, "g"), (0.0, 0.0, 0.0), count=3)
    row.close("a load")
    if kind is None and "case" not in row.data:
        row.fault("case", "is missing", "a load needs it: loads of one case act together")
    if kind:
        row.restrict(f"a load of kind {kind}", *LOAD_KEYS[kind])
    if "value" in row.data and value == 0:
        row.fault("value", "is 0, which is no load", "leave the load out")
    if direction and not any(direction):
        row.fault("direction", "has no length", "[0, 0, -1] pushes onto the up face")
    if "g" in row.data and g and not any(g):
        row.fault("g", "is 0, which is no load", "[0, 0, -3] is three times gravity toward the down face")
    _on_sheet(row, sheet, path)
    if sheet and polygon and not sheet.covers(polygon):
        row.fault("polygon", "reaches over the outline", "keep it on the sheet")
    if sheet and at and size:
        _patch_on_sheet(row, sheet, at, size)
    if not row.ok:
        return None
    length = math.hypot(*direction)
    return Load(case, kind, value, polygon, at, size, path, tuple(d / length for d in direction), g)


def _place(row: Table) -> tuple[float, float] | None:
    """`at` of a patch: a point, or None for "worst"."""
    value = row.data.get("at")
    if not isinstance(value, str):
        return row.point("at", None)
    row.choice("at", (WORST,))
    return None


def _patch_on_sheet(row: Table, sheet: Sheet, at: tuple, size: tuple) -> None:
    if not sheet.covers(open_ring(circle_ring(at[0], at[1], 2 * ON_SHEET))):
        row.fault("at", f"({at[0]:g}, {at[1]:g}) lies outside the outline", "move it onto the sheet")
    elif (share := sheet.share(at, size)) < 0.5:
        row.fault("size", f"{share:.0%} of the patch is on the sheet", "at least half must be; move or shrink it")


def combination(row: Table, cases: list[str]) -> Combination | None:
    """[[combination]]: case, and `of` with a factor for each load case it is made of."""
    case = row.text("case")
    of = row.table("of")
    if "of" not in row.data:
        row.fault("of", "is missing", "give factors by case: of = {wind = 1.0, foot = 1.2}")
    row.close("a combination")
    if case in cases:
        row.fault("case", f'"{case}" is the case of a load', "give the combination its own name")
    factors = {name: of.number(name, FACTOR) for name in of.data} if of else {}
    for name in factors:
        if of and name not in cases:
            of.fault(name, "is the case of no load", likeness(name, cases) or NO_LOADS)
    if of and not factors:
        row.fault("of", "is empty", "name at least one case")
    return Combination(case, tuple(factors.items())) if row.ok else None


def demand(row: Table, cases: list[str]) -> Demand | None:
    """[[demand]]: kind, limit, and case or force as the kind asks."""
    kind = row.choice("kind", DEMAND_KINDS)
    limit = row.number("limit", LIMIT, None)
    case = row.text("case", None)
    force = row.number("force", Range(0.0, 1e5, "N", above=True), None)
    row.close("a demand")
    if kind:
        row.restrict(f"a demand of kind {kind}", *DEMAND_KEYS[kind])
    if case is not None and case not in cases:
        row.fault("case", f'"{case}" is the case of no load', likeness(case, cases) or NO_LOADS)
    return Demand(kind, limit, case, force) if row.ok else None


# --- things on the sheet ---------------------------------------------------------------------------------------


def mass(row: Table, sheet: Sheet | None) -> PointMass | None:
    """[[mass]]: at, kg; optional what."""
    at = row.point("at")
    kg = row.number("kg", Range(0.0, 1000.0, "kg", above=True))
    what = row.text("what", "")
    row.close("a mass")
    _point_on_sheet(row, sheet, at)
    return PointMass(at, kg, what) if row.ok else None


def off_flat(row: Table, sheet: Sheet | None) -> OffFlat | None:
    """[[out_of_flat]]: at, height, mm, + toward up."""
    at = row.point("at")
    height = row.number("height", Range(-50.0, 50.0, "mm"))
    row.close("a measured place")
    _point_on_sheet(row, sheet, at)
    return OffFlat(at, height) if row.ok else None


def trim(row: Table, sheet: Sheet | None) -> Trim | None:
    """[[trim]]: along = "outline" or path, kg_per_metre; optional stiffness (EI, N mm2), what."""
    row.choice("along", (OUTLINE,), None)
    path = row.points("path", None)
    weight = row.number("kg_per_metre", Range(0.0, 100.0, "kg/m"))
    stiffness = row.number("stiffness", Range(0.0, 1e13, "N mm2"), 0.0)
    what = row.text("what", "")
    row.close("a trim")
    _one_line(row, "a trim")
    _on_sheet(row, sheet, path)
    return Trim(weight, path, stiffness, what) if row.ok else None


def bead(row: Table, sheet: Sheet | None, tools: Tools | None, bead_side: str | None) -> Bead | None:
    """[[bead]]: die, path; optional side, fixed, open (the ends that run over the edge: start, stop, both)."""
    die = _die(row, tools.bead_dies if tools else None, "bead")
    path = row.points("path")
    side = _side(row, bead_side)
    fixed = row.flag("fixed", False)
    ends = ENDS.get(row.choice("open", ENDS, "none"), ENDS["none"])
    row.close("a bead")
    _on_sheet(row, sheet, path)
    if path:
        _open_on_edge(row, sheet, path, ends)
    return Bead(die, path, side, fixed, ends) if row.ok and tools else None


def _open_on_edge(row: Table, sheet: Sheet | None, path: tuple, ends: tuple[bool, bool]) -> None:
    """Tell of an open end that does not lie on the outline."""
    if any(ends) and path[0] == path[-1]:
        return row.fault("open", "has no meaning for a closed frame", "leave it out")
    for place, is_open in zip((0, -1), ends, strict=True):
        if is_open and sheet and not sheet.on_edge(path[place]):
            x, y = path[place]
            cure = "let the path end on the outline, or leave the key out"
            row.fault("path", f"has an open end at ({x:g}, {y:g}), which is not on the edge", cure)
    return None


def hole(row: Table, sheet: Sheet | None, tools: Tools | None, bead_side: str | None) -> Hole | None:
    """[[hole]]: die, at; optional side, fixed."""
    die = _die(row, tools.hole_dies if tools else None, "hole")
    at = row.point("at")
    side = _side(row, bead_side)
    fixed = row.flag("fixed", False)
    row.close("a hole")
    _point_on_sheet(row, sheet, at)
    return Hole(die, at, side, fixed) if row.ok and tools else None


def _die(row: Table, dies: Sequence[BeadDie] | Sequence[HoleDie] | None, noun: str) -> Value:
    """The die that the row names among those of the tools; None too where the tools are themselves at fault."""
    name = row.text("die")
    if name is None or dies is None:
        return None
    known = {die.name: die for die in dies}
    if name not in known:
        cure = likeness(name, known) or f"the tools have no {noun} dies"
        return row.fault("die", f'"{name}" is no {noun} die of the tools', cure)
    return known[name]


def _side(row: Table, bead_side: str | None) -> Value:
    """The face; where none is given the one that bead_side allows, up if both."""
    side = row.choice("side", SIDES, bead_side if bead_side in SIDES else "up")
    if side and bead_side in SIDES and side != bead_side:
        cure = f'side = "{bead_side}", or panel.bead_side = "either"'
        return row.fault("side", f'is "{side}", but the panel allows beads on the {bead_side} face only', cure)
    return side

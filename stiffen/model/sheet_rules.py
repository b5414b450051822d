"""Rules between the records of one panel: positions relative to the sheet, and names of load cases.

Each findings function returns the faults that it finds as (path below the record, what is wrong, cure); its
docstring says which faults it looks for.  A panel checks itself by these functions when it is made; the reader of panel
files calls them table by table.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from shapely.geometry import MultiPoint

from .layout import SIDES
from .sheet_geometry import ON_SHEET_TOLERANCE, XY, Ring, SheetGeometry, circle_ring, open_ring
from .value_rules import Finding, show_value, suggestion

MIN_SHEET_LENGTH, MAX_SHEET_LENGTH = (
    50.0,
    10_000.0,
)  # mm, of the longer side of a sheet: a shorter one is too small for beads
MIN_SHEET_WIDTH = 1.0  # mm, its shorter side
MIN_PATCH_COVER = 0.5  # least fraction of a patch load's area that lies on the sheet
MIN_MEASURED_AREA = 1.0  # mm2, least area that flatness readings span: nearly collinear places define no surface
NO_LOADS_CURE = "there are no [[load]] tables"


# --- the sheet -------------------------------------------------------------------------------------------------


def size_findings(ring: Ring, unit: str) -> list[Finding]:
    """A sheet so small or large that its unit must be wrong.  unit: says where the unit comes from, for the cure."""
    w, h = (max(p[k] for p in ring) - min(p[k] for p in ring) for k in (0, 1))
    if MIN_SHEET_LENGTH <= max(w, h) <= MAX_SHEET_LENGTH and min(w, h) >= MIN_SHEET_WIDTH:
        return []
    if max(w, h) > MAX_SHEET_LENGTH:
        factor, name = (0.001, "micrometres") if max(w, h) > 1e5 else (1 / 25.4, "mm but marked as inches")
    else:
        factor, name = (1000.0, "metres") if max(w, h) < 10 else (25.4, "inches")
    guess = f"; drawn in {name} it would be {w * factor:.0f} x {h * factor:.0f} mm"
    limits = f"a sheet is {MIN_SHEET_LENGTH:g} to {MAX_SHEET_LENGTH:g} mm long and at least {MIN_SHEET_WIDTH:g} mm wide"
    return [((), f"is {w:.6g} x {h:.6g} mm; {limits}", unit + guess)]


def fold_findings(sheet: SheetGeometry, line: Sequence[XY]) -> list[Finding]:
    """A fold line that does not divide the sheet in two."""
    if (parts := sheet.count_parts(line)) == 2:
        return []
    what = "does not divide the sheet" if parts < 2 else f"cuts the sheet into {parts} parts"
    return [(("line",), what, "a fold line runs from edge to edge, right across the sheet, once")]


# --- things on the sheet ---------------------------------------------------------------------------------------


def path_findings(sheet: SheetGeometry, path: Sequence[XY] | None) -> list[Finding]:
    """A path that leaves the sheet."""
    place = sheet.first_exit(path) if path else None
    if place is None:
        return []
    return [(("path",), f"leaves the sheet at ({place[0]:.1f}, {place[1]:.1f})", "keep it on the sheet, off cut-outs")]


def centre_findings(sheet: SheetGeometry, centres: Iterable[XY] | None) -> list[Finding]:
    """Centres of fasteners that are not on the sheet."""
    off = ((place, point) for place, point in enumerate(centres or ()) if not sheet.contains(point))
    return [(("at", place), f"({x:g}, {y:g}) is not on the sheet", "move it onto the sheet") for place, (x, y) in off]


def point_findings(sheet: SheetGeometry, point: XY | None) -> list[Finding]:
    """A place that is not on the sheet."""
    if not point or sheet.contains(point):
        return []
    return [(("at",), f"({point[0]:g}, {point[1]:g}) is not on the sheet", "move it onto the sheet, off cut-outs")]


def load_findings(
    sheet: SheetGeometry, path: Sequence[XY] | None, polygon: Ring | None, at: XY | None, size: XY | None
) -> list[Finding]:
    """A patch load with over half its area off the sheet; a line load or pressure polygon that leaves the sheet."""
    found = path_findings(sheet, path)
    if polygon and not sheet.outline_covers(polygon):
        found.append((("polygon",), "reaches over the outline", "keep it on the sheet"))
    if at and size:
        found += _patch_findings(sheet, at, size)
    return found


def _patch_findings(sheet: SheetGeometry, at: XY, size: XY) -> list[Finding]:
    if not sheet.outline_covers(open_ring(circle_ring(at[0], at[1], 2 * ON_SHEET_TOLERANCE))):
        return [(("at",), f"({at[0]:g}, {at[1]:g}) lies outside the outline", "move it onto the sheet")]
    if (share := sheet.covered_fraction(at, size)) < MIN_PATCH_COVER:
        return [(("size",), f"{share:.0%} of the patch is on the sheet", "at least half must be; move or shrink it")]
    return []


def keep_out_findings(sheet: SheetGeometry, polygon: Ring) -> list[Finding]:
    """A keep-out that lies off the sheet altogether."""
    if sheet.intersects(polygon):
        return []
    return [(("polygon",), "lies off the sheet altogether", "check its coordinates")]


def open_end_findings(sheet: SheetGeometry | None, path: Sequence[XY], ends: tuple[bool, bool]) -> list[Finding]:
    """An open end of a bead that does not lie on the outline."""
    if any(ends) and path[0] == path[-1]:
        return [(("open",), "has no meaning for a closed frame", "leave it out")]
    found: list[Finding] = []
    for place, is_open in zip((0, -1), ends, strict=True):
        if is_open and sheet and not sheet.on_edge(path[place]):
            x, y = path[place]
            cure = "let the path end on the outline, or leave the key out"
            found.append((("path",), f"has an open end at ({x:g}, {y:g}), which is not on the edge", cure))
    return found


def side_findings(bead_side: str | None, side: str | None) -> list[Finding]:
    """A bead or hole on a face that the panel does not allow."""
    if not side or bead_side not in SIDES or side == bead_side:
        return []
    what = f'is "{side}", but the panel allows beads on the {bead_side} face only'
    return [(("side",), what, f'side = "{bead_side}", or panel.bead_side = "either"')]


def flatness_findings(places: Sequence[XY]) -> list[Finding]:
    """Flatness readings that define no surface: fewer than three places, all in one line, or a place twice."""
    if not places:
        return []
    if len(set(places)) < len(places):
        return [((), "has a place twice", "give each place once")]
    if MultiPoint(list(places)).convex_hull.area < MIN_MEASURED_AREA:
        return [((), "defines no surface", "measure three places and more, not in one line, the corners too")]
    return []


# --- cases -----------------------------------------------------------------------------------------------------


def combination_findings(case: str | None, factors: Iterable[str], cases: Sequence[str]) -> list[Finding]:
    """A combination that has the name of a load case, or that adds cases that no load has."""
    found: list[Finding] = []
    if case in cases:
        found.append((("case",), f'"{case}" is the case of a load', "give the combination its own name"))
    for name in factors:
        if name not in cases:
            found.append((("of", name), "is the case of no load", suggestion(name, cases) or NO_LOADS_CURE))
    return found


def repeated_findings(combined: Sequence[str]) -> list[Finding]:
    """Two combinations of one name."""
    repeated = {name for name in combined if combined.count(name) > 1}
    if not repeated:
        return []
    return [((), f"has {show_value(min(repeated))} more than once", "give each combination its own name")]


def demand_findings(case: str | None, cases: Sequence[str]) -> list[Finding]:
    """A demand on a case that neither a load nor a combination has."""
    if case is None or case in cases:
        return []
    return [(("case",), f'"{case}" is the case of no load', suggestion(case, cases) or NO_LOADS_CURE)]

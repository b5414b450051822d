"""Folds: bend allowance, flat pattern for given flange sizes and the reverse, reliefs where folds meet.

mm, degrees.  The angle of a bend is the angle through which the sheet is turned, 0 for flat.  Flanges are measured on
the outside, to the mould line, in which the outer faces would meet if the bend were sharp.

Sources: FAA AC 43.13-1B (1998), par. 4-56 and table 4-7, for setback; FAA-H-8083-31, Aviation Maintenance Technician
Handbook, Airframe, vol. 1, chapter 4, for flats, blank and relief holes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import split

from stiffen.errors import Fault, InputError
from stiffen.model.panel import Fold, Panel
from stiffen.model.tools import FoldingBrake

MIN_FLAT_THICKNESSES = 2.5  # flat of a flange beyond the bend over the sheet's thickness: common practice, no source
ROUND_RADIUS_RATIO = 5.0  # inside radius over thickness, above which a bend is made round a tube: common practice
SMALL_RELIEF_MAX_THICKNESS = 1.63  # mm; thicker sheet needs a relief hole of 3/16 inch instead of 1/8 inch


@dataclass(frozen=True)
class Bend:
    """A bend: angle in degrees (over 0, under 180, up or down alike) and inside radius, mm."""

    angle: float
    radius: float


@dataclass(frozen=True)
class FlatPattern:
    """A flat strip to be folded, mm: its length, the middle line of each bend from one end, the flats between bends."""

    length: float
    bend_lines: tuple[float, ...]
    flats: tuple[float, ...]


MAX_MOULD_ANGLE = 120.0  # degrees; beyond, the mould line lies far off the metal


@dataclass(frozen=True)
class Flange:
    """The flange at a fold of a panel.

    number: of the fold, from 1.  outside: size to the mould line, mm.  flat: from the end of the bend to the edge or to
    the next bend, mm; 0 or negative if there is no room.  allowance, setback: of its own bend, mm.
    """

    number: int
    outside: float
    flat: float
    allowance: float
    setback: float


def is_round_bend(radius: float, t: float) -> bool:
    """True if a bend is too wide for a brake's nose: it is made round a tube, and is a cylinder in the shell model."""
    return radius > ROUND_RADIUS_RATIO * t


def setback(angle: float, radius: float, t: float) -> float:
    """mm from the mould line to where the bend begins, K (R + t) with K = tan(angle/2) (AC 43.13-1B par. 4-56)."""
    return math.tan(math.radians(angle) / 2) * (radius + t)


def bend_allowance(angle: float, radius: float, t: float, neutral: float = FoldingBrake.neutral) -> float:
    """mm of flat sheet that a bend takes: angle (R + neutral t), angle in radians.

    neutral: distance of the neutral axis from the inner face over t.  The default, 0.447, is the empirical
    (0.01743 R + 0.0078 t) per degree of the handbooks.
    """
    return math.radians(angle) * (radius + neutral * t)


def flat_pattern(
    sizes: Sequence[float], bends: Sequence[Bend], t: float, neutral: float = FoldingBrake.neutral
) -> FlatPattern:
    """The flat strip for k + 1 outside sizes with k bends between them, in order; all in mm.

    Raises InputError if a size leaves no flat beside its bends.
    """
    setbacks, allowances = _setbacks_and_allowances(sizes, bends, t, neutral)
    taken = [before + after for before, after in zip([0.0, *setbacks], [*setbacks, 0.0], strict=True)]
    flats = [size - bends_take for size, bends_take in zip(sizes, taken, strict=True)]
    faults = [
        Fault(f"size {place}", f"{size:g} mm leaves no flat beside its bends", f"more than {bends_take:.1f} mm")
        for place, (size, bends_take) in enumerate(zip(sizes, taken, strict=True), 1)
        if size <= bends_take
    ]
    if faults:
        raise InputError(faults)
    lines, reached = [], 0.0
    for flat, allowance in zip(flats, allowances, strict=False):
        lines.append(reached + flat + allowance / 2)
        reached += flat + allowance
    return FlatPattern(reached + flats[-1], tuple(lines), tuple(flats))


def outside_sizes(
    length: float, lines: Sequence[float], bends: Sequence[Bend], t: float, neutral: float = FoldingBrake.neutral
) -> tuple[float, ...]:
    """The reverse of `flat_pattern`: outside sizes of a strip of given length, folded at given lines.

    lines: the middle of each bend, mm from one end.  Raises InputError if two bends overlap, or one runs over an end.
    """
    marks = [0.0, *lines, length]
    setbacks, allowances = _setbacks_and_allowances(marks[1:], bends, t, neutral)
    half = [0.0, *(allowance / 2 for allowance in allowances), 0.0]
    flats = [b - a - half[i] - half[i + 1] for i, (a, b) in enumerate(zip(marks, marks[1:], strict=False))]
    faults = [
        Fault(f"flat {place}", f"the bends beside it need {-flat:.1f} mm more", "move the lines apart")
        for place, flat in enumerate(flats, 1)
        if flat < 0
    ]
    if faults:
        raise InputError(faults)
    return tuple(
        flat + before + after for flat, before, after in zip(flats, [0.0, *setbacks], [*setbacks, 0.0], strict=True)
    )


def _setbacks_and_allowances(
    sizes: Sequence[float], bends: Sequence[Bend], t: float, neutral: float
) -> tuple[list[float], list[float]]:
    """Setbacks and allowances of the bends, mm.

    Raises InputError for impossible angles or radii, and if there is not one bend fewer than sizes.
    """
    faults = []
    if len(sizes) != len(bends) + 1:
        faults.append(Fault("bends", f"{len(bends)} for {len(sizes)} sizes", "one bend fewer than sizes"))
    for place, bend in enumerate(bends, 1):
        if not (0 < bend.angle < 180 and 0 <= bend.radius < math.inf):
            what = f"angle {bend.angle:g} degrees, radius {bend.radius:g} mm"
            faults.append(Fault(f"bend {place}", what, "an angle over 0 and under 180, a radius of 0 or more"))
    if faults:
        raise InputError(faults)
    return (
        [setback(bend.angle, bend.radius, t) for bend in bends],
        [bend_allowance(bend.angle, bend.radius, t, neutral) for bend in bends],
    )


# ------------------------------------------------------------------------------------------------- limits and reliefs


def least_flat(t: float, brake_minimum: float = 0.0) -> float:
    """Least flat of a flange beyond its bend, mm: the brake's minimum, or 2.5 t (common practice, no source)."""
    return brake_minimum or MIN_FLAT_THICKNESSES * t


def least_flange(angle: float, radius: float, t: float, brake_minimum: float = 0.0) -> float:
    """Least outside size of a flange, mm: setback and `least_flat`."""
    return setback(angle, radius, t) + least_flat(t, brake_minimum)


def relief_hole(radius: float, t: float) -> float:
    """Diameter (mm) of the relief hole where two bends meet; its centre is where their inner tangent lines cross.

    Twice the bend radius, and at least 1/8 inch for sheet up to 0.064 inch, 3/16 inch for thicker (FAA-H-8083-31).
    """
    return max(2 * radius, 3.2 if t <= SMALL_RELIEF_MAX_THICKNESS else 4.8)


def relief_slot(radius: float, t: float) -> tuple[float, float]:
    """Least width and depth (mm) of the slot beside a flange that ends within an edge: 0.5 t and R + t + 0.5.

    Common practice, no source.
    """
    return 0.5 * t, radius + t + 0.5


# ------------------------------------------------------------------------------------------------------ of a panel


def flanges(panel: Panel, t: float) -> tuple[Flange, ...]:
    """The flange at each fold of a panel, measured square to the middle of the fold line.

    A fold line is the middle of its bend in the flat sheet.
    """
    neutral = panel.tools.folding_brake.neutral
    found = []
    for number, fold in enumerate(panel.folds, 1):
        wide, beyond = _flange_extent(panel, fold)
        angle = abs(fold.angle)
        own, back = bend_allowance(angle, fold.radius, t, neutral), setback(angle, fold.radius, t)
        flat, outer = wide - own / 2, back
        if beyond is not None:
            flat -= bend_allowance(abs(beyond.angle), beyond.radius, t, neutral) / 2
            outer += setback(abs(beyond.angle), beyond.radius, t)
        found.append(Flange(number, flat + outer, flat, own, back))
    return tuple(found)


def folded_base_size(panel: Panel, t: float) -> tuple[float, float] | None:
    """Outside size of the part between the flanges along x and y, mm, to the mould lines of its folds.

    Each fold along an edge of that part adds its setback and takes half of its allowance, because a fold line is the
    middle of its bend.  None without folds, and if a fold of that part runs aslant or turns by more than 120 degrees.
    """
    if not panel.folds:
        return None
    base, neutral = Polygon(panel.outline), panel.tools.folding_brake.neutral
    lines = []
    for fold in panel.folds:
        start, end = np.array(fold.line, dtype=float)
        along = (end - start) / np.linalg.norm(end - start)
        lines.append(LineString([start - along, end + along]))
        base = max(split(base, lines[-1]).geoms, key=lambda part: part.area)
    x0, y0, x1, y1 = base.bounds
    size = [x1 - x0, y1 - y0]
    for fold, line in zip(panel.folds, lines, strict=True):
        if base.exterior.intersection(line.buffer(0.01)).length < 1.0:
            continue  # a fold of a flange
        (ax, ay), (bx, by) = fold.line
        aslant = min(abs(bx - ax), abs(by - ay)) > 0.01 * math.dist(*fold.line)
        if aslant or abs(fold.angle) > MAX_MOULD_ANGLE:
            return None
        across = 0 if abs(bx - ax) < abs(by - ay) else 1
        angle = abs(fold.angle)
        size[across] += setback(angle, fold.radius, t) - bend_allowance(angle, fold.radius, t, neutral) / 2
    return size[0], size[1]


def fold_crossings(panel: Panel) -> tuple[tuple[int, int, tuple[float, float]], ...]:
    """Pairs of folds whose lines cross or meet on the sheet or at its edge: both numbers, from 1, and the point."""
    sheet = panel.region.buffer(1.0)
    found = []
    for (i, a), (j, b) in combinations(enumerate(panel.folds, 1), 2):
        place = _crossing_point(a, b)
        if place is not None and sheet.covers(Point(place)):
            found.append((i, j, place))
    return tuple(found)


def _flange_extent(panel: Panel, fold: Fold) -> tuple[float, Fold | None]:
    """mm from the middle of a fold line to the end of its flange, and the fold that ends it (None: the edge)."""
    sheet = Polygon(panel.outline)
    start, along = np.array(fold.line[0], float), np.subtract(fold.line[1], fold.line[0])
    along = along / np.linalg.norm(along)
    reach = 2 * sum(np.subtract(sheet.bounds[2:], sheet.bounds[:2]))
    line = LineString([start - reach * along, start + reach * along])
    across = np.array([-along[1], along[0]])
    on_sheet = LineString(fold.line).intersection(sheet)
    middle = np.array(on_sheet.interpolate(0.5, normalized=True).coords[0]) if not on_sheet.is_empty else start
    sides = {1: 0.0, -1: 0.0}
    for part in split(sheet, line).geoms:
        sides[1 if (np.array(part.representative_point().coords[0]) - start) @ across > 0 else -1] += part.area
    out = across * min(sides, key=sides.__getitem__)
    ray = LineString([middle, middle + reach * out])
    ends: list[tuple[float, Fold | None]] = [
        (Point(middle).distance(sheet.exterior.intersection(LineString([middle + 1e-6 * out, ray.coords[1]]))), None)
    ]
    for other in panel.folds:
        met = LineString(other.line).intersection(ray)
        if other is not fold and not met.is_empty:
            ends.append((Point(middle).distance(met), other))
    return min(ends, key=lambda end: end[0])


def _crossing_point(a: Fold, b: Fold) -> tuple[float, float] | None:
    """The point in which two fold lines cross, each extended by at most 1 mm; None if they do not."""
    p, r = np.array(a.line[0], float), np.subtract(a.line[1], a.line[0])
    q, s = np.array(b.line[0], float), np.subtract(b.line[1], b.line[0])
    cross = r[0] * s[1] - r[1] * s[0]
    if abs(cross) < 1e-9 * np.linalg.norm(r) * np.linalg.norm(s):
        return None
    gap = q - p
    place = p + r * (gap[0] * s[1] - gap[1] * s[0]) / cross
    reached = all(LineString(fold.line).distance(Point(place)) <= 1.0 for fold in (a, b))
    return (float(place[0]), float(place[1])) if reached else None

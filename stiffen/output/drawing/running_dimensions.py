"""Running dimensions of a face: what to measure from the datum corner, as a person marks it.

Places at one pitch, of beads or of holes, are told as start, pitch and count, as in "5 x 65 = 325".  Where a face is
its own mirror image about a centre line, one half is measured and the centre line is told.  mm.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from shapely.geometry import Polygon

from stiffen.shop.marking_out.distinct_dimensions import MIN_PROGRESSION, longest_progression
from stiffen.shop.marking_out.hole_rows import HoleRow, hole_rows

from .bench_view import FaceView, mark_points, number_ranges
from .primitives import XY

Name = tuple[str, int]
CENTRE_LINE = "centre line"
MIRRORED = 0.35  # mm: how far a place may lie from the image of another


@dataclass(frozen=True)
class RunningDimension:
    """One running dimension.  value: mm from the datum.  at: the point measured.  text: its name and the value.

    row: "5 x 65 = 325" at the first of some places at one pitch, else "".  starts: that of each row that begins here,
    and where it does.
    """

    value: float
    at: XY
    text: str
    row: str = ""
    starts: tuple[tuple[str, XY], ...] = ()


@dataclass(frozen=True)
class _Place:
    """One value along an axis (mm from the datum): what lies there, and the point nearest to the edge."""

    value: float
    names: tuple[Name, ...]
    at: XY

    @property
    def kinds(self) -> frozenset[str]:
        return frozenset(kind for kind, _ in self.names)


def running_dimensions(view: FaceView, along: int) -> tuple[RunningDimension, ...]:
    """Running dimensions along X (along=0) or Y (along=1), in rising order on the drawing.

    They measure every mark point of the beads rolled with this face up, every hole and every circular cut-out.  An arc
    is measured to its centre if that lies on the rough blank, else to its middle.  Points with the same value share one
    dimension, drawn to the point nearest to the edge where it stands.  Of places at one pitch the first tells the row
    and the last is a check.
    """
    places = _places(view, along)
    rows = _rows(view, places, along)
    heads: dict[_Place, list[_Row]] = defaultdict(list)
    covered: dict[_Place, set[Name]] = defaultdict(set)
    interior: dict[_Place, set[Name]] = defaultdict(set)
    for row in rows:
        heads[row.places[0]].append(row)
        for place in row.places:
            covered[place] |= row.names & set(place.names)
        for place in row.places[1:-1]:
            interior[place] |= row.names & set(place.names)
    x0, y0, x1, y1 = Polygon(view.panel.outline).bounds
    middle = ((x1 - x0) / 2, (y1 - y0) / 2)[along]
    in_rows = {place for place in places if covered[place] == set(place.names)}
    centre = _mirrored_half(places, in_rows, middle)
    out = []
    for place in places:
        if interior[place] == set(place.names):
            continue
        if centre and place not in in_rows and place.value > middle + MIRRORED:
            continue
        begin = sorted(heads[place], key=lambda row: sorted(row.names))
        told = "; ".join(
            row.text if len(begin) == 1 else f"{number_ranges(sorted(row.names))} {row.text}" for row in begin
        )
        text = f"{number_ranges(place.names)}   {place.value + 0.0:.1f}" + (f", {told}" if told else "")
        starts = tuple((row.text, row.at) for row in begin)
        out.append(RunningDimension(place.value, place.at, text, told, starts))
    if centre:
        at = (view.datum[0] + view.x_sign * middle, y0) if along == 0 else (x0 if view.x_sign > 0 else x1, y0 + middle)
        out.append(RunningDimension(middle, at, f"{CENTRE_LINE}, then mirrored   {middle:.1f}"))
    return tuple(sorted(out, key=lambda one: one.at[along]))


def _places(view: FaceView, along: int) -> list[_Place]:
    """Measured places, rising."""
    groups: dict[float, list[tuple[Name, XY]]] = defaultdict(list)
    for name, at in _named_points(view):
        groups[_value(view, at, along)].append((name, at))
    return [
        _Place(value, tuple(name for name, _ in group), min((at for _, at in group), key=lambda at: at[1 - along]))
        for value, group in sorted(groups.items())
    ]


@dataclass(frozen=True)
class _Row:
    """Places at one pitch, rising, the beads or holes that stand there, and the point of the first."""

    places: tuple[_Place, ...]
    names: frozenset[Name]
    at: XY

    @property
    def text(self) -> str:
        """Steps and pitch, as "5 x 65 = 325"."""
        steps, whole = len(self.places) - 1, round(self.places[-1].value - self.places[0].value, 1)
        return f"{steps} x {round(whole / steps, 1):g} = {whole:g}"


def _rows(view: FaceView, places: list[_Place], along: int) -> list[_Row]:
    """Rows of three or more places at one pitch: of beads, of holes on one line, or of equal rows of holes."""
    left = {place.value: place for place in places if place.kinds == {""}}
    rows = []
    while run := longest_progression(sorted(left)):
        members = tuple(left.pop(value) for value in run)
        rows.append(_Row(members, frozenset(name for place in members for name in place.names), members[0].at))
    by_value = {place.value: place for place in places}
    number = {hole.at: ("H", k) for k, hole in enumerate(view.layout.holes, 1)}
    alike: dict[tuple, list[HoleRow]] = defaultdict(list)
    for row in hole_rows(view.layout.holes):
        if row.direction in (0.0, 90.0):
            lengthwise = int(row.direction == 90.0)
            alike[lengthwise, tuple(sorted(_value(view, hole.at, lengthwise) for hole in row.holes))].append(row)
    for (lengthwise, values), found in alike.items():
        names = frozenset(number[hole.at] for row in found for hole in row.holes)
        if lengthwise != along:
            values = tuple(longest_progression(sorted({_value(view, row.start, along) for row in found})))
        if len(values) >= MIN_PROGRESSION:
            first = min((hole.at for row in found for hole in row.holes), key=lambda at: _value(view, at, along))
            rows.append(_Row(tuple(by_value[value] for value in values), names, first))
    return rows


def _value(view: FaceView, at: XY, along: int) -> float:
    """Place of a point along an axis, from the datum, mm to 0.1."""
    return round(view.from_datum(at)[along], 1) + 0.0


def _mirrored_half(places: list[_Place], in_rows: set[_Place], middle: float) -> bool:
    """True if the places outside rows are the images of each other about the middle, and that saves dimensions."""
    single = [place for place in places if place not in in_rows]
    beyond = [place for place in single if place.value > middle + MIRRORED]
    return len(beyond) > 1 and all(
        any(abs(2 * middle - place.value - other.value) <= MIRRORED and place.kinds == other.kinds for other in single)
        for place in single
    )


def _named_points(view: FaceView) -> list[tuple[Name, XY]]:
    """(kind, number) and position of every measured point."""
    beads = [
        (("", number), point.centre if point.centre and view.within_reach(point.centre) else point.at)
        for number, bead in enumerate(view.layout.beads, 1)
        if view.is_rolled_here(bead)
        for point in mark_points(bead)
    ]
    holes = [(("H", number), hole.at) for number, hole in enumerate(view.layout.holes, 1)]
    cutouts = [(("C", n), cutout.circle[:2]) for n, cutout in enumerate(view.panel.cutouts, 1) if cutout.circle]
    return [*beads, *holes, *cutouts]

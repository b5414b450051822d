"""Running dimensions of a face: what to measure from the datum corner, as a person marks it.

Places at one pitch, of beads or of holes, are told as start, pitch and count, as in "5 x 65 = 325".  Where a face is
its own mirror image about a centre line, one half is measured and the centre line is told.  mm.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from shapely.geometry import Polygon

from stiffen.shop.marking_out.distinct_dimensions import longest_progression

from .bench_view import FaceView, mark_points, number_ranges
from .primitives import XY

Name = tuple[str, int]
CENTRE_LINE = "centre line"
MIRRORED = 0.35  # mm: how far a place may lie from the image of another


@dataclass(frozen=True)
class RunningDimension:
    """One running dimension.  value: mm from the datum.  at: the point measured.  text: its name and the value.

    row: "5 x 65 = 325" at the first of some places at one pitch, else "".
    """

    value: float
    at: XY
    text: str
    row: str = ""


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
    rows = _rows(places)
    within = {place for row in rows for place in row[1:-1]}
    heads = {row[0]: row for row in rows}
    x0, y0, x1, y1 = Polygon(view.panel.outline).bounds
    middle = ((x1 - x0) / 2, (y1 - y0) / 2)[along]
    in_rows = {place for row in rows for place in row}
    centre = _mirrored_half(places, in_rows, middle)
    out = []
    for place in places:
        if place in within or (centre and place not in in_rows and place.value > middle + MIRRORED):
            continue
        text, row = f"{number_ranges(place.names)}   {place.value + 0.0:.1f}", ""
        if place in heads:
            row = _row_text(heads[place])
            text += f", {row}"
        out.append(RunningDimension(place.value, place.at, text, row))
    if centre:
        at = (view.datum[0] + view.x_sign * middle, y0) if along == 0 else (x0 if view.x_sign > 0 else x1, y0 + middle)
        out.append(RunningDimension(middle, at, f"{CENTRE_LINE}, then mirrored   {middle:.1f}"))
    return tuple(sorted(out, key=lambda one: one.at[along]))


def _places(view: FaceView, along: int) -> list[_Place]:
    """Measured places, rising."""
    groups: dict[float, list[tuple[Name, XY]]] = defaultdict(list)
    for name, at in _named_points(view):
        groups[round(view.from_datum(at)[along], 1) + 0.0].append((name, at))
    return [
        _Place(value, tuple(name for name, _ in group), min((at for _, at in group), key=lambda at: at[1 - along]))
        for value, group in sorted(groups.items())
    ]


def _rows(places: Iterable[_Place]) -> list[list[_Place]]:
    """Rows of three or more places at one pitch, each of beads alone or of holes alone."""
    rows = []
    by_kind: dict[frozenset, list[_Place]] = defaultdict(list)
    for place in places:
        if len(place.kinds) == 1 and place.kinds != {"C"}:
            by_kind[place.kinds].append(place)
    for kind in sorted(by_kind, key=sorted):
        left = {place.value: place for place in by_kind[kind]}
        while run := longest_progression(sorted(left)):
            rows.append([left.pop(value) for value in run])
    return rows


def _row_text(row: list[_Place]) -> str:
    """Steps and pitch of a row, as "5 x 65 = 325"."""
    whole = round(row[-1].value - row[0].value, 1)
    return f"{len(row) - 1} x {round(whole / (len(row) - 1), 1):g} = {whole:g}"


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

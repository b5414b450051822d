"""The sheet as seen at the bench: its two faces, the numbers and mark points of its beads, the rough cut.

The "up" face is shown in plan coordinates.  The "down" face is shown mirrored left to right within the same bounds, as
it looks after the sheet is turned over.  Positions are measured from the datum corner: least x and least y of the
finished outline on the "up" face.  On the "down" face the same corner lies at the right, and X runs to the left.
All lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np
from shapely.geometry import Point, Polygon

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Load, Panel, Support
from stiffen.shop.process_plan import ProcessPlan, plan_for

from .primitives import XY

END_NAMES = "start", "stop"
ARC_TOLERANCE = 0.3  # mm from a curve to the arcs that describe it: a scribed line's width (common practice, no source)
MIRRORED_SIDE = {"left": "right", "right": "left", None: None}


def plural(items: Sequence, noun: str) -> str:
    """Count and noun, such as '1 bead' or '3 beads'."""
    return f"{len(items)} {noun}{'' if len(items) == 1 else 's'}"


def number_ranges(names: Sequence[tuple[str, int]]) -> str:
    """(kind, number) pairs as '1-3, H2, H5-H7'."""
    parts: list[str] = []
    for kind, group in groupby(sorted(set(names)), key=lambda name: name[0]):
        numbers = [number for _, number in group]
        for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
            row = [number for _, number in run]
            last = [] if len(row) == 1 else [f"{kind}{row[-1]}"]
            parts.append(("-" if len(row) > 2 else ", ").join([f"{kind}{row[0]}", *last]))
    return ", ".join(parts)


def datum_corner(panel: Panel) -> XY:
    """Plan point from which all sizes are measured: least x and least y of the finished outline."""
    x, y, _, _ = Polygon(panel.outline).bounds
    return x, y


def rolled_faces(layout: Layout) -> tuple[str, ...]:
    """Faces that lie up in the roller: "up", and also "down" if beads stand proud on both faces.

    Beads that all stand proud on one face are rolled with the "up" face up; the place of the raised roll, below or on
    top, decides on which face they stand.
    """
    return ("up", "down") if len({bead.side for bead in layout.beads}) == 2 else ("up",)


def stands_on(layout: Layout, face: str) -> bool:
    """True if a bead or a flared hole stands proud on this face."""
    return any(bead.side == face for bead in layout.beads) or any(hole.side == face for hole in layout.holes)


def face_up(layout: Layout, bead: Bead) -> str:
    """The face that lies up while this bead is rolled."""
    return bead.side if len(rolled_faces(layout)) == 2 else "up"


def raised_roll(bead: Bead, face: str) -> str:
    """Place of the raised roll while `face` lies up: "below" the sheet if the bead stands proud on that face."""
    return "below" if bead.side == face else "on top"


@dataclass(frozen=True)
class MarkPoint:
    """A point to mark for a bead, in plan, and a word for the table.

    centre, radius: of the arc whose middle this point is, mm; None and 0 for any other point.
    """

    at: XY
    word: str
    centre: XY | None = None
    radius: float = 0.0


def mark_points(bead: Bead) -> tuple[MarkPoint, ...]:
    """The points to mark for a bead, from its start to its stop.

    They are its ends, its corners and the ends of its straight runs.  A curve made of many short segments is
    described by circular arcs within ARC_TOLERANCE of it: the middle of each, with centre and radius, and the points
    where two arcs meet.
    """
    path = np.asarray(bead.path, dtype=float)
    lengths = np.hypot(*np.diff(path, axis=0).T)
    straight = np.ones(len(lengths), bool) if len(path) <= 8 else lengths > 3 * np.median(lengths)
    keep = [i for i in range(len(path)) if i in (0, len(path) - 1) or straight[i - 1] or straight[i]]
    points: list[MarkPoint] = []
    ends = [
        f"{word} over the edge" if is_open else word for word, is_open in zip(END_NAMES, bead.open_ends, strict=True)
    ]
    for i, after in zip(keep, (*keep[1:], None), strict=True):
        word = ends[0] if i == 0 else "" if after is not None else "back at start" if bead.closed else ends[1]
        points.append(MarkPoint(_point(path[i]), word))
        if after is not None:
            points += _arcs(path[i : after + 1])
    return tuple(points)


def _point(at: np.ndarray) -> XY:
    return float(at[0]), float(at[1])


def _arcs(curve: np.ndarray) -> list[MarkPoint]:
    """The arcs of a curve (n, 2) without its ends; none for a straight one.  A curve that no arc fits is halved."""
    if len(curve) < 3:
        return []
    half = len(curve) // 2
    a, b, c = curve[0], curve[half], curve[-1]
    found = _circle(a, b, c)
    if found is None and math.dist(a, c) > ARC_TOLERANCE:
        (x, y), (ux, uy) = a, (c - a) / math.dist(a, c)
        if np.abs((curve[:, 0] - x) * uy - (curve[:, 1] - y) * ux).max() <= ARC_TOLERANCE:
            return []
    if found is not None:
        centre, radius = found
        if np.abs(np.hypot(*(curve - centre).T) - radius).max() <= ARC_TOLERANCE:
            return [MarkPoint(_point(b), f"curve R {radius:.0f}", _point(centre), radius)]
    return [*_arcs(curve[: half + 1]), MarkPoint(_point(b), ""), *_arcs(curve[half:])]


def _circle(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> tuple[np.ndarray, float] | None:
    """Centre and radius of the circle through three points; None if they lie on a line."""
    u, v = b - a, c - a
    cross = u[0] * v[1] - u[1] * v[0]
    if abs(cross) <= 1e-6 * math.hypot(*u) * math.hypot(*v) or not math.hypot(*u) * math.hypot(*v):
        return None
    centre = a + np.array([v[1] * (u @ u) - u[1] * (v @ v), u[0] * (v @ v) - v[0] * (u @ u)]) / (2 * cross)
    return centre, math.dist(a, centre)


@dataclass(frozen=True)
class FaceView:
    """One face of the sheet as it lies in front of you.

    panel, layout: mirrored for the "down" face; beads in rolling order.  datum: the datum corner.  x_sign: +1 if X runs
    right, -1 if it runs left.  frame_sides: for each bead, the side of its path on this face that goes to the roller's
    frame; None if the throat takes neither side.  rough_outline: the rough cut, mirrored for the "down" face.
    plan: the process plan, not mirrored.
    """

    panel: Panel
    layout: Layout
    face: str
    datum: XY
    x_sign: float
    frame_sides: tuple[str | None, ...]
    rough_outline: Polygon
    plan: ProcessPlan

    def is_rolled_here(self, bead: Bead) -> bool:
        """True if the bead is rolled with this face up."""
        return len(rolled_faces(self.layout)) == 1 or bead.side == self.face

    @property
    def raised_roll(self) -> str:
        """Place of the raised roll for the beads rolled with this face up; empty if there are none."""
        return " or ".join(
            sorted({raised_roll(bead, self.face) for bead in self.layout.beads if self.is_rolled_here(bead)})
        )

    def within_reach(self, centre: XY | None) -> bool:
        """True for the centre of an arc that lies on the rough blank, where one leg of the dividers can stand."""
        return centre is not None and bool(self.rough_outline.covers(Point(centre)))

    def from_datum(self, at: XY) -> XY:
        """X and Y of a drawn point, measured from the datum corner."""
        return self.x_sign * (at[0] - self.datum[0]), at[1] - self.datum[1]


def face_view(panel: Panel, layout: Layout, face: str = "up", plan: ProcessPlan | None = None) -> FaceView:
    """View of a layout's "up" or "down" face.  plan: the process plan of this layout; made here if None."""
    plan = plan_for(panel, layout, plan)
    if face == "up":
        return FaceView(panel, plan.layout, face, datum_corner(panel), 1.0, plan.frame_sides, plan.rough_outline, plan)
    x0, y0, x1, _ = Polygon(panel.outline).bounds
    mirrored = _mirrored_panel(panel, x0 + x1), _mirrored_layout(plan.layout, x0 + x1)
    frames = tuple(MIRRORED_SIDE[side] for side in plan.frame_sides)
    rough = Polygon(_mirrored(plan.rough_outline.exterior.coords[::-1], x0 + x1))
    return FaceView(*mirrored, face, (x1, y0), -1.0, frames, rough, plan)


def _mirrored(points: Iterable[XY] | None, mirror_sum: float) -> Any:
    """Points mirrored left to right about x = mirror_sum / 2; None stays None."""
    return None if points is None else tuple((mirror_sum - x, y) for x, y in points)


def _mirrored_layout(layout: Layout, mirror_sum: float) -> Layout:
    return replace(
        layout,
        beads=tuple(replace(bead, path=_mirrored(bead.path, mirror_sum)) for bead in layout.beads),
        holes=tuple(replace(hole, at=_mirrored([hole.at], mirror_sum)[0]) for hole in layout.holes),
    )


def _mirrored_panel(panel: Panel, mirror_sum: float) -> Panel:
    cutouts = [
        replace(
            cutout,
            ring=_mirrored(cutout.ring, mirror_sum),
            circle=cutout.circle and (mirror_sum - cutout.circle[0], *cutout.circle[1:]),
        )
        for cutout in panel.cutouts
    ]
    return replace(
        panel,
        outline=_mirrored(panel.outline, mirror_sum)[::-1],
        cutouts=tuple(cutouts),
        finished=_mirrored(panel.finished, mirror_sum),
        keep_outs=tuple(replace(one, polygon=_mirrored(one.polygon, mirror_sum)) for one in panel.keep_outs),
        folds=tuple(replace(fold, line=_mirrored(fold.line, mirror_sum)) for fold in panel.folds),
        curved_flanges=tuple(flange.mirrored(mirror_sum) for flange in panel.curved_flanges),
        supports=tuple(_mirrored_support(support, mirror_sum) for support in panel.supports),
        loads=tuple(_mirrored_load(load, mirror_sum) for load in panel.loads),
        masses=tuple(replace(mass, at=_mirrored([mass.at], mirror_sum)[0]) for mass in panel.masses),
        trims=tuple(replace(trim, path=_mirrored(trim.path, mirror_sum)) for trim in panel.trims),
        out_of_flat=tuple(replace(one, at=_mirrored([one.at], mirror_sum)[0]) for one in panel.out_of_flat),
        beads=tuple(replace(bead, path=_mirrored(bead.path, mirror_sum)) for bead in panel.beads),
        holes=tuple(replace(hole, at=_mirrored([hole.at], mirror_sum)[0]) for hole in panel.holes),
    )


def _mirrored_load(load: Load, mirror_sum: float) -> Load:
    x, y, z = load.direction
    return replace(
        load,
        polygon=_mirrored(load.polygon, mirror_sum),
        at=load.at and _mirrored([load.at], mirror_sum)[0],
        path=_mirrored(load.path, mirror_sum),
        direction=(-x, y, z),
        g=(-load.g[0], *load.g[1:]),
    )


def _mirrored_support(support: Support, mirror_sum: float) -> Support:
    return replace(support, path=_mirrored(support.path, mirror_sum), at=_mirrored(support.at, mirror_sum))

"""The sheet as it lies at the bench: its faces, the numbers and marks of its beads, the blank it is cut from.

A face is seen as it lies in front of you: the "up" face in plan coordinates, the "down" face mirrored left to right
in the same bounds.  Positions are measured from the datum corner of the finished outline: its left-most point and its
lowest, seen on the "up" face; on the "down" face the same corner lies at the right and X runs to the left.
All lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Load, Panel, Support
from stiffen.shop.process_plan import ProcessPlan, plan_for

from .primitives import XY

END_NAMES = "start", "stop"
MIRRORED_SIDE = {"left": "right", "right": "left", None: None}


def plural(items: Sequence, noun: str) -> str:
    """'1 bead', '3 beads'."""
    return f"{len(items)} {noun}{'' if len(items) == 1 else 's'}"


def number_ranges(names: Sequence[tuple[str, int]]) -> str:
    """'1-3, H2, H5-H7' of (kind, number)."""
    words: list[str] = []
    for kind, group in groupby(sorted(set(names)), key=lambda name: name[0]):
        numbers = [number for _, number in group]
        for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
            row = [number for _, number in run]
            more = [] if len(row) == 1 else [f"{kind}{row[-1]}"]
            words.append(("-" if len(row) > 2 else ", ").join([f"{kind}{row[0]}", *more]))
    return ", ".join(words)


def datum_corner(panel: Panel) -> XY:
    """Plan point from which the bench measures: left-most x and lowest y of the finished outline."""
    x, y, _, _ = Polygon(panel.outline).bounds
    return x, y


def rolled_faces(layout: Layout) -> tuple[str, ...]:
    """Faces that lie up in the roller: "up", and "down" too where beads stand proud on both.

    Beads that all stand on one face are rolled with the "up" face up; which roll goes on top decides where they stand.
    """
    return ("up", "down") if len({bead.side for bead in layout.beads}) == 2 else ("up",)


def face_up(layout: Layout, bead: Bead) -> str:
    """The face that lies up while this bead is rolled."""
    return bead.side if len(rolled_faces(layout)) == 2 else "up"


def raised_roll(bead: Bead, face: str) -> str:
    """Where the raised roll of the pair goes while `face` lies up: below the sheet if the bead stands proud on it."""
    return "below" if bead.side == face else "on top"


def mark_points(bead: Bead) -> tuple[tuple[float, float, str], ...]:
    """The points to mark for a bead: x, y (plan) and a word.

    Ends, corners and the ends of straight runs are marks; a curve drawn by many short pieces gives its middle
    point and radius only.
    """
    path = np.asarray(bead.path, dtype=float)
    lengths = np.hypot(*np.diff(path, axis=0).T)
    straight = np.ones(len(lengths), bool) if len(path) <= 8 else lengths > 3 * np.median(lengths)
    keep = [i for i in range(len(path)) if i in (0, len(path) - 1) or straight[i - 1] or straight[i]]
    found = []
    ends = [
        f"{word} over the edge" if is_open else word for word, is_open in zip(END_NAMES, bead.open_ends, strict=True)
    ]
    for i, after in zip(keep, (*keep[1:], None), strict=True):
        word = ends[0] if i == 0 else "" if after is not None else "back at start" if bead.closed else ends[1]
        found.append((float(path[i, 0]), float(path[i, 1]), word))
        if after is not None and after > i + 1:
            middle = path[(i + after) // 2]
            radius = _radius(path[i], middle, path[after])
            curve = "curve" if math.isinf(radius) else f"curve R {radius:.0f}"
            found.append((float(middle[0]), float(middle[1]), curve))
    return tuple(found)


def _radius(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    """Radius of the circle through three points."""
    (ux, uy), (vx, vy) = b - a, c - a
    twice_area = abs(ux * vy - uy * vx)
    sides = math.dist(a, b) * math.dist(b, c) * math.dist(c, a)
    return sides / (2 * twice_area) if twice_area > 1e-9 * sides else math.inf


@dataclass(frozen=True)
class FaceView:
    """One face of the sheet as it lies in front of you; `panel` and `layout` are mirrored for the "down" face.

    Beads stand in rolling order.  origin: the datum corner.  hand: +1 where X runs right, -1 where it runs left.
    frames: for each bead the side of its path, seen on this face, that goes to the roller's frame; None where the
    throat lets neither.  rough_outline: the blank to cut before rolling, seen on this face.  plan: not mirrored.
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
        """True for a bead that is rolled with this face up."""
        return len(rolled_faces(self.layout)) == 1 or bead.side == self.face

    @property
    def raised_roll(self) -> str:
        """Where the raised roll goes for the beads rolled with this face up; empty where there are none."""
        return " or ".join(
            sorted({raised_roll(bead, self.face) for bead in self.layout.beads if self.is_rolled_here(bead)})
        )

    def from_datum(self, at: XY) -> XY:
        """X and Y of a drawn point, from the datum corner."""
        return self.x_sign * (at[0] - self.datum[0]), at[1] - self.datum[1]


def face_view(panel: Panel, layout: Layout, face: str = "up", plan: ProcessPlan | None = None) -> FaceView:
    """The sheet as seen on a face.  plan: of this layout, where it is made already."""
    plan = plan_for(panel, layout, plan)
    if face == "up":
        return FaceView(panel, plan.layout, face, datum_corner(panel), 1.0, plan.frame_sides, plan.rough_outline, plan)
    x0, y0, x1, _ = Polygon(panel.outline).bounds
    turned = _mirrored_panel(panel, x0 + x1), _mirrored_layout(plan.layout, x0 + x1)
    frames = tuple(MIRRORED_SIDE[side] for side in plan.frame_sides)
    rough = Polygon(_mirrored(plan.rough_outline.exterior.coords[::-1], x0 + x1))
    return FaceView(*turned, face, (x1, y0), -1.0, frames, rough, plan)


def _mirrored(points: Iterable[XY] | None, twice: float) -> Any:
    """Points mirrored left to right about x = twice / 2: as many as there were, or None."""
    return None if points is None else tuple((twice - x, y) for x, y in points)


def _mirrored_layout(layout: Layout, twice: float) -> Layout:
    return replace(
        layout,
        beads=tuple(replace(bead, path=_mirrored(bead.path, twice)) for bead in layout.beads),
        holes=tuple(replace(hole, at=_mirrored([hole.at], twice)[0]) for hole in layout.holes),
    )


def _mirrored_panel(panel: Panel, twice: float) -> Panel:
    cutouts = [
        replace(
            cutout,
            ring=_mirrored(cutout.ring, twice),
            circle=cutout.circle and (twice - cutout.circle[0], *cutout.circle[1:]),
        )
        for cutout in panel.cutouts
    ]
    return replace(
        panel,
        outline=_mirrored(panel.outline, twice)[::-1],
        cutouts=tuple(cutouts),
        keep_outs=tuple(replace(one, polygon=_mirrored(one.polygon, twice)) for one in panel.keep_outs),
        folds=tuple(replace(fold, line=_mirrored(fold.line, twice)) for fold in panel.folds),
        supports=tuple(_mirrored_support(support, twice) for support in panel.supports),
        loads=tuple(_mirrored_load(load, twice) for load in panel.loads),
        masses=tuple(replace(mass, at=_mirrored([mass.at], twice)[0]) for mass in panel.masses),
        trims=tuple(replace(trim, path=_mirrored(trim.path, twice)) for trim in panel.trims),
        out_of_flat=tuple(replace(one, at=_mirrored([one.at], twice)[0]) for one in panel.out_of_flat),
        beads=tuple(replace(bead, path=_mirrored(bead.path, twice)) for bead in panel.beads),
        holes=tuple(replace(hole, at=_mirrored([hole.at], twice)[0]) for hole in panel.holes),
    )


def _mirrored_load(load: Load, twice: float) -> Load:
    x, y, z = load.direction
    return replace(
        load,
        polygon=_mirrored(load.polygon, twice),
        at=load.at and _mirrored([load.at], twice)[0],
        path=_mirrored(load.path, twice),
        direction=(-x, y, z),
        g=(-load.g[0], *load.g[1:]),
    )


def _mirrored_support(support: Support, twice: float) -> Support:
    return replace(support, path=_mirrored(support.path, twice), at=_mirrored(support.at, twice))

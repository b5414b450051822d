"""The sheet itself: outline, openings, folds, what must stay clear, what is fixed to it, the datum corner."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import split

from stiffen.model.layout import Bead, Hole
from stiffen.model.panel import Fold
from stiffen.output.drawing.keep_out_marks import KeepOutMark

from ..layout_picture import HATCHES, KEEP_OUT_COLOUR, SHEET_COLOUR
from ..style import LINE_COLOUR
from .canvas import Canvas, draw_arrow

TRIM_COLOUR, TRIM_LETTERS = "#b98a12", "#7d5c00"
FOLDED_COLOURS = {True: "#f3dccb", False: "#d3e2ec"}  # a flange that goes toward the up face, the down face
MASS_SIZE = 3.0


def draw_sheet(marks: Canvas) -> None:
    """Outline, openings, folded parts and fold lines."""
    outline = np.asarray(marks.sheet.exterior.coords)
    marks.axis.fill(*outline.T, facecolor=SHEET_COLOUR, edgecolor="none", zorder=1)
    for fold in marks.panel.folds:
        for ring in _flange(marks, fold):
            marks.axis.fill(*ring.T, facecolor=FOLDED_COLOURS[fold.angle > 0], edgecolor="none", zorder=1.1)
    for flange in marks.panel.curved_flanges:
        ring = marks.points(flange.ring(flange.fold_radius, flange.end_radius).exterior.coords)
        marks.axis.fill(*ring.T, facecolor=FOLDED_COLOURS[flange.angle > 0], edgecolor="none", zorder=1.1)
    marks.axis.plot(*outline.T, color=LINE_COLOUR, linewidth=1.5, zorder=3)
    marks.keep_clear(LineString(outline), 0.5)
    for cutout in marks.panel.cutouts:
        ring = np.vstack([marks.points(cutout.ring), marks.points(cutout.ring)[:1]])
        marks.axis.fill(*ring.T, facecolor="white", edgecolor=LINE_COLOUR, linewidth=1.2, zorder=3)
        marks.keep_clear(LineString(ring), 0.5)
    bends = zip(marks.panel.fold_lines, marks.panel.fold_angles, strict=True)
    for number, (path, angle) in enumerate(bends, 1):
        line = marks.points(path)
        marks.axis.plot(*line.T, color=LINE_COLOUR, linewidth=1.1, dashes=(10, 3, 2, 3), zorder=3)
        marks.keep_clear(LineString(line), 0.5)
        way = "up" if angle > 0 else "down"
        marks.label_line(f"F{number} {abs(angle):g}° {way}", line, 1.0, LINE_COLOUR, turned=True)


def _flange(marks: Canvas, fold: Fold) -> list[np.ndarray]:
    """Rings of the part beside a fold that is turned: the smaller one."""
    ends = marks.points(fold.line)
    way = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    try:
        parts = list(split(marks.sheet, LineString([ends[0] - way, ends[1] + way])).geoms)
    except ValueError:  # the line does not cross the sheet as shapely sees it
        return []
    return [np.asarray(part.exterior.coords) for part in parts if part is not max(parts, key=lambda one: one.area)]


def draw_keep_out(marks: Canvas, mark: KeepOutMark) -> None:
    """A keep-out, hatched by what it is against; one over the whole sheet is a row of the list alone."""
    if mark.over_whole_sheet:
        return
    for part in mark.parts:
        ring = marks.points(part)
        hatch, colour = HATCHES[mark.hatch_angle], KEEP_OUT_COLOUR
        marks.axis.fill(*ring.T, fill=False, zorder=2, hatch=hatch, edgecolor=colour, linewidth=0.8)
        marks.keep_clear(LineString([*ring, ring[0]]), 0.4)
    largest = max((Polygon(marks.points(part)) for part in mark.parts), key=lambda part: part.area)
    at = np.asarray(largest.representative_point().coords[0])
    x0, y0, x1, y1 = largest.bounds
    reach = max(x1 - x0, y1 - y0) / 2 * marks.scale
    marks.add_label(mark.name, largest, [(*at, 0.0), *marks.round_about(at, reach + 0.5, mark.name)], LINE_COLOUR)


def draw_trim(marks: Canvas, mark: str, path: Sequence | None) -> None:
    """Edging as a wide band along its line."""
    line = np.asarray(marks.sheet.exterior.coords) if path is None else marks.points(path)
    marks.axis.plot(*line.T, color=TRIM_COLOUR, linewidth=4.5, alpha=0.55, zorder=2.8, solid_capstyle="butt")
    marks.keep_clear(LineString(line), 0.8)
    marks.label_line(mark, line, 1.4, "#7d5c00")


def draw_mass(marks: Canvas, mark: str, at: tuple[float, float]) -> None:
    """A black square."""
    centre, half = marks.points(at)[0], MASS_SIZE / 2 / marks.scale
    ring = np.asarray(box(*(centre - half), *(centre + half)).exterior.coords)
    marks.axis.fill(*ring.T, facecolor=LINE_COLOUR, edgecolor="white", linewidth=0.8, zorder=4)
    marks.keep_clear(Point(centre), MASS_SIZE * 0.75)
    marks.add_label(mark, Point(centre), marks.round_about(centre, MASS_SIZE / 2 + 0.5, mark), LINE_COLOUR)


def draw_datum(marks: Canvas) -> None:
    """The datum corner: two arrows and where all places are measured from."""
    reach = 11.0 / marks.scale
    for way, name in (((reach, 0.0), "X"), ((0.0, reach), "Y")):
        gap = np.array([1.0, 1.0]) * 6.3 / marks.scale * (np.array(way)[::-1] > 0) * -1
        draw_arrow(marks.axis, gap, gap + way, LINE_COLOUR, 0.9)
        marks.keep_clear(LineString([gap, gap + way]), 1.0)
        at = gap + np.array(way) * 1.22
        marks.axis.text(at[0], at[1], name, ha="center", va="center", fontsize=9.5, color=LINE_COLOUR)
        marks.keep_clear(Point(at), 2.2)
    corner = np.array([-6.3, -6.3]) / marks.scale
    marks.axis.text(corner[0], corner[1], "datum", ha="center", va="center", fontsize=9.5, color=LINE_COLOUR)
    marks.keep_clear(Point(corner), 5.0)


def keep_clear_of_bead(marks: Canvas, bead: Bead) -> None:
    """No label on the edges or the axis of a bead."""
    path = LineString(marks.points(bead.path))
    marks.keep_clear(path.buffer(bead.die.width / 2, cap_style="flat").boundary, 0.4)
    marks.keep_clear(path, 0.4)


def keep_clear_of_hole(marks: Canvas, hole: Hole) -> None:
    """No label on a flared hole."""
    marks.keep_clear(Point(marks.points(hole.at)[0]).buffer(hole.die.flange / 2), 0.4)

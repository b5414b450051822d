"""What pushes on the sheet, where it acts.

A force square to the sheet is drawn as usual in mechanics: a ring with a cross goes away from the eye, a ring with a
dot comes toward it; a force in the plane of the sheet is an arrow.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from stiffen.model.panel import Load
from stiffen.model.results import Verdict

from ..style import circle_points
from .canvas import Canvas, draw_arrow

LOAD_COLOUR = "#8e2045"
RING_RADIUS, ARROW = 2.0, 9.0
GRID = 15  # places tried along each side for a patch that may stand anywhere
SPREAD = 26.0  # between the rings of a pressure


def draw_load(marks: Canvas, mark: str, load: Load, taken: int) -> None:
    """A load where it acts.  taken: loads on the whole sheet drawn before, whose rings this one's keep clear of."""
    if load.kind == "pressure":
        area = Polygon(marks.points(load.polygon)).intersection(marks.sheet) if load.polygon else marks.sheet
        _draw_pressure(marks, mark, area, load.value > 0, bool(load.polygon), taken)
    elif load.kind == "patch":
        _draw_patch(marks, mark, load)
    elif load.kind == "line":
        _draw_line_load(marks, mark, load)
    else:
        _draw_inertia(marks, mark, load, taken)


def _draw_pressure(marks: Canvas, mark: str, area: BaseGeometry, away: bool, bounded: bool, taken: int) -> None:
    if bounded:
        for part in shapely.get_parts(area):
            ring = np.asarray(part.exterior.coords)
            marks.axis.fill(*ring.T, facecolor=LOAD_COLOUR, alpha=0.10, edgecolor="none", zorder=1.5)
            marks.axis.plot(*ring.T, color=LOAD_COLOUR, linewidth=0.9, linestyle=(0, (4, 2)), zorder=2.5)
            marks.keep_clear(LineString(ring), 0.4)
    places = _spread(marks, area, taken)
    for at in places:
        _ring(marks, at, away)
    names = [place for at in places for place in marks.round_about(at, RING_RADIUS + 0.3, mark)]
    marks.add_label(mark, area.representative_point(), names, LOAD_COLOUR)


def _spread(marks: Canvas, area: BaseGeometry, taken: int) -> list[np.ndarray]:
    """Places of rings evenly over an area, shifted for each load drawn there before; free of what is drawn."""
    x0, y0, x1, y1 = area.bounds
    counts = [min(4, max(1, round((high - low) * marks.scale / SPREAD))) for low, high in ((x0, x1), (y0, y1))]
    shift = np.array([(taken % 3) * 8.0, (taken // 3 % 3) * 7.0]) / marks.scale
    inner = _open_area(marks, area)
    tree = shapely.STRtree(marks.obstacles)
    kept = []
    for x in x0 + (np.arange(counts[0]) + 0.5) / counts[0] * (x1 - x0):
        for y in y0 + (np.arange(counts[1]) + 0.5) / counts[1] * (y1 - y0):
            spot = Point(x + shift[0], y + shift[1]).buffer((RING_RADIUS + 0.4) / marks.scale)
            free = not any(tree.geometries[k].intersects(spot) for k in tree.query(spot))
            if inner.contains(spot.centroid) and free:
                kept.append(np.array(spot.centroid.coords[0]))
    return kept or [np.array(area.representative_point().coords[0])]


def _open_area(marks: Canvas, area: BaseGeometry) -> BaseGeometry:
    """An area less openings and keep-outs."""
    rings = [cutout.ring for cutout in marks.panel.cutouts]
    rings += [one.polygon for one in marks.panel.keep_outs if Polygon(one.polygon).area < 0.5 * marks.sheet.area]
    shapes = [*(Polygon(marks.points(ring)) for ring in rings), *marks.frames]
    return area.difference(shapely.union_all(shapes)).buffer(-RING_RADIUS / marks.scale)


def _draw_patch(marks: Canvas, mark: str, load: Load) -> None:
    assert load.size is not None
    half = np.asarray(load.size) / 2
    centre = _free_middle(marks, half) if load.at is None else marks.points(load.at)[0]
    frame = box(*(centre - half), *(centre + half))
    ring = np.asarray(frame.exterior.coords)
    style = (0, (2, 2)) if load.at is None else "-"
    marks.axis.fill(*ring.T, facecolor=LOAD_COLOUR, alpha=0.12, edgecolor="none", zorder=1.6)
    marks.axis.plot(*ring.T, color=LOAD_COLOUR, linewidth=1.1, linestyle=style, zorder=3.3)
    _ring(marks, centre, load.value > 0)
    marks.keep_clear(frame.exterior, 0.4)
    marks.frames.append(frame)
    name = f"{mark} anywhere" if load.at is None else mark
    reach = RING_RADIUS + 0.3
    around = [
        *marks.round_about(centre, reach, name),
        *marks.round_about(centre, float(max(half)) * marks.scale + 0.8, name),
    ]
    marks.add_label(name, frame, around, LOAD_COLOUR)


def _free_middle(marks: Canvas, half: np.ndarray) -> np.ndarray:
    """The place farthest from all that is drawn, for a patch of half the size `half`; on the sheet if it fits."""
    drawn = shapely.union_all([one for one in marks.obstacles if one.within(marks.sheet)])
    x0, y0, x1, y1 = marks.sheet.bounds
    grid = np.array([(x, y) for x in np.linspace(x0, x1, GRID) for y in np.linspace(y0, y1, GRID)])
    boxes = shapely.box(*(grid - half).T, *(grid + half).T)
    fits = shapely.contains(marks.sheet, boxes)
    if not fits.any():
        return np.asarray(marks.sheet.representative_point().coords[0])
    places = shapely.points(grid[fits])
    room = shapely.distance(places, marks.sheet.exterior)
    if not drawn.is_empty:
        room = np.minimum(room, shapely.distance(places, drawn))
    return grid[fits][int(np.argmax(room))]


def _draw_line_load(marks: Canvas, mark: str, load: Load) -> None:
    line = marks.points(load.path or ())
    shape = LineString(line)
    force = np.asarray(load.direction) * np.sign(load.value)
    marks.axis.plot(*line.T, color=LOAD_COLOUR, linewidth=1.6, zorder=3.4)
    marks.keep_clear(shape, 0.6)
    count = max(2, min(7, round(shape.length * marks.scale / 18)))
    for station in (np.arange(count) + 0.5) / count * shape.length:
        at = np.asarray(shape.interpolate(float(station)).coords[0])
        plane = np.hypot(*force[:2])
        if plane > 0.2:
            _arrow(marks, at, force[:2] / plane * ARROW / marks.scale)
        if abs(force[2]) > 0.2:
            _ring(marks, at, force[2] < 0)
    marks.label_line(mark, line, 2.8, LOAD_COLOUR)


def _draw_inertia(marks: Canvas, mark: str, load: Load, taken: int) -> None:
    """At the middle of the sheet: an arrow in its plane, a ring square to it."""
    g = np.asarray(load.g)
    at = _spread(marks, marks.sheet, taken)
    spot = min(at, key=lambda one: float(np.hypot(*(one - np.asarray(marks.sheet.centroid.coords[0])))))
    if plane := float(np.hypot(*g[:2])):
        _arrow(marks, spot, g[:2] / plane * 1.6 * ARROW / marks.scale)
    if g[2]:
        _ring(marks, spot, g[2] < 0)
    marks.add_label(mark, Point(spot), marks.round_about(spot, RING_RADIUS + 0.4, mark), LOAD_COLOUR)


def _ring(marks: Canvas, at: np.ndarray, away: bool) -> None:
    radius = RING_RADIUS / marks.scale
    ring = circle_points((float(at[0]), float(at[1])), 2 * radius)
    marks.axis.fill(*ring.T, facecolor="white", edgecolor=LOAD_COLOUR, linewidth=1.0, zorder=4)
    part = radius / np.sqrt(2)
    if away:
        for way in (1, -1):
            ends = np.array([at - (part, way * part), at + (part, way * part)])
            marks.axis.plot(*ends.T, color=LOAD_COLOUR, linewidth=1.0, zorder=4.1)
    else:
        dot = circle_points((float(at[0]), float(at[1])), 0.7 * radius)
        marks.axis.fill(*dot.T, color=LOAD_COLOUR, linewidth=0, zorder=4.1)
    marks.keep_clear(Point(at), RING_RADIUS + 0.2)


def _arrow(marks: Canvas, start: np.ndarray, way: np.ndarray) -> None:
    draw_arrow(marks.axis, start, start + way, LOAD_COLOUR, 1.2)
    marks.keep_clear(LineString([start, start + way]), 1.2)


def draw_worst_places(marks: Canvas, verdict: Verdict) -> None:
    """Where the sheet deflects most in each case with a load at the worst place, as found."""
    searched = {load.case for load in marks.panel.loads if load.kind == "patch" and load.at is None}
    for demand in verdict.demands:
        if demand.at and demand.kind == "deflection" and demand.label.split(" ", 1)[-1] in searched:
            at = marks.points(demand.at)[0]
            marks.axis.plot(*at, "X", markersize=10, color=LOAD_COLOUR, markeredgecolor="white", zorder=5)
            marks.keep_clear(Point(at), 2.2)
            text = f"worst {demand.label.split(' ', 1)[-1]}"
            marks.add_label(text, Point(at), marks.round_about(at, 2.2, text), LOAD_COLOUR)

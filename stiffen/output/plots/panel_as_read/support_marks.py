"""How the sheet is held: rivets and bolts by their centres, a held edge as hatched ground, a rest as rollers."""

from __future__ import annotations

import numpy as np
from shapely.geometry import LineString, Point

from stiffen.model.panel import Support

from ..style import circle_points
from .canvas import Canvas

SUPPORT_COLOUR = "#1f6b4a"
TICK, TICK_PITCH, ROLLER, ROLLER_PITCH = 2.6, 2.2, 0.9, 4.6  # of a held edge and of a rest
FASTENER_RADIUS, BOLT_RADIUS = 1.0, 1.5


def draw_support(marks: Canvas, mark: str, support: Support) -> None:
    """Rivets and bolts by their centres; a held edge as hatched ground, a rest as rollers, outside the sheet."""
    centres = marks.points(support.fasteners())
    if len(centres):
        _draw_fasteners(marks, mark, support, centres)
        return
    line = np.asarray(marks.sheet.exterior.coords) if support.path is None else marks.points(support.path)
    shape = LineString(line)
    marks.axis.plot(*line.T, color=SUPPORT_COLOUR, linewidth=2.4, zorder=3.2, solid_capstyle="butt")
    pitch = (TICK_PITCH if support.kind == "edge" else ROLLER_PITCH) / marks.scale
    stations = np.arange(pitch / 2, shape.length, pitch)
    ticks, reach = [], (TICK if support.kind == "edge" else 2 * ROLLER + 0.6)
    for station in stations:
        at, out = marks.outward(shape, float(station))
        if support.kind == "edge":
            lean = np.array([-out[1], out[0]])
            ticks += [at, at + (out + 0.7 * lean) * TICK / marks.scale, (np.nan, np.nan)]
            if support.hold == "clamped":
                ticks += [at, at + (out - 0.7 * lean) * TICK / marks.scale, (np.nan, np.nan)]
        else:
            ring = circle_points(tuple(at + out * (ROLLER + 0.5) / marks.scale), 2 * ROLLER / marks.scale)
            marks.axis.plot(*ring.T, color=SUPPORT_COLOUR, linewidth=0.9, zorder=3.2)
    if ticks:
        marks.axis.plot(*np.array(ticks).T, color=SUPPORT_COLOUR, linewidth=0.8, zorder=3.2)
    band = [marks.outward(shape, float(s)) for s in (*stations, shape.length)]
    outer = [at + out * reach / marks.scale for at, out in band]
    marks.keep_clear(shape, 0.8)
    if len(outer) > 1:
        marks.keep_clear(LineString(outer), reach / 2)
    marks.label_line(mark, line, reach + 0.4, SUPPORT_COLOUR)


def _draw_fasteners(marks: Canvas, mark: str, support: Support, centres: np.ndarray) -> None:
    bolts = support.kind == "bolts"
    radius = max((BOLT_RADIUS if bolts else FASTENER_RADIUS) / marks.scale, support.diameter / 2)
    face = SUPPORT_COLOUR if support.hold == "clamped" else "white"
    corners = np.radians(np.arange(0, 361, 60)) if bolts else np.linspace(0, 2 * np.pi, 25)
    for at in centres:
        ring = at + radius * np.column_stack([np.cos(corners), np.sin(corners)])
        marks.axis.fill(*ring.T, facecolor=face, edgecolor=SUPPORT_COLOUR, linewidth=1.0, zorder=3.5)
        if support.hold != "clamped":
            marks.axis.plot(*at, "+", color=SUPPORT_COLOUR, markersize=3.2, markeredgewidth=0.7, zorder=3.6)
        if support.hold == "guided":
            marks.axis.plot(*circle_points(tuple(at), 3.2 * radius).T, color=SUPPORT_COLOUR, linewidth=0.7, zorder=3.5)
        marks.keep_clear(Point(at), radius * marks.scale + 0.3)
    positions = [
        place
        for at in centres[_middle_first(marks, len(centres))]
        for place in marks.round_about(at, radius * marks.scale + 0.5, mark)
    ]
    marks.add_label(mark, Point(centres[0]), positions, SUPPORT_COLOUR)


def _middle_first(marks: Canvas, count: int) -> list[int]:
    """Numbers of a row, its middle first."""
    return sorted(range(count), key=lambda k: abs(k - (count - 1) / 2))[:6]

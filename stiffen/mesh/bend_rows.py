"""Structured points in rows along the bends of large radius, in plan, mm."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry import LineString

from stiffen.model.fold_plan import FlangePlan

from .fold_geometry import Bend
from .point_placement import StructuredPoints
from .size_field import MeshResolution

MIN_STRIP_SHARE = 0.1  # least width of a strip over the background element size


def bend_row_lines(bend: Bend, resolution: MeshResolution) -> list[LineString]:
    """The rows of a bend as lines along it, from its inner to its outer tangent line, over its whole sheet.

    A right angle has two strips for each strip of half a bead: facets of 11 degrees at the normal mesh level, whose
    middle lies 0.5 % of the radius inside the arc.  A bend that is narrow beside the elements has fewer: what its
    facets miss of the arc is then nothing beside the panel.
    """
    assert isinstance(bend.plan, FlangePlan)
    quarter = 2 * resolution.strips_per_half
    by_angle = math.ceil(abs(bend.angle) / (math.pi / 2) * quarter - 1e-9)
    by_width = math.ceil(bend.width / (MIN_STRIP_SHARE * resolution.side))
    count = max(2, min(by_angle, by_width), math.ceil(bend.width / resolution.side))
    s = (shapely.get_coordinates(bend.moved) - bend.plan.start) @ bend.plan.along
    ends = bend.plan.start + np.outer([s.min() - 1.0, s.max() + 1.0], bend.plan.along)
    offsets = bend.width * (np.arange(count + 1) / count - 0.5)
    return [LineString(ends + offset * bend.plan.out) for offset in offsets]


def bend_rows(bend: Bend, resolution: MeshResolution) -> StructuredPoints:
    """Structured points of a bend: stations across it, each with a point on every row; soft edges along the rows."""
    lines = bend_row_lines(bend, resolution)
    pitch = bend.width / (len(lines) - 1)
    length = lines[0].length
    count = max(2, math.ceil(length / resolution.station_spacing(pitch, pitch)))
    spacing = length / count
    stations = np.linspace(0.0, 1.0, count + 1)
    rows = []
    for line in lines:
        a, b = np.array(line.coords)
        rows.append(a + np.outer(stations, b - a))
    points = np.concatenate(rows)
    number = np.arange(len(points)).reshape(len(lines), -1)
    soft = np.column_stack([number[:, :-1].ravel(), number[:, 1:].ravel()])
    sizes = np.full(len(points), min(spacing, 2 * pitch, resolution.side))
    shapely.prepare(bend.moved)
    inside = shapely.intersects_xy(bend.moved, *points.T)
    return StructuredPoints(points, sizes, np.full(len(points), 0.7 * pitch), soft).subset(inside)

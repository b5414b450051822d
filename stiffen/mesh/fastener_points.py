"""Fastener discs: for each rivet or bolt a centre and points at its radius, in plan, mm."""

from __future__ import annotations

import math

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Point as Place

from stiffen.errors import Fault, MeshError
from stiffen.model.layout import Point
from stiffen.model.panel import Panel

from .feature_lines import SNAP_DISTANCE, PlanarStraightLineGraph, split_at_points
from .point_placement import StructuredPoints, too_close_to_earlier

LONE_SIZE = 1e6  # mm: wanted element size at a fastener that is one node
LONE_CLEARANCE = 1.0  # mm: such a fastener is left to the nearest node if that is nearer
QUARTER_CIRCLE_SEGMENTS = 32  # in a quarter of the circle that is intersected with lines


def fastener_discs(
    panel: Panel, graph: PlanarStraightLineGraph, rim_points: int = 6
) -> tuple[dict[Point, np.ndarray], PlanarStraightLineGraph]:
    """For each fastener its points (k, 2), centre first; and the graph, split where its lines cross a disc.

    rim_points: around the centre; 0 for the centre alone.  Rim points off the sheet are left out.  Raises MeshError for
    a fastener without diameter or off the sheet.
    """
    discs: dict[Point, np.ndarray] = {}
    split_points = [np.zeros((0, 2))]
    lines = graph.lines
    for support in panel.supports:
        radius = support.diameter / 2
        for centre in support.fasteners():
            where = f"{support.kind} at ({centre[0]:g}, {centre[1]:g})"
            place = Place(centre)
            if radius <= 0:
                raise MeshError(str(Fault(where, "no diameter is given", "give the fastener's diameter, mm")))
            if not shapely.dwithin(graph.region, place, SNAP_DISTANCE):
                raise MeshError(str(Fault(where, "lies off the sheet", "move it onto the sheet")))
            crossings = np.zeros((0, 2))
            if shapely.dwithin(lines, place, radius):
                circle = place.buffer(radius, quad_segs=QUARTER_CIRCLE_SEGMENTS).exterior
                if rim_points:
                    crossings = shapely.get_coordinates(circle.intersection(lines))
                    split_points.append(crossings)
                if shapely.dwithin(lines, place, SNAP_DISTANCE):
                    split_points.append(np.array([centre]))
            rim = _rim_points(centre, radius, crossings, rim_points)
            discs[centre] = np.vstack([centre, rim[shapely.dwithin(graph.region, shapely.points(rim), SNAP_DISTANCE)]])
    split_at = np.concatenate(split_points)
    return discs, split_at_points(graph, split_at, SNAP_DISTANCE) if len(split_at) else graph


def _rim_points(centre: Point, radius: float, crossings: np.ndarray, count: int) -> np.ndarray:
    """(count, 2) points around a fastener, among them the first `crossings` (k, 2) of its rim with lines."""
    if not count:
        return np.zeros((0, 2))
    x, y = (crossings[: count - 1] - centre).T
    fixed_angles = np.sort(np.arctan2(y, x)) if len(x) else np.zeros(1)
    gaps = np.diff(fixed_angles, append=fixed_angles[0] + 2 * math.pi)
    counts = np.ones(len(fixed_angles), dtype=int)
    while counts.sum() < count:
        counts[(gaps / counts).argmax()] += 1
    angles = np.concatenate([a + t * np.arange(n) / n for a, t, n in zip(fixed_angles, gaps, counts, strict=True)])
    return np.array(centre) + radius * np.column_stack([np.cos(angles), np.sin(angles)])


def disc_points(discs: dict[Point, np.ndarray]) -> StructuredPoints:
    """Points of all discs, the centres first; where discs overlap the later points are dropped.

    A disc of its centre alone asks for no small elements.
    """
    parts = [disc[part] for part in (slice(1), slice(1, None)) for disc in discs.values()]
    radii = [np.linalg.norm(disc[-1] - disc[0]) if len(disc) > 1 else LONE_SIZE for disc in discs.values()] * 2
    radius: np.ndarray = np.repeat(np.array(radii), [len(part) for part in parts])
    points = np.concatenate([np.zeros((0, 2)), *parts])
    clearance = np.where(radius < LONE_SIZE, 0.4 * radius, LONE_CLEARANCE)
    disc_set = StructuredPoints(points, radius, clearance, np.zeros((0, 2), dtype=int))
    return disc_set.subset(~too_close_to_earlier(points, disc_set.clearance))


def disc_nodes(discs: dict[Point, np.ndarray], plan: np.ndarray) -> dict[Point, np.ndarray]:
    """For each fastener the mesh nodes, plan (n, 2), nearest to its points; each once, the centre first."""
    tree = cKDTree(plan)
    return {centre: np.array(list(dict.fromkeys(tree.query(disc)[1]))) for centre, disc in discs.items()}

"""Conforming Delaunay triangulation of points with required edges; movable points are smoothed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.spatial import Delaunay, cKDTree
from shapely.geometry import Polygon

from stiffen.errors import Fault, MeshError

from .size_field import SizeField

DECIMALS = 9  # to which lengths (mm) are compared, so that the last digits of a processor's arithmetic decide nothing
QUALITY_ROUND_OFF = 1e-9  # a quality that falls by less has not changed
MAX_REPAIR_ROUNDS = 40  # of repairing missing edges
SMOOTHING_SWEEPS = 3
POOR_QUALITY = 0.3  # movable points of triangles of lower quality are removed where that improves it
UNACCEPTABLE_QUALITY = 0.2  # the same for all points that are not mandatory
MAX_CIRCUMRADIUS_RATIO = 0.85  # circumradius over wanted size (equilateral: 0.58) above which a point is inserted
DEGENERATE_QUALITY = 1e-3  # triangles of lower quality count as having no area
MIN_INSERT_DISTANCE = 0.55  # of an inserted point from corners, in wanted sizes
MIN_INSERT_SPACING = 0.7  # between inserted points, in wanted sizes


@dataclass(frozen=True, eq=False)
class MeshPoints:
    """points (n, 2) mm and their edges.

    movable: (n,) bool, points that may move or be removed.  mandatory: (n,) bool, points that stay.  Points that are
    neither do not move, but are removed where triangles would be unacceptable.  required_edges: (m, 2) edges that the
    mesh must have.  soft_edges: (k, 2) edges that movable points keep clear of.
    """

    points: np.ndarray
    movable: np.ndarray
    mandatory: np.ndarray
    required_edges: np.ndarray
    soft_edges: np.ndarray


def quality(corners: np.ndarray) -> np.ndarray:
    """(m,) 4 sqrt(3) A / sum of squared sides of plan triangles (m, 3, 2): 1 equilateral, negative if clockwise."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    squares = sum(((p - q) ** 2).sum(axis=1) for p, q in ((a, b), (b, c), (c, a)))
    return 4 * np.sqrt(3) * signed_area(corners) / squares


def signed_area(corners: np.ndarray) -> np.ndarray:
    """(m,) plan areas of triangles (m, 3, 2), mm2; positive counter-clockwise."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2


def directed_edges(triangles: np.ndarray) -> np.ndarray:
    """(3 m, 2) directed edges of triangles (m, 3)."""
    return triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)


def edge_keys(edges: np.ndarray, count: int) -> np.ndarray:
    """(m,) unique key of each undirected edge (m, 2) among `count` points."""
    return edges.min(axis=1) * count + edges.max(axis=1)


def triangulate(mesh_points: MeshPoints, region: Polygon, field: SizeField) -> tuple[MeshPoints, np.ndarray]:
    """Final points, and triangles (m, 3), counter-clockwise, inside the region.

    Raises MeshError where a required edge cannot be obtained.
    """
    mesh_points, triangles = _conforming_delaunay(_without_encroaching(mesh_points), region)
    mesh_points = replace(mesh_points, points=_smooth(mesh_points, triangles))
    mesh_points, triangles = _conforming_delaunay(_without_encroaching(_refine(mesh_points, triangles, field)), region)
    for _ in range(3):
        q = quality(mesh_points.points[triangles])
        removed = [
            corners[removable[corners]]
            for corners, removable in (
                (triangles[q < POOR_QUALITY], mesh_points.movable),
                (triangles[q < UNACCEPTABLE_QUALITY], ~mesh_points.mandatory),
            )
        ]
        keep = np.ones(len(mesh_points.points), dtype=bool)
        keep[np.concatenate(removed)] = False
        if keep.all():
            break
        fewer_points, fewer_triangles = _conforming_delaunay(_subset(mesh_points, keep), region)
        if quality(fewer_points.points[fewer_triangles]).min() <= q.min():
            break
        mesh_points, triangles = fewer_points, fewer_triangles
    return mesh_points, triangles


def _triangles_inside(points: np.ndarray, triangles: np.ndarray, region: Polygon) -> np.ndarray:
    """Triangles inside the region, counter-clockwise, without degenerate ones."""
    corners = points[triangles]
    area = signed_area(corners)
    triangles = np.where((area < 0)[:, None], triangles[:, ::-1], triangles)
    solid = np.abs(quality(corners)) > DEGENERATE_QUALITY
    return triangles[solid & shapely.contains_xy(region, *corners.mean(axis=1).T)]


def _delaunay(points: np.ndarray) -> np.ndarray:
    """Delaunay triangles (m, 3) of points (n, 2)."""
    # rows and rings have many cocircular points, which double the time unless the points are perturbed slightly
    perturbation = 1e-7 * np.ptp(points, axis=0).max() * np.random.default_rng(0).random(points.shape)
    return Delaunay(np.round(points - points.mean(axis=0), DECIMALS) + perturbation).simplices.astype(int)


def _conforming_delaunay(mesh_points: MeshPoints, region: Polygon) -> tuple[MeshPoints, np.ndarray]:
    """Delaunay triangles with every required edge.

    Movable points that encroach upon a missing edge are removed; a missing edge without such points is halved.
    """
    shapely.prepare(region)
    for _ in range(MAX_REPAIR_ROUNDS):
        triangles = _delaunay(mesh_points.points)
        count = len(mesh_points.points)
        missing = ~np.isin(edge_keys(mesh_points.required_edges, count), edge_keys(directed_edges(triangles), count))
        if not missing.any():
            return mesh_points, _triangles_inside(mesh_points.points, triangles, region)
        mesh_points = _repair_missing_edges(mesh_points, missing)
    x, y = mesh_points.points[mesh_points.required_edges[missing]].mean(axis=1)[0]
    where = f"mesh near ({x:.2f}, {y:.2f})"
    raise MeshError(str(Fault(where, "lines lie too close to be meshed", "move them apart or let them coincide")))


def _repair_missing_edges(mesh_points: MeshPoints, missing: np.ndarray) -> MeshPoints:
    """One round of repairs; see `_conforming_delaunay`."""
    encroaching = _encroaching_points(mesh_points, mesh_points.required_edges[missing])
    is_clear = np.ones(missing.sum(), dtype=bool)
    is_clear[[edge for edge, _ in encroaching]] = False
    halved = np.flatnonzero(missing)[is_clear]
    a, b = mesh_points.required_edges[halved].T
    midpoint = len(mesh_points.points) + np.arange(len(halved))
    other_edges = np.delete(mesh_points.required_edges, halved, axis=0)
    mesh_points = MeshPoints(
        np.vstack([mesh_points.points, (mesh_points.points[a] + mesh_points.points[b]) / 2]),
        np.append(mesh_points.movable, np.zeros(len(midpoint), dtype=bool)),
        np.append(mesh_points.mandatory, np.ones(len(midpoint), dtype=bool)),
        np.concatenate([other_edges, np.column_stack([a, midpoint]), np.column_stack([midpoint, b])]),
        mesh_points.soft_edges,
    )
    keep = np.ones(len(mesh_points.points), dtype=bool)
    keep[[point for _, point in encroaching]] = False
    return _subset(mesh_points, keep)


def _without_encroaching(mesh_points: MeshPoints) -> MeshPoints:
    """Points without those that encroach upon required or soft edges and would keep the mesh from having them."""
    keep = np.ones(len(mesh_points.points), dtype=bool)
    edges = np.concatenate([mesh_points.required_edges, mesh_points.soft_edges])
    keep[[point for _, point in _encroaching_points(mesh_points, edges)]] = False
    return _subset(mesh_points, keep)


def _encroaching_points(mesh_points: MeshPoints, edges: np.ndarray) -> list[tuple[int, int]]:
    """Pairs (edge, movable point) of points inside the diametral circle of an edge."""
    movable = np.flatnonzero(mesh_points.movable)
    if not len(movable) or not len(edges):
        return []
    a, b = mesh_points.points[edges[:, 0]], mesh_points.points[edges[:, 1]]
    radius = np.linalg.norm(b - a, axis=1) / 2
    found = cKDTree(mesh_points.points[movable]).query_ball_point((a + b) / 2, radius * 1.001)
    return [(edge, movable[i]) for edge, near in enumerate(found) for i in near]


def _subset(mesh_points: MeshPoints, mask: np.ndarray) -> MeshPoints:
    """The points of a mask (n,), which includes all ends of required edges, with the soft edges between them."""
    if mask.all():
        return mesh_points
    new_index = np.cumsum(mask) - 1
    soft_edges = mesh_points.soft_edges[mask[mesh_points.soft_edges].all(axis=1)]
    return MeshPoints(
        mesh_points.points[mask],
        mesh_points.movable[mask],
        mesh_points.mandatory[mask],
        new_index[mesh_points.required_edges],
        new_index[soft_edges],
    )


def _refine(mesh_points: MeshPoints, triangles: np.ndarray, field: SizeField) -> MeshPoints:
    """Points with a movable one added at the centroid of each triangle that is larger than the size field wants."""
    corners = mesh_points.points[triangles]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    radius = sides.prod(axis=1) / (4 * signed_area(corners))
    centroid = corners.mean(axis=1)
    size = field(centroid)
    # not where the centroid lies near a corner: stretched triangles on bead rows are intended
    nearest = np.linalg.norm(corners - centroid[:, None], axis=2).min(axis=1)
    too_large = np.flatnonzero((radius > MAX_CIRCUMRADIUS_RATIO * size) & (nearest > MIN_INSERT_DISTANCE * size))
    # largest first; those of equal size, as in symmetrical panels, in the order of their places
    place = np.round(centroid[too_large], DECIMALS)
    too_large = too_large[np.lexsort((place[:, 1], place[:, 0], -np.round(radius[too_large], DECIMALS)))]
    dropped = np.zeros(len(too_large), dtype=bool)
    if len(too_large):
        pairs = cKDTree(centroid[too_large]).query_pairs(MIN_INSERT_SPACING * field.side, output_type="ndarray")
        for i, j in pairs[np.lexsort(pairs.T[::-1])]:
            spacing = np.linalg.norm(centroid[too_large[i]] - centroid[too_large[j]])
            if not dropped[i] and spacing < MIN_INSERT_SPACING * size[too_large[j]]:
                dropped[j] = True
    added = centroid[too_large[~dropped]]
    return replace(
        mesh_points,
        points=np.vstack([mesh_points.points, added]),
        movable=np.append(mesh_points.movable, np.ones(len(added), dtype=bool)),
        mandatory=np.append(mesh_points.mandatory, np.zeros(len(added), dtype=bool)),
    )


def _smooth(mesh_points: MeshPoints, triangles: np.ndarray) -> np.ndarray:
    """Laplacian smoothing: points (n, 2), movable ones at the mean of their neighbours unless a triangle gets worse."""
    points, movable = mesh_points.points.copy(), mesh_points.movable
    count = len(points)
    a, b = directed_edges(triangles).T
    neighbours = np.maximum(np.bincount(a, minlength=count) + np.bincount(b, minlength=count), 1)
    for _ in range(SMOOTHING_SWEEPS):
        x, y = points.T
        neighbour_mean = (
            np.column_stack([np.bincount(a, v[b], count) + np.bincount(b, v[a], count) for v in (x, y)])
            / neighbours[:, None]
        )
        before = _worst_quality_at_points(points, triangles)
        moved = np.where(movable[:, None], neighbour_mean, points)
        for _ in range(4):
            worse = movable & (_worst_quality_at_points(moved, triangles) < before - QUALITY_ROUND_OFF)
            if not worse.any():
                break
            moved[worse] = points[worse]
        else:
            worsened = np.unique(
                triangles[quality(moved[triangles]) <= quality(points[triangles]).clip(max=POOR_QUALITY)]
            )
            moved[worsened] = points[worsened]
        points = moved
    return points


def _worst_quality_at_points(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(n,) lowest quality of the triangles around each point."""
    q = quality(points[triangles])
    worst = np.full(len(points), np.inf)
    for corner in triangles.T:
        np.minimum.at(worst, corner, q)
    return worst

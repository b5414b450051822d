"""Points and the edges they must have to triangles: Delaunay that conforms, with the free points smoothed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.spatial import Delaunay, cKDTree
from shapely.geometry import Polygon

from stiffen.errors import Fault, MeshError

from .size_field import SizeField

MAX_REPAIR_ROUNDS = 40  # of mending missing edges
SMOOTHING_SWEEPS = 3  # of smoothing
POOR_QUALITY = 0.3  # a free point in a triangle of less quality is taken out where that helps
UNACCEPTABLE_QUALITY = 0.2  # and of less than this any point that is not firm
MAX_CIRCUMRADIUS_RATIO = (
    0.85  # circumradius over wanted side (0.58 where equilateral) at which a triangle gets a point more
)


@dataclass(frozen=True, eq=False)
class MeshPoints:
    """points (n, 2) mm; edges (m, 2) that must be; kept (k, 2) edges that free points spare.

    free: (n,) bool, points that may move or go.  firm: (n,) bool, points that must stay.  Points that are neither stay
    in place but go where triangles would be too poor.
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
    """One number for each undirected edge (m, 2) among `count` points."""
    return edges.min(axis=1) * count + edges.max(axis=1)


def triangulate(cloud: MeshPoints, region: Polygon, field: SizeField) -> tuple[MeshPoints, np.ndarray]:
    """The cloud as it ended up and its triangles (m, 3), counter-clockwise, inside the region.

    Raises MeshError where edges cannot be made to appear.
    """
    cloud, triangles = _conforming_delaunay(_without_encroaching(cloud), region)
    cloud = replace(cloud, points=_smooth(cloud, triangles))
    cloud, triangles = _conforming_delaunay(_without_encroaching(_refine(cloud, triangles, field)), region)
    for _ in range(3):
        q = quality(cloud.points[triangles])
        out = [
            corners[may[corners]]
            for corners, may in (
                (triangles[q < POOR_QUALITY], cloud.movable),
                (triangles[q < UNACCEPTABLE_QUALITY], ~cloud.mandatory),
            )
        ]
        stays = np.ones(len(cloud.points), dtype=bool)
        stays[np.concatenate(out)] = False
        if stays.all():
            break
        fewer, others = _conforming_delaunay(_subset(cloud, stays), region)
        if quality(fewer.points[others]).min() <= q.min():
            break
        cloud, triangles = fewer, others
    return cloud, triangles


def _triangles_inside(points: np.ndarray, triangles: np.ndarray, region: Polygon) -> np.ndarray:
    """The triangles of the region, turned counter-clockwise; those without area are left out."""
    corners = points[triangles]
    area = signed_area(corners)
    triangles = np.where((area < 0)[:, None], triangles[:, ::-1], triangles)
    solid = np.abs(quality(corners)) > 1e-3
    return triangles[solid & shapely.contains_xy(region, *corners.mean(axis=1).T)]


def _delaunay(points: np.ndarray) -> np.ndarray:
    """Triangles (m, 3) of the hull of points (n, 2)."""
    # rows and rings put many points on common circles, which takes twice the time unless they are shaken a little
    shake = 1e-7 * np.ptp(points, axis=0).max() * np.random.default_rng(0).random(points.shape)
    return Delaunay(points - points.mean(axis=0) + shake).simplices.astype(int)


def _conforming_delaunay(cloud: MeshPoints, region: Polygon) -> tuple[MeshPoints, np.ndarray]:
    """Delaunay triangles that have every needed edge: free points that are in its way go, else it is halved."""
    shapely.prepare(region)
    for _ in range(MAX_REPAIR_ROUNDS):
        triangles = _delaunay(cloud.points)
        count = len(cloud.points)
        missing = ~np.isin(edge_keys(cloud.required_edges, count), edge_keys(directed_edges(triangles), count))
        if not missing.any():
            return cloud, _triangles_inside(cloud.points, triangles, region)
        cloud = _repair_missing_edges(cloud, missing)
    x, y = cloud.points[cloud.required_edges[missing]].mean(axis=1)[0]
    where = f"mesh near ({x:.2f}, {y:.2f})"
    raise MeshError(str(Fault(where, "lines lie too close to be meshed", "move them apart or let them coincide")))


def _repair_missing_edges(cloud: MeshPoints, missing: np.ndarray) -> MeshPoints:
    """One round of mending: see `_conforming_delaunay`."""
    crowded = _encroaching_points(cloud, cloud.required_edges[missing])
    stuck = np.ones(missing.sum(), dtype=bool)
    stuck[[edge for edge, _ in crowded]] = False
    broken = np.flatnonzero(missing)[stuck]
    a, b = cloud.required_edges[broken].T
    new = len(cloud.points) + np.arange(len(broken))
    whole = np.delete(cloud.required_edges, broken, axis=0)
    cloud = MeshPoints(
        np.vstack([cloud.points, (cloud.points[a] + cloud.points[b]) / 2]),
        np.append(cloud.movable, np.zeros(len(new), dtype=bool)),
        np.append(cloud.mandatory, np.ones(len(new), dtype=bool)),
        np.concatenate([whole, np.column_stack([a, new]), np.column_stack([new, b])]),
        cloud.soft_edges,
    )
    stays = np.ones(len(cloud.points), dtype=bool)
    stays[[point for _, point in crowded]] = False
    return _subset(cloud, stays)


def _without_encroaching(cloud: MeshPoints) -> MeshPoints:
    """Without the free points in the circles over needed and kept edges, which would push those out of the mesh."""
    stays = np.ones(len(cloud.points), dtype=bool)
    stays[
        [point for _, point in _encroaching_points(cloud, np.concatenate([cloud.required_edges, cloud.soft_edges]))]
    ] = False
    return _subset(cloud, stays)


def _encroaching_points(cloud: MeshPoints, edges: np.ndarray) -> list[tuple[int, int]]:
    """Pairs (edge, free point) of points within the circle that has the edge as diameter."""
    free = np.flatnonzero(cloud.movable)
    if not len(free) or not len(edges):
        return []
    a, b = cloud.points[edges[:, 0]], cloud.points[edges[:, 1]]
    radius = np.linalg.norm(b - a, axis=1) / 2
    found = cKDTree(cloud.points[free]).query_ball_point((a + b) / 2, radius * 1.001)
    return [(edge, free[i]) for edge, near in enumerate(found) for i in near]


def _subset(cloud: MeshPoints, mask: np.ndarray) -> MeshPoints:
    """The points of a mask (n,), which has all that end a needed edge, with the kept edges left whole."""
    if mask.all():
        return cloud
    number = np.cumsum(mask) - 1
    kept = cloud.soft_edges[mask[cloud.soft_edges].all(axis=1)]
    return MeshPoints(
        cloud.points[mask], cloud.movable[mask], cloud.mandatory[mask], number[cloud.required_edges], number[kept]
    )


def _refine(cloud: MeshPoints, triangles: np.ndarray, field: SizeField) -> MeshPoints:
    """With a free point more in the middle of each triangle that is too wide for its place."""
    corners = cloud.points[triangles]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    radius = sides.prod(axis=1) / (4 * signed_area(corners))
    middle = corners.mean(axis=1)
    size = field(middle)
    # nor where the middle would crowd a corner: stretched triangles on bead rows are meant
    nearest = np.linalg.norm(corners - middle[:, None], axis=2).min(axis=1)
    wide = np.flatnonzero((radius > MAX_CIRCUMRADIUS_RATIO * size) & (nearest > 0.55 * size))
    wide = wide[np.argsort(-radius[wide])]
    taken = np.zeros(len(wide), dtype=bool)
    if len(wide):
        for i, j in cKDTree(middle[wide]).query_pairs(0.7 * field.side, output_type="ndarray"):
            if not taken[i] and np.linalg.norm(middle[wide[i]] - middle[wide[j]]) < 0.7 * size[wide[j]]:
                taken[j] = True
    added = middle[wide[~taken]]
    return replace(
        cloud,
        points=np.vstack([cloud.points, added]),
        movable=np.append(cloud.movable, np.ones(len(added), dtype=bool)),
        mandatory=np.append(cloud.mandatory, np.zeros(len(added), dtype=bool)),
    )


def _smooth(cloud: MeshPoints, triangles: np.ndarray) -> np.ndarray:
    """Points (n, 2), the free ones drawn toward the middle of their neighbours where that helps the worst triangle."""
    points, free = cloud.points.copy(), cloud.movable
    count = len(points)
    a, b = directed_edges(triangles).T
    neighbours = np.maximum(np.bincount(a, minlength=count) + np.bincount(b, minlength=count), 1)
    for _ in range(SMOOTHING_SWEEPS):
        x, y = points.T
        middle = (
            np.column_stack([np.bincount(a, v[b], count) + np.bincount(b, v[a], count) for v in (x, y)])
            / neighbours[:, None]
        )
        before = _worst_quality_at_points(points, triangles)
        moved = np.where(free[:, None], middle, points)
        for _ in range(4):
            worse = free & (_worst_quality_at_points(moved, triangles) < before)
            if not worse.any():
                break
            moved[worse] = points[worse]
        else:
            hurt = np.unique(triangles[quality(moved[triangles]) <= quality(points[triangles]).clip(max=POOR_QUALITY)])
            moved[hurt] = points[hurt]
        points = moved
    return points


def _worst_quality_at_points(points: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(n,) least quality of the triangles round each point."""
    q = quality(points[triangles])
    worst = np.full(len(points), np.inf)
    for corner in triangles.T:
        np.minimum.at(worst, corner, q)
    return worst

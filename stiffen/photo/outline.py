"""The outline: from the region in the photo to lines and arcs in plan."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist, squareform

from stiffen.errors import Fault, InputError

from .curves import Piece, fit_ring, ring_points
from .edges import FAR, find_edges
from .scene.bundle import Scene
from .scene.corners import Photo

SPACING = 0.8  # mm, between measured points of an edge
FIRST_SEARCH, SEARCH = 5.0, 1.5  # mm, how far the edge may be from the region, and from the first fit
FIRST_SCATTER, SCATTER = 0.25, 0.15  # mm, allowed about lines and arcs
SMOOTHING = 4.0  # mm, over which the first outline's direction is smoothed
MIN_FOUND = 0.85  # share of the outline along which an edge must be found
MIN_ROOM = 6.0  # px, that the outline must keep from the rim of the picture


def trace_outline(
    photos: Sequence[Photo], scene: Scene, ring: np.ndarray, thickness: float
) -> tuple[tuple[Piece, ...], np.ndarray]:
    """Pieces and measured edge points, both in the scene's plan, mm; counter-clockwise.

    ring: (n, 2) px, the region's outline in the first photo.  InputError if no edge is found along it.
    """
    places = scene.cameras[0].on_plane(ring, thickness)
    points, normals = _evenly(places)
    points = measured(photos, scene, points, normals, thickness, FIRST_SEARCH, apparent=True)
    pieces = fit_ring(_tidy(points), FIRST_SCATTER)
    for _ in range(2):
        points, normals = ring_points(pieces, SPACING)
        points = measured(photos, scene, points, normals, thickness, SEARCH)
        pieces = fit_ring(points, SCATTER)
    check_in_picture(photos[0], scene, points, thickness)
    return pieces, points


def measured(
    photos: Sequence[Photo],
    scene: Scene,
    points: np.ndarray,
    normals: np.ndarray,
    thickness: float,
    search: float,
    far: float = FAR,
    *,
    apparent: bool = False,
) -> np.ndarray:
    """The edge points found along the normals, the mean of all photos, in order; those not found are left out."""
    total, count = np.zeros_like(points), np.zeros(len(points))
    for photo, camera in zip(photos, scene.cameras, strict=True):
        edge = find_edges(photo.pixels, camera, points, normals, thickness, search, far, apparent=apparent)
        total[edge.found] += edge.places[edge.found]
        count += edge.found
    seen = count > 0
    if seen.mean() < MIN_FOUND:
        what = f"the template's edge is found along {seen.mean():.0%} of its outline only"
        raise InputError(
            [Fault(photos[0].name, what, "more contrast between template and table; no hard shadow along the edge")]
        )
    return total[seen] / count[seen, None]


def _evenly(ring: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points at even spacing along a ring, counter-clockwise, with smoothed outward normals."""
    polygon = shapely.Polygon(ring).buffer(0)
    if polygon.geom_type != "Polygon":
        polygon = max(polygon.geoms, key=lambda one: one.area)
    line = shapely.LinearRing(shapely.geometry.polygon.orient(polygon).exterior.coords)
    count = max(60, round(line.length / SPACING))
    points = shapely.get_coordinates(line.interpolate(np.arange(count) / count, normalized=True))
    reach = max(1, round(SMOOTHING / SPACING))
    kernel = np.hanning(2 * reach + 3)[1:-1]
    around = np.arange(-reach, reach + 1)
    smooth = sum(w * np.roll(points, -k, axis=0) for w, k in zip(kernel / kernel.sum(), around, strict=True))
    along = np.roll(smooth, -2, axis=0) - np.roll(smooth, 2, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return smooth, np.column_stack([along[:, 1], -along[:, 0]])


def _tidy(points: np.ndarray) -> np.ndarray:
    """The points without those that leap from their neighbours' middle by over 1 mm."""
    middle = np.median([np.roll(points, k, axis=0) for k in range(-3, 4)], axis=0)
    return points[np.linalg.norm(points - middle, axis=1) < 2.0 + 3 * SPACING]


def check_in_picture(photo: Photo, scene: Scene, points: np.ndarray, thickness: float) -> None:
    """InputError if the outline comes too near to the rim of the picture."""
    seen = scene.cameras[0].project(np.column_stack([points, np.full(len(points), thickness)]))
    height, width = photo.pixels.shape[:2]
    room = np.minimum(seen, np.array([width - 1, height - 1]) - seen).min()
    if room < MIN_ROOM:
        raise InputError(
            [Fault(photo.name, "the template touches the picture's edge", "step back: show table all round it")]
        )


def farthest_points(points: np.ndarray) -> np.ndarray:
    """(2, 2): the two points that lie farthest from each other."""
    hull = points[ConvexHull(points).vertices]
    return hull[list(np.unravel_index(squareform(pdist(hull)).argmax(), (len(hull), len(hull))))]


def scatter_about(pieces: tuple[Piece, ...], points: np.ndarray) -> np.ndarray:
    """(n,) distances of points from the pieces, mm."""
    fine, _ = ring_points(pieces, 0.25)
    return shapely.distance(shapely.LinearRing(fine), shapely.points(points))


def panel_frame(pieces: tuple[Piece, ...]) -> np.ndarray:
    """(2, 3) matrix from the scene's plan to the panel's frame: the longest line along x, least x and y at 0."""
    lines = [piece for piece in pieces if not piece.bulge] or list(pieces)
    longest = max(lines, key=lambda piece: math.dist(piece.start, piece.stop))
    (x0, y0), (x1, y1) = longest.start, longest.stop
    turn = -math.atan2(y1 - y0, x1 - x0)
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    low = (ring_points(pieces, 0.5)[0] @ rotation.T).min(axis=0)
    return np.column_stack([rotation, -low])

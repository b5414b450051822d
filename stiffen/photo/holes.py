"""Punched holes in the template."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from stiffen.errors import InputError

from .edges import FAR, find_edges
from .outline import measured
from .scene.bundle import Scene
from .scene.camera import Camera
from .scene.corners import Photo
from .shape import RoundHole

RASTER = 3.5  # px per mm of the level picture in which holes and pen lines are sought
MARGIN = 2.0  # mm inside the outline: nothing is sought nearer to it
MIN_HOLE, MAX_HOLE = 2.0, 80.0  # mm
ROUND = 0.72  # 4 pi area / perimeter squared of the first guess
COARSE = 8  # px of the level picture, between the places that are projected
WINDOWS = 24.0, 120.0  # mm, over which the face's own colour is taken: for small holes, and for large ones
MIN_CUTOUT = 12.0  # mm, middle size of an opening that is not round
MAX_SCATTER = 0.35  # mm, of a hole's edge about its circle, root mean square


def level_picture(
    photo: Photo, camera: Camera, ring: np.ndarray, thickness: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The template seen from straight above: (h, w, 3) uint8, a mask of its face, (2,) mm of the first pixel.

    ring: (n, 2) mm, the outline in the scene's plan.  Rows run toward greater y.
    """
    import cv2

    low, high = ring.min(axis=0), ring.max(axis=0)
    width, height = (int(math.ceil(side * RASTER)) + 1 for side in high - low)
    columns, rows = (np.arange(0, side + COARSE, COARSE) for side in (width, height))
    places = np.stack(np.meshgrid(low[0] + columns / RASTER, low[1] + rows / RASTER), axis=-1)
    flat = places.reshape(-1, 2)
    seen = camera.project(np.column_stack([flat, np.full(len(flat), thickness)])).reshape(*places.shape)
    # Between the places of a coarse grid the projection is all but linear.
    fine = np.meshgrid(np.arange(width, dtype=np.float32) / COARSE, np.arange(height, dtype=np.float32) / COARSE)
    seen = cv2.remap(seen.astype(np.float32), *fine, cv2.INTER_LINEAR)
    picture = cv2.remap(photo.pixels, seen[..., 0], seen[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [np.round((ring - low) * RASTER).astype(np.int32)], 1)
    reach = 2 * round(MARGIN * RASTER) + 1
    return picture, cv2.erode(mask, np.ones((reach, reach), np.uint8), borderValue=0), low


def face_colour(picture: np.ndarray, mask: np.ndarray, window: float = 24.0) -> np.ndarray:
    """(h, w, 3) L*a*b* of the face about each place: a median over a window, mm, that smaller holes do not change."""
    import cv2

    lab = cv2.cvtColor(picture, cv2.COLOR_BGR2LAB)
    inside = np.median(lab[mask > 0], axis=0)
    lab[mask == 0] = inside
    small = cv2.resize(lab, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    wide = cv2.medianBlur(small, 2 * round(window / 2 * RASTER * 0.125) + 1)
    return cv2.resize(wide, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR).astype(np.float32)


def find_holes(
    photos: Sequence[Photo],
    scene: Scene,
    level: tuple[np.ndarray, np.ndarray, np.ndarray],
    table: np.ndarray,
    thickness: float,
) -> tuple[list[RoundHole], list[np.ndarray]]:
    """Round holes, and rings of openings that are not round (mm), both in the scene's plan.

    table: (3,) L*a*b* of the table beside the template: a hole shows it.
    """

    holes: list[RoundHole] = []
    others: list[np.ndarray] = []
    for window in WINDOWS:
        for ring in _openings(level, table, window):
            area = shapely.Polygon(ring).area
            guess, at = 2 * math.sqrt(area / math.pi), np.array(shapely.Polygon(ring).centroid.coords[0])
            if not 0.7 * MIN_HOLE <= guess <= min(window * 0.7, 4 * MAX_HOLE) or any(
                math.dist(at, one.at) < one.diameter / 2 + 1.0 for one in holes
            ):
                continue
            round_off = 4 * math.pi * area / shapely.Polygon(ring).length ** 2
            hole = _circle(photos, scene, at, guess, thickness) if round_off > ROUND and guess <= MAX_HOLE else None
            if hole:
                holes.append(hole)
            elif guess > MIN_CUTOUT and window == WINDOWS[-1]:
                others.append(ring)
    return holes, [ring for ring in others if _has_edge(photos, scene, ring, thickness)]


def _openings(level: tuple[np.ndarray, np.ndarray, np.ndarray], table: np.ndarray, window: float) -> list[np.ndarray]:
    """Rings (mm, in plan) of what looks like the table through the template."""
    import cv2

    picture, mask, low = level
    face = face_colour(picture, mask, window)
    lab = cv2.cvtColor(picture, cv2.COLOR_BGR2LAB).astype(np.float32)
    toward = table - np.median(lab[mask > 0], axis=0)
    size = float(np.linalg.norm(toward))
    share = ((lab - face) @ toward) / size**2
    aside = np.linalg.norm((lab - face) - share[..., None] * toward, axis=2) / size
    open_here = ((share > 0.5) & (aside < 0.6) & (mask > 0)).astype(np.uint8)
    rings, _ = cv2.findContours(open_here, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [ring[:, 0] / RASTER + low for ring in rings if len(ring) >= 8]


def _has_edge(photos: Sequence[Photo], scene: Scene, ring: np.ndarray, thickness: float) -> bool:
    """Whether a strong edge runs all round an opening: not so round a shadow or a stain."""
    polygon = shapely.geometry.polygon.orient(shapely.Polygon(ring).simplify(0.5))
    points = shapely.get_coordinates(polygon.exterior.segmentize(1.0))[:-1]
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    inward = np.column_stack([-along[:, 1], along[:, 0]])
    edge = find_edges(photos[0].pixels, scene.cameras[0], points, inward, thickness, 1.5, apparent=True)
    return bool(edge.found.mean() > 0.9)


def _circle(
    photos: Sequence[Photo], scene: Scene, at: np.ndarray, diameter: float, thickness: float
) -> RoundHole | None:
    """The circle through the edge points about a first guess; None if they do not lie on one."""
    angles = np.linspace(0, math.tau, max(24, min(120, round(diameter * 4))), endpoint=False)
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    for apparent in (True, False, False):
        # The normal away from the material points into the hole.
        try:
            limits = min(1.5, 0.3 * diameter), min(FAR, 0.4 * diameter)
            points = measured(photos, scene, at + out * diameter / 2, -out, thickness, *limits, apparent=apparent)
        except InputError:
            return None
        at, diameter, error = _fit_circle(points)
    if error > MAX_SCATTER or diameter < MIN_HOLE:
        return None
    return RoundHole((float(at[0]), float(at[1])), float(diameter))


def _fit_circle(points: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Centre, diameter, root mean square distance, by Kasa's fit, outliers left out once."""
    for _ in range(2):
        middle = points.mean(axis=0)
        x, y = (points - middle).T
        a, b, k = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x * x + y * y, rcond=None)[0]
        radius = math.sqrt(k + a * a + b * b)
        error = np.hypot(x - a, y - b) - radius
        kept = np.abs(error) <= 2.5 * max(float(np.median(np.abs(error))) * 1.48, 0.02)
        points = points[kept] if kept.sum() >= 12 else points
    return middle + [a, b], 2 * radius, float(np.sqrt((error[kept] ** 2).mean()))

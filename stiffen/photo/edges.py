"""Edges to a fraction of a pixel: where light turns from the template to what lies beside it.

The edge is sought along the normal of a first guess, in linear light (the curve of IEC 61966-2-1 taken off), as the
place half-way between the level inside and the level outside.  The template has a thickness: where its cut edge faces
the camera, the outermost thing seen is its foot on the table, elsewhere its upper rim.  Each is brought to plan at its
own height.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from .scene.camera import Camera

STEP = 0.4  # px, between the samples of a profile
NEAR, FAR = 0.5, 1.6  # mm from the edge, between which the levels inside and outside are taken
SMOOTHED = 2  # neighbours on each side, over which levels are averaged
MIN_CONTRAST = 0.03  # of white, in linear light: less is no edge


@dataclass(frozen=True)
class EdgePoints:
    """places: (n, 2) mm in plan.  found: (n,) bool.  width: (n,) mm, from a quarter to three quarters of the step."""

    places: np.ndarray
    found: np.ndarray
    width: np.ndarray


@cache
def _linear_table() -> np.ndarray:
    coded = np.arange(256) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4).astype(np.float32)


def sample_linear(pixels: np.ndarray, places: np.ndarray) -> np.ndarray:
    """(n, m, 3) linear light at (n, m, 2) pixel places."""
    import cv2

    maps = places.astype(np.float32)
    coded = cv2.remap(pixels, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return _linear_table()[coded]


def find_edges(
    pixels: np.ndarray,
    camera: Camera,
    points: np.ndarray,
    normals: np.ndarray,
    thickness: float,
    search: float,
    far: float = FAR,
    *,
    apparent: bool = False,
) -> EdgePoints:
    """Edges along the outward normals of a first guess.

    points, normals: (n, 2), in plan, mm, in order along the edge; outward is away from the material.  thickness: of the
    template, mm.  search: how far the guess may be off, mm.  far: mm beside the edge, in which there is nothing but
    template on one side and table on the other.  apparent: the guess is what is seen, brought to the plane of the upper
    face, and not yet the true edge.
    """
    scale = float(np.median(camera.scale_at(points)))
    step = STEP / scale
    reach = search + far
    offsets = np.arange(-reach, reach + step / 2, step)
    on_face = points[:, None] + offsets[None, :, None] * normals[:, None]
    facing = ((camera.place[:2] - points) * normals).sum(axis=1) > 0  # the cut edge is seen: look for its foot
    height = np.full(len(points), thickness) if apparent else np.where(facing, 0.0, thickness)
    high = np.concatenate([on_face, np.tile(height[:, None, None], (1, len(offsets), 1))], axis=2)
    seen = camera.project(high.reshape(-1, 3)).reshape(len(points), len(offsets), 2)
    light = sample_linear(pixels, seen)
    crossing, contrast, width = _crossings(light, offsets, search, far)
    found = np.isfinite(crossing) & (contrast > MIN_CONTRAST)
    crossing = np.where(found, crossing, 0.0)
    at = points + crossing[:, None] * normals
    foot = camera.on_plane(camera.project(np.column_stack([at, height])), 0.0)
    places = np.where(facing[:, None], foot, at)
    return EdgePoints(places, found, width)


def _crossings(light: np.ndarray, offsets: np.ndarray, search: float, far: float) -> tuple[np.ndarray, ...]:
    """For each profile the outermost place half-way from inside to outside (nan: none), contrast, width of the edge."""
    count = len(light)
    rough = np.zeros(count)
    result = np.full(count, np.nan)
    contrast, width = np.zeros(count), np.zeros(count)
    near = min(NEAR, far / 3)
    # First the levels beyond the whole search, then those beside the edge that was found.
    for search_now, gap in ((search, search if far >= FAR else near), (min(search, 1.0), near)):
        inside = _level(light, offsets, rough - max(gap + far / 2, far), rough - gap)
        outside = _level(light, offsets, rough + gap, rough + max(gap + far / 2, far))
        inside, outside = _along(inside), _along(outside)
        change = outside - inside
        contrast = np.linalg.norm(change, axis=1)
        share = ((light - inside[:, None]) * change[:, None]).sum(axis=2) / np.maximum(contrast, 1e-6)[:, None] ** 2
        allowed = np.abs(offsets[None] - rough[:, None]) <= search_now
        result = _outermost(share, offsets, allowed, 0.5)
        width = _outermost(share, offsets, allowed, 0.75) - _outermost(share, offsets, allowed, 0.25)
        rough = np.where(np.isfinite(result), result, rough)
    return result, contrast, width


def _level(light: np.ndarray, offsets: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """(n, 3) median light of each profile between two offsets."""
    inside = (offsets[None] >= low[:, None]) & (offsets[None] <= high[:, None])
    return np.nanmedian(np.where(inside[..., None], light, np.nan), axis=1)


def _along(levels: np.ndarray) -> np.ndarray:
    """Levels averaged with the neighbours along a closed edge."""
    return sum((np.roll(levels, k, axis=0) for k in range(-SMOOTHED, SMOOTHED + 1)), start=np.zeros_like(levels)) / (
        2 * SMOOTHED + 1
    )


def _outermost(share: np.ndarray, offsets: np.ndarray, allowed: np.ndarray, level: float) -> np.ndarray:
    """Offset of the last rise of `share` through a level among those allowed; nan where there is none."""
    rises = (share[:, :-1] < level) & (share[:, 1:] >= level) & allowed[:, :-1] & allowed[:, 1:]
    last = rises.shape[1] - 1 - np.argmax(rises[:, ::-1], axis=1)
    rows = np.arange(len(share))
    a, b = share[rows, last], share[rows, last + 1]
    place = offsets[last] + (level - a) / np.where(b == a, 1, b - a) * (offsets[1] - offsets[0])
    return np.where(rises.any(axis=1), place, np.nan)

"""The expected error of an outline read from a photo, from its parts."""

from __future__ import annotations

import math

import numpy as np

from .scene.bundle import Scene

DRAWS = 60
READING = 0.25  # mm, to which a length is read on a page: half a division of a steel rule, both ends
LONG_READING = 0.5  # mm, the same for the longest length, with a tape
THICKNESS_READING = 0.1  # mm
PAPER_LENGTH = 200.0  # mm, middle of the two lengths on the page
MODEL_ERROR = 1.5  # times the corners' part: paper curls in more ways than the model's (from rendered photos)
PERCENTILE = 95
NORMAL_95 = 1.96


def scale_weights(longest: float) -> tuple[float, float]:
    """Relative standard deviations of the scale by the pages' lengths and by the longest length."""
    return READING / math.sqrt(3) / PAPER_LENGTH, LONG_READING / math.sqrt(3) / longest


def geometry_error(scene: Scene, pixels: np.ndarray, thickness: float) -> tuple[float, float]:
    """What is not known of camera and pages, at (n, 2) pixels of the outline in the first photo.

    Drawn from the fit's covariance.  First the 95th percentile of the change of form, mm (shift, turn and size taken
    off), then the standard deviation of the size, relative.
    """
    rng = np.random.default_rng(0)
    base = scene.cameras[0].on_plane(pixels, thickness)
    middle = base.mean(axis=0)
    flat = (base - middle) @ [1, 1j]
    values, vectors = np.linalg.eigh(scene.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0))
    forms, sizes = [], []
    for draw in rng.normal(size=(DRAWS, len(values))):
        moved = scene.changed(scene.parameters + root @ draw).cameras[0].on_plane(pixels, thickness)
        other = (moved - moved.mean(axis=0)) @ [1, 1j]
        factor = np.vdot(flat, other) / np.vdot(flat, flat)
        sizes.append(abs(factor) - 1)
        forms.append(np.abs(other - factor * flat))
    return float(np.percentile(forms, PERCENTILE)) * MODEL_ERROR, float(np.std(sizes)) * MODEL_ERROR


def error_parts(
    scene: Scene, points: np.ndarray, thickness: float, scatter: float, longest: float
) -> tuple[dict[str, float], float]:
    """Parts of the expected error at the outline, mm, each at 95 %; and their root of the sum of squares.

    points: (n, 2) mm in the scene's plan.
    """
    camera = scene.cameras[0]
    some = points[:: max(1, len(points) // 60)]
    pixels = camera.project(np.column_stack([some, np.full(len(some), thickness)]))
    form, size = geometry_error(scene, pixels, thickness)
    by_pages, by_longest = scale_weights(longest)
    by_pages = math.hypot(by_pages, size)
    scale = 1 / math.sqrt(by_pages**-2 + by_longest**-2)
    far = np.linalg.norm(some - some.mean(axis=0), axis=1)
    slant = np.linalg.norm(some - camera.place[:2], axis=1) / camera.place[2]
    parts = {
        "camera and pages": form / math.sqrt(len(scene.cameras)),
        "lengths read by hand": NORMAL_95 * scale * float(np.percentile(far, PERCENTILE)),
        "thickness": NORMAL_95 * THICKNESS_READING / math.sqrt(3) * float(np.percentile(slant, PERCENTILE)),
        "the edge itself": NORMAL_95 * scatter,
    }
    return parts, math.sqrt(sum(part**2 for part in parts.values()))

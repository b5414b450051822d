"""The expected error of an outline read from a photo, from its parts."""

from __future__ import annotations

import math

import numpy as np

from .scene.bundle import Scene
from .scene.known_length import STEP

DRAWS = 60
READING = 0.25  # mm, to which a length is read on a page: half a division of a steel rule, both ends
LONG_READING = 0.5  # mm, the same for the longest length, with a tape
THICKNESS_READING = 0.1  # mm
PAPER_LENGTH = 200.0  # mm, middle of the two lengths on the page
PERCENTILE = 95
NORMAL_95 = 1.96


def reading_spreads() -> tuple[float, float]:
    """Standard deviations of the longest length, mm, and of the print's scale by the pages' lengths, relative."""
    return LONG_READING / math.sqrt(3), READING / math.sqrt(3) / PAPER_LENGTH


def geometry_error(scene: Scene, pixels: np.ndarray, thickness: float) -> tuple[float, float]:
    """What is not known of camera and pages, at (n, 2) pixels of the outline in the first photo.

    Drawn from the fit's covariance, the longest length taken in.  First the 95th percentile of the change of form, mm
    (shift, turn and size taken off), then the standard deviation of the size, relative.
    """
    rng = np.random.default_rng(0)
    base = scene.cameras[0].on_plane(pixels, thickness)
    middle = base.mean(axis=0)
    flat = (base - middle) @ [1, 1j]
    values, vectors = np.linalg.eigh(scene.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0))
    slopes = _slopes(scene, pixels, thickness)  # linear, as the length holds combinations that are weak one by one
    forms, sizes = [], []
    for draw in rng.normal(size=(DRAWS, len(values))):
        moved = base + np.tensordot(root @ draw, slopes, axes=1)
        other = (moved - moved.mean(axis=0)) @ [1, 1j]
        factor = np.vdot(flat, other) / np.vdot(flat, flat)
        sizes.append(abs(factor) - 1)
        forms.append(np.abs(other - factor * flat))
    return float(np.percentile(forms, PERCENTILE)), float(np.std(sizes))


def _slopes(scene: Scene, pixels: np.ndarray, thickness: float) -> np.ndarray:
    """(p, n, 2): how the places that pixels show move with each parameter, and with the size last."""
    spreads = np.sqrt(np.maximum(np.diag(scene.covariance)[:-1], 0.0))
    moves = np.diag(STEP * spreads)[spreads > 0]
    found = np.zeros((len(spreads) + 1, *pixels.shape))
    found[-1] = scene.cameras[0].on_plane(pixels, thickness) / scene.size
    for k, move in zip(np.flatnonzero(spreads > 0), moves, strict=True):
        low, high = (scene.changed(scene.parameters + way).cameras[0] for way in (-move, move))
        found[k] = (high.on_plane(pixels, thickness) - low.on_plane(pixels, thickness)) / (2 * move[k])
    return found


def error_parts(scene: Scene, points: np.ndarray, thickness: float, scatter: float) -> tuple[dict[str, float], float]:
    """Parts of the expected error at the outline, mm, each at 95 %; and their root of the sum of squares.

    points: (n, 2) mm in the scene's plan.
    """
    camera = scene.cameras[0]
    some = points[:: max(1, len(points) // 60)]
    pixels = camera.project(np.column_stack([some, np.full(len(some), thickness)]))
    form, size = geometry_error(scene, pixels, thickness)
    far = np.linalg.norm(some - some.mean(axis=0), axis=1)
    slant = np.linalg.norm(some - camera.place[:2], axis=1) / camera.place[2]
    parts = {
        "camera and pages": form / math.sqrt(len(scene.cameras)),
        "lengths read by hand": NORMAL_95 * size * float(np.percentile(far, PERCENTILE)),
        "thickness": NORMAL_95 * THICKNESS_READING / math.sqrt(3) * float(np.percentile(slant, PERCENTILE)),
        "the edge itself": NORMAL_95 * scatter,
    }
    return parts, math.sqrt(sum(part**2 for part in parts.values()))

"""A length that was measured by hand on the template, brought into the fit of camera and pages.

From straight above, a page that curls looks like one that lies aslant.  The error of the slant grows with the square of
the distance from the page, and so does that of a length right across the template.  The length therefore mends the
slant, not the scale alone: it is taken in as one more reading, by the iterated Kalman update, with the covariance of
the fit (Bell and Cathey, The iterated Kalman filter update as a Gauss-Newton method, IEEE Trans. Automatic Control 38
(1993); from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .bundle import Scene

ROUNDS = 3
STEP = 0.02  # of a parameter's standard deviation, for slopes
MODEL_ERROR = 1.5  # times the corners' part: paper curls in more ways than the model's (from rendered photos)


@dataclass(frozen=True)
class KnownLength:
    """mm between the places that two pixels of the first photo show, `height` mm over the table.

    spread: standard deviation of the reading, mm.  size_spread: of the print's scale, relative.
    """

    pixels: np.ndarray
    height: float
    length: float
    spread: float
    size_spread: float


def length_spread(scene: Scene, known: KnownLength) -> float:
    """Standard deviation of the length by camera and pages alone, mm."""
    covariance = _covariance(scene, known)
    slopes = _slopes(scene, known, scene.parameters, 1.0, covariance)
    return float(np.sqrt(slopes @ covariance @ slopes))


def with_length(scene: Scene, known: KnownLength) -> Scene:
    """The scene that agrees with the length as far as corners and length are sure; with its `size` and covariance."""
    start, count = scene.parameters, len(scene.parameters)
    covariance = _covariance(scene, known)
    now, size = start.copy(), 1.0
    for _ in range(ROUNDS):
        slopes = _slopes(scene, known, now, size, covariance)
        shared = covariance @ slopes
        gain = shared / (slopes @ shared + known.spread**2)
        off = known.length - size * _distance(scene, known, now)
        change = gain * (off + slopes @ np.append(now - start, size - 1.0))
        now, size = start + change[:count], 1.0 + float(change[count])
    return replace(scene.changed(now), size=size, covariance=covariance - np.outer(gain, shared))


def _covariance(scene: Scene, known: KnownLength) -> np.ndarray:
    """Of the parameters and the size, before the length is known."""
    covariance = scene.covariance * MODEL_ERROR**2
    covariance[-1, -1] = known.size_spread**2
    return covariance


def _distance(scene: Scene, known: KnownLength, parameters: np.ndarray) -> float:
    a, b = scene.changed(parameters).cameras[0].on_plane(known.pixels, known.height)
    return float(np.linalg.norm(a - b))


def _slopes(
    scene: Scene, known: KnownLength, parameters: np.ndarray, size: float, covariance: np.ndarray
) -> np.ndarray:
    """How the length changes with each parameter, and with the size last."""
    slopes = np.append(np.zeros(len(parameters)), _distance(scene, known, parameters))
    spreads = np.sqrt(np.maximum(np.diag(covariance)[:-1], 0.0))
    for k in np.flatnonzero(spreads > 0):
        move = np.zeros(len(parameters))
        move[k] = STEP * spreads[k]
        low, high = (_distance(scene, known, parameters + way) for way in (-move, move))
        slopes[k] = size * (high - low) / (2 * move[k])
    return slopes

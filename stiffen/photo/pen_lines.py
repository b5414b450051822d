"""Pen lines on the template: red for folds, blue for places to keep out of.

Colour is the rule: it needs no judging of dashes.  A red line along a ruler from edge to edge, dashed or not, is a
fold; a closed blue loop, hatched or not, is a keep-out.  Black and pencil are ignored, so that notes may stay.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from .holes import RASTER, face_colour

MIN_COLOUR = 14.0  # steps of a* or b*, 8 bit, from the card's own colour
MIN_INKED = 0.35  # share of a fold line that must be inked: dashes as long as their gaps give a half
LINE_REACH = 1.2  # mm from the line, within which ink belongs to it
MIN_FOLD = 40.0  # mm
MAX_FOLDS = 12
GAP = 4.0  # mm, which a keep-out's line may leave open
MIN_KEEP_OUT = 60.0  # mm2
SIMPLE = 1.2  # mm, a pen's width, by which the ring of a keep-out may be simplified
TRIALS = 400


def find_pen_lines(
    level: tuple[np.ndarray, np.ndarray, np.ndarray], outline: shapely.Polygon
) -> tuple[list[tuple[tuple[float, float], tuple[float, float]]], list[np.ndarray]]:
    """Fold lines, each from edge to edge, and rings of keep-outs, mm, in the scene's plan."""
    import cv2

    picture, mask, low = level
    lab = cv2.cvtColor(cv2.GaussianBlur(picture, (0, 0), 0.8), cv2.COLOR_BGR2LAB).astype(np.float32)
    away = lab - face_colour(picture, mask)
    red = (away[..., 1] > MIN_COLOUR) & (away[..., 2] > -MIN_COLOUR) & (mask > 0)
    blue = (away[..., 2] < -MIN_COLOUR) & (away[..., 1] < -away[..., 2]) & (mask > 0)
    return _folds(red, low, outline), _keep_outs(blue, low)


def _folds(red: np.ndarray, low: np.ndarray, outline: shapely.Polygon) -> list:
    """Lines that pass through much ink, one after the other; the trials are the same each time."""
    rng = np.random.default_rng(0)
    rows, columns = np.nonzero(red)
    ink = np.column_stack([columns, rows]) / RASTER + low
    found: list[tuple] = []
    while len(ink) > MIN_FOLD * RASTER * 0.3 and len(found) < MAX_FOLDS:
        a, b = (ink[rng.integers(0, len(ink), TRIALS)] for _ in range(2))
        length = np.linalg.norm(b - a, axis=1)
        ok = length > MIN_FOLD / 2
        if not ok.any():
            break
        a, along = a[ok], ((b - a)[ok] / length[ok, None])
        some = ink[rng.integers(0, len(ink), min(len(ink), 3000))]
        away = np.abs(
            (some[None, :, 0] - a[:, None, 0]) * along[:, None, 1]
            - (some[None, :, 1] - a[:, None, 1]) * along[:, None, 0]
        )
        best = int(np.argmax((away < LINE_REACH).sum(axis=1)))
        middle, direction = a[best], along[best]
        for _ in range(3):
            aside = np.abs((ink[:, 0] - middle[0]) * direction[1] - (ink[:, 1] - middle[1]) * direction[0])
            near = ink[aside < LINE_REACH]
            middle = near.mean(axis=0)
            direction = np.linalg.svd(near - middle, full_matrices=False)[2][0]
        fold = _edge_to_edge(middle, direction, outline)
        inked = np.unique(np.round((near - middle) @ direction)).size  # mm along the line that bear ink
        ink = ink[aside >= 2 * LINE_REACH]
        if fold is None or math.dist(*fold) < MIN_FOLD or inked < MIN_INKED * math.dist(*fold):
            continue
        found.append(fold)
    return found


def _edge_to_edge(middle: np.ndarray, direction: np.ndarray, outline: shapely.Polygon) -> tuple | None:
    """The part of a line inside the outline that holds its middle; its ends lie on the outline."""
    whole = shapely.LineString([middle - 5000 * direction, middle + 5000 * direction]).intersection(outline)
    parts = list(getattr(whole, "geoms", [whole]))
    own = min(parts, key=lambda part: part.distance(shapely.Point(middle)), default=None)
    if own is None or own.geom_type != "LineString":
        return None
    return tuple(own.coords[0]), tuple(own.coords[-1])


def _keep_outs(blue: np.ndarray, low: np.ndarray) -> list[np.ndarray]:
    import cv2

    reach = 2 * round(GAP / 2 * RASTER) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    closed = cv2.morphologyEx(blue.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    rings, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = []
    for ring in rings:
        if cv2.contourArea(ring) < MIN_KEEP_OUT * RASTER**2:
            continue
        if cv2.contourArea(ring) < 3.0 * RASTER * cv2.arcLength(ring, True) / 2:  # a bare line: no loop
            continue
        simple = cv2.approxPolyDP(ring, SIMPLE * RASTER, True)[:, 0]
        if len(simple) >= 3:
            found.append(simple / RASTER + low)
    return found

"""The board pages: what is printed on each, and where its corners lie.

A page bears a ChArUco board (a chessboard with a marker in each white square, an open pattern of OpenCV's `aruco`
module).  Every page has markers of its own, so that a page is known by any of them.  Page coordinates: mm, x across
the feed of the printer, y along it, origin in the lower left corner of the board.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

COLUMNS, ROWS = 6, 9  # squares
SQUARE, MARKER = 28.0, 21.0  # mm, sides of a square and of a marker
BOARD_WIDTH, BOARD_HEIGHT = COLUMNS * SQUARE, ROWS * SQUARE  # mm
MARKERS = COLUMNS * ROWS // 2  # on one page
CORNERS = (COLUMNS - 1) * (ROWS - 1)  # inner corners of the chessboard on one page
MAX_PAGES = 12
DICTIONARY_SIZE = 1000  # markers of 5 x 5 cells
CELLS = 7  # across a marker, its black rim included
ACROSS, ALONG = 160.0, 240.0  # mm, the two lengths to measure on the printed page


@cache
def dictionary() -> Any:
    """OpenCV's dictionary of 1000 markers of 5 x 5 cells."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)


@cache
def board(page: int) -> Any:
    """OpenCV's ChArUco board of a page; pages count from 0."""
    import cv2

    ids = np.arange(MARKERS) + page * MARKERS
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), SQUARE, MARKER, dictionary(), ids)


@cache
def corner_places() -> np.ndarray:
    """(CORNERS, 2) inner corners of the chessboard in page coordinates, in OpenCV's order."""
    found = np.array(board(0).getChessboardCorners(), float)[:, :2]
    return np.column_stack([found[:, 0], BOARD_HEIGHT - found[:, 1]])


def marker_squares(page: int) -> list[tuple[float, float, np.ndarray]]:
    """Lower left corner (mm) of each marker of a page, and its (CELLS, CELLS) cells, rows downward, True for black."""
    import cv2

    found = []
    for number, points in zip(board(page).getIds().ravel(), board(page).getObjPoints(), strict=True):
        low = np.array(points)[:, :2]
        cells = cv2.aruco.generateImageMarker(dictionary(), int(number), CELLS) < 128
        found.append((float(low[:, 0].min()), float(BOARD_HEIGHT - low[:, 1].max()), cells))
    return found


def black_squares() -> list[tuple[float, float]]:
    """Lower left corners (mm) of the black squares: those without a marker."""
    inset = (SQUARE - MARKER) / 2
    white = {(round((x - inset) / SQUARE), round((y - inset) / SQUARE)) for x, y, _ in marker_squares(0)}
    return [(i * SQUARE, j * SQUARE) for i in range(COLUMNS) for j in range(ROWS) if (i, j) not in white]

"""Reads a photo and finds the corners of the board pages in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stiffen.errors import Fault, InputError
from stiffen.io.files import check_file, file_error

from .board import COLUMNS, MARKERS, MAX_PAGES, board, dictionary

MAX_PHOTO_BYTES = 60_000_000
MAX_PIXELS = 120_000_000
MIN_SIDE = 600  # px
FULL_FRAME_DIAGONAL = 43.27  # mm, of 36 x 24 mm film, to which a focal length "in 35 mm film" refers
EXIF_TABLE, EXIF_FOCAL_35 = 0x8769, 0xA405
MIN_CORNERS = 8  # of a page, to place it
INSTALL_CURE = "pip install 'stiffen[photo]'"


@dataclass(frozen=True)
class Photo:
    """name: of the file.  pixels: (h, w, 3) uint8, blue, green, red.  focal: px, as the file tells it, or None."""

    name: str
    pixels: np.ndarray
    focal: float | None


@dataclass(frozen=True)
class PageCorners:
    """The corners of one page in one photo.  ids: (n,) of `board.corner_places`.  pixels: (n, 2)."""

    page: int
    ids: np.ndarray
    pixels: np.ndarray

    @property
    def spread(self) -> bool:
        """Whether the corners lie in at least two rows and two columns: one line of them places no page."""
        return min(len(set(self.ids // (COLUMNS - 1))), len(set(self.ids % (COLUMNS - 1)))) >= 2


def require_opencv() -> None:
    """Raise InputError if OpenCV or its ChArUco detector is missing."""
    try:
        from cv2.aruco import CharucoDetector  # noqa: F401
    except ImportError:
        raise InputError(
            [Fault("", "reading a photo needs OpenCV 4.7 or newer, which is missing", INSTALL_CURE)]
        ) from None


def read_photo(path: str | Path) -> Photo:
    """The photo of a JPEG, PNG or TIFF file, turned as its data say.  InputError if it cannot be used."""
    import cv2
    from PIL import Image, UnidentifiedImageError

    check_file(path, MAX_PHOTO_BYTES)
    try:
        with Image.open(path) as header:
            size, exif = header.size, header.getexif()
            film = dict(exif.get_ifd(EXIF_TABLE)).get(EXIF_FOCAL_35)
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise file_error(path, "is not a picture that can be read", "save it as JPEG or PNG") from None
    if size[0] * size[1] > MAX_PIXELS or min(size) < MIN_SIDE:
        limits = f"{MIN_SIDE} on the short side to {MAX_PIXELS / 1e6:.0f} million in all can be used"
        what = f"has {size[0]} x {size[1]} pixels; {limits}"
        raise file_error(path, what, "take the photo as the camera gives it, neither cut out nor made smaller")
    pixels = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:
        raise file_error(path, "is not a picture that can be read", "save it as JPEG or PNG")
    focal = float(film) * float(np.hypot(*size)) / FULL_FRAME_DIAGONAL if film else None
    return Photo(str(path), pixels, focal)


def find_pages(photo: Photo) -> tuple[list[PageCorners], int]:
    """The pages seen in a photo with at least MIN_CORNERS corners each, and the number of markers seen in all."""
    import cv2

    grey = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = 15, 65
    settings.adaptiveThreshWinSizeStep = 25
    settings.minMarkerPerimeterRate = 0.015
    markers, ids, _ = cv2.aruco.ArucoDetector(dictionary(), settings).detectMarkers(grey)
    if ids is None:
        return [], 0
    numbers = np.asarray(ids).ravel()
    known = numbers < MARKERS * MAX_PAGES
    pages = []
    for page in sorted(set(numbers[known] // MARKERS)):
        own = np.flatnonzero(numbers // MARKERS == page)
        found = _page_corners(grey, int(page), [markers[int(i)] for i in own], numbers[own])
        if found and len(found.ids) >= MIN_CORNERS and found.spread:
            pages.append(found)
    return pages, int(known.sum())


def _page_corners(grey: np.ndarray, page: int, markers: Sequence[np.ndarray], ids: np.ndarray) -> PageCorners | None:
    import cv2

    charuco = cv2.aruco.CharucoParameters()
    charuco.minMarkers = 1
    detector = cv2.aruco.CharucoDetector(board(page), charuco)
    places, numbers, _, _ = detector.detectBoard(grey, markerCorners=list(markers), markerIds=ids.reshape(-1, 1))
    if numbers is None or len(numbers) == 0:
        return None
    places = np.asarray(places, np.float32).reshape(-1, 1, 2)
    return PageCorners(page, np.asarray(numbers).ravel(), places.reshape(-1, 2).astype(float))

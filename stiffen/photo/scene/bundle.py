"""Camera and pages from the corners in all photos: bundle adjustment by least squares.

Homographies one page at a time would need no camera, but leave the lens's distortion in, know no height, and do not
tie the pages together.  Here all corners of all pages are fitted at once.  Unknown are, for each photo, focal length,
principal point, two radial terms and pose; for each page but the first its place and turn on the table; and the form
in which each page curls off the table, a polynomial of third degree whose lowest point touches the table.  What one
photo does not tell is held by weak priors: their sizes are below, and enter the expected error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.optimize import least_squares

from .board import ACROSS, ALONG, BOARD_HEIGHT, BOARD_WIDTH, corner_places
from .camera import Camera
from .corners import PageCorners

CORNER_NOISE = 0.06  # px, standard deviation of a corner's place, from rendered photos; the fit's own if that is larger
FOCAL_FILM, FOCAL_SPREAD, FOCAL_SPREAD_EXIF = 27.0, 0.25, 0.05  # mm on 35 mm film, a usual phone; relative spreads
CENTRE_SPREAD = 0.015  # of the picture's width: principal point from the middle
RADIAL_SPREAD = (0.15, 0.15)  # k1, k2
LINEAR_SPREAD, QUADRATIC_SPREAD, CUBIC_SPREAD = 0.3, 1.5, 0.5  # mm at half the board's length: how pages curl
CURL_TERMS = 10
CURL_LENGTH = BOARD_HEIGHT / 2  # mm
CONTACT, CONTACT_SPREAD = 0.1, 0.15  # mm: smoothing of the lowest point; how far from the table it may lie
HEAD = 11  # numbers of a camera: focal, centre 2, radial 2, turn 3, shift 3
PAPER_MARGIN = 10.0  # mm beyond the board that is surely paper, on A4 and on Letter
OUTLIER = 3.0  # standard deviations, beyond which a corner counts less


@dataclass(frozen=True)
class Page:
    """Where a page lies.  at: (2,) mm, its board's lower left corner; turn: radians; curl: (CURL_TERMS,) mm."""

    at: np.ndarray
    turn: float
    curl: np.ndarray

    def world(self, places: np.ndarray, scale: tuple[float, float], terms: np.ndarray | None = None) -> np.ndarray:
        """(n, 3) world points of (n, 2) page coordinates.  scale: of the print, across and along the feed; terms:
        `_curl_terms` of the places, if they are at hand.
        """
        x, y = places[:, 0] * scale[0], places[:, 1] * scale[1]
        cos, sin = np.cos(self.turn), np.sin(self.turn)
        z = (_curl_terms(places) if terms is None else terms) @ self.curl
        return np.column_stack([self.at[0] + cos * x - sin * y, self.at[1] + sin * x + cos * y, z])

    def lowest(self) -> float:
        """Height of the lowest point of the sheet of paper over the table, mm, as a smooth minimum."""
        grid = _GRID_TERMS @ self.curl
        return float(grid.min() - CONTACT * np.log(np.mean(np.exp(-(grid - grid.min()) / CONTACT))))


@dataclass(frozen=True)
class Scene:
    """Cameras (one a photo) and pages.

    size: true mm a mm of the plan, by a length measured on the template.  covariance: of `parameters` and, last, of
    `size`, for what depends on them.
    """

    cameras: tuple[Camera, ...]
    pages: dict[int, Page]
    scale: tuple[float, float]
    residual: float  # px, root mean square of the corners
    corners: int
    parameters: np.ndarray
    covariance: np.ndarray
    units: np.ndarray  # of the parameters
    size: float = 1.0

    def paper_rings(self, camera: int) -> list[np.ndarray]:
        """(4, 2) px: corners of what is surely paper of each page, as a camera sees them."""
        m = PAPER_MARGIN
        low, high = -m, (BOARD_WIDTH + m, BOARD_HEIGHT + m)
        corners = np.array([(low, low), (high[0], low), high, (low, high[1])])
        return [self.cameras[camera].project(page.world(corners, self.scale)) for page in self.pages.values()]

    def changed(self, parameters: np.ndarray) -> Scene:
        """The scene with other parameters."""
        cameras, pages = _unpack(parameters * self.units, len(self.cameras), sorted(self.pages))
        return replace(self, cameras=cameras, pages=pages, parameters=parameters)


def _curl_terms(places: np.ndarray) -> np.ndarray:
    """(n, CURL_TERMS) polynomial terms up to the third degree about the middle of the board."""
    u = (places[:, 0] - BOARD_WIDTH / 2) / CURL_LENGTH
    v = (places[:, 1] - BOARD_HEIGHT / 2) / CURL_LENGTH
    return np.column_stack([np.ones(len(u)), u, v, u * u, u * v, v * v, u**3, u * u * v, u * v * v, v**3])


_GRID = np.array(
    [(x, y) for x in np.linspace(-20, BOARD_WIDTH + 20, 7) for y in np.linspace(-20, BOARD_HEIGHT + 20, 9)]
)
_GRID_TERMS = _curl_terms(_GRID)
_CURL_SPREAD = np.array([QUADRATIC_SPREAD] + [LINEAR_SPREAD] * 2 + [QUADRATIC_SPREAD] * 3 + [CUBIC_SPREAD] * 4)


@cache
def _corner_terms() -> np.ndarray:
    return _curl_terms(corner_places())


def print_scale(across: float, along: float) -> tuple[float, float]:
    """Scale of the print in x and y from the two lengths measured on a page, mm."""
    return across / ACROSS, along / ALONG


def bundle_adjust(
    seen: Sequence[Sequence[PageCorners]],
    sizes: Sequence[tuple[int, int]],
    focals: Sequence[float | None],
    scale: tuple[float, float],
) -> Scene:
    """The scene that explains the corners best.

    seen: for each photo its pages.  sizes: width and height of each photo, px.  focals: px, where the file tells it.
    scale: of the print in x and y.  The world is the frame of the page of least number; each photo must see a page
    that another photo before it saw too (else its pages cannot be placed: they are left out).
    """
    numbers = sorted({one.page for pages in seen for one in pages})
    guesses = [focal or FOCAL_FILM * float(np.hypot(*size)) / 43.27 for focal, size in zip(focals, sizes, strict=True)]
    spreads = [FOCAL_SPREAD_EXIF if focal else FOCAL_SPREAD for focal in focals]
    start = _first_guess(seen, sizes, guesses, scale, numbers)
    mean, units = _priors(start, sizes, guesses, spreads, numbers)
    weights = [np.ones(len(one.ids)) for own in seen for one in own]
    free = np.isinf(mean)

    def residuals(scaled: np.ndarray) -> np.ndarray:
        errors = np.concatenate(_corner_errors(scaled * units, seen, numbers, scale))
        errors *= np.concatenate(weights)[:, None] / CORNER_NOISE
        lowest = [page.lowest() / CONTACT_SPREAD for page in _unpack(scaled * units, len(sizes), numbers)[1].values()]
        return np.concatenate([errors.ravel(), (scaled - mean)[~free], lowest])

    # First with flat pages, then with the curl set free: all at once may end in a curl that stands for a tilt.
    first = len(sizes) * HEAD
    curls = np.arange(len(start)) >= first
    curls[first:] = (np.arange(len(start) - first) % (3 + CURL_TERMS)) >= 3
    best = start / units

    def flat_residuals(flat: np.ndarray) -> np.ndarray:
        whole = np.zeros(len(start))
        whole[~curls] = flat
        return residuals(whole)

    best[~curls] = least_squares(flat_residuals, best[~curls], x_scale="jac", max_nfev=50).x
    for _ in range(2):
        fit = least_squares(residuals, best, x_scale="jac", max_nfev=60, ftol=1e-8, xtol=1e-8)
        best = fit.x
        for k, errors in enumerate(_corner_errors(best * units, seen, numbers, scale)):
            size = np.hypot(*errors.T) / (OUTLIER * CORNER_NOISE)
            weights[k] = 1 / np.maximum(size, 1.0)
    errors = np.concatenate(_corner_errors(best * units, seen, numbers, scale))
    residual = float(np.sqrt((errors**2).sum(axis=1).mean()))
    worse = max(1.0, residual / np.sqrt(2) / CORNER_NOISE)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * worse**2
    cameras, pages = _unpack(best * units, len(sizes), numbers)
    return Scene(cameras, pages, scale, residual, len(errors), best, np.pad(covariance, (0, 1)), units)


def _corner_errors(
    parameters: np.ndarray, seen: Sequence[Sequence[PageCorners]], numbers: list[int], scale: tuple[float, float]
) -> list[np.ndarray]:
    """For each page in each photo (n, 2) px: where its corners should be seen, minus where they are."""
    cameras, pages = _unpack(parameters, len(seen), numbers)
    places, terms = corner_places(), _corner_terms()
    on_table = {name: page.world(places, scale, terms) for name, page in pages.items()}
    errors = []
    for camera, own in zip(cameras, seen, strict=True):
        expected = camera.project(np.concatenate([on_table[one.page][one.ids] for one in own]))
        ends = np.cumsum([len(one.ids) for one in own])[:-1]
        errors += [part - one.pixels for part, one in zip(np.split(expected, ends), own, strict=True)]
    return errors


def _priors(
    start: np.ndarray,
    sizes: Sequence[tuple[int, int]],
    guesses: Sequence[float],
    spreads: Sequence[float],
    numbers: list,
) -> tuple[np.ndarray, np.ndarray]:
    """Means (inf: no prior) and units of the parameters; with a prior the unit is its standard deviation."""
    mean, units = np.full(len(start), np.inf), np.ones(len(start))
    for k, ((width, height), focal, spread) in enumerate(zip(sizes, guesses, spreads, strict=True)):
        own = slice(k * HEAD, k * HEAD + 5)
        middle = (width - 1) / 2, (height - 1) / 2
        units[own] = focal * spread, CENTRE_SPREAD * width, CENTRE_SPREAD * width, *RADIAL_SPREAD
        mean[own] = np.array([focal, *middle, 0, 0]) / units[own]
        units[k * HEAD + 5 : k * HEAD + 8] = 0.01
        units[k * HEAD + 8 : k * HEAD + 11] = 10.0
    first = len(sizes) * HEAD
    for k in range(len(numbers)):
        own = slice(first + k * (3 + CURL_TERMS) + 3, first + (k + 1) * (3 + CURL_TERMS))
        units[own], mean[own] = _CURL_SPREAD, 0.0
        units[own.start - 1] = 0.01
    # The first page lies at the origin: a prior too tight to move.
    units[first : first + 3], mean[first : first + 3] = 1e-9, 0.0
    return mean, units


def _unpack(numbers: np.ndarray, photos: int, names: list[int]) -> tuple[tuple[Camera, ...], dict[int, Page]]:
    cameras = tuple(
        Camera(head[0], head[1:3], head[3:5], head[5:8], head[8:11])
        for head in numbers[: photos * HEAD].reshape(photos, HEAD)
    )
    rows = numbers[photos * HEAD :].reshape(len(names), 3 + CURL_TERMS)
    return cameras, {name: Page(row[:2], row[2], row[3:]) for name, row in zip(names, rows, strict=True)}


def _first_guess(
    seen: Sequence[Sequence[PageCorners]],
    sizes: Sequence[tuple[int, int]],
    focals: Sequence[float],
    scale: tuple[float, float],
    numbers: list[int],
) -> np.ndarray:
    """Flat pages and undistorted cameras: pages placed by homographies, poses by OpenCV's solver for planes."""
    import cv2

    places = corner_places() * scale
    flat = {numbers[0]: (np.zeros(2), 0.0)}
    for _ in numbers:  # photo by photo, pages are placed by those already known
        for own in seen:
            known = [one for one in own if one.page in flat]
            if not known:
                continue
            on_table = np.concatenate([_moved(places[one.ids], *flat[one.page]) for one in known])
            lift, _ = cv2.findHomography(np.concatenate([one.pixels for one in known]), on_table)
            for one in own:
                if one.page not in flat:
                    target = cv2.perspectiveTransform(one.pixels[:, None], lift)[:, 0]
                    flat[one.page] = _rigid(places[one.ids], target)
    heads = []
    for own, (width, height), focal in zip(seen, sizes, focals, strict=True):
        on_table = np.concatenate([_moved(places[one.ids], *flat[one.page]) for one in own])
        low = np.column_stack([on_table, np.zeros(len(on_table))])
        matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
        pixels = np.concatenate([one.pixels for one in own])
        middle = low.mean(axis=0)
        _, turn, shift = cv2.solvePnP(low - middle, pixels, matrix, None, flags=cv2.SOLVEPNP_IPPE)
        shift = shift.ravel() - cv2.Rodrigues(turn)[0] @ middle
        heads.append([focal, (width - 1) / 2, (height - 1) / 2, 0, 0, *turn.ravel(), *shift])
    rows = [[*flat[name][0], flat[name][1], *np.zeros(CURL_TERMS)] for name in numbers]
    return np.concatenate([np.ravel(heads), np.ravel(rows)])


def _moved(places: np.ndarray, at: np.ndarray, turn: float) -> np.ndarray:
    cos, sin = np.cos(turn), np.sin(turn)
    return places @ np.array([[cos, sin], [-sin, cos]]) + at


def _rigid(places: np.ndarray, target: np.ndarray) -> tuple[np.ndarray, float]:
    """Shift and turn that bring places onto their targets best."""
    a, b = places - places.mean(axis=0), target - target.mean(axis=0)
    turn = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    return target.mean(axis=0) - _moved(places.mean(axis=0)[None], np.zeros(2), turn)[0], turn

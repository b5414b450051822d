"""Straight lines and arcs through the points of an edge: few pieces, each as long as the points allow.

All ways to cut the ring at some of its points are compared at once (dynamic programming): a piece costs the squares of
its distances over the scatter that is allowed, and a price of its own, so that a new one must pay for itself.  Lines
are fitted by total least squares, arcs by the algebraic fit of Kasa (1976, IEEE Trans. Instrum. Meas. 25, 8), both from
running sums.  Neighbours are then brought together where they cross.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

LINE_PRICE, ARC_PRICE = 16.0, 22.0  # in units of squared scatter
SPACING = 3.0  # mm, between the places at which the ring may be cut
MIN_ARC_RADIUS, MAX_ARC_RADIUS = 2.0, 3000.0  # mm
MIN_SWEEP = math.radians(6)
SHORT = 4.0  # mm: a piece so short between two longer ones is a corner that the picture has rounded off
CORNER_REACH = 2.5  # mm: by which two lines may be prolonged to meet there


@dataclass(frozen=True)
class Piece:
    """A straight line (bulge 0) or an arc from `start` to `stop`, mm.  bulge: tan(sweep / 4), + counter-clockwise."""

    start: tuple[float, float]
    stop: tuple[float, float]
    bulge: float

    @property
    def radius(self) -> float:
        """Of the arc, mm; infinity for a line."""
        if not self.bulge:
            return math.inf
        return math.dist(self.start, self.stop) * (1 + self.bulge**2) / (4 * abs(self.bulge))

    @property
    def centre(self) -> tuple[float, float]:
        """Of the arc, mm."""
        (x0, y0), (x1, y1) = self.start, self.stop
        k = (1 - self.bulge**2) / (4 * self.bulge)
        return (x0 + x1) / 2 - k * (y1 - y0), (y0 + y1) / 2 + k * (x1 - x0)

    def points(self, spacing: float) -> tuple[np.ndarray, np.ndarray]:
        """Points along it, its start but not its stop, and the normals to the right of its direction: (n, 2) each."""
        a, b = np.array(self.start), np.array(self.stop)
        if not self.bulge:
            count = max(1, round(math.dist(a, b) / spacing))
            along = (b - a) / max(math.dist(a, b), 1e-12)
            places = a + (b - a) * (np.arange(count) / count)[:, None]
            return places, np.tile([along[1], -along[0]], (count, 1))
        centre, sweep = np.array(self.centre), 4 * math.atan(self.bulge)
        count = max(2, round(abs(sweep) * self.radius / spacing))
        begin = math.atan2(*(a - centre)[::-1])
        angles = begin + sweep * np.arange(count) / count
        out = np.column_stack([np.cos(angles), np.sin(angles)])
        return centre + self.radius * out, out * math.copysign(1.0, self.bulge)


def ring_points(pieces: tuple[Piece, ...], spacing: float) -> tuple[np.ndarray, np.ndarray]:
    """Points and outward normals along a counter-clockwise ring of pieces."""
    parts = [piece.points(spacing) for piece in pieces]
    return np.concatenate([one for one, _ in parts]), np.concatenate([one for _, one in parts])


def fit_ring(points: np.ndarray, scatter: float) -> tuple[Piece, ...]:
    """Lines and arcs through a closed, counter-clockwise ring of (n, 2) points, mm; scatter: mm, of the points."""
    fits, bounds, kinds = _cut(_begun_at_turn(points), scatter)
    if len(bounds) > 3:  # once more from a place where two pieces meet
        middle = max(range(1, len(bounds) - 1), key=lambda k: min(bounds[k] - bounds[k - 1], bounds[k + 1] - bounds[k]))
        fits, bounds, kinds = _cut(np.roll(fits.points[:-1], -int(fits.cuts[bounds[middle]]), axis=0), scatter)
    runs, kinds = _without_rounded_corners(fits, bounds, kinds)
    return _joined(fits, runs, kinds)


def _cut(points: np.ndarray, scatter: float) -> tuple[_Fits, list[int], list[str]]:
    """The ring, cut at its first point and where it pays."""
    closed = np.concatenate([points, points[:1]])
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(8, round(run[-1] / SPACING))
    cuts = np.unique(np.searchsorted(run, np.linspace(0, run[-1], count + 1)).clip(0, len(points)))
    fits = _Fits(closed, cuts, run)
    return fits, *_best_cut(fits, scatter)


def _begun_at_turn(points: np.ndarray) -> np.ndarray:
    """The ring, begun at its sharpest turn."""
    reach = max(2, len(points) // 150)
    before, after = points - np.roll(points, reach, axis=0), np.roll(points, -reach, axis=0) - points
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.abs(np.arctan2(cross, (before * after).sum(axis=1)))
    return np.roll(points, -int(np.argmax(turn)), axis=0)


class _Fits:
    """Running sums over the points, from which any run of them is fitted."""

    def __init__(self, closed: np.ndarray, cuts: np.ndarray, run: np.ndarray) -> None:
        self.points, self.cuts, self.run = closed, cuts, run
        self.middle = closed.mean(axis=0)
        x, y = (closed[:-1] - self.middle).T
        z = x * x + y * y
        terms = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y, x * z, y * z, z * z])
        self.sums = np.concatenate([np.zeros((1, 9)), np.cumsum(terms, axis=0)])

    def moments(self, i: np.ndarray, j: np.ndarray) -> np.ndarray:
        return (self.sums[self.cuts[j]] - self.sums[self.cuts[i]]).T

    def line(self, i: np.ndarray, j: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sum of squares, (n, 2) middle, angle of the line through the points from cut i to cut j."""
        n, sx, sy, xx, xy, yy = self.moments(i, j)[:6]
        mx, my = sx / n, sy / n
        a, b, c = xx - n * mx * mx, xy - n * mx * my, yy - n * my * my
        root = np.sqrt(((a - c) / 2) ** 2 + b * b)
        squares = np.maximum((a + c) / 2 - root, 0)
        return squares, np.column_stack([mx, my]) + self.middle, 0.5 * np.arctan2(2 * b, a - c)

    def arc(self, i: np.ndarray, j: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sum of squares (to first order), (n, 2) centre, radius of the circle through those points."""
        n, sx, sy, xx, xy, yy, xz, yz, zz = self.moments(i, j)
        mx, my = sx / n, sy / n
        # About the middle of the run, for the sake of round-off.
        sz = xx + yy
        a, b, c = xx - n * mx * mx, xy - n * mx * my, yy - n * my * my
        ux = (
            xz
            - 2 * mx * xx
            - 2 * my * xy
            + (mx * mx + my * my) * sx
            - mx * (sz - 2 * mx * sx - 2 * my * sy + n * (mx * mx + my * my))
        )
        uy = (
            yz
            - 2 * mx * xy
            - 2 * my * yy
            + (mx * mx + my * my) * sy
            - my * (sz - 2 * mx * sx - 2 * my * sy + n * (mx * mx + my * my))
        )
        w = a + c
        ww = (zz + 4 * mx * mx * xx + 8 * mx * my * xy + 4 * my * my * yy + n * (mx * mx + my * my) ** 2
              - 4 * mx * xz - 4 * my * yz + 2 * (mx * mx + my * my) * sz
              - 4 * mx * (mx * mx + my * my) * sx - 4 * my * (mx * mx + my * my) * sy)  # fmt: skip
        det = a * c - b * b
        with np.errstate(all="ignore"):
            cx, cy = (c * ux - b * uy) / (2 * det), (a * uy - b * ux) / (2 * det)
            r2 = w / n + cx * cx + cy * cy
            algebraic = ww - w * w / n - 2 * (cx * ux + cy * uy)
            squares = np.maximum(algebraic, 0) / (4 * r2)
        centre = np.column_stack([mx + cx, my + cy]) + self.middle
        return np.where(det > 1e-9, squares, np.inf), centre, np.sqrt(r2)


def _best_cut(fits: _Fits, scatter: float) -> tuple[list[int], list[str]]:
    """Cuts and kinds of pieces of least cost: places in `fits.cuts`, first and last included."""
    count = len(fits.cuts) - 1
    density = fits.run[-1] / (len(fits.points) - 1)
    weight = min(1.0, density / 1.5) / scatter**2  # points nearer than 1.5 mm do not scatter independently
    cost, origin, kind = np.full(count + 1, np.inf), np.zeros(count + 1, int), [""] * (count + 1)
    cost[0] = 0.0
    for j in range(1, count + 1):
        i = np.arange(j)
        to = np.full(j, j)
        length = fits.run[fits.cuts[j]] - fits.run[fits.cuts[i]]
        lines = cost[:j] + fits.line(i, to)[0] * weight + LINE_PRICE
        squares, _, radius = fits.arc(i, to)
        fits_arc = (radius > MIN_ARC_RADIUS) & (radius < MAX_ARC_RADIUS) & (length > MIN_SWEEP * radius) & (j - i >= 2)
        arcs = np.where(fits_arc & (length < 6.0 * radius), cost[:j] + squares * weight + ARC_PRICE, np.inf)
        best = int(np.argmin(np.minimum(lines, arcs)))
        cost[j], origin[j] = min(lines[best], arcs[best]), best
        kind[j] = "line" if lines[best] <= arcs[best] else "arc"
    bounds, kinds = [count], []
    while bounds[-1]:
        kinds.append(kind[bounds[-1]])
        bounds.append(int(origin[bounds[-1]]))
    return bounds[::-1], kinds[::-1]


def _without_rounded_corners(
    fits: _Fits, bounds: list[int], kinds: list[str]
) -> tuple[list[tuple[int, int]], list[str]]:
    """Runs and kinds without the short pieces between two lines that cross close by."""
    runs = list(zip(bounds[:-1], bounds[1:], strict=True))
    place = 0
    while place < len(runs) and len(runs) > 3:
        i, j = runs[place]
        length = fits.run[fits.cuts[j]] - fits.run[fits.cuts[i]]
        before, after = place - 1, (place + 1) % len(runs)
        if length <= 2 * SHORT and kinds[before] == kinds[after] == "line":
            (_, a, s), (_, b, t) = (fits.line(*np.array(runs[k])[:, None]) for k in (before, after))
            meet = _crossing(a[0], s[0], b[0], t[0])
            middle = fits.points[(fits.cuts[i] + fits.cuts[j]) // 2]
            if (
                meet is not None
                and math.dist(meet, middle) < CORNER_REACH
                and (length <= SHORT or kinds[place] == "line")
            ):
                del runs[place], kinds[place]
                continue
        place += 1
    return runs, kinds


def _crossing(a: np.ndarray, s: float, b: np.ndarray, t: float) -> np.ndarray | None:
    """Where two lines cross; None if they are all but parallel."""
    u, v = np.array([math.cos(s), math.sin(s)]), np.array([math.cos(t), math.sin(t)])
    det = u[0] * v[1] - u[1] * v[0]
    if abs(det) < 0.05:
        return None
    d = b - a
    return a + u * (d[0] * v[1] - d[1] * v[0]) / det


def _joined(fits: _Fits, runs: list[tuple[int, int]], kinds: list[str]) -> tuple[Piece, ...]:
    """Pieces whose ends meet: at the crossing of the two curves if it is near, else half-way between them."""
    curves = []
    for (i, j), kind in zip(runs, kinds, strict=True):
        inset = 1 if j - i > 4 else 0  # points next to a corner are less sure
        squares, place, value = (fits.line if kind == "line" else fits.arc)(
            np.array([i + inset]), np.array([j - inset])
        )
        curves.append((kind, place[0], float(value[0])))
    ends = []
    for k, curve in enumerate(curves):
        following = curves[(k + 1) % len(curves)]
        guess = (
            fits.points[(fits.cuts[runs[k][1]] + fits.cuts[runs[(k + 1) % len(runs)][0]]) // 2]
            if k + 1 < len(runs)
            else fits.points[0]
        )
        ends.append(_meeting(curve, following, guess))
    pieces = []
    for k, (kind, centre, radius) in enumerate(curves):
        start, stop = ends[k - 1], ends[k]
        bulge = 0.0
        if kind == "arc":
            i, j = runs[k]
            middle = fits.points[(fits.cuts[i] + fits.cuts[j]) // 2]
            top = centre + (middle - centre) * radius / math.dist(middle, centre)
            bulge = _bulge(start, top, stop)
        pieces.append(Piece(tuple(start.tolist()), tuple(stop.tolist()), bulge))
    return tuple(pieces)


def _bulge(start: np.ndarray, top: np.ndarray, stop: np.ndarray) -> float:
    """Of the arc through three points: the tangent of a quarter of its sweep."""
    a, b = start - top, stop - top
    inside = math.atan2(a[0] * b[1] - a[1] * b[0], float(a @ b))  # angle at the top; sweep = 2 (pi - |inside|)
    sweep = 2 * (math.pi - abs(inside)) * (-1 if inside > 0 else 1)
    return math.tan(sweep / 4)


def _onto(curve: tuple, point: np.ndarray) -> np.ndarray:
    """The nearest point of a line or circle."""
    kind, place, value = curve
    if kind == "line":
        u = np.array([math.cos(value), math.sin(value)])
        return place + u * float((point - place) @ u)
    return place + (point - place) * value / max(math.dist(point, place), 1e-9)


def _meeting(a: tuple, b: tuple, guess: np.ndarray) -> np.ndarray:
    """Alternating projections go to the crossing if there is one near, and between the two if they only touch."""
    point = guess
    for _ in range(60):
        point = _onto(b, _onto(a, point))
    first, second = _onto(a, point), _onto(b, point)
    meet = (first + second) / 2
    if math.dist(meet, guess) > 3 * CORNER_REACH or math.dist(first, second) > 0.5:
        meet = (_onto(a, guess) + _onto(b, guess)) / 2
    return meet

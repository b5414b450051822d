"""Joins strokes in any order and direction to closed loops, and finds the loop that contains the others.

Strokes are joined where their ends lie within `JOIN_TOLERANCE`; a stroke drawn twice counts once.  Plan
coordinates in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from stiffen.errors import Fault, InputError
from stiffen.model.sheet_geometry import MAX_CHORD_ERROR, Ring, circle_ring, open_ring, ring_fault

JOIN_TOLERANCE = 0.05  # mm; ends nearer than this are joined
MAX_MEAN_NEIGHBOURS = 40  # of an end or loop, itself included; the drawing of a sheet has far fewer
MAX_PARALLEL_PIECES = 4  # between the same two ends, compared for duplicates; a sheet has two
JOIN_HINT = f"ends within {JOIN_TOLERANCE:g} mm are joined automatically"


@dataclass(frozen=True)
class Loop:
    """A closed loop: its ring in mm, and (x, y, diameter) where it is an exact circle."""

    ring: Ring
    circle: tuple[float, float, float] | None = None

    @property
    def size(self) -> tuple[float, float]:
        """Width and height, mm."""
        low, high = np.min(self.ring, axis=0), np.max(self.ring, axis=0)
        return tuple((high - low).tolist())


@dataclass(frozen=True)
class CurvePiece:
    """One stroke of the drawing as points (n, 2) in mm; (x, y, radius) where it is an arc."""

    points: np.ndarray
    arc: tuple[float, float, float] | None = None

    @property
    def length(self) -> float:
        """Length, mm."""
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())

    @property
    def midpoint(self) -> np.ndarray:
        """The point half way along, mm."""
        line = shapely.LineString(self.points)
        return shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0]


def find_loops(pieces: list[CurvePiece]) -> list[Loop]:
    """Closed loops from pieces in any order and direction."""
    closed = [piece for piece in pieces if _end_distance(piece) <= JOIN_TOLERANCE]
    chains = [[(piece, False)] for piece in closed]
    rest = [piece for piece in pieces if _end_distance(piece) > JOIN_TOLERANCE]
    if rest:
        chains += _chains(rest)
    loops = [_loop(chain) for chain in chains]
    faults = [fault for loop in loops if (fault := ring_fault(loop.ring))]
    if faults:
        raise InputError(Fault("", f"has a loop that {fault}", "draw each loop once") for fault in faults[:5])
    return _without_duplicate_loops(loops)


def _end_distance(piece: CurvePiece) -> float:
    return float(np.hypot(*(piece.points[0] - piece.points[-1])))


def _chains(pieces: list[CurvePiece]) -> list[list[tuple[CurvePiece, bool]]]:
    """Chains of pieces in order, each piece with True if it runs backward.  InputError for open ends."""
    ends, back = np.unique(
        np.array([piece.points[[0, -1]] for piece in pieces]).reshape(-1, 2), axis=0, return_inverse=True
    )
    pairs = _near_pairs(ends, JOIN_TOLERANCE, "has thousands of lines that end in one place")
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(ends), len(ends)))
    count, part = connected_components(links, directed=False)
    node = part[back.ravel()]
    centre = np.stack([np.bincount(part, ends[:, k]) for k in (0, 1)], axis=1) / np.bincount(part)[:, None]
    pieces, node = _without_duplicate_pieces(pieces, node.reshape(-1, 2))
    degree = np.bincount(node.ravel(), minlength=count)
    faults = _open_ends(centre, degree)
    if faults:
        raise InputError(faults)
    return _trace_chains([_snapped(piece, centre[ab]) for piece, ab in zip(pieces, node, strict=True)], node)


def _near_pairs(places: np.ndarray, reach: float, message: str) -> np.ndarray:
    """(k, 2) pairs of places within `reach` mm; InputError with `message` if there are far too many."""
    tree = cKDTree(places)
    if tree.count_neighbors(tree, reach) > MAX_MEAN_NEIGHBOURS * len(places):
        raise InputError([Fault("", message, "leave only the outline and the cut-outs, each one closed line")])
    return tree.query_pairs(reach, output_type="ndarray")


def _without_duplicate_pieces(pieces: list[CurvePiece], node: np.ndarray) -> tuple[list[CurvePiece], np.ndarray]:
    """The pieces without duplicates, which have the same ends and the same midpoint."""
    kept: dict[tuple[int, int], list[int]] = {}
    for i, (a, b) in enumerate(node.tolist()):
        alike = kept.setdefault((min(a, b), max(a, b)), [])
        if (
            len(alike) < MAX_PARALLEL_PIECES
            and a != b
            and all(math.dist(pieces[i].midpoint, pieces[j].midpoint) > JOIN_TOLERANCE for j in alike)
        ):
            alike.append(i)
    order = sorted(i for group in kept.values() for i in group)
    return [pieces[i] for i in order], node[order]


def _open_ends(centre: np.ndarray, degree: np.ndarray) -> list[Fault]:
    """Faults for ends without a neighbour and for places where more than two pieces meet."""
    faults = []
    loose = np.flatnonzero(degree == 1)
    for i in loose[:3]:
        x, y = centre[i]
        others = np.delete(loose, np.flatnonzero(loose == i))
        away = np.hypot(*(centre[others] - centre[i]).T).min() if len(others) else math.inf
        near = f"; the next open end is {away:.2f} mm away" if away < math.inf else ""
        faults.append(Fault("", f"has an open end at ({x:.2f}, {y:.2f}){near}", f"close the loop; {JOIN_HINT}"))
    if len(loose) > 3:
        faults.append(Fault("", f"has {len(loose) - 3} more open ends"))
    for i in np.flatnonzero(degree > 2)[:3]:
        x, y = centre[i]
        what = f"has {degree[i]} lines that meet at ({x:.2f}, {y:.2f})"
        faults.append(Fault("", what, "leave only the outline and the cut-outs, each one closed line"))
    return faults


def _snapped(piece: CurvePiece, ends: np.ndarray) -> CurvePiece:
    """The piece with its ends moved to where they meet their neighbours."""
    points = piece.points.copy()
    points[[0, -1]] = ends
    return CurvePiece(points, piece.arc)


def _trace_chains(pieces: list[CurvePiece], node: np.ndarray) -> list[list[tuple[CurvePiece, bool]]]:
    """Follow the pieces from node to node; every node joins exactly two pieces."""
    at: dict[int, list[int]] = {}
    for i, (a, b) in enumerate(node.tolist()):
        at.setdefault(a, []).append(i)
        at.setdefault(b, []).append(i)
    left = dict.fromkeys(range(len(pieces)))
    chains = []
    while left:
        first = next(iter(left))
        chain, i, here = [], first, int(node[first, 0])
        while i in left:
            del left[i]
            backward = int(node[i, 0]) != here
            chain.append((pieces[i], backward))
            here = int(node[i, 0] if backward else node[i, 1])
            i = next((j for j in at[here] if j in left), first)
        chains.append(chain)
    return chains


def _loop(chain: list[tuple[CurvePiece, bool]]) -> Loop:
    """One closed chain as a ring without points on straight runs."""
    arcs = [piece.arc for piece, _ in chain if piece.arc is not None]
    if len(arcs) == len(chain) and np.ptp(np.array(arcs), axis=0).max() <= 1e-3:
        x, y, radius = (round(float(v), 6) for v in np.mean(arcs, axis=0))
        return Loop(circle_ring(x, y, 2 * radius), (x, y, 2 * radius))
    points = np.concatenate([piece.points[::-1] if back else piece.points for piece, back in chain])
    line = shapely.remove_repeated_points(shapely.LinearRing(points), 1e-3).simplify(MAX_CHORD_ERROR / 4)
    return Loop(open_ring([(round(x, 6) + 0.0, round(y, 6) + 0.0) for x, y in line.coords]))


def _without_duplicate_loops(loops: list[Loop]) -> list[Loop]:
    """The loops without duplicates, which have the same centroid and the same area."""
    loops = list(dict.fromkeys(loops))
    shapes = [shapely.Polygon(loop.ring) for loop in loops]
    alike = np.array([(shape.centroid.x, shape.centroid.y, math.sqrt(shape.area)) for shape in shapes])
    pairs = _near_pairs(alike, 4 * JOIN_TOLERANCE, "has thousands of loops over each other").tolist()
    twice = {max(i, j) for i, j in pairs if shapes[i].hausdorff_distance(shapes[j]) <= JOIN_TOLERANCE}
    return [loop for i, loop in enumerate(loops) if i not in twice]


def outline_and_cutouts(loops: list[Loop]) -> tuple[Loop, tuple[Loop, ...]]:
    """The largest loop and those inside it.  InputError for loops outside the largest."""
    loops = sorted(loops, key=lambda loop: -shapely.Polygon(loop.ring).area)
    outline, *inner = loops
    sheet = shapely.Polygon(outline.ring)
    shapely.prepare(sheet)
    faults = []
    for loop in inner:
        if not sheet.intersects(shapely.Polygon(loop.ring)):
            (w, h), (x, y) = loop.size, np.mean(loop.ring, axis=0)
            what = f"has a second outline, {w:.1f} x {h:.1f} mm, around ({x:.1f}, {y:.1f})"
            faults.append(Fault("", what, "one sheet a drawing: move the other one to its own file"))
    if faults:
        raise InputError(faults[:5])
    return outline, tuple(inner)

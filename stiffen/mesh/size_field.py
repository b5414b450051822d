"""How fine a mesh is: the grades, and the length of triangle sides wanted at each place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from stiffen.errors import Fault, MeshError

SIZE_CLASS_RATIO = 1.25  # sources within this ratio share one tree
MAX_CHORD_ERROR = 0.15  # mm


@dataclass(frozen=True)
class MeshResolution:
    """What one mesh resolves.

    side: background triangle side, mm.  halves: strips of triangles from a bead's axis to its foot.
    run_out: stations over a bead's run-out.  rings: strips over the cone of a flared hole.
    gap: triangle side as a multiple of a neck's width.  growth: mm of side a mm of distance from what is finer, so
    that sides next to one another differ by a factor 1 + growth.  chord: greatest distance of a curve's chords, mm.
    """

    side: float
    strips_per_half: int
    run_out_stations: int
    cone_rings: int
    neck_size_ratio: float
    growth_rate: float
    chord_error: float

    def station_spacing(self, mean_row_pitch: float, min_row_pitch: float) -> float:
        """Spacing of stations along a bead, mm, whose rows lie `mean_row_pitch` mm apart on average and `least` at the closest.

        2 to 4 times the spacing across, as all its curvature lies across; the quality of stretched triangles stays
        over 0.3.
        """
        return min(max(0.6 * self.side, 2 * mean_row_pitch), 4 * mean_row_pitch, 5 * min_row_pitch)


# sides in the square root of the area, then halves, run_out, rings, gap, growth
MESH_LEVELS = {
    "quick": (18, 3, 2, 2, 1.0, 0.6),
    "normal": (36, 4, 4, 3, 0.7, 0.45),
    "fine": (62, 7, 7, 5, 0.4, 0.4),
}


def mesh_resolution(area: float, perimeter: float, size: float | None, mesh_level: str) -> MeshResolution:
    """Fineness for a sheet of `area` mm2 with `perimeter` mm of free-form rings; `size` mm rules over the grade's.

    Everything scales with side / (side of the grade), so that half the size is a refinement of all of it.
    Raises MeshError for an unknown grade or a size that is no length.
    """
    if mesh_level not in MESH_LEVELS:
        raise MeshError(str(Fault("mesh grade", f"unknown grade {mesh_level!r}", f"one of {', '.join(MESH_LEVELS)}")))
    _, halves, run_out, rings, gap, growth = MESH_LEVELS[mesh_level]
    usual = background_side(area, mesh_level)
    side = usual if size is None else float(size)
    if not 0 < side < math.inf:
        raise MeshError(str(Fault("mesh size", f"{side:g} mm is no size", "a length greater than 0")))
    finer = usual / side
    normal = background_side(area, "normal")
    chord = min(0.1 * (side / normal) ** 2, MAX_CHORD_ERROR)
    # a chord c off a convex curve takes 2/3 c of sheet a mm of curve: keep that well below a thousandth of the area
    chord = min(chord, 0.0007 * area / perimeter) if perimeter else chord
    return MeshResolution(
        side=side,
        strips_per_half=max(2, round(halves * finer)),
        run_out_stations=max(2, round(run_out * finer)),
        cone_rings=max(2, round(rings * finer)),
        neck_size_ratio=min(1.0, gap / finer),
        growth_rate=growth,
        chord_error=chord,
    )


def background_side(area: float, mesh_level: str) -> float:
    """Background triangle side, mm, of a grade for a sheet of `area` mm2."""
    return math.sqrt(area) / MESH_LEVELS[mesh_level][0]


class SizeField:
    """Wanted triangle side at any place: min over the sources of size + growth * distance, at most `side`."""

    def __init__(self, resolution: MeshResolution, points: np.ndarray, sizes: np.ndarray) -> None:
        """points (k, 2) mm with sizes (k,) mm; sources as coarse as the background count for nothing."""
        self.side = side = resolution.side
        self.growth_rate = resolution.growth_rate
        felt = sizes < side
        points, sizes = points[felt], sizes[felt]
        self.smallest = float(sizes.min(initial=side))
        steps = np.floor(np.log(sizes / self.smallest) / math.log(SIZE_CLASS_RATIO) + 1e-9).astype(int)
        self._classes = [
            (cKDTree(points[steps == step]), float(sizes[steps == step].min())) for step in np.unique(steps)
        ]

    def __call__(self, xy: np.ndarray) -> np.ndarray:
        """(n,) mm at points (n, 2)."""
        size = np.full(len(xy), self.side)
        for tree, own in self._classes:
            coarser = np.flatnonzero(size > own)
            distance, _ = tree.query(xy[coarser], distance_upper_bound=(self.side - own) / self.growth_rate)
            size[coarser] = np.minimum(size[coarser], own + self.growth_rate * distance)
        return size


def line_sources(
    points: np.ndarray, segments: np.ndarray, region: shapely.Polygon, resolution: MeshResolution
) -> tuple[np.ndarray, np.ndarray]:
    """Sources of a network of lines: short segments, and necks of sheet between lines that share no end.

    points (n, 2), segments (m, 2) node numbers.  Returns source points (k, 2) and sizes (k,), mm.
    """
    ends = points[segments]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    short = length < resolution.side
    sources = [ends[short].reshape(-1, 2)]
    sizes = [np.repeat(length[short], 2)]
    pieces, owner = _short_pieces(ends, length, resolution.side)
    tree = shapely.STRtree(pieces)
    a, b = tree.query(pieces, predicate="dwithin", distance=resolution.side / resolution.neck_size_ratio)
    shared = (segments[owner[a]][:, :, None] == segments[owner[b]][:, None, :]).any(axis=(1, 2))
    a, b = a[(a < b) & ~shared], b[(a < b) & ~shared]
    bridges = shapely.get_coordinates(shapely.shortest_line(pieces[a], pieces[b])).reshape(-1, 2, 2)
    middle = bridges.mean(axis=1)
    gap = np.linalg.norm(bridges[:, 1] - bridges[:, 0], axis=1)
    # only necks of sheet count: not the width of a slot, nor the way along the lines from one to the next but one
    lines = shapely.multilinestrings(pieces)
    shapely.prepare(lines)
    neck = shapely.contains_xy(region, *middle.T) & ~shapely.dwithin(lines, shapely.points(middle), 0.25 * gap)
    # a floor keeps a crack from asking for millions of triangles
    sources.append(bridges[neck].reshape(-1, 2))
    sizes.append(np.repeat(np.maximum(gap[neck] * resolution.neck_size_ratio, resolution.side / 100), 2))
    return np.concatenate(sources), np.concatenate(sizes)


def _short_pieces(ends: np.ndarray, length: np.ndarray, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Lines no longer than `longest` that make up the segments (m, 2, 2), and the segment each comes from."""
    counts = np.maximum(1, np.ceil(length / longest)).astype(int)
    owner = np.repeat(np.arange(len(ends)), counts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = np.stack([step, step + 1], axis=1) / counts[owner][:, None]
    start, end = ends[owner, 0], ends[owner, 1]
    return shapely.linestrings(start[:, None] + share[:, :, None] * (end - start)[:, None]), owner


def graded_positions(positions: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Places of nodes along a line from at[0] to at[-1]; sizes (k,) are the spacings wanted at the places at (k,)."""
    steps = np.diff(positions) * (1 / sizes[1:] + 1 / sizes[:-1]) / 2
    total = np.append(0.0, np.cumsum(steps))
    count = max(1, math.ceil(total[-1] - 0.3))
    return np.interp(np.linspace(0.0, total[-1], count + 1), total, positions)

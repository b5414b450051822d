"""Mesh resolution: the mesh levels, and the size field (wanted element size at each place)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from stiffen.errors import Fault, MeshError

SIZE_CLASS_RATIO = 1.25  # sources whose sizes differ by less than this ratio share one search tree
MAX_CHORD_ERROR = 0.15  # mm, between a curve and its chords


@dataclass(frozen=True)
class MeshResolution:
    """Resolution of one mesh.

    side: background element size (triangle side), mm.
    strips_per_half: strips of triangles from a bead's axis to its foot.
    run_out_stations: stations over a bead's run-out.
    cone_rings: strips of triangles over the cone of a flared hole.
    neck_size_ratio: element size in a neck of sheet over the neck's width.
    growth_rate: growth of the element size per mm of distance, so that neighbours differ by a factor 1 + growth_rate.
    chord_error: largest distance between a curve and its chords, mm.
    rim_points: points around a fastener; 0 for its centre alone.
    circle_corners: least number of corners of a circle.
    max_area_error: share of the panel's area that the mesh may miss.
    """

    side: float
    strips_per_half: int
    run_out_stations: int
    cone_rings: int
    neck_size_ratio: float
    growth_rate: float
    chord_error: float
    rim_points: int = 6
    circle_corners: int = 12
    max_area_error: float = 1e-3

    def station_spacing(self, mean_row_pitch: float, min_row_pitch: float) -> float:
        """Spacing of stations along a bead, mm, for the mean and the least distance of its rows, mm.

        A bead is curved across its axis only, so that stations may lie 2 to 4 times as far apart as rows; the quality
        of such stretched triangles stays above 0.3.
        """
        return min(max(0.6 * self.side, 2 * mean_row_pitch), 4 * mean_row_pitch, 5 * min_row_pitch)


COARSE = "coarse"  # without beads and holes, for laminated triangles; fasteners are single nodes there
COARSE_SIDES = 20
COARSE_CHORD_ERROR = 0.06  # of the side, between a curve and its chords on the coarse mesh
# square root of the area over side; strips_per_half, run_out_stations, cone_rings, neck_size_ratio, growth_rate
MESH_LEVELS = {
    "quick": (18, 3, 2, 2, 1.0, 0.6),
    "normal": (36, 4, 4, 3, 0.7, 0.45),
    "fine": (62, 7, 7, 5, 0.4, 0.4),
    COARSE: (COARSE_SIDES, 2, 2, 2, 4.0, 2.0),
}


def mesh_resolution(area: float, perimeter: float, size: float | None, mesh_level: str) -> MeshResolution:
    """Resolution for a sheet of `area` mm2 with `perimeter` mm of rings that are not circles.

    size: background element size, mm, in place of the mesh level's; everything else scales with it, so that half the
    size refines all features.  Raises MeshError for an unknown mesh level or a size that is not positive.
    """
    if mesh_level not in MESH_LEVELS:
        raise MeshError(
            str(Fault("mesh level", f"unknown mesh level {mesh_level!r}", f"one of {', '.join(MESH_LEVELS)}"))
        )
    _, strips, run_out, rings, gap, growth = MESH_LEVELS[mesh_level]
    level_side = background_side(area, mesh_level)
    side = level_side if size is None else float(size)
    if not 0 < side < math.inf:
        raise MeshError(str(Fault("mesh size", f"{side:g} mm is not a valid size", "a length greater than 0")))
    if mesh_level == COARSE:
        chord = COARSE_CHORD_ERROR * side
        return MeshResolution(side, strips, run_out, rings, gap, growth, chord, 0, 8, max_area_error=0.03)
    refinement = level_side / side
    normal = background_side(area, "normal")
    chord = min(0.1 * (side / normal) ** 2, MAX_CHORD_ERROR)
    # chords at a distance c from a convex curve cut off 2/3 c mm2 per mm of it: keep that well below 0.1 % of the area
    chord = min(chord, 0.0007 * area / perimeter) if perimeter else chord
    return MeshResolution(
        side=side,
        strips_per_half=max(2, round(strips * refinement)),
        run_out_stations=max(2, round(run_out * refinement)),
        cone_rings=max(2, round(rings * refinement)),
        neck_size_ratio=min(1.0, gap / refinement),
        growth_rate=growth,
        chord_error=chord,
    )


def background_side(area: float, mesh_level: str) -> float:
    """Background element size, mm, of a mesh level for a sheet of `area` mm2."""
    return math.sqrt(area) / MESH_LEVELS[mesh_level][0]


class SizeField:
    """Wanted element size at any place: minimum over sources of size + growth_rate * distance, at most `side`."""

    def __init__(self, resolution: MeshResolution, points: np.ndarray, sizes: np.ndarray) -> None:
        """points (k, 2) mm with sizes (k,) mm; sources as coarse as the background are ignored."""
        self.side = side = resolution.side
        self.growth_rate = resolution.growth_rate
        refines = sizes < side
        points, sizes = points[refines], sizes[refines]
        self.smallest = float(sizes.min(initial=side))
        steps = np.floor(np.log(sizes / self.smallest) / math.log(SIZE_CLASS_RATIO) + 1e-9).astype(int)
        self._classes = [
            (cKDTree(points[steps == step]), float(sizes[steps == step].min())) for step in np.unique(steps)
        ]

    def __call__(self, xy: np.ndarray) -> np.ndarray:
        """Wanted sizes (n,) mm at points (n, 2)."""
        size = np.full(len(xy), self.side)
        for tree, source_size in self._classes:
            coarser = np.flatnonzero(size > source_size)
            distance, _ = tree.query(xy[coarser], distance_upper_bound=(self.side - source_size) / self.growth_rate)
            size[coarser] = np.minimum(size[coarser], source_size + self.growth_rate * distance)
        return size


def line_sources(
    points: np.ndarray, segments: np.ndarray, region: shapely.Polygon, resolution: MeshResolution
) -> tuple[np.ndarray, np.ndarray]:
    """Size sources of a line graph: short segments, and necks of sheet between segments that share no end.

    points: (n, 2) mm.  segments: (m, 2) point indices.  Returns source points (k, 2) and sizes (k,), mm.
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
    shortest = shapely.get_coordinates(shapely.shortest_line(pieces[a], pieces[b])).reshape(-1, 2, 2)
    middle = shortest.mean(axis=1)
    gap = np.linalg.norm(shortest[:, 1] - shortest[:, 0], axis=1)
    # only necks of sheet count: not the width of a slot, and not a segment's distance to the next but one on its line
    lines = shapely.multilinestrings(pieces)
    shapely.prepare(lines)
    neck = shapely.contains_xy(region, *middle.T) & ~shapely.dwithin(lines, shapely.points(middle), 0.25 * gap)
    # the lower bound avoids millions of triangles in a neck of almost no width
    sources.append(shortest[neck].reshape(-1, 2))
    sizes.append(np.repeat(np.maximum(gap[neck] * resolution.neck_size_ratio, resolution.side / 100), 2))
    return np.concatenate(sources), np.concatenate(sizes)


def _short_pieces(ends: np.ndarray, length: np.ndarray, longest: float) -> tuple[np.ndarray, np.ndarray]:
    """Segments (m, 2, 2) divided into lines of at most `longest` mm, and the segment index of each line."""
    counts = np.maximum(1, np.ceil(length / longest)).astype(int)
    owner = np.repeat(np.arange(len(ends)), counts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = np.stack([step, step + 1], axis=1) / counts[owner][:, None]
    start, end = ends[owner, 0], ends[owner, 1]
    return shapely.linestrings(start[:, None] + share[:, :, None] * (end - start)[:, None]), owner


def graded_positions(positions: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Node positions on a line from positions[0] to positions[-1]; sizes (k,): spacings wanted at positions (k,)."""
    steps = np.diff(positions) * (1 / sizes[1:] + 1 / sizes[:-1]) / 2
    total = np.append(0.0, np.cumsum(steps))
    count = max(1, math.ceil(total[-1] - 0.3))
    return np.interp(np.linspace(0.0, total[-1], count + 1), total, positions)

"""Parts in space: the rigid motion of each, its surface, its edges' frames, and the way back to the flat sheet.

mm.  A part's surface map is that of its folded mid-surface, with every bend as the cylinder that it is in metal.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from stiffen.mesh.fold_geometry import folded_sheet
from stiffen.model.tools import Tools

from .angle_strips import StripSurface
from .records import AngleStrip, PanelPart, Place

SurfaceMap = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
START_SPACING = 12.0  # mm between the points of the flat sheet from which the way back starts
MAX_STEPS = 30
CONVERGED = 1e-9  # mm


@dataclass(frozen=True, eq=False)
class PlacedPart:
    """A part in space.

    name: in the build.  thickness: mm.  region: the flat sheet.  local: positions (n, 3) and frames (n, 3, 3) of flat
    points (n, 2) in the part's own frame.  origin (3,), rotation (3, 3): its rigid motion.
    """

    name: str
    thickness: float
    region: Polygon
    local: SurfaceMap
    origin: np.ndarray
    rotation: np.ndarray

    def surface(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions (n, 3) on the mid-surface in space, and frames (n, 3, 3): flat x, flat y, normal of the up face."""
        place, frames = self.local(np.asarray(points, dtype=float))
        return self.origin + place @ self.rotation.T, self.rotation @ frames

    def edge_frame(self, a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Middle (3,) and frame (3, 3) of a line in the flat sheet: columns along it, to its left, normal."""
        middle = (np.asarray(a, dtype=float) + np.asarray(b, dtype=float)) / 2
        place, frames = self.surface(middle[None])
        along = np.subtract(b, a) / np.linalg.norm(np.subtract(b, a))
        first = frames[0] @ np.append(along, 0.0)
        normal = frames[0][:, 2]
        return place[0], np.column_stack([first, np.cross(normal, first), normal])

    def starts(self) -> np.ndarray:
        """(n, 2) flat points from which the way back starts: a grid over the sheet, and its corners."""
        x0, y0, x1, y1 = self.region.bounds
        grid = [np.linspace(a, b, max(2, int((b - a) / START_SPACING) + 1)) for a, b in ((x0, x1), (y0, y1))]
        points = np.stack(np.meshgrid(*grid), axis=-1).reshape(-1, 2)
        points = points[shapely.intersects_xy(self.region.buffer(0.1), *points.T)]
        corners = np.array(self.region.exterior.coords)[:-1]
        inner = np.array(self.region.representative_point().coords)
        return np.vstack([points, corners, inner])


@dataclass(frozen=True)
class Crossing:
    """Where an axis in space meets a part.

    at: (2,) in the flat sheet.  offset: mm along the axis from its point to the mid-surface.  on_sheet: False where the
    axis passes beside the sheet.  slope: cosine of the angle between the axis and the sheet's normal, 0 to 1.
    """

    at: np.ndarray
    offset: float
    on_sheet: bool
    slope: float


def placed_panel(part: PanelPart, place: Place, thickness: float) -> PlacedPart:
    """A panel of a build at a thickness, mm.  Raises MeshError for folds that overlap."""
    folded = folded_sheet(part.panel, thickness, every_bend_round=True)
    face = np.array([0.0, 0.0, thickness / 2 if place.face == "up" else -thickness / 2])

    def local(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        positions, frames = folded.surface(points)
        return positions - face, frames

    return _placed(part.name, thickness, part.panel.region, local, place)


def placed_strip(strip: AngleStrip, place: Place, tools: Tools) -> PlacedPart:
    """A strip of a build."""
    surface = StripSurface(strip, tools)
    return _placed(strip.name, strip.thickness, Polygon(surface.outline), surface.surface, place)


def _placed(name: str, thickness: float, region: Polygon, local: SurfaceMap, place: Place) -> PlacedPart:
    return PlacedPart(name, thickness, region, local, np.array(place.origin), place.rotation)


def crossing(part: PlacedPart, point: np.ndarray, axis: np.ndarray, reach: float) -> Crossing | None:
    """Where the line through `point` (3,) along the unit vector `axis` (3,) meets a part's mid-surface.

    The nearest place along the axis within `reach` mm counts; None if there is none.  Gauss-Newton from the nearest
    points of a grid: one step on flat sheet, a few on a cylinder.
    """
    starts = part.starts()
    place, _ = part.surface(starts)
    from_point = place - point
    along = from_point @ axis
    beside = np.linalg.norm(from_point - np.outer(along, axis), axis=1)
    order = np.argsort(beside + 0.2 * np.abs(along))
    found: list[Crossing] = []
    for start in starts[order[:6]]:
        one = _converged(part, start, point, axis)
        if one is not None and abs(one.offset) <= reach:
            if one.on_sheet:
                return one
            found.append(one)
    return min(found, key=lambda one: abs(one.offset), default=None)


def _converged(part: PlacedPart, start: np.ndarray, point: np.ndarray, axis: np.ndarray) -> Crossing | None:
    at = np.array(start, dtype=float)
    square = np.linalg.svd(axis[None])[2][1:]  # two directions square to the axis
    step = np.full(2, np.inf)
    for _ in range(MAX_STEPS):
        jacobian = square @ _tangents(part, at)
        if abs(np.linalg.det(jacobian)) < 1e-6:  # the axis runs along the sheet
            return None
        place = part.surface(at[None])[0][0]
        step = np.linalg.solve(jacobian, square @ (point - place))
        at = at + step * min(1.0, 50.0 / max(float(np.linalg.norm(step)), 1e-12))
        if np.linalg.norm(step) < CONVERGED:
            break
    if np.linalg.norm(step) > 1e-6:
        return None
    place, frames = part.surface(at[None])
    on_sheet = bool(shapely.intersects_xy(part.region.buffer(0.05), *at))
    return Crossing(at, float((place[0] - point) @ axis), on_sheet, abs(float(frames[0][:, 2] @ axis)))


def _tangents(part: PlacedPart, at: np.ndarray) -> np.ndarray:
    """(3, 2) derivatives of the surface by the flat coordinates, central differences."""
    h = 1e-4
    ends = part.surface(at + h * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]], dtype=float))[0]
    return np.column_stack([ends[0] - ends[1], ends[2] - ends[3]]) / (2 * h)

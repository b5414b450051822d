"""The assembled build as a picture: every placed part in space, coloured by the deflection of its own panel.

Each panel is computed by itself, held by its supports; what the neighbours give is not in the colours.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from scipy.interpolate import NearestNDInterpolator
from shapely.geometry import Polygon

from stiffen.assembly.placement import PlacedPart
from stiffen.output.drawing.label_placement import spread_apart
from stiffen.output.plots.style import COLOUR_SCALE, FONT_SIZE, LINE_COLOUR, figures, new_figure, save_png

from .build_sheet import BuildSheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRIANGLES_ACROSS = 45  # edge length of the triangles drawn: the build's size over this
VIEW = np.array([0.62, -0.88, 0.58])  # from the build toward the eye
LIFT = 0.4  # triangle sides by which outlines are drawn nearer to the eye than the sheet
STRIP_COLOUR = "#c9c4b5"
LABEL_PITCH = 1.5  # lines of text between labels
NO_LOAD = "no load cases: shape only"


class _Mesh(NamedTuple):
    """Triangles of a part: flat nodes (n, 2), nodes in space (n, 3), triangles (m, 3), rim segments (k, 2, 3)."""

    flat: np.ndarray
    nodes: np.ndarray
    triangles: np.ndarray
    rim: np.ndarray


def write_assembled(sheet: BuildSheet, path: str | Path) -> bool:
    """Draw the placed parts of a build; returns False, and writes nothing, if none has a place."""
    parts = sheet.fitted.parts
    if not parts:
        return False
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgb

    corners = np.vstack([part.surface(np.array(part.region.exterior.coords))[0] for part in parts.values()])
    size = float(np.max(np.ptp(corners, axis=0)))
    meshes = {name: _mesh(part, size / TRIANGLES_ACROSS) for name, part in parts.items()}
    largest = {name: _deflection(sheet, name, mesh) for name, mesh in meshes.items()}
    top = max((float(values.max()) for values in largest.values() if values is not None), default=0.0)
    scale = LinearSegmentedColormap.from_list("stiffen", COLOUR_SCALE)
    norm = Normalize(0.0, top or 1.0)
    right, up, toward = _axes()
    shapes, colours, edges, depths = [], [], [], []
    for name, mesh in meshes.items():
        corners3 = mesh.nodes[mesh.triangles]
        values = largest[name]
        plain = np.tile(to_rgb(STRIP_COLOUR), (len(corners3), 1))
        if values is not None:
            plain = scale(norm(values[mesh.triangles].mean(axis=1)))[:, :3]
        normals = np.cross(corners3[:, 1] - corners3[:, 0], corners3[:, 2] - corners3[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
        shade = 0.8 + 0.2 * np.abs(normals @ toward)
        for corner, colour in zip(corners3, plain * shade[:, None], strict=True):
            shapes.append(np.column_stack([corner @ right, corner @ up]))
            colours.append((*colour, 1.0))
            edges.append((*colour, 1.0))
            depths.append(float(corner.mean(axis=0) @ toward))
        for segment in mesh.rim:
            shapes.append(np.column_stack([segment @ right, segment @ up]))
            colours.append((0.0, 0.0, 0.0, 0.0))
            edges.append((*to_rgb(LINE_COLOUR), 1.0))
            depths.append(float(segment.mean(axis=0) @ toward) + LIFT * size / TRIANGLES_ACROSS)
    order = np.argsort(depths, kind="stable")
    figure = new_figure(6.0)
    axis = figure.add_subplot()
    axis.add_collection(
        PolyCollection(
            [shapes[i] for i in order],
            facecolors=[colours[i] for i in order],
            edgecolors=[edges[i] for i in order],
            linewidths=0.6,
        )
    )
    _draw_rivets(axis, sheet, right, up)
    _draw_labels(axis, parts, meshes, right, up)
    axis.set_aspect("equal")
    axis.autoscale_view()
    axis.set_axis_off()
    if top > 0:
        bar = figure.colorbar(ScalarMappable(norm, scale), ax=axis, orientation="horizontal", fraction=0.05, pad=0.02)
        bar.set_label(
            f"largest deflection of each panel by itself in any of its cases, mm (up to {figures(top)})",
            fontsize=FONT_SIZE - 2,
        )
        bar.ax.tick_params(labelsize=FONT_SIZE - 2)
    else:
        axis.set_title(NO_LOAD, fontsize=FONT_SIZE - 2)
    save_png(figure, path)
    return True


def _axes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Right, up and toward the eye, of the picture."""
    toward = VIEW / np.linalg.norm(VIEW)
    right = np.cross([0.0, 0.0, 1.0], toward)
    right /= np.linalg.norm(right)
    return right, np.cross(toward, right), toward


def _mesh(part: PlacedPart, spacing: float) -> _Mesh:
    """Triangles of a part, no longer than about `spacing` mm, so that they can be drawn from back to front."""
    region: Polygon = part.region
    rings = [shapely.segmentize(ring, spacing) for ring in (region.exterior, *region.interiors)]
    x0, y0, x1, y1 = region.bounds
    axes = [np.linspace(a, b, max(3, int((b - a) / spacing) + 2)) for a, b in ((x0, x1), (y0, y1))]
    grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    grid = grid[shapely.intersects_xy(region.buffer(-0.25 * min(spacing, min(x1 - x0, y1 - y0))), *grid.T)]
    flat = np.unique(np.vstack([grid, *(np.array(ring.coords)[:-1] for ring in rings)]).round(6), axis=0)
    triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.MultiPoint(flat)))
    middles = shapely.centroid(triangles)
    inside = shapely.covers(region.buffer(1e-6), middles)
    corners = shapely.get_coordinates(triangles[inside]).reshape(-1, 4, 2)[:, :3]
    index = {tuple(point): place for place, point in enumerate(flat)}
    found = np.array([[index[tuple(point)] for point in corner.round(6)] for corner in corners])
    nodes, _ = part.surface(flat)
    rims = [part.surface(np.array(ring.coords))[0] for ring in rings]
    rim = np.vstack([np.stack([line[:-1], line[1:]], axis=1) for line in rims])
    return _Mesh(flat, nodes, found, rim)


def _deflection(sheet: BuildSheet, name: str, mesh: _Mesh) -> np.ndarray | None:
    """(n,) largest deflection at the nodes in any case, mm; None for a part without result fields or cases."""
    one = sheet.built.get(name)
    fields = one.verdict.fields if one and one.verdict else None
    if fields is None or not fields.deflection:
        return None
    largest = np.max([np.abs(values) for values in fields.deflection.values()], axis=0)
    return NearestNDInterpolator(fields.plan_nodes[:, :2], largest)(mesh.flat)


def _draw_rivets(axis: Axes, sheet: BuildSheet, right: np.ndarray, up: np.ndarray) -> None:
    for one in sheet.fitted.rivets:
        axis.plot(one.centres @ right, one.centres @ up, ".", color=LINE_COLOUR, markersize=2.0, zorder=3)


def _draw_labels(
    axis: Axes, parts: Mapping[str, PlacedPart], meshes: dict[str, _Mesh], right: np.ndarray, up: np.ndarray
) -> None:
    """Names in two columns beside the picture, each with a line to a point of its part."""
    spots = {}
    for name, part in parts.items():
        middle = np.array(part.region.representative_point().coords)
        place = part.surface(middle)[0][0]
        spots[name] = float(place @ right), float(place @ up)
    nodes = np.vstack([mesh.nodes for mesh in meshes.values()])
    x, y = nodes @ right, nodes @ up
    line = (y.max() - y.min()) / 20
    ordered = sorted(spots, key=lambda name: spots[name][0])
    half = (len(ordered) + 1) // 2
    for names, edge, align, out in ((ordered[:half], x.min(), "right", -1), (ordered[half:], x.max(), "left", 1)):
        names = sorted(names, key=lambda name: spots[name][1])
        if not names:
            continue
        heights = spread_apart([spots[name][1] for name in names], LABEL_PITCH * line, y.min(), y.max())
        for name, height in zip(names, heights, strict=True):
            at = edge + out * 1.5 * line
            axis.plot([spots[name][0], at], [spots[name][1], height], color=LINE_COLOUR, linewidth=0.7, zorder=4)
            axis.plot(*spots[name], "o", color=LINE_COLOUR, markersize=3.5, zorder=4)
            axis.text(at + out * 0.3 * line, height, name, fontsize=FONT_SIZE - 2, ha=align, va="center", zorder=5)

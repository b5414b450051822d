"""The assembled build as a picture: every placed part in space, coloured by its deflection.

Where the build was judged as one thing, the deflections are those in the build, and beside each joint stands how much
it holds the panel in its plane; else each panel's are those by itself.
Parts touch each other, so a depth buffer decides for each pixel what is seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import shapely
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator
from shapely.geometry import Polygon

from stiffen.analysis.natural_modes import at_points
from stiffen.assembly.placement import PlacedPart
from stiffen.joined.edge_hold import EdgeHold
from stiffen.output.drawing.label_placement import spread_apart
from stiffen.output.plots.style import COLOUR_SCALE, FONT_SIZE, LINE_COLOUR, figures, new_figure, save_png

from .build_sheet import BuildSheet
from .joined_sections import share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRIANGLES_ACROSS = 45  # edge length of the triangles drawn: the build's size over this
PIXELS = 1800  # along the longer side of the depth buffer, which is averaged two by two
VIEW = np.array([0.62, -0.88, 0.58])  # from the build toward the eye
STRIP_COLOUR = "#c9c4b5"
CREASE = 0.94  # cosine of the angle between neighbouring pixels' sheets that is drawn as an edge
HIDDEN = 3.0  # mm behind the nearest sheet at which a rivet is not seen
SHARE_OFFSET = 0.055  # of the picture, from a joint to the share written beside it
LABEL_ROWS = 18  # label heights in the height of the picture
NO_LOAD = "no load cases: shape only"


class _Mesh(NamedTuple):
    """Triangles of a part: flat nodes (n, 2), nodes in space (n, 3), triangles (m, 3)."""

    flat: np.ndarray
    nodes: np.ndarray
    triangles: np.ndarray


class _Buffer(NamedTuple):
    """What is seen, by pixel: part number (-1: none), depth toward the eye, deflection (NaN: none), normal (.., 3).

    corner (2,): picture coordinates of pixel 0, 0, mm.  scale: pixels a mm.
    """

    part: np.ndarray
    depth: np.ndarray
    value: np.ndarray
    normal: np.ndarray
    corner: np.ndarray
    scale: float

    def pixels(self, picture: np.ndarray) -> np.ndarray:
        """(n, 2) pixel coordinates, column and row, of points (n, 2) of the picture."""
        return (picture - self.corner) * self.scale


def write_assembled(sheet: BuildSheet, path: str | Path) -> bool:
    """Draw the placed parts of a build; returns False, and writes nothing, if none has a place."""
    parts = sheet.fitted.parts
    if not parts:
        return False
    axes = _axes()
    corners = np.vstack([part.surface(np.array(part.region.exterior.coords))[0] for part in parts.values()])
    spacing = float(np.max(np.ptp(corners, axis=0))) / TRIANGLES_ACROSS
    meshes = {name: _mesh(part, spacing) for name, part in parts.items()}
    values = {name: _deflection(sheet, name, mesh) for name, mesh in meshes.items()}
    buffer = _depth_buffer(list(meshes.values()), list(values.values()), axes)
    top = max((float(one.max()) for one in values.values() if one is not None), default=0.0)
    _draw(sheet, buffer, axes, top, path)
    return True


def _axes() -> np.ndarray:
    """(3, 3): rows are right, up and toward the eye, of the picture."""
    toward = VIEW / np.linalg.norm(VIEW)
    right = np.cross([0.0, 0.0, 1.0], toward)
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(toward, right), toward])


def _mesh(part: PlacedPart, spacing: float) -> _Mesh:
    """Triangles of a part, no longer than about `spacing` mm."""
    region: Polygon = part.region
    rings = [shapely.segmentize(ring, spacing) for ring in (region.exterior, *region.interiors)]
    x0, y0, x1, y1 = region.bounds
    axes = [np.linspace(a, b, max(3, int((b - a) / spacing) + 2)) for a, b in ((x0, x1), (y0, y1))]
    axes[1] = np.union1d(axes[1], np.linspace(y0, y1, 15)) if y1 - y0 < 6 * spacing else axes[1]  # bends of strips
    grid = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    grid = grid[shapely.intersects_xy(region.buffer(-0.02 * min(x1 - x0, y1 - y0)), *grid.T)]
    flat = np.unique(np.vstack([grid, *(np.array(ring.coords)[:-1] for ring in rings)]).round(6), axis=0)
    triangles = shapely.get_parts(shapely.delaunay_triangles(shapely.MultiPoint(flat)))
    inside = shapely.covers(region.buffer(1e-6), shapely.centroid(triangles))
    corners = shapely.get_coordinates(triangles[inside]).reshape(-1, 4, 2)[:, :3]
    index = {tuple(point): place for place, point in enumerate(flat)}
    found = np.array([[index[tuple(point)] for point in corner.round(6)] for corner in corners])
    return _Mesh(flat, part.surface(flat)[0], found)


def _deflection(sheet: BuildSheet, name: str, mesh: _Mesh) -> np.ndarray | None:
    """(n,) largest deflection at the nodes in any case, mm; None for a part without result fields or cases."""
    if sheet.joined and name in sheet.joined.panels:
        found = sheet.joined.deflections.get(name)
        return None if found is None else at_points(found[0], found[1][:, None], mesh.flat)[:, 0]
    one = sheet.built.get(name)
    fields = one.verdict.fields if one and one.verdict else None
    if fields is None or not fields.deflection:
        return None
    largest = np.max([np.abs(values) for values in fields.deflection.values()], axis=0)
    nodes = fields.plan_nodes[:, :2]
    found = LinearNDInterpolator(nodes, largest)(mesh.flat)
    outside = np.isnan(found)  # beyond the chords of a curved edge
    found[outside] = NearestNDInterpolator(nodes, largest)(mesh.flat[outside])
    return found


def _depth_buffer(meshes: list[_Mesh], values: list[np.ndarray | None], axes: np.ndarray) -> _Buffer:
    """Draw all triangles into a depth buffer."""
    seen = [mesh.nodes @ axes.T for mesh in meshes]
    every = np.vstack(seen)
    low, high = every[:, :2].min(axis=0), every[:, :2].max(axis=0)
    scale = PIXELS / float(np.max(high - low))
    corner = low - 4 / scale
    wide, tall = (2 * (np.ceil((high - low) * scale / 2).astype(int) + 4)).tolist()
    part = np.full((tall, wide), -1)
    depth = np.full((tall, wide), -np.inf)
    value = np.full((tall, wide), np.nan)
    normal = np.zeros((tall, wide, 3))
    for number, (mesh, nodes, found) in enumerate(zip(meshes, seen, values, strict=True)):
        pixels = (nodes[:, :2] - corner) * scale
        at_nodes = np.full(len(nodes), np.nan) if found is None else found
        for triangle in mesh.triangles:
            a, b, c = pixels[triangle]
            area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
            if abs(area) < 1e-9:
                continue
            x0, y0 = np.floor(np.minimum(np.minimum(a, b), c)).astype(int)
            x1, y1 = np.ceil(np.maximum(np.maximum(a, b), c)).astype(int) + 1
            x, y = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
            u = ((x - a[0]) * (c[1] - a[1]) - (y - a[1]) * (c[0] - a[0])) / area
            v = ((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])) / area
            weights = np.stack([1 - u - v, u, v])
            here = np.tensordot(nodes[triangle, 2], weights, 1)
            window = np.s_[y0:y1, x0:x1]
            nearer = (weights.min(axis=0) >= -1e-9) & (here > depth[window])
            if not nearer.any():
                continue
            depth[window][nearer] = here[nearer]
            part[window][nearer] = number
            value[window][nearer] = np.tensordot(at_nodes[triangle], weights, 1)[nearer]
            p, q, r = mesh.nodes[triangle]
            across = np.cross(q - p, r - p)
            across /= np.linalg.norm(across)
            normal[window][nearer] = across if across @ axes[2] > 0 else -across
    return _Buffer(part, depth, value, normal, corner, scale)


def _edges(buffer: _Buffer) -> np.ndarray:
    """(tall, wide) bool: pixels on the rim of a part or on a crease."""
    edge = np.zeros(buffer.part.shape, dtype=bool)
    for axis in (0, 1):
        first, second = (np.s_[:-1], np.s_[1:]) if axis == 0 else (np.s_[:, :-1], np.s_[:, 1:])
        other = buffer.part[first] != buffer.part[second]
        turned = np.einsum("ijk,ijk->ij", buffer.normal[first], buffer.normal[second]) < CREASE
        on_sheet = (buffer.part[first] >= 0) & (buffer.part[second] >= 0)
        edge[first] |= other | (turned & on_sheet)
    return ndimage.binary_dilation(edge)


def _draw(sheet: BuildSheet, buffer: _Buffer, axes: np.ndarray, top: float, path: str | Path) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import LinearSegmentedColormap, Normalize, to_rgb

    scale = LinearSegmentedColormap.from_list("stiffen", COLOUR_SCALE)
    norm = Normalize(0.0, top or 1.0)
    image = np.ones((*buffer.part.shape, 3))
    drawn = buffer.part >= 0
    image[drawn] = to_rgb(STRIP_COLOUR)
    coloured = drawn & np.isfinite(buffer.value)
    image[coloured] = scale(norm(buffer.value[coloured]))[:, :3]
    shade = 0.78 + 0.22 * np.abs(buffer.normal @ axes[2])
    image[drawn] *= shade[drawn][:, None]
    image[_edges(buffer)] = to_rgb(LINE_COLOUR)
    tall, wide = buffer.part.shape
    image = image.reshape(tall // 2, 2, wide // 2, 2, 3).mean(axis=(1, 3))
    figure = new_figure(max(3.0, 5.2 * tall / wide + 0.9))
    axis = figure.add_subplot()
    axis.imshow(image, origin="lower", extent=(0, wide, 0, tall), interpolation="antialiased")
    for joint in sheet.fitted.rivets:
        place = joint.centres @ axes.T
        column, row = np.round(buffer.pixels(place[:, :2])).astype(int).T
        seen = place[:, 2] >= buffer.depth[np.clip(row, 0, tall - 1), np.clip(column, 0, wide - 1)] - HIDDEN
        axis.plot(column[seen], row[seen], ".", color=LINE_COLOUR, markersize=2.4)
    _draw_labels(axis, sheet.fitted.parts, buffer)
    if sheet.joined and sheet.joined.holds:
        _draw_shares(axis, sheet, sheet.joined.holds, buffer, axes)
    axis.set_axis_off()
    if top > 0:
        bar = figure.colorbar(ScalarMappable(norm, scale), ax=axis, orientation="horizontal", fraction=0.05, pad=0.02)
        where = "in the build" if sheet.joined else "by itself"
        text = f"largest deflection of each panel {where} in any of its cases, mm (up to {figures(top)})"
        if sheet.joined and sheet.joined.holds:
            text += "\nin boxes: how much a joint holds the panel in its plane (100 %: rigidly)"
        bar.set_label(text, fontsize=FONT_SIZE - 2)
        bar.ax.tick_params(labelsize=FONT_SIZE - 2)
    else:
        axis.set_title(NO_LOAD, fontsize=FONT_SIZE - 2)
    save_png(figure, path)


def _draw_shares(axis: Axes, sheet: BuildSheet, holds: Sequence[EdgeHold], buffer: _Buffer, axes: np.ndarray) -> None:
    """At the middle of each joint, beside it on the panel that it holds: the share held in the panel's plane."""
    rivets = {one.number: one for one in sheet.fitted.rivets}
    tall, wide = buffer.part.shape
    taken: list[np.ndarray] = []
    for hold in (one for one in holds if one.share is not None):
        part = sheet.fitted.parts[hold.panel]
        holes = rivets[hold.joint].holes[hold.panel]
        middle = holes[len(holes) // 2]
        inward = np.array(part.region.representative_point().coords[0]) - middle
        reach = SHARE_OFFSET * max(wide, tall) / buffer.scale
        spot = middle + inward / max(float(np.linalg.norm(inward)), 1e-9) * min(reach, float(np.linalg.norm(inward)))
        place = (part.surface(spot[None])[0] @ axes.T)[0]
        at = buffer.pixels(place[None, :2])[0]
        column, row = np.round(at).astype(int)
        seen = place[2] >= buffer.depth[np.clip(row, 0, tall - 1), np.clip(column, 0, wide - 1)] - HIDDEN
        if not seen or any(np.abs(at - other).max() < SHARE_OFFSET * max(wide, tall) for other in taken):
            continue
        taken.append(at)
        axis.text(
            float(at[0]), float(at[1]), share_text(hold), fontsize=FONT_SIZE - 3, ha="center", va="center",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": LINE_COLOUR, "linewidth": 0.5},
        )  # fmt: skip


def _draw_labels(axis: Axes, parts: Mapping[str, PlacedPart], buffer: _Buffer) -> None:
    """Names in two columns beside the picture, each with a line to the widest seen place of its part."""
    tall, wide = buffer.part.shape
    spots = {}
    for number, name in enumerate(parts):
        seen = buffer.part == number
        if seen.any():
            inner = ndimage.distance_transform_edt(np.pad(seen, 1))[1:-1, 1:-1]
            row, column = np.unravel_index(int(np.argmax(inner)), inner.shape)
            spots[name] = float(column), float(row)
    line = tall / LABEL_ROWS
    ordered = sorted(spots, key=lambda name: spots[name][0])
    half = (len(ordered) + 1) // 2
    for some, edge, align, out in ((ordered[:half], 0.0, "right", -1), (ordered[half:], float(wide), "left", 1)):
        names = sorted(some, key=lambda name: spots[name][1])
        if not names:
            continue
        heights = spread_apart([spots[name][1] for name in names], line, 0.0, float(tall))
        for name, height in zip(names, heights, strict=True):
            at = edge + out * 0.8 * line
            axis.plot([spots[name][0], at], [spots[name][1], height], color=LINE_COLOUR, linewidth=0.7)
            axis.plot(*spots[name], "o", color=LINE_COLOUR, markersize=3.5)
            axis.text(at + out * 0.2 * line, height, name, fontsize=FONT_SIZE - 2, ha=align, va="center")
    axis.autoscale_view()

"""A picture of the folded part, from one side and above, so that nobody folds it the wrong way.

The part is shown in parallel projection with the base level and its "up" face on top.  Faces are ordered back to
front; the "up" face is white, the "down" face grey.  Each fold has its number.  mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import polygonize

from stiffen.errors import MeshError
from stiffen.mesh.fold_geometry import Bend, FoldedSheet, folded_sheet
from stiffen.model.fold_plan import CurvedPlan
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .pdf import MIN_CAPITAL_HEIGHT, THIN_PEN, DrawingSurface, Pen, printed_width
from .primitives import XY

ELEVATION = 32.0  # degrees of the line of sight over the base
AZIMUTHS = (-60.0, -30.0, -120.0, 30.0, 60.0, 150.0)  # degrees, of the viewpoint, tried in this order
ARC_STEP = 15.0  # degrees: largest part of a bend drawn as one flat facet
FACE_GREY = {True: 1.0, False: 0.78}  # "up" face, "down" face
MIN_FACE_AREA = 1e-3  # mm2
OUTLINE_PEN, BEAD_PEN = Pen(0.3), Pen(0.18, (2.0, 1.0), 0.35)
NUMBER_GAP = 5.0  # mm on paper from the middle of a fold line to its number


@dataclass(frozen=True)
class Face:
    """One face of the folded part in the picture, mm.

    rings: the first is its outline, the others are openings.  is_up: True if its "up" side is seen.  edges: the parts
    of its outline to draw; edges between the facets of a bend are left out.  marks: bead axes on it.
    """

    rings: tuple[tuple[XY, ...], ...]
    is_up: bool
    edges: tuple[tuple[XY, ...], ...]
    marks: tuple[tuple[XY, ...], ...]


@dataclass(frozen=True)
class FoldedView:
    """The folded part as seen, mm in the picture's plane.

    faces: from back to front.  folds: for each fold, in order, the middle of its line and a point on its flange beside
    it.  up: where to write "UP FACE", a point inside the base.  size: width, height.
    """

    faces: tuple[Face, ...]
    folds: tuple[tuple[XY, XY], ...]
    up: XY
    size: XY


def folded_view(panel: Panel, layout: Layout) -> FoldedView | None:
    """The picture of a panel's folded part; None if it has no folds, or cannot be folded."""
    if not panel.is_folded:
        return None
    try:
        sheet = folded_sheet(panel, layout.gauge)
    except MeshError:
        return None
    pieces = _pieces(panel, sheet)
    views = [_view(panel, layout, sheet, pieces, azimuth) for azimuth in AZIMUTHS]
    return max(views, key=lambda view: round(_seen_area(view), 3))


def _pieces(panel: Panel, sheet: FoldedSheet) -> list[Polygon]:
    """The flat sheet cut at all folds, so that each piece is a plane face."""
    lines = [panel.region.boundary]
    for bend in sheet.bends:
        for line in _fold_cuts(bend):
            lines.append(line.intersection(bend.moved.buffer(0.01)))
    cut = polygonize(shapely.get_parts(shapely.union_all(lines, grid_size=1e-4)))
    return [piece for piece in cut if piece.area > MIN_FACE_AREA and panel.region.covers(piece.representative_point())]


def _fold_cuts(bend: Bend) -> Iterable[LineString]:
    """The line of a sharp fold, or the lines along a round bend that divide it in facets."""
    if isinstance(bend.plan, CurvedPlan):
        flange = bend.plan.flange
        yield bend.plan.line
        ends = np.array([flange.fold_radius, flange.end_radius + (1.0 if flange.is_outside else -1.0)])
        for angle in np.radians(np.arange(flange.start, flange.start + flange.sweep + ARC_STEP, ARC_STEP / 2)):
            yield LineString(flange.centre + np.outer(ends, [math.cos(angle), math.sin(angle)]))
        return
    count = math.ceil(abs(math.degrees(bend.angle)) / ARC_STEP) if bend.width else 0
    offsets = bend.width * (np.arange(count + 1) / count - 0.5) if count else np.zeros(1)
    s = (shapely.get_coordinates(bend.moved) - bend.plan.start) @ bend.plan.along
    for offset in offsets:
        ends = bend.plan.start + np.outer([s.min() - 1, s.max() + 1], bend.plan.along) + offset * bend.plan.out
        yield LineString(ends)


def _view(panel: Panel, layout: Layout, sheet: FoldedSheet, pieces: list[Polygon], azimuth: float) -> FoldedView:
    """The folded part seen from an azimuth (degrees)."""
    a, e = math.radians(azimuth), math.radians(ELEVATION)
    toward = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
    right = np.array([-math.sin(a), math.cos(a), 0.0])
    axes = np.stack([right, np.cross(toward, right)])

    def seen(points: np.ndarray) -> np.ndarray:
        return sheet.surface(points)[0] @ axes.T

    corner = seen(shapely.get_coordinates(panel.region)).min(axis=0)
    faces, planes = [], []
    axis_lines = shapely.union_all([LineString(bead.path) for bead in layout.beads]) if layout.beads else None
    for piece in pieces:
        rings = [np.array(ring.coords) for ring in (piece.exterior, *piece.interiors)]
        inside = np.array(piece.representative_point().coords)
        place, frame = sheet.surface(inside)
        normal = frame[0, :, 2]
        marks = []
        if axis_lines is not None:
            for part in shapely.get_parts(axis_lines.intersection(piece)):
                if part.geom_type == "LineString" and part.length > 0:
                    marks.append(_tuples(seen(_pulled(np.array(part.coords), inside)) - corner))
        drawn = [_tuples(seen(_pulled(ring, inside)) - corner) for ring in rings]
        edges = [_tuples(seen(_pulled(run, inside)) - corner) for ring in rings for run in _drawn_edges(ring, sheet)]
        faces.append(Face(tuple(drawn), bool(normal @ toward > 0), tuple(edges), tuple(marks)))
        planes.append((place[0], normal))
    order = _back_to_front(faces, planes, axes, toward, corner)
    size = np.ptp(np.concatenate([np.array(face.rings[0]) for face in faces]), axis=0)
    folds = []
    for bend in sorted(sheet.bends, key=lambda bend: bend.number):
        middle = np.array(bend.plan.line.interpolate(0.5, normalized=True).coords[0])
        flat = np.array([middle, middle + (bend.width / 2 + 1.0) * bend.plan.directions(middle[None])[2][0]])
        a2, b2 = seen(flat) - corner
        folds.append((tuple(a2.tolist()), tuple(b2.tolist())))
    base = max(pieces, key=lambda piece: piece.area)
    inner = base.buffer(-0.2 * math.sqrt(base.area))
    up = seen(np.array((base if inner.is_empty else inner).representative_point().coords))[0] - corner
    return FoldedView(tuple(faces[k] for k in order), tuple(folds), tuple(up.tolist()), tuple(size.tolist()))


def _pulled(points: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Points (n, 2) moved slightly toward a point `inside` their face, so that a fold line is on one face only."""
    return points + 1e-5 * (inside - points)


def _tuples(points: np.ndarray) -> tuple[XY, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _drawn_edges(ring: np.ndarray, sheet: FoldedSheet) -> list[np.ndarray]:
    """Runs of a ring's sides, without those between two facets of one bend."""
    runs: list[list[np.ndarray]] = [[]]
    for a, b in pairwise(ring):
        hidden = False
        for bend in sheet.bends:
            if isinstance(bend.plan, CurvedPlan):
                hidden |= _is_facet_edge(a, b, bend.plan)
        for bend in sheet.cylinders:
            first, second = bend.plan.offset(np.array([a, b]))
            level = abs(first - second) < 1e-3
            hidden |= bool(level and abs(first) < bend.width / 2 - 1e-3 and bend.moved.covers(Point((a + b) / 2)))
        if hidden:
            runs.append([])
        else:
            runs[-1] = [*(runs[-1] or [a]), b]
    return [np.array(run) for run in runs if len(run) > 1]


def _is_facet_edge(a: np.ndarray, b: np.ndarray, plan: CurvedPlan) -> bool:
    """True for a side between two facets of a curved flange: one along a radius, not at an end of the arc."""
    flange, middle = plan.flange, (a + b) / 2
    along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    is_radial = abs(float(along @ plan.directions(middle[None])[2][0])) > 0.999
    ends = [LineString([at, flange.centre]) for at in (flange.line[0], flange.line[-1])]
    is_end = any(end.distance(Point(middle)) < 0.1 for end in ends)
    return bool(is_radial and not is_end and plan.polygon.buffer(0.1).covers(Point(middle)))


def _back_to_front(
    faces: list[Face],
    planes: list[tuple[np.ndarray, np.ndarray]],
    axes: np.ndarray,
    toward: np.ndarray,
    corner: np.ndarray,
) -> list[int]:
    """Order in which faces are painted: of two that cover each other in the picture, the farther one first."""
    shapes = [Polygon(face.rings[0]).buffer(0) for face in faces]
    before: dict[int, set[int]] = {k: set() for k in range(len(faces))}
    tree = shapely.STRtree(shapes)
    for i, shape in enumerate(shapes):
        for j in tree.query(shape, predicate="intersects"):
            if j <= i:
                continue
            common = shape.intersection(shapes[j])
            if common.area < 1e-3:
                continue
            spot = np.array(common.representative_point().coords[0]) + corner
            depth = [_depth(spot, *planes[k], axes, toward) for k in (i, j)]
            near, far = (i, int(j)) if depth[0] > depth[1] else (int(j), i)
            before[near].add(far)
    order: list[int] = []
    left = set(before)
    while left:
        ready = [k for k in sorted(left) if not before[k] & left] or [min(left, key=lambda k: planes[k][0] @ toward)]
        order += ready
        left -= set(ready)
    return order


def _depth(spot: np.ndarray, place: np.ndarray, normal: np.ndarray, axes: np.ndarray, toward: np.ndarray) -> float:
    """Where the line of sight through a point of the picture meets a plane: mm from the origin toward the viewer.

    spot: (2,) in the picture.  place, normal: (3,) of the plane.  axes: (2, 3) of the picture.  toward: (3,), to the
    viewer.
    """
    foot = spot @ axes
    slope = normal @ toward
    if abs(slope) < 1e-9:
        return float(place @ toward)
    return float(normal @ (place - foot) / slope)


def _seen_area(view: FoldedView) -> float:
    """Score of a view: the least visible share of a face, plus the visible area of all faces over that of the picture.

    Faces of less than 1 % of the picture do not count for the first.
    """
    covered = shapely.union_all([])
    least, total = 1.0, 0.0
    for face in reversed(view.faces):
        shape = Polygon(face.rings[0], face.rings[1:]).buffer(0)
        if shape.area > MIN_FACE_AREA:
            seen = shape.difference(covered).area
            if shape.area > 0.01 * view.size[0] * view.size[1]:
                least = min(least, seen / shape.area)
            total += seen
            covered = covered.union(shape)
    return least + total / (view.size[0] * view.size[1])


# ------------------------------------------------------------------------------------------------------------- drawing


def draw_folded(surface: DrawingSurface, size: XY, view: FoldedView) -> None:
    """Draw the view within width x height mm: faces back to front, numbers of folds, "UP" on the up face."""
    room = 2 * NUMBER_GAP
    scale = min((size[0] - room) / view.size[0], (size[1] - room) / view.size[1])
    shift = [(size[k] - scale * view.size[k]) / 2 for k in (0, 1)]

    def reduced(at: XY) -> XY:
        return scale * at[0] + shift[0], scale * at[1] + shift[1]

    for face in view.faces:
        outer, *holes = ([reduced(at) for at in ring] for ring in face.rings)
        for part in _without_holes(outer, holes):
            surface.fill(part, FACE_GREY[face.is_up])
        for mark in face.marks:
            surface.line([reduced(at) for at in mark], BEAD_PEN)
        for edge in face.edges:
            surface.line([reduced(at) for at in edge], OUTLINE_PEN)
    _word(surface, reduced(view.up), "UP FACE")
    for number, (middle, _) in enumerate(view.folds, 1):
        (x, y), away = reduced(middle), np.subtract(reduced(middle), reduced(view.up))
        length = float(np.hypot(*away)) or 1.0
        at = (x + NUMBER_GAP * away[0] / length, y + NUMBER_GAP * away[1] / length)
        surface.line([(x, y), at], THIN_PEN)
        _word(surface, at, f"{number}")


def _word(surface: DrawingSurface, at: XY, text: str) -> None:
    """A bold word on white, centred at a point."""
    half, (x, y) = printed_width(text, bold=True) / 2 + 0.7, at
    low, high = y - MIN_CAPITAL_HEIGHT / 2 - 0.7, y + MIN_CAPITAL_HEIGHT / 2 + 0.7
    surface.fill([(x - half, low), (x + half, low), (x + half, high), (x - half, high)])
    surface.text((x, y - MIN_CAPITAL_HEIGHT / 2), text, bold=True, align="center")


def _without_holes(outer: list[XY], holes: list[list[XY]]) -> list[list[XY]]:
    """Polygons without holes that cover a face: triangles where it has holes, the face itself where it has none."""
    if not holes:
        return [outer]
    area = Polygon(outer, holes).buffer(0)
    parts = shapely.get_parts(shapely.constrained_delaunay_triangles(area))
    return [list(part.exterior.coords)[:-1] for part in parts]

"""The closed loops of a DXF drawing: the outline of a sheet and what is cut out of it.

Model space only.  Blocks are taken apart; layers that are off or frozen, text, dimensions, hatches and points are
passed over.  Curves become chords at most `CHORD_ERROR` off.  Pieces are joined where their ends lie within `GAP`,
whatever their order and direction; a piece drawn twice counts once.  Coordinates come out in mm by the drawing's
$INSUNITS (no unit means mm).
"""

from __future__ import annotations

import logging
import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import ezdxf
import ezdxf.units
import numpy as np
import shapely
from ezdxf.entities import DXFGraphic, Insert, Polyline
from ezdxf.math import Vec3
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from .errors import Fault, InputError
from .fields import FARTHEST
from .files import check_file
from .outline import CHORD_ERROR, Ring, arc_points, circle_ring, open_ring, ring_fault

logging.getLogger("ezdxf").addHandler(logging.NullHandler())  # its remarks on odd files are not for the screen

GAP = 0.05  # mm, ends this near are one
MM_PER_UNIT = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}  # $INSUNITS
CURVES = ("LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "HELIX", "LWPOLYLINE", "POLYLINE")
SOLIDS = ("3DFACE", "3DSOLID", "BODY", "REGION", "MESH", "SURFACE", "EXTRUDEDSURFACE", "LOFTEDSURFACE")
SOLIDS += ("REVOLVEDSURFACE", "SWEPTSURFACE", "PLANESURFACE")
MOST_PIECES = 30_000
TOO_MANY = f"holds more than {MOST_PIECES} lines, arcs and blocks"
GREATEST_RADIUS = 1e7  # mm, of an arc; ten times as far as a coordinate may be from the origin
DEEPEST_BLOCK = 16
JOINED = f"ends within {GAP:g} mm are joined by themselves"


@dataclass(frozen=True)
class Loop:
    """A closed loop: its ring in mm, and (x, y, diameter) where it is an exact circle."""

    ring: Ring
    circle: tuple[float, float, float] | None = None

    @property
    def span(self) -> tuple[float, float]:
        """Width and height, mm."""
        low, high = np.min(self.ring, axis=0), np.max(self.ring, axis=0)
        return tuple((high - low).tolist())


@dataclass(frozen=True)
class Piece:
    """One stroke of the drawing as points (n, 2) in mm; (x, y, radius) where it is an arc."""

    points: np.ndarray
    arc: tuple[float, float, float] | None = None

    @property
    def length(self) -> float:
        """Length, mm."""
        return float(np.hypot(*np.diff(self.points, axis=0).T).sum())

    @property
    def middle(self) -> np.ndarray:
        """The point half way along, mm."""
        line = shapely.LineString(self.points)
        return shapely.get_coordinates(line.interpolate(0.5, normalized=True))[0]


@dataclass(frozen=True)
class Drawing:
    """What a drawing holds: the outline, the loops inside it, the unit it was drawn in."""

    outline: Loop
    cutouts: tuple[Loop, ...]
    unit: str


def read_loops(path: Path) -> Drawing:
    """The largest closed loop of a DXF file and the loops inside it.

    InputError if the file is no DXF, is not flat, has open ends, crossings, or more than one outline.
    """
    check_file(path)
    if path.read_bytes()[:4] == b"AC10":
        raise _refuse("is a DWG file", "export the drawing as DXF")
    try:
        with np.errstate(all="ignore"):  # what overflows is told as not finite
            document = ezdxf.readfile(path)
            scale, unit = _unit(document)
            pieces = _pieces(document, scale)
    except InputError:
        raise
    except (ezdxf.DXFError, OSError, ArithmeticError, ValueError, LookupError, TypeError, AttributeError):
        raise _refuse("is not a readable DXF file", "export it again as ASCII DXF, R2000 or later") from None
    return _nest(_loops(pieces), unit)


def _unit(document: ezdxf.document.Drawing) -> tuple[float, str]:
    """mm per drawing unit, and the unit's name."""
    unit = int(document.header.get("$INSUNITS", 0))
    if unit not in MM_PER_UNIT:
        name = ezdxf.units.unit_name(unit)
        raise _refuse(f"is drawn in {name}", "set its unit to mm, cm, m, inch or foot ($INSUNITS)")
    return MM_PER_UNIT[unit], "not given and taken as mm" if unit == 0 else ezdxf.units.decode(unit)


def _refuse(what: str, cure: str = "") -> InputError:
    return InputError([Fault("", what, cure)])


# --- strokes ---------------------------------------------------------------------------------------------------


def _pieces(document: ezdxf.document.Drawing, scale: float) -> list[Piece]:
    """Every stroke in model space, flat and in mm."""
    hidden = {layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()}
    hidden.add("defpoints")
    seen: Counter[str] = Counter()
    strokes = []
    for entity in _apart(document.modelspace(), hidden, 0):
        kind = entity.dxftype()
        seen[kind] += 1
        if kind in SOLIDS or (isinstance(entity, Polyline) and not _is_line(entity)):
            raise _refuse(f"holds a solid or a face ({kind})", "draw the flat outline with lines and arcs")
        if kind in CURVES:
            strokes += _strokes(entity, scale)
        if max(len(strokes), seen.total()) > MOST_PIECES:
            raise _refuse(TOO_MANY, "leave only the outline and cut-outs")
    if not strokes:
        found = ", ".join(f"{kind} ({count})" for kind, count in seen.most_common(4))
        only = f", only {found}" if found else ""
        raise _refuse(f"holds no lines or arcs in model space{only}", "draw the outline as a closed loop")
    if not all(np.isfinite(points).all() and np.abs(points).max() <= FARTHEST for points, _ in strokes):
        raise _refuse(f"has coordinates beyond {FARTHEST:g} mm from the origin", "move the sheet to the origin")
    heights = np.concatenate([points[:, 2] for points, _ in strokes])
    if np.ptp(heights) > GAP:
        what = f"is not flat: its lines lie at heights from {heights.min():g} to {heights.max():g} mm"
        raise _refuse(what, "project it to one plane, the sheet seen from its up face")
    flat = (Piece(points[:, :2], arc) for points, arc in strokes)
    return [piece for piece in flat if piece.length > GAP]


def _apart(entities: Iterable[DXFGraphic], hidden: set[str], depth: int) -> Iterator[DXFGraphic]:
    """All visible entities; a block reference itself comes before what is in it."""
    if depth > DEEPEST_BLOCK:
        raise _refuse(f"has blocks nested more than {DEEPEST_BLOCK} deep", "explode the blocks")
    for entity in entities:
        if entity.dxf.get("layer", "0").lower() in hidden or entity.dxf.get("invisible", 0):
            continue
        if not isinstance(entity, Insert):
            yield entity
            continue
        copies = [entity]
        if entity.mcount > 1:
            if depth:  # ezdxf does not scale such a grid with the block it stands in
                raise _refuse("has an array of blocks inside a block", "explode the outer block")
            if entity.mcount > MOST_PIECES:
                raise _refuse(TOO_MANY, "leave only the outline and cut-outs")
            copies = entity.multi_insert()
        for copy in copies:
            yield copy
            yield from _apart(copy.virtual_entities(), hidden, depth + 1)


def _is_line(entity: Polyline) -> bool:
    return entity.is_2d_polyline or entity.is_3d_polyline


def _strokes(entity: DXFGraphic, scale: float) -> list[tuple[np.ndarray, tuple | None]]:
    """Points (n, 3) in mm, and the arc they lie on, of each stroke of an entity."""
    kind = entity.dxftype()
    if kind == "LINE":
        return [(_array([entity.dxf.start, entity.dxf.end], scale), None)]
    if kind in ("ARC", "CIRCLE"):
        return [_arc(entity, scale)] if entity.dxf.radius > 0 else []
    if kind in ("ELLIPSE", "SPLINE", "HELIX"):
        _check_reach(entity, scale)
        return [(_array(entity.flattening(CHORD_ERROR / 2 / scale), scale), None)]
    if isinstance(entity, Polyline) and entity.dxf.flags & entity.SPLINE_FIT_VERTICES_ADDED:
        shown = [v.dxf.location for v in entity.vertices if not v.dxf.flags & v.SPLINE_FRAME_CONTROL_POINT]
        return [(_array(shown + shown[:1] * entity.is_closed, scale), None)]
    return [stroke for part in entity.virtual_entities() for stroke in _strokes(part, scale)]


def _check_reach(entity: DXFGraphic, scale: float) -> None:
    """Refuse a curve so large that its chords could not be counted."""
    points = [entity.dxf.major_axis] if entity.dxftype() == "ELLIPSE" else [*entity.control_points, *entity.fit_points]
    if not all(abs(v) * scale <= GREATEST_RADIUS for point in points for v in Vec3(point)):
        raise _refuse(f"has a curve beyond {GREATEST_RADIUS:g} mm", "draw it as a line")


def _array(points: Iterable[Vec3], scale: float) -> np.ndarray:
    return np.array([(p.x, p.y, p.z) for p in points]).reshape(-1, 3) * scale


def _arc(entity: DXFGraphic, scale: float) -> tuple[np.ndarray, tuple[float, float, float]]:
    """An ARC or CIRCLE: its points are laid out in its own plane and then turned into the drawing's."""
    centre, radius = entity.dxf.center * scale, entity.dxf.radius * scale
    if not radius <= GREATEST_RADIUS:
        raise _refuse(f"has an arc of radius {radius:g} mm", "draw it as a line")
    start, sweep = 0.0, math.tau
    if entity.dxftype() == "ARC":
        start = math.radians(entity.dxf.start_angle)
        sweep = math.radians(entity.dxf.end_angle) - start
        sweep = sweep % math.tau or math.tau
    plane = entity.ocs()
    own = arc_points((centre.x, centre.y), radius, start, sweep)
    points = plane.points_to_wcs([Vec3(x, y, centre.z) for x, y in own])
    middle = plane.to_wcs(centre)
    return _array(points, 1.0), (middle.x, middle.y, radius)


# --- joining ---------------------------------------------------------------------------------------------------


def _loops(pieces: list[Piece]) -> list[Loop]:
    """Closed loops from pieces in any order and direction."""
    closed = [piece for piece in pieces if _gap(piece) <= GAP]
    chains = [[(piece, False)] for piece in closed]
    rest = [piece for piece in pieces if _gap(piece) > GAP]
    if rest:
        chains += _chains(rest)
    loops = [_loop(chain) for chain in chains]
    faults = [fault for loop in loops if (fault := ring_fault(loop.ring))]
    if faults:
        raise InputError(Fault("", f"has a loop that {fault}", "draw each loop once round") for fault in faults[:5])
    return _once(loops)


def _gap(piece: Piece) -> float:
    return float(np.hypot(*(piece.points[0] - piece.points[-1])))


def _chains(pieces: list[Piece]) -> list[list[tuple[Piece, bool]]]:
    """Pieces in running order, each with True where it runs backward; InputError where ends stay open."""
    ends = np.array([piece.points[[0, -1]] for piece in pieces]).reshape(-1, 2)
    pairs = cKDTree(ends).query_pairs(GAP, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(ends), len(ends)))
    count, node = connected_components(links, directed=False)
    centre = np.stack([np.bincount(node, ends[:, k]) for k in (0, 1)], axis=1) / np.bincount(node)[:, None]
    pieces, node = _single(pieces, node.reshape(-1, 2))
    degree = np.bincount(node.ravel(), minlength=count)
    faults = _open_ends(centre, degree)
    if faults:
        raise InputError(faults)
    return _walk([_snapped(piece, centre[ab]) for piece, ab in zip(pieces, node, strict=True)], node)


def _single(pieces: list[Piece], node: np.ndarray) -> tuple[list[Piece], np.ndarray]:
    """Pieces drawn twice taken once: same ends, same middle."""
    kept: dict[tuple[int, int], list[int]] = {}
    for i, (a, b) in enumerate(node.tolist()):
        alike = kept.setdefault((min(a, b), max(a, b)), [])
        if a != b and all(math.dist(pieces[i].middle, pieces[j].middle) > GAP for j in alike):
            alike.append(i)
    order = sorted(i for group in kept.values() for i in group)
    return [pieces[i] for i in order], node[order]


def _open_ends(centre: np.ndarray, degree: np.ndarray) -> list[Fault]:
    """Faults for ends that meet nothing and for places where more than two pieces meet."""
    faults = []
    loose = np.flatnonzero(degree == 1)
    for i in loose[:3]:
        x, y = centre[i]
        others = np.delete(loose, np.flatnonzero(loose == i))
        away = np.hypot(*(centre[others] - centre[i]).T).min() if len(others) else math.inf
        near = f"; the next open end is {away:.2f} mm away" if away < math.inf else ""
        faults.append(Fault("", f"has an open end at ({x:.2f}, {y:.2f}){near}", f"close the loop; {JOINED}"))
    if len(loose) > 3:
        faults.append(Fault("", f"has {len(loose) - 3} more open ends"))
    for i in np.flatnonzero(degree > 2)[:3]:
        x, y = centre[i]
        what = f"has {degree[i]} lines that meet at ({x:.2f}, {y:.2f})"
        faults.append(Fault("", what, "leave only the outline and the cut-outs, each one closed line"))
    return faults


def _snapped(piece: Piece, ends: np.ndarray) -> Piece:
    """The piece with its two ends moved to where they meet their neighbours."""
    points = piece.points.copy()
    points[[0, -1]] = ends
    return Piece(points, piece.arc)


def _walk(pieces: list[Piece], node: np.ndarray) -> list[list[tuple[Piece, bool]]]:
    """Follow the pieces from node to node; every node has exactly two."""
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


def _loop(chain: list[tuple[Piece, bool]]) -> Loop:
    """One closed chain as a ring, points on a straight run left out."""
    arcs = [piece.arc for piece, _ in chain]
    if None not in arcs and np.ptp(np.array(arcs), axis=0).max() <= 1e-3:
        x, y, radius = (round(float(v), 6) for v in np.mean(arcs, axis=0))
        return Loop(circle_ring(x, y, 2 * radius), (x, y, 2 * radius))
    points = np.concatenate([piece.points[::-1] if back else piece.points for piece, back in chain])
    line = shapely.remove_repeated_points(shapely.LinearRing(points), 1e-3).simplify(CHORD_ERROR / 4)
    return Loop(open_ring([(round(x, 6) + 0.0, round(y, 6) + 0.0) for x, y in line.coords]))


def _once(loops: list[Loop]) -> list[Loop]:
    """Loops drawn twice taken once: same middle, same area."""
    shapes = [shapely.Polygon(loop.ring) for loop in loops]
    middles = [shape.centroid for shape in shapes]
    first, second = shapely.STRtree(middles).query(middles, predicate="dwithin", distance=GAP)
    twice = {
        max(i, j)
        for i, j in zip(first.tolist(), second.tolist(), strict=True)
        if i != j and shapes[i].hausdorff_distance(shapes[j]) <= GAP
    }
    return [loop for i, loop in enumerate(loops) if i not in twice]


# --- nesting ---------------------------------------------------------------------------------------------------


def _nest(loops: list[Loop], unit: str) -> Drawing:
    """The largest loop and those inside it."""
    loops = sorted(loops, key=lambda loop: -shapely.Polygon(loop.ring).area)
    outline, *inner = loops
    sheet = shapely.Polygon(outline.ring)
    shapely.prepare(sheet)
    faults = []
    for loop in inner:
        if not sheet.intersects(shapely.Polygon(loop.ring)):
            (w, h), (x, y) = loop.span, np.mean(loop.ring, axis=0)
            what = f"has a second outline, {w:.1f} x {h:.1f} mm, around ({x:.1f}, {y:.1f})"
            faults.append(Fault("", what, "one sheet a drawing: move the other one to its own file"))
    if faults:
        raise InputError(faults[:5])
    return Drawing(outline, tuple(inner), unit)

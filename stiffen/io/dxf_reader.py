"""Reads a DXF drawing of a sheet: its outline, its cut-outs, and the annotations on its layers.

Model space only.  Blocks are taken apart.  Layers that are off or frozen, text, dimensions and hatches are ignored.
Curves become chords that deviate by at most `MAX_CHORD_ERROR`.  Coordinates are converted to mm by the drawing's
$INSUNITS (no unit means mm).  `dxf_layers` has the names of layers that mark folds, keep-outs, rivets and bolts.
"""

from __future__ import annotations

import logging
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

import ezdxf
import ezdxf.document
import ezdxf.units
import numpy as np
from ezdxf.entities import DXFGraphic, Insert, Polyline
from ezdxf.math import Vec3

from stiffen.errors import Fault, InputError
from stiffen.model.sheet_geometry import MAX_CHORD_ERROR, XY, arc_points
from stiffen.model.value_rules import MAX_COORDINATE, printable, suggestion

from .closed_loops import JOIN_TOLERANCE, CurvePiece, Loop, find_loops, outline_and_cutouts
from .dxf_layers import LayerRole, layer_role, normalised_name
from .fastener_rows import group_into_rows
from .files import check_file
from .schema import MAX_ROWS

logging.getLogger("ezdxf").addHandler(logging.NullHandler())  # keeps its warnings about odd files off the screen

MM_PER_UNIT = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}  # $INSUNITS
CURVES = ("LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "HELIX", "LWPOLYLINE", "POLYLINE")
SOLIDS = (
    *("3DFACE", "3DSOLID", "BODY", "REGION", "MESH", "SURFACE", "EXTRUDEDSURFACE", "LOFTEDSURFACE"),
    *("REVOLVEDSURFACE", "SWEPTSURFACE", "PLANESURFACE"),
)
MAX_DRAWING_BYTES = 3_000_000  # bytes; larger ones take too long to read
MAX_ENTITIES = 30_000
MAX_CHORDS = 1_000_000  # of all curves of a drawing together
TOO_MANY_ENTITIES = f"holds more than {MAX_ENTITIES} lines, arcs and blocks"
TOO_MANY_CHORDS = f"holds curves so large that they take more than {MAX_CHORDS} chords"
CLEAN_UP_CURE = "leave only the outline and cut-outs"
MAX_RADIUS = 1e7  # mm, of an arc; ten times the greatest coordinate
MAX_BLOCK_DEPTH = 16


@dataclass(frozen=True)
class Annotation:
    """One annotation, in the keys of the panel file: a row of [[fold]], [[keep_out]] or [[support]]."""

    key: str
    row: dict[str, Any]
    layer: str


@dataclass(frozen=True)
class Drawing:
    """The content of a drawing: the outline, the loops inside it, the unit it was drawn in, its annotations."""

    outline: Loop
    cutouts: tuple[Loop, ...]
    unit: str
    annotations: tuple[Annotation, ...] = ()


Stroke = tuple[np.ndarray, tuple[float, float, float] | None]


@dataclass
class _Layer:
    """All that lies on one layer, in mm: strokes (points (n, 3), and the arc they lie on), and points and circles."""

    name: str
    role: LayerRole
    strokes: list[Stroke] = field(default_factory=list)
    fastener_places: list[tuple[Vec3, float]] = field(default_factory=list)  # with the diameter, 0 for a point


def read_drawing(path: Path, own_layers: Mapping[str, str] | None = None) -> Drawing:
    """The largest closed loop of a DXF file, the loops inside it, and the annotations on its layers.

    own_layers: maps the user's layer names, as `dxf_layers.normalised_name` returns them, to names of `dxf_layers`.
    InputError if the file is no DXF, is not flat, or has open ends, crossings, a second outline or invalid annotations.
    """
    check_file(path, MAX_DRAWING_BYTES)
    try:
        if path.read_bytes()[:4] == b"AC10":
            raise _drawing_error("is a DWG file", "export the drawing as DXF")
        with np.errstate(all="ignore"):  # an overflow is reported as not finite
            document = ezdxf.readfile(path)
            scale, unit = _unit(document)
            _check_named(document, own_layers or {})
            found = _layers(document, scale, own_layers or {})
    except (InputError, MemoryError):
        raise
    except Exception:  # noqa: BLE001 - a broken file raises errors of every kind in ezdxf
        raise _drawing_error("is not a readable DXF file", "export it again as ASCII DXF, R2000 or later") from None
    marks = tuple(islice((mark for layer in found for mark in _annotations(layer)), MAX_ROWS + 1))
    if len(marks) > MAX_ROWS:
        raise _drawing_error(f"marks more than {MAX_ROWS} folds, keep-outs and supports", CLEAN_UP_CURE)
    sheet = [stroke for layer in found if layer.role.kind == "sheet" for stroke in layer.strokes]
    outline, cutouts = outline_and_cutouts(find_loops(_pieces(sheet)))
    return Drawing(outline, cutouts, unit, marks)


def _unit(document: ezdxf.document.Drawing) -> tuple[float, str]:
    """mm per drawing unit, and the unit's name."""
    unit = int(document.header.get("$INSUNITS", 0))
    if unit not in MM_PER_UNIT:
        name = ezdxf.units.unit_name(unit)
        raise _drawing_error(f"is drawn in {name}", "set its unit to mm, cm, m, inch or foot ($INSUNITS)")
    return MM_PER_UNIT[unit], "not given and taken as mm" if unit == 0 else str(ezdxf.units.decode(unit))


def _check_named(document: ezdxf.document.Drawing, own: Mapping[str, str]) -> None:
    """Raise InputError for names of layers that the drawing does not have."""
    listed = [layer.dxf.name for layer in document.layers]
    known = {
        normalised_name(name): name for name in (*listed, *(e.dxf.get("layer", "0") for e in document.modelspace()))
    }
    if missing := [name for name in own if name not in known]:
        cure = suggestion(missing[0], known.values())
        raise _drawing_error(f"has no layer {printable(missing[0])}, which [dxf_layers] names", cure)


def _drawing_error(what: str, cure: str = "") -> InputError:
    return InputError([Fault("", what, cure)])


# --- strokes ---------------------------------------------------------------------------------------------------


def _layers(document: ezdxf.document.Drawing, scale: float, own: Mapping[str, str]) -> list[_Layer]:
    """Everything in model space on layers that have a role, layer by layer, flat and in mm."""
    hidden = {layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()}
    meaning = cache(lambda name: layer_role(name, own))
    seen: Counter[str] = Counter()
    found: dict[str, _Layer] = {}
    size = count = 0
    for entity, name in _visible_entities(document.modelspace(), hidden, "0", 0):
        kind = entity.dxftype()
        seen[kind] += 1
        if seen.total() > MAX_ENTITIES:
            raise _drawing_error(TOO_MANY_ENTITIES, CLEAN_UP_CURE)
        if kind not in (*CURVES, *SOLIDS, "POINT") or meaning(name).kind == "nothing":
            continue
        if kind in SOLIDS or (isinstance(entity, Polyline) and not _is_line(entity)):
            raise _drawing_error(f"holds a solid or a face ({kind})", "draw the flat outline with lines and arcs")
        layer = found.setdefault(name.lower(), _Layer(name, meaning(name)))
        if layer.role.kind in ("rivets", "bolts"):
            layer.fastener_places += _fastener_places(entity, scale)
            continue
        for stroke in _strokes(entity, scale):
            layer.strokes.append(stroke)
            size += len(stroke[0])
            count += 1
            if count > MAX_ENTITIES or size > MAX_CHORDS:
                raise _drawing_error(TOO_MANY_ENTITIES if count > MAX_ENTITIES else TOO_MANY_CHORDS, CLEAN_UP_CURE)
    strokes = [stroke for layer in found.values() for stroke in layer.strokes]
    if not any(layer.strokes for layer in found.values() if layer.role.kind == "sheet"):
        kinds = ", ".join(f"{printable(kind)} ({count})" for kind, count in seen.most_common(4))
        only = f", only {kinds}" if kinds else ""
        what = "but the marked layers" if strokes else "in model space"
        raise _drawing_error(f"holds no lines or arcs {what}{only}", "draw the outline as a closed loop")
    _check_flat(strokes)
    return list(found.values())


def _check_flat(strokes: list[Stroke]) -> None:
    """Raise InputError for strokes that lie too far out, or not in one plane."""
    if not all(np.isfinite(points).all() and np.abs(points).max() <= MAX_COORDINATE for points, _ in strokes):
        raise _drawing_error(
            f"has coordinates beyond {MAX_COORDINATE:g} mm from the origin", "move the sheet to the origin"
        )
    heights = np.concatenate([points[:, 2] for points, _ in strokes])
    if np.ptp(heights) > JOIN_TOLERANCE:
        what = f"is not flat: its lines lie at heights from {heights.min():g} to {heights.max():g} mm"
        raise _drawing_error(what, "project it to one plane, the sheet seen from its up face")


def _pieces(strokes: Iterable[Stroke]) -> list[CurvePiece]:
    """Strokes in plan without those shorter than JOIN_TOLERANCE."""
    flat = (CurvePiece(points[:, :2], arc) for points, arc in strokes)
    return [piece for piece in flat if piece.length > JOIN_TOLERANCE]


def _fastener_places(entity: Any, scale: float) -> list[tuple[Vec3, float]]:
    """Place and diameter in mm of a circle, or of a point (diameter 0); an empty list for other entities."""
    if entity.dxftype() == "POINT":
        return [(entity.dxf.location * scale, 0.0)]
    if entity.dxftype() == "CIRCLE":
        return [(entity.ocs().to_wcs(entity.dxf.center) * scale, 2 * entity.dxf.radius * scale)]
    return []


def _visible_entities(
    entities: Iterable[DXFGraphic], hidden: set[str], around: str, depth: int
) -> Iterator[tuple[DXFGraphic, str]]:
    """All visible entities with their layer; a block reference comes before the entities in it.

    around: the layer of the block reference, which is also that of entities on layer 0 of the block.
    """
    if depth > MAX_BLOCK_DEPTH:
        raise _drawing_error(f"has blocks nested more than {MAX_BLOCK_DEPTH} deep", "explode the blocks")
    for entity in entities:
        layer = entity.dxf.get("layer", "0")
        layer = around if layer == "0" else layer
        if layer.lower() in hidden or entity.dxf.get("invisible", 0):
            continue
        if not isinstance(entity, Insert):
            yield entity, layer
            continue
        copies: Iterable[Insert] = [entity]
        if entity.mcount > 1:
            if depth:  # ezdxf does not scale such a grid with the outer block
                raise _drawing_error("has an array of blocks inside a block", "explode the outer block")
            if entity.mcount > MAX_ENTITIES:
                raise _drawing_error(TOO_MANY_ENTITIES, CLEAN_UP_CURE)
            copies = entity.multi_insert()
        for copy in copies:
            yield copy, layer
            yield from _visible_entities(copy.virtual_entities(), hidden, layer, depth + 1)


def _is_line(entity: Polyline) -> bool:
    return entity.is_2d_polyline or entity.is_3d_polyline


def _strokes(entity: Any, scale: float) -> Iterator[Stroke]:
    """Points (n, 3) in mm, and the arc they lie on, of each stroke of an entity."""
    kind = entity.dxftype()
    if kind == "LINE":
        yield _array([entity.dxf.start, entity.dxf.end], scale), None
    elif kind in ("ARC", "CIRCLE"):
        if entity.dxf.radius > 0:
            yield _arc(entity, scale)
    elif kind in ("ELLIPSE", "SPLINE", "HELIX"):
        _check_extent(entity, scale)
        yield _array(entity.flattening(MAX_CHORD_ERROR / 2 / scale), scale), None
    elif isinstance(entity, Polyline) and entity.dxf.flags & entity.SPLINE_FIT_VERTICES_ADDED:
        shown = [v.dxf.location for v in entity.vertices if not v.dxf.flags & v.SPLINE_FRAME_CONTROL_POINT]
        yield _array(shown + shown[:1] * entity.is_closed, scale), None
    elif kind != "POINT":
        for part in entity.virtual_entities():
            yield from _strokes(part, scale)


def _check_extent(entity: Any, scale: float) -> None:
    """Raise InputError for a curve so large that its chords could not be counted."""
    points = [entity.dxf.major_axis] if entity.dxftype() == "ELLIPSE" else [*entity.control_points, *entity.fit_points]
    if not all(abs(v) * scale <= MAX_RADIUS for point in points for v in Vec3(point)):
        raise _drawing_error(f"has a curve beyond {MAX_RADIUS:g} mm", "draw it as a line")


def _array(points: Iterable[Vec3], scale: float) -> np.ndarray:
    return np.array([(p.x, p.y, p.z) for p in points]).reshape(-1, 3) * scale


def _arc(entity: Any, scale: float) -> tuple[np.ndarray, tuple[float, float, float]]:
    """Points of an ARC or CIRCLE, computed in its own plane and then rotated into the drawing's, and the arc itself."""
    centre, radius = entity.dxf.center * scale, entity.dxf.radius * scale
    if not radius <= MAX_RADIUS:
        raise _drawing_error(f"has an arc of radius {radius:g} mm", "draw it as a line")
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


# --- annotations --------------------------------------------------------------------------------------


def _annotations(layer: _Layer) -> Iterator[Annotation]:
    """The annotations of one layer."""
    name, row = layer.name, layer.role.row
    try:
        if layer.role.kind == "fold":
            for line in dict.fromkeys(_straight(piece) for piece in _pieces(layer.strokes)):
                yield Annotation("fold", {"line": _as_lists(line), **row}, name)
        elif layer.role.kind == "keep_out":
            for loop in find_loops(_pieces(layer.strokes)):
                yield Annotation("keep_out", {"polygon": _as_lists(loop.ring), **row}, name)
        elif layer.role.kind in ("rivets", "bolts"):
            for support in _fasteners(layer):
                yield Annotation("support", support, name)
    except InputError as error:
        faults = (Fault("", f"layer {printable(name)} {fault.what}", fault.cure) for fault in error.faults)
        raise InputError(faults) from None


def _straight(piece: CurvePiece) -> tuple[XY, XY]:
    """The two ends of a fold line, sorted."""
    (x0, y0), (x1, y1) = ends = piece.points[[0, -1]].round(6).tolist()
    if piece.length > math.dist(*ends) + JOIN_TOLERANCE:
        raise _drawing_error(
            f"has a curve from ({x0:.1f}, {y0:.1f}) to ({x1:.1f}, {y1:.1f})", "a fold line is straight"
        )
    first, last = sorted(ends)
    return (first[0], first[1]), (last[0], last[1])


def _as_lists(points: Iterable[XY]) -> list[list[float]]:
    return [[x, y] for x, y in points]


def _fasteners(layer: _Layer) -> Iterator[dict[str, Any]]:
    """Rows of [[support]] for the rivets or bolts of a layer, those of one diameter together."""
    spots = {(round(place.x, 3), round(place.y, 3)): size for place, size in layer.fastener_places}
    if not spots:
        raise _drawing_error("has no circles or points", "draw one at each rivet or bolt")
    row = layer.role.row
    if "diameter" not in row and 0.0 in spots.values():
        raise _drawing_error("has points, which have no diameter", "give it in the layer's name: RIVET 4")
    by_size: dict[float, list[XY]] = {}
    for place, size in spots.items():
        by_size.setdefault(row.get("diameter") or round(size, 1), []).append(place)
    for size, places in sorted(by_size.items()):
        lines = group_into_rows(places) if row["kind"] == "rivets" else [(place,) for place in places]
        for line in lines:
            if len(line) > 1:
                yield {**row, "diameter": size, "path": _as_lists(line), "at": _as_lists(dict.fromkeys(line))}
        if singles := [line[0] for line in lines if len(line) == 1]:
            yield {**row, "kind": "bolts", "diameter": size, "at": _as_lists(singles)}

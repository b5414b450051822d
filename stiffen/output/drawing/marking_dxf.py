"""The marking drawing: one DXF at 1:1, millimetres, with every line that goes onto a face of the sheet.

What is drawn comes from `scribe`; here it gets running dimensions and overall sizes, `titles` adds what stands beside.
Lines are told apart by layer; `dxf_writer.LAYERS` says what for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from stiffen.io.files import atomic_write
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop.process_plan import ProcessPlan

from .bench_view import FaceView, face_view, mark_points, number_ranges
from .dxf_writer import DxfCanvas, new_document
from .face_marking import build_marking
from .label_placement import place_labels, spread_apart
from .primitives import XY, text_width
from .title_block import draw_column


def write_marking(
    panel: Panel,
    layout: Layout,
    path: str | Path,
    *,
    verdict: Verdict | None = None,
    plan: ProcessPlan | None = None,
    face: str = "up",
) -> None:
    """Write the marking drawing of one face of `layout` as DXF (R2010, millimetres, 1:1).

    verdict: adds the evaluated mass and whether all demands are met.  face: "up" or "down"; `bench_view.rolled_faces`
    names the faces that need a drawing.  The file is written under a temporary name, then renamed.  Raises InputError
    if it cannot be written.
    """
    x0, y0, x1, y1 = panel.region.bounds
    height = min(7.0, max(3.5, math.hypot(x1 - x0, y1 - y0) / 150))
    document = new_document(height)
    sheet = DxfCanvas(document.modelspace(), height)
    seen = face_view(panel, layout, face, plan)
    drawn = build_marking(seen, height)
    found = place_labels(drawn.labels, [*drawn.obstacles, *_draw_running_dimensions(sheet, seen)], height)
    placed = [words for lines in found.values() for words in lines]
    for item in drawn.items:
        sheet.draw(item, placed)
    for words in placed:
        sheet.text_line(words)
    draw_column(sheet, seen, verdict)
    with atomic_write(path) as fresh:
        document.saveas(fresh)


# -------------------------------------------------------------------------------------------------- running dimensions


@dataclass(frozen=True)
class RunningDimension:
    """One running dimension: mm from the datum, the drawn point it is taken to, and what lies at that distance."""

    value: float
    at: XY
    text: str


def running_dimensions(seen: FaceView, along: int) -> tuple[RunningDimension, ...]:
    """Running dimensions along X (0) or Y (1) to every mark of the beads rolled with this face up, every hole and
    circular cut-out; those that read alike are one, taken to the point nearest to the edge where they stand."""
    names, points = zip(*_named_points(seen), strict=True) if _named_points(seen) else ((), ())
    measured = [round(seen.from_datum(at)[along], 1) for at in points]
    rising = sorted(range(len(points)), key=lambda i: (measured[i], points[i][1 - along]))
    found = []
    for value, group in groupby(rising, key=lambda i: measured[i]):
        same = list(group)
        words = f"{number_ranges([names[i] for i in same])}   {value + 0.0:.1f}"
        found.append(RunningDimension(value, points[same[0]], words))
    return tuple(sorted(found, key=lambda one: one.at[along]))


def _named_points(seen: FaceView) -> list[tuple[tuple[str, int], XY]]:
    """(kind, number) and place of everything that is measured."""
    beads = [
        (("", number), (x, y))
        for number, bead in enumerate(seen.layout.beads, 1)
        if seen.is_rolled_here(bead)
        for x, y, _ in mark_points(bead)
    ]
    holes = [(("H", number), hole.at) for number, hole in enumerate(seen.layout.holes, 1)]
    cutouts = [(("C", n), cutout.circle[:2]) for n, cutout in enumerate(seen.panel.cutouts, 1) if cutout.circle]
    return [*beads, *holes, *cutouts]


def _draw_running_dimensions(sheet: DxfCanvas, seen: FaceView) -> list[BaseGeometry]:
    """Running dimensions below and left of the sheet, and beyond them the overall sizes; hands back what they cover.

    Their lines are drawn outside the rough cut only, so that the sheet itself stays clear.
    """
    h = sheet.text_height
    x0, y0, x1, y1 = Polygon(seen.panel.outline).bounds
    edges = seen.rough_outline.bounds
    start = max(seen.plan.trim_allowance) + 6.5 * h  # past the datum lines, with room to swerve
    covered: list[BaseGeometry] = []
    for along, low, high in ((0, x0, x1), (1, y0, y1)):
        found = running_dimensions(seen, along)
        end = (y0, x0)[along] - start
        for one, place_ in zip(found, spread_apart([r.at[along] for r in found], 1.7 * h, low, high), strict=True):
            to = (place_, end) if along == 0 else (end, place_)
            covered += _draw_running_dimension(sheet, seen, one, along, edges[1 - along], to)
        depth = start + max((text_width(one.text, h) + 1.5 * h for one in found), default=-2.0 * h)
        base = (x0, y0 - depth - 2.0 * h) if along == 0 else (x0 - depth - 2.0 * h, y0)
        corners = ((x0, y0), (x1, y0)) if along == 0 else ((x0, y0), (x0, y1))
        size = sheet.modelspace.add_linear_dim(
            base=base,
            p1=corners[0],
            p2=corners[1],
            angle=90.0 * along,
            dimstyle="BENCH",
            override={"dimexo": depth},  # starts beyond the running dimensions
            dxfattribs={"layer": "DIMENSION"},
        )
        _render_dimension(size)
    return covered


def _draw_running_dimension(
    sheet: DxfCanvas, seen: FaceView, one: RunningDimension, along: int, edge: float, to: XY
) -> list[BaseGeometry]:
    """One running dimension of a point, drawn from the edge of the sheet to `to`, where its words begin."""
    h, length = sheet.text_height, text_width(one.text, sheet.text_height)
    add = (sheet.modelspace.add_ordinate_x_dim, sheet.modelspace.add_ordinate_y_dim)[along]
    dimension = add(
        feature_location=one.at,
        offset=(to[0] - one.at[0], to[1] - one.at[1]),
        origin=seen.datum,
        text=one.text,
        dimstyle="BENCH RUNNING",
        override={"dimexo": one.at[1 - along] - edge + 1.0},
        dxfattribs={"layer": "DIMENSION"},
    )
    _render_dimension(dimension)
    x, y = to
    words = box(x - h, y - length - h, x + h, y) if along == 0 else box(x - length - h, y - h, x, y + h)
    foot, knee = (
        ((one.at[0], edge), (one.at[0], y + 4 * h)) if along == 0 else ((edge, one.at[1]), (x + 4 * h, one.at[1]))
    )
    return [words, shapely.LineString([foot, knee, to]).buffer(0.3)]


def _render_dimension(dimension: Any) -> None:
    """Draw a dimension, its words as a plain line of text: paragraphs are broken differently by every viewer."""
    from ezdxf.enums import TextEntityAlignment

    dimension.render()
    block = dimension.dimension.get_geometry_block()
    for words in block.query("MTEXT"):
        attributes = {"layer": words.dxf.layer, "style": "BENCH", "rotation": words.dxf.get("rotation", 0.0)}
        text = block.add_text(words.text, height=words.dxf.char_height, dxfattribs=attributes)
        text.set_placement(words.dxf.insert, align=TextEntityAlignment.MIDDLE_CENTER)
        block.delete_entity(words)

"""The marking drawing: one DXF at 1:1, in millimetres, with every line to scribe on one face of the sheet.

`face_marking` gives the lines and labels, this module adds running dimensions and overall sizes, and `title_block` adds
the column of text beside the drawing.  `dxf_writer.LAYERS` lists the layers.
"""

from __future__ import annotations

import math
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

from .bench_view import FaceView, face_view
from .dxf_writer import DxfCanvas, new_document
from .face_marking import build_marking
from .label_placement import place_labels, spread_apart
from .primitives import XY, text_width
from .running_dimensions import CENTRE_LINE, RunningDimension, running_dimensions
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
    if it cannot be written.  plan: the process plan of this layout; made here if None.
    """
    x0, y0, x1, y1 = panel.region.bounds
    height = min(7.0, max(3.5, math.hypot(x1 - x0, y1 - y0) / 150))
    document = new_document(height)
    canvas = DxfCanvas(document.modelspace(), height)
    view = face_view(panel, layout, face, plan)
    marking = build_marking(view, height)
    placed = place_labels(marking.labels, [*marking.obstacles, *_draw_running_dimensions(canvas, view)], height)
    text_lines = [line for lines in placed.values() for line in lines]
    for item in marking.items:
        canvas.draw(item, text_lines)
    for line in text_lines:
        canvas.text_line(line)
    draw_column(canvas, view, verdict)
    with atomic_write(path) as fresh:
        document.saveas(fresh)


# -------------------------------------------------------------------------------------------------- running dimensions


def _draw_running_dimensions(canvas: DxfCanvas, view: FaceView) -> list[BaseGeometry]:
    """Draw running dimensions below and left of the sheet, and the overall sizes beyond them.

    Their lines stay outside the rough cut, so that the sheet itself stays clear.  Returns the areas that they cover.
    """
    h = canvas.text_height
    x0, y0, x1, y1 = Polygon(view.panel.outline).bounds
    edges = view.rough_outline.bounds
    start = max(view.plan.trim_allowance) + 6.5 * h  # beyond the datum lines; an extension line can bend there
    covered: list[BaseGeometry] = []
    for along, low, high in ((0, x0, x1), (1, y0, y1)):
        dimensions = running_dimensions(view, along)
        end = (y0, x0)[along] - start
        levels = spread_apart([one.at[along] for one in dimensions], 1.7 * h, low, high)
        for one, level in zip(dimensions, levels, strict=True):
            to = (level, end) if along == 0 else (end, level)
            covered += _draw_running_dimension(canvas, view, one, along, edges[1 - along], to)
            if one.text.startswith(CENTRE_LINE):
                at = one.at[along]
                canvas.line(((at, y0), (at, y1)) if along == 0 else ((x0, at), (x1, at)), "CENTRE LINE")
        depth = start + max((text_width(one.text, h) + 1.5 * h for one in dimensions), default=-2.0 * h)
        base = (x0, y0 - depth - 2.0 * h) if along == 0 else (x0 - depth - 2.0 * h, y0)
        corners = ((x0, y0), (x1, y0)) if along == 0 else ((x0, y0), (x0, y1))
        size = canvas.modelspace.add_linear_dim(
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
    canvas: DxfCanvas, view: FaceView, one: RunningDimension, along: int, edge: float, to: XY
) -> list[BaseGeometry]:
    """Draw one running dimension from the edge of the rough cut to `to`, where its text begins.

    Returns the areas that text and line cover.
    """
    h, length = canvas.text_height, text_width(one.text, canvas.text_height)
    add = (canvas.modelspace.add_ordinate_x_dim, canvas.modelspace.add_ordinate_y_dim)[along]
    dimension = add(
        feature_location=one.at,
        offset=(to[0] - one.at[0], to[1] - one.at[1]),
        origin=view.datum,
        text=one.text,
        dimstyle="BENCH RUNNING",
        override={"dimexo": one.at[1 - along] - edge + 1.0},
        dxfattribs={"layer": "DIMENSION"},
    )
    _render_dimension(dimension)
    x, y = to
    text_area = box(x - h, y - length - h, x + h, y) if along == 0 else box(x - length - h, y - h, x, y + h)
    foot, knee = (
        ((one.at[0], edge), (one.at[0], y + 4 * h)) if along == 0 else ((edge, one.at[1]), (x + 4 * h, one.at[1]))
    )
    return [text_area, shapely.LineString([foot, knee, to]).buffer(0.3)]


def _render_dimension(dimension: Any) -> None:
    """Draw a dimension with its text as a TEXT entity: viewers break the lines of an MTEXT paragraph differently."""
    from ezdxf.enums import TextEntityAlignment

    dimension.render()
    block = dimension.dimension.get_geometry_block()
    for paragraph in block.query("MTEXT"):
        rotation = paragraph.dxf.get("rotation", 0.0)
        attributes = {"layer": paragraph.dxf.layer, "style": "BENCH", "rotation": rotation}
        text = block.add_text(paragraph.text, height=paragraph.dxf.char_height, dxfattribs=attributes)
        text.set_placement(paragraph.dxf.insert, align=TextEntityAlignment.MIDDLE_CENTER)
        block.delete_entity(paragraph)

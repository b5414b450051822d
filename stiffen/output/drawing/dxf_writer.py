"""The DXF drawing: its layers, line types and text styles, and a canvas that adds items and text to it.  mm."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from .primitives import XY, Circle, Hatch, Line, TextLine

# name: AutoCAD colour index, line type, line weight in 1/100 mm, purpose
LAYERS: dict[str, tuple[int, str, int, str]] = {
    "CUT": (7, "CONTINUOUS", 35, "finished outline and cut-outs: cut after rolling"),
    "ROUGH CUT": (32, "BENCH LONG", 25, "rough cut: cut here first; rolling draws the sheet in"),
    "FOLD": (6, "BENCH CENTRE", 25, "fold lines with angle and side"),
    "MOULD LINE": (8, "BENCH SHORT", 13, "outside of the finished base: where the outer faces of its flanges will be"),
    "BEND TANGENT": (6, "CONTINUOUS", 18, "a round bend begins and ends at these lines; the fold line is its middle"),
    "BEAD AXIS": (1, "BENCH CENTRE", 35, "the line to roll along; cross: centre of an arc"),
    "BEAD FLANK": (8, "BENCH SHORT", 13, "edges of the bead"),
    "BEAD STOP": (
        1,
        "CONTINUOUS",
        35,
        "double tick: lower rolls; single: raise; small: full depth here, or roll to it",
    ),
    "FEED": (1, "CONTINUOUS", 25, "arrow: feed this way; frame: this side goes to the roller's frame"),
    "OTHER FACE": (8, "BENCH SHORT", 13, "beads that are rolled with the other face up"),
    "HOLE PILOT": (5, "CONTINUOUS", 35, "pilot holes with centre crosses: cut before flaring"),
    "HOLE FLANGE": (152, "BENCH SHORT", 13, "edge of the flare"),
    "RIVET": (94, "CONTINUOUS", 25, "rivet and bolt centres: drill together with the mating part"),
    "KEEP OUT": (34, "BENCH SHORT", 18, "keep-outs: the label says what may not be in here"),
    "DATUM": (134, "BENCH CENTRE", 25, "the two lines to scribe first; all X and Y start here"),
    "CENTRE LINE": (134, "BENCH CENTRE", 13, "one half is measured; the other is marked as its mirror image"),
    "NUMBER": (7, "CONTINUOUS", 25, "numbers of holes, and of beads in rolling order"),
    "DIMENSION": (7, "CONTINUOUS", 13, "running dimensions, overall sizes, tables of X and Y"),
    "NOTE": (7, "CONTINUOUS", 18, "title block, cautions, the 100 mm check bar"),
}
DXF_HATCH_SPACING = 3.0 * math.sqrt(2.0)  # mm between hatch lines
# total length, then dash (+), gap (-), dot (0), mm
LINE_TYPES = {
    "BENCH LONG": (15.0, 12.0, -3.0),
    "BENCH SHORT": (5.0, 3.0, -2.0),
    "BENCH CENTRE": (18.0, 12.0, -2.0, 2.0, -2.0),
}


def new_document(height: float) -> Any:
    """An empty drawing (R2010, millimetres) with all layers.  height: of capitals in dimension texts, mm."""
    import ezdxf

    document = ezdxf.new("R2010")
    document.units = 4  # millimetres
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 1.0
    for name, pattern in LINE_TYPES.items():
        document.linetypes.add(name, pattern=list(pattern), description=name.lower())
    for name, (colour, line_type, weight, purpose) in LAYERS.items():
        layer = document.layers.add(name, color=colour, linetype=line_type, lineweight=weight)
        layer.description = purpose
    document.styles.add("BENCH", font="arial.ttf")
    _add_dimension_styles(document, height)
    return document


def _add_dimension_styles(document: Any, height: float) -> None:
    """Add the styles of overall and running dimensions."""
    common = {
        "dimtxt": height,
        "dimtxsty": "BENCH",
        "dimasz": height,
        "dimexe": 0.5 * height,
        "dimgap": 0.5 * height,
        "dimdec": 1,
        "dimdsep": ord("."),
        "dimclrd": 256,
        "dimclre": 256,
        "dimclrt": 256,
    }
    document.dimstyles.new("BENCH", dxfattribs={**common, "dimexo": height, "dimtad": 1, "dimzin": 8})
    document.dimstyles.new("BENCH RUNNING", dxfattribs={**common, "dimexo": 1.0, "dimtad": 0, "dimzin": 0})


@dataclass(frozen=True)
class DxfCanvas:
    """Adds items and text to the model space.  text_height: of capitals, mm."""

    modelspace: Any
    text_height: float

    def draw(self, item: Line | Circle | Hatch, texts: Sequence[TextLine] = ()) -> None:
        """Add an item.  A hatch is left out behind each of the texts, so that they stay readable."""
        attributes = {"layer": item.layer}
        if isinstance(item, Line):
            self.modelspace.add_lwpolyline(item.points, close=item.closed, dxfattribs=attributes)
        elif isinstance(item, Circle):
            self.modelspace.add_circle(item.at, item.diameter / 2, dxfattribs=attributes)
        else:
            hatch = self.modelspace.add_hatch(dxfattribs={**attributes, "color": 256})
            turn = math.radians(item.angle)
            step = (-DXF_HATCH_SPACING * math.sin(turn), DXF_HATCH_SPACING * math.cos(turn))
            hatch.set_pattern_fill("BENCH", color=256, definition=[[item.angle, (0.0, 0.0), step, []]])
            hatch.paths.add_polyline_path(item.polygon, is_closed=True, flags=1)
            for window in item.text_windows(texts):
                hatch.paths.add_polyline_path(window.exterior.coords[:-1], is_closed=True, flags=16)

    def line(self, points: Iterable[XY], layer: str, closed: bool = False) -> None:
        """Add a polyline."""
        self.draw(Line(layer, tuple((float(x), float(y)) for x, y in points), closed))

    def text_line(self, line: TextLine) -> None:
        """Add one line of a label, centred on its base line."""
        self._add_text(line.text, line.at, line.layer, line.height, line.rotation, "CENTER")

    def text(self, at: XY, text: str, layer: str, size: float = 1.0, right: bool = False) -> None:
        """Add horizontal text that begins at `at`, or ends there if `right`.

        size: factor on the text height.
        """
        self._add_text(text, at, layer, size * self.text_height, 0.0, "RIGHT" if right else "LEFT")

    def _add_text(self, text: str, at: XY, layer: str, height: float, rotation: float, align: str) -> None:
        from ezdxf.enums import TextEntityAlignment

        text = " ".join(text.split()).replace("%%", "% %")  # two percent signs would start a control code
        if text:
            attributes = {"layer": layer, "style": "BENCH", "rotation": rotation}
            entity = self.modelspace.add_text(text, height=height, dxfattribs=attributes)
            entity.set_placement(at, align=TextEntityAlignment[align])

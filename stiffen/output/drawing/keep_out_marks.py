"""The keep-outs that are drawn for a layout: clipped to the sheet, numbered as in the panel file, hatched by kind."""

from __future__ import annotations

from dataclasses import dataclass

import shapely
from shapely.geometry import Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import KeepOut, Panel

from .primitives import XY

WHOLE_SHEET_SHARE = 0.9  # a keep-out over more of the sheet is a note, not a hatched area
HATCH_ANGLES = {("bead", "hole"): 45.0, ("bead",): 135.0, ("hole",): 90.0}  # degrees, by what is kept out


@dataclass(frozen=True)
class KeepOutMark:
    """A keep-out as it is drawn.

    name: K and its number in the panel file, from 1.  parts: its polygon inside the outline, mm.
    over_whole_sheet: True if it covers nearly all of the sheet; it is then a note, not drawn.
    """

    name: str
    keep_out: KeepOut
    parts: tuple[tuple[XY, ...], ...]
    over_whole_sheet: bool

    @property
    def rule(self) -> str:
        """What may not be there: 'no bead or hole'."""
        return f"no {' or '.join(self.keep_out.against)}"

    @property
    def text(self) -> str:
        """Name, rule and reason on one line."""
        return f"{self.name} {self.rule}" + (f": {self.keep_out.why}" if self.keep_out.why else "")

    @property
    def hatch_angle(self) -> float:
        """Direction of its hatching, degrees: another one for each kind of keep-out."""
        return HATCH_ANGLES.get(tuple(sorted(self.keep_out.against)), 45.0)


def keep_out_marks(panel: Panel, layout: Layout | None = None) -> tuple[KeepOutMark, ...]:
    """The keep-outs that concern a layout: those against beads if it has beads, those against holes if it has holes.

    Without a layout: all.
    """
    made = (
        {kind for kind, things in (("bead", layout.beads), ("hole", layout.holes)) if things}
        if layout
        else {"bead", "hole"}
    )
    sheet = Polygon(panel.outline)
    marks = []
    for number, keep_out in enumerate(panel.keep_outs, 1):
        if not made & set(keep_out.against):
            continue
        inside = Polygon(keep_out.polygon).intersection(sheet)
        parts = [part for part in shapely.get_parts(inside) if isinstance(part, Polygon) and not part.is_empty]
        if parts:
            rings = tuple(tuple((float(x), float(y)) for x, y in part.exterior.coords[:-1]) for part in parts)
            whole = inside.area > WHOLE_SHEET_SHARE * sheet.area
            marks.append(KeepOutMark(f"K{number}", keep_out, rings, whole))
    return tuple(marks)

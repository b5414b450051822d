"""How values, lengths and masses read on cards, screens and pages."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import Polygon

from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult
from stiffen.output.drawing.bench_view import datum_corner

MASS_RESOLUTION = 0.001  # kg


def mass_text(mass: float) -> str:
    """A mass, to the gram below 10 kg."""
    return f"{mass:.3f} kg" if mass < 10 else f"{mass:.2f} kg"


def size_text(shape: Polygon) -> str:
    """Width and height of a shape's box, mm."""
    x0, y0, x1, y1 = shape.bounds
    return f"{x1 - x0:.1f} x {y1 - y0:.1f} mm"


def datum_xy(panel: Panel, at: Sequence) -> tuple[str, str]:
    """X and Y of a point from the datum corner, mm."""
    x0, y0 = datum_corner(panel)
    return f"{at[0] - x0:.1f}", f"{at[1] - y0:.1f}"


def limit_text(demand: DemandResult) -> str:
    """The limit of a demand, with what must be kept: at most or at least."""
    smaller = demand.kind in ("deflection", "softness")
    return f"{'<=' if smaller else '>='} {demand.limit:g} {demand.unit}"


def found_text(demand: DemandResult) -> str:
    """The value found, with more figures where three would make a missed limit look kept."""
    told = value_text(demand.value, demand.unit)
    if demand.met or told != value_text(demand.limit, demand.unit):
        return told
    return f"{demand.value:.5g} {demand.unit}"


def value_text(value: float, unit: str) -> str:
    """A value with its unit, three figures below 1000."""
    if not math.isfinite(value):
        return "no limit" if value == math.inf else "none"
    return f"{value:.3g} {unit}" if abs(value) < 1000 else f"{value:.0f} {unit}"


def percent_text(fraction: float, sign: bool = False, places: int = 0) -> str:
    """A share in percent, to a tenth.  sign: with + or -, and so many decimal places."""
    if not math.isfinite(fraction):
        return "-"
    if abs(fraction) >= 9.995:
        return f"{'+' if fraction > 0 else '-'}>999 %" if sign else ">999 %"
    return f"{100 * fraction:+.{places}f} %" if sign else f"{100 * fraction:.1f} %"


def shortened(text: str, max_chars: int) -> str:
    """The text, cut to so many characters with two dots."""
    return text if len(text) <= max_chars else text[: max_chars - 2] + ".."

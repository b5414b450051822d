"""A small picture of a layout as SVG text, for notebooks; it needs no plotting library.  mm in plan, y upward."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

PointSequence = Sequence[tuple[float, float]]
SHEET_COLOUR, INK_COLOUR = "#f2efe6", "#1c1c1c"
FACE_COLOURS = {"up": "#b5532a", "down": "#2a6f97"}  # as in `output.plots.layout_picture`
LONGER_SIDE_PIXELS = 480


@dataclass(frozen=True)
class BeadShape:
    """A bead: its axis, its width, the face on which it stands proud."""

    axis: PointSequence
    width: float
    side: str


@dataclass(frozen=True)
class HoleShape:
    """A flared hole: centre, diameters of flare and opening, the face on which its lip stands proud."""

    at: tuple[float, float]
    flange: float
    opening: float
    side: str


def layout_svg(
    caption: str, beads: Sequence[BeadShape], holes: Sequence[HoleShape], rings: Sequence[PointSequence] = ()
) -> str:
    """The picture as SVG text: rings (the outline first, then cut-outs) if known, beads, holes, the caption below.

    Beads and holes that stand proud on the down face are dashed.
    """
    x0, y0, x1, y1 = _bounding_box(beads, holes, rings)
    letter = max(x1 - x0, y1 - y0) / 30
    margin = letter
    width, height = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin + 2 * letter
    scale = LONGER_SIDE_PIXELS / max(width, height)
    sheet = (
        f'<path d="{" ".join(_path_data(ring, True) for ring in rings)}" fill="{SHEET_COLOUR}" fill-rule="evenodd"/>'
    )
    shapes = [*([sheet] if rings else []), *map(_bead_elements, beads), *map(_hole_elements, holes)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width * scale:.0f}" height="{height * scale:.0f}" '
        f'viewBox="{x0 - margin:.2f} {-y1 - margin:.2f} {width:.2f} {height:.2f}">'
        f'<g transform="scale(1 -1)" stroke="{INK_COLOUR}" stroke-width="{letter / 12:.2f}" fill="none">'
        f"{''.join(shapes)}</g>"
        f'<text x="{x0:.2f}" y="{-y0 + margin + letter:.2f}" font-family="sans-serif" font-size="{letter:.2f}" '
        f'fill="{INK_COLOUR}">{escape(caption)}</text></svg>'
    )


def _bounding_box(
    beads: Sequence[BeadShape], holes: Sequence[HoleShape], rings: Sequence[PointSequence]
) -> tuple[float, float, float, float]:
    """Least x, least y, greatest x, greatest y of all that is drawn; at least 1 mm wide and high."""
    boxes = [(x, y, 0.0) for ring in rings for x, y in ring]
    boxes += [(x, y, band.width / 2) for band in beads for x, y in band.axis]
    boxes += [(*flare.at, flare.flange / 2) for flare in holes]
    if not boxes:
        return 0.0, 0.0, 100.0, 10.0
    low = [min(box[k] - box[2] for box in boxes) for k in (0, 1)]
    high = [max(box[k] + box[2] for box in boxes) for k in (0, 1)]
    return low[0], low[1], max(high[0], low[0] + 1.0), max(high[1], low[1] + 1.0)


def _path_data(points: PointSequence, closed: bool) -> str:
    return "M" + " L".join(f"{x:.2f} {y:.2f}" for x, y in points) + (" Z" if closed else "")


def _bead_elements(bead: BeadShape) -> str:
    """A band as wide as the bead, and the bead's axis."""
    closed = len(bead.axis) > 3 and math.dist(bead.axis[0], bead.axis[-1]) < 1e-6
    path, colour = _path_data(bead.axis, closed), FACE_COLOURS[bead.side]
    dash = f' stroke-dasharray="{bead.width / 2:.2f}"' if bead.side == "down" else ""
    round_off = 'stroke-linecap="round" stroke-linejoin="round"'
    return (
        f'<path d="{path}" stroke="{colour}" stroke-opacity="0.35" stroke-width="{bead.width:.2f}" {round_off}/>'
        f'<path d="{path}" stroke="{colour}"{dash}/>'
    )


def _hole_elements(hole: HoleShape) -> str:
    (x, y), colour = hole.at, FACE_COLOURS[hole.side]
    dash = f' stroke-dasharray="{hole.flange / 12:.2f}"' if hole.side == "down" else ""
    place = f'cx="{x:.2f}" cy="{y:.2f}"'
    return (
        f'<circle {place} r="{hole.flange / 2:.2f}" fill="{colour}" fill-opacity="0.35" stroke="{colour}"{dash}/>'
        f'<circle {place} r="{hole.opening / 2:.2f}" fill="white" stroke="{colour}"/>'
    )

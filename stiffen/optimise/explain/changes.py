"""Changes of a panel that would help where its demands are not met.

Each is a changed panel with its layout: the next gauge, beads on the other face, an edge held or folded up, a stay,
another die.  Those that the rules of the shop forbid are left out.  Lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon

from stiffen.errors import InputError
from stiffen.io.tools_file import starter_tools
from stiffen.model.layout import Layout
from stiffen.model.panel import Fold, Panel, Support
from stiffen.model.results import Verdict
from stiffen.shop import layout_check

USUAL_GAUGES = (0.5, 0.6, 0.7, 0.8, 1.0, 1.2, 1.5, 2.0, 2.5, 3.0)  # mm; common practice, no source
FLANGE = 15.0  # height of a folded-up edge
CORNER_GAP = 3.0  # kept free at either end of a folded-up edge
MIN_EDGE_SHARE = 0.3  # of the sheet's longer side: shorter edges are not proposed
NEAR_SUPPORT = 25.0  # from an edge to what holds it
FREE_SHARE = 0.7  # of an edge's length that nothing holds, for the edge to count as free
STAY_SHIFTS = (0.0, 12.0, -12.0, 24.0, -24.0, 36.0, -36.0, 48.0, -48.0)  # of a stay from the worst place
MAX_EDGES, MAX_DIES = 3, 3  # edges and dies that are tried

PlanePoint = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Change:
    """A changed panel with its layout.  kind: changes of one kind are alternatives.  what: in words."""

    kind: str
    what: str
    panel: Panel
    layout: Layout


def changes(panel: Panel, verdict: Verdict) -> list[Change]:
    """All changes that keep the rules of the shop, in a fixed order."""
    before = set(map(str, layout_check.audit(panel, verdict.layout)))
    found: list[Change] = []
    for make in (_next_gauge, _other_face, _held_edges, _clamped_edges, _folded_edges, _stays, _other_dies):
        found += make(panel, verdict)
    return [one for one in found if set(map(str, layout_check.audit(one.panel, one.layout))) <= before]


def _next_gauge(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    layout = verdict.layout
    thicker = [gauge for gauge in sorted({*panel.gauges, *USUAL_GAUGES}) if gauge > layout.gauge]
    in_rack = [gauge for gauge in thicker if gauge in panel.gauges]
    for gauge in (in_rack or thicker)[:1]:
        note = "" if in_rack else " (not in the rack)"
        words = f"the next sheet, {gauge:g} mm{note}, with the same beads and holes"
        yield Change("gauge", words, panel, replace(layout, gauge=gauge))


def _other_face(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    layout = verdict.layout
    if layout.beads and panel.bead_side != "either":
        face = opposite(panel.bead_side)
        yield Change("face", f"the same beads proud {face}", replace(panel, bead_side="either"), on_face(layout, face))


def _held_edges(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    for start, stop in free_edges(panel)[:MAX_EDGES]:
        words = f"hold the edge from {_xy(panel, start)} to {_xy(panel, stop)}, free to draw in"
        yield from _with_support(panel, verdict, "hold", words, start, stop)


def _clamped_edges(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    tilting = [one for one in panel.supports if one.kind == "edge" and one.hold == "pinned"]
    if tilting:
        firm = tuple(replace(one, hold="clamped") if one in tilting else one for one in panel.supports)
        words = "clamp the edges that are held, so that they cannot tilt (a stiff frame on both faces)"
        yield Change("hold", words, replace(panel, supports=firm), verdict.layout)


def _folded_edges(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    for start, stop in free_edges(panel)[:MAX_EDGES]:
        words = f"fold up the edge from {_xy(panel, start)} to {_xy(panel, stop)} by {FLANGE:g} mm"
        with suppress(InputError):  # a fold that does not run across the sheet
            yield Change("fold", words, _with_flange(panel, start, stop), verdict.layout)


def _stays(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    """In either direction the line nearest to the worst place that keeps clear of beads and holes."""
    before = len(layout_check.audit(panel, verdict.layout))
    for lines in stay_lines(panel, verdict):
        for start, stop in lines:
            words = f"a stiff stay under the sheet from {_xy(panel, start)} to {_xy(panel, stop)}, taken as rigid"
            made = list(_with_support(panel, verdict, "stay", words, start, stop))
            if made and len(layout_check.audit(made[0].panel, verdict.layout)) <= before:
                yield made[0]
                break


def _with_support(
    panel: Panel, verdict: Verdict, kind: str, words: str, start: PlanePoint, stop: PlanePoint
) -> Iterator[Change]:
    """The panel held along a line, free in its plane."""
    with suppress(InputError):
        support = Support("edge", "pinned", in_plane="free", path=(start, stop))
        yield Change(kind, words, replace(panel, supports=(*panel.supports, support)), verdict.layout)


def _other_dies(panel: Panel, verdict: Verdict) -> Iterator[Change]:
    layout = verdict.layout
    used = {bead.die for bead in layout.beads}
    if not used:
        return
    own = {die.name for die in panel.tools.bead_dies}
    dies = (*panel.tools.bead_dies, *(die for die in starter_tools().bead_dies if die.name not in own))
    deeper = [die for die in dies if die.profile != "step" and die.depth > max(one.depth for one in used)]
    for die in sorted(deeper, key=lambda one: (-one.depth, one.name))[:MAX_DIES]:
        note = "" if die.name in own else ", which the shop does not have"
        words = f"die {die.name}{note} in place of {', '.join(sorted(one.name for one in used))}"
        beads = tuple(bead if bead.fixed else replace(bead, die=die) for bead in layout.beads)
        yield Change("die", words, panel, replace(layout, beads=beads))


# ------------------------------------------------------------------------------------------------------------- geometry


def opposite(face: str) -> str:
    """The other face."""
    return "down" if face == "up" else "up"


def on_face(layout: Layout, face: str) -> Layout:
    """The layout with its beads and flares on a face; what is fixed stays."""
    beads = tuple(bead if bead.fixed else replace(bead, side=face) for bead in layout.beads)
    holes = tuple(hole if hole.fixed else replace(hole, side=face) for hole in layout.holes)
    return replace(layout, beads=beads, holes=holes)


def free_edges(panel: Panel) -> list[tuple[PlanePoint, PlanePoint]]:
    """The long straight edges of the outline that nothing holds, the longest first; ends in the outline's direction."""
    if any(one.kind == "edge" and one.path is None for one in panel.supports):
        return []
    held = [LineString(one.path) for one in panel.supports if one.path is not None]
    held += [Point(at) for one in panel.supports for at in one.fasteners()]
    near = shapely.union_all([shape.buffer(NEAR_SUPPORT) for shape in held]) if held else Polygon()
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    least = MIN_EDGE_SHARE * max(x1 - x0, y1 - y0)
    ring = [*panel.outline, panel.outline[0]]
    edges = [(a, b) for a, b in zip(ring, ring[1:], strict=False) if math.dist(a, b) >= least]
    free = [
        (a, b)
        for a, b in edges
        if LineString([a, b]).difference(near).length >= FREE_SHARE * math.dist(a, b) and not _on_flange(panel, a, b)
    ]
    return sorted(free, key=lambda edge: -round(math.dist(*edge), 3))


def _on_flange(panel: Panel, start: PlanePoint, stop: PlanePoint) -> bool:
    """True for an edge along a fold: the edge of a flange is not folded or held again."""
    edge = LineString([start, stop])
    return any(edge.hausdorff_distance(LineString(fold.line)) < 0.3 * edge.length for fold in panel.folds)


def _with_flange(panel: Panel, start: PlanePoint, stop: PlanePoint) -> Panel:
    """The panel with a strip beyond an edge, folded toward the face on which the beads stand, so that it clears what is
    below."""
    a, b = np.array(start), np.array(stop)
    along = (b - a) / math.dist(start, stop)
    outward = np.array([along[1], -along[0]])
    a, b = a + CORNER_GAP * along, b - CORNER_GAP * along
    strip = Polygon([a, b, b + FLANGE * outward, a + FLANGE * outward])
    whole = shapely.union_all([Polygon(panel.outline), strip.union(strip.buffer(1e-6))])
    if not isinstance(whole, Polygon) or len(whole.interiors):
        raise InputError([])
    ring = tuple((round(float(x), 6), round(float(y), 6)) for x, y in whole.simplify(1e-3).exterior.coords[:-1])
    up = 90.0 if panel.bead_side != "down" else -90.0
    ends = tuple((round(float(x), 6), round(float(y), 6)) for x, y in (a, b))
    fold = Fold((ends[0], ends[1]), up, 2.0)
    return replace(panel, outline=ring, folds=(*panel.folds, fold), finished=None, symmetry="none")


def stay_lines(panel: Panel, verdict: Verdict) -> list[list[tuple[PlanePoint, PlanePoint]]]:
    """Lines right across the sheet near its worst place, along its shorter side and along its longer one.

    In each direction the nearest first; none that crosses a fold.
    """
    worst = verdict.governing_demand
    region = panel.region
    at = worst.at if worst is not None and worst.at is not None else (region.centroid.x, region.centroid.y)
    x0, y0, x1, y1 = region.bounds
    found = []
    for upright in (True, False) if x1 - x0 >= y1 - y0 else (False, True):
        lines = []
        for shift in STAY_SHIFTS:
            x, y = at[0] + shift * upright, at[1] + shift * (not upright)
            across = LineString([(x, y0), (x, y1)] if upright else [(x0, y), (x1, y)])
            pieces = [one for one in shapely.get_parts(across.intersection(region)) if isinstance(one, LineString)]
            piece = min(pieces, key=lambda part: part.distance(Point(at)), default=None)
            if piece is None or any(piece.intersects(LineString(fold.line)) for fold in panel.folds):
                continue
            (xa, ya), (xb, yb) = piece.coords[0], piece.coords[-1]
            lines.append(((round(xa, 1), round(ya, 1)), (round(xb, 1), round(yb, 1))))
        found.append(lines)
    return found


def _xy(panel: Panel, at: PlanePoint) -> str:
    """A place from the datum corner."""
    x0, y0, *_ = Polygon(panel.outline).bounds
    return f"X {at[0] - x0:.0f}, Y {at[1] - y0:.0f}"

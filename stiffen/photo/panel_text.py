"""The panel file and the drawing of the outline that a photo gives."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stiffen.errors import InputError
from stiffen.io.fastener_rows import group_into_rows
from stiffen.io.files import atomic_write

from .shape import RoundHole, TemplateShape

MAX_RIVET, MAX_BOLT = 5.5, 13.5  # mm: a smaller hole is a rivet's or a bolt's, a larger one a cut-out (common practice)
SAME_DIAMETER = 0.4  # mm, within which holes count as made by one punch
MIN_ROW = 3  # rivets


def write_panel_files(shape: TemplateShape, path: str | Path, name: str, photos: Sequence[str]) -> Path:
    """Write the panel file, and beside it the drawing of outline and cut-outs, whose path is returned.

    Each file is written whole or not at all.  InputError if a path cannot be written.
    """
    drawing = Path(path).with_suffix(".dxf")
    _write_drawing(shape, drawing)
    with atomic_write(path) as fresh:
        fresh.write_text(panel_text(shape, name, drawing.name, photos), encoding="utf-8", errors="surrogateescape")
    return drawing


def _write_drawing(shape: TemplateShape, path: Path) -> None:
    """Outline and cut-outs on the layer CUT: lines and arcs of polylines, circles; R2010, mm."""
    import ezdxf

    document = ezdxf.new("R2010")
    document.units = 4  # millimetres
    document.layers.add("CUT")
    space, own = document.modelspace(), {"layer": "CUT"}
    rows = [(round(piece.start[0], 3), round(piece.start[1], 3), round(piece.bulge, 7)) for piece in shape.pieces]
    space.add_lwpolyline(rows, format="xyb", close=True, dxfattribs=own)
    for ring in shape.cutouts:
        space.add_lwpolyline([(round(x, 2), round(y, 2)) for x, y in ring], close=True, dxfattribs=own)
    for hole in shape.holes:
        if hole.diameter > MAX_BOLT:
            space.add_circle(hole.at, hole.diameter / 2, dxfattribs=own)
    with atomic_write(path) as fresh:
        document.saveas(fresh)


def panel_text(shape: TemplateShape, name: str, drawing: str, photos: Sequence[str]) -> str:
    """The panel file.  What a photo cannot tell stands in it as comments to fill in; there are no loads in it."""
    arcs = sum(1 for piece in shape.pieces if piece.bulge)
    lines = [
        f"# {name}: read by stiffen photo from {', '.join(Path(one).name for one in photos)}",
        f"# Outline: {len(shape.pieces) - arcs} straight lines and {arcs} arcs, in {drawing}.",
        "# The template's upper side is the up face.",
        f"# Expected error: 95 % of the outline's points lie within {shape.error:.2f} mm.",
        "# Units: mm, N, MPa, kg, Hz.  Before you cut: measure the outline once more.",
        "# A photo tells neither sheet, loads nor demands: fill in what stands behind # below.  stiffen new writes a",
        "# file in which every key is explained.",
        "",
        "[panel]",
        f"name = {_quoted(name)}",
        'material = "5754-H111"              # change to your sheet: stiffen stock lists the names',
        "gauges = [0.8, 1.0, 1.2, 1.5]       # change to the thicknesses in your rack",
        f"outline_dxf = {_quoted(drawing)}",
        'bead_side = "up"                    # face on which beads may stand proud: up, down, either',
        'tools = "starter"',
    ]
    for fold in shape.folds:
        lines += ["", "[[fold]]                            # a red line; CHECK which way and how far it is folded"]
        lines += [f"line = {_points(fold)}", "angle = 90                          # + folds toward the up face"]
        lines += ["radius = 2.0                        # inside; CHECK: of your brake"]
    for ring in shape.keep_outs:
        lines += ["", "[[keep_out]]                        # a blue loop", f"polygon = {_points(ring)}"]
        lines += ['against = ["bead", "hole"]', 'why = "marked on the template"']
    lines += _supports(shape.holes)
    lines += [
        "",
        "# [[support]]                       # how else it is held: an edge that rests on a seal or a flange, ...",
        '# kind = "edge"',
        '# along = "outline"',
        '# in_plane = "free"',
        "",
        "# [[load]]                          # what loads it",
        '# case = "..."',
        '# kind = "pressure"                 # MPa on the whole sheet; or patch, line, inertia',
        "# value = ...",
        "",
        "# [[demand]]                        # what it must do; a search needs at least one",
        '# kind = "frequency"                # or deflection, softness, buckling, stress',
        "# limit = ...",
        "",
    ]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _points(points: Sequence[tuple[float, float]]) -> str:
    return "[" + ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in points) + "]"


def _supports(holes: Sequence[RoundHole]) -> list[str]:
    """Rows of rivets, then bolts: holes of one size together."""
    rows: list[tuple[str, float, list[tuple[float, float]], list[tuple[float, float]]]] = []
    for group in same_size([hole for hole in holes if hole.diameter <= MAX_BOLT]):
        diameter = float(np.median([hole.diameter for hole in group]))
        places = [hole.at for hole in group]
        rivets = _rivet_rows(places) if diameter <= MAX_RIVET else []
        for row in rivets:
            rows.append(("rivets", diameter, row, row[:-1] if row[0] == row[-1] else row))
        if left := [at for at in places if not any(at in row for row in rivets)]:
            rows.append(("bolts", diameter, [], left))
    lines = []
    for kind, diameter, path, at in rows:
        lines += [
            "",
            f"[[support]]                         # holes punched in the template, {diameter:.1f} mm",
            f'kind = "{kind}"',
        ]
        if path:
            lines.append(f"path = {_points(path)}")
        lines += [f"at = {_points(at)}", f"diameter = {diameter:.1f}                      # CHECK: of the {kind[:-1]}"]
        lines.append('in_plane = "unknown"                # held, free, or unknown: the worse counts')
    return lines


def same_size(holes: Sequence[RoundHole]) -> list[list[RoundHole]]:
    """Holes in groups of one diameter, rising: a gap of more than SAME_DIAMETER begins a new group."""
    groups: list[list[RoundHole]] = []
    for hole in sorted(holes, key=lambda one: one.diameter):
        if groups and hole.diameter - groups[-1][-1].diameter <= SAME_DIAMETER:
            groups[-1].append(hole)
        else:
            groups.append([hole])
    return groups


def _rivet_rows(places: list[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """Rows of MIN_ROW and more; none if the places form no clear rows."""
    if len(places) < MIN_ROW:
        return []
    try:
        rows = [list(row) for row in group_into_rows(places)]
    except InputError:
        return []
    return [row for row in rows if len(row) >= MIN_ROW and math.dist(row[0], row[1]) > 0]

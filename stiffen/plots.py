"""Pictures: flat and found side by side, and the layout with its sizes.

The scale runs from light to dark, so it survives a grey printer and any eye.  Every label carries its unit.
matplotlib is loaded only when a picture is drawn, and none of its global state is touched.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from shapely import contains_xy
from shapely.geometry import LineString, Polygon

from .drawing import counted, datum, written
from .layout import Bead, Hole, Layout
from .panel import Panel
from .verdict import DemandResult, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SCALE = ("#fbf7ea", "#ead9a4", "#bcbf8a", "#72a08f", "#3a7490", "#1f4878", "#131f45")  # light to dark
INK = "#1c1c1c"
PALE = "#d8d8d8"
SIDES = {"up": ("#b5532a", "-"), "down": ("#2a6f97", "--")}  # colour and line of what stands proud on a face
PLATE = {"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8}  # behind words
DPI = 150
STEPS = 12


def before_after(
    panel: Panel, flat: Verdict, found: Verdict, path: str | Path, flat_title: str, found_title: str
) -> None:
    """PNG of two verdicts side by side; see `maps_picture`."""
    maps_picture(panel, [(flat_title, flat), (found_title, found)], path)


def maps_picture(panel: Panel, titled: Sequence[tuple[str, Verdict]], path: str | Path) -> None:
    """PNG of titled verdicts side by side: deflection in the worst case, then softness, one scale a row.

    A row that a verdict has no data for is left out.  Raises ValueError for a verdict without maps, InputError where
    the place cannot be written.
    """
    verdicts = [verdict for _, verdict in titled]
    if any(verdict.maps is None for verdict in verdicts):
        raise ValueError("every verdict needs maps: judge it with maps=True")
    case = _worst_case(verdicts)
    rows = []
    if case is not None:
        fields = [np.abs(verdict.maps.deflection[case]) for verdict in verdicts]
        rows.append(("deflection", f"deflection in case {case}, mm", fields))
    if all(len(verdict.maps.softness) for verdict in verdicts):
        fields = [100 * verdict.maps.softness[:, 2] for verdict in verdicts]
        rows.append(("softness", "give under a push, mm per 100 N", fields))
    figure = _figure(panel, len(titled), max(1, len(rows)), wide=11.0 if len(titled) > 1 else 7.0)
    axes = figure.subplots(max(1, len(rows)), len(titled), squeeze=False, sharex=True, sharey=True)
    for line, (kind, label, fields) in zip(axes, rows, strict=False):
        top = max(float(field.max(initial=0.0)) for field in fields) or 1.0
        for axis, verdict, field in zip(line, verdicts, fields, strict=True):
            shades = _shade(axis, panel, verdict, kind, field, top)
            axis.set_xlabel(_figures(verdict, kind, case, field), fontsize=8.5)
        figure.colorbar(shades, ax=list(line), label=label, shrink=0.9, format="%.3g")
    for line in axes:
        for axis, verdict in zip(line, verdicts, strict=True):
            _draw_panel(axis, panel, verdict.layout)
    for axis, (title, verdict) in zip(axes[0], titled, strict=True):
        modes = verdict.maps.modes
        first = f"\nfirst mode {modes[0][0]:.1f} Hz" if modes else ""
        axis.set_title(f"{title}\n{verdict.layout.gauge:g} mm, {verdict.mass_kg:.3f} kg{first}", fontsize=10)
    figure.suptitle(f"{panel.name} ({panel.material.name})", fontsize=12)
    _save(figure, path)


def layout_picture(panel: Panel, layout: Layout, path: str | Path) -> None:
    """PNG of the layout seen on the "up" face, with sizes in mm from the datum corner.

    Raises InputError where the place cannot be written.
    """
    figure = _figure(panel, columns=1, rows=1, wide=9.0)
    axis = figure.subplots()
    _draw_layout(axis, panel, layout)
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    beads = f"{counted(layout.beads, 'bead')}, {layout.rolled_length:.0f} mm to roll"
    figure.suptitle(
        f"{panel.name}: {x1 - x0:.1f} x {y1 - y0:.1f} mm, {panel.material.name}, {layout.gauge:g} mm thick\n"
        f"{beads}; {counted(layout.holes, 'flared hole')}; seen on the up face",
        fontsize=10,
    )
    _save(figure, path)


def _worst_case(verdicts: Sequence[Verdict]) -> str | None:
    """The case all have a map of, with the least margin of a deflection demand in the last; else the first such."""
    last = verdicts[-1]
    shared = [case for case in last.maps.deflection if all(case in one.maps.deflection for one in verdicts)]
    judged = [d for d in last.demands if d.kind == "deflection" and d.case in shared]
    if judged:
        return min(judged, key=lambda d: d.margin if np.isfinite(d.margin) else -np.inf).case
    return next(iter(shared), None)


def _figures(verdict: Verdict, kind: str, case: str | None, field: np.ndarray) -> str:
    """What stands under one map: the judged value where a demand asks for it, else the largest on the map."""
    demand = next((d for d in verdict.demands if d.kind == kind and d.case in (case, None)), None)
    if kind == "deflection" and demand is not None:
        return _against_limit(demand)
    if kind == "softness":
        largest = f"softest place {field.max(initial=0.0):.2f} mm per 100 N (linear)"
        return f"{largest}\n{_against_limit(demand)}" if demand else largest
    return f"largest {field.max():.2f} mm" if kind == "deflection" else ""


def _against_limit(demand: DemandResult) -> str:
    value = f"{demand.value:.2f} {demand.unit}" if np.isfinite(demand.value) else "no value"
    push = f" under {demand.force:g} N" if demand.force else ""
    return f"{value}{push} ({demand.decided_by}), limit {demand.limit:g} {demand.unit}"


def _figure(panel: Panel, columns: int, rows: int, wide: float) -> Figure:
    """A figure whose height follows the panel's proportions."""
    from matplotlib.figure import Figure

    x0, y0, x1, y1 = panel.region.bounds
    each = min(2.0, max(0.3, (y1 - y0) / (x1 - x0))) * 0.82 * wide / columns
    return Figure(figsize=(wide, 1.1 + rows * (each + 0.75)), layout="constrained", facecolor="white")


def _save(figure: Figure, path: str | Path) -> None:
    with written(path) as fresh:
        figure.savefig(fresh, dpi=DPI, format="png")


def _shade(axis: Axes, panel: Panel, verdict: Verdict, kind: str, field: np.ndarray, top: float) -> object:
    """Filled contours of one field on the panel; hands back what a colour bar is made from."""
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.ticker import MaxNLocator
    from matplotlib.tri import Triangulation

    scale = LinearSegmentedColormap.from_list("stiffen", SCALE)
    levels = MaxNLocator(STEPS).tick_values(0.0, top)
    maps = verdict.maps
    if kind == "deflection":
        mesh = Triangulation(*maps.plan.T, maps.triangles)
    else:
        places = maps.softness[:, :2]
        if len(places) < 3 or np.linalg.matrix_rank(places - places[0]) < 2:
            return axis.scatter(*places.T, c=field, cmap=scale, vmin=0.0, vmax=top, s=60, edgecolors=INK)
        mesh = Triangulation(*places.T)
        mesh.set_mask(~contains_xy(Polygon(panel.outline), *places[mesh.triangles].mean(axis=1).T))
    axis.tricontour(mesh, field, levels=levels[1:-1], colors=INK, linewidths=0.3, alpha=0.6)
    return axis.tricontourf(mesh, field, levels=levels, cmap=scale)


def _draw_panel(axis: Axes, panel: Panel, layout: Layout) -> None:
    """Outline, cut-outs, beads and holes over a map: dark lines on a white casing, readable on any shade."""
    from matplotlib.patheffects import withStroke

    def line(ring: object, style: str = "-", wide: float = 1.0) -> None:
        casing = [withStroke(linewidth=wide + 1.4, foreground="white")]
        axis.plot(*np.asarray(ring).T[:2], style, color=INK, linewidth=wide, path_effects=casing, zorder=3)

    line(Polygon(panel.outline).exterior.coords, wide=1.4)
    for cutout in panel.cutouts:
        axis.fill(*np.asarray(cutout.ring).T, color="white", zorder=2)
        line(Polygon(cutout.ring).exterior.coords)
    for bead in layout.beads:
        band = LineString(bead.path).buffer(bead.die.width / 2, cap_style="flat")
        for ring in (band.exterior, *band.interiors):
            line(ring.coords, "-" if bead.side == "up" else "--", 0.8)
    for hole in layout.holes:
        axis.fill(*_circle(hole.at, hole.die.pilot).T, color="white", zorder=2)
        line(_circle(hole.at, hole.die.pilot), "-" if hole.side == "up" else "--", 0.8)
    axis.use_sticky_edges = False
    axis.margins(0.01)
    axis.set_aspect("equal")
    axis.set(xticks=[], yticks=[])
    axis.spines[:].set_visible(False)


def _circle(at: tuple[float, float], diameter: float) -> np.ndarray:
    turn = np.linspace(0.0, 2 * np.pi, 61)
    return np.column_stack([at[0] + diameter / 2 * np.cos(turn), at[1] + diameter / 2 * np.sin(turn)])


def _draw_layout(axis: Axes, panel: Panel, layout: Layout) -> None:
    """The sheet with beads and holes, axes in mm from the datum corner."""
    x0, y0 = datum(panel)
    _draw_sheet(axis, panel, (x0, y0))
    for number, bead in enumerate(layout.beads, 1):
        _draw_bead(axis, number, bead, np.asarray(bead.path, dtype=float) - (x0, y0))
    for number, hole in enumerate(layout.holes, 1):
        _draw_hole(axis, number, hole, (hole.at[0] - x0, hole.at[1] - y0))
    axis.set_aspect("equal")
    axis.set_xlabel("X from the datum corner, mm")
    axis.set_ylabel("Y from the datum corner, mm")
    axis.grid(color=PALE, linewidth=0.4)
    axis.set_axisbelow(True)
    axis.spines[:].set_visible(False)
    _tell_sides(axis, {part.side for part in (*layout.beads, *layout.holes)})


def _draw_sheet(axis: Axes, panel: Panel, origin: tuple[float, float]) -> None:
    """What is given: outline, cut-outs, keep-outs, folds, rivets and bolts."""

    def moved(points: Iterable) -> np.ndarray:
        return (np.asarray(points, dtype=float) - origin).T

    axis.fill(*moved(panel.outline), facecolor="#f2efe6", edgecolor=INK, linewidth=1.4)
    for cutout in panel.cutouts:
        axis.fill(*moved(cutout.ring), facecolor="white", edgecolor=INK, linewidth=1.2)
    for keep_out in panel.keep_outs:
        axis.fill(*moved(keep_out.polygon), fill=False, hatch="////", edgecolor="#777777", linewidth=0.8)
    for fold in panel.folds:
        axis.plot(*moved(fold.line), color=INK, linewidth=1.0, dashes=(10, 3, 2, 3))
    for support in panel.supports:
        if fasteners := support.fasteners():
            axis.plot(*moved(fasteners), "+", color=INK, markersize=5, markeredgewidth=0.8)


def _draw_bead(axis: Axes, number: int, bead: Bead, path: np.ndarray) -> None:
    """A bead's edges and axis, its number, die and length, and the places of its ends."""
    colour, style = SIDES[bead.side]
    band = LineString(path).buffer(bead.die.width / 2, cap_style="flat")
    for edge in (band.exterior, *band.interiors):
        axis.plot(*np.asarray(edge.coords).T, style, color=colour, linewidth=1.1)
    axis.plot(*path.T, color=colour, linewidth=0.8, dashes=(8, 3, 2, 3))
    x, y, turn = _along(path)
    words = f"{number}: {bead.die.name}, {bead.length:.0f} mm"
    look = {"ha": "center", "va": "center", "fontsize": 8, "color": INK, "bbox": PLATE}
    axis.text(x, y, words, rotation=turn, rotation_mode="anchor", **look)
    if bead.closed:
        return
    for (x, y), way in zip(path[[0, -1]], _outward(path), strict=True):
        turn = _upright(np.degrees(np.arctan2(way[1], way[0])))
        ahead = way @ (np.cos(np.radians(turn)), np.sin(np.radians(turn))) > 0
        axis.annotate(
            f"{x:.0f}, {y:.0f}",
            (x, y),
            xytext=5 * way,
            textcoords="offset points",
            rotation=turn,
            rotation_mode="anchor",
            ha="left" if ahead else "right",
            va="center",
            fontsize=7,
            color=colour,
            bbox=PLATE,
        )


def _draw_hole(axis: Axes, number: int, hole: Hole, at: tuple[float, float]) -> None:
    colour, style = SIDES[hole.side]
    axis.plot(*_circle(at, hole.die.flange).T, style, color=colour, linewidth=0.9)
    axis.fill(*_circle(at, hole.die.pilot).T, facecolor="white", edgecolor=colour, linewidth=1.1)
    axis.text(*at, f"H{number}\n{hole.die.pilot:g}", fontsize=7, ha="center", va="center", color=INK)


def _tell_sides(axis: Axes, used: set[str]) -> None:
    """A legend of the faces on which beads and flares stand proud."""
    from matplotlib.patches import Patch

    handles = [
        Patch(fill=False, edgecolor=colour, linestyle=style, label=f"stands proud {side}")
        for side, (colour, style) in SIDES.items()
        if side in used
    ]
    if handles:
        axis.figure.legend(handles=handles, loc="outside lower center", ncols=2, frameon=False, fontsize=8)


def _along(path: np.ndarray) -> tuple[float, float, float]:
    """Where to write on a path: middle of its longest straight piece, and the angle there."""
    pieces = np.diff(path, axis=0)
    longest = int(np.argmax(np.hypot(*pieces.T).round(6)))
    if len(pieces) > 8 and np.hypot(*pieces[longest]) < 2 * np.median(np.hypot(*pieces.T)):
        longest = len(pieces) // 2  # a curve
    x, y = (path[longest] + path[longest + 1]) / 2
    angle = np.degrees(np.arctan2(*pieces[longest][::-1]))
    return x, y, _upright(angle)


def _outward(path: np.ndarray) -> np.ndarray:
    """Unit vectors that point away from a bead at its start and its end, (2, 2)."""
    ways = np.array([path[0] - path[1], path[-1] - path[-2]])
    return ways / np.hypot(*ways.T)[:, None]


def _upright(angle: float) -> float:
    """The angle, or its opposite, at which words do not stand on their heads; degrees."""
    return 90.0 - (90.0 - angle) % 180.0

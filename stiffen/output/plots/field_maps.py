"""Pictures of result fields: deflection, softness, stress, first mode; one column for each verdict.

The maps of a row share one scale, unless one of them would use only a small part of it: then each has its own, and its
label says so.  Every label carries its unit.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.interpolate import RBFInterpolator
from shapely.geometry import Polygon

from stiffen.analysis.loads import plan_areas
from stiffen.analysis.panel_model import LINEAR_LIMIT
from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult, Verdict

from .style import (
    COLOUR_SCALE,
    FIGURE_WIDTH,
    FONT_SIZE,
    LINE_CHARS,
    LINE_COLOUR,
    aspect_ratio,
    draw_panel_over,
    figures,
    name_figure,
    new_figure,
    save_png,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable
    from matplotlib.figure import Figure

SCALE_STEPS = 12
TITLE_FONT_SIZE = 13.0
CAPTION_CHARS = 37  # letters in a line below one of two maps
STACKING_ASPECT = 0.4  # maps of a flatter sheet (height over width) are stacked
ONE_LINE_ASPECT = 1.6  # maps of a narrower sheet stand all in one line
HEAD_HEIGHT = 0.95  # inches, for the text above a map and the gaps
SCALE_HEIGHT, LINE_HEIGHT = 0.62, 0.2  # inches: a colour bar with a label of one line; one more line
OWN_SCALE_SHARE = 0.4  # each map has its own scale if one would use less than this share of a common one
STRESS_SCALE_SHARE = 0.995  # share of the area that the stress scale covers; a peak at a rivet would hide the rest

TitledVerdicts = Sequence[tuple[str, Verdict]]


@dataclass(frozen=True, eq=False)
class _FieldRow:
    """One row of maps.

    label: of the scale.  fields, captions: one for each verdict.  draw(axis, panel, verdict, field, scale_max): draws
    one map and returns the mappable of the colour bar.  maxima: upper end of each map's own scale.  is_capped: values
    may exceed it.
    """

    label: str
    fields: list[np.ndarray]
    captions: list[str]
    draw: Callable
    maxima: list[float]
    is_capped: bool = False

    @property
    def scales(self) -> list[float]:
        """Upper end of the scale of each map: the largest of all, or its own where a map would use too little of it."""
        top = max(self.maxima)
        return self.maxima if self.has_own_scales else [top] * len(self.maxima)

    @property
    def has_own_scales(self) -> bool:
        """True if a map would use only a small part of a common scale."""
        return min(self.maxima) < OWN_SCALE_SHARE * max(self.maxima)


def before_after_picture(
    panel: Panel, flat: Verdict, found: Verdict, path: str | Path, *, flat_title: str, found_title: str
) -> None:
    """PNG of the flat sheet and a layout side by side; see `maps_picture`."""
    maps_picture(panel, [(flat_title, flat), (found_title, found)], path)


def maps_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of verdicts side by side: a row of deflection in the worst case, a row of softness.

    titled: (title, verdict) pairs.  A row is left out if a verdict lacks its field.  Raises ValueError for a verdict
    without result fields, InputError if the file cannot be written.
    """
    verdicts = _with_maps(titled)
    case = _worst_case(verdicts)
    rows = [_deflection_row(verdicts, case)] if case is not None else []
    if all(len(verdict.fields.softness) for verdict in verdicts):
        rows.append(_softness_row(verdicts))
    _draw_rows(panel, titled, rows, path)


def deflection_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of verdicts side by side: a row of deflection for each load case that all have.

    Raises as `maps_picture` does.
    """
    verdicts = _with_maps(titled)
    _draw_rows(panel, titled, [_deflection_row(verdicts, case) for case in _shared_cases(verdicts, "deflection")], path)


def stress_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of verdicts side by side: a row of von Mises stress over yield for each load case that all have.

    Raises as `maps_picture` does.
    """
    verdicts = _with_maps(titled)
    _draw_rows(panel, titled, [_stress_row(panel, verdicts, case) for case in _shared_cases(verdicts, "stress")], path)


def mode_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of verdicts side by side: the first mode.  Raises as `maps_picture` does."""
    verdicts = _with_maps(titled)
    rows = [_mode_row(verdicts)] if all(verdict.fields.modes for verdict in verdicts) else []
    _draw_rows(panel, titled, rows, path)


# -------------------------------------------------------------------------------------------------------------- rows


def _with_maps(titled: TitledVerdicts) -> list[Verdict]:
    """The verdicts; raises ValueError if one has no result fields."""
    verdicts = [verdict for _, verdict in titled]
    if any(verdict.fields is None for verdict in verdicts):
        raise ValueError("every verdict needs result fields: evaluate it with fields=True")
    return verdicts


def _shared_cases(verdicts: Sequence[Verdict], kind: str) -> list[str]:
    """Load cases for which all verdicts have the field "deflection" or "stress", in the order of the last verdict."""
    fields = [getattr(verdict.fields, kind) for verdict in verdicts]
    return [case for case in fields[-1] if all(case in one for one in fields)]


def _worst_case(verdicts: Sequence[Verdict]) -> str | None:
    """The load case to show: of those that all verdicts have, the one whose deflection demand has the least margin in
    the last verdict, else the first.  None if they share no case."""
    shared = _shared_cases(verdicts, "deflection")
    demands = [d for d in verdicts[-1].demands if d.kind == "deflection" and d.case in shared]
    if demands:
        return min(demands, key=lambda d: d.margin if np.isfinite(d.margin) else -np.inf).case
    return next(iter(shared), None)


def _deflection_row(verdicts: Sequence[Verdict], case: str) -> _FieldRow:
    fields = [np.abs(verdict.fields.deflection[case]) for verdict in verdicts]
    captions = []
    for verdict, field in zip(verdicts, fields, strict=True):
        demand = _find_demand(verdict, "deflection", case)
        captions.append(_limit_text(demand) if demand else f"largest {figures(field.max(initial=0.0))} mm")
    return _FieldRow(f"deflection in case {case}, mm", fields, captions, _draw_contours, _largest(fields))


def _softness_row(verdicts: Sequence[Verdict]) -> _FieldRow:
    fields = [100 * verdict.fields.softness[:, 2] for verdict in verdicts]
    captions = []
    for verdict, field in zip(verdicts, fields, strict=True):
        demand = _find_demand(verdict, "softness", None)
        largest = f"softest {figures(field.max(initial=0.0))} mm per 100 N"
        captions.append(f"{largest}\n{_limit_text(demand)}" if demand else largest)
    label = "softness under a push, mm per 100 N; computed at the dots"
    return _FieldRow(label, fields, captions, _draw_interpolated, _largest(fields))


def _stress_row(panel: Panel, verdicts: Sequence[Verdict], case: str) -> _FieldRow:
    strength = panel.material.yield_strength
    fields = [verdict.fields.stress[case] / strength for verdict in verdicts]
    maxima = [_capped_maximum(verdict, field) or 1.0 for verdict, field in zip(verdicts, fields, strict=True)]
    captions = []
    for verdict, field in zip(verdicts, fields, strict=True):
        caption = f"largest (cross) {figures(field.max())} of yield,\n{figures(field.max() * strength)} MPa"
        if field.max() >= 1:
            caption += "\nwhite outline: over yield, stays bent"
        demand = _find_demand(verdict, "stress", case)
        captions.append(f"{caption}\n{_limit_text(demand)}" if demand else caption)
    label = f"von Mises stress over yield, case {case}"
    return _FieldRow(label, fields, captions, _draw_by_triangle, maxima, is_capped=True)


def _mode_row(verdicts: Sequence[Verdict]) -> _FieldRow:
    fields = [verdict.fields.modes[0][1] for verdict in verdicts]
    captions = [f"{verdict.fields.modes[0][0]:.1f} Hz" for verdict in verdicts]
    for place, verdict in enumerate(verdicts):
        demand = _find_demand(verdict, "frequency", None)
        if demand:
            captions[place] = _limit_text(demand)
    label = "first mode, share of its amplitude; dashed: opposite direction"
    return _FieldRow(label, fields, captions, _draw_mode, [1.0] * len(fields))


def _largest(fields: Sequence[np.ndarray]) -> list[float]:
    """The largest value of each field; 1 in place of 0 if all are 0, and the largest of all in place of a single 0."""
    own = [float(field.max(initial=0.0)) for field in fields]
    return [one or max(own) or 1.0 for one in own]


def _capped_maximum(verdict: Verdict, field: np.ndarray) -> float:
    """Upper end of the stress scale: 99.5 % of the sheet's area is at or below it.  field: (m,), by triangle."""
    corners = verdict.fields.plan_nodes[verdict.fields.triangles]
    area = np.abs(plan_areas(corners))
    order = field.argsort()
    covered = np.cumsum(area[order])
    return float(field[order[np.searchsorted(covered, STRESS_SCALE_SHARE * covered[-1])]])


def _find_demand(verdict: Verdict, kind: str, case: str | None) -> DemandResult | None:
    return next((d for d in verdict.demands if d.kind == kind and d.case == case), None)


def _limit_text(demand: DemandResult) -> str:
    """Value, limit and deciding theory of a demand; w/t is flagged where linear theory no longer holds."""
    value = f"{figures(demand.value)} {demand.unit}" if np.isfinite(demand.value) else "no value"
    push = f" under {demand.force:g} N" if demand.force else ""
    flag = (
        f", linear w/t {demand.deflection_over_thickness:.1f}"
        if demand.deflection_over_thickness > LINEAR_LIMIT
        else ""
    )
    return f"{value}{push}, limit {demand.limit:g} {demand.unit}\n({demand.decided_by}){flag}"


# ----------------------------------------------------------------------------------------------------------- figures


def _draw_rows(panel: Panel, titled: TitledVerdicts, rows: Sequence[_FieldRow], path: str | Path) -> None:
    """Draw rows of maps side by side; maps of a very wide sheet are stacked, those of a narrow one stand in a line."""
    count, sheet, lines = len(titled), aspect_ratio(panel), max(1, len(rows))
    stacked = count > 1 and sheet < STACKING_ASPECT
    one_line = count > 1 and lines > 1 and sheet > ONE_LINE_ASPECT
    columns = 1 if stacked else lines * count if one_line else count
    chars = 2 * CAPTION_CHARS // columns
    figure = new_figure(_rows_height(rows, sheet, columns, count, chars))
    grid = (1, lines * count) if one_line else (lines * count, 1) if stacked else (lines, count)
    axes = figure.subplots(*grid, squeeze=False, sharex=True, sharey=True).reshape(lines, count)
    for line, row in zip(axes, rows, strict=False):
        _draw_row(figure, line, row, panel, titled, chars, stacked)
    for line in axes:
        for axis, (_, verdict) in zip(line, titled, strict=True):
            draw_panel_over(axis, panel, verdict.layout)
    for line in axes if stacked or one_line else axes[:1]:
        for axis, (title, verdict) in zip(line, titled, strict=True):
            modes = verdict.fields.modes
            first = f"\nfirst mode {modes[0][0]:.1f} Hz" if modes else ""
            axis.set_title(f"{title}\n{verdict.layout.gauge:g} mm, {verdict.mass_kg:.3f} kg{first}", fontsize=FONT_SIZE)
    name_figure(figure, textwrap.wrap(f"{panel.name} ({panel.material.name})", LINE_CHARS), TITLE_FONT_SIZE)
    save_png(figure, path)


def _rows_height(rows: Sequence[_FieldRow], sheet: float, columns: int, count: int, chars: int) -> float:
    """Height in inches of all rows of maps.  sheet: its height over width.  columns: maps in a line.  chars: letters in
    a line below a map."""
    each = sheet * 0.94 * FIGURE_WIDTH / columns
    heights = []
    for row in rows:
        below = max(len(_wrapped(caption, chars).split("\n")) for caption in row.captions) * LINE_HEIGHT
        scale = SCALE_HEIGHT + LINE_HEIGHT * _scale_label(row, chars, columns == 1).count("\n")
        stack = count if columns == 1 else 1
        heights.append(stack * (each + below + HEAD_HEIGHT) + scale * (stack if row.has_own_scales else 1))
    if columns > count:
        return max(heights, default=2.0)
    return sum(heights) - HEAD_HEIGHT * (0 if columns == 1 and count > 1 else max(len(rows) - 1, 0)) or 2.0


def _draw_row(
    figure: Figure, line: np.ndarray, row: _FieldRow, panel: Panel, titled: TitledVerdicts, chars: int, stacked: bool
) -> None:
    """Draw one row of maps with their captions, and one colour bar below them or one below each."""
    mappables = []
    for axis, (_, verdict), field, caption, top in zip(line, titled, row.fields, row.captions, row.scales, strict=True):
        mappables.append(row.draw(axis, panel, verdict, field, top))
        axis.set_xlabel(_wrapped(caption, chars), fontsize=FONT_SIZE)
    own = row.has_own_scales
    for shades, of in zip(mappables, [[axis] for axis in line], strict=True) if own else [(mappables[0], list(line))]:
        capped = row.is_capped and any(f.max() > top for f, top in zip(row.fields, row.scales, strict=True))
        bar = figure.colorbar(
            shades, ax=of, location="bottom", format=_tick_text, pad=0.02, shrink=0.9,
            aspect=18 if len(of) == 1 else 40, **({"extend": "max"} if capped else {}),
        )  # fmt: skip
        bar.set_label(_scale_label(row, chars, stacked or len(line) == 1), fontsize=FONT_SIZE)
        bar.ax.tick_params(labelsize=FONT_SIZE)
        bar.locator = _scale_ticks(len(of) * (2 if stacked or len(line) == 1 else 1) * chars // CAPTION_CHARS)
        bar.update_ticks()


def _scale_label(row: _FieldRow, chars: int, alone: bool) -> str:
    """The label of a colour bar, wrapped to the width of what it belongs to."""
    if row.has_own_scales:
        return _wrapped(f"{row.label} (scale of this map alone)", chars)
    return _wrapped(row.label, chars if alone else chars * len(row.fields))


def _wrapped(text: str, chars: int) -> str:
    """A text wrapped at so many letters; its own line breaks stay."""
    return "\n".join(part for one in text.split("\n") for part in textwrap.wrap(one, chars))


def _tick_text(value: float, _: object = None) -> str:
    """A value of a scale with up to four figures, never with an exponent."""
    return figures(value, 4, trim=True)


def _scale_ticks(maps: int) -> Any:
    """A locator of a few round values.  maps: number of maps over which the colour bar runs."""
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4 if maps <= 1 else 8)


# ---------------------------------------------------------------------------------------------------- drawing one map


def _colour_map() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("stiffen", COLOUR_SCALE)


def _levels(scale_max: float) -> np.ndarray:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(SCALE_STEPS).tick_values(0.0, scale_max)


def _draw_contours(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, scale_max: float) -> ScalarMappable:
    """Draw a nodal field as filled contours with thin lines between them."""
    from matplotlib.tri import Triangulation

    mesh = Triangulation(*verdict.fields.plan_nodes.T, verdict.fields.triangles)
    levels = _levels(scale_max)
    axis.tricontour(mesh, field, levels=levels[1:-1], colors=LINE_COLOUR, linewidths=0.3, alpha=0.6)
    return axis.tricontourf(mesh, field, levels=levels, cmap=_colour_map())


def _draw_interpolated(
    axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, scale_max: float
) -> ScalarMappable:
    """Draw a field known at a few marked points, interpolated between them by a thin-plate spline.

    The spline keeps every computed value.  It is clipped to 0 ... the largest computed value, so that the map shows no
    point softer than the softest computed one.
    """
    places = verdict.fields.softness[:, :2]
    if len(places) < 4 or np.linalg.matrix_rank(places - places[0]) < 2:
        return axis.scatter(
            *places.T, c=field, cmap=_colour_map(), vmin=0.0, vmax=scale_max, s=60, edgecolors=LINE_COLOUR
        )
    smooth = RBFInterpolator(places, field, kernel="thin_plate_spline")(verdict.fields.plan_nodes)
    shades = _draw_contours(axis, panel, verdict, np.clip(smooth, 0.0, field.max()), scale_max)
    axis.plot(*places.T, ".", color=LINE_COLOUR, markersize=2.5, zorder=4)
    return shades


def _draw_by_triangle(
    axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, scale_max: float
) -> ScalarMappable:
    """Draw one value a triangle, stress over yield.  The area above 1 is outlined, the largest value has a cross."""
    from matplotlib.patheffects import withStroke
    from matplotlib.tri import Triangulation

    plan, triangles = verdict.fields.plan_nodes, verdict.fields.triangles
    mesh = Triangulation(*plan.T, triangles)
    shades = axis.tripcolor(mesh, facecolors=field, cmap=_colour_map(), vmin=0.0, vmax=scale_max)
    over = shapely.union_all([Polygon(corners) for corners in plan[triangles[field >= 1]]])
    cased = [withStroke(linewidth=2.1, foreground=LINE_COLOUR)]
    for part in shapely.get_parts(over):
        for ring in (part.exterior, *part.interiors):
            axis.plot(*np.asarray(ring.coords).T, color="white", linewidth=1.1, path_effects=cased, zorder=2)
    x, y = plan[triangles[field.argmax()]].mean(axis=0)
    casing = [withStroke(linewidth=3.0, foreground="white")]
    axis.plot(x, y, "x", color=LINE_COLOUR, markersize=7, markeredgewidth=1.4, path_effects=casing, zorder=5)
    return shades


def _draw_mode(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, scale_max: float) -> ScalarMappable:
    """Draw the amplitude of a mode as filled contours; lines are dashed where it moves in the opposite direction.

    There is no line at zero: where the sheet hardly moves it would follow the noise of the mesh.
    """
    from matplotlib.tri import Triangulation

    mesh = Triangulation(*verdict.fields.plan_nodes.T, verdict.fields.triangles)
    levels = _levels(scale_max)
    signed = field if field[np.abs(field).argmax()] > 0 else -field
    shades = axis.tricontourf(mesh, np.abs(field), levels=levels, cmap=_colour_map())
    inner = levels[1:-1]
    axis.tricontour(mesh, signed, levels=inner, colors=LINE_COLOUR, linewidths=0.5)
    if signed.min() < -levels[1]:
        axis.tricontour(mesh, signed, levels=-inner[::-1], colors=LINE_COLOUR, linewidths=0.9, linestyles="dashed")
    return shades

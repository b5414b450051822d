"""Pictures of result fields: deflection, softness, stress and first mode, verdicts side by side.

All verdicts of a row share one scale.  Every label carries its unit.
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
    new_figure,
    save_png,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.cm import ScalarMappable

SCALE_STEPS = 12
TITLE_FONT_SIZE = 13.0
CAPTION_CHARS = 37  # letters that stand under one of two maps
STACKING_ASPECT = 0.4  # height over width of a sheet under which maps stand one under the other
HEAD_HEIGHT, CAPTION_HEIGHT = 1.4, 0.75  # inches for the words over and under a map
MIN_ROW_HEIGHT = 3.0  # inches of a row, for the words beside its scale
STRESS_SCALE_SHARE = 0.995  # share of the sheet that a scale of stresses covers: a peak at a rivet would drown the rest

TitledVerdicts = Sequence[tuple[str, Verdict]]


@dataclass(frozen=True, eq=False)
class _FieldRow:
    """One row of maps: the label of its scale, a field for each verdict, words under each, what draws one.

    draw(axis, panel, verdict, field, top) hands back what a colour bar is made from; top: greatest of the scale.
    """

    label: str
    fields: list[np.ndarray]
    captions: list[str]
    draw: Callable
    scale_max: float
    is_capped: bool = False


def before_after_picture(
    panel: Panel, flat: Verdict, found: Verdict, path: str | Path, *, flat_title: str, found_title: str
) -> None:
    """PNG of two verdicts side by side; see `maps_picture`."""
    maps_picture(panel, [(flat_title, flat), (found_title, found)], path)


def maps_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of titled verdicts side by side: deflection in the worst case, then softness, one scale a row.

    A row that a verdict has no data for is left out.  Raises ValueError for a verdict without maps, InputError where
    the place cannot be written.
    """
    verdicts = _with_maps(titled)
    case = _worst_case(verdicts)
    rows = [_deflection_row(verdicts, case)] if case is not None else []
    if all(len(verdict.fields.softness) for verdict in verdicts):
        rows.append(_softness_row(verdicts))
    _draw_rows(panel, titled, rows, path)


def deflection_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of titled verdicts side by side: deflection in each case that all have, one scale a case.

    Raises as `maps_picture` does.
    """
    verdicts = _with_maps(titled)
    _draw_rows(panel, titled, [_deflection_row(verdicts, case) for case in _shared_cases(verdicts, "deflection")], path)


def stress_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of titled verdicts side by side: von Mises stress over yield in each case that all have.

    Raises as `maps_picture` does.
    """
    verdicts = _with_maps(titled)
    _draw_rows(panel, titled, [_stress_row(panel, verdicts, case) for case in _shared_cases(verdicts, "stress")], path)


def mode_picture(panel: Panel, titled: TitledVerdicts, path: str | Path) -> None:
    """PNG of titled verdicts side by side: the first mode.  Raises as `maps_picture` does."""
    verdicts = _with_maps(titled)
    rows = [_mode_row(verdicts)] if all(verdict.fields.modes for verdict in verdicts) else []
    _draw_rows(panel, titled, rows, path)


# -------------------------------------------------------------------------------------------------------------- rows


def _with_maps(titled: TitledVerdicts) -> list[Verdict]:
    verdicts = [verdict for _, verdict in titled]
    if any(verdict.fields is None for verdict in verdicts):
        raise ValueError("every verdict needs maps: judge it with maps=True")
    return verdicts


def _shared_cases(verdicts: Sequence[Verdict], kind: str) -> list[str]:
    """Cases for which all verdicts have a field "deflection" or "stress", in the order of the last."""
    fields = [getattr(verdict.fields, kind) for verdict in verdicts]
    return [case for case in fields[-1] if all(case in one for one in fields)]


def _worst_case(verdicts: Sequence[Verdict]) -> str | None:
    """The case all have a map of, with the least margin of a deflection demand in the last; else the first such."""
    shared = _shared_cases(verdicts, "deflection")
    judged = [d for d in verdicts[-1].demands if d.kind == "deflection" and d.case in shared]
    if judged:
        return min(judged, key=lambda d: d.margin if np.isfinite(d.margin) else -np.inf).case
    return next(iter(shared), None)


def _deflection_row(verdicts: Sequence[Verdict], case: str) -> _FieldRow:
    fields = [np.abs(verdict.fields.deflection[case]) for verdict in verdicts]
    under = []
    for verdict, field in zip(verdicts, fields, strict=True):
        demand = _find_demand(verdict, "deflection", case)
        under.append(_limit_text(demand) if demand else f"largest {field.max(initial=0.0):.2f} mm")
    return _FieldRow(f"deflection in case {case}, mm", fields, under, _draw_contours, _largest(fields))


def _softness_row(verdicts: Sequence[Verdict]) -> _FieldRow:
    fields = [100 * verdict.fields.softness[:, 2] for verdict in verdicts]
    under = []
    for verdict, field in zip(verdicts, fields, strict=True):
        demand = _find_demand(verdict, "softness", None)
        largest = f"softest {field.max(initial=0.0):.2f} mm per 100 N"
        under.append(f"{largest}\n{_limit_text(demand)}" if demand else largest)
    return _FieldRow(
        "give under a push, mm per 100 N;\ncomputed at the dots", fields, under, _draw_interpolated, _largest(fields)
    )


def _stress_row(panel: Panel, verdicts: Sequence[Verdict], case: str) -> _FieldRow:
    strength = panel.material.yield_strength
    fields = [verdict.fields.stress[case] / strength for verdict in verdicts]
    top = max(_capped_maximum(verdict, field) for verdict, field in zip(verdicts, fields, strict=True)) or 1.0
    under = []
    for verdict, field in zip(verdicts, fields, strict=True):
        words = f"at the cross {field.max():.2f} of yield ({field.max() * strength:.0f} MPa)"
        if field.max() >= 1:
            words += "\nwhite outline: over yield, stays bent"
        demand = _find_demand(verdict, "stress", case)
        under.append(f"{words}\n{_limit_text(demand)}" if demand else words)
    return _FieldRow(
        f"von Mises stress over yield,\ncase {case}", fields, under, _draw_by_triangle, top, is_capped=True
    )


def _mode_row(verdicts: Sequence[Verdict]) -> _FieldRow:
    fields = [verdict.fields.modes[0][1] for verdict in verdicts]
    under = [f"{verdict.fields.modes[0][0]:.1f} Hz" for verdict in verdicts]
    for place, verdict in enumerate(verdicts):
        demand = _find_demand(verdict, "frequency", None)
        if demand:
            under[place] = _limit_text(demand)
    label = "first mode, share of its swing;\ndashed: the other way"
    return _FieldRow(label, fields, under, _draw_mode, 1.0)


def _largest(fields: Sequence[np.ndarray]) -> float:
    return max(float(field.max(initial=0.0)) for field in fields) or 1.0


def _capped_maximum(verdict: Verdict, field: np.ndarray) -> float:
    """The value that all but a little of the sheet stays below."""
    corners = verdict.fields.plan_nodes[verdict.fields.triangles]
    area = np.abs(plan_areas(corners))
    order = field.argsort()
    share = np.cumsum(area[order])
    return float(field[order[np.searchsorted(share, STRESS_SCALE_SHARE * share[-1])]])


def _find_demand(verdict: Verdict, kind: str, case: str | None) -> DemandResult | None:
    return next((d for d in verdict.demands if d.kind == kind and d.case == case), None)


def _limit_text(demand: DemandResult) -> str:
    value = f"{demand.value:.2f} {demand.unit}" if np.isfinite(demand.value) else "no value"
    push = f" under {demand.force:g} N" if demand.force else ""
    flag = (
        f", linear w/t {demand.deflection_over_thickness:.1f}"
        if demand.deflection_over_thickness > LINEAR_LIMIT
        else ""
    )
    return f"{value}{push}, limit {demand.limit:g} {demand.unit}\n({demand.decided_by}){flag}"


# ----------------------------------------------------------------------------------------------------------- figures


def _draw_rows(panel: Panel, titled: TitledVerdicts, rows: Sequence[_FieldRow], path: str | Path) -> None:
    """Maps side by side; of a sheet that is far wider than high, one under the other."""
    count, sheet = len(titled), aspect_ratio(panel)
    stacked = count > 1 and sheet < STACKING_ASPECT
    alone = stacked or count == 1
    each = (
        sheet * 0.8 * FIGURE_WIDTH + CAPTION_HEIGHT if alone else sheet * 0.84 * FIGURE_WIDTH / count + CAPTION_HEIGHT
    )
    lines = max(1, len(rows))
    figure = new_figure(
        HEAD_HEIGHT + lines * (count * (each + HEAD_HEIGHT - CAPTION_HEIGHT) if stacked else max(each, MIN_ROW_HEIGHT))
    )
    grid = (lines * count, 1) if stacked else (lines, count)
    axes = figure.subplots(*grid, squeeze=False, sharex=True, sharey=True).reshape(lines, count)
    letters = 2 * CAPTION_CHARS if alone else CAPTION_CHARS
    for line, row in zip(axes, rows, strict=False):
        for axis, (_, verdict), field, words in zip(line, titled, row.fields, row.captions, strict=True):
            shades = row.draw(axis, panel, verdict, field, row.scale_max)
            under = "\n".join(part for one in words.split("\n") for part in textwrap.wrap(one, letters))
            axis.set_xlabel(under, fontsize=FONT_SIZE)
        more = {"extend": "max"} if row.is_capped and any(field.max() > row.scale_max for field in row.fields) else {}
        bar = figure.colorbar(shades, ax=list(line), shrink=0.9, format="%.3g", pad=0.02, **more)
        bar.set_label(row.label, fontsize=FONT_SIZE)
        bar.ax.tick_params(labelsize=FONT_SIZE)
    for line in axes:
        for axis, (_, verdict) in zip(line, titled, strict=True):
            draw_panel_over(axis, panel, verdict.layout)
    for line in axes if stacked else axes[:1]:
        for axis, (title, verdict) in zip(line, titled, strict=True):
            modes = verdict.fields.modes
            first = f"\nfirst mode {modes[0][0]:.1f} Hz" if modes else ""
            axis.set_title(f"{title}\n{verdict.layout.gauge:g} mm, {verdict.mass_kg:.3f} kg{first}", fontsize=FONT_SIZE)
    figure.suptitle(
        "\n".join(textwrap.wrap(f"{panel.name} ({panel.material.name})", LINE_CHARS)), fontsize=TITLE_FONT_SIZE
    )
    save_png(figure, path)


# ---------------------------------------------------------------------------------------------------- ways to draw one


def _colour_map() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("stiffen", COLOUR_SCALE)


def _levels(top: float) -> np.ndarray:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(SCALE_STEPS).tick_values(0.0, top)


def _draw_contours(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, top: float) -> ScalarMappable:
    """Shades of a field at the nodes, with thin lines between them."""
    from matplotlib.tri import Triangulation

    mesh = Triangulation(*verdict.fields.plan_nodes.T, verdict.fields.triangles)
    levels = _levels(top)
    axis.tricontour(mesh, field, levels=levels[1:-1], colors=LINE_COLOUR, linewidths=0.3, alpha=0.6)
    return axis.tricontourf(mesh, field, levels=levels, cmap=_colour_map())


def _draw_interpolated(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, top: float) -> ScalarMappable:
    """Shades of a field known at a few places, which are marked; between them by the smoothest surface through them.

    It keeps every computed value and is cut off at 0 and at the largest, so that it shows no place softer than the
    softest that was computed.
    """
    places = verdict.fields.softness[:, :2]
    if len(places) < 4 or np.linalg.matrix_rank(places - places[0]) < 2:
        return axis.scatter(*places.T, c=field, cmap=_colour_map(), vmin=0.0, vmax=top, s=60, edgecolors=LINE_COLOUR)
    smooth = RBFInterpolator(places, field, kernel="thin_plate_spline")(verdict.fields.plan_nodes)
    shades = _draw_contours(axis, panel, verdict, np.clip(smooth, 0.0, field.max()), top)
    axis.plot(*places.T, ".", color=LINE_COLOUR, markersize=2.5, zorder=4)
    return shades


def _draw_by_triangle(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, top: float) -> ScalarMappable:
    """Each triangle in the shade of its value, an outline round what is at yield, a cross at the greatest."""
    from matplotlib.patheffects import withStroke
    from matplotlib.tri import Triangulation

    plan, triangles = verdict.fields.plan_nodes, verdict.fields.triangles
    mesh = Triangulation(*plan.T, triangles)
    shades = axis.tripcolor(mesh, facecolors=field, cmap=_colour_map(), vmin=0.0, vmax=top)
    over = shapely.union_all([Polygon(corners) for corners in plan[triangles[field >= 1]]])
    cased = [withStroke(linewidth=2.1, foreground=LINE_COLOUR)]
    for part in shapely.get_parts(over):
        for ring in (part.exterior, *part.interiors):
            axis.plot(*np.asarray(ring.coords).T, color="white", linewidth=1.1, path_effects=cased, zorder=2)
    x, y = plan[triangles[field.argmax()]].mean(axis=0)
    casing = [withStroke(linewidth=3.0, foreground="white")]
    axis.plot(x, y, "x", color=LINE_COLOUR, markersize=7, markeredgewidth=1.4, path_effects=casing, zorder=5)
    return shades


def _draw_mode(axis: Axes, panel: Panel, verdict: Verdict, field: np.ndarray, top: float) -> ScalarMappable:
    """Shades of how far a mode swings; lines dashed where it swings the other way.

    None where it rests: of sheet that hardly moves that would be a scrawl of what the mesh leaves over.
    """
    from matplotlib.tri import Triangulation

    mesh = Triangulation(*verdict.fields.plan_nodes.T, verdict.fields.triangles)
    levels = _levels(top)
    signed = field if field[np.abs(field).argmax()] > 0 else -field
    shades = axis.tricontourf(mesh, np.abs(field), levels=levels, cmap=_colour_map())
    inner = levels[1:-1]
    axis.tricontour(mesh, signed, levels=inner, colors=LINE_COLOUR, linewidths=0.5)
    if signed.min() < -levels[1]:
        axis.tricontour(mesh, signed, levels=-inner[::-1], colors=LINE_COLOUR, linewidths=0.9, linestyles="dashed")
    return shades

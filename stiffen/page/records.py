"""Panels and layouts as plain data for the page, and back.  mm, kg, N, Hz."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from stiffen.analysis.demand_values import DemandValue
from stiffen.errors import Fault, InputError
from stiffen.model.layout import OPEN_END_NAMES, Bead, Hole, Layout
from stiffen.model.panel import Demand, Panel
from stiffen.model.results import NOT_DECIDED, Verdict
from stiffen.optimise.candidates.symmetry import mirror_axes
from stiffen.shop.bead_section import profile_points
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions
from stiffen.shop.process_plan import minutes

MAX_PARTS = 200  # beads, or holes, of a layout
MAX_PATH_POINTS = 400
MAX_COORDINATE = 20_000.0  # mm
OPEN_ENDS = {name: ends for ends, name in OPEN_END_NAMES.items()}


def layout_from(data: Any, panel: Panel) -> Layout:
    """The layout of a message of the page.  InputError for anything that is not one."""
    try:
        beads, holes = data["beads"], data["holes"]
        if not (isinstance(beads, list) and isinstance(holes, list) and max(len(beads), len(holes)) <= MAX_PARTS):
            raise _not_a_layout("too many beads or holes")
        return Layout(
            float(data["gauge"]),
            tuple(_bead(one, panel) for one in beads),
            tuple(_hole(one, panel) for one in holes),
        )
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise _not_a_layout(f"cannot be read: {error}") from None


def _not_a_layout(what: str) -> InputError:
    return InputError([Fault("layout", what, "reload the page")])


def _bead(data: dict, panel: Panel) -> Bead:
    die = panel.tools.bead_die(str(data["die"]))
    if die is None:
        raise InputError([Fault("bead", f"die {data['die']} is not in the tools", "take another die")])
    if not 2 <= len(data["path"]) <= MAX_PATH_POINTS:
        raise _not_a_layout("a bead has too few or too many points")
    path = tuple(_point(point) for point in data["path"])
    return Bead(die, path, str(data["side"]), bool(data["fixed"]), OPEN_ENDS[data.get("open", "none")])


def _hole(data: dict, panel: Panel) -> Hole:
    die = panel.tools.hole_die(str(data["die"]))
    if die is None:
        raise InputError([Fault("hole", f"die {data['die']} is not in the tools", "take another die")])
    return Hole(die, _point(data["at"]), str(data["side"]), bool(data["fixed"]))


def _point(data: Sequence) -> tuple[float, float]:
    x, y = (float(value) for value in data)
    if not max(abs(x), abs(y)) <= MAX_COORDINATE:  # NaN too
        raise _not_a_layout("a place is far off the sheet")
    return x, y


def panel_data(panel: Panel) -> dict:
    """What the page draws and offers: the sheet, what lies on it, dies, gauges, cases, demands."""
    tools = panel.tools
    return {
        "name": panel.name,
        "material": panel.material.name,
        "gauges": list(panel.gauges),
        "outline": [list(point) for point in panel.outline],
        "cutouts": [[list(point) for point in cutout.ring] for cutout in panel.cutouts],
        "folds": [
            {"line": line, "angle": angle}
            for line, angle in zip(panel.fold_lines, panel.fold_angles, strict=True)
        ],
        "supports": [
            {
                "kind": one.kind,
                "hold": one.hold,
                "in_plane": one.in_plane,
                "slip": one.slip,
                "path": one.path,
                "at": one.fasteners(),
                "diameter": one.diameter,
            }
            for one in panel.supports
        ],
        "keep_outs": [{"polygon": one.polygon, "against": one.against, "why": one.why} for one in panel.keep_outs],
        "loads": [_load(one) for one in panel.loads],
        "masses": [{"at": one.at, "kg": one.kg, "what": one.what} for one in panel.masses],
        "cases": list(panel.cases),
        "demands": [
            {"label": one.label, "kind": one.kind, "limit": one.limit, "unit": one.unit, "at_most": one.at_most,
             "case": one.case, "force": one.force}
            for one in panel.demands
        ],  # fmt: skip
        "sides": ["up", "down"] if panel.bead_side == "either" else [panel.bead_side],
        "axes": mirror_axes(panel),
        "bead_dies": [
            {"name": die.name, "profile": die.profile, "width": die.width, "depth": die.depth,
             "run_out": die.run_out_length, "section": profile_points(die).round(3).tolist()}
            for die in tools.bead_dies
        ],
        "hole_dies": [
            {"name": die.name, "finished": die.finished, "flange": die.flange, "rise": die.rise}
            for die in tools.hole_dies
        ],
    }  # fmt: skip


def _load(load: Any) -> dict:
    return {"case": load.case, "kind": load.kind, "value": load.value, "at": load.at, "size": load.size,
            "path": load.path, "polygon": load.polygon, "g": load.g}  # fmt: skip


def bench_data(panel: Panel, layout: Layout) -> dict:
    """What the rules, the scales and the clock say of a layout: broken rules, kg, minutes, dimensions to mark."""
    violations = []
    for violation in audit(panel, layout):
        name, _, rest = violation.where.partition("[")
        number = rest.partition("]")[0]
        place = {"part": name, "index": int(number) - 1} if number.isdigit() else {"part": "", "index": -1}
        violations.append({**place, "what": violation.what, "short": violation.short_by_mm})
    return {
        "rules": violations,
        "kg": panel.mass(layout),
        "minutes": minutes(panel, layout),
        "dimensions": distinct_dimensions(panel, layout).count,
        "within_limits": panel.within_count_limits(layout),
    }


def value_data(demand: Demand, value: DemandValue, hold: str) -> dict:
    """One quick answer."""
    decided = value.decided_by != NOT_DECIDED
    return {
        "value": value.value if decided and math.isfinite(value.value) else None,
        "margin": demand.margin(value.value) if decided and not math.isnan(value.value) else None,
        "hold": hold,
        "by": value.decided_by,
        "at": value.at,
        "failure": value.failure,
    }


def verdict_data(verdict: Verdict) -> dict:
    """A judged layout: value, margin and mesh error of each demand, and the warnings."""
    return {
        "met": verdict.met,
        "kg": verdict.mass_kg,
        "values": [
            {"value": one.value, "margin": one.margin, "met": one.met, "hold": one.in_plane, "by": one.decided_by,
             "at": one.at, "error": one.mesh_error}
            for one in verdict.demands
        ],
        "warnings": list(verdict.warnings),
    }  # fmt: skip


def rounded(values: np.ndarray, digits: int = 4) -> list:
    """Values to so many digits of the largest."""
    largest = float(np.abs(values).max(initial=0.0))
    if not math.isfinite(largest) or largest == 0:
        return np.nan_to_num(values, nan=0.0, posinf=0.0, neginf=0.0).tolist()
    return np.round(values, digits - 1 - math.floor(math.log10(largest))).tolist()

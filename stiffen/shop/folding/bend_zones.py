"""The sheet that a bend takes, and the sheet that the clamp bar presses on while it is folded.  Plan, mm."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from shapely.geometry import LineString, Polygon

from stiffen.model.fold_plan import FlangePlan, flange_plan
from stiffen.model.panel import Fold, Panel
from stiffen.model.sheet_geometry import Ring
from stiffen.shop.bends import bend_allowance


@dataclass(frozen=True, eq=False)
class BendZone:
    """A bend on the flat sheet.

    number: of the fold, from 1.  allowance: mm of sheet that the bend takes, half on either side of the fold line.
    strip: the sheet between the tangent lines.  inner, outer: the tangent lines on the base's and on the flange's
    side.  foot: the sheet that the clamp bar presses on, behind the inner tangent line; None if the bar has no width.
    """

    number: int
    fold: Fold
    plan: FlangePlan
    allowance: float
    strip: Polygon
    inner: LineString
    outer: LineString
    foot: Polygon | None

    @property
    def where(self) -> str:
        """Its name in messages."""
        return f"fold {self.number}"

    @property
    def length(self) -> float:
        """Length of the bend, mm."""
        return float(self.plan.line.length)


def bend_zones(panel: Panel, t: float) -> tuple[BendZone, ...]:
    """The bends of a panel in sheet of t mm.  A fold whose line does not divide the sheet has none."""
    brake = panel.tools.folding_brake
    return _zones(panel.outline, panel.folds, t, brake.neutral, brake.clamp)


@lru_cache(maxsize=256)
def _zones(outline: Ring, folds: tuple[Fold, ...], t: float, neutral: float, clamp: float) -> tuple[BendZone, ...]:
    sheet = Polygon(outline)
    found = []
    for number, fold in enumerate(folds, 1):
        plan = flange_plan(sheet, fold.line)
        if plan is None:
            continue
        allowance = bend_allowance(abs(fold.angle), fold.radius, t, neutral)
        strip = _band(plan, -allowance / 2, allowance / 2)
        foot = _band(plan, -allowance / 2 - clamp, -allowance / 2) if clamp else None
        inner, outer = (_parallel(plan, side * allowance / 2) for side in (-1, 1))
        found.append(BendZone(number, fold, plan, allowance, strip, inner, outer, foot))
    return tuple(found)


def _ends(plan: FlangePlan, offset: float) -> np.ndarray:
    """The two ends (2, 2) of a fold line on the sheet, moved toward the flange."""
    return np.array([plan.line.coords[0], plan.line.coords[-1]]) + offset * plan.out


def _parallel(plan: FlangePlan, offset: float) -> LineString:
    return LineString(_ends(plan, offset))


def _band(plan: FlangePlan, start: float, end: float) -> Polygon:
    return Polygon([*_ends(plan, start), *_ends(plan, end)[::-1]])

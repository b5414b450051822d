"""The panels of one build added up: mass, sheets to buy by material and gauge, beads, holes, rivets, minutes.

A blank is the rectangle around the rough cut; `sheet_nesting` places the blanks on stock sheets.  kg, mm, m, minutes.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

from stiffen.assembly.mass import fitted_mass
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop import process_plan
from stiffen.shop.rough_blank import rough_outline

from .sheet_nesting import CUT_GAP, Blank, PlacedBlank, fits, nest

STOCK_SHEETS = ((2000.0, 1000.0), (2500.0, 1250.0))  # usual sheets, mm: common practice, no source


@dataclass(frozen=True)
class BuildPanel:
    """One panel of a build.

    status: "met", "not met", "nothing asked" or "not judged".  mass_kg: finished, without what is fitted to it;
    fitted_kg: edge trim and what is bolted on.  blank_*_mm: rectangle round the rough cut.  fasteners: rivets and
    bolts.
    """

    panel: str
    status: str
    material: str
    gauge_mm: float
    mass_kg: float
    fitted_kg: float
    blank_width_mm: float
    blank_height_mm: float
    beads: int
    rolled_m: float
    holes: int
    fasteners: int
    minutes: float
    density: float  # kg/mm3


@dataclass(frozen=True)
class Purchase:
    """Sheets of one material and gauge: how many of which size, where the blanks lie, and blanks that fit no sheet.

    sheet: width and height, mm.  count: of sheets.  mass_kg: of the sheets bought.  used_fraction: share of their area
    taken by blanks.
    """

    material: str
    gauge_mm: float
    sheet: tuple[float, float]
    count: int
    mass_kg: float
    used_fraction: float
    placed: tuple[PlacedBlank, ...]
    too_large: tuple[str, ...]

    @property
    def offcut(self) -> tuple[float, float] | None:
        """The larger of the two pieces that one cut right across the last sheet leaves, mm; None without sheets."""
        last = [one for one in self.placed if one.sheet == self.count]
        if not last:
            return None
        wide, high = self.sheet
        x = max(one.x + one.size[0] for one in last) + CUT_GAP
        y = max(one.y + one.size[1] for one in last) + CUT_GAP
        pieces = [(wide - x, high), (wide, high - y)]
        best = max(pieces, key=lambda piece: max(piece[0], 0.0) * max(piece[1], 0.0))
        return best if min(best) > 0 else None


def build_panel(panel: Panel, layout: Layout, status: str) -> BuildPanel:
    """The summary of one panel.  status: see `BuildPanel`."""
    x0, y0, x1, y1 = rough_outline(panel, layout).bounds
    return BuildPanel(
        panel=panel.name,
        status=status,
        material=panel.material.name,
        gauge_mm=layout.gauge,
        mass_kg=panel.mass(layout),
        fitted_kg=fitted_mass(panel),
        blank_width_mm=x1 - x0,
        blank_height_mm=y1 - y0,
        beads=len(layout.beads),
        rolled_m=layout.rolled_length / 1000,
        holes=len(layout.holes),
        fasteners=sum(len(support.fasteners()) for support in panel.supports),
        minutes=process_plan.minutes(panel, layout),
        density=panel.material.rho,
    )


def purchases(
    panels: Sequence[BuildPanel], stock: Sequence[tuple[float, float]] = STOCK_SHEETS
) -> tuple[Purchase, ...]:
    """The sheets to buy for each material and gauge, all of one stock size.

    Takes the stock size that holds most of the blanks; of equal sizes, the one with the least area of sheets in all.
    stock: (width, height) of each size, mm.
    """
    kinds = dict.fromkeys((one.material, one.gauge_mm) for one in panels)
    return tuple(
        _purchase([one for one in panels if (one.material, one.gauge_mm) == kind], stock) for kind in sorted(kinds)
    )


def _purchase(panels: list[BuildPanel], stock: Sequence[tuple[float, float]]) -> Purchase:
    blanks = [Blank(one.panel, one.blank_width_mm, one.blank_height_mm) for one in panels]
    tries = []
    for sheet in stock:
        fitting = [blank for blank in blanks if fits(blank, sheet)]
        placed = nest(fitting, sheet)
        count = max((one.sheet for one in placed), default=0)
        area = count * sheet[0] * sheet[1]
        tries.append((len(blanks) - len(fitting), area, sheet, count, placed))
    left_over, area, sheet, count, placed = min(tries, key=lambda one: one[:2])
    first = panels[0]
    cut = sum(one.blank.width * one.blank.height for one in placed)
    return Purchase(
        material=first.material,
        gauge_mm=first.gauge_mm,
        sheet=sheet,
        count=count,
        mass_kg=area * first.gauge_mm * first.density,
        used_fraction=cut / area if area else 0.0,
        placed=placed,
        too_large=tuple(blank.name for blank in blanks if not fits(blank, sheet)) if left_over else (),
    )


# ------------------------------------------------------------------------------------------------------------- tables

SUMMARY_HEAD = (
    "panel",
    "demands",
    "material",
    "gauge",
    "mass kg",
    "blank mm",
    "beads",
    "to roll m",
    "holes",
    "rivets",
    "min",
)
NUMBER_COLUMNS = (3, 4, 5, 6, 7, 8, 9, 10)  # right-aligned columns


def summary_rows(panels: Sequence[BuildPanel]) -> list[tuple[str, ...]]:
    """Rows under SUMMARY_HEAD: one for each panel, then the sum."""
    table = [
        (
            one.panel,
            one.status,
            one.material,
            f"{one.gauge_mm:g}",
            f"{one.mass_kg:.3f}",
            f"{one.blank_width_mm:.0f} x {one.blank_height_mm:.0f}",
            f"{one.beads}",
            f"{one.rolled_m:.2f}",
            f"{one.holes}",
            f"{one.fasteners}",
            f"{one.minutes:.0f}",
        )
        for one in panels
    ]
    total = (
        f"{sum(one.mass_kg for one in panels):.3f}",
        "",
        f"{sum(one.beads for one in panels)}",
        f"{sum(one.rolled_m for one in panels):.2f}",
        f"{sum(one.holes for one in panels)}",
        f"{sum(one.fasteners for one in panels)}",
        f"{sum(one.minutes for one in panels):.0f}",
    )
    return [*table, (f"{len(panels)} in all", "", "", "", *total)]


CUTTING_HEAD = ("part", "count", "material", "mm", "blank mm", "mass kg")
WORK_HEAD = ("part", "demands", "beads", "to roll m", "holes", "bolts, rivets", "min")


def cutting_rows(panels: Sequence[BuildPanel]) -> list[tuple[str, ...]]:
    """Rows under CUTTING_HEAD, by material and gauge; copies in one row, then the sum.  mass: of all copies."""
    alike = Counter(panels)
    order = sorted(alike, key=lambda one: (one.material, one.gauge_mm))
    table = [
        (
            one.panel,
            f"{alike[one]}",
            one.material,
            f"{one.gauge_mm:g}",
            f"{one.blank_width_mm:.0f} x {one.blank_height_mm:.0f}",
            f"{alike[one] * one.mass_kg:.3f}",
        )
        for one in order
    ]
    return [*table, ("in all", f"{len(panels)}", "", "", "", f"{sum(one.mass_kg for one in panels):.3f}")]


def work_rows(panels: Sequence[BuildPanel]) -> list[tuple[str, ...]]:
    """Rows under WORK_HEAD; copies in one row, their numbers of one and their minutes of all; then the sum."""
    alike = Counter(panels)
    table = [
        (
            one.panel if count == 1 else f"{one.panel}, {count} x",
            one.status,
            f"{one.beads}",
            f"{one.rolled_m:.2f}",
            f"{one.holes}",
            f"{one.fasteners}",
            f"{count * one.minutes:.0f}",
        )
        for one, count in alike.items()
    ]
    total = (
        f"{sum(one.beads for one in panels)}",
        f"{sum(one.rolled_m for one in panels):.2f}",
        f"{sum(one.holes for one in panels)}",
        f"{sum(one.fasteners for one in panels)}",
        f"{sum(one.minutes for one in panels):.0f}",
    )
    return [*table, ("in all", "", *total)]


def purchase_lines(purchases: Iterable[Purchase]) -> list[str]:
    """Lines of text: the sheets to buy, and the place of each blank on its sheet."""
    lines = []
    for one in purchases:
        size = f"{one.sheet[0]:g} x {one.sheet[1]:g}"
        used = f"{100 * one.used_fraction:.0f} % used"
        lines.append(f"{one.material} {one.gauge_mm:g} mm: {one.count} x {size} mm, {one.mass_kg:.2f} kg, {used}")
        for sheet in range(1, one.count + 1):
            lines.append(f"  sheet {sheet}: {'; '.join(_place_text(p) for p in one.placed if p.sheet == sheet)}")
        if one.offcut:
            lines.append(f"  left over, in one piece: {one.offcut[0]:.0f} x {one.offcut[1]:.0f} mm")
        lines += [f"  {name}: larger than the sheet; order a larger one" for name in one.too_large]
    return lines


def _place_text(placed: PlacedBlank) -> str:
    wide, high = placed.size
    rotated = " turned 90 degrees" if placed.rotated else ""
    return f"{placed.blank.name}{rotated} {wide:.0f} x {high:.0f} at {placed.x:.0f}, {placed.y:.0f}"


def csv_text(panels: Sequence[BuildPanel]) -> str:
    """The summary as CSV: names of the columns, then one line for each panel, without a sum."""
    names = [one.name for one in fields(BuildPanel) if one.name != "density"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for one in panels:
        values = (getattr(one, name) for name in names)
        writer.writerow(round(value, 4) if isinstance(value, float) else value for value in values)
    return out.getvalue()

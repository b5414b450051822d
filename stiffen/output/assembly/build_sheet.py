"""The build sheet: mass and what is to beat, cutting list, strips, joints, rivets, tools, order of work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from stiffen.assembly.angle_strips import leg_strain
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.assembly.mass import BuildMass, build_mass
from stiffen.assembly.records import WholeBuild
from stiffen.joined.evaluation import BuildEvaluation
from stiffen.model.layout import Layout
from stiffen.model.results import FlatSheetBaseline, Verdict
from stiffen.output.report.build_summary import (
    STOCK_SHEETS,
    BuildPanel,
    Purchase,
    build_panel,
    purchases,
)
from stiffen.shop.layout_check import audit
from stiffen.shop.process_plan import bench_minutes


@dataclass(frozen=True, eq=False)
class BuiltPanel:
    """One panel as it is to be made.  verdict: None if it was not computed."""

    layout: Layout
    verdict: Verdict | None = None
    baseline: FlatSheetBaseline | None = None


@dataclass(frozen=True, eq=False)
class BuildSheet:
    """All that is told of a build.

    fitted: the build with its rivets.  built: each panel by name.  summary: rows of panels and strips, copies counted.
    bought: sheets to buy.  mass: the sum.  stock: sheet sizes on sale, mm.  joined: judged as one
    thing, if it was.
    """

    fitted: FittedBuild
    built: Mapping[str, BuiltPanel]
    summary: tuple[BuildPanel, ...]
    bought: tuple[Purchase, ...]
    mass: BuildMass
    stock: tuple[tuple[float, float], ...] = STOCK_SHEETS
    joined: BuildEvaluation | None = None

    @property
    def met(self) -> bool:
        """True where each panel meets its demands, by itself and, where it was judged so, in the build.

        Blanks must fit the sheets too, and strips stand their curve.
        """
        strips = (leg_strain(strip) for strip in self.fitted.build.strips)
        return (
            all(one.status in ("met", "nothing asked") for one in self.summary)
            and not any(one.too_large for one in self.bought)
            and (self.joined is None or self.joined.met)
            and all(strain is None or strain.fits for strain in strips)
        )


def build_sheet(
    fitted: FittedBuild, built: Mapping[str, BuiltPanel], stock: Sequence[tuple[float, float]] = STOCK_SHEETS
) -> BuildSheet:
    """The sheet of a build.  built: by name, all panels.  stock: sheet sizes on sale, mm."""
    build = fitted.build
    rows: list[BuildPanel] = []
    for part in build.panels:
        one, panel = built[part.name], fitted.panels[part.name]
        row = build_panel(panel, one.layout, panel_status(fitted, part.name, one))
        rows += part.copies * [_without_joints(row, fitted, part.name)]
    for strip in build.strips:
        layout = Layout(strip.thickness)
        row = build_panel(fitted.strips[strip.name], layout, "nothing asked")
        rows += strip.copies * [_without_joints(row, fitted, strip.name)]
    masses = {name: fitted.panels[name].mass(one.layout) for name, one in built.items()}
    return BuildSheet(fitted, built, tuple(rows), purchases(rows, stock), build_mass(fitted, masses), tuple(stock))


def bought_mass(fitted: FittedBuild, layouts: Mapping[str, Layout]) -> float:
    """kg of sheet to buy for the strips and for panels of these layouts, by name."""
    rows = []
    for part in fitted.build.panels:
        rows += part.copies * [build_panel(fitted.panels[part.name], layouts[part.name], "not judged")]
    for strip in fitted.build.strips:
        rows += strip.copies * [build_panel(fitted.strips[strip.name], Layout(strip.thickness), "nothing asked")]
    return sum(one.mass_kg for one in purchases(rows))


def _without_joints(row: BuildPanel, fitted: FittedBuild, name: str) -> BuildPanel:
    """A row of the summary without the rivets of joints, which are counted once for the build."""
    count = sum(one.count for one in fitted.rivets if name in one.holes)
    minutes_each = rivet_minutes(fitted.build)
    return replace(row, fasteners=row.fasteners - count, minutes=max(0.0, row.minutes - minutes_each * count))


def rivet_minutes(build: WholeBuild) -> float:
    """Minutes to drill for one rivet and set it."""
    return bench_minutes(build.tools, "drill_hole") + bench_minutes(build.tools, "set_rivet")


def panel_status(fitted: FittedBuild, name: str, one: BuiltPanel) -> str:
    """ "met", "not met", "nothing asked" or "not judged", as in `BuildPanel`."""
    if one.verdict is None:
        return "not judged"
    if not one.verdict.demands:
        return "nothing asked"
    return "met" if one.verdict.met and not audit(fitted.panels[name], one.layout) else "not met"

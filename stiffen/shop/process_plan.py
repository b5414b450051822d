"""The process plan of a layout: how it is made at the bench, and in how many minutes.

`ProcessPlan` is made once for a layout; marking drawings, templates, cards, reports and pictures all use it.
mm, minutes.  Times are common practice without a source.  They are good enough to compare layouts and to plan the work,
not to quote a price.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from shapely.geometry import Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .cautions import bench_cautions
from .layout_check import Violation, audit
from .rollability import frame_sides, in_rolling_order, reorientations, reorientations_before, rolling_order
from .roller_settings import RollerSettings, pass_depths, roller_settings
from .rolling_bow import RollingBow, rolling_bow
from .rough_blank import rough_outline, trim_allowance
from .work_steps import work_steps

# Minutes: common practice, no source.
MINUTES_PER_MARK = 0.5  # one bead or hole
MINUTES_PER_CUT_METRE = 4.0  # by snips; once for the rough cut, once for the trim
MINUTES_PER_DEBURRED_METRE = 1.5
MINUTES_PER_REORIENTATION = 0.5  # the sheet is turned between two beads
MINUTES_PER_TRIAL_STRIP = 5.0  # one die
MINUTES_PER_PILOT_HOLE = 1.5
MINUTES_PER_FLARE = 1.0
MINUTES_PER_FOLD = 4.0
MINUTES_PER_FASTENER = 0.5  # drilling the mating hole


@dataclass(frozen=True)
class ProcessPlan:
    """How one layout is made; see `process_plan`.

    layout: the layout with its beads in rolling order, which gives them their numbers.  rolling_order: positions of
    these beads in the layout that the plan was made of.  frame_sides: for each bead the side of its path ("left",
    "right") that faces the roller's frame, seen on the "up" face; None if the throat lets neither pass.
    is_reoriented: for each bead, whether the sheet is turned before it.  trim_allowance: mm left on each side along x
    and along y.  rough_outline: the blank to cut before rolling, in plan.  roller_settings: one for each bead die, in
    the order of use.  bow: greatest bow to expect.  time_breakdown: minutes by kind of work.  work_steps: in words.
    violations: rules of the shop that the layout breaks.  cautions: for the bench, see `cautions.bench_cautions`.
    """

    layout: Layout
    rolling_order: tuple[int, ...]
    frame_sides: tuple[str | None, ...]
    is_reoriented: tuple[bool, ...]
    trim_allowance: tuple[float, float]
    rough_outline: Polygon
    roller_settings: tuple[RollerSettings, ...]
    bow: RollingBow
    time_breakdown: Mapping[str, float]
    work_steps: tuple[str, ...]
    violations: tuple[Violation, ...]
    cautions: tuple[str, ...]

    @property
    def reorientations(self) -> int:
        """How often the sheet is turned between two beads."""
        return sum(self.is_reoriented)

    @property
    def minutes(self) -> float:
        """Minutes at the bench in all; `time_breakdown` gives them by kind of work."""
        return sum(self.time_breakdown.values())


def process_plan(panel: Panel, layout: Layout) -> ProcessPlan:
    """The process plan of a layout.

    Raises InputError for a die whose sizes contradict each other, for faulty spacings of the shop, and for a trial
    strip whose depth does not rise with the turns.
    """
    order = rolling_order(panel, layout.beads)
    layout = replace(layout, beads=tuple(layout.beads[position] for position in order))
    sides = frame_sides(panel, layout.beads)
    is_reoriented = reorientations_before(layout.beads, sides)
    allowance = trim_allowance(panel, layout)
    bow = rolling_bow(panel, layout)
    dies = dict.fromkeys(bead.die for bead in layout.beads)
    in_order = tuple(range(len(layout.beads)))
    return ProcessPlan(
        layout=layout,
        rolling_order=order,
        frame_sides=sides,
        is_reoriented=is_reoriented,
        trim_allowance=allowance,
        rough_outline=rough_outline(panel, layout, allowance),
        roller_settings=tuple(roller_settings(panel.tools, die, panel.material, layout.gauge) for die in dies),
        bow=bow,
        time_breakdown=MappingProxyType(_time_breakdown(panel, layout, sum(is_reoriented))),
        work_steps=work_steps(panel, layout, in_order, sum(is_reoriented), allowance, bow),
        violations=audit(panel, layout),
        cautions=bench_cautions(panel, layout, allowance),
    )


def plan_for(panel: Panel, layout: Layout, plan: ProcessPlan | None) -> ProcessPlan:
    """The plan given, or a new one if it is None.  Raises ValueError if the plan given is of another layout."""
    if plan is None:
        return process_plan(panel, layout)
    if not _is_same(plan.layout, layout):
        raise ValueError("the process plan is of another layout")
    return plan


def _is_same(planned: Layout, layout: Layout) -> bool:
    """True if two layouts differ at most in the order of their beads."""
    same_sheet = (planned.gauge, planned.holes) == (layout.gauge, layout.holes)
    return same_sheet and len(planned.beads) == len(layout.beads) and all(one in planned.beads for one in layout.beads)


def time_breakdown(panel: Panel, layout: Layout) -> dict[str, float]:
    """Minutes at the bench by kind of work."""
    layout = in_rolling_order(panel, layout)
    return _time_breakdown(panel, layout, reorientations(panel, layout.beads))


def minutes(panel: Panel, layout: Layout) -> float:
    """Minutes at the bench in all; `time_breakdown` gives them by kind of work."""
    return sum(time_breakdown(panel, layout).values())


def _time_breakdown(panel: Panel, layout: Layout, reorientation_count: int) -> dict[str, float]:
    """Minutes by kind of work, for a layout with its beads in rolling order."""
    roller, beads = panel.tools.roller, layout.beads
    dies = dict.fromkeys(bead.die for bead in beads)
    passes = {die: len(pass_depths(die, panel.material)) for die in dies}
    edges = sum(ring.length for ring in (panel.region.exterior, *panel.region.interiors)) / 1000  # m
    fasteners = sum(len(support.fasteners()) for support in panel.supports)
    return {
        "mark": MINUTES_PER_MARK * (len(beads) + len(layout.holes)),
        "cut and trim": 2 * MINUTES_PER_CUT_METRE * edges,
        "trial strips": MINUTES_PER_TRIAL_STRIP * len(dies),
        "die changes": roller.die_change_minutes * len(dies),
        "set up": roller.set_up_minutes * len(beads) + MINUTES_PER_REORIENTATION * reorientation_count,
        "roll": sum(passes[bead.die] * bead.length for bead in beads) / roller.hand_speed,
        "pilot holes": MINUTES_PER_PILOT_HOLE * len(layout.holes),
        "flare": MINUTES_PER_FLARE * len(layout.holes),
        "fold": MINUTES_PER_FOLD * len(panel.folds),
        "mating holes": MINUTES_PER_FASTENER * fasteners,
        "deburr": MINUTES_PER_DEBURRED_METRE * edges,
    }

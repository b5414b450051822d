"""A panel as it may have been built: other thickness, shallower beads, edges that hold otherwise than the file says."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from stiffen.analysis.supports import FREE, HELD, in_plane_assumptions
from stiffen.errors import InputError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import half_profile

DEPTH_RATIOS = (0.55, 0.7, 0.85, 1.0)  # of the die's depth, for which the panel is computed; a die makes no more


@dataclass(frozen=True)
class Hold:
    """How the supports hold: `in_plane` held, free or as the file says (""); `clamped`: they stop the tilt too."""

    in_plane: str = ""
    clamped: bool = False

    @property
    def label(self) -> str:
        """In words."""
        tilt = " and may not tilt" if self.clamped else ""
        if self.in_plane == HELD:
            return f"edges cannot draw in{tilt}"
        if self.in_plane == FREE:
            return f"edges draw in freely{tilt}"
        return f"supports as the panel file says{tilt}"


@dataclass(frozen=True)
class Build:
    """One way in which the panel may have been built.

    thickness: mm.  depths: pairs of die name and depth, mm, of the dies whose beads differ from the die.
    """

    thickness: float
    depths: tuple[tuple[str, float], ...] = ()
    hold: Hold = Hold()


def apply_build(panel: Panel, layout: Layout, build: Build) -> tuple[Panel, Layout]:
    """Panel and layout as built.  InputError for a depth that the profile of the die does not allow."""
    depths = dict(build.depths)
    beads = tuple(
        replace(bead, die=die_at_depth(bead.die, depths[bead.die.name])) if bead.die.name in depths else bead
        for bead in layout.beads
    )
    return replace(panel, supports=_supports(panel, build.hold)), replace(layout, gauge=build.thickness, beads=beads)


def _supports(panel: Panel, hold: Hold) -> tuple:
    changes: dict = {"in_plane": hold.in_plane, "slip": None} if hold.in_plane else {}
    if hold.clamped:
        changes["hold"] = "clamped"
    return tuple(
        replace(one, **{key: value for key, value in changes.items() if key != "hold" or one.hold == "pinned"})
        for one in panel.supports
    )


def die_at_depth(die: BeadDie, depth: float) -> BeadDie:
    """The die of a bead that was rolled to another depth, mm; its width and its run-outs stay.

    A flat-topped bead keeps its top: its flanks become less steep.  Radii that are too large for the new depth are
    reduced in proportion.  InputError if no profile of this width has that depth.
    """
    ratio = depth / die.depth
    flank = die.flank
    if die.profile == "flat":
        flank = math.degrees(math.atan(ratio * math.tan(math.radians(die.flank))))
    changed = replace(die, depth=depth, flank=flank, run_out=die.run_out_length)
    if die.profile == "round":
        changed = replace(changed, nose_radius=0.0)
    try:
        half_profile(changed)
    except InputError:
        shoulder = ratio * changed.shoulder_radius
        changed = replace(changed, nose_radius=ratio * changed.nose_radius, shoulder_radius=shoulder)
        half_profile(changed)
    return changed


def stated_holds(panel: Panel) -> tuple[Hold, ...]:
    """What the panel file says of its supports: one way of holding, or two if the in-plane restraint is unknown."""
    assumed = in_plane_assumptions(panel)
    return tuple(map(Hold, assumed)) if len(assumed) > 1 else (Hold(),)


def other_holds(panel: Panel) -> tuple[Hold, ...]:
    """Ways of holding other than those stated: free and held in plane, and the same with heads that stop the tilt."""
    given = {one.in_plane for one in panel.supports}
    slips = any(one.slip is not None for one in panel.supports)
    stated = {hold.in_plane for hold in stated_holds(panel)}
    same = {next(iter(given))} if len(given) == 1 and not slips else set()
    in_plane = [Hold(one) for one in (FREE, HELD) if one not in stated | same]
    clamped = [replace(hold, clamped=True) for hold in (*stated_holds(panel), *in_plane)]
    return (*in_plane, *(clamped if any(one.hold == "pinned" for one in panel.supports) else ()))


def range_holds(panel: Panel) -> tuple[Hold, ...]:
    """Ways of holding that an expected value leaves open: those stated, and held and free in plane."""
    return (*stated_holds(panel), *(hold for hold in other_holds(panel) if not hold.clamped))


def dies_used(layout: Layout) -> tuple[BeadDie, ...]:
    """The bead dies of a layout, each once, in the order of the beads."""
    return tuple({bead.die.name: bead.die for bead in layout.beads}.values())

"""Rules for beads at one gauge: which can be rolled, where they may lie, their mirror images, and their clearances.

Every bead of a search is checked here, so that no layout breaks a rule of the shop.  Lengths in mm, angles
in degrees.  The same panel gives the same beads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import shapely
from shapely.affinity import rotate
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from stiffen.model.layout import SIDES, Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie
from stiffen.shop import cautions, clearance, layout_check, rollability

from . import symmetry
from .straight_beads import fixed_beads_and_holes

Group = tuple[Bead, ...]  # a bead and its mirror images; all or none are in a layout
LEAST_FULL_DEPTH = 3.0  # widths of a bead that a search makes, between its run-outs: shorter ones are mostly run-out
LEAST_FULL_DEPTH_CURVED = 6.0  # the same of a curved bead that is handed out: a maker would roll a shorter one straight
GRID = 1.0  # mm: ends and offsets of beads along the panel's edges lie on it


@dataclass(frozen=True, eq=False)
class BeadRules:
    """The rules for beads of one panel at one gauge, with layouts mirrored along `mirror_axes` ("" for none)."""

    panel: Panel
    gauge: float
    mirror_axes: str = ""
    _regions: dict[BeadDie, BaseGeometry] = field(default_factory=dict)

    @cached_property
    def fixed(self) -> tuple[tuple[Bead, ...], tuple[Hole, ...]]:
        """The panel's fixed beads and holes."""
        return fixed_beads_and_holes(self.panel)

    @cached_property
    def dies(self) -> tuple[BeadDie, ...]:
        """Dies whose beads can be rolled in this sheet; those that may crack it come last."""
        usable = [
            die
            for die in self.panel.tools.bead_dies
            if not layout_check.bead_die_violations(self.panel, die, self.gauge)
        ]
        return tuple(sorted(usable, key=self.may_crack))

    def may_crack(self, die: BeadDie) -> bool:
        """True where the card warns that a bead of this die may crack the sheet."""
        return cautions.may_crack(self.panel.material, die, self.gauge)

    @property
    def sides(self) -> tuple[str, ...]:
        """Faces on which beads may stand proud."""
        return SIDES if self.panel.bead_side == "either" else (self.panel.bead_side,)

    def region(self, die: BeadDie) -> BaseGeometry:
        """Region in which the axis of a bead of this die may lie, clear of the fixed beads and holes."""
        if die not in self._regions:
            region = clearance.bead_feasible_region(self.panel, die, self.gauge, *self.fixed)
            shapely.prepare(region)
            self._regions[die] = region
        return self._regions[die]

    # ------------------------------------------------------------------------------------------------------ one bead

    def straight(
        self, die: BeadDie, angle: float, offset: float, side: str, share: float = 1.0, near: float | None = None
    ) -> Bead | None:
        """The straight bead of a die on a line: in its longest free piece, or in the one nearest to `near`.

        angle: of the line to x.  offset: of the line from the origin, to the left of its direction.  share: length of
        the bead over that of the piece, in whose middle it lies.  near: place along the line, from the foot of the
        perpendicular from the origin.  None if no bead can be made.
        """
        region = self.region(die)
        if region.is_empty:
            return None
        t = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        n = np.array([-t[1], t[0]])
        x0, y0, x1, y1 = region.bounds
        reach = math.hypot(x1 - x0, y1 - y0) + abs(offset) + abs(np.array([x0, y0]) @ t) + abs(np.array([x1, y1]) @ t)
        foot = offset * n
        pieces = shapely.get_parts(shapely.intersection(LineString([foot - reach * t, foot + reach * t]), region))
        spans = []
        for piece in pieces:
            if piece.geom_type == "LineString" and piece.length > 0:
                a, b = sorted((np.array(piece.coords)[[0, -1]] @ t).tolist())
                spans.append((a, b))
        if not spans:
            return None
        if near is None:
            start, stop = max(spans, key=lambda span: round(span[1] - span[0], 3))
        else:
            start, stop = min(spans, key=lambda span: max(span[0] - near, near - span[1], 0.0))
        middle, half = (start + stop) / 2, share * (stop - start) / 2
        start, stop = middle - half, middle + half
        if abs(angle % 90) < 1e-9:  # along an edge: whole millimetres
            start, stop = math.ceil(start / GRID - 1e-6) * GRID, math.floor(stop / GRID + 1e-6) * GRID
        return self.between(die, angle, offset, start, stop, side)

    def between(self, die: BeadDie, angle: float, offset: float, start: float, stop: float, side: str) -> Bead | None:
        """The straight bead of a die on a line, between two places along it; see `straight`."""
        if stop - start < least_length(die):
            return None
        t = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
        foot = offset * np.array([-t[1], t[0]])
        ends = (foot + start * t, foot + stop * t)
        path = tuple((round(float(x), 3) + 0.0, round(float(y), 3) + 0.0) for x, y in ends)
        return self.made(Bead(die, path, side))

    def made(self, bead: Bead) -> Bead | None:
        """The bead if it can be rolled and keeps clear of the fixed beads and holes, else None."""
        line = LineString(bead.path)
        die = bead.die
        if not line.is_simple or not self.region(die).covers(line):
            return None
        if not bead.closed and bead.length < least_length(die) - 1e-9:
            return None
        if rollability.path_deviation(bead, self.panel.tools.roller.least_path_radius) > rollability.MAX_PATH_DEVIATION:
            return None
        return bead if rollability.preferred_frame_side(self.panel, bead) else None

    # -------------------------------------------------------------------------------------------------- several beads

    def group(self, bead: Bead | None) -> Group | None:
        """A bead with its mirror images; None if one of them cannot be made, or they are too close together.

        A straight bead on one line with its image is cut to the part that both share.
        """
        centre = symmetry.outline_centre(self.panel)
        if bead is not None and self.mirror_axes:
            shared = symmetry.part_shared_with_images(bead, centre, self.mirror_axes)
            bead = bead if shared == bead else self.made(shared)
        if bead is None:
            return None
        members = [bead]
        for axis in self.mirror_axes:
            for member in list(members):
                image = symmetry.mirrored_bead(member, centre, axis)
                if any(symmetry.same_place(image, other) for other in members):
                    continue
                path = tuple((round(x, 3) + 0.0, round(y, 3) + 0.0) for x, y in image.path)
                made = self.made(replace(image, path=path))
                if made is None:
                    return None
                members.append(made)
        group = tuple(members)
        return None if self._conflict(group, ()) else group

    def fits(self, group: Group, others: Sequence[Bead]) -> bool:
        """True if a group keeps clear of other beads.  From fixed beads and holes `region` keeps it clear already."""
        return not self._conflict(group, others)

    def _conflict(self, group: Group, others: Sequence[Bead]) -> bool:
        tools, gauge = self.panel.tools, self.gauge
        for k, bead in enumerate(group):
            if any(clearance.too_close(bead, other, tools, gauge) for other in (*group[:k], *others)):
                return True
        return False

    def layout(self, groups: Sequence[Group], holes: tuple[Hole, ...] | None = None) -> Layout:
        """The layout of the fixed beads and some groups.  holes: of the layout; default the fixed ones."""
        beads, fixed_holes = self.fixed
        return Layout(
            self.gauge,
            (*beads, *(bead for group in groups for bead in group)),
            fixed_holes if holes is None else holes,
        )

    def groups_of(self, layout: Layout) -> tuple[Group, ...] | None:
        """The groups of a layout's beads that are not fixed; None if a mirror image is missing."""
        left = [bead for bead in layout.beads if not bead.fixed]
        groups: list[Group] = []
        centre = symmetry.outline_centre(self.panel)
        while left:
            members = [left.pop(0)]
            for axis in self.mirror_axes:
                for member in list(members):
                    image = symmetry.mirrored_bead(member, centre, axis)
                    if any(symmetry.same_place(image, other) for other in members):
                        continue
                    found = next(
                        (one for one in left if symmetry.same_place(image, one) and one.side == image.side), None
                    )
                    if found is None:
                        return None
                    left.remove(found)
                    members.append(found)
            groups.append(tuple(members))
        return tuple(groups)

    def span(self, die: BeadDie, angle: float) -> tuple[float, float] | None:
        """Least and greatest offset of lines at an angle that cross the region of a die; None if that is empty."""
        region = self.region(die)
        if region.is_empty:
            return None
        _, y0, _, y1 = rotate(region, -angle, origin=(0.0, 0.0)).bounds
        return y0, y1


def least_length(die: BeadDie) -> float:
    """Shortest bead that a search makes, mm: `LEAST_FULL_DEPTH` widths between its run-outs; one width for a step."""
    widths = 1.0 if die.profile == "step" else LEAST_FULL_DEPTH
    return max(rollability.min_bead_length(die), 2 * die.run_out_length + widths * die.width)


def is_short_bow(bead: Bead) -> bool:
    """True for an open curved bead of fewer than `LEAST_FULL_DEPTH_CURVED` widths between its run-outs, not fixed.

    A search may pass through one, but hands out a layout with one only where there is no other.
    """
    least = 2 * bead.die.run_out_length + LEAST_FULL_DEPTH_CURVED * bead.die.width
    return not (bead.closed or bead.fixed or len(bead.path) < 3) and bead.length < least - 1e-9


def line_of(bead: Bead) -> tuple[float, float, float]:
    """Of a straight bead: angle of its line to x in [0, 180), offset of the line, place of the middle along it."""
    (x0, y0), (x1, y1) = bead.path[0], bead.path[-1]
    angle = round(math.degrees(math.atan2(y1 - y0, x1 - x0)) % 180, 6) % 180
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    return angle, (-s * x0 + c * y0 - s * x1 + c * y1) / 2, (c * (x0 + x1) + s * (y0 + y1)) / 2


def is_straight(bead: Bead) -> bool:
    """True for a bead along one straight line, not a step, without open ends."""
    return len(bead.path) == 2 and bead.die.profile != "step" and not any(bead.open_ends)


def sheet_of(panel: Panel) -> Polygon:
    """The outline as a polygon."""
    return Polygon(panel.outline)

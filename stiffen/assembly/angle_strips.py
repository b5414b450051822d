"""Angle strips: blank, fold line, rows of rivets, the surface in space, the strip as a flat panel.

mm.  The blank has leg 2 from y = 0 and leg 1 beyond the fold; the inner faces are up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from shapely.geometry import Polygon

from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.panel import Fold, Panel
from stiffen.model.sheet_geometry import arc_points
from stiffen.model.tools import Tools
from stiffen.shop.bends import Bend, FlatPattern, flat_pattern

from .leg_strains import leg_strain, strain_text
from .records import AngleStrip

BEND_ANGLE = 90.0  # degrees
END_DIAMETERS = 2.5  # from the end of a strip to its first rivet, as from other edges


def strip_pattern(strip: AngleStrip, tools: Tools) -> FlatPattern:
    """The flat strip: leg 2, the bend, leg 1."""
    bend = Bend(BEND_ANGLE, strip.radius)
    return flat_pattern(strip.legs[::-1], [bend], strip.thickness, tools.folding_brake.neutral)


@dataclass(frozen=True)
class StripSurface:
    """The map from the flat strip to its mid-surface in the frame of the strip; see `AngleStrip`."""

    strip: AngleStrip
    tools: Tools

    @cached_property
    def pattern(self) -> FlatPattern:
        """The flat strip."""
        return strip_pattern(self.strip, self.tools)

    def across(self, v: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distance y from leg 2's outer face, height z over leg 1's, and the direction (n, 2) of growing v in (y, z).

        v: (n,) mm across the flat strip from the edge of leg 2.
        """
        t, inside = self.strip.thickness, self.strip.radius
        flat2, flat1 = self.pattern.flats
        allowance = self.pattern.length - flat1 - flat2
        turn = np.clip((v - flat2) / allowance, 0.0, 1.0) * math.pi / 2
        middle, centre = inside + t / 2, inside + t
        before, after = np.minimum(v - flat2, 0.0), np.maximum(v - flat2 - allowance, 0.0)
        y = centre - middle * np.cos(turn) + after
        z = centre - middle * np.sin(turn) - before
        return y, z, np.column_stack([np.sin(turn), -np.cos(turn)])

    def surface(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions (n, 3) and frames (n, 3, 3) at flat points (n, 2); columns: x, y and normal of the flat strip.

        Along a curved strip the frames tell directions; lengths change by the strain of the leg.
        """
        points = np.asarray(points, dtype=float)[:, :2]
        along, v = self.unrolled(points)
        y, z, direction = self.across(v)
        zero = np.zeros(len(points))
        across = np.column_stack([zero, direction])
        place = np.column_stack([along, y, z])
        x_axis = np.tile([1.0, 0.0, 0.0], (len(points), 1))
        if self.strip.heel_radius is not None:
            place, turn = self._curved(along, y, z)
            x_axis = np.einsum("nij,nj->ni", turn, x_axis)
            across = np.einsum("nij,nj->ni", turn, across)
        frames = np.stack([x_axis, across, np.cross(x_axis, across)], axis=2)
        return place, frames @ self._blank_axes(points)

    def rolled(self, along: np.ndarray, across: np.ndarray) -> np.ndarray:
        """(n, 2) points in the blank, from what `unrolled` gives of them."""
        if self.strip.way == "bent" or self.strip.heel_radius is None:
            return np.column_stack([along, across])
        radius, sign, centre = self._blank_arc
        angle, distance = along / self._leg2_radius, radius - sign * across
        return centre + distance[:, None] * np.column_stack([np.sin(angle), -sign * np.cos(angle)])

    def unrolled(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Length along the heel (n,) and distance across the flat strip (n,) of points (n, 2) in the blank."""
        if self.strip.way == "bent" or self.strip.heel_radius is None:
            return points[:, 0], points[:, 1]
        radius, sign, centre = self._blank_arc
        towards = points - centre
        distance = np.linalg.norm(towards, axis=1)
        angle = np.arctan2(towards[:, 0], -sign * towards[:, 1])
        return angle * self._leg2_radius, sign * (radius - distance)

    def _blank_axes(self, points: np.ndarray) -> np.ndarray:
        """(n, 3, 3): rows are the directions along and across a blank that is cut curved, and its normal."""
        if self.strip.way == "bent" or self.strip.heel_radius is None:
            return np.eye(3)[None]
        _, sign, centre = self._blank_arc
        towards = sign * (centre - points)
        across = towards / np.linalg.norm(towards, axis=1)[:, None]
        axes = np.zeros((len(points), 3, 3))
        axes[:, 0, :2] = np.column_stack([across[:, 1], -across[:, 0]])
        axes[:, 1, :2] = across
        axes[:, 2, 2] = 1.0
        return axes

    @property
    def _leg2_radius(self) -> float:
        """Radius at which the middle of leg 2 stands, mm."""
        assert self.strip.heel_radius is not None
        half = self.strip.thickness / 2
        return self.strip.heel_radius + (half if self.strip.curve == "out" else -half)

    @property
    def _blank_arc(self) -> tuple[float, float, np.ndarray]:
        """Of a blank that is cut curved: radius of leg 2's edge, +1 where the centre lies toward +y, and the centre."""
        flat2, flat1 = self.pattern.flats
        allowance = self.pattern.length - flat1 - flat2
        bend_to_heel = self.strip.radius + self.strip.thickness  # leg 1's flat begins so far from the outer face
        assert self.strip.heel_radius is not None
        if self.strip.curve == "in":
            radius = self.strip.heel_radius - bend_to_heel + allowance + flat2
            return radius, 1.0, np.array([0.0, radius])
        radius = self.strip.heel_radius + bend_to_heel - allowance - flat2
        return radius, -1.0, np.array([0.0, -radius])

    def _curved(self, along: np.ndarray, y: np.ndarray, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Positions (n, 3) on the curved strip, and the rotations (n, 3, 3) about z there."""
        heel = self.strip.heel_radius
        assert heel is not None
        side = 1.0 if self.strip.curve == "in" else -1.0
        angle = side * along / self._leg2_radius
        radius = heel - side * y
        sine, cosine = np.sin(angle), np.cos(angle)
        place = np.column_stack([side * radius * sine, side * (heel - radius * cosine), z])
        zero, one = np.zeros(len(angle)), np.ones(len(angle))
        turn = np.stack(
            [np.stack([cosine, -sine, zero], 1), np.stack([sine, cosine, zero], 1), np.stack([zero, zero, one], 1)], 1
        )
        return place, turn

    @cached_property
    def outline(self) -> tuple[tuple[float, float], ...]:
        """The blank: a rectangle, or a part of a ring for a strip that is cut curved."""
        wide, long = self.pattern.length, self.strip.length
        if self.strip.way == "bent" or self.strip.heel_radius is None:
            return ((0.0, 0.0), (long, 0.0), (long, wide), (0.0, wide))
        radius, sign, centre = self._blank_arc
        sweep = long / self._leg2_radius
        inner = radius - sign * wide
        first = arc_points((0.0, 0.0), radius, 0.0, sweep)
        second = arc_points((0.0, 0.0), inner, sweep, -sweep)
        # Angle a from the y axis: (r sin a, -sign r cos a) about the centre.
        ring = [(math.hypot(x, y), math.atan2(y, x)) for x, y in (*first, *second)]
        return tuple((r * math.sin(a), float(centre[1]) - sign * r * math.cos(a)) for r, a in ring)


def leg_row(strip: AngleStrip, leg: int, diameter: float, tools: Tools) -> tuple[tuple[float, float], ...]:
    """The line of a row of rivets along the middle of a leg's flat, in the blank; 2.5 diameters free at both ends.

    Follows the curve of a blank that is cut curved.
    """
    surface = StripSurface(strip, tools)
    flat2, flat1 = surface.pattern.flats
    across = flat2 / 2 if leg == 2 else surface.pattern.length - flat1 / 2
    end = min(END_DIAMETERS * diameter, strip.length / 3)
    if strip.way == "bent" or strip.heel_radius is None:
        return (end, across), (strip.length - end, across)
    radius, sign, centre = surface._blank_arc
    radius -= sign * across
    first, last = (along / surface._leg2_radius for along in (end, strip.length - end))
    ring = [math.atan2(y, x) for x, y in arc_points((0.0, 0.0), radius, first, last - first)]
    return tuple((radius * math.sin(a), float(centre[1]) - sign * radius * math.cos(a)) for a in ring)


def strip_panel(strip: AngleStrip, tools: Tools, supports: tuple = ()) -> Panel:
    """The strip as a flat panel with its fold, for drawing, template and card.

    Leg 2 of a strip that is cut curved is a curved flange.
    """
    surface = StripSurface(strip, tools)
    line = surface.pattern.bend_lines[0]
    folds: tuple[Fold, ...] = ()
    curved: tuple[CurvedFlange, ...] = ()
    if strip.heel_radius is not None and strip.way == "turned":
        radius, sign, centre = surface._blank_arc
        sweep = math.degrees(strip.length / surface._leg2_radius)
        flange = CurvedFlange(
            (float(centre[0]), float(centre[1])), strip.heel_radius, radius - sign * line, radius,
            -90.0 if sign > 0 else 90.0 - sweep, sweep, sign > 0, BEND_ANGLE, strip.radius, strip.legs[1],
        )  # fmt: skip
        curved = (flange,)
    else:
        folds = (Fold(((0.0, line), (strip.length, line)), BEND_ANGLE, strip.radius),)
    return Panel(
        strip.name, strip.material, (strip.thickness,), surface.outline, tools,
        folds=folds, curved_flanges=curved, shaping=_curving(strip), supports=supports,
    )  # fmt: skip


def _curving(strip: AngleStrip) -> tuple[str, ...]:
    """The step in which a strip that was folded straight is curved; none for the others."""
    strain = leg_strain(strip) if strip.way == "bent" else None
    if strain is None:
        return ()
    way = "to the inside" if strip.curve == "in" else "to the outside"
    return (
        f"Curve it along its heel to R {strip.heel_radius:g} mm, leg 1 {way} of the curve, a little at a time; try it "
        f"against the edge that it follows. {strain_text(strain, strip.way, True).capitalize()}.",
    )


def strip_mass(strip: AngleStrip, tools: Tools) -> float:
    """Mass of one strip, kg."""
    area = Polygon(StripSurface(strip, tools).outline).area
    return area * strip.thickness * strip.material.rho


def strip_notes(strip: AngleStrip, tools: Tools) -> list[str]:
    """How a strip is made, in words: blank, fold, and the strain of a curved leg for its way and for the other one."""
    surface = StripSurface(strip, tools)
    pattern = surface.pattern
    line = pattern.bend_lines[0]
    flat = f"blank {strip.length:.0f} x {pattern.length:.1f} mm, fold line {line:.1f} mm from leg 2's edge"
    if strip.heel_radius is None:
        return [flat]
    if strip.way == "turned":
        radius, sign, _ = surface._blank_arc
        flat = (
            f"blank cut curved: leg 2's edge at radius {radius:.1f} mm, fold line at "
            f"{radius - sign * line:.1f} mm, leg 1's edge at {radius - sign * pattern.length:.1f} mm"
        )
    notes = [flat]
    for way in dict.fromkeys((strip.way, "bent", "turned")):
        strain = leg_strain(strip, way)
        if strain is not None:
            notes.append(strain_text(strain, way, way == strip.way))
    return notes

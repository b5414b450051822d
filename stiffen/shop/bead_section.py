"""The cross-section of a bead: shape, developed length, section properties, strains.

All lengths in mm, to the mid-surface of the sheet.  s runs across the bead from its axis, z toward the face on which
the bead stands proud; z = 0 at both feet, z = depth at the crest.

One half of a profile has four parts, from the foot up: the shoulder arc (radius r_s, tangent to the flat sheet), the
straight flank (length L, angle theta), the nose arc (radius R), and half of the flat top.  With T = R + r_s

    T sin(theta) + L cos(theta) + top/2 = w/2        T (1 - cos(theta)) + L sin(theta) = d

so width and depth are those of the finished bead, radii included.  A vee has top = 0 and solves for theta.  A round
bead is a vee with L = 0, T = (w^2/4 + d^2)/(2 d).  A flat bead has theta given and solves for L and the top.  A step
(joggle, offset) is one half alone, w wide: the sheet on the side of positive s continues at z = depth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from stiffen.errors import Fault, InputError
from stiffen.model.tools import PROFILES, BeadDie

ARC_STEP = math.radians(2.0)  # 2 degrees a chord: the arc length is short by at most 5e-5 of it


class HalfProfile(NamedTuple):
    """One half of a profile, or the ramp of a step: radii (mm), flank angle theta (radians), flank length and half of
    the flat top (mm)."""

    shoulder_radius: float
    nose_radius: float
    theta: float
    flank_length: float
    half_top: float


@dataclass(frozen=True)
class SectionProperties:
    """Section of a bead with the flat sheet beside it.

    width: in plan, mm.  area: mm2.  centroid: mm above the flat sheet's mid-plane.  I: second moment of area about the
    centroid, mm4.  developed: length of the mid-surface, mm.  flat_I: second moment of area of a flat sheet of the
    same plan width, mm4.
    """

    width: float
    area: float
    centroid: float
    I: float
    developed: float
    flat_I: float  # noqa: N815  (the usual symbol)


@lru_cache(maxsize=256)
def half_profile(die: BeadDie) -> HalfProfile:
    """The half profile of a die.  Raises InputError for a die whose sizes contradict each other."""
    _check_die(die)
    if die.profile == "flat":
        return _with_flat_top(die)
    return _without_flat_top(die)


@lru_cache(maxsize=256)
def profile_points(die: BeadDie) -> np.ndarray:
    """Mid-surface across the bead: (k, 2) array of (s, z), mm, from s = -w/2 to w/2, read-only.

    Raises InputError for a die whose sizes contradict each other.
    """
    shoulder, nose, theta, _, top = half_profile(die)
    angles = np.linspace(0.0, theta, 1 + max(4, math.ceil(theta / ARC_STEP)))
    curve = np.column_stack([np.sin(angles), 1 - np.cos(angles)])
    foot = [-die.width / 2, 0.0] + shoulder * curve
    if die.profile == "step":
        points = np.vstack([foot, [die.width / 2, die.depth] - nose * curve[::-1]])
        points[-1] = die.width / 2, die.depth
    else:
        left = np.vstack([foot, [-top, die.depth] - nose * curve[::-1]])
        points = np.vstack([left, (left * [-1, 1])[::-1]])
        points[-1] = die.width / 2, 0.0
    kept = np.append(True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-9)
    points = points[kept]
    points.flags.writeable = False
    return points


def profile_height(die: BeadDie, s: np.ndarray) -> np.ndarray:
    """Height z (mm) at distances s (mm, any shape) from the axis; 0 outside the bead.

    The sign of s counts for a step only, whose height is its depth for all s > w/2.
    """
    points = profile_points(die)
    return np.interp(s, points[:, 0], points[:, 1])


def taper(
    die: BeadDie,
    along: np.ndarray,
    length: float,
    closed: bool = False,
    open_ends: tuple[bool, bool] = (False, False),
) -> np.ndarray:
    """Fraction of the depth, 0 to 1, at distances `along` (mm) from the start of a bead `length` > 0 mm long.

    A half cosine over the run-out at each end (at most half the length), 1 between.  A closed frame has no ends, and an
    open end (start, stop), which runs over the edge of the sheet, keeps its full depth.
    """
    along = np.asarray(along, dtype=float)
    if closed:
        return np.ones_like(along)
    run = min(die.run_out_length, length / 2)
    from_start, to_stop = (
        np.full_like(along, run) if is_open else distance
        for is_open, distance in zip(open_ends, (along, length - along), strict=True)
    )
    to_end = np.clip(np.minimum(from_start, to_stop), 0.0, run)
    return 0.5 * (1 - np.cos(np.pi * to_end / run))


def developed_length(die: BeadDie) -> float:
    """Length S of the mid-surface across the bead, or up the ramp of a step, mm (exact)."""
    shoulder, nose, theta, flank, top = half_profile(die)
    return (1 if die.profile == "step" else 2) * ((shoulder + nose) * theta + flank + top)


def draw_in(die: BeadDie) -> float:
    """mm by which one bead draws the sheet in across itself if the edges can move: S - w."""
    return developed_length(die) - die.width


def stretch_strain(die: BeadDie) -> float:
    """Mean strain across the bead if the edges cannot move: S/w - 1."""
    return developed_length(die) / die.width - 1


def thinning(die: BeadDie) -> float:
    """Fraction of the thickness lost if the edges cannot move: 1 - w/S (constant volume, no strain along the bead)."""
    return 1 - die.width / developed_length(die)


def tightest_radius(die: BeadDie) -> float | None:
    """Smallest mid-surface radius of the die, mm; None if neither is stated (a radius of 0 counts as not stated)."""
    radii = [radius for radius in half_profile(die)[:2] if radius > 0]
    return min(radii, default=None)


def bend_strain(die: BeadDie, t: float) -> float | None:
    """Strain of the outer fibre at the tightest radius, t/(2 R + t), R to the inner face; None if no radius is stated.

    The die's radii are to the mid-surface, so R = radius - t/2, not below 0.
    """
    radius = tightest_radius(die)
    return None if radius is None else t / (2 * max(radius - t / 2, 0.0) + t)


def thin_wall_properties(points: np.ndarray, t: float) -> SectionProperties:
    """Thin-wall properties of a mid-surface line: points (k, 2) of (s, z), mm, s rising; thickness t mm.

    I = t int (z - z_c)^2 ds + t^3/12 int cos^2 ds, exact for the polyline and equal to that of a shell.  A solid
    section whose ends lie flat has t^3/6 int sin^2 ds more (0.5 % for beads of 16 x 6 in 1 mm sheet).  I is about the
    level axis.  A step beside an edge that can tilt bends about its own principal axis, which has a smaller I.
    """
    (across, rise), z = np.diff(points, axis=0).T, points[:, 1]
    ds = np.hypot(across, rise)
    developed = ds.sum()
    centroid = (ds * (z[:-1] + z[1:])).sum() / 2 / developed
    low, high = z[:-1] - centroid, z[1:] - centroid
    about_centroid = (ds * (low * low + low * high + high * high)).sum() / 3
    own = (across**2 / ds).sum() / 12
    width = float(points[-1, 0] - points[0, 0])
    return SectionProperties(
        width=width,
        area=float(t * developed),
        centroid=float(centroid),
        I=float(t * about_centroid + t**3 * own),
        developed=float(developed),
        flat_I=width * t**3 / 12,
    )


def section_properties(die: BeadDie, t: float, width: float) -> SectionProperties:
    """Properties of a bead with flat sheet on both sides, `width` mm wide in plan; thickness t mm.

    Raises InputError if `width` is less than the bead's own.
    """
    if width < die.width - 1e-9:
        raise _die_error(die, f"needs a strip at least {die.width:g} mm wide, got {width:g} mm")
    beside = (width - die.width) / 2
    points = profile_points(die)
    if beside > 1e-9:
        points = np.vstack([[-width / 2, 0.0], points, [width / 2, points[-1, 1]]])
    return thin_wall_properties(points, t)


def _check_die(die: BeadDie) -> None:
    if die.profile not in PROFILES:
        raise _die_error(die, f"unknown profile {die.profile!r}", f"one of {', '.join(PROFILES)}")
    if not (0 < die.width < math.inf and 0 < die.depth < math.inf):
        raise _die_error(die, f"width {die.width:g} and depth {die.depth:g} mm", "both must be greater than 0")
    if not (0 <= die.nose_radius < math.inf and 0 <= die.shoulder_radius < math.inf):
        raise _die_error(die, "a radius is negative or not a number", "0 where it is not known")
    if not 0 <= die.run_out < math.inf:
        raise _die_error(die, f"run-out {die.run_out:g} mm", "0 for 2.5 times the depth")


def _without_flat_top(die: BeadDie) -> HalfProfile:
    w = 2 * die.width if die.profile == "step" else die.width
    d, shoulder = die.depth, die.shoulder_radius
    greatest = (w * w / 4 + d * d) / (2 * d)
    if die.profile == "round":
        if d > w / 2:
            raise _die_error(die, f"a round bead {w:g} mm wide cannot be {d:g} mm deep", f"at most {w / 2:g} mm")
        if shoulder >= greatest:
            what = f"shoulder radius {shoulder:g} mm leaves no nose"
            raise _die_error(die, what, f"less than {greatest:.2f} mm for this width and depth")
        nose = greatest - shoulder
    else:
        nose = die.nose_radius
    both = nose + shoulder
    if both > greatest * (1 + 1e-12):
        what = f"nose and shoulder radius together are {both:g} mm"
        raise _die_error(die, what, f"at most {greatest:.2f} mm for this width and depth")
    # tan(theta/2) from (2 T - d) u^2 - w u + d = 0, the root with the longer flank
    root = math.sqrt(max(0.0, w * w - 4 * d * (2 * both - d)))
    u = 2 * d / (w + root)
    if u > 1 + 1e-12:
        raise _die_error(die, "the flanks would overhang", "less depth or smaller radii")
    flank = 0.0 if die.profile == "round" else root / 2
    return HalfProfile(shoulder, nose, 2 * math.atan(u), flank, 0.0)


def _with_flat_top(die: BeadDie) -> HalfProfile:
    if not 0 < die.flank < 90:
        raise _die_error(die, f"flank angle {die.flank:g} degrees", "greater than 0, less than 90")
    theta, T = math.radians(die.flank), die.nose_radius + die.shoulder_radius
    flank = (die.depth - T * (1 - math.cos(theta))) / math.sin(theta)
    if flank < 0:
        most = die.depth / (1 - math.cos(theta))
        what = f"nose and shoulder radius together are {T:g} mm"
        raise _die_error(die, what, f"at most {most:.2f} mm for this depth and flank angle")
    top = die.width / 2 - T * math.sin(theta) - flank * math.cos(theta)
    if top <= 0:
        what = f"the two flanks need {die.width - 2 * top:.2f} mm, the bead is {die.width:g} mm wide"
        raise _die_error(die, what, "less depth, steeper flanks, smaller radii or more width")
    return HalfProfile(die.shoulder_radius, die.nose_radius, theta, flank, top)


def _die_error(die: BeadDie, message: str, cure: str = "") -> InputError:
    return InputError([Fault(f"bead die {die.name}", message, cure)])

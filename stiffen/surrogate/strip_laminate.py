"""A rolled bead as a laminate: stiffness and mass of a strip of sheet with the profile of a die.

mm, N, MPa.  Axes: s along the strip, n across it, z toward the face on which it stands proud; a strip of width b has
the mid-surface z(c) over its arc c.  <f> = (1/b) integral of f dc; cos a: slope of its wall; D = E t3 / 12 (1 - nu2).

In mixed form (`stiffen.fem.laminate`), from equilibrium of the wall of a strip that is bent to the cylinder of its
neighbours: a wall element carries N_c = N_n cos a across, and the moment M_c = M_n - z N_n, so that

    N_s  = E t <1> e_s + E t <z> k_s + nu <cos a> N_n
    M_s  = E t <z> e_s + (E t <z2> + E t3/12 <cos2 a>) k_s + nu <cos a> M_n
    M_sn = E t3 / 24 (1 + nu) <1> 2 k_sn + <z cos a> N_sn
    e_n  = -nu <cos a> e_s + (<z2>/D + (1 - nu2) <cos2 a>/(E t)) N_n - <z>/D M_n
    g_sn = 2 (1 + nu)/(E t) <1> N_sn - <z cos a> 2 k_sn
    k_n  = -nu <cos a> k_s - <z>/D N_n + <1>/D M_n

<z2>/D is the softness of a bellows.  <z cos a>, and not <z>: a wall that twists by k_sn a mm moves along itself by k_sn
times its distance from the axis, whose integral over the arc is twice the area under the profile (as the sectorial area
of thin-walled bars).  `tests/surrogate` compares with published constants of corrugated sheet and with one period of
true shell.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from stiffen.fem.laminate import flat_sheet, mixed_form
from stiffen.model.tools import BeadDie, HoleDie
from stiffen.shop.bead_section import profile_points

FLANGE_RISE_SHARE = (
    0.6  # of the cone's rise that stiffens: a short ring rolls with the sheet; fitted to the shell model
)
TAPER_STEPS = 8  # shares of the depth at which the run-out of a bead is computed


def strip_mixed_form(points: np.ndarray, E: float, nu: float, t: float) -> np.ndarray:
    """(6, 6) mixed form of a strip whose mid-surface is the polyline `points` (k, 2) of (n, z), mm, n rising."""
    across, rise = np.diff(points, axis=0).T
    arc = np.hypot(across, rise)
    width = float(points[-1, 0] - points[0, 0])
    low, high = points[:-1, 1], points[1:, 1]
    weight = arc / width
    one = float(weight.sum())
    z = float(weight @ (low + high) / 2)
    z2 = float(weight @ (low * low + low * high + high * high) / 3)
    cosine = across / arc
    cos, cos2 = float(weight @ cosine), float(weight @ cosine**2)
    z_cos = float(weight @ (cosine * (low + high) / 2))
    wall, D = E * t, E * t**3 / 12 / (1 - nu**2)
    M = np.zeros((6, 6))  # rows N_s, M_s, M_sn, e_n, g_sn, k_n; columns e_s, k_s, 2 k_sn, N_n, N_sn, M_n
    M[0, 0], M[0, 1], M[1, 0] = wall * one, wall * z, wall * z
    M[1, 1] = wall * z2 + E * t**3 / 12 * cos2
    M[2, 2] = E * t**3 / 24 / (1 + nu) * one
    M[0, 3], M[3, 0], M[1, 5], M[5, 1] = nu * cos, -nu * cos, nu * cos, -nu * cos
    M[2, 4], M[4, 2] = z_cos, -z_cos
    M[3, 3] = z2 / D + (1 - nu**2) * cos2 / wall
    M[3, 5] = M[5, 3] = -z / D
    M[4, 4] = 2 * (1 + nu) / wall * one
    M[5, 5] = one / D
    return M


@lru_cache(maxsize=4096)
def bead_strip(die: BeadDie, share: float, side: str, E: float, nu: float, t: float) -> tuple[np.ndarray, float]:
    """Mixed form of a bead of a die at a share of its depth, and developed length over width; side: up or down.

    Of a step only the ramp is the strip.
    """
    points = profile_points(die) * [1.0, share if side == "up" else -share]
    return strip_mixed_form(points, E, nu, t), _developed_ratio(points)


@lru_cache(maxsize=512)
def raised_sheet(height: float, E: float, nu: float, t: float) -> np.ndarray:
    """Mixed form of flat sheet whose mid-surface lies at a height, mm: as beside a step."""
    return strip_mixed_form(np.array([[0.0, height], [1.0, height]]), E, nu, t)


@lru_cache(maxsize=512)
def flange_strip(die: HoleDie, side: str, E: float, nu: float, t: float) -> tuple[np.ndarray, float]:
    """Mixed form of the cone of a flared hole, as a strip around it; and its developed length over width."""
    sign = 1.0 if side == "up" else -1.0
    points = np.array([[0.0, sign * FLANGE_RISE_SHARE * die.rise], [(die.flange - die.finished) / 2, 0.0]])
    cone = np.hypot(die.rise, points[1, 0]) / points[1, 0]
    return strip_mixed_form(points, E, nu, t), float(cone)


@lru_cache(maxsize=64)
def flat_mixed_form(E: float, nu: float, t: float) -> np.ndarray:
    """(6, 6) mixed form of flat sheet."""
    return mixed_form(flat_sheet(E, nu, t))


def _developed_ratio(points: np.ndarray) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum() / (points[-1, 0] - points[0, 0]))

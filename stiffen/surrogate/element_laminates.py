"""Laminates of a coarse mesh's triangles: flat sheet with the beads and flared holes of a layout smeared into it.

A triangle with a share p of strips gets, in the strips' mean direction, the mean of the mixed forms of flat sheet and
strips; an opening takes its share of the stiffness and mass away.  m is the number of triangles.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stiffen.fem.laminate import Laminate, stiffness_form, strain_rotation
from stiffen.model.layout import Bead, Hole
from stiffen.model.material import Material

from .coverage import OPENING, RAISED, Coverage
from .strip_laminate import TAPER_STEPS, bead_strips, flange_strip, flat_mixed_form, raised_sheets

MIN_SHEET_SHARE = 0.02  # of a triangle's sheet that stays inside an opening, so that the stiffness is regular


def element_laminates(
    count: int,
    axes: np.ndarray,
    shapes: Sequence[tuple[Bead | Hole | None, Coverage]],
    material: Material,
    gauge: float,
) -> Laminate:
    """The laminate of each of `count` triangles in its own frame.

    axes: (m, 2, 2) plan directions (dx, dy) of the triangles' e1 and e2.  shapes: beads, flared holes, and openings
    (None), each with its coverage.
    """
    E, nu, t = material.E, material.nu, gauge
    flat = flat_mixed_form(E, nu, t)
    mixed = np.tile(flat, (count, 1, 1))
    covered, direction, opening = np.zeros(count), np.zeros((count, 2)), np.zeros(count)
    developed, crest = np.ones(count), np.zeros(count)
    for shape, coverage in shapes:
        is_open = coverage.kind == OPENING
        np.add.at(opening, coverage.triangles[is_open], coverage.share[is_open])
        if shape is None:
            continue
        forms, _, heights = _parts(shape, coverage, E, nu, t)
        at, share = coverage.triangles[~is_open], coverage.share[~is_open]
        np.add.at(mixed, at, share[:, None, None] * (forms - flat))
        np.add.at(covered, at, share)
        np.add.at(direction, at, share[:, None] * coverage.direction[~is_open])
        _raise_crests(crest, at, heights)
        own = coverage.by_area or coverage
        _, ratio, _ = _parts(shape, own, E, nu, t)
        is_sheet = own.kind != OPENING
        np.add.at(developed, own.triangles[is_sheet], own.share[is_sheet] * (ratio - 1))
    over = np.flatnonzero(covered > 1)  # samples that two shapes claim
    mixed[over] = flat + (mixed[over] - flat) / covered[over][:, None, None]
    # an opening leaves less sheet; what covers the triangle is a share of the rest
    rest = np.maximum(1 - opening, MIN_SHEET_SHARE)
    axis = _strip_axis(direction, axes)
    R = strain_rotation(axis[:, 0], axis[:, 1])
    C = R.transpose(0, 2, 1) @ stiffness_form(mixed) @ R * rest[:, None, None]
    sheet = np.maximum(developed - opening, MIN_SHEET_SHARE)
    return Laminate(C, material.rho * gauge * sheet, axis, crest)


def _parts(
    shape: Bead | Hole, coverage: Coverage, E: float, nu: float, t: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mixed forms (k, 6, 6), developed lengths over widths and crests of the parts of a shape that are sheet.

    Crests: heights, mm, positive toward the up face.
    """
    sign = 1 if shape.side == "up" else -1
    is_sheet = coverage.kind != OPENING
    step, kind = coverage.taper[is_sheet], coverage.kind[is_sheet]
    if isinstance(shape, Hole):
        form, ratio = flange_strip(shape.die, shape.side, E, nu, t)
        count = len(step)
        return np.tile(form, (count, 1, 1)), np.full(count, ratio), np.full(count, sign * shape.die.rise)
    forms, ratios = bead_strips(shape.die, shape.side, E, nu, t)
    own, ratio = forms[step], ratios[step]
    raised = kind == RAISED
    if raised.any():
        own[raised] = raised_sheets(sign * shape.die.depth, E, nu, t)[step[raised]]
        ratio[raised] = 1.0
    return own, ratio, sign * shape.die.depth * step / TAPER_STEPS


def _raise_crests(crest: np.ndarray, at: np.ndarray, heights: np.ndarray) -> None:
    """Put in signed heights (k,) of triangles `at` (k,) where they are farther from the sheet than `crest` (m,)."""
    order = np.argsort(np.abs(heights), kind="stable")
    at, heights = at[order], heights[order]  # of a triangle the farthest comes last
    farther = np.abs(heights) > np.abs(crest[at])
    crest[at[farther]] = heights[farther]


def _strip_axis(direction: np.ndarray, axes: np.ndarray) -> np.ndarray:
    """(m, 2) cosine and sine from each triangle's e1 to its strips.

    direction: (m, 2) sums of the cosine and sine of twice the angle in plan.
    """
    angle = np.arctan2(direction[:, 1], direction[:, 0]) / 2
    local = np.einsum("mij,mj->mi", axes, np.column_stack([np.cos(angle), np.sin(angle)]))
    return local / np.linalg.norm(local, axis=1)[:, None]

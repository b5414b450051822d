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
from .strip_laminate import TAPER_STEPS, bead_strip, flange_strip, flat_mixed_form, raised_sheet

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
        if shape is not None:
            _add_developed(developed, shape, coverage.by_area or coverage, material, t)
        for kind, step in set(zip(coverage.kind.tolist(), coverage.taper.tolist(), strict=True)):
            part = (coverage.kind == kind) & (coverage.taper == step)
            at, share = coverage.triangles[part], coverage.share[part]
            if kind == OPENING or shape is None:
                opening[at] += share
                continue
            form, _, height = _form(shape, kind, step / TAPER_STEPS, E, nu, t)
            mixed[at] += share[:, None, None] * (form - flat)
            crest[at] = np.where(np.abs(crest[at]) < abs(height), height, crest[at])
            covered[at] += share
            direction[at] += share[:, None] * coverage.direction[part]
    over = np.flatnonzero(covered > 1)  # samples that two shapes claim
    mixed[over] = flat + (mixed[over] - flat) / covered[over][:, None, None]
    # an opening leaves less sheet; what covers the triangle is a share of the rest
    rest = np.maximum(1 - opening, MIN_SHEET_SHARE)
    axis = _strip_axis(direction, axes)
    R = strain_rotation(axis[:, 0], axis[:, 1])
    C = R.transpose(0, 2, 1) @ stiffness_form(mixed) @ R * rest[:, None, None]
    sheet = np.maximum(developed - opening, MIN_SHEET_SHARE)
    return Laminate(C, material.rho * gauge * sheet, axis, crest)


def _add_developed(developed: np.ndarray, shape: Bead | Hole, coverage: Coverage, material: Material, t: float) -> None:
    """Add what a shape's developed length has over its width, (m,) of the triangles' area."""
    for kind, step in set(zip(coverage.kind.tolist(), coverage.taper.tolist(), strict=True)):
        if kind != OPENING:
            part = (coverage.kind == kind) & (coverage.taper == step)
            _, ratio, _ = _form(shape, kind, step / TAPER_STEPS, material.E, material.nu, t)
            developed[coverage.triangles[part]] += coverage.share[part] * (ratio - 1)


def _form(
    shape: Bead | Hole, kind: int, depth: float, E: float, nu: float, t: float
) -> tuple[np.ndarray, float, float]:
    """Mixed form of a part of a shape, developed length over width, and signed height of its crest, mm."""
    sign = 1 if shape.side == "up" else -1
    if isinstance(shape, Hole):
        return *flange_strip(shape.die, shape.side, E, nu, t), sign * shape.die.rise
    height = sign * depth * shape.die.depth
    if kind == RAISED:
        return raised_sheet(height, E, nu, t), 1.0, height
    return *bead_strip(shape.die, depth, shape.side, E, nu, t), height


def _strip_axis(direction: np.ndarray, axes: np.ndarray) -> np.ndarray:
    """(m, 2) cosine and sine from each triangle's e1 to its strips.

    direction: (m, 2) sums of the cosine and sine of twice the angle in plan.
    """
    angle = np.arctan2(direction[:, 1], direction[:, 0]) / 2
    local = np.einsum("mij,mj->mi", axes, np.column_stack([np.cos(angle), np.sin(angle)]))
    return local / np.linalg.norm(local, axis=1)[:, None]

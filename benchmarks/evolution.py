"""Differential evolution of bead lines (R. Storn and K. Price, J. Global Optim. 11 (1997) 341-359), beside the search.

Each bead is six numbers: whether it is there, its die, its direction, its middle and its length.  Directions are the
main ones and steps of 15 degrees.  A bead that breaks a rule of the shop is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import differential_evolution

from stiffen.analysis.screening import quick_utilisation
from stiffen.errors import StiffenError
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules, Group
from stiffen.optimise.search.runner import LayoutRunner
from stiffen.shop.layout_check import audit

DIRECTIONS = (0, 90, 0, 90, 45, 135, 15, 30, 60, 75, 105, 120, 150, 165)  # degrees; the main ones twice as often
LEFT_OUT = 0.15  # first number of a bead up to which it is not there
SHORTEST = 0.4  # length over the free length
POPULATION = 40
BEST = 8  # of what the surrogate ranks, evaluated by the shell
REFUSED = 1e3  # utilisation of a layout that breaks a rule or cannot be evaluated


@dataclass(frozen=True)
class Evolved:
    """What evolution found: least utilisation on the shell's quick mesh, its layout, and how many were evaluated."""

    utilisation: float
    layout: Layout
    evaluations: int


def evolved(
    panel: Panel, gauge: float, evaluations: int, most: int, *, mirrored: bool, by_shell: bool = False, seed: int = 0
) -> Evolved:
    """The best of about so many layouts of at most `most` beads.

    mirrored: layouts have the panel's mirror axes.  by_shell: each is evaluated on the shell's quick mesh; else by the
    surrogate, and the best few by the shell.
    """
    rules = BeadRules(panel, gauge, symmetry.mirror_axes(panel) if mirrored else "")
    dies = [die for die in rules.dies if die.profile != "step"]
    runner = LayoutRunner(panel)
    bare = runner.confirm(rules.layout(()))[1]
    x0, y0, x1, y1 = panel.region.bounds
    known: dict[Layout, float] = {}

    def drawn(numbers: np.ndarray) -> Layout:
        groups: list[Group] = []
        for there, die, direction, x, y, length in numbers.reshape(-1, 6).tolist():
            if there < LEFT_OUT:
                continue
            angle = float(DIRECTIONS[min(int(direction * len(DIRECTIONS)), len(DIRECTIONS) - 1)])
            c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            px, py = x0 + x * (x1 - x0), y0 + y * (y1 - y0)
            bead = rules.straight(
                dies[min(int(die * len(dies)), len(dies) - 1)], angle, round(c * py - s * px), rules.sides[0],
                max(SHORTEST, min(1.0, 1.3 * length)), c * px + s * py,
            )  # fmt: skip
            group = None if bead is None else rules.group(bead)
            others = [one for made in groups for one in made]
            if group is not None and len(others) + len(group) <= most and rules.fits(group, others):
                groups.append(group)
        return rules.layout(groups)

    def by_the_shell(layout: Layout) -> float:
        try:
            return min(quick_utilisation(panel, layout), REFUSED)
        except StiffenError:
            return REFUSED

    def cost(numbers: np.ndarray) -> float:
        layout = drawn(numbers)
        if layout not in known:
            if audit(panel, layout):
                known[layout] = REFUSED
            elif by_shell:
                known[layout] = by_the_shell(layout)
            else:
                known[layout] = min(max(runner.batch([layout], bare)[0], default=0.0), REFUSED)
        return known[layout]

    size = 6 * most
    differential_evolution(
        cost, [(0.0, 1.0)] * size, init=np.random.default_rng(seed).random((POPULATION, size)), seed=seed,
        maxiter=max(1, evaluations // POPULATION - 1), mutation=(0.4, 0.9), recombination=0.7, polish=False,
    )  # fmt: skip
    best = sorted(known, key=known.__getitem__)[: 1 if by_shell else BEST]
    value, number = min((known[one] if by_shell else by_the_shell(one), k) for k, one in enumerate(best))
    return Evolved(value, best[number], len(known))

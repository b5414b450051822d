"""The candidates at one gauge and their one numbering: beads, mirror groups of beads, holes, and their conflicts."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.shop import clearance, layout_check, process_plan
from stiffen.shop.roller_settings import pass_depths

from . import symmetry
from .conflicts import conflict_matrix
from .curved_beads import curved_bead_candidates
from .hole_grid import hole_candidates
from .straight_beads import bead_candidates, fixed_beads_and_holes

BeadNumbers = tuple[int, ...]  # places in `CandidateSet.beads`
Choice = tuple[int, ...]  # numbers of mirror groups, rising


@dataclass(frozen=True, eq=False)
class CandidateSet:
    """The beads and holes that may go in at one gauge.  It alone numbers them.

    Bead number: place in `beads`, the fixed beads first; a surrogate made of `beads` uses the same numbers.
    Group number: a mirror group is a bead and its mirror images, which go in together.  Each fixed bead is a group of
    its own; these groups come first.  A choice (`Choice`) is a rising tuple of group numbers.
    Hole number: place in `holes`, the fixed holes first.

    group_starts: (groups + 1,) number of each group's first bead, as a group's beads follow each other; then the number
    of beads.  bead_conflicts: (beads, beads) and hole_conflicts: (holes, holes) bool, False for what is fixed, as every
    candidate keeps clear of that.  inputs: what the set was made of.
    """

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    group_starts: np.ndarray
    bead_conflicts: np.ndarray
    hole_conflicts: np.ndarray
    fixed_beads: int
    fixed_holes: int
    inputs: tuple = ()

    @classmethod
    def of(
        cls,
        panel: Panel,
        gauge: float,
        mirror_axes: str,
        drawn_beads: tuple[Bead, ...] = (),
        reuse: CandidateSet | None = None,
    ) -> CandidateSet:
        """Everything that the shop's tools can make at one gauge (mm), clear of the panel's fixed beads and holes.

        mirror_axes: axes that beads are mirrored along, as in `symmetry`; "" for none.  drawn_beads: beads from layouts
        that exist; those that can be made join as candidates.  reuse: the set of another gauge, handed back if it was
        made of the same inputs.
        """
        fixed_beads, fixed_holes = fixed_beads_and_holes(panel)
        drawn = tuple(bead for bead in drawn_beads if _can_be_made(panel, gauge, bead, (*fixed_beads, *fixed_holes)))
        beads = drawn + bead_candidates(panel, gauge) + curved_bead_candidates(panel, gauge)
        holes = hole_candidates(panel, gauge)
        kinds = itertools.combinations_with_replacement(("bead", "hole"), 2)
        clearances = tuple(clearance.pair_clearance(panel.tools, a, b, gauge) for a, b in kinds)
        inputs = mirror_axes, beads, holes, clearances
        if reuse is not None and reuse.inputs == inputs:
            return reuse
        groups = symmetry.mirror_groups(panel, gauge, beads, mirror_axes) if mirror_axes else [(b,) for b in beads]
        groups = [group for group in groups if not _images_too_close(panel, gauge, group)]
        beads = tuple(bead for group in groups for bead in group)
        sizes = [*(1 for _ in fixed_beads), *(len(group) for group in groups)]
        n = len(beads)
        conflicts = conflict_matrix(panel, gauge, beads, holes).toarray()
        return cls(
            beads=fixed_beads + beads,
            holes=fixed_holes + holes,
            group_starts=np.cumsum([0, *sizes]),
            bead_conflicts=_padded(conflicts[:n, :n], len(fixed_beads)),
            hole_conflicts=_padded(conflicts[n:, n:], len(fixed_holes)),
            fixed_beads=len(fixed_beads),
            fixed_holes=len(fixed_holes),
            inputs=inputs,
        )

    @classmethod
    def of_single_beads(cls, beads: tuple[Bead, ...], conflicts: np.ndarray) -> CandidateSet:
        """Given beads, each a group of its own, none fixed, without holes; conflicts: (beads, beads) bool."""
        starts = np.arange(len(beads) + 1)
        return cls(beads, (), starts, conflicts, np.zeros((0, 0), bool), fixed_beads=0, fixed_holes=0)

    # ---------------------------------------------------------------------------------- from groups to beads and back

    @cached_property
    def mirror_groups(self) -> tuple[BeadNumbers, ...]:
        """Bead numbers of each group."""
        starts = self.group_starts.tolist()
        return tuple(tuple(range(i, j)) for i, j in zip(starts[:-1], starts[1:], strict=True))

    @cached_property
    def group_of(self) -> np.ndarray:
        """(beads,) group number of each bead."""
        return np.repeat(np.arange(len(self.mirror_groups)), np.diff(self.group_starts))

    @cached_property
    def leading_beads(self) -> tuple[Bead, ...]:
        """The first bead of each group, which stands for the group where groups are compared."""
        return tuple(self.beads[group[0]] for group in self.mirror_groups)

    @property
    def fixed_groups(self) -> Choice:
        """Numbers of the groups that every choice holds."""
        return tuple(range(self.fixed_beads))

    def bead_numbers(self, choice: Choice) -> list[int]:
        """Numbers of the beads of a choice, group by group."""
        return [i for k in choice for i in self.mirror_groups[k]]

    def sum_by_group(self, values: np.ndarray) -> np.ndarray:
        """(groups,) sums of values (beads,) over the beads of each group."""
        return np.add.reduceat(values, self.group_starts[:-1]) if self.beads else np.zeros(0)

    def choice_with(self, bead_numbers: Iterable[int]) -> Choice:
        """The smallest choice that holds these beads: their groups and the fixed ones."""
        return tuple(sorted({*self.fixed_groups, *self.group_of[list(bead_numbers)].tolist()}))

    # -------------------------------------------------------------------------------- from choices to layouts and back

    def layout(self, gauge: float, choice: Choice) -> Layout:
        """The layout of a choice, with the fixed holes."""
        return Layout(gauge, tuple(self.beads[i] for i in self.bead_numbers(choice)), self.holes[: self.fixed_holes])

    def choice_of(self, beads: Iterable[Bead]) -> Choice | None:
        """The choice that these beads and the fixed ones make up; None if they are not whole groups or conflict."""
        asked = {*beads, *self.beads[: self.fixed_beads]}
        numbers = {self._numbers[bead] for bead in asked if bead in self._numbers} | set(range(self.fixed_beads))
        choice = tuple(k for k, group in enumerate(self.mirror_groups) if numbers.issuperset(group))
        if len(self.bead_numbers(choice)) != len(asked) or self.group_conflicts[np.ix_(choice, choice)].any():
            return None
        return choice

    @cached_property
    def _numbers(self) -> dict[Bead, int]:
        return number_beads(self.beads)

    # ------------------------------------------------------------------------------------------------------- conflicts

    @cached_property
    def group_conflicts(self) -> np.ndarray:
        """(groups, groups) bool: a bead of one group conflicts with a bead of the other.  The diagonal is False."""
        n = len(self.beads)
        members = sp.csr_matrix((np.ones(n), (self.group_of, np.arange(n))), (len(self.mirror_groups), n))
        conflicts = (members @ sp.csr_matrix(self.bead_conflicts.astype(float)) @ members.T).toarray() > 0
        np.fill_diagonal(conflicts, False)
        return conflicts


def number_beads(beads: Sequence[Bead]) -> dict[Bead, int]:
    """Bead -> its place in `beads`; of equal beads the first."""
    numbers: dict[Bead, int] = {}
    for number, bead in enumerate(beads):
        numbers.setdefault(bead, number)
    return numbers


def only_fixed(items: tuple) -> tuple:
    """Those of some beads or holes that are fixed."""
    return tuple(item for item in items if item.fixed)


def _padded(conflicts: np.ndarray, fixed: int) -> np.ndarray:
    """Conflicts (n, n) with rows and columns of False before them for as many fixed items."""
    return np.pad(conflicts, ((fixed, 0), (fixed, 0)))


def _images_too_close(panel: Panel, gauge: float, group: tuple[Bead, ...]) -> bool:
    """True where a bead and its mirror images are too close to each other."""
    return any(clearance.too_close(a, b, panel.tools, gauge) for a, b in itertools.combinations(group, 2))


def _can_be_made(panel: Panel, gauge: float, bead: Bead, others: tuple[Bead | Hole, ...]) -> bool:
    """True for a bead that is not fixed and can be made at this gauge (mm) next to the others."""
    if bead.fixed or any(clearance.too_close(bead, other, panel.tools, gauge) for other in others):
        return False
    return not layout_check.audit(panel, Layout(gauge, (bead,)))


def minutes_per_bead(panel: Panel, beads: Sequence[Bead]) -> np.ndarray:
    """(beads,) minutes at the bench for each bead: to mark it, line it up and roll it; without changes of die."""
    roller = panel.tools.roller
    passes = {die: len(pass_depths(die, panel.material)) for die in {bead.die for bead in beads}}
    set_up = process_plan.MINUTES_PER_MARK + roller.set_up_minutes
    return np.array([set_up + passes[b.die] * b.length / roller.hand_speed for b in beads])

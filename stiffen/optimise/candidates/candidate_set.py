"""What may go in at one gauge: beads, alone or with their mirror images, holes, and what excludes what."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Panel
from stiffen.shop import clearance, layout_check, process_plan
from stiffen.shop.roller_settings import pass_depths

from . import symmetry
from .curved_beads import curved_bead_candidates
from .straight_beads import bead_candidates, conflict_matrix, hole_candidates


@dataclass(frozen=True, eq=False)
class CandidateSet:
    """What may go in at one gauge.

    beads and holes: the panel's fixed ones first.  sets: numbers of the beads that go in together (a bead and its
    mirror images), the fixed ones first, alone.  blocked: (n, n) bool over beads, then holes.  offer: what it was made
    of.
    """

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    mirror_groups: tuple[tuple[int, ...], ...]
    conflicts: np.ndarray
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
        """Everything the tools could make, mirrored along the axes `along`; all of it keeps clear of what is fixed.

        own: beads that somebody has drawn; they join where they could be made.  like: the same for another gauge, taken
        over where nothing is different.
        """
        fixed_beads, fixed_holes = only_fixed(panel.beads), only_fixed(panel.holes)
        drawn = tuple(bead for bead in drawn_beads if _can_be_made(panel, gauge, bead, (*fixed_beads, *fixed_holes)))
        beads = drawn + bead_candidates(panel, gauge) + curved_bead_candidates(panel, gauge)
        holes = hole_candidates(panel, gauge)
        pairs = itertools.combinations_with_replacement(("bead", "hole"), 2)
        offer = (
            mirror_axes,
            beads,
            holes,
            tuple(clearance.pair_clearance(panel.tools, a, b, gauge) for a, b in pairs),
        )
        if reuse is not None and reuse.inputs == offer:
            return reuse
        groups = (
            symmetry.mirror_groups(panel, gauge, beads, mirror_axes) if mirror_axes else [(bead,) for bead in beads]
        )
        groups = [group for group in groups if not _images_too_close(panel, gauge, group)]
        beads = tuple(bead for group in groups for bead in group)
        ends = np.cumsum([0, *(len(group) for group in groups)])
        numbers = [range(i, j) for i, j in zip(ends[:-1], ends[1:], strict=True)]
        n, f = len(beads), len(fixed_beads)
        first_hole = f + n + len(fixed_holes)
        place = np.concatenate([f + np.arange(n), first_hole + np.arange(len(holes))])
        blocked = np.zeros((first_hole + len(holes),) * 2, bool)
        blocked[np.ix_(place, place)] = conflict_matrix(panel, gauge, beads, holes).toarray()
        sets: list[tuple[int, ...]] = [(i,) for i in range(f)]
        sets += [tuple(f + i for i in group) for group in numbers]
        return cls(fixed_beads + beads, fixed_holes + holes, tuple(sets), blocked, f, len(fixed_holes), offer)

    def bead_numbers(self, chosen: tuple[int, ...]) -> list[int]:
        """Numbers of the beads of some sets."""
        return [i for k in chosen for i in self.mirror_groups[k]]

    @property
    def grouped_beads(self) -> list[int]:
        """Numbers of all beads, set by set."""
        return self.bead_numbers(tuple(range(len(self.mirror_groups))))

    def layout(self, gauge: float, chosen: tuple[int, ...]) -> Layout:
        """The layout of some sets of beads, and the fixed holes."""
        return Layout(gauge, tuple(self.beads[i] for i in self.bead_numbers(chosen)), self.holes[: self.fixed_holes])

    @property
    def fixed_groups(self) -> tuple[int, ...]:
        """Numbers of the sets that stay."""
        return tuple(range(self.fixed_beads))

    def choice_of(self, beads: tuple[Bead, ...]) -> tuple[int, ...] | None:
        """The sets these beads and the fixed ones are made of; None where there are none or they exclude each other."""
        wanted = {self.beads.index(bead) for bead in beads if bead in self.beads} | set(range(self.fixed_beads))
        chosen = tuple(k for k, one in enumerate(self.mirror_groups) if wanted.issuperset(one))
        whole = len(self.bead_numbers(chosen)) == len({*beads, *self.beads[: self.fixed_beads]})
        return chosen if whole and not self.group_conflicts[np.ix_(chosen, chosen)].any() else None

    @cached_property
    def group_conflicts(self) -> np.ndarray:
        """(sets, sets) bool: sets of which one bead is in the way of another's."""
        n = len(self.beads)
        rows = np.repeat(np.arange(len(self.mirror_groups)), [len(one) for one in self.mirror_groups])
        member = sp.csr_matrix(
            (np.ones(len(rows)), (rows, [i for one in self.mirror_groups for i in one])), (len(self.mirror_groups), n)
        )
        out = (member @ sp.csr_matrix(self.conflicts[:n, :n].astype(float)) @ member.T).toarray() > 0
        np.fill_diagonal(out, False)
        return out


def only_fixed(items: tuple) -> tuple:
    """Those of some beads or holes that stay."""
    return tuple(item for item in items if item.fixed)


def _images_too_close(panel: Panel, gauge: float, group: tuple[Bead, ...]) -> bool:
    """True where a bead and its mirror images are too close to each other."""
    return any(clearance.too_close(a, b, panel.tools, gauge) for a, b in itertools.combinations(group, 2))


def _can_be_made(panel: Panel, gauge: float, bead: Bead, others: tuple[Bead | Hole, ...]) -> bool:
    """True where a bead not fixed could be made at this gauge next to the others."""
    if bead.fixed or any(clearance.too_close(bead, other, panel.tools, gauge) for other in others):
        return False
    return not layout_check.audit(panel, Layout(gauge, (bead,)))


def minutes_per_bead(panel: Panel, beads: tuple[Bead, ...]) -> np.ndarray:
    """(beads,) minutes that each bead adds: to mark it, to line it up, to roll it; change of die left out."""
    roller = panel.tools.roller
    passes = {die: len(pass_depths(die, panel.material)) for die in {bead.die for bead in beads}}
    one = process_plan.MINUTES_PER_MARK + roller.set_up_minutes
    return np.array([one + passes[b.die] * b.length / roller.hand_speed for b in beads])

"""Moves from one choice of beads to a near one: what a person tries who tunes a layout by hand.

A choice is a tuple of mirror groups (`bead_rules.Group`); a move gives a new choice that keeps all rules, or None.
Lengths in mm, angles in degrees.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from stiffen.model.layout import Bead
from stiffen.model.tools import BeadDie
from stiffen.optimise.candidates import symmetry
from stiffen.optimise.candidates.bead_rules import BeadRules, Group, is_straight, line_of
from stiffen.optimise.candidates.regular_patterns import frame_beads

Choice = tuple[Group, ...]
LENGTH_SHARES = (1.0, 0.8, 0.65, 0.5)  # of a line's free length
TURNS = (15.0, -15.0)  # degrees
STRETCHES = (0.08, -0.08, 0.03, -0.03)  # relative change of the distances of all beads from the middle


@dataclass(frozen=True, eq=False)
class MoveMaker:
    """Moves under some limits.

    most_beads, dies_at_most: of the choice.  dies: from which beads are made.  pool: groups that may be added.
    """

    rules: BeadRules
    dies: tuple[BeadDie, ...]
    most_beads: int
    dies_at_most: int
    pool: tuple[Group, ...] = ()

    def moves(self, choice: Choice, step: float, rng: np.random.Generator) -> Iterator[Choice]:
        """New choices in random order, each once, all allowed; step: mm by which beads slide."""
        makers = [*self._single_moves(choice, step), *self._joint_moves(choice), *self._additions(choice, rng)]
        seen = {key_of(choice)}
        for k in rng.permutation(len(makers)):
            made = makers[k]()
            if made is None or not self.allows(made) or key_of(made) in seen:
                continue
            seen.add(key_of(made))
            yield made

    def additions(self, choice: Choice, rng: np.random.Generator) -> Iterator[Choice]:
        """Choices with one group more: beads between and beside those there, then some of the pool."""
        makers = [partial(self._added, choice, make) for make in self._new_beads(choice)]
        makers += [partial(self._with_group, choice, self.pool[int(i)]) for i in rng.permutation(len(self.pool))]
        for make in makers:
            made = make()
            if made is not None and self.allows(made):
                yield made

    def allows(self, choice: Choice) -> bool:
        """True where a choice keeps the limits on beads and dies, counting what is fixed."""
        beads = [*self.rules.fixed[0], *(bead for group in choice for bead in group)]
        return len(beads) <= self.most_beads and len({bead.die for bead in beads}) <= self.dies_at_most

    # ----------------------------------------------------------------------------------------------------- one group

    def _single_moves(self, choice: Choice, step: float) -> Iterator[Callable[[], Choice | None]]:
        for k, group in enumerate(choice):
            lead = group[0]
            for die in self.dies:
                if die != lead.die:
                    yield partial(self._swap, choice, k, partial(self._with_die, lead, die))
            for side in self.rules.sides:
                if side != lead.side:
                    yield partial(self._swap, choice, k, partial(self._with_side, lead, side))
            if not is_straight(lead):
                continue
            for slide in (step, -step):
                yield partial(self._swap, choice, k, partial(self._redrawn, lead, slide=slide))
            for share in LENGTH_SHARES:
                yield partial(self._swap, choice, k, partial(self._redrawn, lead, share=share))
            for turn in TURNS:
                yield partial(self._swap, choice, k, partial(self._redrawn, lead, turn=turn))
            for other in range(k):
                yield partial(self._paired_slide, choice, k, other, step)
                yield partial(self._paired_slide, choice, k, other, -step)

    def _swap(self, choice: Choice, k: int, make: Callable[[], Bead | None]) -> Choice | None:
        """The choice with group k replaced by that of a new bead."""
        group = self.rules.group(make())
        if group is None or not self.rules.fits(group, beads_of(_dropped(choice, k))):
            return None
        return (*choice[:k], group, *choice[k + 1 :])

    def _redrawn(self, bead: Bead, slide: float = 0.0, turn: float = 0.0, share: float | None = None) -> Bead | None:
        """A straight bead on another line, or with another share of its line's free length; other beads unchanged."""
        if not is_straight(bead):
            return bead
        angle, offset, along = line_of(bead)
        if turn:
            c, s = np.cos(np.radians([angle, angle + turn])), np.sin(np.radians([angle, angle + turn]))
            x, y = along * c[0] - offset * s[0], along * s[0] + offset * c[0]
            angle, offset, along = angle + turn, -s[1] * x + c[1] * y, c[1] * x + s[1] * y
        offset = offset + slide
        if angle % 90 == 0:
            offset = self._snapped(angle, float(offset))
        if share is None:
            share = self._share(bead)
        return self.rules.straight(bead.die, angle, float(offset), bead.side, share, float(along))

    def _share(self, bead: Bead) -> float:
        """Length of a straight bead over the free length of its line, at most 1."""
        angle, offset, along = line_of(bead)
        full = self.rules.straight(bead.die, angle, offset, bead.side, 1.0, along)
        return min(1.0, bead.length / full.length) if full else 1.0

    def _snapped(self, angle: float, offset: float) -> float:
        """The nearest offset at a whole number of mm from the middle of the sheet, so that images lie there too."""
        _, middle = symmetry.centre_along_and_across(self.rules.panel, angle)
        return middle + round(offset - middle)

    def _with_die(self, bead: Bead, die: BeadDie) -> Bead | None:
        if is_straight(bead) and die.profile != "step":
            angle, offset, along = line_of(bead)
            return self.rules.straight(die, angle, offset, bead.side, self._share(bead), along)
        return self.rules.made(replace(bead, die=die))

    def _with_side(self, bead: Bead, side: str) -> Bead | None:
        return self.rules.made(replace(bead, side=side))

    def _paired_slide(self, choice: Choice, k: int, other: int, step: float) -> Choice | None:
        """Two groups slid together, as beads beside each other often want to move as one."""
        first, second = choice[k][0], choice[other][0]
        if not (is_straight(first) and is_straight(second)):
            return None
        moved = self._swap(_dropped(choice, other), k - 1, partial(self._redrawn, first, slide=step))
        if moved is None:
            return None
        group = self.rules.group(self._redrawn(second, slide=step))
        if group is None or not self.rules.fits(group, beads_of(moved)):
            return None
        return (*moved, group)

    # ------------------------------------------------------------------------------------------------------ all groups

    def _joint_moves(self, choice: Choice) -> Iterator[Callable[[], Choice | None]]:
        for stretch in STRETCHES:
            yield partial(self._stretched, choice, stretch)
        for share in LENGTH_SHARES:
            yield partial(self._rebuilt, choice, partial(self._redrawn, share=share))
        for die in self.dies:
            yield partial(self._rebuilt, choice, partial(self._with_die, die=die))
        for side in self.rules.sides:
            yield partial(self._rebuilt, choice, partial(self._with_side, side=side))

    def _stretched(self, choice: Choice, stretch: float) -> Choice | None:
        """All straight beads moved away from the middle of the sheet, or toward it, in proportion."""
        x0, y0, x1, y1 = self.rules.panel.region.bounds
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])

        def make(bead: Bead) -> Bead | None:
            if not is_straight(bead):
                return bead
            angle, offset, _ = line_of(bead)
            centre = float(np.array([-np.sin(np.radians(angle)), np.cos(np.radians(angle))]) @ middle)
            return self._redrawn(bead, slide=round(stretch * (offset - centre)))

        return self._rebuilt(choice, make)

    def _rebuilt(self, choice: Choice, make: Callable[[Bead], Bead | None]) -> Choice | None:
        """The choice with a new lead bead for every group."""
        out: list[Group] = []
        for group in choice:
            made = self.rules.group(make(group[0]))
            if made is None or not self.rules.fits(made, beads_of(tuple(out))):
                return None
            out.append(made)
        return tuple(out)

    # ----------------------------------------------------------------------------------------------- add, drop, replace

    def _additions(self, choice: Choice, rng: np.random.Generator) -> Iterator[Callable[[], Choice | None]]:
        for k in range(len(choice)):
            yield partial(_dropped, choice, k)
        for make in self._new_beads(choice):
            yield partial(self._added, choice, make)
            if choice:
                yield partial(self._added, _dropped(choice, int(rng.integers(len(choice)))), make)
        for i in rng.permutation(len(self.pool))[:8]:
            group = self.pool[int(i)]
            yield partial(self._with_group, choice, group)
            if choice:
                yield partial(self._with_group, _dropped(choice, int(rng.integers(len(choice)))), group)

    def _new_beads(self, choice: Choice) -> Iterator[Callable[[], Bead | None]]:
        """Beads like those there, half way between two of them and beside the outer ones; frames of their dies."""
        lines: dict[tuple, list[float]] = {}
        for group in choice:
            for bead in group:
                if is_straight(bead):
                    angle, offset, _ = line_of(bead)
                    lines.setdefault((bead.die, angle, bead.side), []).append(offset)
        for (die, angle, side), offsets in lines.items():
            span = self.rules.span(die, angle)
            if span is None:
                continue
            marks = sorted({span[0], *offsets, span[1]})
            for low, high in zip(marks, marks[1:], strict=False):
                yield partial(self.rules.straight, die, angle, round((low + high) / 2), side)
        for die, side in dict.fromkeys((group[0].die, group[0].side) for group in choice):
            if die.profile != "step":
                yield from (partial(_same, ring) for ring in frame_beads(self.rules, die, side))

    def _added(self, choice: Choice, make: Callable[[], Bead | None]) -> Choice | None:
        group = self.rules.group(make())
        return None if group is None else self._with_group(choice, group)

    def _with_group(self, choice: Choice, group: Group) -> Choice | None:
        return (*choice, group) if self.rules.fits(group, beads_of(choice)) else None


def _same(bead: Bead) -> Bead:
    return bead


def _dropped(choice: Choice, k: int) -> Choice:
    return (*choice[:k], *choice[k + 1 :])


def beads_of(choice: Choice) -> list[Bead]:
    """All beads of a choice."""
    return [bead for group in choice for bead in group]


def key_of(choice: Choice) -> frozenset:
    """Equal for choices whose beads lie in the same places to 0.1 mm."""
    return frozenset(map(symmetry.place_key, beads_of(choice)))


def first_new(moves: Iterator[Choice], known: Container[frozenset], count: int) -> list[Choice]:
    """The first moves whose `key_of` is not known."""
    out = []
    for choice in moves:
        if key_of(choice) not in known:
            out.append(choice)
            if len(out) == count:
                break
    return out


def sort_key(choice: Choice) -> list[str]:
    """A fixed order of choices."""
    return sorted(map(repr, key_of(choice)))


def both_moves(maker: MoveMaker, base: Choice, one: Choice, other: Choice) -> Choice | None:
    """Two moves from one choice made together; None if both change the same group, or the result breaks a rule."""
    if one is other or len(one) != len(base) or len(other) != len(base):
        return None
    joined: list[Group] = []
    changed = 0
    for old, a, b in zip(base, one, other, strict=True):
        if a != old and b != old:
            return None
        joined.append(a if a != old else b)
        changed += (a != old) + (b != old)
    if changed < 2:
        return None
    made: list[Group] = []
    for group in joined:
        if not maker.rules.fits(group, beads_of(tuple(made))):
            return None
        made.append(group)
    return tuple(made) if maker.allows(tuple(made)) else None

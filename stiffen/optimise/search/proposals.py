"""Generates layouts to evaluate with the shell model, in order, where the surrogate cannot rank them.

First come the initial choices; then regular layouts (parallel beads of one die in one direction, or a frame): of each
family the one of most beads and one of few; then more and fewer beads of the best family, as long as that helps; then,
in turn, a random move on the best choice so far and the next of the other regular layouts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.regular_patterns import best_per_count, by_family

from .local_search import SelectionObjective

Chosen = tuple[int, ...]  # candidate numbers, rising


@dataclass(eq=False)
class Proposals:
    """An endless sequence of choices to evaluate; later ones build on the best of those recorded.

    large_deflection: the surrogate does not cover the demand that governs, so the order of families decides; else the
    surrogate's order is kept.  best, best_utilisation: the best choice recorded, and its value.
    """

    objective: SelectionObjective
    candidates: CandidateSet
    seed: int
    initial_choices: tuple[Chosen, ...]
    regular_choices: list[Chosen]
    large_deflection: bool
    best: Chosen = field(init=False)
    best_utilisation: float = field(init=False, default=math.inf)
    _sequence: Iterator[Chosen] = field(init=False)

    def __post_init__(self) -> None:
        self.best = self.candidates.fixed_groups
        self._sequence = self._choices()

    def next(self) -> Chosen:
        """The next choice to evaluate.  The last one should be recorded before."""
        return next(self._sequence)

    def record(self, choice: Chosen, utilisation: float) -> bool:
        """Record the utilisation of a choice; True if it is the lowest so far."""
        is_best = utilisation < self.best_utilisation
        if is_best:
            self.best, self.best_utilisation = choice, utilisation
        return is_best

    def _choices(self) -> Iterator[Chosen]:
        """All proposals.  For the lightest layout, choices that miss a frequency on the surrogate are left out."""
        objective, seen = self.objective, set()
        promising = best_per_count(self.regular_choices, objective.gains(self.candidates.fixed_groups))
        ranked = sorted(promising, key=lambda one: objective.evaluate(one).rank)
        in_order = self._by_family_and_count() if self.large_deflection else iter(ranked)
        for choice in itertools.chain(self.initial_choices, ranked[:1], in_order):
            if choice not in seen and self._meets_frequencies(choice):
                seen.add(choice)
                yield choice
        others = (*ranked, *self.regular_choices) if self.large_deflection else ()
        rest = iter([one for one in others if one not in seen])
        rng = np.random.default_rng(self.seed)
        while True:
            yield self._random_move(rng)
            for choice in rest:
                if choice not in seen and self._meets_frequencies(choice):
                    seen.add(choice)
                    yield choice
                    break

    def _meets_frequencies(self, choice: Chosen) -> bool:
        """True if a choice misses no frequency by more than the surrogate's error, and always for the stiffest."""
        objective = self.objective
        frequencies = [i for i, demand in enumerate(objective.panel.demands) if demand.kind == "frequency"]
        if objective.stiffest or not frequencies:
            return True
        utilisations = objective.utilisations(objective.respond(choice))
        return all(utilisations[i] <= objective.settings.surrogate_reject_limit for i in frequencies)

    def _by_family_and_count(self) -> Iterator[Chosen]:
        """Of each family, the best on the surrogate first, the choice of most beads and one of few, which may avoid an
        obstacle; then the best family's choices of one bead more or fewer than its best.
        """
        objective, settings = self.objective, self.objective.settings
        families = by_family(self.regular_choices, self.candidates.leading_beads)
        families.sort(key=lambda family: objective.evaluate(family[-1]).utilisation)
        best_family, place = [], 0
        for family in families[: settings.max_regular_families]:
            for k in dict.fromkeys((len(family) - 1, len(family) // settings.sparse_family_divisor)):
                yield family[k]
                if self.best == family[k]:
                    best_family, place = family, k
        done = {place}
        while near := [k for k in (place + 1, place - 1) if 0 <= k < len(best_family) and k not in done]:
            done.add(near[0])
            yield best_family[near[0]]
            if self.best == best_family[near[0]]:
                place = near[0]

    def _random_move(self, rng: np.random.Generator) -> Chosen:
        """The best choice with a bead added, dropped, nudged or swapped at random."""
        objective, settings = self.objective, self.objective.settings
        removable = [i for i in self.best if i not in self.candidates.fixed_groups]
        swap = removable and rng.random() >= settings.random_add_probability
        removed = int(rng.choice(removable)) if swap else None
        rest = self.best if removed is None else tuple(i for i in self.best if i != removed)
        allowed = objective.allowed(rest)
        draw = rng.random()
        if removed is not None and draw < settings.random_drop_probability:
            return rest
        pick: list[int] = []
        nudge = draw < settings.random_drop_probability + settings.random_nudge_probability
        if removed is not None and objective.neighbours and nudge:
            pick = [i for i in objective.neighbours[removed] if allowed[i]]
        if not pick and draw > 1 - settings.random_ranked_probability:
            pick = objective.ranked_additions(rest, np.ones(len(allowed)))
        pick = pick or np.flatnonzero(allowed).tolist()
        return tuple(sorted((*rest, int(rng.choice(pick))))) if pick else rest

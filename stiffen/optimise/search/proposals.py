"""Which layouts are worth the judge's time, one after the other, where the scout cannot say.

First what a hand would draw: of each kind (die, direction, frames) the fullest and one with few beads; then up and down
in number from the best, as long as that helps; then, turn about, the other hand layouts and the best so far with a bead
added, dropped, nudged or swapped by chance.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.regular_patterns import best_per_count, by_family

from .local_search import SelectionObjective

SURROGATE_REJECT_LIMIT = 1.15  # a scout's best worse than this is not shown to the judge

MAX_REGULAR_FAMILIES = 10  # kinds of hand layouts, by the scout

Improvements = list[
    tuple[float, tuple[int, ...]]
]  # (badness, choice) of those that were the best so far, the latest last


def propose(
    objective: SelectionObjective,
    candidates: CandidateSet,
    seed: int,
    initial_choices: tuple[tuple[int, ...], ...],
    regular_choices: list[tuple[int, ...]],
    large_deflection: bool,
    improvements: Improvements,
) -> Iterator[tuple[int, ...]]:
    """Choices in the order in which to judge them, without end; the caller adds to `best` what is better.

    starts: choices to begin with.  heavy: the scout has no say about the demand that counts; else its order is kept.
    Where the lightest is asked for, layouts that fail a frequency on the scout are left out.
    """
    seen: set[tuple[int, ...]] = set()
    ranked = sorted(
        best_per_count(regular_choices, objective.gains(candidates.fixed_groups)),
        key=lambda one: objective.evaluate(one).rank,
    )
    in_turn = _by_bead_count(objective, candidates, regular_choices, improvements) if large_deflection else iter(ranked)
    for chosen in itertools.chain(initial_choices, ranked[:1], in_turn):
        if chosen not in seen and _passes_frequencies(objective, chosen):
            seen.add(chosen)
            yield chosen
    rest = iter([one for one in (*ranked, *regular_choices) if one not in seen] if large_deflection else [])
    rng = np.random.default_rng(seed)
    while True:
        yield _random_move(objective, candidates, improvements[-1][1], rng)
        for chosen in rest:
            if chosen not in seen and _passes_frequencies(objective, chosen):
                seen.add(chosen)
                yield chosen
                break


def _passes_frequencies(objective: SelectionObjective, chosen: tuple[int, ...]) -> bool:
    """Whether a choice passes the frequencies on the scout, or the stiffest is asked for."""
    hertz = [i for i, d in enumerate(objective.panel.demands) if d.kind == "frequency"]
    if not objective.target or not hertz:
        return True
    bad = objective.utilisations(objective.respond(chosen))
    return all(bad[i] <= SURROGATE_REJECT_LIMIT for i in hertz)


def _by_bead_count(
    objective: SelectionObjective,
    candidates: CandidateSet,
    regular_choices: list[tuple[int, ...]],
    improvements: Improvements,
) -> Iterator[tuple[int, ...]]:
    """The fullest of each likely kind, those first that the scout finds best, and one with a third of its beads, as
    full ones may meet an obstacle; then the best kind's next fewer and next more.
    """
    rows = by_family(regular_choices, candidates.leading_beads)
    rows = sorted(rows, key=lambda row: objective.evaluate(row[-1]).utilisation)[:MAX_REGULAR_FAMILIES]
    row, place = [], 0
    for one in rows:
        for k in dict.fromkeys((len(one) - 1, len(one) // 3)):
            yield one[k]
            if improvements[-1][1] == one[k]:
                row, place = one, k
    done = {place}
    while near := [k for k in (place + 1, place - 1) if 0 <= k < len(row) and k not in done]:
        done.add(near[0])
        yield row[near[0]]
        if improvements[-1][1] == row[near[0]]:
            place = near[0]


def _random_move(
    objective: SelectionObjective, candidates: CandidateSet, choice: tuple[int, ...], rng: np.random.Generator
) -> tuple[int, ...]:
    """A choice with a bead added, dropped, nudged or swapped by chance."""
    loose = [i for i in choice if i not in candidates.fixed_groups]
    out = int(rng.choice(loose)) if loose and rng.random() >= 0.4 else None
    rest = choice if out is None else tuple(i for i in choice if i != out)
    allowed = objective.allowed(rest)
    draw = rng.random()
    if out is not None and draw < 0.3:
        return rest
    near = (
        [i for i in objective.neighbours[out] if allowed[i]]
        if out is not None and objective.neighbours and draw < 0.65
        else []
    )
    pick = (
        near
        or (objective.ranked_additions(rest, np.ones(len(allowed))) if draw > 0.8 else [])
        or list(np.flatnonzero(allowed))
    )
    return tuple(sorted((*rest, int(rng.choice(pick))))) if pick else rest

"""Which layouts are worth the judge's time, one after the other, where the scout cannot say.

First what a hand would draw: of each kind (die, direction, frames) the fullest and one with few beads; then up and down
in number from the best, as long as that helps; then, turn about, the other hand layouts and the best so far with a bead
added, dropped, nudged or swapped by chance.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from stiffen.optimise.candidates.candidate_set import Pool
from stiffen.optimise.candidates.regular_patterns import kinds, promising

from .local_search import Chooser

HOPELESS = 1.15  # a scout's best worse than this is not shown to the judge

LIKELY = 10  # kinds of hand layouts, by the scout

Tried = list[tuple[float, tuple[int, ...]]]  # (badness, choice) of those that were the best so far, the latest last


def looks(
    chooser: Chooser,
    pool: Pool,
    seed: int,
    starts: tuple[tuple[int, ...], ...],
    hands: list[tuple[int, ...]],
    heavy: bool,
    best: Tried,
) -> Iterator[tuple[int, ...]]:
    """Choices in the order in which to judge them, without end; the caller adds to `best` what is better.

    starts: choices to begin with.  heavy: the scout has no say about the demand that counts; else its order is kept.
    Where the lightest is asked for, layouts that fail a frequency on the scout are left out.
    """
    seen: set[tuple[int, ...]] = set()
    ranked = sorted(promising(hands, chooser.worth(pool.fixed)), key=lambda one: chooser.weigh(one).key)
    in_turn = _climbed(chooser, pool, hands, best) if heavy else iter(ranked)
    for chosen in itertools.chain(starts, ranked[:1], in_turn):
        if chosen not in seen and _may_do(chooser, chosen):
            seen.add(chosen)
            yield chosen
    rest = iter([one for one in (*ranked, *hands) if one not in seen] if heavy else [])
    rng = np.random.default_rng(seed)
    while True:
        yield _changed(chooser, pool, best[-1][1], rng)
        for chosen in rest:
            if chosen not in seen and _may_do(chooser, chosen):
                seen.add(chosen)
                yield chosen
                break


def _may_do(chooser: Chooser, chosen: tuple[int, ...]) -> bool:
    """Whether a choice passes the frequencies on the scout, or the stiffest is asked for."""
    hertz = [i for i, d in enumerate(chooser.panel.demands) if d.kind == "frequency"]
    if not chooser.goal or not hertz:
        return True
    bad = chooser.bad(chooser.respond(chosen))
    return all(bad[i] <= HOPELESS for i in hertz)


def _climbed(chooser: Chooser, pool: Pool, hands: list[tuple[int, ...]], best: Tried) -> Iterator[tuple[int, ...]]:
    """The fullest of each likely kind, those first that the scout finds best, and one with a third of its beads, as
    full ones may meet an obstacle; then the best kind's next fewer and next more.
    """
    rows = kinds(hands, tuple(pool.beads[one[0]] for one in pool.sets))
    rows = sorted(rows, key=lambda row: chooser.weigh(row[-1]).worst)[:LIKELY]
    row, place = [], 0
    for one in rows:
        for k in dict.fromkeys((len(one) - 1, len(one) // 3)):
            yield one[k]
            if best[-1][1] == one[k]:
                row, place = one, k
    done = {place}
    while near := [k for k in (place + 1, place - 1) if 0 <= k < len(row) and k not in done]:
        done.add(near[0])
        yield row[near[0]]
        if best[-1][1] == row[near[0]]:
            place = near[0]


def _changed(chooser: Chooser, pool: Pool, now: tuple[int, ...], rng: np.random.Generator) -> tuple[int, ...]:
    """A choice with a bead added, dropped, nudged or swapped by chance."""
    loose = [i for i in now if i not in pool.fixed]
    out = int(rng.choice(loose)) if loose and rng.random() >= 0.4 else None
    rest = now if out is None else tuple(i for i in now if i != out)
    allowed = chooser.allowed(rest)
    draw = rng.random()
    if out is not None and draw < 0.3:
        return rest
    near = [i for i in chooser.near[out] if allowed[i]] if out is not None and chooser.near and draw < 0.65 else []
    pick = near or (chooser.ranked(rest, np.ones(len(allowed))) if draw > 0.8 else []) or list(np.flatnonzero(allowed))
    return tuple(sorted((*rest, int(rng.choice(pick))))) if pick else rest

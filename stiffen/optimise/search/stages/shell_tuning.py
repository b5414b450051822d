"""Tuning by the shell model, for goal "stiffest": among good layouts the surrogate's few percent of error decide."""

from __future__ import annotations

import numpy as np

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.bead_rules import is_straight, line_of
from stiffen.shop import layout_check

from ..budget import Budget
from ..state import SearchState
from .gauge_search import GaugeSearch, Trial
from .moves import Choice, MoveMaker, beads_of, first_new, key_of

LEADERS = 10  # layouts of the stages that the shell compares
ALIKE = 3  # of these, with the same number of beads, dies and directions
MOVES = 16  # that the surrogate evaluates in a round
ASKED = 4  # of these, by the shell model
FIRST_STEP = 12.0  # mm by which beads slide in the first round
SHELL_TUNING = 2  # part of the seed: other random numbers than those of the stages


def tune_by_shell(
    state: SearchState, budget: Budget, searched: list[GaugeSearch], limits: tuple[int, int]
) -> Layout | None:
    """The stiffest layout on the quick mesh of the shell: of the best of all stages, and of moves from it.

    limits: largest numbers of beads and of dies.  None where nothing was found.
    """
    asked: dict[frozenset, tuple[float, GaugeSearch, Trial]] = {}

    def ask(search: GaugeSearch, trials: list[Trial]) -> None:
        new = {key_of(one.choice): one for one in trials if key_of(one.choice) not in asked}
        layouts = [search.rules.layout(one.choice) for one in new.values()]
        worst = state.evaluator.expected(layouts)
        asked.update(
            (key, (round(value, 6), search, one)) for (key, one), value in zip(new.items(), worst, strict=True)
        )

    for search in searched:
        state.report(f"{search.gauge:g} mm: comparing the best layouts by the shell model")
        ask(search, _leaders(state, search))
    step = FIRST_STEP
    for number in range(state.effort.shell_rounds):
        if budget.is_spent or not asked:
            state.cut_short = state.cut_short or budget.is_spent
            break
        value, search, best = _least(asked)
        state.report(f"{search.gauge:g} mm: moving beads by the shell model, round {number + 1}")
        maker = MoveMaker(search.rules, search.dies, *limits, search.pool)
        rng = np.random.default_rng([state.seed, round(1000 * search.gauge), number, SHELL_TUNING])
        choices = first_new(maker.moves(best.choice, step, rng), asked, MOVES)
        guesses = state.runner.confirm(search.rules.layout(best.choice))[1]
        trials = sorted(search.evaluate(choices, guesses), key=search.order)
        ask(search, [one for one in trials if _keeps_rules(state, search, one)][:ASKED])
        if _least(asked)[0] >= state.settings.improvement * value:
            step = max(step / 2, state.settings.last_slide)
    if not asked:
        return None
    _, search, best = _least(asked)
    return search.rules.layout(best.choice)


def _least(asked: dict[frozenset, tuple[float, GaugeSearch, Trial]]) -> tuple[float, GaugeSearch, Trial]:
    return min(asked.values(), key=lambda one: (one[0], one[1].order(one[2])))


def _leaders(state: SearchState, search: GaugeSearch) -> list[Trial]:
    """The best trials of all stages, few of a kind."""
    out: list[Trial] = []
    kinds: dict[tuple, int] = {}
    for trial in sorted(search.known.values(), key=search.order):
        kind = _kind(trial.choice)
        if not trial.choice or kinds.get(kind, 0) == ALIKE or not _keeps_rules(state, search, trial):
            continue
        kinds[kind] = kinds.get(kind, 0) + 1
        out.append(trial)
        if len(out) == LEADERS:
            break
    return out


def _kind(choice: Choice) -> tuple:
    """The same for choices of as many beads with the same dies, faces and directions."""
    return tuple(
        sorted(
            (bead.die.name, bead.side, f"{line_of(bead)[0]:.0f}" if is_straight(bead) else str(bead.closed))
            for bead in beads_of(choice)
        )
    )


def _keeps_rules(state: SearchState, search: GaugeSearch, trial: Trial) -> bool:
    return not layout_check.audit(state.panel, search.rules.layout(trial.choice))

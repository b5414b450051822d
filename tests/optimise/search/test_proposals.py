"""Proposals of a direct search: their order, and that they build on the best choice recorded."""

import itertools

import numpy as np
import pytest
from support.panels import lid

from stiffen.model.panel import Demand
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.regular_patterns import regular_layouts
from stiffen.optimise.candidates.straight_beads import main_directions
from stiffen.optimise.search.gauge_search import selection_objective
from stiffen.optimise.search.proposals import Proposals
from stiffen.surrogate.stiffened_plate import stiffened_plate

PANEL = lid(300.0, 240.0, demands=(Demand("frequency", 90.0),))


@pytest.fixture(scope="module")
def parts():
    candidates = CandidateSet.of(PANEL, 1.0, "")
    objective = selection_objective(PANEL, candidates, stiffened_plate(PANEL, 1.0, candidates.beads))
    found = regular_layouts(candidates.beads, candidates.bead_conflicts, main_directions(PANEL))
    return objective, candidates, [candidates.choice_with(numbers) for numbers in found]


def proposals(parts, initial_choices=(), large_deflection=True):
    objective, candidates, regular = parts
    return Proposals(objective, candidates, 0, initial_choices, regular, large_deflection)


def test_an_initial_choice_comes_first_and_families_do_not_repeat_it(parts):
    objective, _, regular = parts
    initial = next(one for one in regular if proposals(parts)._meets_frequencies(one))
    sequence = proposals(parts, (initial,))
    made = [sequence.next() for _ in range(10)]
    assert made[0] == initial and len(set(made)) == 10
    assert all(objective.is_feasible(choice) for choice in made)


@pytest.mark.parametrize("large_deflection", [True, False])
def test_the_same_seed_and_values_give_the_same_proposals(parts, large_deflection):
    def run():
        sequence, made = proposals(parts, large_deflection=large_deflection), []
        for k in range(60):
            made.append(sequence.next())
            sequence.record(made[-1], 1 / (1 + (7 * k) % 13))
        return made, sequence.best, sequence.best_utilisation

    assert run() == run()


def test_random_moves_change_the_best_choice_by_one_bead(parts):
    sequence = proposals(parts)
    best = max(parts[2], key=len)
    assert sequence.record(best, 0.9) and not sequence.record((), 0.9) and sequence.best == best
    rng = np.random.default_rng(1)
    for choice in itertools.islice(iter(lambda: sequence._random_move(rng), None), 100):
        assert len(set(choice) - set(best)) <= 1 and len(set(best) - set(choice)) <= 1

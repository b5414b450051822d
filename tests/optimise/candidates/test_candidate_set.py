"""The numbering of candidates: from choices to layouts and back, and the conflicts of whole mirror groups."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import lid

from stiffen.model.layout import Layout
from stiffen.optimise.candidates.candidate_set import CandidateSet, number_beads
from stiffen.shop import clearance, layout_check


@pytest.fixture(scope="module")
def mirrored():
    """Candidates mirrored along both axes, beside one fixed bead that is its own image."""
    panel = lid(300.0, 240.0)
    free = CandidateSet.of(panel, 1.0, "xy")
    own_image = next(group for group in free.mirror_groups if len(group) == 1)
    fixed = replace(free.beads[own_image[0]], fixed=True)
    panel = replace(panel, beads=(fixed,))
    return panel, CandidateSet.of(panel, 1.0, "xy")


def test_groups_share_out_the_beads_fixed_ones_first(mirrored):
    panel, found = mirrored
    assert found.beads[:1] == panel.beads and found.fixed_groups == (0,)
    assert found.bead_numbers(range(len(found.mirror_groups))) == list(range(len(found.beads)))
    assert {len(group) for group in found.mirror_groups} == {1, 2, 4}
    assert all(found.group_of[i] == k for k, group in enumerate(found.mirror_groups) for i in group)
    assert found.leading_beads == tuple(found.beads[group[0]] for group in found.mirror_groups)
    assert found.sum_by_group(np.ones(len(found.beads))).tolist() == [len(group) for group in found.mirror_groups]


def test_layout_of_a_choice_leads_back_to_it(mirrored):
    panel, found = mirrored
    for choice in [(0,)] + [(0, k) for k in range(1, len(found.mirror_groups), 29)]:
        layout = found.layout(1.0, choice)
        assert layout_check.audit(panel, layout) == ()
        assert found.choice_of(layout.beads) == choice
        assert found.choice_of(reversed(layout.beads)) == choice, "whatever their order"
        assert found.choice_with(found.bead_numbers(choice)) == choice


def test_no_choice_for_part_of_a_group_for_strangers_or_for_conflicts(mirrored):
    _, found = mirrored
    group = next(group for group in found.mirror_groups if len(group) == 4)
    assert found.choice_of(found.beads[i] for i in group[:3]) is None
    assert found.choice_with(group[:1]) == (0, found.group_of[group[0]])
    moved = replace(found.beads[5], path=tuple((x + 0.1, y) for x, y in found.beads[5].path))
    assert found.choice_of((moved,)) is None
    first, second = np.argwhere(found.group_conflicts)[0]
    assert found.choice_of(found.layout(1.0, (first, second)).beads) is None


def test_groups_conflict_where_two_of_their_beads_do(mirrored):
    panel, found = mirrored
    assert not found.group_conflicts[0].any(), "candidates keep clear of what is fixed"
    rng = np.random.default_rng(0)
    for j, k in rng.integers(1, len(found.mirror_groups), size=(300, 2)):
        pairs = [(found.beads[a], found.beads[b]) for a in found.mirror_groups[j] for b in found.mirror_groups[k]]
        clash = any(clearance.too_close(a, b, panel.tools, 1.0) for a, b in pairs)
        assert found.group_conflicts[j, k] == (clash and j != k)


def test_a_set_is_reused_where_nothing_differs(mirrored):
    panel, found = mirrored
    assert CandidateSet.of(panel, 1.0, "xy", reuse=found) is found
    assert CandidateSet.of(panel, 1.0, "x", reuse=found).inputs != found.inputs


def test_of_equal_beads_the_first_has_the_number(mirrored):
    beads = mirrored[1].beads[:3]
    assert number_beads((*beads, beads[1])) == {beads[0]: 0, beads[1]: 1, beads[2]: 2}


def test_a_drawn_bead_joins_where_it_can_be_made():
    panel = lid(300.0, 240.0)
    some = min(CandidateSet.of(panel, 1.0, "").beads[:3], key=lambda bead: bead.length)
    moved = replace(some, path=tuple((x + 0.37, y) for x, y in some.path))
    outside = replace(some, path=tuple((x + 300.0, y) for x, y in some.path))
    found = CandidateSet.of(panel, 1.0, "", (moved, outside))
    assert moved in found.beads and outside not in found.beads
    assert found.choice_of((moved,)) is not None
    assert found.layout(1.0, ()) == Layout(1.0)

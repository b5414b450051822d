"""All candidates: each of them can be made, none is missing that should be there, conflicts as the rules have them."""

from dataclasses import replace

import numpy as np
import pytest
from support.busy_panel import BUSY, DIES, HOLE_DIES, RECTANGLE
from support.candidates import candidates_of

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.optimise.candidates import hole_grid, straight_beads
from stiffen.shop import clearance, layout_check


@pytest.fixture(scope="module", params=[RECTANGLE, BUSY], ids=lambda panel: panel.name)
def made(request):
    return request.param, candidates_of(request.param, 1.0)


def fixed_layout(panel, *features):
    beads, holes = straight_beads.fixed_beads_and_holes(panel)
    beads += tuple(feature for feature in features if isinstance(feature, Bead))
    holes += tuple(feature for feature in features if isinstance(feature, Hole))
    return Layout(1.0, beads, holes)


def test_every_candidate_passes_the_audit(made):
    panel, found = made
    assert layout_check.audit(panel, fixed_layout(panel)) == ()
    for feature in (*found.beads, *found.holes):
        violations = layout_check.audit(panel, fixed_layout(panel, feature))
        assert violations == (), [str(violation) for violation in violations]


def test_number(made):
    panel, found = made
    assert 500 <= len(found.beads) <= (1500 if panel is RECTANGLE else 2000)
    assert {bead.die for bead in found.beads} == set(DIES)
    assert {hole.die for hole in found.holes} == set(HOLE_DIES)
    assert len({(bead.die, bead.path) for bead in found.beads}) == len(found.beads)


def test_same_again(made):
    panel, found = made
    again = candidates_of(panel, 1.0)
    assert again.beads == found.beads
    assert again.holes == found.holes
    assert (again.conflicts != found.conflicts).nnz == 0


def test_conflicts_are_the_clashes_of_the_rules(made):
    """A random sample of pairs, each asked of `clearance.too_close`."""
    panel, found = made
    features = (*found.beads, *found.holes)
    matrix = found.conflicts.toarray()
    assert matrix.shape == (len(features), len(features))
    assert matrix.dtype == bool
    assert (matrix == matrix.T).all()
    assert not matrix.diagonal().any()
    rng = np.random.default_rng(3)
    seen = set()
    for i, j in rng.integers(len(features), size=(4000, 2)):
        if i != j:
            expected = clearance.too_close(features[i], features[j], panel.tools, 1.0)
            assert matrix[i, j] == expected
            seen.add((type(features[i]), type(features[j]), expected))
    assert len(seen) == 8  # bead and hole either way, clashing or not


def test_two_that_do_not_conflict_pass_the_audit_together(made):
    panel, found = made
    features = (*found.beads, *found.holes)
    free = np.argwhere(~found.conflicts.toarray())
    rng = np.random.default_rng(4)
    for i, j in free[rng.integers(len(free), size=60)]:
        if i != j:
            assert layout_check.audit(panel, fixed_layout(panel, features[i], features[j])) == ()


def test_side_is_the_panels(made):
    panel, found = made
    assert {feature.side for feature in (*found.beads, *found.holes)} == {panel.bead_side}
    either = replace(panel, bead_side="either")
    assert {bead.side for bead in straight_beads.bead_candidates(either, 1.0, angles=[0.0])} == {"up"}


def test_nothing_fits():
    tiny = replace(RECTANGLE, outline=((0, 0), (50, 0), (50, 30), (0, 30)))
    found = candidates_of(tiny, 1.0)
    assert found.beads == ()
    assert found.holes == ()
    assert found.conflicts.shape == (0, 0)


def test_holes_in_sheet_too_thick_for_the_bead_dies():
    assert straight_beads.bead_candidates(RECTANGLE, 2.0) == ()
    assert hole_grid.hole_candidates(RECTANGLE, 2.0) != ()

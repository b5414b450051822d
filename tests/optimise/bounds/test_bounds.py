"""Cuts, bounds and proofs against every subset of small cases, and against what the solver may say."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import scipy.sparse as sp
import small_cases as small
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp
from support.panels import F50, SHOP, lid, rows
from threadpoolctl import threadpool_limits

from stiffen.errors import SolverError
from stiffen.model.layout import Hole
from stiffen.model.outcomes import BoundStatus
from stiffen.model.panel import Demand
from stiffen.optimise.bounds import infeasibility
from stiffen.optimise.bounds.branch_and_bound import BranchAndBound, cheapest_layout
from stiffen.optimise.bounds.cutting_planes import CutGenerator, surrogate_limits
from stiffen.optimise.bounds.linear_program import (
    CostTerms,
    clique_cover,
    selection_problem,
    solve_program,
    status_of,
)
from stiffen.optimise.bounds.lower_bound import CuttingPlaneRun, infeasibility_certificate, is_infeasible, lower_bound
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.optimise.search.local_search import multistart
from stiffen.optimise.search.settings import DEFAULT_SETTINGS
from stiffen.surrogate.stiffened_plate import stiffened_plate

NAMES = [panel.name for panel in small.PANELS]
BOLTS, L, DISC = NAMES[2], NAMES[3], "disc with a hub hole, pressure and frequency"
TRAPEZIUM = "trapezium on two edges, frequency and pressure"


class Enumerated:
    """A small case with the surrogate's answer for every subset that can be made."""

    def __init__(self, panel):
        self.case = small.case(panel, pool=12, size=30.0)
        self.surrogate, self.conflicts, self.minutes = self.case.surrogate, self.case.conflicts, self.case.minutes
        self.layouts = list(small.layouts(self.conflicts.toarray()))
        self.values = {layout: self.surrogate.respond(layout).values for layout in self.layouts}

    def utilisation(self, layout, limits):
        demands = self.surrogate.panel.demands
        values = self.values[layout]
        return max(values[i] / v if demands[i].at_most else v / values[i] for i, v in limits.items())

    def met(self, limits):
        return [layout for layout in self.layouts if self.utilisation(layout, limits) <= 1]

    def cost(self, layout, terms):
        """Counted here again, plainly."""
        each = np.ones(len(self.minutes)) if terms.cost is None else terms.cost
        used = set() if terms.dies is None else {int(terms.dies[i]) for i in layout}
        return float(each[list(layout)].sum() + terms.die_cost * len(used))

    def least(self, limits, terms):
        return min((self.cost(layout, terms) for layout in self.met(limits)), default=math.inf)

    def random_terms(self, rng):
        n = len(self.minutes)
        return CostTerms(rng.random(n) + rng.integers(0, 3) / 5, rng.integers(0, 3, n), float(rng.random()))

    def x(self, layout):
        out = np.zeros(len(self.minutes))
        out[list(layout)] = 1.0
        return out


@pytest.fixture(scope="module", autouse=True)
def alone():
    """Small factors are faster on one thread."""
    with threadpool_limits(1, user_api="blas"):
        yield


@pytest.fixture(scope="module")
def every():
    made = {}

    def get(name):
        if name not in made:
            made[name] = Enumerated(small.PANELS[NAMES.index(name)])
        return made[name]

    return get


@pytest.fixture(params=NAMES)
def one(request, every):
    return every(request.param)


def all_cuts(one, limits, rng, taken=(), more=0):
    """Cuts made at blends, at layouts and at everything at once."""
    cutter = CutGenerator(one.surrogate, limits, more)
    floor = cutter.guaranteed_stiffness(taken)
    n = len(one.minutes)
    points = [rng.random(n) * rng.random() for _ in range(4)]
    points += [one.x(one.layouts[k]) for k in rng.integers(0, len(one.layouts), 4)]
    points += [np.ones(n), np.zeros(n)]
    return [cut for x in points for cut in cutter.cuts(np.maximum(x, one.x(taken)), floor)]


# ------------------------------------------------------------------------------------------------------------- the cuts


def test_no_cut_excludes_a_layout_that_meets_the_demands(one):
    rng = np.random.default_rng(1)
    for loosen in (1.0, 1.3):
        limits = {i: v * loosen if d.at_most else v / loosen for i, v, d in limited(one)}
        good = one.met(limits)
        cuts = all_cuts(one, limits, rng)
        assert cuts
        for layout in good:
            assert max(cut.violation(one.x(layout)) for cut in cuts) <= 1e-9, layout


def limited(one):
    return [(i, v, one.surrogate.panel.demands[i]) for i, v in one.case.limits.items()]


def test_cuts_that_know_of_a_bead_exclude_no_layout_with_it(one):
    rng = np.random.default_rng(2)
    limits = one.case.limits
    for i in rng.choice(len(one.minutes), 2, replace=False):
        with_it = [layout for layout in one.met(limits) if i in layout]
        for cut in all_cuts(one, limits, rng, (int(i),)):
            for layout in with_it:
                assert cut.violation(one.x(layout)) <= 1e-9


def test_a_cut_at_a_layout_that_fails_excludes_it(one):
    # exact for softness and frequency; for deflection once the floor is the layout itself
    limits = one.case.limits
    cutter = CutGenerator(one.surrogate, limits)
    failing = [layout for layout in one.layouts if one.utilisation(layout, limits) > 1.001]
    for layout in failing[:: max(1, len(failing) // 12)]:
        x = one.x(layout)
        assert max(cut.violation(x) for cut in cutter.cuts(x, cutter.guaranteed_stiffness(layout))) > 1e-4


@pytest.mark.parametrize("name", [BOLTS, NAMES[1]])
def test_a_cut_misses_by_the_badness_where_it_was_made(name, every):
    one = every(name)
    (i, limit, demand) = limited(one)[0]
    cutter = CutGenerator(one.surrogate, {i: limit})
    bad = one.utilisation((0,), {i: limit})
    want = bad - 1 if demand.at_most else 1 - 1 / bad**2
    x = one.x((0,))
    assert max(cut.violation(x) for cut in cutter.cuts(x, cutter.guaranteed_stiffness())) == pytest.approx(
        want, rel=1e-4
    )


def test_cuts_agree_with_plain_sums_over_each_candidate(one):
    cutter = CutGenerator(one.surrogate, one.case.limits)
    for cut in all_cuts(one, one.case.limits, np.random.default_rng(3)):
        coefficients, least = infeasibility.recomputed_cut(cut, cutter)
        np.testing.assert_allclose(cut.coefficients, coefficients, rtol=1e-6, atol=1e-9 * abs(coefficients).max())
        assert cut.lower_limit == pytest.approx(least, rel=1e-6, abs=1e-7)


def test_deflection_cut_is_much_tighter_than_compliance_alone():
    # mean over greatest deflection of a plate under even pressure is about 0.4: compliance alone says no more
    panel = lid(demands=(Demand("deflection", 1.0, "wind"),))
    here = stiffened_plate(panel, 1.0, rows(SHOP.bead_dies[1], (67.0, 133.0, 200.0, 267.0, 333.0)), size=30.0)
    x = np.ones(5)
    value = here.respond((0, 1, 2, 3, 4)).values[0]
    f = here.forces[0][:, 0]
    mean = float(f @ np.linalg.solve(here.stiffness((0, 1, 2, 3, 4)).toarray(), f)) / np.abs(f).sum()
    assert mean < 0.6 * value
    cutter = CutGenerator(here, {0: 0.8 * value})
    assert max(cut.violation(x) for cut in cutter.cuts(x, cutter.guaranteed_stiffness())) > 0
    cutter = CutGenerator(here, {0: value * 1.00001})
    assert max(cut.violation(x) for cut in cutter.cuts(x, cutter.guaranteed_stiffness())) <= 0


def test_cuts_with_holes_exclude_no_layout_that_meets_the_demands():
    panel = lid()
    beads = rows(SHOP.bead_dies[1], (100.0, 200.0, 300.0), 30.0, 260.0)
    holes = tuple(Hole(F50, at) for at in ((340.0, 120.0), (340.0, 145.0), (400.0, 200.0), (430.0, 300.0)))
    here = stiffened_plate(panel, 1.0, beads, holes, size=30.0)
    blocked = conflict_matrix(panel, 1.0, beads, holes)
    assert blocked.nnz
    layouts = list(small.layouts(blocked.toarray()))
    values = {layout: here.respond(layout).values for layout in layouts}
    rng = np.random.default_rng(4)
    for k in rng.choice(len(layouts), 4, replace=False):
        limits = dict(values[layouts[k]])  # this layout meets them to the last digit
        cutter = CutGenerator(here, limits)
        for x in [*rng.random((3, 7)), np.ones(7)]:
            for cut in cutter.cuts(x, cutter.guaranteed_stiffness()):
                coefficients, least = infeasibility.recomputed_cut(cut, cutter)
                np.testing.assert_allclose(cut.coefficients, coefficients, rtol=1e-6, atol=1e-9)
                assert cut.lower_limit == pytest.approx(least, rel=1e-6, abs=1e-7)
                for layout in layouts:
                    good = all(
                        values[layout][i] <= v if panel.demands[i].at_most else values[layout][i] >= v
                        for i, v in limits.items()
                    )
                    if good:
                        assert cut.violation(np.isin(np.arange(7), layout).astype(float)) <= 1e-9


# ------------------------------------------------------------------------------------------------- bounds and branching


def test_no_layout_beats_the_bound(one):
    """Whatever things cost and whatever is asked."""
    rng = np.random.default_rng(5)
    for k in range(3):
        target = one.layouts[rng.integers(1, len(one.layouts))]  # the limits are what some layout just meets
        limits = dict(one.values[target]) if k else one.case.limits
        terms = one.random_terms(rng) if k else one.case.terms
        best = one.least(limits, terms)
        known = min(one.met(limits), key=lambda layout: one.cost(layout, terms))  # noqa: B023
        found = lower_bound(one.surrogate, one.conflicts, limits, terms, quantity="cost", known=known)
        assert found.value <= best + 1e-9
        assert found.status in (BoundStatus.OPTIMAL, BoundStatus.FEASIBLE)
        assert found.gap == pytest.approx((best - found.value) / max(best, 1e-12), abs=1e-9)
        found = lower_bound(one.surrogate, one.conflicts, limits, terms, quantity="cost")
        assert found.value <= best + 1e-9
        assert found.status == BoundStatus.NOTHING_FOUND and found.gap is None


@pytest.mark.parametrize(
    "name", [name for name in NAMES if name not in (BOLTS, L, DISC, TRAPEZIUM)]
)  # there they rule out nothing
def test_reduced_costs_rule_out_no_layout_that_is_cheaper(name, every):
    one = every(name)
    limits, rng = one.case.limits, np.random.default_rng(8)
    terms = one.random_terms(rng)
    job = selection_problem(one.surrogate, one.conflicts, limits, terms)
    solved = solve_program(job.program, all_cuts(one, limits, rng, more=len(np.unique(terms.dies))))
    paid = {layout: one.cost(layout, terms) for layout in one.met(limits)}
    ruled_out = 0
    for best in paid.values():
        tree = BranchAndBound(job, math.inf, best)
        narrow = tree.fix_by_reduced_costs(job.program, solved)
        ruled_out += int((narrow.upper < 0.5).sum())
        for layout, cost in paid.items():
            if cost < tree.cutoff():
                x = job.indicator(layout)
                assert (narrow.lower <= x).all() and (x <= narrow.upper).all()
    assert ruled_out


@pytest.mark.slow
def test_branch_and_bound_proves_what_enumeration_finds(one):
    limits, rng = one.case.limits, np.random.default_rng(6)
    for terms in (one.case.terms, one.random_terms(rng)):
        found = cheapest_layout(one.surrogate, one.conflicts, limits, terms)
        assert found.status == BoundStatus.OPTIMAL
        assert found.value == pytest.approx(one.least(limits, terms), rel=1e-9)
        assert found.gap == 0
        assert found.chosen in one.met(limits) and one.cost(found.chosen, terms) == pytest.approx(found.value)


@pytest.mark.slow
def test_local_search_finds_the_optimum(one):
    best = one.least(surrogate_limits(one.surrogate, DEFAULT_SETTINGS.target_utilisation), one.case.terms)
    for seed in range(3):
        found = multistart(one.case.objective(), seed, 3)
        assert found.utilisation <= DEFAULT_SETTINGS.target_utilisation
        assert found.minutes == pytest.approx(best, rel=1e-9)


@pytest.mark.slow
def test_local_search_leaves_a_pair_of_rolls_that_has_been_paid_for(monkeypatch):
    """A lot in which it stopped at three beads of one die, 17.2 minutes, where two of the other take 14.9."""
    monkeypatch.setitem(small.LOTS, TRAPEZIUM, 4)
    one = Enumerated(small.PANELS[NAMES.index(TRAPEZIUM)])
    best = one.least(surrogate_limits(one.surrogate, DEFAULT_SETTINGS.target_utilisation), one.case.terms)
    assert [multistart(one.case.objective(), seed, 3).minutes for seed in range(3)] == pytest.approx([best] * 3)


def test_fixed_beads_and_a_greatest_number_are_kept(every):
    one = every(L)
    limits = {i: v * 1.3 for i, v in one.case.limits.items()}
    good = one.met(limits)
    fewest = min(map(len, good))
    assert fewest > 1
    with_zero = [layout for layout in good if 0 in layout]
    found = cheapest_layout(one.surrogate, one.conflicts, limits, CostTerms(fixed=(0,)))
    assert found.value == min(map(len, with_zero)) and 0 in found.chosen
    found = cheapest_layout(one.surrogate, one.conflicts, limits, CostTerms(one.minutes, beads_at_most=fewest))
    assert found.value == pytest.approx(min(one.minutes[list(x)].sum() for x in good if len(x) == fewest))
    found = cheapest_layout(one.surrogate, one.conflicts, limits, CostTerms(beads_at_most=fewest - 1))
    assert found.status == BoundStatus.INFEASIBLE and found.value == math.inf and found.gap is None
    twice = np.full(len(one.minutes), 2)  # each candidate a pair of beads
    assert cheapest_layout(one.surrogate, one.conflicts, limits, CostTerms(beads=twice)).value == 2 * fewest
    assert (
        cheapest_layout(
            one.surrogate, one.conflicts, limits, CostTerms(beads=twice, beads_at_most=2 * fewest - 1)
        ).chosen
        is None
    )


def test_dies_are_counted_and_limited(every):
    one = every(L)
    limits = {i: v * 1.2 for i, v in one.case.limits.items()}
    dies = np.arange(len(one.minutes)) % 4
    good = one.met(limits)
    for most in (1, 2, 4):
        allowed = [layout for layout in good if len({int(dies[i]) for i in layout}) <= most]
        terms = CostTerms(one.minutes, dies, 3.0, dies_at_most=most)
        found = cheapest_layout(one.surrogate, one.conflicts, limits, terms)
        best = min((one.cost(layout, terms) for layout in allowed), default=math.inf)
        assert found.value == pytest.approx(best)
        assert (found.status == BoundStatus.INFEASIBLE) == (not allowed)


def test_out_of_time_is_never_called_proven(every):
    one = every(L)
    limits = one.case.limits
    terms = one.case.terms
    found = cheapest_layout(one.surrogate, one.conflicts, limits, terms, seconds=0.0)
    assert (
        found.status == BoundStatus.NOTHING_FOUND and found.value <= one.least(limits, terms) and found.chosen is None
    )
    known = max(one.met(limits), key=len)
    found = cheapest_layout(one.surrogate, one.conflicts, limits, terms, known=known, seconds=0.0)
    assert found.status == BoundStatus.FEASIBLE and found.chosen == known and 0 < found.gap <= 1


def test_a_known_layout_must_be_one(every):
    one = every(L)
    with pytest.raises(ValueError, match="does not meet"):
        lower_bound(one.surrogate, one.conflicts, one.case.limits, known=())
    i, j = next(zip(*one.conflicts.nonzero(), strict=True))
    with pytest.raises(ValueError, match="exclude each other"):
        lower_bound(one.surrogate, one.conflicts, one.case.limits, known=(int(i), int(j)))
    with pytest.raises(ValueError, match="fixed"):
        selection_problem(one.surrogate, one.conflicts, terms=CostTerms(fixed=(int(i), int(j))))


def test_what_a_bound_covers_is_said(every):
    one = every(L)
    panel = replace(one.surrogate.panel, demands=(*one.surrogate.panel.demands, Demand("stress", 1.5, "hand")))
    text = selection_problem(replace(one.surrogate, panel=panel), one.conflicts).scope()
    assert text == "12 candidates on the ribbed plate: deflection hand, softness 0.5 N; left out: stress hand"


# ---------------------------------------------------------------------------------------------- proofs of impossibility


def test_impossible_is_claimed_only_where_no_layout_meets_the_demands(one):
    """The limits go from what nothing meets to what one layout meets: proven, then never again."""
    limits = one.case.limits
    nearest = min(one.utilisation(layout, limits) for layout in one.layouts)  # loosen by so much: one layout meets them
    said = []
    for factor in (0.3, 0.9, 1.0 + 1e-9):
        loose = nearest * factor
        asked = {i: v * loose if d.at_most else v / loose for i, v, d in limited(one)}
        said.append(is_infeasible(one.surrogate, one.conflicts, asked))
        if one.met(asked):
            assert not said[-1]
    assert said[0], "demands three times beyond reach must be proven impossible"
    assert not said[2]
    assert all(a >= b for a, b in pairwise(said))


def test_a_blend_that_meets_the_demands_is_found_at_once(one):
    rise = CuttingPlaneRun(selection_problem(one.surrogate, one.conflicts, one.case.limits), math.inf)
    rise.find_inner_point()
    assert rise.inner_point is not None and rise.rounds <= 12
    assert rise.problem.program.is_feasible(rise.inner_point)


def test_branching_proves_what_blends_cannot(every):
    one = every(BOLTS)
    nearest = min(one.utilisation(layout, one.case.limits) for layout in one.layouts)
    asked = {i: v * nearest * 0.999 for i, v in one.case.limits.items()}
    assert not one.met(asked)
    assert cheapest_layout(one.surrogate, one.conflicts, asked).status == BoundStatus.INFEASIBLE


def test_a_forged_certificate_is_found_out(every):
    one = every(L)
    asked = {i: v * 0.3 for i, v in one.case.limits.items()}
    job = selection_problem(one.surrogate, one.conflicts, asked)
    true = infeasibility_certificate(job, 10.0)
    assert infeasibility.is_valid(true, job)
    easier = selection_problem(one.surrogate, one.conflicts, {i: v * 10 for i, v in one.case.limits.items()})
    assert not infeasibility.is_valid(true, easier)  # its cuts do not follow from other limits
    forged = tuple(replace(cut, field=cut.field * 10) for cut in true.cuts)
    assert not infeasibility.is_valid(replace(true, cuts=forged), job)
    boast = tuple(replace(cut, lower_limit=cut.lower_limit + 100) for cut in true.cuts)
    assert not infeasibility.is_valid(replace(true, cuts=boast), easier)
    assert not infeasibility.is_valid(replace(true, cut_weights=0 * true.cut_weights), job)
    assert not infeasibility.is_valid(replace(true, cut_weights=-true.cut_weights), job)
    lonely = selection_problem(one.surrogate, sp.csr_array(one.conflicts.shape, dtype=bool), asked)
    packed = replace(lonely, program=job.program)  # cliques of conflicts that are none
    if (true.packing_weights[:-1] > 0).any():
        assert not infeasibility.is_valid(true, packed)
    spoilt = replace(
        true, packing_weights=np.where(np.arange(len(true.packing_weights)) == 0, 1.0, true.packing_weights)
    )
    assert not infeasibility.is_valid(spoilt, packed)


# ----------------------------------------------------------------------------------------------------------- the solver


@pytest.mark.parametrize(
    ("status", "x", "want"),
    [
        (0, np.zeros(1), BoundStatus.OPTIMAL),
        (1, np.zeros(1), BoundStatus.FEASIBLE),
        (1, None, BoundStatus.NOTHING_FOUND),
        (2, None, BoundStatus.INFEASIBLE),
    ],
    ids=["optimal", "limit with x", "limit without x", "infeasible"],
)
def test_solver_status_is_read_once(status, x, want):
    assert status_of(OptimizeResult(status=status, x=x, message="")) == want


@pytest.mark.parametrize("status", [3, 4], ids=["unbounded", "trouble"])
def test_a_solver_that_fails_is_an_error(status):
    with pytest.raises(SolverError, match="could not be solved: numbers"):
        status_of(OptimizeResult(status=status, x=None, message="numbers"))


def test_a_real_run_cut_short_is_not_optimal():
    rng = np.random.default_rng(0)
    weight = rng.integers(100, 1000, (30, 60)).astype(float)
    knapsacks = LinearConstraint(weight, -np.inf, weight.sum(axis=1) / 2)
    cut_short = milp(-weight.sum(axis=0), constraints=knapsacks, integrality=np.ones(60), bounds=Bounds(0, 1),
                     options={"time_limit": 0.01})  # fmt: skip
    assert status_of(cut_short) in (BoundStatus.FEASIBLE, BoundStatus.NOTHING_FOUND)


def test_clique_cover_has_every_conflict_and_nothing_else():
    rng = np.random.default_rng(7)
    for density in (0.0, 0.1, 0.5, 0.9):
        upper = np.triu(rng.random((40, 40)) < density, 1)
        blocked = upper | upper.T
        cliques = clique_cover(sp.csr_array(blocked)).toarray()
        together = cliques.T @ cliques > 0
        np.fill_diagonal(together, False)
        assert np.array_equal(together, blocked)


def test_the_table_of_small_cases_prints():
    line = small.row(small.case(small.PANELS[1], pool=6, size=40.0))
    assert "strip" in line and BoundStatus.OPTIMAL.value in line

"""The two sparse solvers behind one interface check each other."""

from functools import cached_property

import numpy as np
import pytest
import scipy.sparse as sp

from stiffen.fem.corotational import State
from stiffen.fem.direct_solvers import multifrontal, sparse_lu
from stiffen.fem.direct_solvers.sparse_lu import SingularError, SuperLUFactors, factorise
from stiffen.fem.nonlinear_problem import NonlinearProblem
from stiffen.fem.shell import Shell
from stiffen.validation.fixtures import dofs, line_load, nodes_at
from stiffen.validation.structured_meshes import rectangle

SOLVERS = ("multifrontal", "superlu")


class Plate:
    """A simply supported plate, 120 x 80 x 1 mm, with a shallow bulge, under loads that compress it along x."""

    @cached_property
    def shell(self) -> Shell:
        nodes, triangles = rectangle(120.0, 80.0, 12, 8, "union")
        nodes[:, 2] = 0.1 * np.sin(np.pi * nodes[:, 0] / 120) * np.sin(np.pi * nodes[:, 1] / 80)
        return Shell(nodes, triangles, 1.0, 70e3, 0.33)

    @cached_property
    def problem(self) -> NonlinearProblem:
        nodes = self.shell.nodes
        ends = [nodes_at(nodes, 0, x) for x in (0.0, 120.0)]
        edge = np.unique(np.concatenate([*ends, nodes_at(nodes, 1, 0.0), nodes_at(nodes, 1, 80.0)]))
        fixed = np.concatenate(
            [dofs(edge, "3"), dofs(nodes_at(nodes, 0, 60.0), "1"), dofs(nodes_at(nodes, 1, 40.0), "2")]
        )
        forces = line_load(self.shell, ends[0], 0, 1.0) + line_load(self.shell, ends[1], 0, -1.0)
        return NonlinearProblem(self.shell, fixed, forces)

    def tangent(self, shortening: float) -> sp.csr_matrix:
        """Tangent stiffness under a uniform strain along x alone that shortens the sheet by `shortening` mm."""
        step = np.zeros((len(self.shell.nodes), 2, 3))
        step[:, 0, 0] = -shortening * (self.shell.nodes[:, 0] / 120 - 0.5)
        response = self.problem.respond(State.at_rest(len(step)).updated(step.ravel()))
        return self.problem.tangent_stiffness(response, response.element_forces, 0.0)


@pytest.fixture(scope="module")
def plate():
    return Plate()


def right_hand_sides(size):
    return np.random.default_rng(4).normal(size=(size, 3)) * np.tile([1, 1, 1, 9, 9, 9], size // 6)[:, None]


def test_both_solvers_agree_on_a_stiffness_matrix(plate):
    K, constrained = plate.shell.stiffness, ~plate.problem.is_free
    b = right_hand_sides(len(constrained))
    ours, scipys = (factorise(K, constrained, plate.shell.dissection, solver=solver) for solver in SOLVERS)
    x, y = ours.solve(b), scipys.solve(b)
    assert np.all(x[constrained] == 0)
    assert np.all(y[constrained] == 0)
    np.testing.assert_allclose(x, y, atol=1e-9 * np.abs(y).max())
    np.testing.assert_allclose(ours.solve(b[:, 0]), y[:, 0], atol=1e-9 * np.abs(y).max())
    assert ours.negative_eigenvalues == scipys.negative_eigenvalues == 0


def test_both_solvers_agree_on_tangents_past_buckling_and_count_the_same_unstable_directions(plate):
    constrained = ~plate.problem.is_free
    b = right_hand_sides(len(constrained))
    counts = []
    for shortening in (0.0, 0.1, 0.5, 2.0):
        K = plate.tangent(shortening)
        factors = [
            factorise(K, constrained, plate.shell.dissection, positive_definite=False, solver=solver)
            for solver in SOLVERS
        ]
        x, y = (f.solve(b) for f in factors)
        # neither solver pivots freely, so both lose digits close to a buckling load
        np.testing.assert_allclose(x, y, atol=1e-6 * np.abs(y).max())
        free = plate.problem.is_free
        dense = np.linalg.eigvalsh(K.toarray()[np.ix_(free, free)])
        assert [f.negative_eigenvalues for f in factors] == [(dense < 0).sum()] * 2
        counts.append(factors[0].negative_eigenvalues)
    assert counts[0] == 0 < counts[1] < counts[2] < counts[3]


def test_a_symmetric_matrix_with_a_dissection_is_solved_by_the_multifrontal_factors_unchanged(plate):
    K, constrained = plate.shell.stiffness, ~plate.problem.is_free
    b = right_hand_sides(len(constrained))
    direct = multifrontal.factorise(plate.shell.dissection, K, constrained)
    assert np.array_equal(factorise(K, constrained, plate.shell.dissection).solve(b), direct.solve(b))


def test_superlu_takes_what_the_multifrontal_factors_do_not(plate):
    constrained = ~plate.problem.is_free
    b = right_hand_sides(len(constrained))
    K = plate.shell.stiffness
    without_order = factorise(K, constrained)
    assert isinstance(without_order, SuperLUFactors)
    skew = sp.random_array(K.shape, density=1e-3, rng=np.random.default_rng(1))
    skew = (skew - skew.T).tocsr() * 1e3
    unsymmetric = factorise(K + skew, constrained, plate.shell.dissection, symmetric=False)
    assert isinstance(unsymmetric, SuperLUFactors)
    rest = ((K + skew) @ unsymmetric.solve(b) - b)[~constrained]
    assert np.abs(rest).max() < 1e-7 * np.abs(b).max()
    for arguments in ({}, {"dissection": plate.shell.dissection, "symmetric": False}):
        with pytest.raises(ValueError, match="need a symmetric matrix and a dissection"):
            factorise(K, constrained, solver="multifrontal", **arguments)


@pytest.mark.parametrize("solver", SOLVERS)
def test_singular_and_indefinite_matrices_are_refused(plate, solver):
    nothing_fixed = np.zeros(plate.shell.dof_count, bool)
    with pytest.raises(SingularError, match="singular"):
        factorise(
            0 * plate.shell.stiffness, nothing_fixed, plate.shell.dissection, positive_definite=False, solver=solver
        )
    with pytest.raises(SingularError, match="not positive definite"):
        factorise(plate.tangent(2.0), ~plate.problem.is_free, plate.shell.dissection, solver=solver)


def test_spd_solver_in_a_given_elimination_order(plate):
    free = np.flatnonzero(plate.problem.is_free)
    K = plate.shell.stiffness[free][:, free].tocsc()
    b = right_hand_sides(plate.shell.dof_count)[free]
    order = sparse_lu.elimination_order(K)
    assert sorted(order) == list(range(len(free)))
    ordered = sparse_lu.spd_solver(K[order][:, order].tocsc(), ordered=True)(b[order])
    plain = sparse_lu.spd_solver(K)(b)
    np.testing.assert_allclose(ordered, plain[order], atol=1e-9 * np.abs(plain).max())

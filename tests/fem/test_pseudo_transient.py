"""Relaxation to a stable equilibrium where none lies near the start."""

from functools import partial

import numpy as np
import pytest
from scipy.special import ellipe, ellipk

from stiffen.fem.contact import nonlinear_supports
from stiffen.fem.corotational import State
from stiffen.fem.nonlinear import follow_path
from stiffen.fem.nonlinear_problem import NonlinearProblem
from stiffen.fem.pseudo_transient import relax_to_stable
from stiffen.fem.shell import Shell
from stiffen.validation.fixtures import dofs, nodes_at
from stiffen.validation.large import roof
from stiffen.validation.structured_meshes import rectangle, unit_pressure_forces

E, NU, T = 70e3, 0.33, 1.0


def is_equilibrium(problem, factor, response):
    return problem.force_norm(problem.residual(response, factor)) <= 1e-6 * factor * problem.force_norm(problem.forces)


def relaxed(problem, factor, state):
    """The stable state to which a sheet relaxes."""
    found, _, _ = relax_to_stable(problem, problem.respond(state), factor, partial(is_equilibrium, problem, factor))
    assert found is not None
    assert problem.factorise(found, found.element_forces, factor).negative_eigenvalues == 0
    return found.state


def column():
    """A strip 100 x 5 x 1 clamped at x = 0, without Poisson's effect, pressed along its axis by Euler's load."""
    nodes, triangles = rectangle(100.0, 5.0, 20, 1, "union")
    shell = Shell(nodes, triangles, T, E, 0.0)
    forces = np.zeros((len(nodes), 6))
    end = nodes_at(nodes, 0, 100.0)
    forces[end, 0] = -(np.pi**2) * E * (5 * T**3 / 12) / (4 * 100.0**2) / len(end)
    return NonlinearProblem(shell, dofs(nodes_at(nodes, 0, 0.0), "123456"), forces.ravel()), end


@pytest.mark.parametrize(("degrees", "table"), [(20, (1.015, 0.970, 0.220)), (40, (1.063, 0.881, 0.422))])
def test_a_straight_column_relaxes_to_the_elastica(degrees, table):
    """Load over Euler's, x and y of the end over the length by elliptic integrals, for an angle of the end.

    Table: S. P. Timoshenko and J. M. Gere, Theory of Elastic Stability, 2nd ed., table 2-4, from memory.
    """
    m = np.sin(np.radians(degrees) / 2) ** 2
    over, x, y = (2 * ellipk(m) / np.pi) ** 2, 2 * ellipe(m) / ellipk(m) - 1, 2 * np.sqrt(m) / ellipk(m)
    np.testing.assert_allclose([over, x, y], table, atol=1e-3)
    problem, end = column()
    shifts = relaxed(problem, over, State.at_rest(len(problem.shell.nodes))).displacements[end].mean(axis=0)
    assert 1 + shifts[0] / 100 == pytest.approx(x, abs=0.01)
    assert abs(shifts[2]) / 100 == pytest.approx(y, rel=0.02)


def test_a_roof_at_its_limit_load_relaxes_to_where_the_path_leads():
    path = roof(12.7)
    problem, above_limit = path.problem, 1.005 * path.limit_factor
    whole = follow_path(problem.shell, problem.fixed, problem.forces, target_factor=above_limit)
    before = follow_path(problem.shell, problem.fixed, problem.forces, target_factor=0.995 * path.limit_factor)
    assert whole.max_displacements[-1] > 1.5 * before.max_displacements[-1]
    np.testing.assert_allclose(
        relaxed(problem, above_limit, before.end_state).displacements, whole.end_state.displacements, atol=1e-3
    )


def sheet_on_a_frame(newtons, cells):
    """A flat sheet 500 x 400 x 1 mm that rests on its edges, under a foot load on its middle.

    Returns shell, fixed DOFs, forces (6 n,) and the uz DOFs of the rests.
    """
    nodes, triangles = rectangle(500.0, 400.0, *cells, "union")
    shell = Shell(nodes, triangles, T, E, NU)
    edge = np.unique(
        np.concatenate(
            [nodes_at(nodes, 0, 0.0), nodes_at(nodes, 0, 500.0), nodes_at(nodes, 1, 0.0), nodes_at(nodes, 1, 400.0)]
        )
    )
    middle = int(np.hypot(nodes[:, 0] - 250, nodes[:, 1] - 200).argmin())
    side = int(np.hypot(nodes[:, 0], nodes[:, 1] - 200).argmin())
    fixed = np.array([6 * middle, 6 * middle + 1, 6 * side + 1])
    foot = (abs(nodes[:, 0] - 250) <= 51) & (abs(nodes[:, 1] - 200) <= 51)
    forces = np.zeros((len(nodes), 6))
    forces[foot, 2] = -newtons * (area := unit_pressure_forces(nodes, triangles)[foot, 2]) / area.sum()
    return shell, fixed, forces.ravel(), 6 * edge + 2


@pytest.mark.slow
def test_a_sheet_on_a_bare_frame_is_followed_past_its_limit_load():
    """Its corners lift; at a limit load it rolls up.

    Neither this load nor the shape after it depends on the target load.
    """
    shell, fixed, forces, rests = sheet_on_a_frame(200.0, (20, 16))
    path = follow_path(shell, fixed, forces, unilateral=rests)
    twice = follow_path(shell, fixed, 2 * forces, unilateral=rests, requested_factors=(0.5,))
    assert path.converged
    assert path.stable
    assert path.limit_factor == pytest.approx(2 * twice.limit_factor, rel=0.02)
    assert path.reactions[rests].min() >= 0
    assert path.reactions[rests].sum() == pytest.approx(200, rel=1e-5)
    np.testing.assert_allclose(
        np.abs(twice.states[0.5].displacements[:, 2]).max(), path.max_displacements[-1], rtol=1e-4
    )
    # the same, by relaxation in ten load steps from the start
    problem = NonlinearProblem(shell, fixed, forces, supports=nonlinear_supports(E * T, None, rests, ()))
    state = State.at_rest(len(shell.nodes))
    for factor in np.linspace(0.1, 1.0, 10):
        state = relaxed(problem, factor, state)
    assert np.abs(state.displacements[:, 2]).max() == pytest.approx(path.max_displacements[-1], rel=1e-4)

"""Physics of the nonlinear shell: finite rotations, corotational triangles, equilibrium, the equilibrium path."""

from functools import partial

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.spatial.transform import Rotation

from stiffen.errors import SolverError
from stiffen.fem import corotational, rotations
from stiffen.fem.contact import nonlinear_supports
from stiffen.fem.continuation import cubic_maximum
from stiffen.fem.corotational import State
from stiffen.fem.linear import LinearModel
from stiffen.fem.nonlinear import follow_path, load_deflection
from stiffen.fem.nonlinear_problem import NonlinearProblem
from stiffen.fem.shell import Shell
from stiffen.validation.fixtures import dofs, line_load, nodes_at
from stiffen.validation.structured_meshes import rectangle

E, NU = 70e3, 0.33


def wavy(cells=3, t=1.0):
    """A small sheet, not flat, of triangles of many shapes."""
    nodes, triangles = rectangle(40.0, 30.0, cells, cells, "union")
    rng = np.random.default_rng(3)
    nodes[:, :2] += rng.uniform(-2, 2, (len(nodes), 2))
    nodes[:, 2] = 3 * np.sin(nodes[:, 0] / 9) * np.cos(nodes[:, 1] / 7)
    return Shell(nodes, triangles, t, E, NU)


def strip(L=100.0, b=10.0, t=1.0, cells=20, nu=0.0):
    """A flat strip along x."""
    nodes, triangles = rectangle(L, b, cells, 1, "union")
    return Shell(nodes, triangles, t, E, nu)


def bent_state(shell, size, seed=5):
    """A large motion of every node: displacements up to about 10 size mm, rotations up to about 3 size rad."""
    step = np.random.default_rng(seed).normal(size=(len(shell.nodes), 2, 3)) * size
    step[:, 0] *= 3
    return State.at_rest(len(shell.nodes)).updated(step.ravel())


def rotated(state, nodes, R, shift=(0.0, 0.0, 0.0)):
    """The deformed sheet, rotated and displaced as a whole."""
    return State((nodes + state.displacements) @ R.T - nodes + np.asarray(shift), R @ state.rotations)


def plate(load=883.0, in_plane="held", cells=(10, 8), t=1.0):
    """500 x 400 mm plate, uz fixed all round; `load` N spread over the nodes of the middle 100 x 100 mm."""
    nodes, triangles = rectangle(500.0, 400.0, *cells, "union")
    shell = Shell(nodes, triangles, t, E, NU)
    x, y = nodes[:, 0], nodes[:, 1]
    edge = np.unique(
        np.concatenate([nodes_at(nodes, 0, 0), nodes_at(nodes, 0, 500), nodes_at(nodes, 1, 0), nodes_at(nodes, 1, 400)])
    )
    corners = np.array([np.flatnonzero((x == 0) & (y == 0))[0], np.flatnonzero((x == 500) & (y == 0))[0]])
    plane = dofs(edge, "12") if in_plane == "held" else np.r_[dofs(corners[:1], "12"), dofs(corners[1:], "2")]
    middle = np.flatnonzero((abs(x - 250) <= 50) & (abs(y - 200) <= 50))
    forces = np.zeros(shell.dof_count)
    forces[6 * middle + 2] = -load / len(middle)
    return shell, dofs(edge, "3"), plane, forces, edge


# ---- rotations


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-3, 0.3, 2.0, np.pi - 1e-7])
def test_rotation_vector_and_back_as_scipy_has_it(angle):
    axes = np.random.default_rng(1).normal(size=(50, 3))
    vectors = angle * axes / np.linalg.norm(axes, axis=1)[:, None]
    matrices = rotations.rotation_matrices(vectors)
    np.testing.assert_allclose(matrices, Rotation.from_rotvec(vectors).as_matrix(), atol=2e-15)
    np.testing.assert_allclose(rotations.rotation_vectors(matrices), vectors, atol=1e-14)
    np.testing.assert_allclose(rotations.small_rotation_vectors(matrices), vectors, atol=1e-8 if angle > 3 else 1e-14)


def test_half_turn_has_its_axis():
    axis = np.array([[0.6, -0.8, 0.0]])
    vector = rotations.rotation_vectors(rotations.rotation_matrices(np.pi * axis))
    np.testing.assert_allclose(np.abs(vector), np.pi * np.abs(axis), atol=1e-14)


@pytest.mark.parametrize("angle", [1e-3, 0.5, 2.5])
def test_rates_of_rotation_vector_against_finite_difference(angle):
    rng = np.random.default_rng(2)
    vector = rng.normal(size=(1, 3))
    vector *= angle / np.linalg.norm(vector)
    spin, h = rng.normal(size=(1, 3)), 1e-6
    ahead, behind = (
        rotations.rotation_vectors(rotations.rotation_matrices(s * h * spin) @ rotations.rotation_matrices(vector))
        for s in (1, -1)
    )
    np.testing.assert_allclose(
        (ahead - behind) / (2 * h), spin @ rotations.rotation_rate_matrices(vector)[0].T, atol=1e-8
    )


# ---- the corotational triangle


@pytest.mark.parametrize("degrees", [10, 137, 180, 271])
def test_rigid_body_motion_gives_no_forces(degrees):
    shell = wavy()
    problem = NonlinearProblem(shell, np.zeros(0, int), np.zeros(shell.dof_count))
    R = rotations.rotation_matrices(np.radians(degrees) * np.array([[2, -1, 2]]) / 3)[0]
    moved = problem.respond(rotated(State.at_rest(len(shell.nodes)), shell.nodes, R, (300, -50, 20)))
    # a displacement of 1e-3 mm of one node would give forces of about 100 N
    assert abs(moved.internal_forces).max() < 1e-6
    assert moved.energy < 1e-15


def test_rotation_of_the_whole_sheet_keeps_the_energy_and_rotates_the_forces():
    shell = wavy()
    problem = NonlinearProblem(shell, np.zeros(0, int), np.zeros(shell.dof_count))
    state = bent_state(shell, 0.1)
    R = rotations.rotation_matrices(np.array([[1.9, -1.2, 0.7]]))[0]
    here, there = problem.respond(state), problem.respond(rotated(state, shell.nodes, R))
    assert there.energy == pytest.approx(here.energy, rel=1e-12)
    np.testing.assert_allclose(
        there.internal_forces.reshape(-1, 3),
        here.internal_forces.reshape(-1, 3) @ R.T,
        atol=1e-10 * abs(here.internal_forces).max(),
    )


def test_numbering_of_corners_does_not_matter():
    shell = wavy()
    other = Shell(shell.nodes, np.roll(shell.triangles, 1, axis=1), shell.t, E, NU)
    state = bent_state(shell, 0.1)
    one, two = (NonlinearProblem(s, np.zeros(0, int), np.zeros(s.dof_count)).respond(state) for s in (shell, other))
    assert two.energy == pytest.approx(one.energy, rel=1e-12)


def test_small_motion_is_the_linear_shell():
    shell = wavy()
    u = np.random.default_rng(4).normal(size=shell.dof_count)
    forces = NonlinearProblem(shell, np.zeros(0, int), np.zeros(shell.dof_count)).respond(
        State.at_rest(len(shell.nodes)).updated(1e-7 * u)
    )
    linear = 1e-7 * (shell.stiffness @ u)
    np.testing.assert_allclose(forces.internal_forces, linear, atol=1e-5 * abs(linear).max())


def gradient_case(name):
    """The sheet alone, or with one kind of nonlinear support."""
    shell = wavy()
    n = len(shell.nodes)
    none, forces = np.zeros(0, int), np.zeros(shell.dof_count)
    if name == "sheet":
        return NonlinearProblem(shell, none, forces)
    if name == "springs":
        A = np.random.default_rng(8).normal(size=(18, 18))
        place = np.arange(12, 30)
        springs = sp.csr_matrix(
            ((A @ A.T * 50).ravel(), (np.repeat(place, 18), np.tile(place, 18))), shape=(6 * n, 6 * n)
        )
        return NonlinearProblem(shell, none, forces, supports=nonlinear_supports(1e4, springs, None, ()))
    if name == "rests":
        return NonlinearProblem(
            shell, none, forces, supports=nonlinear_supports(1e5, None, np.arange(2, 6 * n, 18), ())
        )
    return NonlinearProblem(
        shell,
        none,
        forces,
        supports=nonlinear_supports(1e4, None, None, [(np.array([0, 1, 4]), 0.05), (np.array([9, 10]), 5.0)]),
    )


@pytest.mark.parametrize("size", [0.02, 0.1])
@pytest.mark.parametrize("name", ["sheet", "springs", "rests", "slips"])
def test_internal_forces_are_the_gradient_of_the_energy(name, size):
    problem = gradient_case(name)
    state = bent_state(problem.shell, size)
    forces = problem.respond(state).internal_forces
    rng, h = np.random.default_rng(6), 1e-5
    for _ in range(5):
        step = rng.normal(size=problem.shell.dof_count)
        rise = problem.respond(state.updated(h * step)).energy - problem.respond(state.updated(-h * step)).energy
        assert rise / (2 * h) == pytest.approx(forces @ step, rel=1e-6, abs=1e-7 * np.linalg.norm(forces))


def tangent_of(problem, state):
    """Dense tangent of all DOFs at a state, load factor 1."""
    response = problem.respond(state)
    return problem.tangent_stiffness(response, response.element_forces, 1.0).toarray()


# The tangent leaves out terms that grow with the square of the deformational rotation (see `tangent_stiffness`).  It is
# 0.01 and 0.05 rad here, so the tolerances differ by a factor of 25.
@pytest.mark.parametrize(("size", "tolerance"), [(0.004, 1e-4), (0.02, 2.5e-3)])
@pytest.mark.parametrize("name", ["sheet", "springs", "slips"])
def test_tangent_against_finite_difference_of_forces(name, size, tolerance):
    problem = gradient_case(name)
    state = bent_state(problem.shell, size)
    K, h = tangent_of(problem, state), 1e-6
    columns = [
        (problem.respond(state.updated(h * e)).internal_forces - problem.respond(state.updated(-h * e)).internal_forces)
        / (2 * h)
        for e in np.eye(problem.shell.dof_count)
    ]
    symmetric = (np.array(columns) + np.array(columns).T) / 2
    np.testing.assert_allclose(K, symmetric, atol=tolerance * abs(K).max())


def test_follower_pressure_tangent_against_finite_difference():
    shell = wavy()
    pressure = np.random.default_rng(9).uniform(-1, 1, len(shell.triangles))
    corners = (shell.nodes + bent_state(shell, 0.1).displacements)[shell.triangles]
    K = corotational.pressure_stiffness(corners, pressure)
    h, force = 1e-5, partial(corotational.pressure_forces, pressure=pressure)
    for corner in range(3):
        for axis in range(3):
            step = np.zeros_like(corners)
            step[:, corner, axis] = h
            # all corners carry the same force, a third of the triangle's
            change = -(force(corners + step) - force(corners - step)) / (2 * h)
            full = np.zeros((len(corners), 3, 6))
            full[:, :, :3] = change[:, None]
            if corner == 0 and axis == 0:
                columns = np.zeros((len(corners), 18, 18))
            columns[:, :, 6 * corner + axis] = full.reshape(-1, 18)
    np.testing.assert_allclose(K, (columns + columns.transpose(0, 2, 1)) / 2, atol=1e-8)


def test_pressure_on_a_closed_skin_pushes_nowhere():
    nodes = np.array([[0, 0, 0], [3, 0, 0], [0, 4, 0], [0, 0, 5.0]])
    skin = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])
    force = corotational.pressure_forces(nodes[skin], np.full(4, 2.0))
    np.testing.assert_allclose(3 * force.sum(axis=0), 0, atol=1e-12)
    # against the normals: the base, which looks down, is pushed up by pressure times its area of 6
    np.testing.assert_allclose(3 * force[0], [0, 0, 12.0])


# ---- the path


def test_small_load_gives_the_linear_answer():
    shell, fixed, plane, forces, _ = plate(load=1e-3)
    held = np.concatenate([fixed, plane])
    result = follow_path(shell, held, forces)
    linear = LinearModel(shell, held).solve(forces).reshape(-1, 6)
    np.testing.assert_allclose(result.end_state.displacements[:, 2], linear[:, 2], rtol=1e-6, atol=1e-12)
    assert result.factorisations == 3  # at rest, one iteration, the end
    assert result.limit_factor is None
    assert result.converged
    assert result.stable


@pytest.fixture(scope="module")
def pressed_plate():
    shell, fixed, plane, forces, _ = plate()
    return follow_path(shell, np.concatenate([fixed, plane]), forces, requested_factors=(0.25, 0.5))


def test_few_factorisations_although_the_sheet_stiffens_a_hundredfold(pressed_plate):
    assert pressed_plate.factorisations <= 30
    assert pressed_plate.converged
    assert pressed_plate.factors[-1] == 1.0
    assert set(pressed_plate.states) == {0.25, 0.5}
    assert np.all(np.diff(pressed_plate.max_displacements) > 0)


def test_steps_with_earlier_factors_find_the_same_equilibrium_with_fewer_of_them():
    shell, fixed, plane, forces, _ = plate()
    held = np.concatenate([fixed, plane])
    rough, own = (follow_path(shell, held, forces, reuses_factors=reuses) for reuses in (True, False))
    assert rough.factorisations < own.factorisations
    np.testing.assert_allclose(
        rough.end_state.displacements, own.end_state.displacements, atol=1e-5 * own.max_displacements[-1]
    )


def test_reactions_carry_the_load(pressed_plate):
    total = pressed_plate.reactions.reshape(-1, 6).sum(axis=0)
    assert total[2] == pytest.approx(883.0, rel=1e-6)
    assert abs(total[:2]).max() < 1e-3
    free = np.setdiff1d(np.arange(pressed_plate.shell.dof_count), pressed_plate.problem.fixed)
    assert not pressed_plate.reactions[free].any()


def test_a_sheet_restrained_in_plane_carries_by_tension(pressed_plate):
    N, M = pressed_plate.resultants
    assert N[:, 0].min() > 0  # pulled everywhere along x
    upper, lower = pressed_plate.stress
    t = pressed_plate.shell.t
    np.testing.assert_allclose((upper + lower) / 2, N / t)
    np.testing.assert_allclose((upper - lower) / 2, 6 * M / t**2)


def test_convergence_is_quadratic(pressed_plate):
    """Newton steps from a state about 0.03 mm off: each residual over the square of the previous one stays alike."""
    problem = pressed_plate.problem
    off = np.random.default_rng(7).normal(size=problem.shell.dof_count).reshape(-1, 2, 3) * [[0.03], [0.0005]]
    response = problem.respond(pressed_plate.end_state.updated(problem.free_part(off.ravel())))
    sizes = []
    for _ in range(8):
        residual = problem.residual(response, 1.0)
        sizes.append(problem.force_norm(residual))
        step = problem.factorise(response, response.element_forces, 1.0).solve(residual)
        response = problem.respond(response.state.updated(step))
    noise = problem.roundoff_residual(response)
    assert sizes[-1] < 10 * noise
    pairs = [(a, b) for a, b in zip(sizes[:-1], sizes[1:], strict=True) if b > 100 * noise][-2:]
    first, second = (b / a**2 for a, b in pairs)
    assert pairs[0][1] < pairs[0][0] / 50  # were convergence linear, the ratio would grow by this much
    assert first / 10 < second < 10 * first, sizes


def test_work_of_the_load_is_the_strain_energy():
    shell = strip()
    tip = nodes_at(shell.nodes, 0, 100.0)
    load = line_load(shell, tip, 2, 60.0)
    result = follow_path(
        shell,
        dofs(nodes_at(shell.nodes, 0, 0.0), "123456"),
        load,
        requested_factors=np.linspace(0.02, 1, 50),
        watched_dofs=6 * tip + 2,
    )
    assert result.end_state.displacements[:, 2].max() > 50  # of 100 mm
    lift = result.history.mean(axis=1)
    force = 60 * result.factors
    work = np.concatenate([[0], np.cumsum((force[1:] + force[:-1]) / 2 * np.diff(lift))])
    # the trapezoid rule on 50 steps is good to about 1e-3 of the end value
    np.testing.assert_allclose(result.energy, work, atol=1e-3 * work[-1])


def test_work_of_a_follower_pressure_is_the_strain_energy():
    """Pressure times the change of the volume under the sheet, summed along the path, is the strain energy."""
    shell, fixed, plane, _, _ = plate()
    factors = np.linspace(0.025, 1, 40) ** 3  # even steps in the deflection of a membrane
    pressure = np.full(len(shell.triangles), 0.02)
    result = follow_path(
        shell, np.concatenate([fixed, plane]), np.zeros(shell.dof_count), pressure=pressure, requested_factors=factors
    )

    def volume(state):
        corners = (shell.nodes + state.displacements)[shell.triangles]
        return -np.linalg.det(corners).sum() / 6

    volumes = np.array([0.0, *(volume(result.states[f]) for f in factors[:-1]), volume(result.end_state)])
    p = 0.02 * np.concatenate([[0.0], factors])
    work = np.sum((p[1:] + p[:-1]) / 2 * np.diff(volumes))
    assert result.end_state.displacements[:, 2].min() < -5  # pushed toward -z
    assert result.energy[-1] == pytest.approx(work, rel=2e-3)


def test_warm_start_goes_on_where_the_first_path_ended():
    shell, fixed, plane, forces, _ = plate()
    held = np.concatenate([fixed, plane])
    first = follow_path(shell, held, forces, target_factor=0.5)
    second = follow_path(shell, held, forces, start=first)
    assert second.factors[0] == 0.5
    straight = follow_path(shell, held, forces)
    np.testing.assert_allclose(second.end_state.displacements, straight.end_state.displacements, atol=1e-6)


def test_warm_start_for_another_load_is_quick():
    shell, fixed, plane, forces, _ = plate()
    held = np.concatenate([fixed, plane])
    first = follow_path(shell, held, forces)
    moved = follow_path(shell, held, 1.2 * forces, start=first)
    direct = follow_path(shell, held, 1.2 * forces)
    np.testing.assert_allclose(moved.end_state.displacements, direct.end_state.displacements, atol=1e-6)
    assert moved.factorisations < direct.factorisations / 2


def test_curve_to_one_and_a_half_times_the_load_in_one_go():
    shell, fixed, plane, forces, _ = plate(in_plane="free")
    curve = load_deflection(shell, np.concatenate([fixed, plane]), forces / 5)
    assert set(curve.states) == {0.05, 0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5}
    at = np.searchsorted(curve.factors, [0.5, 1.0, 1.5])
    assert np.all(curve.factors[at] == [0.5, 1.0, 1.5])
    w = curve.max_displacements[at]
    assert np.all(w[1:] / w[:-1] < [2.0, 1.5])  # it stiffens


def test_progress_is_reported():
    shell, fixed, plane, forces, _ = plate(load=100)
    reports = []
    follow_path(
        shell,
        np.concatenate([fixed, plane]),
        forces,
        progress=lambda fraction, message: reports.append((fraction, message)),
    )
    fractions = [fraction for fraction, _ in reports]
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0
    assert "mm" in reports[-1][1]


def test_loads_on_constrained_dofs_move_nothing():
    shell, fixed, plane, forces, edge = plate()
    forces[:] = 0
    forces[6 * edge[0] + 2] = -50
    result = follow_path(shell, np.concatenate([fixed, plane]), forces)
    assert result.converged
    assert result.max_displacements[-1] == 0
    assert result.reactions[6 * edge[0] + 2] == pytest.approx(50)


def test_no_load_at_all():
    shell, fixed, plane, forces, _ = plate(load=0.0)
    result = follow_path(shell, np.concatenate([fixed, plane]), forces)
    assert result.converged
    assert result.max_displacements[-1] == 0


# ---- unilateral and gap supports


def middle_load(shell, size):
    forces = np.zeros(shell.dof_count)
    forces[6 * nodes_at(shell.nodes, 0, 50.0) + 2] = size / 2
    return forces


def test_unilateral_support_carries_a_push_and_no_pull():
    """A strip on two end supports, with a rest under its middle.

    Pushed down at the middle it does not move; pulled up it deflects as a beam, P L^3/(48 EI).
    """
    shell = strip()
    ends = np.concatenate([nodes_at(shell.nodes, 0, 0.0), nodes_at(shell.nodes, 0, 100.0)])
    fixed = np.concatenate([dofs(ends, "23"), dofs(ends[:2], "1")])
    rests = 6 * nodes_at(shell.nodes, 0, 50.0) + 2
    down = follow_path(shell, fixed, middle_load(shell, -0.5), unilateral=rests)
    assert abs(down.end_state.displacements[:, 2]).max() < 1e-4
    assert down.reactions[rests].sum() == pytest.approx(0.5, rel=1e-3)
    up = follow_path(shell, fixed, middle_load(shell, 0.5), unilateral=rests)
    assert up.end_state.displacements[:, 2].max() == pytest.approx(0.5 * 100**3 / (48 * E * 10 / 12), rel=2e-3)
    assert not up.reactions[rests].any()


def test_sheet_on_a_frame_lifts_its_corners_and_pulls_nowhere():
    """A plate that only rests on its edge: corners rise (as T&WK art. 24 says they would), the rest pushes up."""
    shell, uz, plane, forces, edge = plate(load=50.0, in_plane="free", cells=(20, 16))
    result = follow_path(shell, plane, forces, unilateral=uz)
    rise = result.end_state.displacements[:, 2]
    push = result.reactions[uz]
    corners = [
        np.flatnonzero((shell.nodes[:, :2] == c).all(axis=1))[0] for c in ((0, 0), (500, 0), (0, 400), (500, 400))
    ]
    assert rise[corners].min() > 0.2
    assert rise[edge].min() > -2e-3  # of the 1 mm sheet
    assert push.min() >= 0
    assert push.sum() == pytest.approx(50, rel=1e-6)
    assert not push[rise[uz // 6] > 0].any()
    held = follow_path(shell, np.concatenate([uz, plane]), forces)
    assert result.max_displacements[-1] > held.max_displacements[-1]


def test_loose_rivet_slides_by_its_clearance_then_bears():
    shell = strip()
    right = nodes_at(shell.nodes, 0, 100.0)
    fixed = np.concatenate([dofs(nodes_at(shell.nodes, 0, 0.0), "123456"), dofs(np.arange(len(shell.nodes)), "3456")])
    pull = line_load(shell, right, 0, 1.0)
    stiffness = E * 10 * 1 / 100  # N/mm of the strip
    for force, state in ((0.5 * 0.1 * stiffness, "free"), (3 * 0.1 * stiffness, "bearing")):
        result = follow_path(shell, fixed, force * pull, gaps=[(right, 0.1)])
        slid = result.end_state.displacements[right, 0].mean()
        if state == "free":
            assert slid == pytest.approx(0.05, rel=1e-3)
        else:
            # the stop has 20 E t, N/mm, against the strip's E t / 10
            assert slid == pytest.approx(0.1 + 0.2 * stiffness / (20 * E + stiffness), rel=1e-3)
            assert result.reactions[6 * right].sum() == pytest.approx(-(force - slid * stiffness), rel=1e-3)


def test_clearance_lies_between_free_and_held():
    shell, uz, plane, forces, edge = plate(load=200.0, in_plane="free")
    free = follow_path(shell, np.concatenate([uz, plane]), forces).max_displacements[-1]
    held = follow_path(shell, np.concatenate([uz, dofs(edge, "12")]), forces).max_displacements[-1]
    by_slip = [
        follow_path(shell, uz, forces, gaps=[(np.array([node]), slip) for node in edge]).max_displacements[-1]
        for slip in (0.0, 0.05, 0.1, 1.0)
    ]
    assert held == pytest.approx(by_slip[0], rel=0.02)
    assert by_slip == sorted(by_slip)
    assert by_slip[-1] == pytest.approx(free, rel=1e-3)


# ---- snap, buckling, and what cannot be solved


def compressed(wave, until, cells=12):
    """A square plate on hinged edges pressed along x, in units of its buckling load 4 pi^2 D/a^2."""
    a, t = 100.0, 1.0
    nodes, triangles = rectangle(a, a, cells, cells, "union")
    nodes[:, 2] = wave * np.sin(np.pi * nodes[:, 0] / a) * np.sin(np.pi * nodes[:, 1] / a)
    shell = Shell(nodes, triangles, t, E, 0.3)
    left, right = nodes_at(nodes, 0, 0.0), nodes_at(nodes, 0, a)
    edge = np.unique(np.concatenate([left, right, nodes_at(nodes, 1, 0.0), nodes_at(nodes, 1, a)]))
    fixed = np.concatenate(
        [dofs(edge, "3"), dofs(nodes_at(nodes, 0, a / 2), "1"), dofs(nodes_at(nodes, 1, a / 2), "2")]
    )
    push = 4 * np.pi**2 * E * t**3 / (12 * (1 - 0.3**2)) / a
    forces = line_load(shell, left, 0, push) + line_load(shell, right, 0, -push)
    middle = np.flatnonzero((nodes[:, :2] == a / 2).all(axis=1))[0]
    return follow_path(shell, fixed, forces, target_factor=until, watched_dofs=[6 * middle + 2])


def test_perfect_sheet_stays_flat_and_is_called_unstable():
    result = compressed(0.0, 1.5)
    assert result.max_displacements[-1] < 0.05
    assert not result.stable
    assert "can buckle" in result.message


def test_wavy_sheet_buckles_along_its_wave_and_carries_on():
    """At 1.5 times the buckling load the deflection hardly depends on the height of the wave."""
    result = compressed(0.01, 1.5)
    w = result.history[:, 0]
    assert np.all(np.diff(w) > 0)  # it never snaps to the other side
    assert result.stable
    assert w[-1] == pytest.approx(compressed(0.02, 1.5).history[-1, 0], rel=0.01)  # postbuckling


def test_limit_point_between_two_equilibria():
    # 1 + s - 2 s^2: ends 1 and 0, end slopes 1 and -3, maximum 1.125 at s = 1/4
    share, value = cubic_maximum(1.0, 0.0, 1.0, -3.0)
    assert share == pytest.approx(0.25)
    assert value == pytest.approx(1.125)


def test_unrestrained_panel_is_refused():
    shell, uz, _, forces, _ = plate()
    with pytest.raises(SolverError, match="not held: it can slide along x"):
        follow_path(shell, uz, forces)


@pytest.mark.slow
def test_a_sheet_lifted_off_its_frame_raises_an_error_with_the_last_load_factor():
    shell, uz, plane, forces, _ = plate(load=50.0, in_plane="free", cells=(4, 4))
    with pytest.raises(SolverError, match="no equilibrium was found beyond load factor 0"):
        follow_path(shell, plane, -forces, unilateral=uz)


def test_end_behind_the_start_is_refused():
    shell, uz, plane, forces, _ = plate(load=1.0)
    fixed = np.concatenate([uz, plane])
    with pytest.raises(ValueError, match="behind the start"):
        follow_path(shell, fixed, forces, target_factor=0.0)
    with pytest.raises(ValueError, match="behind the start"):
        follow_path(shell, fixed, forces, target_factor=0.5, start=follow_path(shell, fixed, forces))

"""Physics of the shell element and of linear analysis: laws that hold on any mesh."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.spatial.transform import Rotation

from stiffen.errors import SolverError
from stiffen.fem import triangle
from stiffen.fem.direct_solvers.sparse_lu import spd_solver
from stiffen.fem.linear import TONNES_PER_KG, LinearModel
from stiffen.fem.shell import Shell, rigid_body_modes, unrestrained_modes
from stiffen.validation import fixtures, plate_model, structured_meshes
from stiffen.validation.corrugation import navier_deflection

E, NU, RHO = 70e3, 0.33, 2.7e-6
ROTATION = Rotation.from_rotvec([0.7, -1.1, 0.4]).as_matrix()


def bumpy(t: float = 1.0, cells: int = 8) -> Shell:
    """A 200 x 150 sheet with a smooth hump and no symmetry."""
    nodes, triangles = structured_meshes.rectangle(200, 150, cells, cells, "union")
    x, y, _ = nodes.T
    nodes[:, 2] = 6 * np.exp(-(((x - 80) / 40) ** 2) - ((y - 60) / 35) ** 2)
    return Shell(nodes, triangles, t, E, NU, RHO)


def hinged(shell: Shell) -> LinearModel:
    """Supported on three rows of nodes: sufficient, but not symmetric."""
    x, y, _ = shell.nodes.T
    left, low, corner = (
        np.flatnonzero(x < 1e-9),
        np.flatnonzero(y < 1e-9),
        structured_meshes.nearest_node(shell.nodes, (200, 150, 0)),
    )
    return LinearModel(
        shell, np.unique(np.concatenate([6 * left + 2, 6 * left, 6 * low + 1, 6 * low + 2, [6 * corner + 2]]))
    )


def scattered(shell: Shell, columns: int = 1, seed: int = 1) -> np.ndarray:
    """(6 n, columns) forces and moments at random."""
    return (
        np.random.default_rng(seed).standard_normal((shell.dof_count, columns))
        * np.tile([1, 1, 1, 9, 9, 9], len(shell.nodes))[:, None]
    )


def rotated(shell: Shell, R: np.ndarray) -> Shell:
    return replace(shell, nodes=shell.nodes @ R.T)


def rotate_vectors(u: np.ndarray, R: np.ndarray) -> np.ndarray:
    return (u.reshape(-1, 3) @ R.T).reshape(u.shape)


def supported(shell: Shell, R: np.ndarray | None = None) -> LinearModel:
    """On springs everywhere, in axes that rotate with the sheet, so that no support depends on an axis."""
    R = np.eye(3) if R is None else R
    strong = np.random.default_rng(5).uniform(0.5, 2, len(shell.nodes))
    shift, twist = R @ np.diag([3.0, 2.0, 1.0]) @ R.T, R @ np.diag([9.0, 7.0, 5.0]) @ R.T
    blocks = [sp.coo_matrix(k * part) for k in strong for part in (shift, 100 * twist)]
    return LinearModel(shell, np.zeros(0, int), springs=sp.block_diag(blocks, format="csr"))


# Rigid-body modes


@pytest.mark.parametrize("R", [np.eye(3), ROTATION], ids=["as drawn", "turned"])
def test_rigid_body_modes_cost_no_energy(R):
    shell = rotated(bumpy(), R)
    motions = rigid_body_modes(shell.nodes)
    forces = shell.stiffness @ motions
    assert np.abs(forces).max() < 1e-9 * abs(shell.stiffness).max() * np.abs(motions).max()


def test_single_triangle_has_six_rigid_body_modes_and_twelve_deformation_modes():
    corners = np.random.default_rng(3).uniform(0, 10, (3, 3))
    shell = Shell(corners, np.array([[0, 1, 2]]), 0.8, E, NU)
    values = np.linalg.eigvalsh(shell.stiffness.toarray())
    # the bending triangle has three constant curvatures and three more; the membrane triangle likewise
    assert (np.abs(values) < 1e-10 * values[-1]).sum() == 6
    assert (values > 1e-8 * values[-1]).sum() == 12


@pytest.mark.parametrize(
    "shell",
    [Shell(*structured_meshes.rectangle(200, 150, 5, 4), 1.0, E, NU, RHO), bumpy(cells=6)],
    ids=["flat", "bumpy"],
)
def test_free_sheet_has_exactly_six_zero_modes(shell):
    shift = 1.0  # springs of 1/s2 times the mass raise every omega^2 by 1
    hertz, shapes = LinearModel(shell, np.zeros(0, int), springs=shell.mass * (TONNES_PER_KG * shift)).modes(9)
    omega2 = (2 * np.pi * hertz) ** 2 - shift
    assert np.all(np.abs(omega2[:6]) < 1e-4)
    assert np.all(omega2[6:] > 1e4)
    R = rigid_body_modes(shell.nodes)
    rest = shapes[:, :6] - R @ np.linalg.lstsq(R, shapes[:, :6], rcond=None)[0]
    assert np.abs(rest).max() < 1e-5 * np.abs(shapes[:, :6]).max()


# Scaling


def test_bending_scales_with_thickness_and_modulus():
    def w(**changed):
        plate = plate_model.rectangle(300, 200, "SCSF", 6)
        return plate_model.PlateModel(replace(plate.shell, **changed), plate.fixed).unit_pressure_displacements[2::6]

    base = w()
    assert w(t=0.5) == pytest.approx(8 * base, rel=1e-9)
    assert w(E=3 * plate_model.E) == pytest.approx(base / 3, rel=1e-9)


def test_frequency_scales_with_thickness_modulus_and_density():
    plate = plate_model.rectangle(300, 200, "SCSF", 6)

    def f(**changed):
        return plate_model.PlateModel(replace(plate.shell, **changed), plate.fixed).linear_model.modes(3)[0]

    base = f()
    # the rotary inertia of the section goes with t^2: 1e-4 here
    assert f(t=0.5) == pytest.approx(base / 2, rel=1e-3)
    assert f(E=4 * plate_model.E) == pytest.approx(2 * base, rel=1e-9)
    assert f(rho=4 * plate_model.RHO) == pytest.approx(base / 2, rel=1e-9)


def test_thickness_by_triangle_equals_one_thickness():
    shell = bumpy()
    each = replace(shell, t=np.full(len(shell.triangles), shell.t))
    assert abs(shell.stiffness - each.stiffness).max() == 0
    assert abs(shell.mass - each.mass).max() == 0


# Turned and mirrored models


def test_turned_model_gives_the_turned_answer():
    shell, forces = bumpy(), scattered(bumpy())[:, 0]
    u = supported(shell).solve(forces)
    other = supported(rotated(shell, ROTATION), ROTATION)
    u_turned = other.solve(rotate_vectors(forces, ROTATION))
    assert rotate_vectors(u, ROTATION) == pytest.approx(u_turned, abs=1e-9 * np.abs(u).max())
    assert supported(shell).modes(4)[0] == pytest.approx(other.modes(4)[0], rel=1e-8)
    top, bottom = shell.stress(u)
    top_turned, bottom_turned = other.shell.stress(u_turned)
    assert top == pytest.approx(top_turned, abs=1e-8 * np.abs(top).max())
    assert bottom == pytest.approx(bottom_turned, abs=1e-8 * np.abs(top).max())
    assert other.buckling(u_turned)[0] == pytest.approx(supported(shell).buckling(u)[0], rel=1e-7)


def test_mirrored_model_gives_the_mirrored_answer():
    shell = bumpy()
    flip = np.array([-1.0, 1.0, 1.0])
    mirrored = replace(shell, nodes=shell.nodes * flip, triangles=shell.triangles[:, ::-1])
    forces = scattered(shell)[:, 0]
    six = np.tile(np.concatenate([flip, -flip]), len(shell.nodes))  # rotations are axial vectors
    u = supported(shell).solve(forces)
    assert supported(mirrored).solve(six * forces) == pytest.approx(six * u, abs=1e-9 * np.abs(u).max())


def test_order_of_corners_does_not_matter():
    shell = bumpy()
    spun = replace(shell, triangles=shell.triangles[:, [1, 2, 0]])
    turned_over = replace(shell, triangles=shell.triangles[:, [0, 2, 1]])
    for other in (spun, turned_over):
        assert abs(shell.stiffness - other.stiffness).max() < 1e-11 * abs(shell.stiffness).max()


# Solver


def test_maxwell_and_betti():
    model = hinged(bumpy())
    forces = scattered(model.shell, 2)
    u = model.solve(forces)
    assert forces[:, 0] @ u[:, 1] == pytest.approx(forces[:, 1] @ u[:, 0], rel=1e-9)
    i, j = 6 * 40 + 2, 6 * 22 + 4
    unit = np.zeros((model.shell.dof_count, 2))
    unit[i, 0] = unit[j, 1] = 1.0
    u = model.solve(unit)
    assert u[j, 0] == pytest.approx(u[i, 1], rel=1e-9)


def test_work_equals_strain_energy_of_the_facets():
    model = hinged(bumpy())
    shell = model.shell
    forces = scattered(shell)[:, 0]
    u = model.solve(forces)
    local = triangle.to_local(u, shell.triangles, shell.geometry.frames)
    own = triangle.element_stiffness(shell.geometry, shell.t, shell.E, shell.nu)
    energy = np.einsum("mi,mij,mj->", local, own, local) / 2
    assert energy == pytest.approx(forces @ u / 2, rel=1e-9)


def test_assembly_agrees_with_the_slow_obvious_one():
    shell = bumpy(cells=3)
    K = np.zeros((shell.dof_count, shell.dof_count))
    own = triangle.element_stiffness(shell.geometry, shell.t, shell.E, shell.nu)
    for corners, frame, k in zip(shell.triangles, shell.geometry.frames, own, strict=True):
        T = np.kron(np.eye(6), frame)
        rows = (6 * corners[:, None] + np.arange(6)).ravel()
        K[np.ix_(rows, rows)] += T.T @ k @ T
    assert shell.stiffness.toarray() == pytest.approx(K, abs=1e-12 * np.abs(K).max())


def test_many_loads_at_once_equal_one_by_one():
    model = hinged(bumpy())
    forces = scattered(model.shell, 3)
    u = model.solve(forces)
    for k in range(3):
        assert u[:, k] == pytest.approx(model.solve(forces[:, k]), abs=1e-12 * np.abs(u).max())


def test_reactions_balance_the_loads():
    shell = bumpy()
    springs = sp.diags(np.where(np.arange(shell.dof_count) % 6 == 2, 0.05, 0.0)).tocsr()
    for model in (hinged(shell), replace(hinged(shell), springs=springs)):
        forces = scattered(shell, 2)
        total = rigid_body_modes(shell.nodes).T @ (forces + model.reactions(model.solve(forces), forces))
        assert np.abs(total).max() < 1e-8 * np.abs(rigid_body_modes(shell.nodes)).T.dot(np.abs(forces)).max()
    # reactions act at supports alone
    model = hinged(shell)
    assert np.all(model.reactions(model.solve(forces), forces)[model.free] == 0)


def test_wrong_solution_is_refused():
    model = hinged(bumpy())
    right = model.solve_free
    model.__dict__["solve_free"] = lambda b: 1.05 * right(b)  # refinement leaves 0.25 % of it
    with pytest.raises(SolverError, match="loads and reactions do not balance"):
        model.solve(scattered(model.shell)[:, 0])
    model.__dict__["solve_free"] = lambda b: np.full_like(b, np.nan)
    with pytest.raises(SolverError, match="the solution overflows"):
        model.solve(scattered(model.shell)[:, 0])


def test_singular_matrix_is_refused():
    with pytest.raises(SolverError, match="cannot be factorised"):
        spd_solver(sp.csc_matrix(np.array([[1.0, 1.0, 0], [1.0, 1.0, 0], [0, 0, 1.0]])))


@pytest.mark.parametrize("pattern", ["cross", "union", "one"])
def test_deflection_converges_with_the_square_of_the_cells(pattern):
    D = plate_model.E / (12 * (1 - 0.3**2))
    exact = navier_deflection({"D11": D, "D22": D, "D12": 0.3 * D, "D66": 0.35 * D}, 100, 100, 1.0)
    errors = []
    for n in (8, 16, 32):
        plate = plate_model.rectangle(100, 100, "SSSS", n, pattern=pattern)
        middle = structured_meshes.nearest_node(plate.shell.nodes, (50, 50))
        errors.append(abs(plate.unit_pressure_displacements[6 * middle + 2] / exact - 1))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all(orders > 1.85) and np.all(orders < 2.25)
    assert errors[-1] < 1e-3


# Unrestrained panels


def _panel(*keys: str) -> tuple[Shell, np.ndarray]:
    """A rectangle 300 x 200 and the DOFs named by edge and digits, such as "x0:3"."""
    shell = Shell(*structured_meshes.rectangle(300, 200, 6, 4), 1.0, E, NU)
    edges = {"x0": (0, 0), "x1": (0, 300), "y0": (1, 0), "y1": (1, 200)}
    fixed = [np.zeros(0, int)]
    for key in keys:
        edge, digits = key.split(":")
        nodes = np.arange(len(shell.nodes)) if edge == "all" else fixtures.nodes_at(shell.nodes, *edges[edge])
        fixed.append(fixtures.dofs(nodes, digits))
    return shell, np.unique(np.concatenate(fixed))


@pytest.mark.parametrize(
    ("keys", "modes"),
    [
        ((), ["slide along x", "slide along y", "move along z", "turn about x", "turn about y", "turn about z"]),
        (("all:126",), ["move along z", "turn about x", "turn about y"]),
        (("x0:3", "x1:3"), ["slide along x", "slide along y", "turn about z"]),
        (("x0:123",), ["turn about y"]),
        (("y0:123",), ["turn about x"]),
        (("x0:3", "x1:3", "y0:1", "y1:1"), ["slide along y"]),
        (("x0:1234", "x1:3"), []),
        (("x0:123456",), []),
    ],
    ids=["nothing", "in plane only", "two edges in z", "hinge along y", "hinge along x", "rails", "held", "clamped"],
)
def test_unrestrained_modes_are_named(keys, modes):
    shell, fixed = _panel(*keys)
    found = [name for name, _ in unrestrained_modes(shell, fixed)]
    assert sorted(found) == sorted(modes)
    if modes:
        with pytest.raises(SolverError, match=f"the panel is not held: it can .*{modes[0]}.*add or extend a support"):
            LinearModel(shell, fixed).solve(np.zeros(shell.dof_count))
    else:
        assert np.all(LinearModel(shell, fixed).solve(np.zeros(shell.dof_count)) == 0)


def test_springs_restrain_too():
    shell, _ = _panel()
    size = shell.dof_count
    upright = sp.diags(np.where(np.arange(size) % 6 == 2, 1.0, 0.0)).tocsr()
    found = [name for name, _ in unrestrained_modes(shell, np.zeros(0, int), upright)]
    assert sorted(found) == ["slide along x", "slide along y", "turn about z"]
    assert unrestrained_modes(shell, np.zeros(0, int), sp.identity(size, format="csr")) == []


def test_hanging_part_is_found_and_placed():
    shell, fixed = _panel("x0:123456")
    nodes = np.vstack([shell.nodes, shell.nodes + [1000, 500, 0]])
    both = replace(shell, nodes=nodes, triangles=np.vstack([shell.triangles, shell.triangles + len(shell.nodes)]))
    found = unrestrained_modes(both, fixed)
    assert len(found) == 6
    for _, place in found:
        assert place == pytest.approx([1150, 600, 0])
    with pytest.raises(SolverError, match=r"part near x 1150, y 600"):
        LinearModel(both, fixed).solve(np.zeros(both.dof_count))


# Buckling


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e6])
def test_buckling_load_does_not_depend_on_the_load_it_is_scaled_from(scale):
    plate = plate_model.rectangle(300, 200, "SSSS", 8)
    assert scale * plate.buckling((-scale, 0, 0)) == pytest.approx(plate.buckling((-1, 0, 0)), rel=1e-7)


@pytest.mark.slow
def test_shear_buckles_alike_both_ways_and_tension_never():
    plate = plate_model.rectangle(300, 200, "SSSS", 8)
    assert plate.buckling((0, 0, 1)) == pytest.approx(plate.buckling((0, 0, -1)), rel=1e-7)
    for state in (
        plate_model.uniform_membrane_displacements(plate.shell, (1, 1, 0)),
        plate.unit_pressure_displacements,
        np.zeros(plate.shell.dof_count),
    ):
        factors, shapes = plate.linear_model.buckling(state, 2)
        assert len(factors) == 0 and shapes.shape == (plate.shell.dof_count, 0)


def test_lowest_mode_is_found_though_it_is_antisymmetric():
    """Supported on both mid-lines, the square's first mode is the free square's first: a twist, 13.468 (Leissa)."""
    plate = plate_model.rectangle(100, 100, "FFFF", 8)
    x, y, _ = plate.shell.nodes.T
    crossed = plate_model.PlateModel(
        plate.shell, 6 * np.flatnonzero((np.abs(x - 50) < 1e-9) | (np.abs(y - 50) < 1e-9)) + 2
    )
    hertz, _ = crossed.linear_model.modes(1)
    unit = np.sqrt(plate.D / (plate_model.RHO * TONNES_PER_KG)) / 100**2 / (2 * np.pi)
    assert hertz[0] / unit == pytest.approx(13.468, rel=0.01)


def test_geometric_stiffness_is_the_work_of_the_membrane_forces():
    """1/2 integral of N_ab u_k,a u_k,b: exact for a quadratic w and for rigid-body rotations."""
    shape = triangle.triangle_frames(np.array([[0, 0, 0], [3, 0.5, 0], [1, 2, 0]], float), np.array([[0, 1, 2]]))
    area, xy = shape.area[0], shape.xy[0]
    forces = np.array([[2.0, 0.7], [0.7, -1.0]])  # N_x, N_y, N_xy in the facet's frame
    K = triangle.geometric_stiffness(shape, np.array([[2.0, -1.0, 0.7]]))[0]
    a, b, c = 0.3, -0.2, 0.5  # w = a x^2 + b x y + c y^2 + x
    x, y = xy.T
    u = np.zeros((3, 6))
    u[:, 2], u[:, 3], u[:, 4] = a * x * x + b * x * y + c * y * y + x, b * x + 2 * c * y, -(2 * a * x + b * y + 1)
    x, y = (triangle.SIX_POINTS @ xy).T
    slope = np.column_stack([2 * a * x + b * y + 1, b * x + 2 * c * y])
    work = area * np.einsum("q,qi,ij,qj->", triangle.SIX_WEIGHTS, slope, forces, slope) / 2
    assert u.ravel() @ K @ u.ravel() / 2 == pytest.approx(work, rel=1e-12)
    motions = rigid_body_modes(np.column_stack([xy, np.zeros(3)]))
    assert np.abs(K @ motions[:, :3]).max() < 1e-12 * np.abs(K).max()
    about = np.diag(motions.T @ K @ motions)[3:]  # slopes of 1 along y; along x; u,y = -1 and v,x = 1
    assert about == pytest.approx(area * np.array([-1.0, 2.0, 2.0 - 1.0]), rel=1e-12)


# The element's own fields


def test_curvature_of_a_quadratic_field_is_exact_anywhere():
    rng = np.random.default_rng(11)
    xy = rng.uniform(-3, 3, (40, 3, 2))
    shape = triangle.triangle_frames(np.dstack([xy, np.zeros((40, 3))]).reshape(-1, 3), np.arange(120).reshape(-1, 3))
    x, y = shape.xy[:, :, 0], shape.xy[:, :, 1]
    a, b, c = 0.7, -0.4, 1.3
    u = np.stack([a * x * x + b * x * y + c * y * y, b * x + 2 * c * y, -(2 * a * x + b * y)], axis=2).reshape(40, 9)
    points = rng.dirichlet([1, 1, 1], 5)
    kappa = np.einsum("mqij,mj->mqi", triangle.curvature_matrix(shape.xy, shape.area, points), u)
    assert kappa == pytest.approx(np.broadcast_to([-2 * a, -2 * c, -2 * b], kappa.shape), abs=1e-9)


@pytest.mark.parametrize("aspect", [1 / 16, 0.5, 1, 4, 16])
@pytest.mark.parametrize("nu", [0.0, 0.33])
def test_in_plane_bending_of_a_rectangle_is_exact_at_any_aspect(aspect, nu):
    """Felippa 2003, section on the bending test: energy ratio 1 for two right-angled triangles."""
    nodes, triangles = structured_meshes.rectangle(aspect, 1, 1, 1, "one")
    x, y = nodes[:, 0], nodes[:, 1] - 0.5
    u = np.zeros((4, 6))
    u[:, 0], u[:, 1], u[:, 5] = -x * y, x * x / 2 + nu * y * y / 2, x
    energy = u.ravel() @ Shell(nodes, triangles, 1.0, 1.0, nu).stiffness @ u.ravel() / 2
    assert energy / (aspect / 12 / 2) == pytest.approx(1, rel=1e-9)


def test_any_mesh_strains_and_bends_evenly_under_an_even_field():
    """Patch test on a distorted mesh, rotated in space: exact N and M in every triangle."""
    rng = np.random.default_rng(2)
    nodes, triangles = structured_meshes.rectangle(40, 30, 4, 3, "union")
    inner = (nodes[:, 0] > 0) & (nodes[:, 0] < 40) & (nodes[:, 1] > 0) & (nodes[:, 1] < 30)
    nodes[inner, :2] += rng.uniform(-3, 3, (inner.sum(), 2))
    x, y, _ = nodes.T
    u = np.zeros((len(nodes), 6))
    u[:, 0], u[:, 1] = 1e-4 * (2 * x + y), 1e-4 * (y - 3 * x)
    u[:, 5] = 1e-4 * (-3 - 1) / 2
    u[:, 2] = 1e-3 * (x * x - x * y + 2 * y * y)
    u[:, 3], u[:, 4] = 1e-3 * (4 * y - x), -1e-3 * (2 * x - y)
    u = rotate_vectors(u.ravel(), ROTATION)
    shell = rotated(Shell(nodes, triangles, 0.7, E, NU), ROTATION)
    edge = (6 * np.flatnonzero(~inner)[:, None] + np.arange(6)).ravel()
    found = fixtures.impose_displacements(shell, edge, u[edge])
    assert found == pytest.approx(u, abs=1e-9 * np.abs(u).max())
    C = triangle.plane_stress_matrix(E, NU)
    for values, strain, stiff in zip(
        shell.resultants(found), ([2e-4, 1e-4, -2e-4], [-2e-3, -4e-3, 2e-3]), (0.7, 0.7**3 / 12), strict=True
    ):
        ex, ey, g = C @ strain * stiff
        expected = ROTATION @ np.array([[ex, g, 0], [g, ey, 0], [0, 0, 0]]) @ ROTATION.T
        assert fixtures.global_tensors(shell, values) == pytest.approx(
            np.broadcast_to(expected, (len(values), 3, 3)), abs=1e-8 * abs(ex)
        )


def test_stress_on_both_faces_in_bending_and_tension():
    """Strip under an end couple and a pull: s = N/t +- 6 M/t^2 along it, nothing across."""
    nodes, triangles = structured_meshes.rectangle(100, 10, 20, 2)
    shell = Shell(nodes, triangles, 2.0, E, NU)
    model = LinearModel(shell, np.concatenate([fixtures.dofs(fixtures.nodes_at(nodes, 0, 0), "135"), [1]]))
    tip = fixtures.nodes_at(nodes, 0, 100.0)
    pull, couple = 500.0, -300.0  # N; N mm about y, which lifts the tip
    u = model.solve(fixtures.line_load(shell, tip, 0, pull) + fixtures.line_load(shell, tip, 4, couple))
    top, bottom = (fixtures.global_tensors(shell, s) for s in shell.stress(u))
    middle = np.abs(shell.nodes[shell.triangles][:, :, 0].mean(axis=1) - 50) < 20
    N, M = pull / 10, -couple / 10
    assert u[6 * tip + 2].mean() > 0
    # lifted tip: the upper face is pressed
    assert top[middle, 0, 0] == pytest.approx(N / 2 - 6 * M / 4, rel=1e-3)
    assert bottom[middle, 0, 0] == pytest.approx(N / 2 + 6 * M / 4, rel=1e-3)
    assert np.abs(top[middle, 1, 1]).max() < 0.02 * abs(top[middle, 0, 0]).max()
    assert triangle.von_mises(np.array([[3.0, 0, 0], [0, 0, 2.0], [5.0, 5.0, 0]])) == pytest.approx([3, 2 * 3**0.5, 5])


# Mass


def test_mass_of_rigid_body_modes():
    shell = bumpy()
    R = rigid_body_modes(shell.nodes)
    M = R.T @ (shell.mass @ R)
    kg = RHO * shell.geometry.area.sum()
    assert np.diag(M)[:3] == pytest.approx(kg, rel=1e-12)
    assert shell.nodal_mass.sum() == pytest.approx(kg, rel=1e-12)
    assert np.abs(M[:3, :3] - np.diag(np.diag(M)[:3])).max() < 1e-12 * kg
    plate = Shell(*structured_meshes.rectangle(200, 150, 4, 4, "union"), 1.0, E, NU, RHO)
    R = rigid_body_modes(plate.nodes)
    kg = RHO * 200 * 150
    # about z through the centroid: m (a^2 + b^2)/12, and the lumped rotary inertia of the section, m t^2/12
    assert R[:, 5] @ (plate.mass @ R[:, 5]) == pytest.approx(kg * (200**2 + 150**2 + 1) / 12, rel=1e-12)


def test_added_masses_lower_the_frequency():
    plate = plate_model.rectangle(300, 200, "SSSS", 8)
    masses = np.zeros(plate.shell.dof_count)
    masses[6 * structured_meshes.nearest_node(plate.shell.nodes, (150, 100)) + 2] = 0.05
    loaded = replace(plate.linear_model, lumped_masses=masses)
    # Rayleigh: the mass is at the mode's largest displacement.  Scaled to 1 there, its modal mass is a quarter
    (f0,), shape = plate.linear_model.modes(1)
    (f1,), _ = loaded.modes(1)
    modal = shape[:, 0] @ (plate.shell.mass @ shape[:, 0]) / np.abs(shape[2::6]).max() ** 2
    assert modal == pytest.approx(RHO / 4 * 300 * 200, rel=0.03)
    assert 0.9 * f0 / np.sqrt(1 + 0.05 / modal) < f1 <= f0 / np.sqrt(1 + 0.05 / modal)

"""Laminated triangles: patch tests, the flat sheet as a laminate, layered media, stresses."""

from dataclasses import replace

import numpy as np
import pytest

from stiffen.fem import laminate, triangle
from stiffen.fem.laminate import Laminate, flat_sheet, mixed_form, stiffness_form, strain_rotation
from stiffen.fem.shell import Shell, rigid_body_modes
from stiffen.validation import structured_meshes
from stiffen.validation.corrugation import _uniform_strain_field

E, NU, T, RHO = 70e3, 0.33, 1.2, 2.7e-6
MODES = np.diag([1e-3, 2e-3, 1e-3, 1e-4, 2e-4, 1e-4])  # one strain or curvature a row


def patch(seed: int = 2) -> Shell:
    """A 90 x 70 sheet with its inner nodes moved about at random."""
    nodes, triangles = structured_meshes.rectangle(90, 70, 4, 4, "union")
    inner = (nodes[:, 0] > 1) & (nodes[:, 0] < 89) & (nodes[:, 1] > 1) & (nodes[:, 1] < 69)
    nodes[inner, :2] += np.random.default_rng(seed).uniform(-4, 4, (inner.sum(), 2))
    return Shell(nodes, triangles, T, E, NU, RHO)


def uniform(shell: Shell, C: np.ndarray) -> Shell:
    """The shell of a laminate C in global axes everywhere."""
    e1 = shell.geometry.frames[:, 0]
    R = strain_rotation(e1[:, 0], -e1[:, 1])
    m = len(shell.triangles)
    sheet = Laminate(R.transpose(0, 2, 1) @ C @ R, np.full(m, RHO * T), np.tile([1.0, 0.0], (m, 1)), np.zeros(m))
    return shell.with_laminate(sheet)


def coupled(seed: int = 4) -> np.ndarray:
    """A positive definite laminate with all its couplings, of the magnitude of sheet."""
    rng = np.random.default_rng(seed)
    scale = np.sqrt(np.diag(flat_sheet(E, NU, T)))
    factor = np.eye(6) + 0.35 * rng.standard_normal((6, 6))
    return scale[:, None] * (factor @ factor.T) * scale


def test_operators_of_the_membrane_give_its_stiffness():
    xy, area = patch().geometry.xy, patch().geometry.area
    C = triangle.plane_stress_matrix(E, NU)
    operators = triangle.membrane_operators(xy, area, NU)
    summed = T * np.einsum("mkia,ij,mkjb->mab", operators, C, operators)
    wanted = triangle.membrane_stiffness(xy, area, np.full(len(area), T), C, NU)
    assert summed == pytest.approx(wanted, abs=1e-12 * wanted.max())


LAMINATES = {"flat sheet": flat_sheet(E, NU, T), "all couplings": coupled()}


@pytest.mark.parametrize("C", LAMINATES.values(), ids=LAMINATES)
@pytest.mark.parametrize("strain", MODES, ids=["e_x", "e_y", "g_xy", "k_x", "k_y", "k_xy"])
def test_patch_of_constant_strain_or_curvature_is_exact(C, strain):
    shell = uniform(patch(), C)
    u = _uniform_strain_field(shell.nodes, strain)
    x, y, _ = shell.nodes.T
    inner = np.flatnonzero((x > 1) & (x < 89) & (y > 1) & (y < 69))
    forces = shell.stiffness @ u
    assert np.abs(forces.reshape(-1, 6)[inner]).max() < 1e-9 * np.abs(forces).max()
    assert u @ forces == pytest.approx(strain @ C @ strain * 90 * 70, rel=1e-10)
    # N and M in the triangles' frames: turned back they are C times the strains, the same everywhere
    N, M = shell.resultants(u)
    e1 = shell.geometry.frames[:, 0]
    back = strain_rotation(e1[:, 0], -e1[:, 1]).transpose(0, 2, 1)
    wanted = np.einsum("mij,mj->mi", back, np.tile(C @ strain, (len(e1), 1)))
    assert np.concatenate([N, M], axis=1) == pytest.approx(wanted, abs=1e-9 * np.abs(wanted).max())


def test_flat_laminate_is_the_flat_sheet_but_for_the_higher_order_weight():
    shell = patch()
    flat = uniform(shell, flat_sheet(E, NU, T))
    plain, ours = shell.element_stiffness, flat.element_stiffness
    bending = np.ix_(range(len(plain)), triangle.BENDING_DOFS, triangle.BENDING_DOFS)
    assert ours[bending] == pytest.approx(plain[bending], abs=1e-12 * np.abs(plain[bending]).max())
    plane = np.ix_(range(len(plain)), triangle.MEMBRANE_DOFS, triangle.MEMBRANE_DOFS)
    # the higher-order part acts on deviations from constant strain only: less of it, and nothing else
    less = plain[plane] - ours[plane]
    ranks = [np.linalg.matrix_rank(one, tol=1e-9 * np.abs(plain).max()) for one in less]
    assert ranks == [3] * len(less)
    assert np.linalg.eigvalsh(less).min() > -1e-9 * np.abs(plain).max()
    # beta0 = (1 - 4 nu2)/2 of Felippa (2003), ours 0.01
    beta0 = (1 - 4 * NU**2) / 2
    whole = less * beta0 / (beta0 - 0.01)
    basic = plain[plane] - whole
    assert [np.linalg.matrix_rank(one, tol=1e-9 * np.abs(plain).max()) for one in basic] == [3] * len(basic)


@pytest.mark.parametrize("C", LAMINATES.values(), ids=LAMINATES)
def test_rigid_body_motions_cost_nothing_and_all_else_does(C):
    shell = uniform(patch(), C)
    K = shell.stiffness
    assert np.abs(K @ rigid_body_modes(shell.nodes)).max() < 1e-9 * abs(K).max() * 100
    assert abs(K - K.T).max() < 1e-12 * abs(K).max()
    values = np.linalg.eigvalsh(shell.element_stiffness[5])
    assert (np.abs(values) < 1e-9 * values[-1]).sum() == 6 and values[0] > -1e-9 * values[-1]


def test_mixed_and_stiffness_form_are_inverses():
    C = np.stack([coupled(seed) for seed in range(5)])
    assert stiffness_form(mixed_form(C)) == pytest.approx(C, rel=1e-9)
    strain = np.random.default_rng(0).standard_normal(6)
    force = C[0] @ strain
    given = np.concatenate([strain[laminate.SHARED], force[laminate.PASSED_ON]])
    found = mixed_form(C)[0] @ given
    assert found == pytest.approx(np.concatenate([force[laminate.SHARED], strain[laminate.PASSED_ON]]), rel=1e-9)


def test_strips_side_by_side_are_in_series_across_and_parallel_along():
    """The exact constants of a layered medium, in closed form (G. E. Backus, J. Geophys. Res. 67 (1962) 4427-4440)."""
    share, moduli = np.array([0.3, 0.7]), np.array([70e3, 4e3])
    mixed = sum(p * mixed_form(flat_sheet(e, NU, T)) for p, e in zip(share, moduli, strict=True))
    C = stiffness_form(mixed)
    across = 1 / np.sum(share * (1 - NU**2) / (moduli * T))
    assert C[1, 1] == pytest.approx(across)
    assert C[0, 1] == pytest.approx(NU * across)
    assert C[0, 0] == pytest.approx(np.sum(share * moduli * T) + NU**2 * across)
    assert C[2, 2] == pytest.approx(1 / np.sum(share * 2 * (1 + NU) / (moduli * T)))
    assert C[:3, 3:] == pytest.approx(0, abs=1e-9)
    # the plate alike, but that twist is shared: D66 is the mean
    assert C[4, 4] == pytest.approx(1 / np.sum(share * (1 - NU**2) * 12 / (moduli * T**3)))
    assert C[5, 5] == pytest.approx(np.sum(share * moduli) * T**3 / 24 / (1 + NU))


def test_rotation_keeps_energy_and_turns_back():
    C, angle = coupled(), 0.7
    R = strain_rotation(np.cos(angle), np.sin(angle))
    assert R @ strain_rotation(np.cos(angle), -np.sin(angle)) == pytest.approx(np.eye(6), abs=1e-12)
    quarter = strain_rotation(0.0, 1.0)
    turned = quarter.T @ C @ quarter
    assert turned[0, 0] == pytest.approx(C[1, 1]) and turned[4, 4] == pytest.approx(C[3, 3])
    iso = flat_sheet(E, NU, T)
    assert R.T @ iso @ R == pytest.approx(iso, abs=1e-9 * iso.max())


@pytest.mark.parametrize("strain", MODES, ids=["e_x", "e_y", "g_xy", "k_x", "k_y", "k_xy"])
def test_stress_of_flat_sheet_is_that_of_the_isotropic_element(strain):
    shell = patch()
    flat = uniform(shell, flat_sheet(E, NU, T))
    u = _uniform_strain_field(shell.nodes, strain)
    plain, ours = shell.stress(u), flat.stress(u)
    for a, b in zip(plain, ours, strict=True):
        assert triangle.von_mises(b) == pytest.approx(triangle.von_mises(a), rel=1e-9)
        assert b[:, :2].sum(axis=1) == pytest.approx(a[:, :2].sum(axis=1), rel=1e-9, abs=1e-9)


def test_crest_of_an_offset_strip_is_strained_by_its_height():
    """Sheet at a constant height under curvature along it alone: Navier's E z k, by beam theory."""
    height, k = 6.0, 1e-4
    shell = patch()
    moved = flat_sheet(E, 0.0, T)
    moved[:3, 3:] = moved[3:, :3] = height * moved[:3, :3]
    moved[3:, 3:] += height**2 * moved[:3, :3]
    one = replace(uniform(replace(shell, nu=0.0), moved))
    m = len(shell.triangles)
    e1 = shell.geometry.frames[:, 0]
    one = one.with_laminate(
        replace(one.laminate, crest=np.full(m, height), axis=np.column_stack([e1[:, 0], -e1[:, 1]]))
    )
    upper, _ = one.stress(_uniform_strain_field(shell.nodes, np.array([0, 0, 0, k, 0, 0])))
    assert upper[:, 0] == pytest.approx(E * height * k, rel=1e-9)


def test_with_laminate_keeps_the_mesh_and_its_mass():
    shell = patch()
    flat = uniform(shell, flat_sheet(E, NU, T))
    assert flat.pattern is shell.pattern and flat.dissection is shell.dissection
    assert abs(flat.mass - shell.mass).max() < 1e-12 * shell.mass.max()
    assert flat.nodal_mass.sum() == pytest.approx(RHO * T * 90 * 70)

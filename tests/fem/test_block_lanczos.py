"""Block Lanczos against LAPACK's dense solver and ARPACK (scipy)."""

import numpy as np
import pytest
import scipy.linalg
import scipy.sparse as sp
from scipy.sparse.linalg import eigsh, splu
from support.panels import lid

from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.supports import FREE
from stiffen.fem.block_lanczos import largest_eigenvalues
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout

TOLERANCE = 1e-10


def problem(n=200, seed=1, definite=True):
    """Symmetric K (positive definite) and B; the eigenvalues of K^-1 B fall as those of a plate do."""
    rng = np.random.default_rng(seed)
    values = 1.0 / np.arange(1, n + 1) ** 2
    if not definite:
        values[1::2] *= -1
    A = rng.standard_normal((n, n))
    K = A @ A.T + n * np.eye(n)
    L = np.linalg.cholesky(K)
    Q = np.linalg.qr(rng.standard_normal((n, n)))[0]
    B = L @ (Q * values) @ Q.T @ L.T
    return K, (B + B.T) / 2


@pytest.mark.parametrize("definite", [True, False])
@pytest.mark.parametrize("count", [1, 3, 7])
def test_dense_solver(definite, count):
    K, B = problem(definite=definite)
    expected, _ = scipy.linalg.eigh(B, K)
    values, vectors = largest_eigenvalues(lambda b: np.linalg.solve(K, b), sp.csr_matrix(B), count, TOLERANCE)
    assert values == pytest.approx(expected[::-1][:count], rel=1e-9)
    assert B @ vectors == pytest.approx(K @ vectors * values, abs=1e-5 * np.abs(B @ vectors).max())
    assert vectors.T @ K @ vectors == pytest.approx(np.eye(count), abs=1e-6)


def test_equal_eigenvalues():
    """As many equal eigenvalues as are asked for are all found."""
    values = np.array([5.0] * 6 + [1.0 / k for k in range(1, 60)])
    found, _ = largest_eigenvalues(lambda b: b, sp.diags(values).tocsr(), 6, TOLERANCE)
    assert found == pytest.approx([5.0] * 6, rel=1e-9)


def test_fewer_than_asked_for():
    found, vectors = largest_eigenvalues(lambda b: b, sp.diags([3.0, 1.0]).tocsr(), 4, TOLERANCE)
    assert found == pytest.approx([3.0, 1.0])
    assert vectors.shape == (2, 2)


def test_nothing_positive():
    """A load that buckles nothing: all eigenvalues are negative; the largest is near zero, and the search ends."""
    found, _ = largest_eigenvalues(lambda b: b, sp.diags(-1.0 / np.arange(1, 2001)).tocsr(), 1, TOLERANCE)
    assert -1e-3 < found[0] < 0


def linear_model():
    panel, flat = lid(), Layout(1.0)
    return build_panel_model(panel, flat, mesh_panel(panel, flat, mesh_level="quick"), FREE).linear_model


def test_modes_as_by_arpack():
    model = linear_model()
    K, M = (matrix[model.free][:, model.free].tocsc() for matrix in (model.stiffness, model.mass * 1e-3))
    squares = eigsh(K, 6, M, sigma=0.0, return_eigenvectors=False)
    hertz, shapes = model.modes(6)
    assert hertz == pytest.approx(np.sort(np.sqrt(squares)) / (2 * np.pi), rel=1e-9)
    assert shapes[model.free].T @ M @ shapes[model.free] == pytest.approx(np.eye(6), abs=1e-6)


def test_compliances_as_by_superlu():
    model = linear_model()
    forces = np.zeros((model.shell.dof_count, 5))
    forces[model.free] = np.random.default_rng(2).standard_normal((len(model.free), 5))
    u = splu(model.stiffness[model.free][:, model.free].tocsc()).solve(forces[model.free])
    assert model.compliances(forces) == pytest.approx((forces[model.free] * u).sum(axis=0), rel=1e-9)

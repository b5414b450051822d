"""Multifrontal factors against scipy's general solvers and dense eigenvalues."""

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.sparse.linalg import spsolve

from stiffen.fem.direct_solvers.multifrontal import Dissection, SingularError, factorise
from stiffen.fem.shell import AssemblyPattern
from stiffen.validation import structured_meshes


def meshed(nx, ny, leaf=6):
    """Nodes and graph of a rectangle of triangles, dissected."""
    nodes, triangles = structured_meshes.rectangle(10.0 * nx, 10.0 * ny, nx, ny, "union")
    graph = AssemblyPattern.of(triangles, len(nodes)).graph
    return nodes, graph, Dissection.of(nodes, *graph, leaf=leaf)


def matrix(graph, b, shift=0.0, seed=1):
    """A symmetric matrix of b x b blocks on a graph, diagonally dominant by 1 - shift."""
    starts, neighbours = graph
    n = len(starts) - 1
    rows = np.repeat(np.arange(n), np.diff(starts))
    blocks = np.random.default_rng(seed).normal(size=(len(rows), b, b))
    half = sp.bsr_matrix((blocks, neighbours, starts), shape=(n * b, n * b)).tocsr()
    K = half + half.T
    return (K + sp.diags(abs(K).sum(axis=1).A1 + 1.0 - shift)).tocsr()


@pytest.mark.parametrize("leaf", [1, 6, 10_000])
@pytest.mark.parametrize("b", [1, 3, 6])
def test_solves_on_the_free_dofs_as_scipy_does(b, leaf):
    nodes, graph, dissection = meshed(9, 7, leaf)
    K = matrix(graph, b)
    constrained = np.random.default_rng(2).random(K.shape[0]) < 0.2
    free = np.flatnonzero(~constrained)
    loads = np.random.default_rng(3).normal(size=(K.shape[0], 3))
    x = factorise(dissection, K, constrained).solve(loads)
    assert np.all(x[constrained] == 0)
    assert x[free] == pytest.approx(spsolve(K[free][:, free].tocsc(), loads[free]), rel=1e-9, abs=1e-12)
    assert factorise(dissection, K, constrained).solve(loads[:, 1]) == pytest.approx(x[:, 1], abs=1e-14)


def test_the_scatter_map_is_reused_only_for_the_same_pattern():
    _, graph, dissection = meshed(9, 7)
    K = matrix(graph, 2)
    none = np.zeros(K.shape[0], bool)
    loads = np.ones(K.shape[0])
    fewer = sp.block_diag([K[i : i + 2, i : i + 2] for i in range(0, K.shape[0], 2)]).tocsr()
    for some in (K, fewer, K):
        assert some @ factorise(dissection, some, none).solve(loads) == pytest.approx(loads)


def test_negative_eigenvalues_are_counted():
    """Sylvester: as many negative pivots as negative eigenvalues."""
    _, graph, dissection = meshed(7, 6)
    none = np.zeros(2 * len(graph[0]) - 2, bool)
    counts = []
    for shift in (0.0, 8.0, 14.0, 25.0, 100.0):
        K = matrix(graph, 2, shift)
        factors = factorise(dissection, K, none, positive_definite=False)
        assert factors.negative_eigenvalues == (np.linalg.eigvalsh(K.toarray()) < 0).sum()
        counts.append(factors.negative_eigenvalues)
        x = factors.solve(np.ones((len(none), 2)))
        assert K @ x == pytest.approx(np.ones((len(none), 2)), abs=1e-7)
    assert counts[0] == 0 < counts[1] < counts[-1] == len(none)


def test_indefinite_and_singular_matrices_are_refused():
    _, graph, dissection = meshed(7, 6)
    none = np.zeros(2 * len(graph[0]) - 2, bool)
    with pytest.raises(SingularError, match="not positive definite"):
        factorise(dissection, matrix(graph, 2, 50.0), none)
    with pytest.raises(SingularError, match="singular"):
        factorise(dissection, 0 * matrix(graph, 2), none, positive_definite=False)


def test_unconnected_parts():
    nodes, (starts, neighbours), _ = meshed(5, 4)
    n = len(nodes)
    twice = np.concatenate([starts, starts[1:] + starts[-1]]), np.concatenate([neighbours, neighbours + n])
    # both parts lie at the same points, so that no separator can tell them apart
    dissection = Dissection.of(np.vstack([nodes, nodes]), *twice, leaf=4)
    K = matrix(twice, 1)
    assert K @ factorise(dissection, K, np.zeros(2 * n, bool)).solve(np.ones(2 * n)) == pytest.approx(np.ones(2 * n))


def test_fronts_couple_later_nodes_only_and_eliminate_every_node_once():
    _, (starts, neighbours), dissection = meshed(20, 13)
    n = len(starts) - 1
    assert sorted(dissection.position) == list(range(n))
    assert [front.first for front in dissection.fronts] == [0, *(front.last for front in dissection.fronts[:-1])]
    for front in dissection.fronts:
        assert np.all(front.boundary >= front.last)
        for child, runs in front.children:
            own = np.concatenate([np.arange(front.first, front.last), front.boundary])
            seen = np.concatenate([own[at : at + end - start] for start, end, at in runs])
            assert np.array_equal(seen, dissection.fronts[child].boundary)


def test_fill_is_that_of_nested_dissection():
    """George 1973 (from memory): a k x k grid of bilinear squares fills at most 31/4 k^2 log2 k, to first order.

    Triangles couple fewer nodes than squares; the separators here are not the ideal ones.
    """
    k = 64
    _, _, dissection = meshed(k, k, leaf=4)
    fill = sum((p := f.last - f.first) * (p + 1) // 2 + p * len(f.boundary) for f in dissection.fronts)
    assert fill < 31 / 4 * (k + 1) ** 2 * np.log2(k + 1)

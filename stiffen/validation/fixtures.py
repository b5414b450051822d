"""Supports, loads and results for the validation models."""

from __future__ import annotations

import numpy as np

from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell


def nodes_at(nodes: np.ndarray, axis: int, value: float) -> np.ndarray:
    """Numbers of the nodes (n, 3) whose coordinate along `axis` is `value`."""
    return np.flatnonzero(np.abs(nodes[:, axis] - value) < 1e-6 * np.ptp(nodes, axis=0).max())


def dofs(nodes: np.ndarray, which: str) -> np.ndarray:
    """DOF numbers of nodes, by the digits 1-6 (ux, uy, uz, rx, ry, rz)."""
    return np.concatenate([6 * nodes + int(digit) - 1 for digit in which])


def symmetry_dofs(nodes: np.ndarray, axis: int, value: float) -> np.ndarray:
    """DOFs fixed on the plane of symmetry at `value` of `axis`."""
    return dofs(nodes_at(nodes, axis, value), ("156", "246", "345")[axis])


def impose_displacements(shell: Shell, fixed: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(6 n,) displacements without loads, with the DOFs `fixed` (k,) at the given values (k,)."""
    model = LinearModel(shell, fixed)
    u = np.zeros(shell.dof_count)
    u[fixed] = values
    u[model.free] = model.solve_free(-(shell.stiffness @ u)[model.free])
    return u


def line_load(shell: Shell, nodes: np.ndarray, freedom: int, total: float) -> np.ndarray:
    """(6 n,) forces of a uniform line load of `total` on a line of nodes, along DOF `freedom` (0 to 5)."""
    place = shell.nodes[nodes]
    order = nodes[np.argsort(place @ (place[-1] - place[0]))]
    gaps = np.linalg.norm(np.diff(shell.nodes[order], axis=0), axis=1)
    out = np.zeros(shell.dof_count)
    out[6 * order[:-1] + freedom] += total * gaps / gaps.sum() / 2
    out[6 * order[1:] + freedom] += total * gaps / gaps.sum() / 2
    return out


def tip_displacement(model: LinearModel, tip: np.ndarray, freedom: int, force: float = 1.0) -> float:
    """Mean displacement of the tip nodes under a force that is spread over them, along that force."""
    u = model.solve(line_load(model.shell, tip, freedom, force))
    return float(u[6 * tip + freedom].mean())


def global_tensors(shell: Shell, values: np.ndarray) -> np.ndarray:
    """(m, 3, 3) tensors in global axes from (m, 3) = (xx, yy, xy) in the triangles' own axes."""
    plane = np.empty((len(values), 2, 2))
    plane[:, 0, 0], plane[:, 1, 1] = values[:, 0], values[:, 1]
    plane[:, 0, 1] = plane[:, 1, 0] = values[:, 2]
    own = shell.geometry.frames[:, :2]
    return own.transpose(0, 2, 1) @ plane @ own


def value_at(shell: Shell, values: np.ndarray, point: tuple[float, float, float], count: int = 24) -> np.ndarray:
    """The value at a point, from values (m, ...) at the centroids.

    A quadratic in the plane is fitted to the `count` nearest centroids.
    """
    centres = shell.nodes[shell.triangles].mean(axis=1)
    gap = centres - np.asarray(point, float)
    near = np.argsort(np.linalg.norm(gap, axis=1), kind="stable")[:count]
    frame = shell.geometry.frames[near[0]]
    x, y, _ = (gap[near] @ frame.T / np.abs(gap[near]).max()).T
    terms = np.column_stack([np.ones(count), x, y, x * x, x * y, y * y])
    fit = np.linalg.lstsq(terms, values[near].reshape(count, -1), rcond=None)[0]
    return fit[0].reshape(values.shape[1:])

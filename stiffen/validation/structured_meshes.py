"""Structured triangulations for validation: rectangles, rings, strips, and shells mapped from them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

ClosedCurve = Callable[[np.ndarray], np.ndarray]
PATTERNS = ("cross", "union", "one", "other")


def grid(us: np.ndarray, vs: np.ndarray, pattern: str = "cross") -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 2) and counter-clockwise triangles (m, 3) over the lines u = us and v = vs.

    pattern: "cross" four triangles a cell about a middle node; "union" two, with diagonals that alternate from cell to
    cell (union jack); "one" and "other" two, with all diagonals rising or falling.  Grid node (i, j) is i len(vs) + j.
    """
    us, vs = np.asarray(us, float), np.asarray(vs, float)
    U, V = np.meshgrid(us, vs, indexing="ij")
    nodes = np.column_stack([U.ravel(), V.ravel()])
    i, j = (k.ravel() for k in np.meshgrid(np.arange(len(us) - 1), np.arange(len(vs) - 1), indexing="ij"))
    a = i * len(vs) + j
    b, c, d = a + len(vs), a + len(vs) + 1, a + 1
    if pattern == "cross":
        middle = len(nodes) + np.arange(len(a))
        nodes = np.vstack([nodes, (nodes[a] + nodes[b] + nodes[c] + nodes[d]) / 4])
        parts = [(a, b, middle), (b, c, middle), (c, d, middle), (d, a, middle)]
        return nodes, np.concatenate([np.column_stack(part) for part in parts])
    rising = {"union": (i + j) % 2 == 0, "one": np.ones(len(a), bool), "other": np.zeros(len(a), bool)}[pattern]
    first = np.where(rising, c, d)
    second = np.where(rising, a, b)
    return nodes, np.concatenate([np.column_stack([a, b, first]), np.column_stack([c, d, second])])


def rectangle(a: float, b: float, nx: int, ny: int, pattern: str = "cross") -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 3) in the plane z = 0 and triangles of the rectangle 0..a by 0..b, in nx by ny cells."""
    nodes, triangles = grid(np.linspace(0, a, nx + 1), np.linspace(0, b, ny + 1), pattern)
    return with_heights(nodes), triangles


def with_heights(nodes: np.ndarray, z: np.ndarray | float = 0.0) -> np.ndarray:
    """Nodes (n, 3) from plan nodes (n, 2) and heights z."""
    return np.column_stack([nodes, np.broadcast_to(z, len(nodes))])


def weld(nodes: np.ndarray, triangles: np.ndarray, digits: int = 6) -> tuple[np.ndarray, np.ndarray]:
    """Merge nodes that agree to `digits` decimals and drop triangles that this makes degenerate."""
    _, keep, place = np.unique(np.round(nodes, digits) + 0.0, axis=0, return_index=True, return_inverse=True)
    triangles = place.ravel()[triangles]
    whole = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    return nodes[keep], triangles[whole]


def ring(inner: ClosedCurve, outer: ClosedCurve, rows: np.ndarray, around: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 3) and triangles between two closed curves in the plane z = 0.

    inner, outer: functions of s in 0..1 (once around, counter-clockwise) that give (k, 2) points.  rows: position of
    each row of nodes, from 0 at the inner curve to 1 at the outer.  `inner` may be a point.
    """
    plan, triangles = grid(rows, np.linspace(0, 1, around + 1))
    r, s = plan[:, :1], plan[:, 1] % 1.0
    return weld(with_heights((1 - r) * inner(s) + r * outer(s)), triangles)


def circle(radius: float) -> ClosedCurve:
    """The circle about the origin, for `ring`."""
    return lambda s: radius * np.column_stack([np.cos(2 * np.pi * s), np.sin(2 * np.pi * s)])


def square(half: float) -> ClosedCurve:
    """The square of side 2 half about the origin, for `ring`; its points have the polar angles of those of `circle`."""

    def outline(s: np.ndarray) -> np.ndarray:
        direction = np.column_stack([np.cos(2 * np.pi * s), np.sin(2 * np.pi * s)])
        return half * direction / np.abs(direction).max(axis=1, keepdims=True)

    return outline


def nearest_node(nodes: np.ndarray, point: tuple[float, ...]) -> int:
    """The node nearest to a point; in plan if two coordinates are given."""
    return int(np.argmin(np.linalg.norm(nodes[:, : len(point)] - np.asarray(point, float), axis=1)))


def unit_pressure_forces(nodes: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """(n, 3) nodal forces of 1 MPa along the normals, N; each corner takes a third of its triangle's."""
    corners = nodes[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    out = np.zeros((len(nodes), 3))
    np.add.at(out, triangles, np.repeat(normal[:, None] / 3, 3, axis=1))
    return out


def sphere_octant(n: int, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and triangles of the octant x, y, z >= 0 of a sphere, n near-equilateral triangles along each edge."""
    i, j = (k.ravel() for k in np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij"))
    inside = i + j <= n
    number = np.full((n + 1, n + 1), -1)
    number[i[inside], j[inside]] = np.arange(inside.sum())
    flat = np.column_stack([i, j, n - i - j])[inside].astype(float)
    # equal steps of angle, not of chord, keep the triangles alike in size
    bent = np.sin(np.pi / 2 * flat / n)
    up = [(a, b) for a in range(n) for b in range(n - a)]
    down = [(a, b) for a in range(n - 1) for b in range(n - 1 - a)]
    triangles = [(number[a, b], number[a + 1, b], number[a, b + 1]) for a, b in up]
    triangles += [(number[a + 1, b], number[a + 1, b + 1], number[a, b + 1]) for a, b in down]
    return radius * bent / np.linalg.norm(bent, axis=1, keepdims=True), np.array(triangles)

"""Shell element: a flat triangle with six DOFs a node, all triangles of a mesh at once.

Bending is the discrete-Kirchhoff triangle of J.-L. Batoz, K.-J. Bathe and L.-W. Ho, "A study of three-node triangular
plate bending elements", Int. J. Num. Meth. Eng. 15 (1980) 1771-1812.  The membrane with drilling rotation is the
optimal triangle OPT of C. A. Felippa, "A study of optimal membrane triangles with drilling freedoms", Comput. Methods
Appl. Mech. Eng. 192 (2003) 2125-2168.

DOFs of a node in the triangle's own frame: ux, uy, uz, rx, ry, rz; rotations are right-handed about their axis,
so that rx = dw/dy and ry = -dw/dx.  Curvatures are kappa = (ry,x; -rx,y; ry,y - rx,x), i.e. minus the second
derivatives of w; a fibre at height z over the mid-surface is strained by z kappa.
m is the number of triangles throughout.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

CHUNK_SIZE = 512  # triangles handled together in the matrix loops
MEMBRANE_DOFS = np.array([0, 1, 5, 6, 7, 11, 12, 13, 17])  # ux, uy, rz of the three nodes
BENDING_DOFS = np.array([2, 3, 4, 8, 9, 10, 14, 15, 16])  # uz, rx, ry of the three nodes
MID_SIDE_POINTS = np.array([[0.5, 0.5, 0.0], [0.0, 0.5, 0.5], [0.5, 0.0, 0.5]])  # exact for quadratics, weights 1/3
CENTROID = np.full((1, 3), 1 / 3)
# Degree-four rule of G. R. Cowper, Int. J. Num. Meth. Eng. 7 (1973) 405-408: six points.
_A, _B = 0.445948490915965, 0.091576213509771
SIX_POINTS = np.array(
    [[1 - 2 * c, c, c] for c in (_A, _B)]
    + [[c, 1 - 2 * c, c] for c in (_A, _B)]
    + [[c, c, 1 - 2 * c] for c in (_A, _B)]
)
SIX_WEIGHTS = np.array([0.223381589678011, 0.109951743655322] * 3)


@dataclass(frozen=True, eq=False)
class TriangleFrames:
    """Plane triangles in space.

    frames: (m, 3, 3), rows are the unit vectors e1, e2, e3 of each triangle (e1 along side 1-2, e3 the normal).
    xy: (m, 3, 2) corner coordinates in that frame, origin at the centroid, mm.  area: (m,) mm2.
    """

    frames: np.ndarray
    xy: np.ndarray
    area: np.ndarray


def triangle_frames(nodes: np.ndarray, triangles: np.ndarray) -> TriangleFrames:
    """Frames, local corners and areas of triangles (m, 3) over nodes (n, 3)."""
    return frames_of_corners(nodes[triangles])


def frames_of_corners(corners: np.ndarray) -> TriangleFrames:
    """Frames, local corners and areas of triangles given by their corners (m, 3, 3)."""
    side = corners[:, 1] - corners[:, 0]
    normal = np.cross(side, corners[:, 2] - corners[:, 0])
    double_area = np.linalg.norm(normal, axis=1)
    e1 = side / np.linalg.norm(side, axis=1)[:, None]
    e3 = normal / double_area[:, None]
    frames = np.stack([e1, np.cross(e3, e1), e3], axis=1)
    local = (corners - corners.mean(axis=1, keepdims=True)) @ frames.transpose(0, 2, 1)
    return TriangleFrames(frames, local[:, :, :2], double_area / 2)


def plane_stress_matrix(E: float, nu: float) -> np.ndarray:
    """(3, 3) plane-stress matrix for (e_x, e_y, gamma_xy), MPa."""
    return E / (1 - nu**2) * np.array([[1, nu, 0], [nu, 1, 0], [0, 0, (1 - nu) / 2]])


def _sides(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x_ij and y_ij of sides 12, 23, 31 (each (m, 3)), with x_ij = x_i - x_j."""
    d = xy - xy[:, [1, 2, 0]]
    return d[:, :, 0], d[:, :, 1]


def lumping_matrix(xy: np.ndarray) -> np.ndarray:
    """(m, 9, 3) force-lumping matrix L over thickness (alpha_b = 3/2): constant stress s gives nodal forces t L s.

    Its transpose over the area is the mean strain: e = L^T u / A.  Order of u: ux, uy, rz of nodes 1, 2, 3.
    """
    x, y = _sides(xy)
    x12, x23, x31 = x.T
    y12, y23, y31 = y.T
    s, d = 1.5 / 6, 1.5 / 3  # alpha_b/6 and alpha_b/3 of the paper, alpha_b = 3/2
    L = np.zeros((len(xy), 9, 3))
    for k, (ya, xa, yb, xb, yc, xc) in enumerate(
        (
            (y23, x23, y31, x31, y12, x12),  # node 1: opposite side 23, then the sides 31 and 12 that meet there
            (y31, x31, y12, x12, y23, x23),
            (y12, x12, y23, x23, y31, x31),
        )
    ):
        # rows of node i: ux and uy by the opposite side jk, rz by the two sides that meet at the node
        L[:, 3 * k, 0] = ya
        L[:, 3 * k, 2] = -xa
        L[:, 3 * k + 1, 1] = -xa
        L[:, 3 * k + 1, 2] = ya
        L[:, 3 * k + 2, 0] = s * ya * (yc - yb)
        L[:, 3 * k + 2, 1] = s * xa * (xc - xb)
        L[:, 3 * k + 2, 2] = d * (xc * yc - xb * yb)
    return L / 2


def constant_stress_forces(xy: np.ndarray, N: np.ndarray) -> np.ndarray:
    """(m, 18) nodal forces of triangles with corners xy (m, 3, 2) under constant membrane forces N (m, 3) N/mm."""
    forces = np.zeros((len(xy), 18))
    forces[:, MEMBRANE_DOFS] = (lumping_matrix(xy) @ N[:, :, None])[:, :, 0]
    return forces


def membrane_stiffness(xy: np.ndarray, area: np.ndarray, t: np.ndarray | float, C: np.ndarray, nu: float) -> np.ndarray:
    """(m, 9, 9) membrane stiffness of the OPT triangle, N/mm; order ux, uy, rz of nodes 1, 2, 3.

    C: (3, 3) plane-stress matrix.  Basic part L C L^T t/A; higher part (3/4) beta0 t A T^T (sum Q^T Enat Q) T, with
    Enat = Te^T C Te (notation of Felippa 2003).
    """
    L = lumping_matrix(xy)
    basic = (L @ C) @ L.transpose(0, 2, 1) * (t / area)[:, None, None]
    T, Te, Qs = _higher_order(xy, area)
    natural = Te.transpose(0, 2, 1) @ C @ Te
    higher = np.zeros((len(area), 3, 3))
    for Q in Qs:
        higher += Q.transpose(0, 2, 1) @ natural @ Q
    higher *= (0.75 * _higher_weight(nu) * area * t)[:, None, None]
    return basic + T.transpose(0, 2, 1) @ higher @ T


def membrane_operators(xy: np.ndarray, area: np.ndarray, nu: float) -> np.ndarray:
    """(m, 4, 3, 9) operators E of the OPT triangle: `membrane_stiffness` is t times the sum of E_k^T C E_k."""
    T, Te, Qs = _higher_order(xy, area)
    weight = np.sqrt(0.75 * _higher_weight(nu) * area)[:, None, None]
    mean = lumping_matrix(xy).transpose(0, 2, 1) / np.sqrt(area)[:, None, None]
    return np.stack([mean, *(weight * (Te @ Q @ T) for Q in Qs)], axis=1)


def _higher_weight(nu: float) -> float:
    """beta0: the paper's optimum for in-plane bending, kept positive for nu near 1/2."""
    return max(0.01, (1 - 4 * nu**2) / 2)


def _higher_order(xy: np.ndarray, area: np.ndarray) -> tuple[np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
    """T (m, 3, 9), Te (m, 3, 3) and the three means (m, 3, 3) of Q of the OPT triangle's higher-order part."""
    x, y = _sides(xy)
    x12, x23, x31 = x.T
    y12, y23, y31 = y.T
    l21, l32, l13 = (x**2 + y**2).T  # squared lengths
    zero, four = np.zeros_like(area), 4 * area
    x32, y32, x13, y13, x21, y21 = -x23, -y23, -x31, -y31, -x12, -y12
    # T: nodal rotations less the mean rotation of the triangle, from (ux, uy, rz) of the nodes
    T = (
        np.stack(
            [
                np.stack([x32, y32, four, x13, y13, zero, x21, y21, zero], axis=1),
                np.stack([x32, y32, zero, x13, y13, four, x21, y21, zero], axis=1),
                np.stack([x32, y32, zero, x13, y13, zero, x21, y21, four], axis=1),
            ],
            axis=1,
        )
        / (four[:, None, None])
    )
    # Te: (e_x, e_y, gamma_xy) from the natural strains along the three sides
    Te = (
        np.stack(
            [
                np.stack([y23 * y13 * l21, y31 * y21 * l32, y12 * y32 * l13], axis=1),
                np.stack([x23 * x13 * l21, x31 * x21 * l32, x12 * x32 * l13], axis=1),
                np.stack(
                    [
                        (y23 * x31 + x32 * y13) * l21,
                        (y31 * x12 + x13 * y21) * l32,
                        (y12 * x23 + x21 * y32) * l13,
                    ],
                    axis=1,
                ),
            ],
            axis=1,
        )
        / (4 * area**2)[:, None, None]
    )
    # beta_1..9 = 1, 2, 1, 0, 1, -1, -1, -1, -2 laid out as in the paper's Q1, Q2, Q3
    q1 = np.array([[1, 2, 1], [0, 1, -1], [-1, -1, -2]])
    q2 = np.array([[-2, -1, -1], [1, 1, 2], [-1, 0, 1]])
    q3 = np.array([[1, -1, 0], [-1, -2, -1], [2, 1, 1]])
    scale = (2 * area / 3)[:, None] / np.stack([l21, l32, l13], axis=1)
    Qs = tuple(scale[:, :, None] * ((qa + qb) / 2) for qa, qb in ((q1, q2), (q2, q3), (q3, q1)))
    return T, Te, Qs


def _quadratic_shapes(L: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Quadratic shape functions N (q, 6) and their derivatives by xi and eta, at area coordinates L (q, 3)."""
    _, xi, eta = L.T
    one = 1 - xi - eta
    N = np.stack(
        [one * (2 * one - 1), xi * (2 * xi - 1), eta * (2 * eta - 1), 4 * xi * eta, 4 * eta * one, 4 * xi * one], axis=1
    )
    zero = np.zeros_like(xi)
    by_xi = np.stack([1 - 4 * one, 4 * xi - 1, zero, 4 * eta, -4 * eta, 4 * (one - xi)], axis=1)
    by_eta = np.stack([1 - 4 * one, zero, 4 * eta - 1, 4 * xi, 4 * (one - eta), -4 * xi], axis=1)
    return N, by_xi, by_eta


def _rotation_weights(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(m, 6, 9) matrices Hx, Hy: rotations of the normal beta = N (q, 6) @ H @ u, u = (uz, rx, ry) of the nodes.

    a to e are a_k to e_k of Batoz, Bathe and Ho, for the sides 12, 23, 31.
    """
    x, y = _sides(xy)
    square = x**2 + y**2
    a = -x / square
    b = 0.75 * x * y / square
    c = (0.25 * x**2 - 0.5 * y**2) / square
    d = -y / square
    e = (0.25 * y**2 - 0.5 * x**2) / square
    Hx = np.zeros((len(xy), 6, 9))
    Hy = np.zeros_like(Hx)
    # side between nodes i and j: (column in the tables above, its mid-side function)
    for side, mid, i, j in ((1, 3, 1, 2), (2, 4, 2, 0), (0, 5, 0, 1)):
        for node, sign in ((i, 1.0), (j, -1.0)):
            Hx[:, mid, 3 * node] = sign * 1.5 * a[:, side]
            Hx[:, mid, 3 * node + 1] = b[:, side]
            Hx[:, mid, 3 * node + 2] = -c[:, side]
            Hy[:, mid, 3 * node] = sign * 1.5 * d[:, side]
            Hy[:, mid, 3 * node + 1] = e[:, side]
            Hy[:, mid, 3 * node + 2] = -b[:, side]
    for node in range(3):
        Hx[:, node, 3 * node + 2] = 1.0
        Hy[:, node, 3 * node + 1] = -1.0
    return Hx, Hy


def curvature_matrix(xy: np.ndarray, area: np.ndarray, L: np.ndarray) -> np.ndarray:
    """(m, q, 3, 9) matrix B of the bending triangle at area coordinates L (q, 3): kappa = B (uz, rx, ry)."""
    _, by_xi, by_eta = _quadratic_shapes(L)
    Hx, Hy = _rotation_weights(xy)
    x, y = _sides(xy)
    x12, x31, y12, y31 = (v[:, None, None] for v in (x[:, 0], x[:, 2], y[:, 0], y[:, 2]))
    Hx_xi, Hx_eta, Hy_xi, Hy_eta = by_xi @ Hx, by_eta @ Hx, by_xi @ Hy, by_eta @ Hy
    xx = y31 * Hx_xi + y12 * Hx_eta
    yy = -x31 * Hy_xi - x12 * Hy_eta
    xy_ = -x31 * Hx_xi - x12 * Hx_eta + y31 * Hy_xi + y12 * Hy_eta
    return np.stack([xx, yy, xy_], axis=2) / (2 * area)[:, None, None, None]


def slope_matrix(xy: np.ndarray, L: np.ndarray) -> np.ndarray:
    """(m, q, 2, 9) matrix G: (dw/dx, dw/dy) = G (uz, rx, ry) at area coordinates L (q, 3), discrete-Kirchhoff."""
    N, _, _ = _quadratic_shapes(L)
    Hx, Hy = _rotation_weights(xy)
    return -np.stack([N @ Hx, N @ Hy], axis=2)


def bending_stiffness(xy: np.ndarray, area: np.ndarray, D: np.ndarray) -> np.ndarray:
    """(m, 9, 9) bending stiffness; order uz, rx, ry of nodes 1, 2, 3.  D: (3, 3) or (m, 3, 3) plate stiffness, N mm."""
    B = curvature_matrix(xy, area, MID_SIDE_POINTS)
    DB = (D if D.ndim == 2 else D[:, None]) @ B
    rows = len(xy), 9, 9
    return B.reshape(rows).transpose(0, 2, 1) @ DB.reshape(rows) * (area / 3)[:, None, None]


def element_stiffness(geometry: TriangleFrames, t: np.ndarray | float, E: float, nu: float) -> np.ndarray:
    """(m, 18, 18) stiffness in the triangles' own frames, N/mm and N mm.  t: mm, one value or one a triangle."""
    t = np.broadcast_to(np.asarray(t, float), geometry.area.shape)
    C = plane_stress_matrix(E, nu)
    m = len(geometry.area)
    K = np.zeros((m, 3, 6, 3, 6))
    for part in chunks(m):
        xy, area = geometry.xy[part], geometry.area[part]
        plane = membrane_stiffness(xy, area, t[part], C, nu).reshape(-1, 3, 3, 3, 3)
        K[part, :, :2, :, :2] = plane[:, :, :2, :, :2]
        K[part, :, :2, :, 5] = plane[:, :, :2, :, 2]
        K[part, :, 5, :, :2] = plane[:, :, 2, :, :2]
        K[part, :, 5, :, 5] = plane[:, :, 2, :, 2]
        plate = bending_stiffness(xy, area, C) * (t[part] ** 3 / 12)[:, None, None]
        K[part, :, 2:5, :, 2:5] = plate.reshape(-1, 3, 3, 3, 3)
    return K.reshape(m, 18, 18)


def chunks(m: int) -> Iterator[slice]:
    """Slices that cut m triangles into chunks whose matrices stay in the processor's cache."""
    return (slice(start, min(start + CHUNK_SIZE, m)) for start in range(0, m, CHUNK_SIZE))


def to_global(matrices: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """(m, 18, 18) matrices transformed from the triangles' frames to global axes: T^T K T."""
    m = len(matrices)
    out = np.empty((m, 18, 18))
    T = np.zeros((min(m, CHUNK_SIZE), 18, 18))
    for part in chunks(m):
        own = T[: part.stop - part.start]
        for k in range(0, 18, 3):
            own[:, k : k + 3, k : k + 3] = frames[part]
        np.matmul(own.transpose(0, 2, 1), matrices[part] @ own, out=out[part])
    return out


def to_local(u: np.ndarray, triangles: np.ndarray, frames: np.ndarray) -> np.ndarray:
    """(m, 18) DOFs of each triangle in its own frame, from global u (6 n,)."""
    own = u.reshape(-1, 2, 3)[triangles]  # m, node, (displacement, rotation), xyz
    return np.einsum("mij,mnkj->mnki", frames, own).reshape(len(triangles), 18)


def resultants(
    geometry: TriangleFrames, t: np.ndarray | float, E: float, nu: float, u: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Membrane forces N (m, 3), N/mm, and moments M (m, 3), N mm/mm, at the centroids, from local u (m, 18)."""
    t = np.broadcast_to(np.asarray(t, float), geometry.area.shape)
    C = plane_stress_matrix(E, nu)
    strain = np.einsum("mki,mk->mi", lumping_matrix(geometry.xy), u[:, MEMBRANE_DOFS]) / geometry.area[:, None]
    kappa = np.einsum("mij,mj->mi", curvature_matrix(geometry.xy, geometry.area, CENTROID)[:, 0], u[:, BENDING_DOFS])
    return strain @ C * t[:, None], kappa @ C * (t**3 / 12)[:, None]


def von_mises(stress: np.ndarray) -> np.ndarray:
    """Von Mises stress from plane stress (..., 3) = (s_x, s_y, t_xy)."""
    sx, sy, s = np.moveaxis(stress, -1, 0)
    return np.sqrt(sx**2 - sx * sy + sy**2 + 3 * s**2)


def element_mass(area: np.ndarray, t: np.ndarray | float, rho: float) -> np.ndarray:
    """(m, 18, 18) mass, kg and kg mm2: linear shape functions for displacements, lumped rotary inertia rho t^3/12.

    It is the same in every frame, since all three displacements (and rotations) are treated alike.
    """
    t = np.broadcast_to(np.asarray(t, float), area.shape)
    M = np.zeros((len(area), 18, 18))
    translational = rho * t * area / 12
    rotary = rho * t**3 / 12 * area / 3
    for i in range(3):
        for axis in range(3):
            for j in range(3):
                M[:, 6 * i + axis, 6 * j + axis] = translational * (2 if i == j else 1)
            M[:, 6 * i + 3 + axis, 6 * i + 3 + axis] = rotary
    return M


def geometric_stiffness(geometry: TriangleFrames, N: np.ndarray) -> np.ndarray:
    """(m, 18, 18) geometric stiffness in the triangles' frames for membrane forces N (m, 3), N/mm.

    Deflection by the discrete-Kirchhoff slopes, in-plane displacements by linear shape functions; the energy is
    1/2 integral of N_ab u_k,a u_k,b, summed over the displacements (e.g. Zienkiewicz & Taylor, The Finite Element
    Method).
    """
    m = len(N)
    forces = np.stack([np.stack([N[:, 0], N[:, 2]], 1), np.stack([N[:, 2], N[:, 1]], 1)], 1)
    K = np.zeros((m, 18, 18))
    G = slope_matrix(geometry.xy, SIX_POINTS) * np.sqrt(SIX_WEIGHTS)[None, :, None, None]
    weighted = forces[:, None] @ G
    out = G.reshape(m, 12, 9).transpose(0, 2, 1) @ weighted.reshape(m, 12, 9)
    K[:, BENDING_DOFS[:, None], BENDING_DOFS] = out * geometry.area[:, None, None]
    x, y = _sides(geometry.xy)
    by_x = y[:, [1, 2, 0]] / (2 * geometry.area)[:, None]  # dN_i/dx = y_jk / 2A
    by_y = -x[:, [1, 2, 0]] / (2 * geometry.area)[:, None]
    g = np.stack([by_x, by_y], axis=1)
    plane = g.transpose(0, 2, 1) @ forces @ g * geometry.area[:, None, None]
    for axis in (0, 1):
        rows = np.array([0, 6, 12]) + axis
        K[:, rows[:, None], rows] += plane
    return K

"""The other element of the cross-check: the same facets solved with sfepy's shell10x.

shell10x is a four-node Reissner-Mindlin shell: transverse shear by discrete shear gaps, membrane with seven enhanced
strains (Zemcik, Rolfes, Rose & Tessmer, Int. J. Numer. Meth. Engng 70 (2007) 934-961).  Every triangle is split into
three quadrilaterals by its centroid and the midpoints of its edges, so the new nodes lie on the facet and the geometry
is the same.

One part is not sfepy's.  Its restraint of the drilling rotation is a weak spring to ground.  A rigid rotation of a
curved sheet then costs energy, and the twisting moment is lost at the kink between two facets, because only the
drilling rotation can pass it on.  So the shell softens without limit as the mesh is refined (Scordelis-Lo roof 1.00,
1.01, 1.06 of the target; twisted beam 1.1, 1.4, 2.3).  Here the drilling rotation is tied to the in-plane rotation of
the sheet instead, with the shear modulus as penalty (Hughes & Brezzi, Comput. Methods Appl. Mech. Engng 72 (1989)
105-121; from memory).

Units: mm, N, MPa, kg, Hz.  Freedoms: 6 i + (ux, uy, uz, rx, ry, rz), the rotation vector in global axes.
"""

from __future__ import annotations

import warnings
from functools import cache
from importlib.util import find_spec
from types import ModuleType

import numpy as np
from scipy.sparse import coo_array, csc_array, diags_array, spmatrix
from scipy.sparse.linalg import ArpackError, LinearOperator, SuperLU, eigsh, splu

from stiffen.errors import Fault, InputError, SolverError

_BATCH_SIZE = 4000  # quadrilaterals at a time: about 6 kB each
_GAUSS_POINTS = 0.5 + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / np.sqrt(12)  # on the unit square, weights 1/4
_IN_PLANE_STRAINS = [0, 1, 3]  # e11, e22, 2 e12 in sfepy's order of strains; 4 and 5 are the transverse shears
_MEMBRANE_DOFS = np.r_[0:12, 24:31]  # displacements and enhanced strains; 12:24 are the rotations


class _Bilinear:
    """The bilinear basis of the unit square, with the method that sfepy calls on a polynomial space."""

    @staticmethod
    def eval_basis(points: np.ndarray, diff: bool = False) -> np.ndarray:
        """(q, 2) points -> (q, 1, 4) values, or (q, 2, 4) derivatives."""
        x, y = points.T
        if diff:
            return np.stack([np.stack([y - 1, 1 - y, y, -y], 1), np.stack([x - 1, -x, x, 1 - x], 1)], 1)
        return np.stack([(1 - x) * (1 - y), x * (1 - y), x * y, (1 - x) * y], 1)[:, None]


def is_installed() -> bool:
    """True if sfepy is there.  It is an extra: it comes as source only, which needs a C compiler to install."""
    return find_spec("sfepy") is not None


@cache
def _shell10x() -> ModuleType:
    """sfepy's element functions, imported on first use; its warnings and prints are silenced.

    Raises SolverError if sfepy does not load.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            from sfepy.base.base import output

            output.set_output(quiet=True)
            from sfepy.mechanics import shell10x
        except ImportError as error:  # missing, or compiled for another numpy
            raise SolverError(f"sfepy does not load ({error}); install it again") from error

        shell10x.create_elastic_tensor(1.0, 0.3)  # it imports more on its first call
    return shell10x


def split_triangles(nodes: np.ndarray, triangles: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Each triangle as three quadrilaterals.

    nodes (n, 3), triangles (m, 3).  Returns the nodes (n + e + m, 3): the given ones, edge midpoints, centroids; the
    quadrilaterals (3 m, 4); the ends (e, 2) of each edge; whether it is on the boundary (e,).
    """
    n, m = len(nodes), len(triangles)
    sides = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    edges, side_edge, uses = np.unique(sides, axis=0, return_inverse=True, return_counts=True)
    middle = n + side_edge.reshape(m, 3)
    centroid = n + len(edges) + np.arange(m)
    quads = np.stack([np.stack([triangles[:, i], middle[:, i], centroid, middle[:, i - 1]], 1) for i in range(3)], 1)
    points = np.vstack([nodes, nodes[edges].mean(axis=1), nodes[triangles].mean(axis=1)])
    return points, quads.reshape(-1, 4), edges, uses == 1


def stiffness(nodes: np.ndarray, quads: np.ndarray, thickness: float, E: float, nu: float) -> csc_array:
    """Stiffness matrix (6 n, 6 n), N and mm, of flat quadrilaterals quads (m, 4) on nodes (n, 3)."""
    batches = np.array_split(quads, -(-len(quads) // _BATCH_SIZE))
    values = np.concatenate([_element_stiffness(nodes[batch], thickness, E, nu) for batch in batches])
    freedoms = (6 * quads[:, None, :] + np.arange(6)[:, None]).reshape(-1, 24)  # freedom by freedom, as shell10x
    return _assemble(values, freedoms, 6 * len(nodes))


def sheet_stiffness(nodes: np.ndarray, triangles: np.ndarray, thickness: float, E: float, nu: float) -> csc_array:
    """`stiffness` of the split triangles (m, 3), for both `deflections` and `frequencies`."""
    points, quads, _, _ = split_triangles(nodes, triangles)
    return stiffness(points, quads, thickness, E, nu)


def mass(nodes: np.ndarray, quads: np.ndarray, thickness: float, rho: float) -> csc_array:
    """Consistent mass matrix (6 n, 6 n), kg and kg mm2, bilinear over the quadrilaterals.

    The rotary inertia rho t^3 / 12 is given to the drilling rotation too.  It is small, and it keeps the matrix
    positive definite and independent of local axes.
    """
    basis, slopes = _Bilinear.eval_basis(_GAUSS_POINTS)[:, 0], _Bilinear.eval_basis(_GAUSS_POINTS, diff=True)
    tangents = np.einsum("qdi,cik->cqdk", slopes, nodes[quads])
    area = np.linalg.norm(np.cross(tangents[:, :, 0], tangents[:, :, 1]), axis=2) / 4
    block = rho * thickness * np.einsum("qi,qj,cq->cij", basis, basis, area)
    inertia = np.repeat([1.0, thickness**2 / 12], 3)
    values = (inertia[:, None, None, None] * block).reshape(-1, 4, 4)
    freedoms = (6 * quads + np.arange(6)[:, None, None]).reshape(-1, 4)
    return _assemble(values, freedoms, 6 * len(nodes))


def held_sheet_factors(
    nodes: np.ndarray,
    triangles: np.ndarray,
    fixed: np.ndarray,
    K: csc_array,
    added: spmatrix | None = None,
    support_edges: np.ndarray | None = None,
) -> SuperLU:
    """Factors of the `sheet_stiffness` K on the free freedoms, for both `deflections` and `frequencies`.

    Arguments as for these.  Raises SolverError if the sheet is not held.
    """
    return _factor(_free_sheet(nodes, triangles, K, fixed, added, support_edges)[3])


def deflections(
    nodes: np.ndarray,
    triangles: np.ndarray,
    thickness: float,
    E: float,
    nu: float,
    fixed: np.ndarray,
    forces: np.ndarray,
    added: spmatrix | None = None,
    support_edges: np.ndarray | None = None,
    K: csc_array | None = None,
    factors: SuperLU | None = None,
) -> np.ndarray:
    """Displacements (6 n, k), mm and rad, at the given nodes under load vectors forces (6 n, k), N and N mm.

    Small displacements.  nodes (n, 3) mm, triangles (m, 3); fixed (q,): freedoms held at zero; added: (6 n, 6 n)
    stiffness of springs and beams on the given nodes; support_edges (k, 2): pairs of nodes with a continuous support
    between them; K: the `sheet_stiffness`, factors: the `held_sheet_factors`, if they are known already.  Edge
    midpoints are held as `_constrained_dofs` says.  Raises InputError for arrays that do not fit, SolverError if the
    sheet is not held well enough for a trustworthy result.
    """
    nodes, triangles, fixed = _validated(nodes, triangles, thickness, E, nu, fixed)
    forces = np.asarray(forces, float)
    if forces.ndim != 2 or len(forces) != 6 * len(nodes) or not np.isfinite(forces).all():
        what = f"shape {forces.shape}, or a value that is not finite"
        raise InputError([Fault("forces", what, f"give finite numbers, shape ({6 * len(nodes)}, k)")])
    K = sheet_stiffness(nodes, triangles, thickness, E, nu) if K is None else K
    points, _, free, K = _free_sheet(nodes, triangles, K, fixed, added, support_edges)
    load = np.zeros((6 * len(points), forces.shape[1]))
    load[: len(forces)] = forces
    factors = factors or _factor(K)
    u = factors.solve(load[free])
    correction = factors.solve(load[free] - K @ u)
    _check_refinement(np.abs(correction).max(axis=0), np.abs(u).max(axis=0), "displacements")
    whole = np.zeros_like(load)
    whole[free] = u + correction
    return whole[: len(forces)]


def frequencies(
    nodes: np.ndarray,
    triangles: np.ndarray,
    thickness: float,
    E: float,
    nu: float,
    rho: float,
    fixed: np.ndarray,
    count: int,
    added: spmatrix | None = None,
    masses: np.ndarray | None = None,
    support_edges: np.ndarray | None = None,
    K: csc_array | None = None,
    factors: SuperLU | None = None,
) -> np.ndarray:
    """The lowest `count` natural frequencies, Hz, in rising order.

    The rigid motions of a sheet that is not held count, as 0 Hz.  Arguments as for `deflections`; rho in kg/mm3;
    masses: (6 n,) kg lumped on the freedoms.  Raises InputError, SolverError.
    """
    nodes, triangles, fixed = _validated(nodes, triangles, thickness, E, nu, fixed, rho)
    K = sheet_stiffness(nodes, triangles, thickness, E, nu) if K is None else K
    points, quads, free, K = _free_sheet(nodes, triangles, K, fixed, added, support_edges)
    if not 1 <= count < len(free) // 2:
        raise InputError([Fault("count", f"{count}", f"give 1 to {len(free) // 2 - 1} on this mesh")])
    lumped = None if masses is None else diags_array(masses)
    M = _with(mass(points, quads, thickness, rho), lumped)[free][:, free] * 1e-3  # N = 1000 kg mm/s2
    shift = 0.0
    if factors is None:
        # A shift just below zero keeps the factors regular where the sheet is free; its size is that of the plate's
        # own scale D / (rho t L^4), in which the first frequencies squared are tens to thousands.
        extent = np.ptp(nodes, axis=0).max()
        shift = -E * thickness**2 / (12 * (1 - nu**2) * rho * 1e-3 * extent**4)
        factors = _factor(K - shift * M)
    inverse = LinearOperator(K.shape, matvec=factors.solve, dtype=float)
    start = np.random.default_rng(0).standard_normal(len(free))
    try:
        squares, shapes = eigsh(K, count, M, sigma=shift, OPinv=inverse, v0=start)
    except ArpackError as error:
        raise SolverError(f"the frequencies were not found ({error})") from error
    residual = np.abs(factors.solve(K @ shapes - M @ shapes * squares)).max(axis=0)
    _check_refinement(residual, np.abs(shapes).max(axis=0), "mode shapes")
    return np.sqrt(np.maximum(np.sort(squares), 0.0)) / (2 * np.pi)


def _free_sheet(
    nodes: np.ndarray,
    triangles: np.ndarray,
    K: csc_array,
    fixed: np.ndarray,
    added: spmatrix | None,
    support_edges: np.ndarray | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, csc_array]:
    """Nodes and quadrilaterals of the split triangles, numbers of the free freedoms, stiffness of these."""
    points, quads, edges, boundary = split_triangles(nodes, triangles)
    free = _free_dofs(_constrained_dofs(fixed, len(nodes), edges, boundary, support_edges), 6 * len(points))
    return points, quads, free, _with(K, added)[free][:, free]


def _element_stiffness(corners: np.ndarray, t: float, E: float, nu: float) -> np.ndarray:
    """(m, 24, 24) in global axes from corners (m, 4, 3); freedoms ordered ux of the 4 corners, uy, ..., rz."""
    sh = _shell10x()
    axes = sh.create_transformation_matrix(corners)  # columns: two in the plane, the normal
    local = (corners - corners.mean(axis=1, keepdims=True)) @ axes
    bases = sh.create_local_bases(local)
    turns = sh.create_rotation_ops(bases)
    # A flat quadrilateral's strain is linear in the height over the mid-surface.  Evaluated at height 1, the
    # rotations' columns are the curvatures and the displacements' columns the membrane strains, and the integral
    # through the thickness is t and t^3/12, what sfepy's two Gauss points give.
    points, weights = np.c_[_GAUSS_POINTS, np.ones(4)], np.full(4, 0.25)
    centre = np.full((1, 3), 0.5)
    basis = _Bilinear()
    slope0, det0 = sh.get_mapping_data(bases, turns, basis, local, centre, np.zeros(1), special_dx3=True)
    _, values, gradient, slope, det = sh.get_mapping_data(bases, turns, basis, local, points, weights)
    strain = sh.create_strain_matrix(gradient, slope, sh.get_dsg_strain(local, points))
    strain = sh.add_eas_dofs(strain, points, det, det0, slope0)  # (m, 4, 6, 31)
    D = sh.create_elastic_tensor(E, nu)
    area = det * weights

    K = np.zeros((len(corners), 31, 31))
    rotations = slice(12, 24)
    plane = D[np.ix_(_IN_PLANE_STRAINS, _IN_PLANE_STRAINS)]
    K[:, rotations, rotations] = t**3 / 12 * _integral(strain[:, :, _IN_PLANE_STRAINS, rotations], plane, area)
    K[:, _MEMBRANE_DOFS[:, None], _MEMBRANE_DOFS] = t * _integral(
        strain[:, :, _IN_PLANE_STRAINS][..., _MEMBRANE_DOFS], plane, area
    )
    K[:, :24, :24] += t * _integral(strain[:, :, 4:, :24], D[4:, 4:], area)
    K = K[:, :24, :24] - K[:, :24, 24:] @ np.linalg.solve(K[:, 24:, 24:], K[:, 24:, :24])

    drilling = np.zeros((len(corners), 4, 1, 24))  # rotation about the normal less (dv/dx - du/dy)/2
    drilling[..., 20:24] = values
    drilling[..., 0, 0:4] = gradient[:, :, 1, 0, 0:4] / 2
    drilling[..., 0, 4:8] = -gradient[:, :, 0, 1, 4:8] / 2
    # The part that varies over the quadrilateral is weakened tenfold: the basis cannot turn as a strip bent in its
    # plane does, and the full tie would stiffen it (one element across: 0.44 of the true deflection, now 0.65).
    mean = np.einsum("cqsf,cq->csf", drilling, area / area.sum(axis=1, keepdims=True))[:, None]
    K += t * _integral(mean + np.sqrt(0.1) * (drilling - mean), D[3:4, 3:4], area)

    triples = np.arange(24).reshape(2, 3, 4).transpose(0, 2, 1).reshape(-1, 3)
    sh.transform_asm_matrices(K[:, None], axes, triples)
    return K


def _integral(B: np.ndarray, D: np.ndarray, area: np.ndarray) -> np.ndarray:
    """Sum over the points of B^T D B area: B (m, q, s, f), D (s, s), area (m, q) -> (m, f, f)."""
    m, q, s, f = B.shape
    stress = (np.swapaxes(B, 2, 3) @ D) * area[..., None, None]
    return np.swapaxes(stress, 2, 3).reshape(m, q * s, f).swapaxes(1, 2) @ B.reshape(m, q * s, f)


def _assemble(values: np.ndarray, freedoms: np.ndarray, size: int) -> csc_array:
    """Element matrices values (m, f, f) at freedoms (m, f), summed."""
    freedoms = freedoms.astype(np.int32)
    rows = np.broadcast_to(freedoms[:, :, None], values.shape).ravel()
    columns = np.broadcast_to(freedoms[:, None, :], values.shape).ravel()
    matrix = coo_array((values.ravel(), (rows, columns)), shape=(size, size)).tocsc()
    matrix.eliminate_zeros()  # where the sheet is flat, membrane and bending part: four times sooner factored
    return matrix


def _with(matrix: csc_array, added: spmatrix | None) -> csc_array:
    """`matrix` with one on the given nodes, which come first, added."""
    if added is None:
        return matrix
    added = coo_array(added)
    return (matrix + coo_array((added.data, added.coords), shape=matrix.shape)).tocsc()


def _constrained_dofs(
    fixed: np.ndarray, n: int, edges: np.ndarray, boundary: np.ndarray, support_edges: np.ndarray | None = None
) -> np.ndarray:
    """Constrained freedoms of nodes and edge midpoints, (n + e, 6) bool.

    An edge midpoint is constrained in the freedoms in which both its ends are, if a support runs along the edge.  Such
    edges are `support_edges` (k, 2).  By default they are all edges except those from boundary to boundary that are not
    on it, as these cut a corner.
    """
    nodes = np.zeros((n, 6), bool)
    nodes.ravel()[fixed] = True
    if support_edges is None:
        rim = np.zeros(n, bool)
        rim[edges[boundary]] = True
        along = boundary | ~rim[edges].all(axis=1)
    else:
        along = np.isin(edges @ [n, 1], np.sort(support_edges, axis=1) @ [n, 1])
    return np.vstack([nodes, nodes[edges].all(axis=1) & along[:, None]])


def _free_dofs(constrained: np.ndarray, size: int) -> np.ndarray:
    """Numbers of the freedoms below `size` that are not constrained."""
    free = np.ones(size, bool)
    free[: constrained.size] = ~constrained.ravel()
    return np.flatnonzero(free)


def _factor(K: csc_array) -> SuperLU:
    """Factors of a symmetric positive definite matrix; SolverError if it is singular."""
    options = {"SymmetricMode": True}
    try:
        return splu(K.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options)
    except RuntimeError as error:
        raise SolverError(f"{error}; is the sheet held against every rigid motion?") from error


def _check_refinement(error: np.ndarray, size: np.ndarray, what: str) -> None:
    """Raise SolverError unless one step of iterative refinement changes the result by less than 1e-4.

    The thinnest published shell gives 1e-5, a sheet that is free to move more than 1.
    """
    if not (np.isfinite(size).all() and (error <= 1e-4 * size).all()):
        raise SolverError(
            f"the {what} cannot be trusted, as iterative refinement still changes them; "
            "is the sheet held against every rigid motion?"
        )


def _validated(
    nodes: np.ndarray,
    triangles: np.ndarray,
    thickness: float,
    E: float,
    nu: float,
    fixed: np.ndarray,
    rho: float = 1.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """nodes, triangles and fixed as arrays; raises InputError with all faults."""
    nodes, triangles, fixed = np.asarray(nodes, float), np.asarray(triangles, int), np.asarray(fixed, int)
    faults = [
        Fault(name, f"{value:g}", "give a positive number")
        for name, value in (("thickness", thickness), ("E", E), ("rho", rho))
        if not 0 < value < np.inf
    ]
    if not -1 < nu < 0.5:
        faults.append(Fault("nu", f"{nu:g}", "give a number between -1 and 0.5"))
    if nodes.ndim != 2 or nodes.shape[1] != 3 or not np.isfinite(nodes).all():
        faults.append(Fault("nodes", f"shape {nodes.shape}, or a value that is not finite", "give (n, 3) numbers"))
    elif triangles.ndim != 2 or triangles.shape[1] != 3 or not triangles.size:
        faults.append(Fault("triangles", f"shape {triangles.shape}", "give (m, 3) node numbers"))
    elif triangles.min() < 0 or len(np.unique(triangles)) != len(nodes) or triangles.max() >= len(nodes):
        cure = f"every node 0 to {len(nodes) - 1} must belong to a triangle, and no other"
        faults.append(Fault("triangles", "node numbers do not match the nodes", cure))
    else:
        a, b, c = nodes[triangles].swapaxes(0, 1)
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
        longest = np.max([np.sum((p - q) ** 2, axis=1) for p, q in ((a, b), (b, c), (c, a))], axis=0)
        flat = np.flatnonzero(area <= 1e-6 * longest)
        if flat.size:
            faults.append(Fault(f"triangles[{flat[0]}]", "has no area", "mesh again without slivers"))
    if fixed.ndim != 1 or (fixed.size and not 0 <= fixed.min() <= fixed.max() < 6 * len(nodes)):
        faults.append(Fault("fixed", "not a row of freedom numbers", f"give numbers 0 to {6 * len(nodes) - 1}"))
    if faults:
        raise InputError(faults)
    return nodes, triangles, fixed

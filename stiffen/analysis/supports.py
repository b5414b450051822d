"""Supports of a panel on its mesh: fixed DOFs, springs, contact, and the nodes of each fastener."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.optimize import nnls

from stiffen.fem.shell import RIGID_BODY_MODE_NAMES, rigid_body_modes
from stiffen.mesh.normals import TILT_TOLERANCE, UP_NORMAL, is_tilted, node_normals
from stiffen.mesh.panel_mesh import Mesh
from stiffen.model.panel import HOLD_KINDS, IN_PLANE_KINDS, SUPPORT_KINDS, Panel, Point, Support

from .loads import tributary_lengths
from .refusal import unknown

HELD, FREE, UNKNOWN, SLIP, BUILD = "held", "free", "unknown", "slip", "build"
# Penalty stiffness over E, mm, of a rigid support along a direction other than x and y: 100 N move it by 1e-6 mm.
RIGID_SPRING_LENGTH = 1e3


@dataclass(frozen=True, eq=False)
class Restraints:
    """The restraints on the mesh under one assumption on 'unknown' in-plane restraints.

    fixed: DOFs constrained to zero.  rests: uz DOFs on a frame, which can only push.  slips: (nodes of a fastener's
    disc or one node of a line, clearance mm) of supports that slip in plane before they hold.  drift_dofs: in-plane
    DOFs fixed in the linear analysis only, to remove rigid drift.  springs: (6 n, 6 n) or None.  fasteners: centre of
    each rivet or bolt -> its nodes.  lines: nodes (k,) along each edge or rest, in order.
    """

    fixed: np.ndarray
    rests: np.ndarray
    slips: tuple[tuple[np.ndarray, float], ...]
    drift_dofs: np.ndarray
    springs: sp.csr_matrix | None
    fasteners: dict[Point, np.ndarray]
    lines: tuple[np.ndarray, ...]

    @property
    def support_edges(self) -> np.ndarray:
        """(k, 2) pairs of nodes with a continuous support between them.

        They are neighbours on a line, or nodes of one fastener.
        """
        pairs = [np.column_stack([line[:-1], line[1:]]) for line in self.lines]
        pairs += [np.stack(np.meshgrid(disc, disc), axis=-1).reshape(-1, 2) for disc in self.fasteners.values()]
        return np.concatenate([np.zeros((0, 2), int), *pairs])

    @property
    def linear_fixed(self) -> np.ndarray:
        """DOFs fixed in small-deflection theory, where a rest holds up and down and a slip is free in plane."""
        return np.union1d(np.union1d(self.fixed, self.rests), self.drift_dofs)

    def uplift_mode(self, nodes: np.ndarray, forces: np.ndarray) -> str:
        """The rigid motion by which dead loads (6 n,) lift a panel off its rests; '' if the rests carry them.

        Statics of the rigid panel: non-negative least squares finds the pushes of the rests that balance the loads.  If
        none balance them, the residual is the unbalanced load, along a rigid motion that no push stops (Farkas' lemma).
        """
        size = float(np.ptp(nodes, axis=0).max())
        motions = rigid_body_modes(nodes) / np.array([1, 1, 1, size, size, size])
        bilateral = [
            motions[self.fixed],
            *(motions[(6 * disc[:, None] + np.arange(2)).ravel()] for disc, _ in self.slips),
        ]
        if self.springs is not None:
            bilateral.append(self.springs @ motions / abs(self.springs).max())
        rows = np.concatenate(bilateral)
        stiffness, directions = np.linalg.eigh(rows.T @ rows)
        free = directions[:, stiffness <= 1e-12 * max(1.0, stiffness[-1])].T
        load = free @ (motions.T @ forces)
        push, residual = nnls((motions[self.rests] @ free.T).T, -load)
        if residual <= 1e-6 * np.abs(motions.T @ np.abs(forces)).max():
            return ""
        unbalanced = free.T @ (load + (motions[self.rests] @ free.T).T @ push)
        return RIGID_BODY_MODE_NAMES[int(np.abs(unbalanced).argmax())]


def in_plane_assumptions(panel: Panel) -> tuple[str, ...]:
    """The in-plane restraints to evaluate: 'held' and 'free' if a support says 'unknown', else the one given.

    'build' is one of them if the neighbours are known, else as 'unknown'.

    Raises InputError for a support that is not known.
    """
    require_known_supports(panel)
    given = {SLIP if support.slip is not None else support.in_plane for support in panel.supports}
    in_build = panel.neighbours is not None and BUILD in given
    if UNKNOWN in given or (BUILD in given and not in_build):
        return (HELD, FREE)
    if SLIP in given:
        return (SLIP,)
    if in_build:
        return (BUILD,)
    return (HELD,) if HELD in given else (FREE,)


def require_known_supports(panel: Panel) -> None:
    """Raise InputError if the kind, hold or in-plane restraint of a support is not known."""
    for number, support in enumerate(panel.supports, start=1):
        for key, value, known in (
            ("kind", support.kind, SUPPORT_KINDS),
            ("hold", support.hold, HOLD_KINDS),
            ("in_plane", support.in_plane, IN_PLANE_KINDS),
        ):
            if value not in known:
                raise unknown(f"support[{number}].{key}", value, known)


def _holds_in_plane(support: Support, assumed: str) -> bool:
    """True if the support holds in plane.  A slip counts as free: small deflections do not use up the clearance."""
    if support.slip is not None:
        return False
    return (assumed if support.in_plane in (UNKNOWN, BUILD) else support.in_plane) == HELD


def build_restraints(panel: Panel, mesh: Mesh, assumed: str = FREE) -> Restraints:
    """Restrain the mesh as the panel's supports say; 'unknown' in-plane restraints are taken as `assumed`.

    A pinned line fixes uz at its nodes; a clamped one also fixes the tilts rx and ry; a guided one fixes the tilts
    only.  An edge or a rest holds uz, whatever the direction of the sheet.

    A pinned fastener fixes the translations of its centre alone, so that the sheet may tilt and turn about it: uz, on a
    flange the one along its own axis too, and where it holds in plane all others.  Its shank spreads these over the
    disc: what is held is a weighted mean of the disc's nodes, which neither a tilt nor a turn about the centre moves.

    A clamped fastener, whose head sits tight, fixes uz and the tilts at every node of its disc, on a flange all
    rotations; where it holds in plane also ux and uy there, and the spin of its centre.  A guided one does the same
    without uz and without its axis.

    A support with a stiffness has springs along uz instead, which the same nodes share.

    If the supports leave the panel free to drift in its plane, the fewest DOFs that stop it are fixed, at two
    fasteners or corners.  They carry no load as long as the loads balance in plane.

    Rivets that the neighbours in a build hold have the springs of these at their centres, and nothing else.

    Raises InputError for a support or an assumption that is not known.
    """
    require_known_supports(panel)
    if assumed not in (HELD, FREE, SLIP, BUILD):
        raise unknown("in-plane assumption", assumed, (HELD, FREE, SLIP, BUILD))
    fixed: list[np.ndarray] = []
    rests: list[np.ndarray] = []
    slips: list[tuple[np.ndarray, float]] = []
    springs: list[_Springs] = []
    fasteners: dict[Point, np.ndarray] = {}
    lines: list[np.ndarray] = []
    normals = node_normals(panel, mesh)
    on_neighbours = set(panel.neighbours.at) if panel.neighbours else set()
    for support in panel.supports:
        in_plane = _holds_in_plane(support, assumed)
        if support.kind in ("rivets", "bolts"):
            for centre in support.fasteners():
                disc = fasteners[centre] = mesh.discs[centre]
                if centre in on_neighbours:
                    continue
                if support.slip is not None:
                    slips.append((disc, support.slip))
                upright = disc[:1] if support.hold == "pinned" else disc
                _restrain(fixed, springs, support, upright, normals, 1.0 / len(upright))
                if support.hold != "guided" and is_tilted(normals[disc[0]]):
                    _restrain_horizontal(
                        fixed, springs, support, upright, normals[disc[0]], RIGID_SPRING_LENGTH * panel.material.E
                    )
                if in_plane and support.hold == "pinned":
                    rigid = RIGID_SPRING_LENGTH * panel.material.E
                    _hold_shank(fixed, springs, disc, mesh.plan[disc], normals[disc[0]], rigid)
                elif in_plane:  # the spin matters on meshes where the disc is its centre alone
                    fixed += [6 * disc, 6 * disc + 1, 6 * disc[:1] + 5]
            continue
        line = mesh.outline if support.path is None else mesh.paths[support.path]
        lines.append(line if support.path is not None else np.append(line, line[0]))
        if support.slip is not None:
            slips += [(line[i : i + 1], support.slip) for i in range(len(line))]
        if support.kind == "rest":
            rests.append(6 * line + 2)
            continue
        share = tributary_lengths(mesh.plan[line], support.path is None) if support.stiffness is not None else 1.0
        _restrain(fixed, springs, support, line, normals, share)
        if in_plane:
            fixed += [6 * line, 6 * line + 1]
    restrained = _unique(fixed)
    centres = np.array([disc[0] for disc in fasteners.values()], dtype=int)
    upright = mesh.outline[~is_tilted(normals[mesh.outline])]  # a flange may move square to itself
    drift = np.zeros(0, int)
    if panel.neighbours is None:  # they stop drift
        candidates = centres if len(centres) > 1 else upright if len(upright) > 1 else mesh.outline
        drift = _drift_dofs(mesh, candidates, restrained, springs)
    own, others = _spring_matrix(springs, len(mesh.nodes)), _neighbour_springs(panel, mesh)
    return Restraints(
        fixed=restrained if slips else np.union1d(restrained, drift),
        rests=_unique(rests),
        slips=tuple(slips),
        drift_dofs=drift,
        springs=own if others is None else others if own is None else (own + others).tocsr(),
        fasteners=fasteners,
        lines=tuple(lines),
    )


def _unique(dofs: list[np.ndarray]) -> np.ndarray:
    """The sorted union of DOF numbers."""
    return np.unique(np.concatenate(dofs)) if dofs else np.zeros(0, int)


@dataclass(frozen=True, eq=False)
class _Springs:
    """k springs along one direction (3,), each on the weighted mean displacement of some nodes.

    nodes, weights: (k, c) for c nodes a spring; the weights of a spring add up to 1.  stiffness: (k,) N/mm.
    """

    nodes: np.ndarray
    weights: np.ndarray
    direction: np.ndarray
    stiffness: np.ndarray

    @classmethod
    def on_nodes(cls, nodes: np.ndarray, direction: np.ndarray, stiffness: np.ndarray) -> _Springs:
        """A spring on each node (k,)."""
        return cls(nodes[:, None], np.ones((len(nodes), 1)), direction, stiffness)

    def gradients(self, n: int) -> sp.csr_matrix:
        """(k, 6 n) displacement of each spring by the DOFs of n nodes."""
        k, c = self.nodes.shape
        dofs = 6 * self.nodes[:, :, None] + np.arange(3)
        rows = np.repeat(np.arange(k), 3 * c)
        values = self.weights[:, :, None] * self.direction
        return sp.csr_matrix((values.ravel(), (rows, dofs.ravel())), shape=(k, 6 * n))


def _restrain(
    fixed: list, springs: list, support: Support, nodes: np.ndarray, normals: np.ndarray, share: np.ndarray | float
) -> None:
    """Fix uz of nodes, or put springs on it; unless pinned, fix their tilts too (on a flange all rotations)."""
    if support.hold != "guided":
        if support.stiffness is None:
            fixed.append(6 * nodes + 2)
        else:
            springs.append(_Springs.on_nodes(nodes, UP_NORMAL, np.broadcast_to(support.stiffness * share, nodes.shape)))
    if support.hold != "pinned":
        fixed += [6 * nodes + 3, 6 * nodes + 4, 6 * nodes[is_tilted(normals[nodes])] + 5]


def _restrain_horizontal(
    fixed: list, springs: list, support: Support, nodes: np.ndarray, axis: np.ndarray, rigid: float
) -> None:
    """Restrain nodes, by springs or rigidly, along the horizontal part of a fastener's axis (3,).

    uz is restrained already.

    rigid: penalty stiffness, N/mm, of a rigid support along a direction other than x and y.
    """
    horizontal = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    along = int(np.abs(horizontal).argmax())
    if support.stiffness is not None:
        springs.append(_Springs.on_nodes(nodes, horizontal, np.full(nodes.shape, support.stiffness / len(nodes))))
    elif abs(horizontal[along]) > 1 - TILT_TOLERANCE:
        fixed.append(6 * nodes + along)
    else:
        springs.append(_Springs.on_nodes(nodes, horizontal, np.full(nodes.shape, rigid)))


def _hold_shank(fixed: list, springs: list, disc: np.ndarray, plan: np.ndarray, axis: np.ndarray, rigid: float) -> None:
    """Hold a pinned fastener's disc of nodes level and square to its axis (3,); on flat sheet along x and y.

    A spring of `rigid` N/mm holds the mean of the disc about its centre, plan[0] of (c, 2): the least weights that move
    neither with a tilt nor with a turn.  A disc that is its centre alone is fixed where its direction allows.
    """
    weights = np.linalg.pinv(np.vstack([np.ones(len(disc)), (plan - plan[0]).T]))[:, 0]
    directions = [np.array([-axis[1], axis[0], 0.0]) / np.hypot(*axis[:2])] if is_tilted(axis) else np.eye(3)[:2]
    for direction in directions:
        along = int(np.abs(direction).argmax())
        if len(disc) == 1 and abs(direction[along]) > 1 - TILT_TOLERANCE:
            fixed.append(6 * disc + along)
        else:
            springs.append(_Springs(disc[None], weights[None], direction, np.array([rigid])))


def _spring_matrix(springs: list[_Springs], n: int) -> sp.csr_matrix | None:
    """(6 n, 6 n) stiffness of springs on translations, or None."""
    if not springs:
        return None
    gradients = sp.vstack([one.gradients(n) for one in springs])
    K = (gradients.T @ sp.diags(np.concatenate([one.stiffness for one in springs])) @ gradients).tocsr()
    K.eliminate_zeros()
    return K


def _neighbour_springs(panel: Panel, mesh: Mesh) -> sp.csr_matrix | None:
    """(6 n, 6 n) stiffness of the neighbours in a build, at the centres of their rivets; None without any."""
    if panel.neighbours is None:
        return None
    nodes = np.array([mesh.discs[centre][0] for centre in panel.neighbours.at])
    dofs = (6 * nodes[:, None] + np.arange(6)).ravel()
    rows, columns = np.meshgrid(dofs, dofs, indexing="ij")
    size = 6 * len(mesh.nodes)
    return sp.csr_matrix((panel.neighbours.stiffness.ravel(), (rows.ravel(), columns.ravel())), shape=(size, size))


def _drift_dofs(mesh: Mesh, candidates: np.ndarray, fixed: np.ndarray, springs: list[_Springs]) -> np.ndarray:
    """DOFs along x and y, up to three, that stop the in-plane rigid motions that are still free.

    They lie at two nodes of `candidates`, which are far apart.
    """
    place = mesh.nodes[:, :2] - mesh.nodes[:, :2].mean(axis=0)
    place = place / np.abs(place).max()

    def rows(nodes: np.ndarray, direction: np.ndarray) -> np.ndarray:
        """(k, 3) displacement of nodes along a direction (3,) or (k, 3) by unit motions along x, y and about z."""
        dx, dy = np.broadcast_to(direction, (len(nodes), 3))[:, :2].T
        x, y = place[nodes].T
        return np.column_stack([dx, dy, x * dy - y * dx])

    in_plane = fixed[fixed % 6 < 2]
    stopped = np.concatenate(
        [
            rows(in_plane // 6, np.eye(3)[in_plane % 6]),
            *(np.einsum("kc,kcj->kj", s.weights, [rows(group, s.direction) for group in s.nodes]) for s in springs),
            np.tile([0.0, 0.0, 1.0], (int((fixed % 6 == 5).any()), 1)),  # a fixed spin
        ]
    )
    first = candidates[place[candidates].sum(axis=1).argmin()]
    gap = np.abs(place[candidates] - place[first])
    furthest = np.linalg.norm(gap, axis=1).argmax()
    across = 1 if gap[furthest, 0] >= gap[furthest, 1] else 0
    second = candidates[furthest]
    out = []
    for node, axis in ((first, 0), (first, 1), (second, across), (second, 1 - across)):
        with_node = np.concatenate([stopped, rows(np.array([node]), np.eye(3)[axis])])
        if _rank(with_node) > _rank(stopped):
            stopped = with_node
            out.append(6 * node + axis)
    return np.array(sorted(out), dtype=int)


def _rank(rows: np.ndarray) -> int:
    """Rank of the rows, to a tolerance of 1e-6."""
    return int(np.linalg.matrix_rank(rows, tol=1e-6)) if len(rows) else 0

"""Supports of a panel on its mesh: which freedoms are held, which are sprung, what each fastener carries."""

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

HELD, FREE, UNKNOWN, SLIP = "held", "free", "unknown", "slip"
RIGID_SPRING_LENGTH = 1e3  # mm: a rigid hold along neither x nor y is a spring of so much times E; 100 N give 1e-6 mm


@dataclass(frozen=True, eq=False)
class Restraints:
    """What holds the mesh under one assumption on the in-plane hold of 'unknown' supports.

    fixed: freedoms held.  rests: uz freedoms on a frame, held against pushes alone.  slips: (nodes of a fastener's
    disc, or one node of a line, clearance mm) for those that slide in plane before they hold.  drift: freedoms that
    only small-deflection theory, which knows no slip, needs held.  springs: (6 n, 6 n) or None.  fasteners: rivets and
    bolts by centre -> their nodes.  lines: nodes (k,) along each edge or rest, in order.
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
        """(k, 2) nodes between which a support runs on: those next to each other on a line, those of a fastener."""
        pairs = [np.column_stack([line[:-1], line[1:]]) for line in self.lines]
        pairs += [np.stack(np.meshgrid(disc, disc), axis=-1).reshape(-1, 2) for disc in self.fasteners.values()]
        return np.concatenate([np.zeros((0, 2), int), *pairs])

    @property
    def linear_fixed(self) -> np.ndarray:
        """Freedoms held in small-deflection theory, where a rest holds both ways and slip is free."""
        return np.union1d(np.union1d(self.fixed, self.rests), self.drift_dofs)

    def uplift_mode(self, nodes: np.ndarray, forces: np.ndarray) -> str:
        """The motion that dead loads (6 n,) give a stiff panel off its rests; '' where the rests can carry them.

        Statics of the whole: pushes of the rests that balance the loads, by non-negative least squares; what they
        leave over is the load on that motion (Farkas' lemma).
        """
        size = float(np.ptp(nodes, axis=0).max())
        motions = rigid_body_modes(nodes) / np.array([1, 1, 1, size, size, size])
        both_ways = [
            motions[self.fixed],
            *(motions[(6 * disc[:, None] + np.arange(2)).ravel()] for disc, _ in self.slips),
        ]
        if self.springs is not None:
            both_ways.append(self.springs @ motions / abs(self.springs).max())
        rows = np.concatenate(both_ways)
        held, directions = np.linalg.eigh(rows.T @ rows)
        free = directions[:, held <= 1e-12 * max(1.0, held[-1])].T
        load = free @ (motions.T @ forces)
        push, left = nnls((motions[self.rests] @ free.T).T, -load)
        if left <= 1e-6 * np.abs(motions.T @ np.abs(forces)).max():
            return ""
        over = free.T @ (load + (motions[self.rests] @ free.T).T @ push)
        return RIGID_BODY_MODE_NAMES[int(np.abs(over).argmax())]


def in_plane_assumptions(panel: Panel) -> tuple[str, ...]:
    """The in-plane ends to be judged: both where a support says 'unknown', else the one that is said."""
    require_known_supports(panel)
    said = {SLIP if support.slip is not None else support.in_plane for support in panel.supports}
    if UNKNOWN in said:
        return (HELD, FREE)
    if SLIP in said:
        return (SLIP,)
    return (HELD,) if HELD in said else (FREE,)


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
    """Slip counts as free here: at small deflection the clearance is not used up."""
    if support.slip is not None:
        return False
    return (assumed if support.in_plane == UNKNOWN else support.in_plane) == HELD


def build_restraints(panel: Panel, mesh: Mesh, assumed: str = FREE) -> Restraints:
    """Hold the mesh as the panel's supports say; 'unknown' in-plane holds are taken as `assumed`.

    A pinned line holds uz at its nodes; clamped holds both tilts too; guided holds the tilts alone.  A pinned
    fastener holds uz at its centre (the sheet may tilt about it), a clamped one at every node of its disc; a spring is
    shared out over the same nodes.  In plane a fastener holds its whole disc.  On a flange a fastener holds along its
    own axis as well as uz, and clamped holds all turns; an edge or a rest holds uz, whichever way the sheet faces.
    Supports that leave the panel free to drift in its plane get just the freedoms held, at two fasteners or corners,
    that stop it and take no load as long as the loads balance in plane, since only the shape matters then.
    """
    require_known_supports(panel)
    if assumed not in (HELD, FREE, SLIP):
        raise unknown("in-plane assumption", assumed, (HELD, FREE, SLIP))
    fixed: list[np.ndarray] = []
    rests: list[np.ndarray] = []
    slips: list[tuple[np.ndarray, float]] = []
    springs: list[_Springs] = []
    fasteners: dict[Point, np.ndarray] = {}
    lines: list[np.ndarray] = []
    normals = node_normals(panel, mesh)
    for support in panel.supports:
        plane = _holds_in_plane(support, assumed)
        if support.kind in ("rivets", "bolts"):
            for centre in support.fasteners():
                disc = fasteners[centre] = mesh.discs[centre]
                if support.slip is not None:
                    slips.append((disc, support.slip))
                upright = disc[:1] if support.hold == "pinned" else disc
                _restrain(fixed, springs, support, upright, normals, 1.0 / len(upright))
                if support.hold != "guided" and is_tilted(normals[disc[0]]):
                    _restrain_horizontal(
                        fixed, springs, support, upright, normals[disc[0]], RIGID_SPRING_LENGTH * panel.material.E
                    )
                if plane:
                    fixed += [6 * disc, 6 * disc + 1]
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
        if plane:
            fixed += [6 * line, 6 * line + 1]
    held = _unique(fixed)
    centres = np.array([disc[0] for disc in fasteners.values()], dtype=int)
    upright = mesh.outline[~is_tilted(normals[mesh.outline])]  # a flange gives way square to itself
    drift = _drift_dofs(
        mesh, centres if len(centres) > 1 else upright if len(upright) > 1 else mesh.outline, held, springs
    )
    return Restraints(
        fixed=held if slips else np.union1d(held, drift),
        rests=_unique(rests),
        slips=tuple(slips),
        drift_dofs=drift,
        springs=_spring_matrix(springs, len(mesh.nodes)),
        fasteners=fasteners,
        lines=tuple(lines),
    )


def _unique(freedoms: list[np.ndarray]) -> np.ndarray:
    return np.unique(np.concatenate(freedoms)) if freedoms else np.zeros(0, int)


@dataclass(frozen=True, eq=False)
class _Springs:
    """Springs along one direction (3,) on nodes (k,), stiffness (k,) N/mm."""

    nodes: np.ndarray
    direction: np.ndarray
    stiffness: np.ndarray


def _restrain(
    fixed: list, springs: list, support: Support, nodes: np.ndarray, normals: np.ndarray, share: np.ndarray | float
) -> None:
    """Hold or spring uz of nodes and, but for a pinned support, hold their tilts (on a flange all turns)."""
    if support.hold != "guided":
        if support.stiffness is None:
            fixed.append(6 * nodes + 2)
        else:
            springs.append(_Springs(nodes, UP_NORMAL, np.broadcast_to(support.stiffness * share, nodes.shape)))
    if support.hold != "pinned":
        fixed += [6 * nodes + 3, 6 * nodes + 4, 6 * nodes[is_tilted(normals[nodes])] + 5]


def _restrain_horizontal(
    fixed: list, springs: list, support: Support, nodes: np.ndarray, axis: np.ndarray, rigid: float
) -> None:
    """Hold or spring nodes along the level part of a fastener's axis (3,); uz is held already."""
    level = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    along = int(np.abs(level).argmax())
    if support.stiffness is not None:
        springs.append(_Springs(nodes, level, np.full(nodes.shape, support.stiffness / len(nodes))))
    elif abs(level[along]) > 1 - TILT_TOLERANCE:
        fixed.append(6 * nodes + along)
    else:
        springs.append(_Springs(nodes, level, np.full(nodes.shape, rigid)))


def _spring_matrix(springs: list[_Springs], n: int) -> sp.csr_matrix | None:
    """(6 n, 6 n) stiffness of springs on shifts, or None."""
    if not springs:
        return None
    blocks = [one.stiffness[:, None, None] * np.outer(one.direction, one.direction) for one in springs]
    freedoms = 6 * np.concatenate([one.nodes for one in springs])[:, None] + np.arange(3)
    place = np.repeat(freedoms, 3, axis=1).ravel(), np.tile(freedoms, (1, 3)).ravel()
    K = sp.csr_matrix((np.concatenate(blocks).ravel(), place), shape=(6 * n, 6 * n))
    K.eliminate_zeros()
    return K


def _drift_dofs(mesh: Mesh, candidates: np.ndarray, fixed: np.ndarray, springs: list[_Springs]) -> np.ndarray:
    """Freedoms along x and y, up to three, that stop what motion in plane is left without straining the sheet.

    They lie at two nodes of `candidates`.
    """
    place = mesh.nodes[:, :2] - mesh.nodes[:, :2].mean(axis=0)
    place = place / np.abs(place).max()

    def rows(nodes: np.ndarray, direction: np.ndarray) -> np.ndarray:
        """(k, 3): what slides along x and y and a turn about z do to nodes along a direction (3,) or (k, 3)."""
        dx, dy = np.broadcast_to(direction, (len(nodes), 3))[:, :2].T
        x, y = place[nodes].T
        return np.column_stack([dx, dy, x * dy - y * dx])

    level = fixed[fixed % 6 < 2]
    stopped = np.concatenate([rows(level // 6, np.eye(3)[level % 6]), *(rows(s.nodes, s.direction) for s in springs)])
    first = candidates[place[candidates].sum(axis=1).argmin()]
    gap = np.abs(place[candidates] - place[first])
    furthest = np.linalg.norm(gap, axis=1).argmax()
    across = 1 if gap[furthest, 0] >= gap[furthest, 1] else 0
    second = candidates[furthest]
    out = []
    for node, axis in ((first, 0), (first, 1), (second, across), (second, 1 - across)):
        with_it = np.concatenate([stopped, rows(np.array([node]), np.eye(3)[axis])])
        if _rank(with_it) > _rank(stopped):
            stopped = with_it
            out.append(6 * node + axis)
    return np.array(sorted(out), dtype=int)


def _rank(rows: np.ndarray) -> int:
    return int(np.linalg.matrix_rank(rows, tol=1e-6)) if len(rows) else 0

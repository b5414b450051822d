"""Supports of a panel on its mesh: which freedoms are held, which are sprung, what each fastener carries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from .loads import lengths
from .mesh import Mesh
from .panel import Panel, Point, Support

HELD, FREE = "held", "free"


@dataclass(frozen=True, eq=False)
class Grip:
    """What holds the mesh under one assumption on the in-plane hold of 'unknown' supports.

    fixed: freedoms held.  rests: uz freedoms on a frame, held against pushes alone.  slips: (nodes of a fastener's
    disc, clearance mm) for those that slide in plane before they hold.  springs: (6 n, 6 n) or None.  fasteners:
    rivets and bolts by centre -> their nodes.
    """

    fixed: np.ndarray
    rests: np.ndarray
    slips: tuple[tuple[np.ndarray, float], ...]
    springs: sp.csr_matrix | None
    fasteners: dict[Point, np.ndarray]

    @property
    def linear(self) -> np.ndarray:
        """Freedoms held in small-deflection theory, where a rest holds both ways and slip is free."""
        return np.union1d(self.fixed, self.rests)


def assumptions(panel: Panel) -> tuple[str, ...]:
    """The in-plane ends to be judged: both where a support says 'unknown', else the one that is said."""
    said = {support.in_plane for support in panel.supports}
    if "unknown" in said:
        return (HELD, FREE)
    return (HELD,) if HELD in said else (FREE,)


def _holds_in_plane(support: Support, assumed: str) -> bool:
    """Slip counts as free here: at small deflection the clearance is not used up."""
    if support.slip is not None:
        return False
    return (assumed if support.in_plane == "unknown" else support.in_plane) == HELD


def grip(panel: Panel, mesh: Mesh, assumed: str = FREE) -> Grip:
    """Hold the mesh as the panel's supports say; 'unknown' in-plane holds are taken as `assumed`.

    A pinned line holds uz at its nodes; clamped holds both tilts too; guided holds the tilts alone.  A pinned
    fastener holds uz at its centre (the sheet may tilt about it), a clamped one at every node of its disc.  In plane
    a fastener holds its whole disc.  On a flange a fastener holds along its own axis as well as uz, and clamped holds
    all turns; an edge or a rest holds uz, whichever way the sheet faces.  Supports that leave the panel free to drift
    in its plane get as many freedoms held as stop that and take no load, since only the shape matters then.
    """
    fixed: list[np.ndarray] = []
    rests: list[np.ndarray] = []
    slips: list[tuple[np.ndarray, float]] = []
    springs = _Springs([], [])
    fasteners: dict[Point, np.ndarray] = {}
    normals = facing(panel, mesh)
    rigid = RIGID * panel.material.E
    for support in panel.supports:
        plane = _holds_in_plane(support, assumed)
        if support.kind in ("rivets", "bolts"):
            for centre in support.fasteners():
                disc = mesh.discs[centre]
                fasteners[centre] = disc
                if support.slip is not None:
                    slips.append((disc, support.slip))
                upright = disc[:1] if support.hold == "pinned" else disc
                axis = normals[disc[0]]
                _hold(fixed, springs, support, upright, normals, 1.0 / len(upright))
                if support.hold != "guided" and sideways(axis[None])[0]:
                    _hold_along(fixed, springs, support.stiffness, upright, axis, 1.0 / len(upright), rigid)
                if plane:
                    fixed += [6 * disc, 6 * disc + 1]
            continue
        line = mesh.outline if support.path is None else mesh.paths[support.path]
        if support.kind == "rest":
            rests.append(6 * line + 2)
            continue
        share = lengths(mesh.plan[line], support.path is None) if support.stiffness is not None else 1.0
        _hold(fixed, springs, support, line, normals, share)
        if plane:
            fixed += [6 * line, 6 * line + 1]
    held = _unique(fixed)
    drift = _anchor(mesh, held, springs)
    return Grip(np.union1d(held, drift), _unique(rests), tuple(slips), springs.matrix(len(mesh.nodes)), fasteners)


@dataclass(frozen=True, eq=False)
class _Springs:
    """Springs on the shifts of nodes: nodes (k,) and stiffness (k, 3, 3), lot by lot."""

    nodes: list[np.ndarray]
    blocks: list[np.ndarray]

    def add(self, nodes: np.ndarray, direction: np.ndarray, stiffness: np.ndarray | float) -> None:
        """Springs of `stiffness` N/mm (one or one a node) along a direction (3,)."""
        each = np.broadcast_to(stiffness, nodes.shape)
        self.nodes.append(nodes)
        self.blocks.append(each[:, None, None] * np.outer(direction, direction))

    def matrix(self, n: int) -> sp.csr_matrix | None:
        """(6 n, 6 n) stiffness, or None."""
        if not self.nodes:
            return None
        freedoms = 6 * np.concatenate(self.nodes)[:, None] + np.arange(3)
        rows, columns = np.broadcast_arrays(freedoms[:, :, None], freedoms[:, None, :])
        place = rows.ravel(), columns.ravel()
        K = sp.csr_matrix((np.concatenate(self.blocks).ravel(), place), shape=(6 * n, 6 * n))
        K.eliminate_zeros()
        return K


def _unique(freedoms: list[np.ndarray]) -> np.ndarray:
    return np.unique(np.concatenate(freedoms)) if freedoms else np.zeros(0, int)


def _hold(
    fixed: list, springs: _Springs, support: Support, nodes: np.ndarray, normals: np.ndarray, share: np.ndarray | float
) -> None:
    """Hold or spring uz of nodes and, but for a pinned support, hold their tilts."""
    if support.hold != "guided":
        if support.stiffness is None:
            fixed.append(6 * nodes + 2)
        else:
            springs.add(nodes, UP, support.stiffness * share)
    if support.hold != "pinned":
        fixed += [6 * nodes + 3, 6 * nodes + 4, 6 * nodes[sideways(normals[nodes])] + 5]


def _hold_along(
    fixed: list,
    springs: _Springs,
    stiffness: float | None,
    nodes: np.ndarray,
    axis: np.ndarray,
    share: float,
    rigid: float,
) -> None:
    """Hold or spring nodes along the level part of a fastener's axis (3,); uz is held already."""
    level = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    straight = np.flatnonzero(np.abs(level) > 1 - FLAT)
    if stiffness is not None:
        springs.add(nodes, level, stiffness * share)
    elif len(straight):
        fixed.append(6 * nodes + straight[0])
    else:
        springs.add(nodes, level, rigid)


def _anchor(mesh: Mesh, fixed: np.ndarray, springs: _Springs) -> np.ndarray:
    """Freedoms along x and y, up to three, that stop what drift in plane is left without straining the sheet."""
    x, y, _ = mesh.nodes.T
    size = max(np.ptp(x), np.ptp(y))
    x, y = (x - x.mean()) / size, (y - y.mean()) / size

    def rows(freedoms: np.ndarray) -> np.ndarray:
        """(k, 3) what slides along x, along y and a turn about z do to freedoms along x or y."""
        node, along_y = freedoms // 6, freedoms % 6 == 1
        return np.column_stack([~along_y, along_y, np.where(along_y, x[node], -y[node])]).astype(float)

    level = fixed[fixed % 6 < 2]
    sprung = [rows(6 * nodes + k) * blocks[:, k, k, None] ** 0.5 for nodes, blocks in zip(springs.nodes, springs.blocks, strict=True) for k in (0, 1)]
    return level, sprung

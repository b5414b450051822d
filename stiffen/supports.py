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
    a fastener holds its whole disc.  Supports that leave the panel free to drift in its plane get three freedoms
    held that take no load (statically determinate), since only the shape matters then.
    """
    fixed: list[np.ndarray] = []
    rests: list[np.ndarray] = []
    slips: list[tuple[np.ndarray, float]] = []
    sprung: dict[int, float] = {}
    fasteners: dict[Point, np.ndarray] = {}
    anchored = False
    for support in panel.supports:
        plane = _holds_in_plane(support, assumed)
        anchored |= plane
        if support.kind in ("rivets", "bolts"):
            for centre in support.fasteners():
                disc = mesh.discs[centre]
                fasteners[centre] = disc
                if support.slip is not None:
                    slips.append((disc, support.slip))
                upright = disc[:1] if support.hold == "pinned" else disc
                _hold(fixed, sprung, support, upright, disc, plane, 1.0 / len(upright))
        else:
            line = mesh.outline if support.path is None else mesh.paths[support.path]
            if support.kind == "rest":
                rests.append(6 * line + 2)
                continue
            closed = support.path is None
            share = lengths(mesh.plan[line], closed) if support.stiffness is not None else 1.0
            _hold(fixed, sprung, support, line, line, plane, share)
    if not anchored:
        fixed.append(_anchor(mesh))
    springs = None
    if sprung:
        rows = np.fromiter(sprung, int)
        size = 6 * len(mesh.nodes)
        springs = sp.csr_matrix((np.fromiter(sprung.values(), float), (rows, rows)), shape=(size, size))
    return Grip(_unique(fixed), _unique(rests), tuple(slips), springs, fasteners)


def _unique(freedoms: list[np.ndarray]) -> np.ndarray:
    return np.unique(np.concatenate(freedoms)) if freedoms else np.zeros(0, int)


def _hold(
    fixed: list, sprung: dict, support: Support, upright: np.ndarray, flat: np.ndarray, plane: bool, share
) -> None:
    """Hold or spring the deflection of nodes `upright` and, where `plane`, the shifts of nodes `flat`."""
    if support.hold != "guided":
        if support.stiffness is None:
            fixed.append(6 * upright + 2)
        else:
            for node, part in zip(upright, np.broadcast_to(share, upright.shape), strict=True):
                sprung[6 * node + 2] = sprung.get(6 * node + 2, 0.0) + support.stiffness * part
    if support.hold != "pinned":
        fixed += [6 * upright + 3, 6 * upright + 4]
    if plane:
        fixed += [6 * flat, 6 * flat + 1]


def _anchor(mesh: Mesh) -> np.ndarray:
    """Three in-plane freedoms that stop drift without straining the sheet."""
    x = mesh.nodes[mesh.outline]
    first = mesh.outline[np.argmin(x[:, 0] + x[:, 1])]
    gap = mesh.nodes[mesh.outline] - mesh.nodes[first]
    second = mesh.outline[np.argmax(np.linalg.norm(gap[:, :2], axis=1))]
    along = np.abs(mesh.nodes[second] - mesh.nodes[first])[:2]
    across = 1 if along[0] >= along[1] else 0
    return np.array([6 * first, 6 * first + 1, 6 * second + across])

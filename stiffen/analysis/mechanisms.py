"""Refusal of panels that their supports do not hold: bolts in line are a hinge.

The panel is taken as a rigid body.  A rigid motion that no support stops makes it a mechanism, whatever the sheet does.
Motions in the panel's plane do not count: loads square to the sheet do not drive them (`Restraints.drift_dofs`).
"""

from __future__ import annotations

import numpy as np

from stiffen.errors import Fault, InputError
from stiffen.fem.shell import RIGID_BODY_MODE_NAMES, ZERO_EIGENVALUE, rigid_body_modes
from stiffen.mesh.panel_mesh import Mesh

from .supports import Restraints

IN_PLANE_MOTIONS = (0, 1, 5)  # of RIGID_BODY_MODE_NAMES
IN_PLANE = 1e-6  # part of a unit motion out of the plane below which it lies in the plane
ON_AXIS = 1e-5  # distance from an axis over the size of the panel, below which a point lies on it
TIGHT_HEADS = 'or hold = "clamped", if their heads sit tight on a stiff part'


def require_held(mesh: Mesh, restraints: Restraints) -> None:
    """Raise InputError if the panel can move as a rigid body other than in its plane; rests count as holding.

    The fault names the axis about which it turns, in plan, and what would hold it.
    """
    motions = _free_motions(mesh, restraints)
    if motions.shape[1]:
        what, cure = _described(mesh, restraints, motions)
        raise InputError([Fault("support", f"the panel is not held: it {what}", cure)])


def _free_motions(mesh: Mesh, restraints: Restraints) -> np.ndarray:
    """(6, k) rigid motions that no support stops, without their parts in the panel's plane.

    The first three rows are translations, mm; the others spins about axes through the centroid, times the panel's size.
    """
    size = float(np.ptp(mesh.nodes, axis=0).max())
    motions = rigid_body_modes(mesh.nodes) / np.array([1, 1, 1, size, size, size])
    held = np.setdiff1d(restraints.linear_fixed, restraints.drift_dofs)
    gram = motions[held].T @ motions[held]
    if restraints.springs is not None:
        gram += motions.T @ (restraints.springs @ motions) / abs(restraints.springs).max()
    values, vectors = np.linalg.eigh(gram)
    free = vectors[:, values < ZERO_EIGENVALUE * max(1.0, values[-1])]
    other = np.setdiff1d(np.arange(6), IN_PLANE_MOTIONS)
    if not free.shape[1]:
        return free
    _, sizes, rows = np.linalg.svd(free[other])  # (3, k) parts of the free motions out of the plane
    return free @ rows[: (sizes > IN_PLANE).sum()].T


def _described(mesh: Mesh, restraints: Restraints, motions: np.ndarray) -> tuple[str, str]:
    """What free motions (6, k) do to the panel, and what would stop them."""
    held = np.setdiff1d(restraints.linear_fixed, restraints.drift_dofs) // 6
    if restraints.springs is not None:
        held = np.union1d(held, restraints.springs.nonzero()[0] // 6)
    rims = [disc[1:] for disc in restraints.fasteners.values()]
    held = np.setdiff1d(held, np.concatenate([np.zeros(0, int), *rims]))  # a fastener counts by its centre
    ends = _ends(mesh, held, motions)
    centres = {int(disc[0]): centre for centre, disc in restraints.fasteners.items()}
    if ends is None:
        found = sorted({int(np.abs(motion).argmax()) for motion in motions.T})
        return f"can {', '.join(RIGID_BODY_MODE_NAMES[k] for k in found)}", "add or extend a support"
    first, last = ("({:g}, {:g})".format(*np.round(centres.get(int(node), mesh.plan[node]), 1) + 0.0) for node in ends)
    bolted = len(restraints.fasteners) and not len(restraints.lines)
    if motions.shape[1] > 1:
        what = f"can tilt about ({first[1:-1]}), the one place that holds it"
        return what, f"add two fasteners that do not lie in line with it, or an edge or a rest, {TIGHT_HEADS}"
    what = f"can turn about the line from {first} to {last}, on which all that holds it lies"
    if bolted:
        return f"{what}: pinned fasteners in line are a hinge", f"add one off this line, or an edge, {TIGHT_HEADS}"
    return what, "add a support off this line, or clamp it"


def _ends(mesh: Mesh, held: np.ndarray, motions: np.ndarray) -> np.ndarray | None:
    """(2,) nodes at the ends of the line of held nodes about which the panel turns; twice one node if it tilts there.

    None if the free motions do not keep the held nodes in place or those do not lie in line.
    """
    if not len(held):
        return None
    place = mesh.nodes[held]
    size = float(np.ptp(mesh.nodes, axis=0).max())
    along = np.linalg.svd(place - place.mean(axis=0))[2][0]
    station = (place - place.mean(axis=0)) @ along
    apart = np.linalg.norm(place - place.mean(axis=0) - station[:, None] * along, axis=1).max()
    lone = float(np.ptp(station)) < ON_AXIS * size
    if apart > ON_AXIS * size or (motions.shape[1] > 1) != lone:
        return None
    rigid = rigid_body_modes(mesh.nodes).reshape(-1, 6, 6)[held, 2] / np.array([1, 1, 1, size, size, size])
    if np.abs(rigid @ motions).max() > 1e-4:  # they move up or down: no hinge
        return None
    return held[[station.argmin(), station.argmax()]]

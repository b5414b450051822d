"""The parts of a build as shells in space: meshed, with the supports, masses and trims that are their own.

DOF 6 i + k is DOF k of a part's node i.  mm, N, kg.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from stiffen.analysis.edge_trims import trim_beams
from stiffen.analysis.loads import case_forces, lumped_masses, moving_patch_positions
from stiffen.analysis.supports import FREE, RIGID_SPRING_LENGTH, Restraints, build_restraints
from stiffen.assembly.angle_strips import StripSurface
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.fem.edge_beams import EdgeBeams
from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell
from stiffen.mesh.normals import node_normals
from stiffen.mesh.panel_mesh import Mesh, mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.material import Material
from stiffen.model.panel import Panel, Support

from .strip_mesh import strip_mesh

SAME_RIVET = 1e-3  # mm between a joint's rivet and that of a support which are one
ALONG_AXIS = 1e-9  # part of a turned axis off a coordinate axis up to which it counts as that axis
TILT_ARM = 10.0  # mm: arm at which the penalty on a turned, fixed rotation acts


@dataclass(frozen=True, eq=False)
class PanelOnMesh:
    """What a part that is a panel has besides its shell, all in the panel's own frame.

    panel: with the supports that are its own alone.  restraints: of these; without drift.
    """

    panel: Panel
    layout: Layout
    mesh: Mesh
    normals: np.ndarray
    restraints: Restraints
    masses: np.ndarray | None
    beams: EdgeBeams | None
    shell: Shell


@dataclass(frozen=True, eq=False)
class ShellPart:
    """A part in space.

    shell: in space.  rotation: (3, 3), turns directions in its own frame into those in space.  fixed: DOFs.  springs,
    attached: (6 n, 6 n) of its own supports and of its stiff trims, or None.  masses: (6 n,) kg or None.  rivets:
    joint's number -> (k,) nodes.  own: of a panel; None of a strip.
    """

    name: str
    material: Material
    thickness: float
    shell: Shell
    rotation: np.ndarray
    fixed: np.ndarray
    springs: sp.spmatrix | None
    attached: sp.spmatrix | None
    masses: np.ndarray | None
    rivets: Mapping[int, np.ndarray]
    own: PanelOnMesh | None = None

    @property
    def stiffness(self) -> sp.csr_matrix:
        """(6 n, 6 n) of sheet, trims and own elastic supports."""
        added = [one for one in (self.attached, self.springs) if one is not None]
        return sum(added, self.shell.stiffness).tocsr()

    def strain_energy(self, u: np.ndarray) -> np.ndarray:
        """(k,) strain energy of sheet and trims, N mm, for displacements (6 n, k) in space."""
        K = self.shell.stiffness if self.attached is None else self.shell.stiffness + self.attached
        return np.asarray(np.einsum("nk,nk->k", u, K @ u) / 2)

    def in_space(self, vectors: np.ndarray) -> np.ndarray:
        """Forces or displacements (6 n,) or (6 n, k) in the part's own frame, as in space."""
        parts = vectors.reshape(-1, 3, *vectors.shape[1:])
        return np.einsum("ij,nj...->ni...", self.rotation, parts).reshape(vectors.shape)

    def in_own_frame(self, vectors: np.ndarray) -> np.ndarray:
        """Forces or displacements (6 n,) or (6 n, k) in space, as in the part's own frame."""
        parts = vectors.reshape(-1, 3, *vectors.shape[1:])
        return np.einsum("ji,nj...->ni...", self.rotation, parts).reshape(vectors.shape)


def panel_part(
    fitted: FittedBuild,
    name: str,
    layout: Layout | None = None,
    mesh_level: str = "normal",
    size: float | None = None,
    assumed: str = FREE,
) -> ShellPart:
    """A panel of the build, which has a place.

    layout: that of the panel file unless given, at the build's gauge.  size: of elements, in place of the mesh level's.
    assumed: how its own supports of unknown restraint hold in the plane.  Raises MeshError.
    """
    whole = fitted.panels[name]
    layout = layout or whole.layout(fitted.gauges[name])
    mesh = mesh_panel(whole, layout, size=size, mesh_level=mesh_level, point_fasteners=True)
    panel = replace(whole, supports=own_supports(fitted, name))
    restraints = build_restraints(panel, mesh, assumed)
    drift = restraints.drift_dofs
    restraints = replace(restraints, fixed=np.setdiff1d(restraints.fixed, drift), drift_dofs=drift[:0])
    normals, material = node_normals(panel, mesh), panel.material
    shell = Shell(mesh.nodes, mesh.triangles, layout.gauge, material.E, material.nu, material.rho)
    beams = trim_beams(panel, mesh, normals)
    masses = lumped_masses(panel, mesh)
    own = PanelOnMesh(panel, layout, mesh, normals, restraints, masses, beams, shell)
    placed = fitted.parts[name]
    turn = _turned(placed.rotation, len(mesh.nodes))
    fixed, penalties = _fixed_in_space(restraints.linear_fixed, placed.rotation, len(mesh.nodes), material.E)
    springs = [turn @ one @ turn.T for one in (restraints.springs,) if one is not None] + penalties
    stiffness = None if beams is None else beams.stiffness_at_rest(len(mesh.nodes))
    rivets = {
        joint.number: np.array([mesh.discs[_nearest(mesh, at)][0] for at in joint.holes[name]])
        for joint in fitted.rivets
        if name in joint.holes
    }
    face = next(part.place.face for part in fitted.build.panels if part.name == name and part.place)
    origin = placed.origin - placed.rotation @ np.array([0.0, 0.0, 0.5 if face == "up" else -0.5]) * layout.gauge
    return ShellPart(
        name=name,
        material=material,
        thickness=layout.gauge,
        shell=replace(shell, nodes=origin + mesh.nodes @ placed.rotation.T),
        rotation=placed.rotation,
        fixed=fixed,
        springs=sum(springs[1:], springs[0]).tocsr() if springs else None,
        attached=None if stiffness is None else (turn @ stiffness @ turn.T).tocsr(),
        masses=masses,
        rivets=rivets,
        own=own,
    )


def strip_part(fitted: FittedBuild, name: str, mesh_level: str = "normal") -> ShellPart:
    """An angle strip of the build, which has a place."""
    strip = next(one for one in fitted.build.strips if one.name == name)
    rows = {joint.number: joint.holes[name] for joint in fitted.rivets if name in joint.holes}
    mesh = strip_mesh(StripSurface(strip, fitted.build.tools), fitted.parts[name], rows, mesh_level)
    material = strip.material
    shell = Shell(mesh.nodes, mesh.triangles, strip.thickness, material.E, material.nu, material.rho)
    nothing = np.zeros(0, int)
    return ShellPart(name, material, strip.thickness, shell, np.eye(3), nothing, None, None, None, mesh.rivets)


def panel_loads(part: ShellPart) -> dict[str, np.ndarray]:
    """Nodal forces (6 n,) of each load case of a panel, in its own frame; a moving patch at its first place."""
    own = part.own
    assert own is not None
    mass = LinearModel(own.shell, own.restraints.linear_fixed, lumped_masses=own.masses).nodal_mass
    return {
        case: case_forces(own.panel, own.mesh, mass, case, next(iter(moving_patch_positions(own.panel, case)), None))
        for case in own.panel.cases
    }


def joint_supports(fitted: FittedBuild, name: str) -> tuple[Support, ...]:
    """The supports of a panel of the build that are the rivets of its joints."""
    holes = [joint.holes[name] for joint in fitted.rivets if name in joint.holes]
    return tuple(
        support
        for support in fitted.panels[name].supports
        if support.kind == "rivets" and any(_same_rivets(support, one) for one in holes)
    )


def own_supports(fitted: FittedBuild, name: str) -> tuple[Support, ...]:
    """The supports of a panel of the build that are not the rivets of its joints."""
    joints = joint_supports(fitted, name)
    return tuple(support for support in fitted.panels[name].supports if support not in joints)


def _same_rivets(support: Support, holes: np.ndarray) -> bool:
    """True if the rivets of a support are those of a joint, in any order."""
    centres = np.array(support.fasteners())
    if centres.shape != holes.shape:
        return False
    apart = np.linalg.norm(centres[:, None] - holes[None], axis=2)
    return bool(apart.min(axis=1).max() < SAME_RIVET)


def _nearest(mesh: Mesh, at: np.ndarray) -> tuple[float, float]:
    """The fastener of a mesh nearest to a point."""
    return min(mesh.discs, key=lambda centre: (centre[0] - at[0]) ** 2 + (centre[1] - at[1]) ** 2)


def _turned(rotation: np.ndarray, n: int) -> sp.csr_matrix:
    """(6 n, 6 n) matrix that turns the DOFs of n nodes."""
    return sp.kron(sp.identity(2 * n), rotation).tocsr()


def _fixed_in_space(fixed: np.ndarray, rotation: np.ndarray, n: int, E: float) -> tuple[np.ndarray, list[sp.spmatrix]]:
    """DOFs in space for DOFs fixed in a part's own frame, and stiff springs for those that run askew there."""
    axes = np.abs(rotation).argmax(axis=0)
    along = np.abs(rotation[axes, np.arange(3)]) > 1 - ALONG_AXIS
    node, kind = np.divmod(fixed, 6)
    exact = along[kind % 3]
    dofs = 6 * node[exact] + 3 * (kind[exact] // 3) + axes[kind[exact] % 3]
    skew = np.flatnonzero(~exact)
    if not len(skew):
        return np.sort(dofs), []
    columns = 6 * node[skew][:, None] + 3 * (kind[skew] // 3)[:, None] + np.arange(3)
    rows = np.repeat(np.arange(len(skew)), 3)
    G = sp.csr_matrix((rotation[:, kind[skew] % 3].T.ravel(), (rows, columns.ravel())), shape=(len(skew), 6 * n))
    stiff = RIGID_SPRING_LENGTH * E * np.where(kind[skew] < 3, 1.0, TILT_ARM**2)
    return np.sort(dofs), [(G.T @ sp.diags(stiff) @ G).tocsr()]

"""All parts of a build as one shell, tied at their rivets: small deflections, natural modes, loads of the rivets.

Loads and displacements of a part are (6 n,) arrays in its own frame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import scipy.sparse as sp

from stiffen.analysis.supports import FREE
from stiffen.assembly.fitted_build import FittedBuild
from stiffen.errors import Fault, InputError
from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import RIGID_BODY_MODE_NAMES, Shell, rigid_body_modes
from stiffen.model.layout import Layout

from .fastener_stiffness import fastener_stiffness
from .parts import ShellPart, panel_part, strip_part
from .ties import Tie, motions

LOOSE = 1e-9  # stiffness of a rigid motion over the greatest, below which the part is loose


@dataclass(frozen=True, eq=False)
class JoinedModel:
    """Parts by name, in one order, and the ties between them."""

    parts: Mapping[str, ShellPart]
    ties: tuple[Tie, ...]

    @cached_property
    def first_node(self) -> dict[str, int]:
        """Number of each part's first node in the whole."""
        counts = np.cumsum([0, *(len(part.shell.nodes) for part in self.parts.values())])
        return dict(zip(self.parts, counts.tolist(), strict=False))

    @cached_property
    def node_count(self) -> int:
        """Nodes of the whole."""
        return sum(len(part.shell.nodes) for part in self.parts.values())

    def dofs(self, name: str) -> slice:
        """The DOFs of a part in the whole."""
        first = 6 * self.first_node[name]
        return slice(first, first + self.parts[name].shell.dof_count)

    @cached_property
    def deformations(self) -> sp.csr_matrix:
        """(5 k, 6 n) deformations of the ties by the DOFs of the whole."""
        sides = []
        for end, sign in ((0, -1), (1, 1)):
            nodes = [tie.nodes[end] for tie in self.ties]
            names = [tie.parts[end] for tie in self.ties]
            places = [self.parts[name].shell.nodes[node] for name, node in zip(names, nodes, strict=True)]
            numbers = [self.first_node[name] + node for name, node in zip(names, nodes, strict=True)]
            sides.append(motions(list(self.ties), [sign] * len(self.ties), places, numbers, self.node_count))
        return (sides[0] + sides[1]).tocsr()

    @cached_property
    def tie_springs(self) -> np.ndarray:
        """(5 k,) stiffness of the deformations of the ties."""
        return np.concatenate([np.zeros(0), *(tie.springs for tie in self.ties)])

    @cached_property
    def shell(self) -> Shell:
        """One shell of all parts; element matrices, mass and pattern are those of the parts, whatever their sheet."""
        parts = list(self.parts.values())
        triangles = [part.shell.triangles + first for part, first in zip(parts, self.first_node.values(), strict=True)]
        counts = [len(part.shell.triangles) for part in parts]
        materials = [part.material for part in parts]
        whole = Shell(
            np.concatenate([part.shell.nodes for part in parts]),
            np.concatenate(triangles),
            np.repeat([part.thickness for part in parts], counts),
            E=max(one.E for one in materials),
            nu=materials[0].nu,
            rho=materials[0].rho,
        )
        whole.__dict__["element_stiffness"] = np.concatenate([part.shell.element_stiffness for part in parts])
        whole.__dict__["mass"] = sp.block_diag([part.shell.mass for part in parts], format="csr")
        return whole

    @cached_property
    def linear_model(self) -> LinearModel:
        """Stiffness of the whole, factorised once.  Raises InputError if a part is loose."""
        self.require_held()
        return self._model()

    def _model(self) -> LinearModel:
        parts = self.parts.values()
        fixed = [part.fixed + 6 * first for part, first in zip(parts, self.first_node.values(), strict=True)]
        ties = self.deformations.T @ sp.diags(self.tie_springs) @ self.deformations
        springs = ties + self._blocks("springs")
        masses = None
        if any(part.masses is not None for part in parts):
            masses = np.concatenate(
                [np.zeros(part.shell.dof_count) if part.masses is None else part.masses for part in parts]
            )
        attached = self._blocks("attached") if any(part.attached is not None for part in parts) else None
        return LinearModel(self.shell, np.concatenate(fixed).astype(int), springs.tocsr(), masses, attached)

    def _blocks(self, what: str) -> sp.csr_matrix:
        """(6 n, 6 n) matrix of one kind of all parts."""
        found = []
        for part in self.parts.values():
            one, size = getattr(part, what), part.shell.dof_count
            found.append(sp.csr_matrix((size, size)) if one is None else one)
        return sp.block_diag(found, format="csr")

    # ------------------------------------------------------------------------------------------------ is it held?

    def loose_motions(self) -> list[tuple[str, str]]:
        """Motions of the parts as rigid bodies that neither ties nor supports hinder: part that moves most, motion.

        A build that hangs free has six; so has a row of parts that a single rivet leaves to turn.
        """
        parts = list(self.parts.values())
        rigid = []
        for part in parts:
            size = float(np.ptp(part.shell.nodes, axis=0).max())
            rigid.append(rigid_body_modes(part.shell.nodes) / np.array([1, 1, 1, size, size, size]))
        R = sp.block_diag(rigid, format="csr")
        weight = self.tie_springs / self.tie_springs.reshape(-1, 5).max(axis=1).repeat(5) if self.ties else 1.0
        stretch = sp.diags(np.sqrt(weight)) @ self.deformations @ R if self.ties else sp.csr_matrix((0, R.shape[1]))
        gram = (stretch.T @ stretch).toarray()
        for place, (part, rows) in enumerate(zip(parts, rigid, strict=True)):
            own = rows[part.fixed].T @ rows[part.fixed]
            if part.springs is not None:
                own = own + rows.T @ (part.springs @ rows) / abs(part.springs).max()
            gram[6 * place : 6 * place + 6, 6 * place : 6 * place + 6] += own
        values, vectors = np.linalg.eigh(gram)
        loose = []
        for value, vector in zip(values, vectors.T, strict=True):
            if value < LOOSE * max(1.0, values[-1]):
                most = int(np.abs(vector).argmax())
                loose.append((parts[most // 6].name, RIGID_BODY_MODE_NAMES[most % 6]))
        return loose

    def require_held(self) -> None:
        """Raise InputError if a part, or the whole, can move as a rigid body."""
        loose = self.loose_motions()
        if loose:
            named = "; ".join(f"{name} can {motion}" for name, motion in dict.fromkeys(loose))
            cure = "give a panel supports of its own, or join the parts by at least two rivets that are not in its axis"
            raise InputError([Fault("build", f"it is not held: {named}", cure)])

    # ---------------------------------------------------------------------------------------------------- results

    def solve(self, loads: Mapping[str, np.ndarray]) -> Displacements:
        """Displacements under loads on parts, (6 n,) or (6 n, k) in their own frames; others are not loaded."""
        columns = next(iter(loads.values())).shape[1:]
        forces = np.zeros((6 * self.node_count, *columns))
        for name, load in loads.items():
            forces[self.dofs(name)] += self.parts[name].in_space(load)
        return Displacements(self, forces, self.linear_model.solve(forces))

    def modes(self, count: int = 6) -> tuple[np.ndarray, Displacements]:
        """Natural frequencies (count,) Hz in vacuum, rising, and their shapes."""
        hertz, shapes = self.linear_model.modes(count)
        return hertz, Displacements(self, np.zeros_like(shapes), shapes)


@dataclass(frozen=True, eq=False)
class Displacements:
    """forces, u: (6 n,) or (6 n, k) of the whole, in space."""

    model: JoinedModel
    forces: np.ndarray
    u: np.ndarray

    def of(self, name: str) -> np.ndarray:
        """(6 n,) or (6 n, k) of one part, in its own frame."""
        return self.model.parts[name].in_own_frame(self.u[self.model.dofs(name)])

    def normal(self, name: str) -> np.ndarray:
        """(n,) or (n, k) deflection of a panel, mm, positive toward its up face."""
        own = self.model.parts[name].own
        assert own is not None
        moved = self.of(name)
        return np.einsum("ni,ni...->n...", own.normals, moved.reshape(len(own.normals), 6, *moved.shape[1:])[:, :3])

    @property
    def tie_forces(self) -> np.ndarray:
        """(k, 5) force of each tie along its deformations, N and N mm: shear, shear, pull, two moments."""
        model = self.model
        return (model.tie_springs * (model.deformations @ self.u)).reshape(-1, 5)

    def rivet_loads(self) -> tuple[np.ndarray, np.ndarray]:
        """Shear (k,) and pull along the axis (k,) of each tie, N; the pull is positive where it opens the joint."""
        forces = self.tie_forces
        return np.hypot(forces[:, 0], forces[:, 1]), forces[:, 2]


def joined_model(
    fitted: FittedBuild,
    layouts: Mapping[str, Layout] | None = None,
    mesh_level: str = "normal",
    assumed: str = FREE,
    rigid: bool = False,
) -> JoinedModel:
    """The joined model of the parts of a build that have a place.

    layouts: of panels, by name; those of the panel files unless given.  assumed: how supports of unknown restraint hold
    in the plane.  rigid: ties as good as rigid.  Raises MeshError for a panel that cannot be meshed.
    """
    layouts = layouts or {}
    parts = {}
    for panel in fitted.build.panels:
        if panel.place:
            parts[panel.name] = panel_part(fitted, panel.name, layouts.get(panel.name), mesh_level, assumed=assumed)
    for strip in fitted.build.strips:
        if strip.place:
            parts[strip.name] = strip_part(fitted, strip.name, mesh_level)
    return JoinedModel(parts, build_ties(fitted, parts, rigid))


def build_ties(fitted: FittedBuild, parts: Mapping[str, ShellPart], rigid: bool = False) -> tuple[Tie, ...]:
    """The ties of all joints: each rivet ties the sheets that lie on each other."""
    found = []
    for joint in fitted.rivets:
        for rivet, (centre, axis) in enumerate(zip(joint.centres, joint.axes, strict=True)):
            places = {name: parts[name].shell.nodes[parts[name].rivets[joint.number][rivet]] for name in joint.holes}
            for a, b in pairwise(_along_axis(places, centre, axis)):
                first, second = parts[a], parts[b]
                stiffness = fastener_stiffness(
                    joint.joint.diameter,
                    (first.thickness, first.material.E),
                    (second.thickness, second.material.E),
                )
                nodes = int(first.rivets[joint.number][rivet]), int(second.rivets[joint.number][rivet])
                share = first.thickness / (first.thickness + second.thickness)
                at = places[a] + share * (places[b] - places[a])
                found.append(Tie(joint.number, rivet, (a, b), nodes, at, axis, stiffness.rigid if rigid else stiffness))
    return tuple(found)


def _along_axis(places: Mapping[str, np.ndarray], centre: np.ndarray, axis: np.ndarray) -> Sequence[str]:
    """Names of the parts in the order in which a rivet goes through them."""
    return sorted(places, key=lambda name: float((places[name] - centre) @ axis))

"""All parts of a build as one shell, tied at their rivets: small deflections, natural modes, loads of the rivets.

Loads and displacements of a part are (6 n,) arrays in its own frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.linalg import qr

from stiffen.errors import Fault, InputError
from stiffen.fem.continuation import FIRST_STEP, Guess
from stiffen.fem.corotational import State
from stiffen.fem.edge_beams import EdgeBeams
from stiffen.fem.first_guess import PartRange
from stiffen.fem.linear import LinearModel
from stiffen.fem.nonlinear import EquilibriumPath, follow_path
from stiffen.fem.nonlinear_problem import NonlinearProblem
from stiffen.fem.shell import RIGID_BODY_MODE_NAMES, Shell, rigid_body_modes

from .loose_motions import loose_motions
from .parts import ShellPart
from .ties import DEFORMATIONS, Tie, motions

MOST_DRIFTS = 3  # motions of the whole along which it may drift: those in one plane
PATH_TOLERANCE = 1e-4  # residual force over load at equilibrium of the whole
DRIFTS_AS_ONE = 1e-6  # part of a drift by which parts may move against each other


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
    def part_ranges(self) -> dict[str, PartRange]:
        """Nodes and triangles of each part in the whole."""
        found, triangle = {}, 0
        for name, part in self.parts.items():
            node, count = self.first_node[name], len(part.shell.triangles)
            found[name] = PartRange(slice(node, node + len(part.shell.nodes)), slice(triangle, triangle + count))
            triangle += count
        return found

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

    def with_stiffness(self, parts: Mapping[str, ShellPart], ties: tuple[Tie, ...]) -> JoinedModel:
        """The same build with other springs of parts, or another stiffness of ties; its meshes are not made again."""
        other = JoinedModel(parts, ties)
        for name in ("shell", "deformations"):
            other.__dict__[name] = getattr(self, name)
        return other

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

    @cached_property
    def _loose(self) -> tuple[np.ndarray, np.ndarray]:
        return loose_motions(list(self.parts.values()), self.deformations, self.tie_springs)

    def loose_motions(self) -> list[tuple[str, str]]:
        """Motions of the parts as rigid bodies that neither ties nor supports hinder: part that moves most, motion.

        A build that hangs free has six; so has a row of parts that a single rivet leaves to turn.
        """
        names, found = list(self.parts), []
        for vector in self._loose[0].T:
            most = int(np.abs(vector).argmax())
            found.append((names[most // 6], RIGID_BODY_MODE_NAMES[most % 6]))
        return found

    def require_held(self) -> None:
        """Raise InputError if a part, or the whole, can move as a rigid body."""
        loose = self.loose_motions()
        if loose:
            named = "; ".join(f"{name} can {motion}" for name, motion in dict.fromkeys(loose))
            cure = "give a panel a support of its own that holds, or join the parts by two rivets or more"
            raise InputError([Fault("build", f"it is not held: {named}", cure)])

    def steadied(self) -> tuple[JoinedModel, np.ndarray]:
        """The model with what lets the whole of it drift held, and the drifts (6 n, k), largest displacement 1.

        A build whose supports are all free in their plane drifts, though its loads do not drive it.  The fewest DOFs
        that stop it are fixed; they carry nothing while no load works in a drift.  Raises InputError for other motions.
        """
        _, drifts = self._loose
        if not drifts.shape[1]:
            return self, drifts
        whole = rigid_body_modes(self.shell.nodes)
        fit = whole @ np.linalg.lstsq(whole, drifts, rcond=None)[0]
        if drifts.shape[1] > MOST_DRIFTS or np.abs(drifts - fit).max() > DRIFTS_AS_ONE * np.abs(drifts).max():
            self.require_held()
        slides = drifts.reshape(-1, 6, drifts.shape[1])[:, :3].reshape(-1, drifts.shape[1])
        chosen = qr(slides.T, mode="r", pivoting=True)[1][: drifts.shape[1]]
        dofs = 6 * (chosen // 3) + chosen % 3
        parts = dict(self.parts)
        for name, part in self.parts.items():
            here = self.dofs(name)
            mine = dofs[(dofs >= here.start) & (dofs < here.stop)] - here.start
            if len(mine):
                parts[name] = replace(part, fixed=np.union1d(part.fixed, mine))
        return JoinedModel(parts, self.ties), drifts / np.abs(slides).max(axis=0)

    # ---------------------------------------------------------------------------------------------------- results

    def solve(self, loads: Mapping[str, np.ndarray]) -> Displacements:
        """Displacements under loads on parts, (6 n,) or (6 n, k) in their own frames; others are not loaded."""
        columns = next(iter(loads.values())).shape[1:]
        forces = np.zeros((6 * self.node_count, *columns))
        for name, load in loads.items():
            forces[self.dofs(name)] += self.parts[name].in_space(load)
        return Displacements(self, forces, self.linear_model.solve(forces))

    def modes(self, count: int = 6, tolerance: float = 0.0) -> tuple[np.ndarray, Displacements]:
        """Natural frequencies (count,) Hz in vacuum, rising, and their shapes; tolerance: see `LinearModel.modes`."""
        hertz, shapes = self.linear_model.modes(count, tolerance)
        return hertz, Displacements(self, np.zeros_like(shapes), shapes)

    def buckling(self, u: np.ndarray, count: int = 1, tolerance: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
        """Lowest positive buckling factors (<= count,) on the load that made u (6 n,), and their shapes (6 n, count).

        Small deflections up to buckling; what ties carry adds no geometric stiffness.  tolerance: as of `modes`.
        """
        parts = [part.shell.geometric_stiffness(u[self.dofs(name)]) for name, part in self.parts.items()]
        return self.linear_model.buckling(u, count, sp.block_diag(parts, format="csr"), tolerance)

    def equilibrium_path(
        self,
        loads: Mapping[str, np.ndarray],
        until: float = 1.0,
        *,
        first_step: float = FIRST_STEP,
        tolerance: float = PATH_TOLERANCE,
        guess: Guess | None = None,
        trust_guess: bool = False,
    ) -> EquilibriumPath:
        """Large deflections of all parts under loads (6 n,) on parts, in their own frames, up to `until` times them.

        first_step, tolerance, guess, trust_guess: see `follow_path`.

        The springs of ties do not turn with the sheet: right while a rivet's sheet tilts by less than some 0.1 rad.
        Rests and slips of own supports count as in small deflections.  Raises SolverError.
        """
        forces = np.zeros(6 * self.node_count)
        for name, load in loads.items():
            forces[self.dofs(name)] += self.parts[name].in_space(load)
        model = self.linear_model
        assert model.springs is not None
        return follow_path(
            self.shell,
            model.fixed,
            forces,
            springs=model.springs,
            edge_beams=self._edge_beams(),
            guess=guess,
            trust_guess=trust_guess,
            target_factor=until,
            first_step=first_step,
            tolerance=tolerance,
        )

    def part_of_path(self, name: str, path: EquilibriumPath) -> EquilibriumPath:
        """What a path of the whole is for one panel, in its own frame."""
        part = self.parts[name]
        own, first = part.own, self.first_node[name]
        assert own is not None
        here = slice(first, first + len(own.mesh.nodes))
        state = path.end_state
        turn = part.rotation
        end = State(state.displacements[here] @ turn, np.einsum("ji,njk,kl->nil", turn, state.rotations[here], turn))
        nothing = np.zeros(part.shell.dof_count)
        return replace(
            path,
            shell=own.shell,
            states={},
            end_state=end,
            reactions=part.in_own_frame(path.reactions[self.dofs(name)]),
            problem=NonlinearProblem(own.shell, np.zeros(0, int), nothing),
        )

    def tie_forces(self, u: np.ndarray) -> np.ndarray:
        """(k, 5) force of each tie along its deformations, N and N mm, under displacements u (6 n,) of the whole."""
        return (self.tie_springs * (self.deformations @ u)).reshape(-1, DEFORMATIONS)

    def _edge_beams(self) -> EdgeBeams | None:
        """The stiff trims of all parts, in space."""
        found = []
        for part, first in zip(self.parts.values(), self.first_node.values(), strict=True):
            if part.own is not None and part.own.beams is not None:
                one, turn = part.own.beams, part.rotation
                found.append((one.nodes + first, one.chords @ turn.T, one.normals @ turn.T, one.bending_stiffness))
        return EdgeBeams(*map(np.concatenate, zip(*found, strict=True))) if found else None


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
        return self.model.tie_forces(self.u)

    def rivet_loads(self) -> tuple[np.ndarray, np.ndarray]:
        """Shear (k,) and pull along the axis (k,) of each tie, N; the pull is positive where it opens the joint."""
        forces = self.tie_forces
        return np.hypot(forces[:, 0], forces[:, 1]), forces[:, 2]

"""The model of one panel inside a build: its own shell, held by its neighbours as springs, or in the whole.

Neighbours as springs give way by small-deflection theory.  That is exact for small deflections, softness and linear
buckling.  A load case of large deflection is followed in the whole: thin neighbours buckle where the panel pulls them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stiffen.analysis.panel_model import FULL_ACCURACY, Accuracy, PanelModel
from stiffen.errors import SolverError
from stiffen.fem.continuation import Guess
from stiffen.fem.first_guess import carried_over
from stiffen.fem.linear import LinearModel
from stiffen.fem.nonlinear import EquilibriumPath
from stiffen.model.layout import Point

from .condensed import Condensation
from .joined_model import JoinedModel

INSIDE = "build"  # how a panel inside a build is held in its plane


@dataclass(frozen=True, eq=False)
class PanelInside(PanelModel):
    """A panel model whose load cases are followed in the whole.

    whole: None to follow them with the neighbours as springs.  name: of the part.
    """

    whole: JoinedModel | None = None
    name: str = ""

    @property
    def follows_whole(self) -> bool:
        """False for what the whole does not know: waviness, a measured shape, rests that lift off, rivets that slip."""
        plain = not (self.panel.waviness or self.panel.out_of_flat or self.has_contact)
        return self.whole is not None and plain

    def equilibrium_path(
        self, case: str, until: float = 1.0, from_rest: bool = False, place: Point | None = None
    ) -> EquilibriumPath:
        """See `PanelModel.equilibrium_path`; the panel's part of the path of the whole."""
        if not self.follows_whole:
            return super().equilibrium_path(case, until, from_rest, place)
        whole = self.whole
        assert whole is not None
        return self._cached(
            ("part of whole", case, until, from_rest, place),
            lambda: whole.part_of_path(self.name, self.path_of_whole(case, until, from_rest, place)),
        )

    def path_of_whole(
        self, case: str, until: float = 1.0, from_rest: bool = False, place: Point | None = None
    ) -> EquilibriumPath:
        """The path of the whole build under a case of this panel, with large deflections of all parts."""
        assert self.whole is not None
        whole = self.whole
        elsewhere = self.other_place(case, place)

        def make() -> EquilibriumPath:
            is_guessed = until == 1.0 and not from_rest and elsewhere is None
            guess = self._guess_of_whole(case) if is_guessed else None
            return whole.equilibrium_path({self.name: self.linear_solution(case, elsewhere)[0]}, until, guess=guess)

        return self._cached(("whole", case, until, from_rest, elsewhere), make)

    def _guess_of_whole(self, case: str) -> Guess | None:
        """The state of the whole on the coarser mesh, as a first guess; None where there is none."""
        coarser, whole = self.coarser, self.whole
        if not isinstance(coarser, PanelInside) or coarser.whole is None or whole is None:
            return None
        try:
            path = coarser.path_of_whole(case, place=self.worst_place(case))
        except SolverError:
            return None
        here, there = coarser.whole.part_ranges, whole.part_ranges
        return carried_over(path, whole.shell, [(here[name], there[name]) for name in there])

    def take_path(self, case: str, forces: np.ndarray, linear: np.ndarray, path: EquilibriumPath) -> None:
        """Take a path that was followed elsewhere as the one of a case.

        forces, linear: (6 n,) of the case, and displacements by linear theory, which tell what theory applies.
        """
        self._cache["part of whole", case, 1.0, False, None] = path
        self._cache["case", case] = None, forces, linear

    def tie_forces(self, case: str) -> np.ndarray:
        """(k, 5) forces of all ties of the build under a case of this panel, by the theory that applies."""
        assert self.whole is not None
        if self.uses_large_deflection(case) and self.follows_whole:
            return self.whole.tie_forces(self.path_of_whole(case).end_state.dofs)
        return self.whole.solve({self.name: self.linear_solution(case)[0]}).tie_forces


def panel_inside(
    condensed: Condensation,
    name: str,
    neighbours: np.ndarray | None = None,
    coarser: PanelInside | None = None,
    accuracy: Accuracy = FULL_ACCURACY,
    follow_whole: bool = True,
) -> PanelInside:
    """The panel model of a panel of the build.

    neighbours: (5 k, 5 k) at the cuts of its ties; those of the build unless given.  coarser: the same on a coarser
    mesh, see `PanelModel`.  follow_whole: see `PanelInside`.
    """
    part = condensed.model.parts[name]
    own = part.own
    assert own is not None
    if neighbours is None:
        neighbours = condensed.neighbours(name)
    springs = condensed.springs(name, neighbours)
    if own.restraints.springs is not None:
        springs = (springs + own.restraints.springs).tocsr()
    restraints = replace(own.restraints, springs=springs)
    beam_stiffness = None if own.beams is None else own.beams.stiffness_at_rest(len(own.mesh.nodes))
    linear = LinearModel(own.shell, restraints.linear_fixed, springs, own.masses, beam_stiffness)
    return PanelInside(
        own.panel, own.layout, own.mesh, restraints, linear, INSIDE, linear.nodal_mass, own.normals,
        trim_beams=own.beams, accuracy=accuracy, coarser=coarser,
        whole=condensed.model if follow_whole else None, name=name,
    )  # fmt: skip

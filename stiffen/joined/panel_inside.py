"""The model of one panel inside a build: its own shell, held by its neighbours as springs, or in the whole.

Neighbours as springs give way by small-deflection theory.  That is exact for small deflections, softness and linear
buckling.  A load case of large deflection is followed in the whole: thin neighbours buckle where the panel pulls them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stiffen.analysis.panel_model import FULL_ACCURACY, Accuracy, PanelModel
from stiffen.fem.linear import LinearModel
from stiffen.fem.nonlinear import EquilibriumPath

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
    def _follows_whole(self) -> bool:
        """False for what the whole does not know: waviness, a measured shape, rests that lift off, rivets that slip."""
        plain = not (self.panel.waviness or self.panel.out_of_flat or self.has_contact)
        return self.whole is not None and plain

    def equilibrium_path(self, case: str, until: float = 1.0) -> EquilibriumPath:
        """See `PanelModel.equilibrium_path`; the panel's part of the path of the whole."""
        if not self._follows_whole:
            return super().equilibrium_path(case, until)
        whole = self.whole
        assert whole is not None
        return self._cached(
            ("followed", case, until), lambda: whole.part_of_path(self.name, self.path_of_whole(case, until))
        )

    def path_of_whole(self, case: str, until: float = 1.0) -> EquilibriumPath:
        """The path of the whole build under a case of this panel."""
        assert self.whole is not None
        whole, forces = self.whole, self.linear_solution(case)[0]
        return self._cached(("whole", case, until), lambda: whole.equilibrium_path({self.name: forces}, until))

    def tie_forces(self, case: str) -> np.ndarray:
        """(k, 5) forces of all ties of the build under a case of this panel, by the theory that applies."""
        assert self.whole is not None
        if self.uses_large_deflection(case) and self._follows_whole:
            return self.whole.tie_forces(self.path_of_whole(case).end_state.dofs)
        return self.whole.solve({self.name: self.linear_solution(case)[0]}).tie_forces


def panel_inside(
    condensed: Condensation,
    name: str,
    neighbours: np.ndarray | None = None,
    accuracy: Accuracy = FULL_ACCURACY,
    follow_whole: bool = True,
) -> PanelInside:
    """The panel model of a panel of the build.

    neighbours: (5 k, 5 k) at the cuts of its ties; those of the build unless given.  follow_whole: see `PanelInside`.
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
        trim_beams=own.beams, accuracy=accuracy, whole=condensed.model if follow_whole else None, name=name,
    )  # fmt: skip

"""Natural modes of a whole build in air, and its linear buckling under the load cases of its panels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from stiffen.analysis.air_mass import modes_in_fluid
from stiffen.analysis.natural_modes import mass_of_air
from stiffen.errors import InputError, SolverError

from .joined_model import JoinedModel
from .workers import Sent, unpacked

MODE_COUNT = 12  # modes of the whole
TOLERANCE = 1e-4  # relative, of squared frequencies and factors: far below the error of any mesh
TAKES_PART = 0.1  # of a mode's strain energy, from which a part takes part in it: common practice, no source


@dataclass(frozen=True)
class BuildMode:
    """A natural mode of the whole in air.  most: the part with most strain energy.  parts: those that take part."""

    hertz: float
    most: str
    parts: tuple[str, ...]


@dataclass(frozen=True)
class BuildBuckling:
    """Linear buckling of the whole under a load case of one panel.

    factor: the load that buckles it over that of the case; infinite where nothing is compressed.  most: the part with
    most strain energy in that mode; "" without one.
    """

    panel: str
    case: str
    factor: float
    most: str


@dataclass(frozen=True, eq=False)
class BucklingJob:
    """Buckling of a build under a case of a panel.  inside: the build.  forces: (6 n,) in the panel's own frame."""

    inside: Sent
    panel: str
    case: str
    forces: np.ndarray

    def value(self) -> BuildBuckling | None:
        """The buckling; None where none is found."""
        return build_buckling(unpacked(self.inside).model, self.panel, self.case, self.forces)


def modes_of_build(inside: Sent) -> tuple[tuple[BuildMode, ...], dict[str, tuple[float, float]]]:
    """The natural modes of a build, on any worker; see `build_modes`."""
    return build_modes(unpacked(inside).model)


def build_modes(whole: JoinedModel) -> tuple[tuple[BuildMode, ...], dict[str, tuple[float, float]]]:
    """The first natural modes of the whole, and for each panel its first frequency in air and the mode's in vacuum."""
    hertz, shapes = whole.modes(MODE_COUNT, TOLERANCE)
    panels = {name: part.own for name, part in whole.parts.items() if part.own is not None}
    air = np.zeros((len(hertz), len(hertz)))
    for name, own in panels.items():
        air += mass_of_air(own.mesh, shapes.normal(name))
    in_air, mix = modes_in_fluid(hertz, air)
    bent = np.stack([part.strain_energy(shapes.u[whole.dofs(name)] @ mix) for name, part in whole.parts.items()])
    shares = bent / bent.sum(axis=0)
    names = list(whole.parts)
    modes = tuple(
        BuildMode(
            float(f), names[int(share.argmax())], tuple(n for n, s in zip(names, share, strict=True) if s >= TAKES_PART)
        )
        for f, share in zip(in_air, shares.T, strict=True)
    )
    firsts = {}
    for name, share in zip(names, shares, strict=True):
        taking = np.flatnonzero(share >= TAKES_PART)
        if len(taking):
            firsts[name] = float(in_air[taking[0]]), float(hertz[taking[0]])
    return modes, firsts


def build_buckling(whole: JoinedModel, panel: str, case: str, forces: np.ndarray) -> BuildBuckling | None:
    """Buckling of the whole under a case of a panel; None where none is found.

    forces: (6 n,) of the case, in the panel's own frame.
    """
    try:
        result = whole.solve({panel: forces})
        factors, shapes = whole.buckling(result.u, tolerance=TOLERANCE)
    except (InputError, SolverError):
        return None
    if not len(factors):
        return BuildBuckling(panel, case, math.inf, "")
    bent = {name: float(part.strain_energy(shapes[whole.dofs(name)])[0]) for name, part in whole.parts.items()}
    return BuildBuckling(panel, case, float(factors[0]), max(bent, key=lambda name: bent[name]))

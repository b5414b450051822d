"""Why a layout is as it is: what each part of it adds, what would help, what the other face would save."""

from __future__ import annotations

from dataclasses import dataclass

from .layout import Bead, Hole

SURROGATE = "surrogate"
SHELL = "shell"
SURROGATE_AND_SHELL = "surrogate and shell"


@dataclass(frozen=True)
class Estimate:
    """What the demands would come to after a change.

    values: one for each demand, in its unit; not finite where no equilibrium was found.  utilisation: the largest; over
    1 a demand is not met.  model: SURROGATE (calibrated by the shell's values of the layout handed out), SHELL (its
    quick mesh, scaled alike) or both, each for some of the demands.
    """

    values: tuple[float, ...]
    utilisation: float
    model: str = SURROGATE

    @property
    def met(self) -> bool:
        """True if every demand would be met."""
        return self.utilisation <= 1


@dataclass(frozen=True)
class PartWorth:
    """What a bead, or a row of flared holes, adds to a layout: the estimate is of the layout without it.

    mass_kg: what the finished panel would weigh more without it (flared holes save mass).  share: by what share the
    largest utilisation would rise without it; negative if it would fall.  minutes: what it costs at the bench, with the
    die change and trial strip of its die where no other part needs them.
    """

    beads: tuple[Bead, ...]
    holes: tuple[Hole, ...]
    without: Estimate
    share: float
    mass_kg: float = 0.0
    minutes: float = 0.0


@dataclass(frozen=True)
class HelpfulChange:
    """A change that would bring demands that are not met nearer to their limits.

    what: in words.  mass_kg: what it adds to the panel; what is outside the panel (a stay) is not counted.
    """

    what: str
    estimate: Estimate
    mass_kg: float


@dataclass(frozen=True)
class OtherFace:
    """What beads on the other face would have done, where the panel file asks for one.

    face: the other one.  same_gauge: the same beads there; None without beads.  gauge, estimate, saved_kg: the thinner
    sheet that was tried there with its best layout, and what it would save; None if there is no thinner sheet.
    """

    face: str
    same_gauge: Estimate | None
    gauge: float | None = None
    estimate: Estimate | None = None
    saved_kg: float = 0.0


@dataclass(frozen=True)
class Explanation:
    """Why this layout, and what else would do.  here: the layout's own values by the shell."""

    here: Estimate
    parts: tuple[PartWorth, ...] = ()
    changes: tuple[HelpfulChange, ...] = ()
    other_face: OtherFace | None = None

    def share_of(self, part: Bead | Hole) -> float | None:
        """Share by which the largest utilisation would rise without a bead or hole; None if it is not known."""
        return next((one.share for one in self.parts if part in one.beads or part in one.holes), None)

"""Groups of beads that moves may add beside regular ones: curved, frames, steps, straight in other directions."""

from __future__ import annotations

from stiffen.model.tools import BeadDie
from stiffen.surrogate.laminated_panel import LaminatedPanel

from .bead_rules import BeadRules, Group
from .curved_beads import curved_bead_candidates
from .straight_beads import straight_bead_candidates


def group_pool(surrogate: LaminatedPanel, mirror_axes: str, dies: tuple[BeadDie, ...]) -> tuple[Group, ...]:
    """Groups of some dies' beads at the surrogate's gauge, with layouts mirrored along `mirror_axes`; no two alike."""
    panel, gauge = surrogate.panel, surrogate.gauge
    rules = BeadRules(panel, gauge, mirror_axes)
    beads = (
        *straight_bead_candidates(panel, gauge, dies),
        *curved_bead_candidates(panel, gauge, surrogate, dies),
    )
    return tuple(dict.fromkeys(group for bead in beads if (group := rules.group(rules.made(bead))) is not None))

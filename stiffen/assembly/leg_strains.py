"""How far the leg of a curved angle strip is stretched or shrunk, whether it stands that, and how it is worked.

Strain at the free edge of a curved leg, against the heel that keeps its length:

- bent: an angle folded straight, then curved: leg 1 of height h is at radius R + h or R - h instead of R, so
  e = +h / R (out, stretched) or -h / R (in, shrunk);
- turned: leg 1 is cut curved, and leg 2 is turned up along the curve: before that it lay at R - h or R + h, so
  e = +h / (R - h) where leg 2 is turned up inside the arc (leg 1 out: stretched), -h / (R + h) outside it (leg 1 in:
  shrunk).

Both follow from the lengths of concentric arcs alone.  R is the radius of the heel, h the outside size of the leg; mm.
Counted from the outer face of the other leg, the strain comes out a little large, by up to the bend's size over R.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stiffen.model.material import Material

from .records import AngleStrip

STRETCH_SHARE = 0.5  # of the elongation at break that a cut and deburred edge stands: common practice, no source
MAX_SHRINK = 0.08  # that a shrinker takes out of soft sheet before it cracks or creases: common practice, no source
MAX_HAND_SHRINK = 0.01  # that a mallet takes out over a stake without a shrinker: common practice, no source
BITE = 0.4  # mm that one bite of a hand shrinker takes or gives: common practice, no source
LEAST_BITE_SPACING = 6.0  # mm between bites of one round along the edge: common practice, no source
SLIT_SPACING_LEGS = 2.0  # leg heights between slits: common practice, no source


@dataclass(frozen=True)
class LegStrain:
    """How far the leg of a curved strip is stretched or shrunk.

    leg: 1 or 2, the leg that changes.  edge: strain at its free edge, + stretched.  limit: largest strain of that sign
    that it stands, a fraction.  bites, bite_spacing: of a shrinker or stretcher along the edge, mm apart; 0 for a
    strain that a mallet takes.  slits: where it is too much, cuts into the leg that would do instead.
    """

    leg: int
    edge: float
    limit: float
    bites: int
    bite_spacing: float
    slits: int

    @property
    def fits(self) -> bool:
        """True where the leg stands the strain."""
        return abs(self.edge) <= self.limit


def edge_strain(leg: float, radius: float, curve: str, way: str) -> float:
    """Strain at the free edge of a curved leg, + stretched; see the head of this module.

    >>> edge_strain(20.0, 200.0, "out", "bent"), edge_strain(20.0, 200.0, "in", "bent")
    (0.1, -0.1)
    >>> round(edge_strain(20.0, 220.0, "out", "turned"), 6), round(edge_strain(20.0, 180.0, "in", "turned"), 6)
    (0.1, -0.1)
    """
    if way == "bent":
        return leg / radius if curve == "out" else -leg / radius
    return leg / (radius - leg) if curve == "out" else -leg / (radius + leg)


def leg_strain(strip: AngleStrip, way: str | None = None) -> LegStrain | None:
    """The strain of the leg that changes when a strip is curved; None for a straight one.

    way: as in `AngleStrip`; that of the strip unless given.
    """
    if strip.heel_radius is None:
        return None
    way = way or strip.way
    number = 1 if way == "bent" else 2
    leg = strip.legs[number - 1]
    edge = edge_strain(leg, strip.heel_radius, strip.curve, way)
    limit = strain_limit(strip.material, edge)
    change = abs(edge) * strip.length
    bites = 0 if abs(edge) <= MAX_HAND_SHRINK else math.ceil(change / BITE)
    slits = 0 if abs(edge) <= limit else math.ceil(strip.length / (SLIT_SPACING_LEGS * leg))
    return LegStrain(number, edge, limit, bites, strip.length / bites if bites else 0.0, slits)


def strain_limit(material: Material, strain: float) -> float:
    """Largest strain of that sign that the edge of a leg stands, a fraction: common practice, no source."""
    return STRETCH_SHARE * material.elongation if strain > 0 else MAX_SHRINK


def strain_text(strain: LegStrain, way: str, own: bool) -> str:
    """The strain in words.  own: it is the way in which the strip is to be made, else the other one."""
    made = "folded straight, then curved" if way == "bent" else f"cut curved, leg {strain.leg} turned up"
    verb = "stretched" if strain.edge > 0 else "shrunk"
    text = (
        f"{'' if own else 'the other way, '}{made}: edge of leg {strain.leg} {verb} by {100 * abs(strain.edge):.1f} %"
    )
    text += f" (limit {100 * strain.limit:.1f} %, common practice)"
    if not strain.fits:
        return f"{text}: too much; slit leg {strain.leg} in {strain.slits} places down to 2 mm from the bend"
    if own and strain.bites:
        tool = "stretcher" if strain.edge > 0 else "shrinker"
        rounds = math.ceil(LEAST_BITE_SPACING / strain.bite_spacing)
        spacing = rounds * strain.bite_spacing
        again = f", {rounds} times along the edge" if rounds > 1 else ""
        text += f"; about {strain.bites} bites of a {tool}, {spacing:.0f} mm apart{again} (common practice)"
    return text

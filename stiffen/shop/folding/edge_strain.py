"""How far the edge of a curved flange or of a curved strip's leg is stretched or shrunk, and how that is worked.

Strain follows from the lengths of concentric arcs alone.  A flange of height h that is turned up along an edge of
radius R lay, at its free edge, at R + h where it stands outside the arc (shrunk) or at R - h inside it (stretched), so
turned by a right angle e = -h / (R + h) or h / (R - h).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stiffen.model.fold_plan import CurvedFlange
from stiffen.model.material import Material

STRETCH_SHARE = 0.5  # of the elongation at break that a cut and deburred edge stands: common practice, no source
MAX_SHRINK = 0.08  # that a shrinker takes out of soft sheet before it cracks or creases: common practice, no source
MAX_HAND_SHRINK = 0.01  # that a mallet takes out over a stake without a shrinker: common practice, no source
BITE = 0.4  # mm that one bite of a hand shrinker takes or gives: common practice, no source
LEAST_BITE_SPACING = 6.0  # mm between bites of one round along the edge: common practice, no source
SLIT_SPACING_LEGS = 2.0  # leg heights between slits: common practice, no source


@dataclass(frozen=True)
class EdgeStrain:
    """How far a curved edge is stretched or shrunk.

    edge: strain at the free edge, + stretched.  limit: largest strain of that sign that it stands, a fraction.  bites,
    bite_spacing: of a shrinker or stretcher along the edge, mm apart; 0 for a strain that a mallet takes.  slits: where
    it is too much, cuts that would do instead.
    """

    edge: float
    limit: float
    bites: int
    bite_spacing: float
    slits: int

    @property
    def fits(self) -> bool:
        """True where the edge stands the strain."""
        return abs(self.edge) <= self.limit


def strain_limit(material: Material, strain: float) -> float:
    """Largest strain of that sign that an edge stands, a fraction: common practice, no source."""
    return STRETCH_SHARE * material.elongation if strain > 0 else MAX_SHRINK


def worked_edge(material: Material, edge: float, length: float, leg: float) -> EdgeStrain:
    """The strain `edge` of an edge `length` mm long on a leg of `leg` mm, with what it takes at the bench."""
    limit = strain_limit(material, edge)
    bites = 0 if abs(edge) <= MAX_HAND_SHRINK else math.ceil(abs(edge) * length / BITE)
    slits = 0 if abs(edge) <= limit else math.ceil(length / (SLIT_SPACING_LEGS * leg))
    return EdgeStrain(edge, limit, bites, length / bites if bites else 0.0, slits)


def flange_strain(flange: CurvedFlange, material: Material) -> EdgeStrain:
    """The strain at the free edge of a curved flange: e = leg / (radius -+ leg) for a right angle.

    >>> from stiffen.model.material import materials
    >>> one = CurvedFlange((0.0, 0.0), 180.0, 179.0, 199.0, 0.0, 90.0, True, 90.0, 2.0, 20.0)
    >>> round(flange_strain(one, materials()["5754-H111"]).edge, 6)
    -0.1
    """
    way = 1.0 if flange.is_outside else -1.0
    flat = flange.edge_radius + way * flange.leg
    turned = flange.edge_radius + way * flange.leg * math.cos(math.radians(flange.angle))
    length = math.radians(flange.sweep) * flange.edge_radius
    return worked_edge(material, (turned - flat) / flat, length, flange.leg)


def strain_words(strain: EdgeStrain, edge: str, slit: str, tells_work: bool = True) -> str:
    """The strain in words.  edge: its name.  slit: the part that is slit if it is too much."""
    verb = "stretched" if strain.edge > 0 else "shrunk"
    text = f"{edge} {verb} by {100 * abs(strain.edge):.1f} % (limit {100 * strain.limit:.1f} %, common practice)"
    if not strain.fits:
        return f"{text}: too much; slit {slit} in {strain.slits} places down to 2 mm from the bend"
    if tells_work and strain.bites:
        tool = "stretcher" if strain.edge > 0 else "shrinker"
        rounds = math.ceil(LEAST_BITE_SPACING / strain.bite_spacing)
        spacing = rounds * strain.bite_spacing
        again = f", {rounds} times along the edge" if rounds > 1 else ""
        text += f"; about {strain.bites} bites of a {tool}, {spacing:.0f} mm apart{again} (common practice)"
    return text

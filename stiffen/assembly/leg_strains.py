"""How far the leg of a curved angle strip is stretched or shrunk, for each way of making it.

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

from dataclasses import dataclass

from stiffen.shop.folding.edge_strain import EdgeStrain, strain_words, worked_edge

from .records import AngleStrip


@dataclass(frozen=True)
class LegStrain:
    """The strain of the leg that changes when a strip is curved.  leg: 1 or 2."""

    leg: int
    strain: EdgeStrain

    @property
    def edge(self) -> float:
        """At its free edge, + stretched."""
        return self.strain.edge

    @property
    def fits(self) -> bool:
        """True where the leg stands the strain."""
        return self.strain.fits


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
    return LegStrain(number, worked_edge(strip.material, edge, strip.length, leg))


def strain_text(strain: LegStrain, way: str, own: bool) -> str:
    """The strain in words.  own: it is the way in which the strip is to be made, else the other one."""
    made = "folded straight, then curved" if way == "bent" else f"cut curved, leg {strain.leg} turned up"
    words = strain_words(strain.strain, f"edge of leg {strain.leg}", f"leg {strain.leg}", own)
    return f"{'' if own else 'the other way, '}{made}: {words}"

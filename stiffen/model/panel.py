"""What the user has: the panel, how it is held, what loads it, what it must do.

Plan coordinates in mm, z toward the "up" face; N, MPa, kg, Hz.  Nothing here reads files or judges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from shapely.geometry import LineString, Polygon

from .layout import Bead, Hole, Layout, Point
from .material import Material
from .tools import Tools

SUPPORT_KINDS = ("edge", "rivets", "bolts", "rest")
HOLD_KINDS = ("pinned", "clamped", "guided")
IN_PLANE_KINDS = ("held", "free", "unknown")
LOAD_KINDS = ("pressure", "patch", "line", "inertia")
SYMMETRIES = ("auto", "none", "x", "y", "xy")
GOALS = ("lightest", "stiffest")
DEMAND_KINDS = ("deflection", "softness", "frequency", "buckling", "stress")


@dataclass(frozen=True)
class Cutout:
    """An opening that must be there: its ring (flattened), and the exact circle (x, y, diameter) where it is one."""

    ring: tuple[Point, ...]
    circle: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Fold:
    """A fold line, its angle in degrees (+ turns the flange toward "up"), inside radius mm.

    The flange is the smaller of the two parts of the sheet that the line parts.
    """

    line: tuple[Point, Point]
    angle: float
    radius: float = 0.0


@dataclass(frozen=True)
class Support:
    """How the panel is held.

    kind: edge, rivets, bolts, rest.  path: line held (None: the whole outline).  at: centres of bolts, or of the rivets
    along path where they are not at even pitch.
    hold: pinned (no deflection), clamped (nor rotation), guided (rotation held, deflection free).
    in_plane: held, free or unknown; slip: mm a clearance hole lets go before it holds (None: no slip given).
    pitch, diameter: mm.  stiffness: N/mm per fastener, or N/mm per mm of edge; None means rigid.
    strength: N that one fastener stands in any direction, where the user knows it.
    """

    kind: str
    hold: str = "pinned"
    in_plane: str = "unknown"
    slip: float | None = None
    path: tuple[Point, ...] | None = None
    at: tuple[Point, ...] = ()
    pitch: float = 0.0
    diameter: float = 0.0
    stiffness: float | None = None
    strength: float | None = None

    def fasteners(self) -> tuple[Point, ...]:
        """Centres of the bolts, or of the rivets: as given, or at even pitch, the ends of an open row included."""
        if self.kind == "bolts" or self.at:
            return self.at
        if self.kind != "rivets" or self.path is None:
            return ()
        line = LineString(self.path)
        gaps = max(1, round(line.length / self.pitch))
        stations = np.linspace(0.0, line.length, gaps + 1)
        if line.is_ring:
            stations = stations[:-1]
        return tuple((p.x, p.y) for p in (line.interpolate(s) for s in stations))


@dataclass(frozen=True)
class Load:
    """One load of a case; loads of one case act together.

    pressure: value MPa, on `polygon` or the whole sheet.  patch: value N over size (mm, mm) centred at `at`
    (None: the worst place).  line: value N/mm along path in direction.  inertia: g, in units of standard gravity.
    A positive value pushes toward -z, that is onto the "up" face.
    """

    case: str
    kind: str
    value: float = 0.0
    polygon: tuple[Point, ...] | None = None
    at: Point | None = None
    size: tuple[float, float] | None = None
    path: tuple[Point, ...] | None = None
    direction: tuple[float, float, float] = (0.0, 0.0, -1.0)
    g: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Combination:
    """A case made of others: factors by case name."""

    case: str
    factors: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Demand:
    """What the panel must do.

    deflection: at most `flare_limits` mm normal to the sheet in `case`.  softness: a push of `force` N anywhere gives
    at most `flare_limits` mm.  frequency: first at least `flare_limits` Hz.  buckling: factor on `case` at least
    `flare_limits`. stress: yield over greatest von Mises in `case` at least `flare_limits`.
    """

    kind: str
    limit: float
    case: str | None = None
    force: float | None = None

    @property
    def at_most(self) -> bool:
        """True where a smaller value is better."""
        return self.kind in ("deflection", "softness")

    def margin(self, value: float) -> float:
        """Fraction left of the limit: 1 - value/limit where smaller is better, else value/limit - 1."""
        return 1 - value / self.limit if self.at_most else value / self.limit - 1

    def utilisation(self, value: float) -> float:
        """value/limit, or limit/value where more is better: over 1 is missed; NaN counts as missed without end."""
        if math.isnan(value):
            return math.inf
        return value / self.limit if self.at_most else self.limit / max(value, 1e-12)

    @property
    def label(self) -> str:
        """Short name for tables: 'deflection wind', 'softness 10 N', 'frequency'."""
        if self.kind == "softness":
            return f"softness {self.force:g} N"
        return f"{self.kind} {self.case}" if self.case else self.kind

    @property
    def unit(self) -> str:
        """Unit of limit and value."""
        return {"deflection": "mm", "softness": "mm", "frequency": "Hz"}.get(self.kind, "x")


@dataclass(frozen=True)
class KeepOut:
    """A place where no bead or hole may be."""

    polygon: tuple[Point, ...]
    against: tuple[str, ...] = ("bead", "hole")
    why: str = ""


@dataclass(frozen=True)
class PointMass:
    """Something bolted on: kg at a place."""

    at: Point
    kg: float
    what: str = ""


@dataclass(frozen=True)
class FlatnessReading:
    """Where the bought sheet was measured: height over flat, mm, + toward the "up" face."""

    at: Point
    height: float


@dataclass(frozen=True)
class EdgeTrim:
    """Edge trim or tube along a path (None: the outline): kg per metre, optional bending stiffness EI, N mm2."""

    kg_per_metre: float
    path: tuple[Point, ...] | None = None
    stiffness: float = 0.0
    what: str = ""


@dataclass(frozen=True)
class Panel:
    """A flat panel as the user describes it, read and checked."""

    name: str
    material: Material
    gauges: tuple[float, ...]
    outline: tuple[Point, ...]  # open ring, counter-clockwise, corners already rounded
    tools: Tools
    cutouts: tuple[Cutout, ...] = ()
    bead_side: str = "up"
    supports: tuple[Support, ...] = ()
    loads: tuple[Load, ...] = ()
    demands: tuple[Demand, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    folds: tuple[Fold, ...] = ()
    beads: tuple[Bead, ...] = ()
    holes: tuple[Hole, ...] = ()
    masses: tuple[PointMass, ...] = ()
    trims: tuple[EdgeTrim, ...] = ()
    combinations: tuple[Combination, ...] = ()
    waviness: float = 0.0  # amplitude of the initial out-of-flat, mm, in the shape of a buckling or free mode
    out_of_flat: tuple[FlatnessReading, ...] = ()  # its shape as measured
    symmetry: str = "auto"  # of the layout: auto (the panel's own), none, x, y (mirrored along that axis), xy
    goal: str = "lightest"  # or stiffest: at the thinnest gauge, with at most `beads_at_most` beads
    beads_at_most: int | None = None
    dies_at_most: int | None = None
    source: dict = field(default_factory=dict, compare=False, repr=False)  # the file as data, nothing left to look up

    @cached_property
    def region(self) -> Polygon:
        """The sheet in plan, cut-outs taken out."""
        return Polygon(self.outline, [cutout.ring for cutout in self.cutouts])

    @property
    def cases(self) -> tuple[str, ...]:
        """Names of the load cases in file order, combinations last."""
        names = dict.fromkeys(load.case for load in self.loads)
        return (*names, *(combo.case for combo in self.combinations))

    def layout(self, gauge: float | None = None) -> Layout:
        """The beads and holes the file itself gives, at `gauge` mm (default: the thinnest in the rack)."""
        return Layout(gauge or min(self.gauges), self.beads, self.holes)

    def svg(self, layout: Layout | None = None) -> str:
        """A picture of the sheet with a layout (default: the beads and holes the file itself gives) as SVG text."""
        rings = (self.outline, *(cutout.ring for cutout in self.cutouts))
        return (layout or self.layout()).svg(rings, self.name)

    def _repr_svg_(self) -> str:
        return self.svg()

    def within_count_limits(self, layout: Layout) -> bool:
        """True where a layout has no more beads and dies than are asked for."""
        dies = {bead.die for bead in layout.beads}
        few = self.beads_at_most is None or len(layout.beads) <= self.beads_at_most
        return few and (self.dies_at_most is None or len(dies) <= self.dies_at_most)

    def mass(self, layout: Layout) -> float:
        """kg of the finished panel by plan area: outline less cut-outs and pilot holes, trim and masses left out.

        Beads drawn in from the edges bring some more sheet with them; `bead_section.draw_in` bounds it.
        """
        pilots = sum(np.pi / 4 * hole.die.pilot**2 for hole in layout.holes)
        return self.material.rho * layout.gauge * (self.region.area - pilots)

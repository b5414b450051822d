"""The panel as the user describes it: sheet, supports, loads, demands.  Frozen records that check themselves.

Plan coordinates in mm, z toward the "up" face; N, MPa, kg, Hz.  InputError names each fault with its place and cure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from shapely.geometry import LineString, Polygon

from . import sheet_rules
from .fold_plan import CurvedFlange, folding_order
from .layout import GAUGE_RANGE, SIDES, Bead, Hole, Layout, Point
from .material import Material
from .record_rules import (
    COMBINATION_RULES,
    CUTOUT_RULES,
    DEMAND_KEYS,
    DEMAND_KINDS,
    DEMAND_RULES,
    DIRECTION_TOLERANCE,
    FLARED_HOLES,
    FLATNESS_RULES,
    FOLD_RULES,
    GOALS,
    KEEP_OUT_RULES,
    LOAD_KEYS,
    LOAD_KINDS,
    LOAD_RULES,
    MASS_RULES,
    SUPPORT_KEYS,
    SUPPORT_KINDS,
    SUPPORT_RULES,
    SYMMETRIES,
    TRIM_RULES,
    factor_findings,
    fastener_findings,
    fold_findings,
    given_fields,
    load_findings,
    load_value_range,
    panel_findings,
)
from .record_rules import HOLD_KINDS as HOLD_KINDS  # re-exported
from .record_rules import IN_PLANE_KINDS as IN_PLANE_KINDS
from .sheet_geometry import DERIVED_RING, signed_area
from .tools import Tools
from .value_rules import (
    TEXT,
    Choice,
    Instance,
    Numbers,
    Optional,
    Range,
    Records,
    Rule,
    Whole,
    check_fields,
    field_findings,
    kind_findings,
    raise_findings,
)


@dataclass(frozen=True)
class Cutout:
    """A required opening: its ring of straight chords, and the exact circle (x, y, diameter, mm) if it is round."""

    ring: tuple[Point, ...]
    circle: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        check_fields(self, "cutout", CUTOUT_RULES)


@dataclass(frozen=True)
class Fold:
    """A bend: its line, its angle in degrees (positive turns the flange toward "up"), its inside radius in mm.

    The line divides the sheet in two parts; the smaller one is the flange.
    """

    line: tuple[Point, Point]
    angle: float
    radius: float = 0.0

    def __post_init__(self) -> None:
        raise_findings("fold", field_findings(self, FOLD_RULES) or fold_findings(self.line, self.angle))


@dataclass(frozen=True)
class Support:
    """One support of the panel.

    kind: edge, rivets, bolts, rest.  path: the supported line (None: the whole outline; rivets need a path).
    at: centres of the bolts, or of rivets that are not at even pitch along path.
    hold: pinned (no deflection), clamped (no deflection, no rotation), guided (no rotation, free deflection).
    in_plane: held, free, unknown, or build (as its neighbours in a build hold it; unknown where they are not known).
    slip: mm by which a clearance hole lets the sheet move in its plane before the fastener restrains it (None: no slip
    given).
    pitch, diameter: mm; given `at`, the pitch is the mean one.  stiffness: N/mm of one fastener, or N/mm per mm of
    edge; None means rigid.  strength: N that one fastener carries in any direction, if known.  onto: mm, thickness of
    the part below that the fasteners grip together with the panel, if known.
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
    onto: float | None = None

    def __post_init__(self) -> None:
        rules = {key: rule for key, rule in SUPPORT_RULES.items() if key != "pitch"} if self.at else SUPPORT_RULES
        found = field_findings(self, rules)
        if not found and self.kind == "rivets" and self.at and self.path and not self.pitch:
            gaps = max(1, len(self.at) - (self.path[0] != self.path[-1]))
            object.__setattr__(self, "pitch", LineString(self.path).length / gaps)
        if self.kind in SUPPORT_KINDS:
            found += kind_findings(f"a support of kind {self.kind}", SUPPORT_KEYS[self.kind], given_fields(self))
        found = found or fastener_findings(self.kind, self.pitch, self.diameter)
        raise_findings("support", found)

    def fasteners(self) -> tuple[Point, ...]:
        """Centres of bolts or rivets: as given, or at even pitch along the path, both ends of an open row included."""
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


@dataclass(frozen=True, eq=False)
class Neighbours:
    """What the neighbours of a panel in a build are to it: springs between its rivets.

    at: centres of k rivets in the flat sheet, mm.  stiffness: (6 k, 6 k) N/mm and N mm on the displacements and
    rotations of the sheet there, in the panel's own frame; symmetric.
    """

    at: tuple[Point, ...]
    stiffness: np.ndarray


@dataclass(frozen=True)
class Load:
    """One load of a case; loads of one case act together.

    pressure: value MPa, on `polygon` or the whole sheet.  patch: value N over size (mm, mm) centred at `at`
    (None: the worst place).  line: value N/mm along path in `direction`, which is stored as a unit vector.
    inertia: g, in units of standard gravity.  A positive pressure or patch pushes onto the "up" face:
    toward -z, and on a flange square to it.
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

    def __post_init__(self) -> None:
        found = field_findings(self, {**LOAD_RULES, "value": load_value_range(self.kind)})
        if self.kind in LOAD_KINDS:
            given = given_fields(self)
            if self.kind == "patch" and self.at is None:  # the worst place
                given.append("at")
            found += kind_findings(f"a load of kind {self.kind}", LOAD_KEYS[self.kind], given)
        raise_findings("load", found or load_findings(None, self.direction, None))
        length = math.hypot(*self.direction)
        if abs(length - 1) > DIRECTION_TOLERANCE:
            object.__setattr__(self, "direction", tuple(value / length for value in self.direction))


@dataclass(frozen=True)
class Combination:
    """A load case that is a sum of others: pairs of a case and its factor."""

    case: str
    factors: tuple[tuple[str, float], ...]

    def __post_init__(self) -> None:
        raise_findings("combination", field_findings(self, COMBINATION_RULES) + factor_findings(self.factors))


@dataclass(frozen=True)
class Demand:
    """A requirement on the panel.

    deflection: at most `limit` mm normal to the sheet in `case`.  softness: a push of `force` N at any place deflects
    the sheet by at most `limit` mm.  frequency: the first natural frequency is at least `limit` Hz.  buckling: the
    buckling load factor of `case` is at least `limit`.  stress: yield strength over the largest von Mises stress in
    `case` is at least `limit`.
    """

    kind: str
    limit: float
    case: str | None = None
    force: float | None = None

    def __post_init__(self) -> None:
        found = field_findings(self, DEMAND_RULES)
        if self.kind in DEMAND_KINDS:
            found += kind_findings(f"a demand of kind {self.kind}", DEMAND_KEYS[self.kind], given_fields(self))
        raise_findings("demand", found)

    @property
    def at_most(self) -> bool:
        """True where a smaller value is better."""
        return self.kind in ("deflection", "softness")

    def margin(self, value: float) -> float:
        """Margin as a fraction of the limit: 1 - value/limit if smaller is better, else value/limit - 1."""
        return 1 - value / self.limit if self.at_most else value / self.limit - 1

    def utilisation(self, value: float) -> float:
        """value/limit, or limit/value if more is better.  Over 1 the demand is not met; NaN gives infinity."""
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

    def __post_init__(self) -> None:
        check_fields(self, "keep_out", KEEP_OUT_RULES)


@dataclass(frozen=True)
class PointMass:
    """A part fixed to the sheet: kg at a place."""

    at: Point
    kg: float
    what: str = ""

    def __post_init__(self) -> None:
        check_fields(self, "mass", MASS_RULES)


@dataclass(frozen=True)
class FlatnessReading:
    """Measured shape of the bought sheet at one place: height over flat, mm, positive toward the "up" face."""

    at: Point
    height: float

    def __post_init__(self) -> None:
        check_fields(self, "out_of_flat", FLATNESS_RULES)


@dataclass(frozen=True)
class EdgeTrim:
    """Edge trim or tube along a path (None: the outline): kg per metre, optional bending stiffness EI, N mm2.

    tube: outer diameter, mm, of a tube that is slit along its length and pushed on; 0 for edging.
    """

    kg_per_metre: float
    path: tuple[Point, ...] | None = None
    stiffness: float = 0.0
    what: str = ""
    tube: float = 0.0

    def __post_init__(self) -> None:
        check_fields(self, "trim", TRIM_RULES)


PANEL_RULES: dict[str, Rule] = {
    "name": TEXT,
    "material": Instance(Material, 'materials()["5754-H111"], or your own Material(...)'),
    "gauges": Numbers(GAUGE_RANGE, unique="a thickness"),
    "outline": DERIVED_RING,
    "tools": Instance(Tools, "starter_tools(), read_tools(path), or your own Tools(...)"),
    "cutouts": Records(Cutout),
    "bead_side": Choice((*SIDES, "either")),
    "supports": Records(Support),
    "loads": Records(Load),
    "demands": Records(Demand),
    "keep_outs": Records(KeepOut),
    "folds": Records(Fold),
    "curved_flanges": Records(CurvedFlange),
    "shaping": Records(str),
    "beads": Records(Bead),
    "holes": Records(Hole),
    "masses": Records(PointMass),
    "trims": Records(EdgeTrim),
    "combinations": Records(Combination),
    "finished": Optional(DERIVED_RING),
    "waviness": Range(0.0, 50.0, "mm"),
    "out_of_flat": Records(FlatnessReading),
    "symmetry": Choice(SYMMETRIES),
    "goal": Choice(GOALS),
    "beads_at_most": Optional(Whole(Range(1, 1000))),
    "dies_at_most": Optional(Whole(Range(1, 1000))),
    "flared_holes": Choice(FLARED_HOLES),
    "grams_per_minute": Range(0.0, 1000.0, "g"),
    "holes_at_most": Optional(Whole(Range(0, 10000))),
    "hole_dies_at_most": Optional(Whole(Range(1, 1000))),
    "hole_edge": Range(0.0, 1000.0, "mm"),
    "minutes_at_most": Optional(Range(1.0, 100000.0, "minutes")),
    "margin": Range(0.0, 0.5),
    "neighbours": Optional(Instance(Neighbours, "neighbours_of(build, name)")),
}


@dataclass(frozen=True)
class Panel:
    """A flat panel as the user describes it.

    Its folds are kept in the order in which they are made (`fold_plan.folding_order`), and numbered so everywhere.
    It checks itself when it is made: every value, every name of a case, and that everything lies on the sheet.
    InputError lists all faults with the same texts as the reader of panel files.
    """

    name: str
    material: Material
    gauges: tuple[float, ...]
    outline: tuple[Point, ...]  # open ring, counter-clockwise (made so if it is not), corners already rounded
    tools: Tools
    cutouts: tuple[Cutout, ...] = ()
    bead_side: str = "up"
    supports: tuple[Support, ...] = ()
    loads: tuple[Load, ...] = ()
    demands: tuple[Demand, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    folds: tuple[Fold, ...] = ()
    curved_flanges: tuple[CurvedFlange, ...] = ()  # numbered after the folds
    shaping: tuple[str, ...] = ()  # further steps of the order of work, after the folds, as sentences
    beads: tuple[Bead, ...] = ()
    holes: tuple[Hole, ...] = ()
    masses: tuple[PointMass, ...] = ()
    trims: tuple[EdgeTrim, ...] = ()
    combinations: tuple[Combination, ...] = ()
    waviness: float = (
        0.0  # amplitude of the assumed imperfection, mm, in the shape of a buckling mode, else of a vibration mode
    )
    out_of_flat: tuple[FlatnessReading, ...] = ()  # measured imperfection, in place of waviness
    symmetry: str = "auto"  # of the layout: auto (the panel's own), none, x (x reversed), y, xy
    finished: tuple[Point, ...] | None = None  # outside sizes of the folded part's base, if the blank is made from them
    goal: str = "recommended"  # "lightest", "quickest", or "stiffest": thinnest gauge, at most `beads_at_most` beads
    beads_at_most: int | None = None
    dies_at_most: int | None = None
    flared_holes: str = "any"  # or "none": a search adds none
    grams_per_minute: float = 0.8  # that a minute at the bench must save, for the recommended layout
    holes_at_most: int | None = None
    hole_dies_at_most: int | None = None
    hole_edge: float = 0.0  # mm from a hole's fold circle to the edge of the sheet, if more than the spacing rule
    minutes_at_most: float | None = None  # at the bench
    margin: float = 0.05  # that the recommended layout keeps on every demand, as a share of its limit
    neighbours: Neighbours | None = field(
        default=None, compare=False, repr=False
    )  # in a build: they hold the supports whose `in_plane` is "build"
    source: dict = field(
        default_factory=dict, compare=False, repr=False
    )  # the panel file as data, files it names included

    def __post_init__(self) -> None:
        raise_findings("panel", field_findings(self, PANEL_RULES))
        object.__setattr__(self, "gauges", tuple(sorted(self.gauges)))
        if signed_area(self.outline) < 0:
            object.__setattr__(self, "outline", self.outline[:1] + self.outline[:0:-1])
        size = sheet_rules.size_findings(self.outline, "plan coordinates are in mm")
        raise_findings("panel", [(("outline",), what, cure) for _, what, cure in size])
        raise_findings("", panel_findings(self))
        order = folding_order(self.outline, [fold.line for fold in self.folds])
        object.__setattr__(self, "folds", tuple(self.folds[position] for position in order))

    @cached_property
    def region(self) -> Polygon:
        """The sheet in plan without its cut-outs."""
        return Polygon(self.outline, [cutout.ring for cutout in self.cutouts])

    @property
    def is_folded(self) -> bool:
        """True if a fold or a curved flange turns a part of the sheet out of its plane."""
        return bool(self.folds or self.curved_flanges)

    @property
    def fold_lines(self) -> tuple[tuple[Point, ...], ...]:
        """The middle of each bend in the flat sheet: of the folds, then of the curved flanges."""
        return (*(fold.line for fold in self.folds), *(flange.line for flange in self.curved_flanges))

    @property
    def fold_angles(self) -> tuple[float, ...]:
        """Degrees of the bends, in the order of `fold_lines`."""
        return (*(fold.angle for fold in self.folds), *(flange.angle for flange in self.curved_flanges))

    @property
    def cases(self) -> tuple[str, ...]:
        """Names of the load cases in file order, combinations last."""
        names = dict.fromkeys(load.case for load in self.loads)
        return (*names, *(combo.case for combo in self.combinations))

    def layout(self, gauge: float | None = None) -> Layout:
        """The layout that the panel itself gives, at `gauge` mm (default: the thinnest of its gauges)."""
        return Layout(gauge or min(self.gauges), self.beads, self.holes)

    def svg(self, layout: Layout | None = None) -> str:
        """A picture of the sheet with a layout (default: the one that the panel itself gives) as SVG text."""
        rings = (self.outline, *(cutout.ring for cutout in self.cutouts))
        return (layout or self.layout()).svg(rings, self.name)

    def _repr_svg_(self) -> str:
        return self.svg()

    def within_count_limits(self, layout: Layout) -> bool:
        """True if a layout has no more beads, flared holes and dies of either kind than the panel allows."""
        counts = (
            (len(layout.beads), self.beads_at_most),
            (len({bead.die for bead in layout.beads}), self.dies_at_most),
            (len(layout.holes), self.holes_at_most),
            (len({hole.die for hole in layout.holes}), self.hole_dies_at_most),
        )
        return all(most is None or count <= most for count, most in counts)

    def mass(self, layout: Layout) -> float:
        """kg of the finished panel by plan area: outline less cut-outs and pilot holes, without trim and point masses.

        Rolling a bead draws in sheet from the edges, which adds a little; `bead_section.draw_in` bounds it.
        """
        pilots = sum(np.pi / 4 * hole.die.pilot**2 for hole in layout.holes)
        return self.material.rho * layout.gauge * (self.region.area - pilots)

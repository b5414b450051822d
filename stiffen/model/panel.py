"""What the user has: the panel, how it is held, what loads it, what it must do.

Plan coordinates in mm, z toward the "up" face; N, MPa, kg, Hz.  Nothing here reads files or judges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from shapely.geometry import LineString, Polygon

from . import sheet_rules
from .layout import GAUGE_RANGE, SIDES, Bead, Hole, Layout, Point
from .material import Material
from .sheet_geometry import DERIVED_RING, SheetGeometry, signed_area
from .tools import Tools
from .value_rules import (
    COORDINATE,
    DERIVED_PATH,
    POINT,
    TEXT,
    Choice,
    Choices,
    Finding,
    Instance,
    KindKeys,
    Numbers,
    Optional,
    PlanPoints,
    Range,
    Records,
    Rule,
    Whole,
    check_fields,
    field_findings,
    has_default,
    kind_findings,
    raise_findings,
    show_value,
)

SUPPORT_KINDS = ("edge", "rivets", "bolts", "rest")
HOLD_KINDS = ("pinned", "clamped", "guided")
IN_PLANE_KINDS = ("held", "free", "unknown")
LOAD_KINDS = ("pressure", "patch", "line", "inertia")
SYMMETRIES = ("auto", "none", "x", "y", "xy")
GOALS = ("lightest", "stiffest")
DIRECTION_TOLERANCE = 1e-9  # of the length of a unit vector
DEMAND_KINDS = ("deflection", "softness", "frequency", "buckling", "stress")
MACHINED = ("bead", "hole")
LIMIT_RANGE = Range(0.0, 1e6, excludes_low=True)
FACTOR_RANGE = Range(-100.0, 100.0)
LOAD_VALUE_RANGES = {
    "pressure": Range(-1.0, 1.0, "MPa", cure="MPa: 500 Pa is 0.0005, 1 kPa is 0.001"),
    "patch": Range(-1e5, 1e5, "N"),
    "line": Range(-1e3, 1e3, "N/mm"),
    "inertia": Range(-1e5, 1e5),
}
CUTOUT_RULES: dict[str, Rule] = {"ring": DERIVED_RING, "circle": Optional(Numbers(COORDINATE, count=3))}
FOLD_RULES: dict[str, Rule] = {
    "line": PlanPoints(),
    "angle": Range(-170.0, 170.0, "degrees"),
    "radius": Range(0.0, 200.0, "mm"),
}
SUPPORT_RULES: dict[str, Rule] = {
    "kind": Choice(SUPPORT_KINDS),
    "hold": Choice(HOLD_KINDS),
    "in_plane": Choice(IN_PLANE_KINDS),
    "slip": Optional(Range(0.0, 10.0, "mm")),
    "path": Optional(DERIVED_PATH),
    "at": PlanPoints(1),
    "pitch": Range(2.0, 5000.0, "mm"),
    "diameter": Range(1.0, 50.0, "mm"),
    "stiffness": Optional(Range(0.0, 1e9, excludes_low=True)),
    "strength": Optional(Range(0.0, 1e6, "N", excludes_low=True)),
}
RESTRAINT_KEYS = ("hold", "in_plane", "slip", "stiffness")
SUPPORT_KEYS = {  # of the record; a file gives a line as `along` or `path`
    "edge": KindKeys(("kind",), ("path", *RESTRAINT_KEYS)),
    "rest": KindKeys(("kind",), ("path", *RESTRAINT_KEYS)),
    "rivets": KindKeys(("kind", "path", "diameter", "pitch"), ("at", "strength", *RESTRAINT_KEYS)),
    "bolts": KindKeys(("kind", "at", "diameter"), ("strength", *RESTRAINT_KEYS)),
}
LOAD_RULES: dict[str, Rule] = {
    "case": TEXT,
    "kind": Choice(LOAD_KINDS),
    "polygon": Optional(DERIVED_RING),
    "at": Optional(POINT),
    "size": Optional(Numbers(Range(1.0, 10_000.0, "mm"), count=2)),
    "path": Optional(DERIVED_PATH),
    "direction": Numbers(Range(-1e6, 1e6), count=3),
    "g": Numbers(Range(-100.0, 100.0, "g"), count=3),
}
LOAD_KEYS = {
    "pressure": KindKeys(("case", "kind", "value"), ("polygon",)),
    "patch": KindKeys(("case", "kind", "value", "at", "size")),
    "line": KindKeys(("case", "kind", "value", "path"), ("direction",)),
    "inertia": KindKeys(("case", "kind", "g")),
}
COMBINATION_RULES: dict[str, Rule] = {"case": TEXT}
DEMAND_RULES: dict[str, Rule] = {
    "kind": Choice(DEMAND_KINDS),
    "limit": LIMIT_RANGE,
    "case": Optional(TEXT),
    "force": Optional(Range(0.0, 1e5, "N", excludes_low=True)),
}
DEMAND_KEYS = {
    "deflection": KindKeys(("kind", "case", "limit")),
    "softness": KindKeys(("kind", "force", "limit")),
    "frequency": KindKeys(("kind", "limit")),
    "buckling": KindKeys(("kind", "case", "limit")),
    "stress": KindKeys(("kind", "case", "limit")),
}
KEEP_OUT_RULES: dict[str, Rule] = {"polygon": DERIVED_RING, "against": Choices(MACHINED), "why": TEXT}
MASS_RULES: dict[str, Rule] = {"at": POINT, "kg": Range(0.0, 1000.0, "kg", excludes_low=True), "what": TEXT}
FLATNESS_RULES: dict[str, Rule] = {"at": POINT, "height": Range(-50.0, 50.0, "mm")}
TRIM_RULES: dict[str, Rule] = {
    "kg_per_metre": Range(0.0, 100.0, "kg/m"),
    "path": Optional(DERIVED_PATH),
    "stiffness": Range(0.0, 1e13, "N mm2"),
    "what": TEXT,
}


@dataclass(frozen=True)
class Cutout:
    """An opening that must be there: its ring (flattened), and the exact circle (x, y, diameter) where it is one."""

    ring: tuple[Point, ...]
    circle: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        check_fields(self, "cutout", CUTOUT_RULES)


@dataclass(frozen=True)
class Fold:
    """A fold line, its angle in degrees (+ turns the flange toward "up"), inside radius mm.

    The flange is the smaller of the two parts of the sheet that the line parts.
    """

    line: tuple[Point, Point]
    angle: float
    radius: float = 0.0

    def __post_init__(self) -> None:
        raise_findings("fold", field_findings(self, FOLD_RULES) or fold_findings(self.line, self.angle))


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

    def __post_init__(self) -> None:
        rules = {key: rule for key, rule in SUPPORT_RULES.items() if key != "pitch"} if self.at else SUPPORT_RULES
        found = field_findings(self, rules)
        if not found and self.kind == "rivets" and self.at and self.path and not self.pitch:
            gaps = max(1, len(self.at) - (self.path[0] != self.path[-1]))
            object.__setattr__(self, "pitch", LineString(self.path).length / gaps)
        if self.kind in SUPPORT_KINDS:
            found += kind_findings(f"a support of kind {self.kind}", SUPPORT_KEYS[self.kind], _given(self))
        found = found or fastener_findings(self.kind, self.pitch, self.diameter)
        raise_findings("support", found)

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

    def __post_init__(self) -> None:
        found = field_findings(self, {**LOAD_RULES, "value": load_value_range(self.kind)})
        if self.kind in LOAD_KINDS:
            given = {*_given(self), "at"} if self.kind == "patch" else _given(self)  # None means the worst place
            found += kind_findings(f"a load of kind {self.kind}", LOAD_KEYS[self.kind], given)
        raise_findings("load", found or load_findings(None, self.direction, None))
        length = math.hypot(*self.direction)
        if abs(length - 1) > DIRECTION_TOLERANCE:
            object.__setattr__(self, "direction", tuple(value / length for value in self.direction))


@dataclass(frozen=True)
class Combination:
    """A case made of others: factors by case name."""

    case: str
    factors: tuple[tuple[str, float], ...]

    def __post_init__(self) -> None:
        raise_findings("combination", field_findings(self, COMBINATION_RULES) + factor_findings(self.factors))


@dataclass(frozen=True)
class Demand:
    """What the panel must do.

    deflection: at most `limit` mm normal to the sheet in `case`.  softness: a push of `force` N anywhere gives at
    most `limit` mm.  frequency: first at least `limit` Hz.  buckling: factor on `case` at least `limit`.
    stress: yield over greatest von Mises in `case` at least `limit`.
    """

    kind: str
    limit: float
    case: str | None = None
    force: float | None = None

    def __post_init__(self) -> None:
        found = field_findings(self, DEMAND_RULES)
        if self.kind in DEMAND_KINDS:
            found += kind_findings(f"a demand of kind {self.kind}", DEMAND_KEYS[self.kind], _given(self))
        raise_findings("demand", found)

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

    def __post_init__(self) -> None:
        check_fields(self, "keep_out", KEEP_OUT_RULES)


@dataclass(frozen=True)
class PointMass:
    """Something bolted on: kg at a place."""

    at: Point
    kg: float
    what: str = ""

    def __post_init__(self) -> None:
        check_fields(self, "mass", MASS_RULES)


@dataclass(frozen=True)
class FlatnessReading:
    """Where the bought sheet was measured: height over flat, mm, + toward the "up" face."""

    at: Point
    height: float

    def __post_init__(self) -> None:
        check_fields(self, "out_of_flat", FLATNESS_RULES)


@dataclass(frozen=True)
class EdgeTrim:
    """Edge trim or tube along a path (None: the outline): kg per metre, optional bending stiffness EI, N mm2."""

    kg_per_metre: float
    path: tuple[Point, ...] | None = None
    stiffness: float = 0.0
    what: str = ""

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
    "beads": Records(Bead),
    "holes": Records(Hole),
    "masses": Records(PointMass),
    "trims": Records(EdgeTrim),
    "combinations": Records(Combination),
    "waviness": Range(0.0, 50.0, "mm"),
    "out_of_flat": Records(FlatnessReading),
    "symmetry": Choice(SYMMETRIES),
    "goal": Choice(GOALS),
    "beads_at_most": Optional(Whole(Range(1, 1000))),
    "dies_at_most": Optional(Whole(Range(1, 1000))),
}


@dataclass(frozen=True)
class Panel:
    """A flat panel as the user describes it.

    It checks itself when it is made: every value, every name of a case, and that everything lies on the sheet.
    InputError names each fault as the reader of panel files does.
    """

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

    def __post_init__(self) -> None:
        raise_findings("panel", field_findings(self, PANEL_RULES))
        object.__setattr__(self, "gauges", tuple(sorted(self.gauges)))
        if signed_area(self.outline) < 0:
            object.__setattr__(self, "outline", self.outline[:1] + self.outline[:0:-1])
        size = sheet_rules.size_findings(self.outline, "plan coordinates are in mm")
        raise_findings("panel", [(("outline",), what, cure) for _, what, cure in size])
        raise_findings("", panel_findings(self))

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


# --- rules between the values of one record --------------------------------------------------------------------


def _given(record: Any) -> list[str]:
    """The fields of a record that do not have their default value."""
    return [name for name in record.__dataclass_fields__ if not has_default(record, name)]


def fold_findings(line: Any, angle: float | None) -> list[Finding]:
    """A fold line of more than two points, or an angle of 0."""
    found: list[Finding] = []
    if line and len(line) != 2:
        found.append((("line",), f"has {len(line)} points", "a fold line is straight: give its two ends"))
    if angle == 0:
        found.append((("angle",), "is 0", "leave the fold out, or give degrees; + folds toward the up face"))
    return found


def fastener_findings(kind: str, pitch: float, diameter: float) -> list[Finding]:
    """Rivets nearer to each other than their diameter."""
    if kind == "rivets" and pitch <= diameter:
        return [(("pitch",), f"is {pitch:g}, not more than the diameter", "at least 3 diameters")]
    return []


def load_value_range(kind: str | None) -> Range:
    """What the value of a load of this kind may be; of any kind where the kind is not known."""
    return LOAD_VALUE_RANGES.get(kind or "", LOAD_VALUE_RANGES["inertia"])


def load_findings(value: float | None, direction: Any, g: Any) -> list[Finding]:
    """A load of nothing, or a direction without length; None where a value is not given."""
    found: list[Finding] = []
    if value == 0:
        found.append((("value",), "is 0, which is no load", "leave the load out"))
    if direction and not any(direction):
        found.append((("direction",), "has no length", "[0, 0, -1] pushes onto the up face"))
    if g and not any(g):
        found.append((("g",), "is 0, which is no load", "[0, 0, -3] is three times gravity toward the down face"))
    return found


def factor_findings(factors: Any) -> list[Finding]:
    """Factors of a combination that are not pairs of a case and a number, or none."""
    if not isinstance(factors, tuple) or not all(isinstance(pair, tuple) and len(pair) == 2 for pair in factors):
        return [(("of",), f"is {show_value(factors)}, not pairs of case and factor", 'write (("wind", 1.0),)')]
    if not factors:
        return [(("of",), "is empty", "name at least one case")]
    found: list[Finding] = []
    for name, factor in factors:
        found += [(("of", str(name)), what, cure) for _, what, cure in FACTOR_RANGE.faults(factor)]
    return found


# --- rules between the records of one panel --------------------------------------------------------------------


def panel_findings(panel: Panel) -> list[Finding]:
    """What does not go together in a panel: names of cases, faces, and what lies off the sheet; file keys as places."""
    found = _case_findings(panel)
    for place, bead in enumerate(panel.beads):
        found += _below(("bead", place), sheet_rules.side_findings(panel.bead_side, bead.side))
    for place, hole in enumerate(panel.holes):
        found += _below(("hole", place), sheet_rules.side_findings(panel.bead_side, hole.side))
    return found + _sheet_findings(panel)


def _below(path: tuple[str | int, ...], findings: list[Finding]) -> list[Finding]:
    return [((*path, *below), what, cure) for below, what, cure in findings]


def _case_findings(panel: Panel) -> list[Finding]:
    cases = [load.case for load in panel.loads]
    combined = [one.case for one in panel.combinations]
    found: list[Finding] = []
    for place, one in enumerate(panel.combinations):
        names = [name for name, _ in one.factors]
        found += _below(("combination", place), sheet_rules.combination_findings(one.case, names, cases))
    found += _below(("combination",), sheet_rules.repeated_findings(combined))
    for place, demand in enumerate(panel.demands):
        found += _below(("demand", place), sheet_rules.demand_findings(demand.case, [*cases, *combined]))
    return found


def _sheet_findings(panel: Panel) -> list[Finding]:
    """Cut-outs that meet, and records that lie off the sheet."""
    sheet = SheetGeometry(panel.outline, tuple(cutout.ring for cutout in panel.cutouts))
    cure = "move or shrink it; cut-outs lie inside the outline and apart"
    found: list[Finding] = [(("cutout", place), what, cure) for place, what in sheet.cutout_clashes()]
    for place, support in enumerate(panel.supports):
        found += _below(("support", place), sheet_rules.path_findings(sheet, support.path))
        found += _below(("support", place), sheet_rules.centre_findings(sheet, support.at))
    for place, load in enumerate(panel.loads):
        lies = sheet_rules.load_findings(sheet, load.path, load.polygon, load.at, load.size)
        found += _below(("load", place), lies)
    for place, keep_out in enumerate(panel.keep_outs):
        found += _below(("keep_out", place), sheet_rules.keep_out_findings(sheet, keep_out.polygon))
    for place, fold in enumerate(panel.folds):
        found += _below(("fold", place), sheet_rules.fold_findings(sheet, fold.line))
    for place, mass in enumerate(panel.masses):
        found += _below(("mass", place), sheet_rules.point_findings(sheet, mass.at))
    for place, reading in enumerate(panel.out_of_flat):
        found += _below(("out_of_flat", place), sheet_rules.point_findings(sheet, reading.at))
    found += _below(("out_of_flat",), sheet_rules.flatness_findings([one.at for one in panel.out_of_flat]))
    for place, trim in enumerate(panel.trims):
        found += _below(("trim", place), sheet_rules.path_findings(sheet, trim.path))
    for place, bead in enumerate(panel.beads):
        found += _below(("bead", place), sheet_rules.path_findings(sheet, bead.path))
        found += _below(("bead", place), sheet_rules.open_end_findings(sheet, bead.path, bead.open_ends))
    for place, hole in enumerate(panel.holes):
        found += _below(("hole", place), sheet_rules.point_findings(sheet, hole.at))
    return found

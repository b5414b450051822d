"""A layout: beads, flared holes and gauge, and their form in JSON.

Plan coordinates in mm; "up" is the face toward +z.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .svg import BeadShape, HoleShape, layout_svg
from .tools import BeadDie, HoleDie
from .value_rules import (
    DERIVED_PATH,
    FLAG,
    POINT,
    Choice,
    Instance,
    Range,
    Records,
    Rule,
    check_fields,
    raise_findings,
    show_value,
)

Point = tuple[float, float]
SIDES = ("up", "down")
OPEN_END_NAMES = {(False, False): "none", (True, False): "start", (False, True): "stop", (True, True): "both"}
GAUGE_RANGE = Range(0.1, 6.0, "mm", cure="gauges are in mm: 0.040 inch is 1.016")
SIDE = Choice(SIDES)
BEAD_RULES: dict[str, Rule] = {
    "die": Instance(BeadDie, "a die of the tools: tools.bead_die(name)"),
    "path": DERIVED_PATH,
    "side": SIDE,
    "fixed": FLAG,
}
HOLE_RULES: dict[str, Rule] = {
    "die": Instance(HoleDie, "a die of the tools: tools.hole_die(name)"),
    "at": POINT,
    "side": SIDE,
    "fixed": FLAG,
}


@dataclass(frozen=True)
class Bead:
    """One rolled bead: its die, the path of its axis (>= 2 points, mm), the face on which it stands proud.

    A path whose first and last points are the same is a closed frame without ends.  open_ends: for start and stop, True
    if the bead runs over the edge of the sheet at full depth; that point of the path lies on the edge.
    fixed: the search keeps the bead where it is.
    """

    die: BeadDie
    path: tuple[Point, ...]
    side: str = "up"
    fixed: bool = False
    open_ends: tuple[bool, bool] = (False, False)

    def __post_init__(self) -> None:
        check_fields(self, "bead", BEAD_RULES)
        if self.open_ends not in OPEN_END_NAMES:
            what = f"is {show_value(self.open_ends)}, not a pair of true or false"
            raise_findings("bead", [(("open_ends",), what, "one for the start and one for the stop")])

    @property
    def length(self) -> float:
        """Length of the axis, mm."""
        return sum(math.dist(a, b) for a, b in zip(self.path, self.path[1:], strict=False))

    @property
    def closed(self) -> bool:
        """True for a closed frame."""
        return len(self.path) > 3 and math.dist(self.path[0], self.path[-1]) < 1e-6

    def to_dict(self) -> dict:
        """The JSON form."""
        points = [[round(x, 3), round(y, 3)] for x, y in self.path]
        ends = {"open": OPEN_END_NAMES[self.open_ends]} if any(self.open_ends) else {}
        return {"die": self.die.name, "path": points, "side": self.side, "fixed": self.fixed, **ends}


@dataclass(frozen=True)
class Hole:
    """One flared hole: its die, its centre (mm), the face on which its lip stands proud.  fixed: see `Bead`."""

    die: HoleDie
    at: Point
    side: str = "up"
    fixed: bool = False

    def __post_init__(self) -> None:
        check_fields(self, "hole", HOLE_RULES)

    def to_dict(self) -> dict:
        """The JSON form."""
        x, y = self.at
        return {"die": self.die.name, "at": [round(x, 3), round(y, 3)], "side": self.side, "fixed": self.fixed}


LAYOUT_RULES: dict[str, Rule] = {"gauge": GAUGE_RANGE, "beads": Records(Bead), "holes": Records(Hole)}


@dataclass(frozen=True)
class Layout:
    """Gauge (mm), beads in rolling order, holes.  A notebook shows it as a picture; `Panel.svg` adds the sheet.

    >>> from stiffen import Bead, Layout
    >>> from stiffen.model.tools import BeadDie
    >>> die = BeadDie("B16", "round", 16.0, 4.0)
    >>> layout = Layout(1.0, (Bead(die, ((60.0, 100.0), (340.0, 100.0))),))
    >>> layout.rolled_length
    280.0
    >>> layout.to_dict()["beads"]
    [{'die': 'B16', 'path': [[60.0, 100.0], [340.0, 100.0]], 'side': 'up', 'fixed': False}]
    """

    gauge: float
    beads: tuple[Bead, ...] = ()
    holes: tuple[Hole, ...] = ()

    def __post_init__(self) -> None:
        check_fields(self, "layout", LAYOUT_RULES)

    @property
    def rolled_length(self) -> float:
        """Total length of bead axes, mm."""
        return sum(bead.length for bead in self.beads)

    def to_dict(self) -> dict:
        """The JSON form."""
        return {
            "gauge": self.gauge,
            "beads": [bead.to_dict() for bead in self.beads],
            "holes": [hole.to_dict() for hole in self.holes],
        }

    def svg(self, rings: Sequence[Sequence[Point]] = (), name: str = "") -> str:
        """A picture as SVG text; rings: outline and cut-outs, mm, the outline first."""
        beads = [BeadShape(bead.path, bead.die.width, bead.side) for bead in self.beads]
        holes = [HoleShape(hole.at, hole.die.flange, hole.die.finished, hole.side) for hole in self.holes]
        counts = f"{self.gauge:g} mm sheet, beads {len(self.beads)}, flared holes {len(self.holes)}"
        return layout_svg(f"{name}: {counts}" if name else counts, beads, holes, rings)

    def _repr_svg_(self) -> str:
        return self.svg()

"""The build as the user describes it: panels, angle strips, joints, extras.  Frozen records that check themselves.

mm, kg.  InputError names each fault with its place and cure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from stiffen.model.layout import Point
from stiffen.model.material import Material
from stiffen.model.panel import Panel
from stiffen.model.tools import Tools
from stiffen.model.value_rules import (
    TEXT,
    Choice,
    Flag,
    Instance,
    Optional,
    Records,
    Rule,
    check_fields,
    field_findings,
    raise_findings,
)

from .part_rules import (
    COPIES,
    GAUGE_CHOICES,
    JOINT_RULES,
    KG,
    PLACE_RULES,
    STRIP_RULES,
    axis_findings,
    beyond_findings,
    strip_findings,
)


@dataclass(frozen=True)
class Place:
    """Where a part lies in space.

    origin: where the origin of the flat sheet goes, mm.  x, y: directions of its axes.  face: the face of a panel that
    the origin and the axes lie on; folds turn the rest of the panel from there.  An angle strip has no such face: its
    frame lies on its outer faces, see `AngleStrip`.  beyond: another part, by whose thickness this one is moved along
    `direction`, so that it lies on its far face at any gauge.
    """

    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    x: tuple[float, float, float] = (1.0, 0.0, 0.0)
    y: tuple[float, float, float] = (0.0, 1.0, 0.0)
    face: str = "down"
    beyond: str | None = None
    direction: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        found = field_findings(self, PLACE_RULES) or axis_findings(self.x, self.y)
        raise_findings("place", found or beyond_findings(self.beyond, self.direction))

    def moved(self, thickness: float) -> Place:
        """The place beyond a part of that thickness, mm."""
        if self.direction is None:
            return self
        way = np.array(self.direction) / math.hypot(*self.direction)
        return replace(self, origin=tuple(np.array(self.origin) + thickness * way), beyond=None, direction=None)

    @property
    def rotation(self) -> np.ndarray:
        """(3, 3): its columns are the directions of the part's x, y and z in space; exactly orthogonal."""
        x = np.array(self.x) / math.hypot(*self.x)
        y = np.array(self.y) - np.dot(self.y, x) * x
        y /= np.linalg.norm(y)
        return np.column_stack([x, y, np.cross(x, y)])


@dataclass(frozen=True)
class PanelPart:
    """A panel of the build.

    file: the panel file, as the build file names it.  panel: as it is built; the mirror image where `mirrored`.
    copies: how many are made.  place: None for a panel that is only counted.
    """

    name: str
    file: str
    panel: Panel
    copies: int = 1
    mirrored: bool = False
    place: Place | None = None

    def __post_init__(self) -> None:
        check_fields(self, "panel", PANEL_PART_RULES)


PANEL_PART_RULES: dict[str, Rule] = {
    "name": TEXT,
    "file": TEXT,
    "panel": Instance(Panel, "read_panel(path), or your own Panel(...)"),
    "copies": COPIES,
    "mirrored": Flag(),
    "place": Optional(Instance(Place, "Place(...)")),
}


@dataclass(frozen=True)
class AngleStrip:
    """A strip folded at a right angle along its length, straight or curved in plan.

    Its frame: x along the heel, the line in which its outer faces meet; leg 1 lies on the plane z = 0 and runs toward
    +y, leg 2 stands on the plane y = 0 and runs toward +z.  legs: their outside sizes, mm.  radius: inside, mm.
    length: along the heel, mm.  curve: "straight", or where leg 1 points to, seen from the heel: "in" toward the
    centre of the heel's arc, "out" away from it.  heel_radius: of that arc, mm.  way: of making a curved strip, "bent"
    (folded straight, then leg 1 shrunk or stretched) or "turned" (leg 1 cut curved, leg 2 turned up along it).
    """

    name: str
    material: Material
    thickness: float
    legs: tuple[float, float]
    radius: float
    length: float
    copies: int = 1
    curve: str = "straight"
    heel_radius: float | None = None
    way: str = "bent"
    place: Place | None = None

    def __post_init__(self) -> None:
        found = field_findings(self, STRIP_RULES) or strip_findings(
            self.thickness, self.legs, self.radius, self.curve, self.heel_radius, self.length
        )
        raise_findings("strip", found)


@dataclass(frozen=True)
class Joint:
    """A row of rivets through two or more parts.

    part: the part on which the row is laid out.  row: its line in the flat sheet of that part, mm.  mates: the other
    parts that the rivets go through.  pitch, diameter: mm.  in_plane: how the mate holds the sheet in its plane, see
    `Support`.  grip: least and greatest thickness that these rivets clamp, mm, if known.
    """

    part: str
    row: tuple[Point, ...]
    mates: tuple[str, ...]
    pitch: float
    diameter: float
    in_plane: str = "unknown"
    grip: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        check_fields(self, "joint", JOINT_RULES)


@dataclass(frozen=True)
class Extra:
    """Something bought that counts in the mass: tubes, edging, paint.  kg: of one."""

    what: str
    kg: float
    copies: int = 1

    def __post_init__(self) -> None:
        check_fields(self, "extra", {"what": TEXT, "kg": KG, "copies": COPIES})


BUILD_RULES: dict[str, Rule] = {
    "name": TEXT,
    "tools": Instance(Tools, "starter_tools()"),
    "panels": Records(PanelPart),
    "strips": Records(AngleStrip),
    "joints": Records(Joint),
    "extras": Records(Extra),
    "gauges": Choice(GAUGE_CHOICES),
    "target_mass": Optional(KG),
    "rival_mass": Optional(KG),
}


@dataclass(frozen=True)
class WholeBuild:
    """Panels and strips that make up one thing.

    tools: with which the strips are made.  gauges: "each" panel its own, "one" for all, or at most "two".
    target_mass: kg to reach.  rival_mass: kg of what it replaces.
    """

    name: str
    tools: Tools
    panels: tuple[PanelPart, ...]
    strips: tuple[AngleStrip, ...] = ()
    joints: tuple[Joint, ...] = ()
    extras: tuple[Extra, ...] = ()
    gauges: str = "each"
    target_mass: float | None = None
    rival_mass: float | None = None

    def __post_init__(self) -> None:
        check_fields(self, "build", BUILD_RULES)

"""Rules for the values of a build file: numbers in a row, axes, sizes of a strip, joints.  mm, kg."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from stiffen.model.layout import GAUGE_RANGE
from stiffen.model.material import Material
from stiffen.model.value_rules import (
    DERIVED_PATH,
    MAX_COORDINATE,
    TEXT,
    Choice,
    Finding,
    Instance,
    Optional,
    Range,
    Rule,
    Whole,
    show_value,
)

FACES = ("down", "up")
GAUGE_CHOICES = ("each", "one", "two")
CURVES = ("straight", "in", "out")
WAYS = ("bent", "turned")
SQUARE_TOLERANCE = 1e-3  # cosine of the angle between two axes that still counts as a right angle
LENGTH = Range(1.0, 20_000.0, "mm")
COPIES = Whole(Range(1, 1000))
KG = Range(0.0, 1000.0, "kg", excludes_low=True)


@dataclass(frozen=True)
class Several:
    """So many numbers, each within a range."""

    within: Range
    example: str

    @property
    def count(self) -> int:
        """How many numbers."""
        return self.example.count(",") + 1

    @property
    def missing(self) -> str:
        """The cure where the value is not given."""
        return f"give {self.count} numbers, such as {self.example}"

    def accepts(self, value: Any) -> bool:
        """True for a tuple of so many numbers within the range."""
        return type(value) is tuple and not self.faults(value)

    def faults(self, value: Any) -> list[Finding]:
        """What is wrong with the value."""
        if not isinstance(value, list | tuple) or len(value) != self.count:
            told = f"has {len(value)} values" if isinstance(value, list | tuple) else f"is {show_value(value)}"
            return [((), f"{told}, not {self.count} numbers", self.missing)]
        return [((i, *path), what, cure) for i, one in enumerate(value) for path, what, cure in self.within.faults(one)]

    def convert(self, value: Any) -> tuple[float, ...]:
        """The numbers."""
        return tuple(float(one) for one in value)


VECTOR = Several(Range(-MAX_COORDINATE, MAX_COORDINATE, "mm"), "[0, 0, 0]")
LEGS = Several(Range(3.0, 500.0, "mm"), "[20, 20]")
GRIP = Several(Range(0.1, 50.0, "mm"), "[1.0, 3.5]")
PLACE_RULES: dict[str, Rule] = {
    "origin": VECTOR,
    "x": VECTOR,
    "y": VECTOR,
    "face": Choice(FACES),
    "beyond": Optional(TEXT),
    "direction": Optional(VECTOR),
}


def axis_findings(x: tuple[float, float, float], y: tuple[float, float, float]) -> list[Finding]:
    """Faults of the two axes of a place: no length, or no right angle between them."""
    found: list[Finding] = []
    lengths = [math.hypot(*axis) for axis in (x, y)]
    for key, length in zip("xy", lengths, strict=True):
        if length < 1e-6:
            found.append(((key,), "has no length", "a direction, such as [1, 0, 0]"))
    if not found:
        cosine = float(np.dot(x, y)) / (lengths[0] * lengths[1])
        if abs(cosine) > SQUARE_TOLERANCE:
            angle = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
            found.append((("y",), f"makes {angle:.1f} degrees with x", "the two axes are at right angles"))
    return found


def beyond_findings(beyond: str | None, direction: tuple[float, float, float] | None) -> list[Finding]:
    """Faults of the two keys that belong together."""
    if (beyond is None) != (direction is None):
        cure = "beyond names a part, direction says which way its thickness moves this one"
        return [(("beyond" if beyond is None else "direction",), "is missing", cure)]
    return [(("direction",), "has no length", "such as [0, 0, -1]")] if direction and not any(direction) else []


STRIP_RULES: dict[str, Rule] = {
    "name": TEXT,
    "material": Instance(Material, 'materials()["5754-H111"], or your own Material(...)'),
    "thickness": GAUGE_RANGE,
    "legs": LEGS,
    "radius": Range(0.0, 100.0, "mm"),
    "length": LENGTH,
    "copies": COPIES,
    "curve": Choice(CURVES),
    "heel_radius": Optional(Range(10.0, 20_000.0, "mm")),
    "way": Choice(WAYS),
}
JOINT_RULES: dict[str, Rule] = {
    "part": TEXT,
    "row": DERIVED_PATH,
    "mates": Instance(tuple, '("side",)'),
    "pitch": Range(5.0, 1000.0, "mm"),
    "diameter": Range(1.0, 20.0, "mm"),
    "in_plane": Choice(("held", "free", "unknown", "build")),
    "grip": Optional(GRIP),
}


def strip_findings(
    thickness: float,
    legs: tuple[float, float],
    radius: float,
    curve: str,
    heel_radius: float | None,
    length: float,
) -> list[Finding]:
    """Faults of the sizes of a strip among each other."""
    found: list[Finding] = []
    least = radius + thickness
    for place, leg in enumerate(legs):
        if leg <= least:
            what = f"of {leg:g} mm leaves no flat beside the bend"
            found.append((("legs", place), what, f"more than {least:g} mm, inside radius and thickness"))
    if (curve == "straight") != (heel_radius is None):
        given = heel_radius is not None
        cure = 'curve = "in" or "out" says where leg 1 points to' if given else "the radius of the heel's arc, mm"
        found.append((("curve" if given else "heel_radius",), "is missing", cure))
    if heel_radius is not None and not found:
        if curve == "in" and legs[0] >= heel_radius:
            what = f"of {legs[0]:g} mm reaches the centre of the arc"
            found.append((("legs", 0), what, f"less than {heel_radius:g} mm"))
        if length > 2 * math.pi * heel_radius:
            found.append((("length",), "is more than a whole circle", f"at most {2 * math.pi * heel_radius:.0f} mm"))
    return found


def file_stem(name: str) -> str:
    """A name as part of a file name: letters and digits stay, all else becomes _.

    >>> file_stem("Side cheek, left")
    'side_cheek_left'
    """
    return re.sub(r"\W+", "_", name.lower()).strip("_") or "part"

"""Regular layouts, as a builder would draw them: parallel beads of one die at one pitch, and closed frames.

A search starts from them, and benchmarks compare with them.  Lengths in mm, angles in degrees.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import shapely

from stiffen.model.layout import Bead
from stiffen.model.tools import BeadDie
from stiffen.shop import clearance, rollability

from .bead_rules import BeadRules, Group, is_straight, line_of, sheet_of
from .straight_beads import frame_insets, frame_ring, main_directions

SPREADS = ("even", "edges", "middle")
SHORTER = (0.8, 0.6)  # of the free length of a line
MIN_SHIFT = 3.0  # mm: step by which a bead is moved aside where it cannot be made
MIDDLE_SHARE = 0.7  # of the span of offsets, that beads of spread "middle" take


class Family(NamedTuple):
    """A die, a direction (degrees; None for frames) and a face."""

    die: BeadDie
    angle: float | None
    side: str


def families(rules: BeadRules, dies: tuple[BeadDie, ...]) -> list[Family]:
    """All families of some dies that are not steps, in a fixed order; frames last."""
    angles: list[float | None] = [*main_directions(rules.panel)[:2], None]
    plain = [die for die in dies if die.profile != "step"]
    return [Family(die, angle, side) for angle in angles for die in plain for side in rules.sides]


def members(rules: BeadRules, family: Family, count: int, spread: str = "even") -> tuple[Group, ...] | None:
    """The family's layout of `count` beads, as groups; None where there is none.

    The beads lie at equal pitch across the span of offsets where their axes may lie.  A bead that cannot be made at its
    place moves aside by at most half a pitch.

    spread: "even": the outer beads half a pitch inside the span; "edges": at its ends; "middle": "even" within the
    middle MIDDLE_SHARE of the span.  Frames (at most two): "even" starts with the outermost frame that can be made,
    "edges" with the second, "middle" with the third.
    """
    if family.angle is None:
        return _frames(rules, family, count, spread)
    span = rules.span(family.die, family.angle)
    if span is None:
        return None
    low, high = span
    share = (np.arange(count) + 0.5) / count
    if spread == "edges":
        if count < 2:
            return None
        share = np.linspace(0.0, 1.0, count)
        low, high = low + 0.5, high - 0.5
    elif spread == "middle":
        share = 0.5 + MIDDLE_SHARE * (share - 0.5)
    offsets = low + share * (high - low)
    middle = (low + high) / 2
    if family.angle % 90 == 0:
        offsets = _on_grid(offsets, middle)
        middle = round(2 * middle) / 2
    room = (high - low) / max(count, 2) / 2
    groups: list[Group] = []
    taken: list[Bead] = []
    for offset in offsets:
        if len(taken) >= count:
            break
        if any(abs(line_of(bead)[1] - offset) < MIN_SHIFT and is_straight(bead) for bead in taken):
            continue  # the mirror image of another bead is there already
        group = _nearest_group(rules, family, float(offset), middle, room, taken)
        if group is None:
            return None
        groups.append(group)
        taken += group
    return tuple(groups) if len(taken) == count else None


def spread_layouts(
    rules: BeadRules, family: Family, count: int, spreads: Sequence[str] = SPREADS
) -> Iterator[tuple[Group, ...]]:
    """The family's layouts of `count` beads in some spreads; see `members`."""
    found = (members(rules, family, count, spread) for spread in spreads)
    yield from (choice for choice in found if choice is not None)


def regular_layouts(rules: BeadRules, family: Family, count: int) -> Iterator[tuple[Group, ...]]:
    """All layouts of `count` beads of a family that a person would draw: in every spread, and of every length."""
    for choice in spread_layouts(rules, family, count):
        yield choice
        for length in SHORTER if family.angle is not None else ():
            groups = [_shortened(rules, group, length) for group in choice]
            if all(group is not None for group in groups):
                yield tuple(group for group in groups if group is not None)


def _shortened(rules: BeadRules, group: Group, share: float) -> Group | None:
    lead = group[0]
    if not is_straight(lead):
        return group
    angle, offset, along = line_of(lead)
    return rules.group(rules.straight(lead.die, angle, offset, lead.side, share, along))


def _nearest_group(
    rules: BeadRules, family: Family, offset: float, middle: float, room: float, taken: list[Bead]
) -> Group | None:
    """The group of a bead at the feasible offset nearest to `offset`; None if there is none within `room` mm."""
    assert family.angle is not None
    for shift in np.arange(0.0, room, MIN_SHIFT):
        for sign in (1.0, -1.0) if shift else (1.0,):
            place = offset + sign * shift * (1.0 if offset >= middle else -1.0)
            group = rules.group(rules.straight(family.die, family.angle, place, family.side))
            if group is not None and rules.fits(group, taken):
                return group
    return None


def _on_grid(offsets: np.ndarray, middle: float) -> np.ndarray:
    """Offsets rounded to whole mm, so that their mirror images about the middle (to 0.5 mm) are whole too.

    An offset less than 0.5 mm from the middle becomes the middle.
    """
    middle = round(2 * middle) / 2
    half = middle % 1.0
    distance = np.abs(offsets - middle)
    rounded = np.where(distance < 0.5, 0.0, np.round(distance - half) + half)
    return middle + np.sign(offsets - middle) * rounded


def _frames(rules: BeadRules, family: Family, count: int, spread: str) -> tuple[Group, ...] | None:
    if count > 2:
        return None
    rings = list(frame_beads(rules, family.die, family.side))
    shift = {"even": 0, "edges": 1, "middle": 2}[spread]
    chosen: list[Group] = []
    for ring in rings[shift:]:
        group = (ring,)
        if rules.fits(group, [bead for one in chosen for bead in one]):
            chosen.append(group)
        if len(chosen) == count:
            return tuple(chosen)
    return None


def frame_beads(rules: BeadRules, die: BeadDie, side: str) -> Iterator[Bead]:
    """Closed frames of a die that can be made, the outermost first."""
    sheet = sheet_of(rules.panel)
    for inset in frame_insets(sheet):
        ring = frame_ring(sheet, inset, rules.panel.tools.roller.least_path_radius)
        if ring is None or not rules.region(die).covers(shapely.linestrings(ring)):
            continue
        bead = Bead(die, tuple((float(x), float(y)) for x, y in ring), side)
        if rollability.preferred_frame_side(rules.panel, bead) is not None:
            yield bead


def most_beads(rules: BeadRules, family: Family) -> int:
    """The most parallel beads of a family that fit beside each other; 2 for frames."""
    if family.angle is None:
        return 2
    span = rules.span(family.die, family.angle)
    if span is None:
        return 0
    pitch = family.die.width + clearance.pair_clearance(rules.panel.tools, "bead", "bead", rules.gauge)
    return int((span[1] - span[0]) / pitch) + 1

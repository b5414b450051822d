"""Neat variants of a choice of beads: parallel ones at one pitch and of one length, on multiples of 5 mm.

Lengths in mm, angles in degrees.  The same choice gives the same variants in the same order.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np

from stiffen.model.layout import Bead
from stiffen.shop import clearance

from . import symmetry
from .bead_rules import BeadRules, Group, is_straight, line_of, sheet_of
from .regular_patterns import Family

STEP = 5.0  # mm: pitches, offsets and lengths are multiples of it
MOST_PITCHES = 7  # that are tried, those nearest to the present pitch
SPREAD_SHARES = (0.55, 0.65, 0.75, 0.85, 1.0)  # of the room across, that layouts of a family take
UNEQUAL = 1.03  # times the length of equal beads, above which each is as long as it can be
SAME_LINE = 1.0  # mm: beads whose offsets differ by less lie on one line


def parallel_sets(choice: Sequence[Group]) -> list[tuple[int, ...]]:
    """Positions of the groups whose beads are straight, of one die, direction and face; longest in all first."""
    sets: dict[tuple, list[int]] = defaultdict(list)
    for position, group in enumerate(choice):
        angles = {line_of(bead)[0] for bead in group if is_straight(bead)}
        if all(map(is_straight, group)) and len(angles) == 1:
            sets[group[0].die, angles.pop(), group[0].side].append(position)

    def length(positions: list[int]) -> float:
        return sum(bead.length for position in positions for bead in choice[position])

    return [tuple(one) for one in sorted(sets.values(), key=lambda one: (-round(length(one)), one))]


def neat_variants(
    rules: BeadRules, choice: Sequence[Group], positions: tuple[int, ...], more: Sequence[int] = (0,)
) -> Iterator[tuple[Group, ...]]:
    """The choice with one of its parallel sets at equal pitch and of one length.

    more: numbers of beads that are added to the set.  Pitches are multiples of 5 mm near the present one.  Nothing
    if two beads of the set lie on one line.
    """
    members = [bead for position in positions for bead in choice[position]]
    others = tuple(group for position, group in enumerate(choice) if position not in positions)
    taken = [bead for group in others for bead in group]
    angle, _, near = line_of(members[0])
    family = Family(members[0].die, angle, members[0].side)
    offsets = sorted(line_of(bead)[1] for bead in members)
    span = rules.span(family.die, angle)
    if span is None or any(b - a < SAME_LINE for a, b in zip(offsets, offsets[1:], strict=False)):
        return
    mean = float(np.mean([bead.length for bead in members]))
    seen: set[tuple] = set()
    if rounded := _rounded_members(rules, choice, positions, taken):
        yield (*others, *rounded)
    for count in (len(members) + number for number in more):
        for middle in _middles(rules, angle, offsets):
            for pitch in _pitches(offsets, count, _least_pitch(rules, family), span):
                places = _places(middle, count, pitch, span, angle)
                for length in (math.inf, mean):
                    groups = _row(rules, family, places, near, length, taken)
                    key = tuple(sorted(bead.path for group in groups for bead in group))
                    if groups and key not in seen:
                        seen.add(key)
                        yield (*others, *groups)


def _rounded_members(
    rules: BeadRules, choice: Sequence[Group], positions: tuple[int, ...], taken: list[Bead]
) -> tuple[Group, ...]:
    """The groups of a set each at its own place, on multiples of 5 mm; empty if one cannot be made there."""
    groups: list[Group] = []
    beads = list(taken)
    for bead in (choice[position][0] for position in positions):
        angle, offset, _ = line_of(bead)
        if angle % 90:
            return ()
        _, centre = symmetry.centre_along_and_across(rules.panel, angle)
        datum = round(2 * centre) / 2 if _mirrors(rules.mirror_axes, angle) else _datum(rules, angle)
        place = datum + STEP * round((offset - datum) / STEP)
        full = rules.straight(bead.die, angle, place, bead.side, 1.0, line_of(bead)[2])
        if full is None:
            return ()
        start, stop = _rounded(rules, angle, *_along(full, angle), bead.length)
        group = rules.group(rules.between(bead.die, angle, place, start, stop, bead.side))
        if group is None or not rules.fits(group, beads):
            return ()
        groups.append(group)
        beads += group
    return tuple(groups)


def _datum(rules: BeadRules, angle: float) -> float:
    """Offset of the edge from which beads along x or y are measured."""
    x0, y0, _, _ = sheet_of(rules.panel).bounds
    return {0.0: y0, 90.0: -x0}.get(angle % 180, 0.0)


def spaced_rows(rules: BeadRules, family: Family, count: int) -> Iterator[tuple[Group, ...]]:
    """A family's layouts of `count` beads across the middle of the sheet, at pitches that are multiples of 5 mm.

    They spread over the shares `SPREAD_SHARES` of the room for the beads' axes.  Nothing for frames.
    """
    if family.angle is None or (span := rules.span(family.die, family.angle)) is None or count < 2:
        return
    middle = _middles(rules, family.angle, [(span[0] + span[1]) / 2] * 2)[0]
    pitches = (STEP * round(share * (span[1] - span[0]) / (count - 1) / STEP) for share in SPREAD_SHARES)
    for pitch in dict.fromkeys(pitches):
        if pitch < _least_pitch(rules, family):
            continue
        places = _places(middle, count, pitch, span, family.angle)
        if groups := _row(rules, family, places, None, math.inf, []):
            yield groups


def _least_pitch(rules: BeadRules, family: Family) -> float:
    """Least distance between the axes of neighbours."""
    return family.die.width + clearance.pair_clearance(rules.panel.tools, "bead", "bead", rules.gauge)


def _places(middle: float, count: int, pitch: float, span: tuple[float, float], angle: float) -> list[float]:
    """Offsets of beads at a pitch about a middle; none if they leave the span, or whole and half mm along an edge."""
    places = [middle + (k - (count - 1) / 2) * pitch for k in range(count)]
    inside = span[0] - 0.5 <= places[0] and places[-1] <= span[1] + 0.5
    on_marks = angle % 90 != 0 or all(abs(2 * place - round(2 * place)) < 1e-6 for place in places)
    return places if inside and on_marks else []


def _middles(rules: BeadRules, angle: float, offsets: list[float]) -> tuple[float, ...]:
    """Offsets about which a set may lie evenly: the middle of the sheet, else the set's own middle on whole mm."""
    _, centre = symmetry.centre_along_and_across(rules.panel, angle)
    own = (offsets[0] + offsets[-1]) / 2
    if abs(own - centre) <= STEP or rules.mirror_axes and _mirrors(rules.mirror_axes, angle):
        return (round(2 * centre) / 2,)
    datum = _datum(rules, angle)
    return tuple(dict.fromkeys((round(own), datum + STEP * round((own - datum) / STEP), round(2 * centre) / 2)))


def _mirrors(axes: str, angle: float) -> bool:
    """True if mirroring along some axes moves lines at an angle of 0 or 90 degrees."""
    return (angle % 180 == 0 and "y" in axes) or (angle % 180 == 90 and "x" in axes)


def _pitches(offsets: list[float], count: int, least: float, span: tuple[float, float]) -> list[float]:
    """Pitches that are multiples of 5 mm and fit the span, those nearest to the present one, from small to large."""
    if count == 1:
        return [0.0]
    room = span[1] - span[0]
    now = (offsets[-1] - offsets[0]) / (len(offsets) - 1) if len(offsets) > 1 else room / (count + 1)
    now *= len(offsets) / count
    low, high = math.ceil(least / STEP - 1e-6), math.floor(room / (count - 1) / STEP + 1e-6)
    fitting = sorted((STEP * k for k in range(low, high + 1)), key=lambda pitch: (abs(pitch - now), pitch))
    return sorted(fitting[:MOST_PITCHES])


def _row(
    rules: BeadRules, family: Family, places: list[float], near: float | None, length: float, taken: list[Bead]
) -> tuple[Group, ...]:
    """Beads at some offsets, of one length up to `length`; each as long as it can be where that adds much length.

    near: place along the lines, as in `BeadRules.straight`.  Empty if one cannot be made.
    """
    angle = family.angle
    assert angle is not None
    full = [rules.straight(family.die, angle, place, family.side, 1.0, near) for place in places]
    spans = [_along(bead, angle) for bead in full if bead is not None]
    if not spans or len(spans) < len(places):
        return ()
    low, high = max(span[0] for span in spans), min(span[1] for span in spans)
    if length > high - low and sum(span[1] - span[0] for span in spans) > UNEQUAL * len(spans) * (high - low):
        ends = [_rounded(rules, angle, *span, math.inf) for span in spans]
    else:
        ends = [_rounded(rules, angle, low, high, length)] * len(places)
    groups: list[Group] = []
    beads: list[Bead] = list(taken)
    for place, (start, stop) in zip(places, ends, strict=True):
        bead = rules.between(family.die, angle, place, start, stop, family.side)
        if bead is not None and any(symmetry.same_place(bead, other) for other in beads[len(taken) :]):
            continue  # the mirror image of another bead is there already
        group = rules.group(bead)
        if group is None or not rules.fits(group, beads):
            return ()
        groups.append(group)
        beads += group
    return tuple(groups) if len(beads) - len(taken) == len(places) else ()


def _along(bead: Bead, angle: float) -> tuple[float, float]:
    """First and last place of a straight bead along its line."""
    tangent = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    low, high = sorted((np.array(bead.path) @ tangent).tolist())
    return low, high


def _rounded(rules: BeadRules, angle: float, low: float, high: float, length: float) -> tuple[float, float]:
    """Start and stop of beads within some room, on multiples of 5 mm: from the sheet's middle, or from its edge."""
    centre, _ = symmetry.centre_along_and_across(rules.panel, angle)
    if abs((low + high) / 2 - centre) <= STEP:
        half = STEP * math.floor(min(length / 2, centre - low, high - centre) / STEP + 1e-6)
        return centre - half, centre + half
    x0, y0, _, _ = sheet_of(rules.panel).bounds
    datum = {0.0: x0, 90.0: y0}.get(angle % 180, low)
    length = min(length, high - low)
    start = datum + STEP * math.ceil((low + (high - low - length) / 2 - datum) / STEP - 1e-6)
    return start, start + STEP * math.floor((min(high, start + length) - start) / STEP + 1e-6)

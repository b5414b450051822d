"""Neat variants of a choice of beads: parallel ones at one pitch and of one length, on multiples of 5 mm.

Lengths in mm, angles in degrees.  The same choice gives the same variants in the same order.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np

from stiffen.model.layout import Bead
from stiffen.shop import clearance

from . import symmetry
from .bead_rules import BeadRules, Group, is_straight, line_of
from .regular_patterns import Family
from .rounding import STEP, datum_of, directions_near, line_datum, line_through, mirrors, rounded_span, span_of

MOST_PITCHES = 5  # that are tried, those nearest to the present pitch
SPREAD_SHARES = (0.55, 0.65, 0.75, 0.85, 1.0)  # of the room across, that layouts of a family take
CLOSE = (1.4, 2.0)  # times the least pitch: others at which beads lie close beside each other
UNEQUAL = 1.03  # times the length of equal beads, above which longer ones are tried
SAME_ENDS = 25.0  # mm: free lines that end within it of each other have beads that end together
SAME_PIECE = 10.0  # mm: beads whose middles lie within it along their lines lie beside each other
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
    rules: BeadRules,
    choice: Sequence[Group],
    positions: tuple[int, ...],
    more: Sequence[int] = (0,),
    most_pitches: int = MOST_PITCHES,
) -> Iterator[tuple[Group, ...]]:
    """The choice with one of its parallel sets at equal pitch, of one length or with ends on few lines.

    more: numbers of lines that are added to the set.  Pitches are multiples of 5 mm near the present one.  Where beads
    of the set lie on one line, as beside an opening, all lines are filled likewise.
    """
    members = [bead for position in positions for bead in choice[position]]
    others = tuple(group for position, group in enumerate(choice) if position not in positions)
    taken = [bead for group in others for bead in group]
    mean = float(np.mean([bead.length for bead in members]))
    seen: set[tuple] = set()
    if rounded := _rounded_members(rules, choice, positions, taken):
        yield (*others, *rounded)
    for angle in directions_near(rules, line_of(members[0])[0]):
        family = Family(members[0].die, angle, members[0].side)
        lines = [line_through(bead, angle) for bead in members]
        offsets = _apart((offset for offset, _ in lines), SAME_LINE)
        nears = tuple(_apart((near for _, near in lines), SAME_PIECE))
        span = rules.span(family.die, angle)
        if span is None:
            continue
        for count in (len(offsets) + number for number in more):
            for middle in _middles(rules, angle, offsets):
                for pitch in _pitches(offsets, count, _least_pitch(rules, family), span, most_pitches):
                    places = _places(middle, count, pitch, span, angle)
                    for groups in _rows(rules, family, places, nears, mean, taken):
                        key = tuple(sorted(bead.path for group in groups for bead in group))
                        if key not in seen:
                            seen.add(key)
                            yield (*others, *groups)


def _apart(values: Iterable[float], least: float) -> list[float]:
    """Some of the values, rising, with at least so much between neighbours."""
    out: list[float] = []
    for value in sorted(values):
        if not out or value - out[-1] >= least:
            out.append(value)
    return out


def _rounded_members(
    rules: BeadRules, choice: Sequence[Group], positions: tuple[int, ...], taken: list[Bead]
) -> tuple[Group, ...]:
    """The groups of a set each at its own place, on multiples of 5 mm; empty if one cannot be made there."""
    places, spans = [], []
    for bead in (bead for position in positions for bead in choice[position]):
        angle, offset, near = line_of(bead)
        if angle % 90:
            return ()
        datum = line_datum(rules, angle)
        places.append(datum + STEP * round((offset - datum) / STEP))
        full = rules.straight(bead.die, angle, places[-1], bead.side, 1.0, near)
        if full is None:
            return ()
        (low, high), (least, most) = span_of(bead, angle), span_of(full, angle)
        spans.append((max(low - STEP, least), min(high + STEP, most)))
    lead = choice[positions[0]][0]
    angle = line_of(lead)[0]
    groups = _groups(rules, Family(lead.die, angle, lead.side), places, _level_ends(rules, angle, spans), taken)
    return groups if len(groups) == len(positions) else ()


def spaced_rows(rules: BeadRules, family: Family, count: int) -> Iterator[tuple[Group, ...]]:
    """A family's layouts of `count` beads across the middle of the sheet, at pitches that are multiples of 5 mm.

    They spread over the shares `SPREAD_SHARES` of the room for the beads' axes.  Nothing for frames.
    """
    yield from _rows_at(rules, family, count, lambda room: [share * room / (count - 1) for share in SPREAD_SHARES])


def close_rows(rules: BeadRules, family: Family, count: int) -> Iterator[tuple[Group, ...]]:
    """A family's layouts of `count` beads close beside each other about the middle, as under a foot.

    Pitches are multiples of 5 mm, from the least that the shop allows.  Nothing for frames.
    """
    least = _least_pitch(rules, family)
    pitches = [STEP * math.ceil(least / STEP - 1e-6), *(factor * least for factor in CLOSE)]
    yield from _rows_at(rules, family, count, lambda room: pitches)


def _rows_at(
    rules: BeadRules, family: Family, count: int, pitches_in: Callable[[float], list[float]]
) -> Iterator[tuple[Group, ...]]:
    """A family's rows of `count` beads across the middle, at pitches rounded to multiples of 5 mm.

    pitches_in: of the room for the beads' axes, mm.
    """
    if family.angle is None or (span := rules.span(family.die, family.angle)) is None or count < 2:
        return
    middle = _middles(rules, family.angle, [(span[0] + span[1]) / 2] * 2)[0]
    for pitch in dict.fromkeys(STEP * round(pitch / STEP) for pitch in pitches_in(span[1] - span[0])):
        if pitch < _least_pitch(rules, family):
            continue
        places = _places(middle, count, pitch, span, family.angle)
        yield from list(_rows(rules, family, places, (None,), math.inf, []))[-1:]


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
    if abs(own - centre) <= STEP or rules.mirror_axes and mirrors(rules.mirror_axes, angle):
        return (round(2 * centre) / 2,)
    datum = datum_of(rules, angle)
    return tuple(dict.fromkeys((round(own), datum + STEP * round((own - datum) / STEP), round(2 * centre) / 2)))


def _pitches(offsets: list[float], count: int, least: float, span: tuple[float, float], most: int) -> list[float]:
    """Pitches that are multiples of 5 mm and fit the span, those nearest to the present one, from small to large."""
    if count == 1:
        return [0.0]
    room = span[1] - span[0]
    now = (offsets[-1] - offsets[0]) / (len(offsets) - 1) if len(offsets) > 1 else room / (count + 1)
    now *= len(offsets) / count
    low, high = math.ceil(least / STEP - 1e-6), math.floor(room / (count - 1) / STEP + 1e-6)
    fitting = sorted((STEP * k for k in range(low, high + 1)), key=lambda pitch: (abs(pitch - now), pitch))
    return sorted(fitting[:most])


def _rows(
    rules: BeadRules,
    family: Family,
    places: list[float],
    nears: tuple[float | None, ...],
    length: float,
    taken: list[Bead],
) -> Iterator[tuple[Group, ...]]:
    """Beads on lines at some offsets: all equal, of `length` or as long as fits; then with ends on few lines.

    nears: places along the lines, as in `BeadRules.straight`; each free piece of a line that is nearest to one of them
    has a bead.  Nothing if a line has none.
    """
    angle = family.angle
    assert angle is not None
    pieces: list[tuple[float, tuple[float, float]]] = []
    for place in places:
        beads = [rules.straight(family.die, angle, place, family.side, 1.0, near) for near in nears]
        spans = sorted({span_of(bead, angle) for bead in beads if bead is not None})
        if not spans:
            return
        pieces += [(place, span) for span in spans]
    for ends in _ends(rules, angle, [span for _, span in pieces], length, len(places)):
        if groups := _groups(rules, family, [place for place, _ in pieces], ends, taken):
            yield groups


def _ends(
    rules: BeadRules, angle: float, spans: list[tuple[float, float]], length: float, lines: int
) -> Iterator[list[tuple[float, float]]]:
    """Start and stop of beads in some free spans: all the same, as long as fits and of `length`; then on few lines."""
    if not spans:
        return
    low, high = max(span[0] for span in spans), min(span[1] for span in spans)
    shared = max(high - low, 0.0) if len(spans) == lines else 0.0
    for one in dict.fromkeys((math.inf, length)) if shared else ():
        yield [rounded_span(rules, angle, low, high, one)] * len(spans)
    level = _level_ends(rules, angle, spans)
    if sum(stop - start for start, stop in level) > UNEQUAL * len(spans) * shared:
        yield level


def _level_ends(rules: BeadRules, angle: float, spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Start and stop of beads in some free spans, on multiples of 5 mm and on few lines."""
    lows = _on_few_lines([span[0] for span in spans])
    highs = [-value for value in _on_few_lines([-span[1] for span in spans])]
    first, last = rounded_span(rules, angle, min(lows), max(highs), math.inf)
    starts = [first + STEP * math.ceil((max(low, first) - first) / STEP - 1e-6) for low in lows]
    stops = [first + STEP * math.floor((min(high, last) - first) / STEP + 1e-6) for high in highs]
    return list(zip(starts, stops, strict=True))


def _on_few_lines(starts: list[float]) -> list[float]:
    """Starts moved up to the largest of those less than `SAME_ENDS` above."""
    levels: list[float] = []
    for value in sorted(starts, reverse=True):
        if not levels or levels[-1] - value > SAME_ENDS:
            levels.append(value)
    return [min(level for level in levels if level >= value) for value in starts]


def _groups(
    rules: BeadRules, family: Family, places: list[float], ends: list[tuple[float, float]], taken: list[Bead]
) -> tuple[Group, ...]:
    """The groups of beads on lines at some offsets, between given ends; empty if one cannot be made."""
    assert family.angle is not None
    groups: list[Group] = []
    beads: list[Bead] = []
    for place, (start, stop) in zip(places, ends, strict=True):
        bead = rules.between(family.die, family.angle, place, start, stop, family.side)
        if bead is not None and any(symmetry.same_place(bead, other) for other in beads):
            continue  # the mirror image of another bead is there already
        group = rules.group(bead)
        if group is None or not rules.fits(group, [*taken, *beads]):
            return ()
        groups.append(group)
        beads += group
    return tuple(groups) if len(beads) == len(places) else ()

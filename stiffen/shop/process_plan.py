"""At the bench: rolling order, minutes, order of work, and what to be wary of.

mm, minutes.  Times are common practice without a source; they serve to rank layouts and to plan an afternoon, not to
price one.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
from shapely.geometry import LineString, Polygon, box

from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Load, Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Tools

from . import bead_section, bends, flared_holes, layout_check
from .roller_settings import pass_depths
from .rolling_bow import rolling_bow

DIRECTION_TOLERANCE = 5.0  # degrees between beads that need no turning of the sheet
ROUNDING_TOLERANCE = 0.001  # mm that do not count: a bead drawn square to an edge is never quite so
TRIM_MARGIN = 3.0  # mm on each side beyond the pull-in: common practice, no source
MIN_REPORTED_BOW = 1.0  # mm; less is not worth a word

# Minutes: common practice, no source.
MINUTES_PER_MARK = 0.5  # one bead or hole
MINUTES_PER_CUT_METRE = 4.0  # rough cut and trim, each, by snips
MINUTES_PER_DEBURRED_METRE = 1.5
MINUTES_PER_REORIENTATION = 0.5  # turning the sheet between two beads
MINUTES_PER_TRIAL_STRIP = 5.0  # one die
MINUTES_PER_PILOT_HOLE = 1.5
MINUTES_PER_FLARE = 1.0
MINUTES_PER_FOLD = 4.0
MINUTES_PER_FASTENER = 0.5  # drilling the mating hole


# ------------------------------------------------------------------------------------------------- rolling and minutes


def rolling_order(panel: Panel, beads: tuple[Bead, ...]) -> tuple[int, ...]:
    """Places in `beads` in rolling order: die by die, face by face, the most used first, from the middle outward.

    From the middle of the sheet, so that what the rolls draw in can still move (common practice, no source).
    """
    middle = Polygon(panel.outline).centroid
    by_die: dict[str, float] = defaultdict(float)
    by_face: dict[tuple[str, str], float] = defaultdict(float)
    for bead in beads:
        by_die[bead.die.name] += bead.length
        by_face[bead.die.name, bead.side] += bead.length

    def rank(place: int) -> tuple:
        bead = beads[place]
        die, side = bead.die.name, bead.side
        return -by_die[die], die, -by_face[die, side], side, LineString(bead.path).distance(middle), place

    return tuple(sorted(range(len(beads)), key=rank))


def frame_sides(panel: Panel, beads: tuple[Bead, ...]) -> tuple[str | None, ...]:
    """Side of each path that goes to the frame, for beads rolled in the order given: no turning without need.

    None for a bead that the throat does not let pass.
    """
    sides: list[str | None] = []
    for place, bead in enumerate(beads):
        allowed = layout_check.allowed_frame_sides(panel, bead)
        kept = _side_along(bead, beads[place - 1], sides[-1]) if place else None
        sides.append(kept if kept in allowed else next(iter(allowed), None))
    return tuple(sides)


def reorientations(panel: Panel, beads: tuple[Bead, ...]) -> int:
    """How often the sheet is turned between one bead and the next, rolled in the order given.

    A turn: another direction (over 5 degrees), another side at the frame, or the other face up.
    """
    sides = frame_sides(panel, beads)
    turned = 0
    for place, (a, b) in enumerate(pairwise(beads)):
        apart = abs(_direction(a) - _direction(b)) % 180
        turned += (
            min(apart, 180 - apart) > DIRECTION_TOLERANCE
            or a.side != b.side
            or sides[place + 1] != _side_along(b, a, sides[place])
        )
    return turned


def _side_along(bead: Bead, other: Bead, side: str | None) -> str | None:
    """A side of another bead's path as seen along this bead's: what is left of one is right of its reverse."""
    if side is None or math.cos(math.radians(_direction(bead) - _direction(other))) > 0:
        return side
    return "left" if side == "right" else "right"


def _direction(bead: Bead) -> float:
    (x0, y0), (x1, y1) = bead.path[0], bead.path[1 if bead.closed else -1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


def time_breakdown(panel: Panel, layout: Layout) -> dict[str, float]:
    """Minutes at the bench by kind of work."""
    roller = panel.tools.roller
    beads = tuple(layout.beads[place] for place in rolling_order(panel, layout.beads))
    dies = dict.fromkeys(bead.die for bead in beads)
    passes = {die: len(pass_depths(die, panel.material)) for die in dies}
    edges = sum(ring.length for ring in (panel.region.exterior, *panel.region.interiors)) / 1000
    fasteners = sum(len(support.fasteners()) for support in panel.supports)
    return {
        "mark": MINUTES_PER_MARK * (len(beads) + len(layout.holes)),
        "cut and trim": 2 * MINUTES_PER_CUT_METRE * edges,
        "trial strips": MINUTES_PER_TRIAL_STRIP * len(dies),
        "die changes": roller.die_change_minutes * len(dies),
        "set up": roller.set_up_minutes * len(beads) + MINUTES_PER_REORIENTATION * reorientations(panel, beads),
        "roll": sum(passes[bead.die] * bead.length for bead in beads) / roller.hand_speed,
        "pilot holes": MINUTES_PER_PILOT_HOLE * len(layout.holes),
        "flare": MINUTES_PER_FLARE * len(layout.holes),
        "fold": MINUTES_PER_FOLD * len(panel.folds),
        "mating holes": MINUTES_PER_FASTENER * fasteners,
        "deburr": MINUTES_PER_DEBURRED_METRE * edges,
    }


def minutes(panel: Panel, layout: Layout) -> float:
    """Minutes at the bench, all told; `time_breakdown` says of what."""
    return sum(time_breakdown(panel, layout).values())


# ------------------------------------------------------------------------------------------------------- order of work


def max_draw_in(panel: Panel, layout: Layout) -> tuple[float, float]:
    """Most that rolling can draw the sheet in along x and along y, mm; the least is 0 (the metal stretches instead).

    The largest sum, over lines across the sheet, of the pull-in of the beads that the line crosses, each by its share
    across the line's direction.
    """
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    most_x = max(_draw_in_along(layout, ((x0, y), (x1, y)), 0) for y in np.linspace(y0, y1, 51)[1:-1])
    most_y = max(_draw_in_along(layout, ((x, y0), (x, y1)), 1) for x in np.linspace(x0, x1, 51)[1:-1])
    return most_x, most_y


def _draw_in_along(layout: Layout, line: tuple, axis: int) -> float:
    scan = np.array(line)
    total = 0.0
    for bead in layout.beads:
        path = np.array(bead.path)
        side = path[:, 1 - axis] - scan[0, 1 - axis]
        crossed = (side[:-1] < 0) != (side[1:] < 0)
        pieces = np.diff(path, axis=0)[crossed]
        total += bead_section.draw_in(bead.die) * float(
            np.sum(np.abs(pieces[:, 1 - axis]) / np.linalg.norm(pieces, axis=1))
        )
    return total


def trim_allowance(panel: Panel, layout: Layout) -> tuple[float, float]:
    """mm to leave on each side along x and along y at the rough cut: half the greatest pull-in and a spare."""
    if not layout.beads:
        return 0.0, 0.0
    x, y = max_draw_in(panel, layout)
    return float(math.ceil(x / 2 + TRIM_MARGIN - ROUNDING_TOLERANCE)), float(
        math.ceil(y / 2 + TRIM_MARGIN - ROUNDING_TOLERANCE)
    )


def order_of_work(panel: Panel, layout: Layout) -> tuple[str, ...]:
    """Plain steps from the sheet to the fitted panel."""
    pilots, flares = _hole_steps(panel, layout)
    return (
        *_cutting_steps(panel, layout),
        *pilots,
        *_rolling_steps(panel, layout),
        *flares,
        *_finishing_steps(panel, layout),
    )


def _cutting_steps(panel: Panel, layout: Layout) -> list[str]:
    sheet = f"{layout.gauge:g} mm {panel.material.name}"
    if not layout.beads:
        return [f"Mark the outline and all openings on {sheet}.", "Cut to the outline."]
    x, y = trim_allowance(panel, layout)
    return [
        f"Mark outline, openings, bead axes and bead ends on {sheet}.",
        f"Rough cut, leaving {x:g} mm outside the outline at the left and right ends and {y:g} mm at the other two: "
        "rolling draws the sheet in.",
    ]


def _hole_steps(panel: Panel, layout: Layout) -> tuple[list[str], list[str]]:
    counted = Counter(hole.die for hole in layout.holes)
    pilots = [
        f"Cut {n} x pilot hole {die.pilot:g} mm for die {die.name}{_cut_with(panel.tools, die)}."
        for die, n in counted.items()
    ]
    if pilots:
        pilots[-1] += " Smooth the rims."
    flares = ", ".join(f"{n} x with die {die.name}" for die, n in counted.items())
    return pilots, [f"Flare {flares}."] if flares else []


def _cut_with(tools: Tools, die: HoleDie) -> str:
    """The two cutters nearest to the pilot hole and not above it."""
    nearest = [
        f"{cut.kind} {cut.diameter:g} mm (the lip stretches {100 * cut.flare.lip_strain:.0f} %)"
        for cut in flared_holes.pilot_cuts(die, tools.cutters)[:2]
    ]
    return f", or as near below as there is: {' or '.join(nearest)}" if nearest else ""


def _rolling_steps(panel: Panel, layout: Layout) -> list[str]:
    order = rolling_order(panel, layout.beads)
    turned = reorientations(panel, tuple(layout.beads[place] for place in order))
    sides = {bead.side for bead in layout.beads}
    steps = []
    for die in dict.fromkeys(layout.beads[place].die for place in order):
        numbers = [place + 1 for place in order if layout.beads[place].die == die]
        passes = len(pass_depths(die, panel.material))
        named = [f"{number} {layout.beads[number - 1].side}" if len(sides) > 1 else f"{number}" for number in numbers]
        standing = "each standing to the face named" if len(sides) > 1 else f"standing {next(iter(sides))}"
        steps += [
            f"Die {die.name}: roll a trial strip of the same sheet in {passes} passes; measure the depth after each.",
            f"Die {die.name}: roll bead {', '.join(named)} in this order, {standing}, each in {passes} passes, the "
            f"first only to set the track; full depth from {die.run_out_length:.0f} mm after the start to as much "
            "before the stop. Check for bow after each and flatten by hand.",
        ]
    if turned:
        steps.append(
            f"Between beads the sheet is taken out and turned {turned} x. {_bow_to_expect(panel, layout)}".rstrip()
        )
    elif bow := _bow_to_expect(panel, layout):
        steps.append(bow)
    return steps


def _bow_to_expect(panel: Panel, layout: Layout) -> str:
    """What bow to expect, if any."""
    found = rolling_bow(panel, layout)
    expected = [
        f"{bow:.0f} mm along {axis} (radius {radius / 1000:.1f} m)"
        for axis, bow, radius in (("x", found.bow_x, found.radius_x), ("y", found.bow_y, found.radius_y))
        if bow >= MIN_REPORTED_BOW
    ]
    if not expected:
        return ""
    cure = " Beads in turn on both faces would bow it less." if panel.bead_side == "either" else ""
    return f"Bow to expect at most, if rolling leaves each bead at yield along its length: {', '.join(expected)}.{cure}"


def _finishing_steps(panel: Panel, layout: Layout) -> list[str]:
    steps = []
    cut = f"Cut {len(panel.cutouts)} x cut-out." if panel.cutouts else ""
    if layout.beads:
        steps.append(f"Mark the outline again, measured from the bead axes, and trim to it. {cut}".rstrip())
    elif cut:
        steps.append(cut)
    alike: dict[str, list[int]] = {}
    for fold, flange in zip(panel.folds, bends.flanges(panel, layout.gauge), strict=True):
        how = (
            f"{abs(fold.angle):g} degrees {'up' if fold.angle > 0 else 'down'}, inside radius {fold.radius:g} mm, the "
            f"line in the middle of the {flange.allowance:.1f} mm that the bend takes; the flange comes out "
            f"{flange.outside:.1f} mm high outside."
        )
        alike.setdefault(how, []).append(flange.number)
    steps += [f"Fold {', '.join(map(str, numbers))}: {how}" for how, numbers in alike.items()]
    same = Counter(_row_description(support) for support in panel.supports if support.fasteners())
    rows = [f"{n} rows of {row}" if n > 1 else row for row, n in same.items()]
    if rows:
        fasteners = sum(len(support.fasteners()) for support in panel.supports)
        steps.append(f"Offer the panel up and drill {fasteners} x mating hole through both parts: {'; '.join(rows)}.")
    steps.append(f"Deburr all edges and holes.{' Fit the edge trim.' if panel.trims else ''} Fit the panel.")
    return steps


def _row_description(support: Support) -> str:
    """How many fasteners, how big, how far apart."""
    count = len(support.fasteners())
    if support.kind == "bolts":
        return f"{count} x {support.diameter:g} mm bolt"
    line = LineString(support.path)
    gaps = count if line.is_ring else count - 1
    pitch = f" every {line.length / gaps:.1f} mm" if gaps else ""
    return f"{count} x {support.diameter:g} mm rivet{pitch}"


# ------------------------------------------------------------------------------------------------------------ warnings


def bench_cautions(panel: Panel, layout: Layout) -> tuple[str, ...]:
    """What to be wary of at the bench: strains against elongation, the roller's rating, rivets near edges."""
    found: list[str] = []
    for die in dict.fromkeys(bead.die for bead in layout.beads):
        found += _bead_die_cautions(panel, die, layout.gauge)
    for flare in dict.fromkeys(hole.die for hole in layout.holes):
        found += _hole_die_cautions(panel, flare, layout.gauge)
    found += _throat_cautions(panel, layout)
    found += _load_cautions(panel, layout)
    found += map(str, layout_check.audit_supports(panel))
    found += map(str, layout_check.audit_folds(panel, layout.gauge))
    return tuple(found)


def _throat_cautions(panel: Panel, layout: Layout) -> list[str]:
    """Beads that the finished sheet lets pass the throat, and the rough cut does not."""
    found = []
    x, y = trim_allowance(panel, layout)
    for number, bead in enumerate(layout.beads, start=1):
        turn = math.radians(_direction(bead))
        extra = abs(math.sin(turn)) * x + abs(math.cos(turn)) * y if len(bead.path) == 2 else max(x, y)
        spare = panel.tools.roller.throat - min(layout_check.sheet_extents(panel, bead))
        if 0 <= spare < extra:
            found.append(
                f"bead {number}: the rough cut leaves {extra:.0f} mm on the side that goes to the roller's frame, the "
                f"throat has room for {spare:.0f} mm; cut that side closer"
            )
    return found


def _bead_die_cautions(panel: Panel, die: BeadDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    found = [str(breach) for breach in layout_check.bead_die_violations(panel, die, t, name)]
    stretch, drawn = bead_section.stretch_strain(die), bead_section.draw_in(die)
    if stretch > limit:
        found.append(
            f"{name}: if the sheet cannot move in, it stretches {100 * stretch:.0f} % and thins by "
            f"{100 * bead_section.thinning(die):.0f} %, elongation is {100 * limit:.0f} %; if it can, each bead "
            f"draws in {drawn:.1f} mm. The truth lies between: try a scrap strip."
        )
    bend = bead_section.bend_strain(die, t)
    if bend is None:
        found.append(f"{name}: neither radius is given, so its bends are not judged")
    elif bend > limit and panel.material.least_bend_radius(t) is None:
        # Bending stands more than the elongation of a tensile strip; a table of bend radii, where there is one, rules.
        found.append(
            f"{name}: bends the outer fibre by {100 * bend:.0f} % at its tightest radius, elongation is "
            f"{100 * limit:.0f} %"
        )
    return found


def _hole_die_cautions(panel: Panel, die: HoleDie, t: float) -> list[str]:
    name, limit = f"die {die.name}", panel.material.elongation
    found = [str(breach) for breach in layout_check.hole_die_violations(panel, die, t, name)]
    thickest = flared_holes.max_flared_thickness(panel.material, die.finished)
    if thickest is not None and t > thickest + flared_holes.INCH_ROUNDING and not found:
        found.append(f"{name}: no published limit for flares in {panel.material.name} over {thickest:g} mm: try scrap")
    if die.lip_strain > limit:
        found.append(
            f"{name}: stretches the lip by {100 * die.lip_strain:.0f} %, elongation is {100 * limit:.0f} %: it may "
            "split; cut a larger pilot hole and smooth its edge"
        )
    return found


def _load_cautions(panel: Panel, layout: Layout) -> list[str]:
    """Beads and lips that stand proud on the face on which something presses."""
    proud = [(f"bead {n}", bead.side, layout_check.bead_footprint(bead)) for n, bead in enumerate(layout.beads, 1)]
    proud += [
        (f"flared hole {n}", hole.side, layout_check.hole_footprint(hole)) for n, hole in enumerate(layout.holes, 1)
    ]
    found = []
    for load in panel.loads:
        if load.kind != "patch":
            continue
        face = "up" if load.value > 0 else "down"
        patch = _patch(load)
        met = [name for name, side, shape in proud if side == face and (patch is None or shape.intersects(patch))]
        if met:
            told = ", ".join(met[:4]) + (f" and {len(met) - 4} more" if len(met) > 4 else "")
            found.append(f"load {load.case} presses on the {face} face, where {told} stands proud: turn it, or move it")
    return found


def _patch(load: Load) -> Polygon | None:
    """The rectangle under a patch load; None where it may stand anywhere."""
    if load.at is None:
        return None
    (x, y), (w, h) = load.at, load.size
    return box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)

"""The steps of work from the flat sheet to the fitted panel, as sentences.  mm."""

from __future__ import annotations

from collections import Counter

from shapely.geometry import Polygon

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel, Support
from stiffen.model.tools import HoleDie, Tools

from . import flared_holes, rivets
from .folding.curved_flange import curved_flange_steps
from .folding.fold_steps import fold_steps
from .rollability import reorientations, rolling_order
from .roller_settings import matching_trial, rolling_depths
from .rolling_bow import RollingBow, rolling_bow
from .rough_blank import trim_allowance
from .spacing_rules import spacing

MIN_REPORTED_BOW = 1.0  # mm; a smaller bow is not mentioned
ONE_PERSON_LENGTH = 900.0  # mm of sheet that one person guides through the rolls: common practice, no source
ONE_PERSON_MASS = 8.0  # kg of sheet that one person holds level: common practice, no source


def order_of_work(panel: Panel, layout: Layout) -> tuple[str, ...]:
    """The steps in order; beads are named by their position in the layout, from 1."""
    order = rolling_order(panel, layout.beads)
    turned = reorientations(panel, tuple(layout.beads[position] for position in order))
    return work_steps(panel, layout, order, turned, trim_allowance(panel, layout), rolling_bow(panel, layout))


def work_steps(
    panel: Panel,
    layout: Layout,
    order: tuple[int, ...],
    reorientation_count: int,
    allowance: tuple[float, float],
    bow: RollingBow,
) -> tuple[str, ...]:
    """The steps in order, from values computed before.

    order: of the beads, from `rollability.rolling_order`; reorientation_count: for beads rolled in that order;
    allowance: from `rough_blank.trim_allowance`; bow: from `rolling_bow`.
    """
    pilots, flares = _hole_steps(panel, layout)
    return (
        *_cutting_steps(panel, layout, allowance),
        *pilots,
        *_rolling_steps(panel, layout, order, reorientation_count, bow),
        *flares,
        *_finishing_steps(panel, layout),
    )


def _cutting_steps(panel: Panel, layout: Layout, allowance: tuple[float, float]) -> list[str]:
    sheet = f"{layout.gauge:g} mm {panel.material.name}"
    if not layout.beads:
        return [f"Mark the outline and all openings on {sheet}.", "Cut to the outline."]
    x, y = allowance
    return [
        f"Mark outline, openings, bead axes and bead ends on {sheet}.",
        f"Rough cut along straight lines, leaving {x:g} mm outside the outline at the left and right ends and {y:g} mm "
        "at the other two: rolling draws the sheet in.",
    ]


def _hole_steps(panel: Panel, layout: Layout) -> tuple[list[str], list[str]]:
    """Steps that cut the pilot holes, and the step that flares them."""
    counts = Counter(hole.die for hole in layout.holes)
    most = flared_holes.max_lip_strain(panel.material, layout.gauge)
    pilots = [
        f"Cut {n} x pilot hole {round(die.pilot, 1):g} mm for die {die.name}{_cutters(panel.tools, die, most)}."
        for die, n in counts.items()
        if not die.draw_bolt
    ]
    if pilots:
        pilots[-1] += " Smooth the rims."
    pilots += [
        f"Drill {n} x {die.draw_bolt:g} mm for the bolt of die {die.name}."
        for die, n in counts.items()
        if die.draw_bolt
    ]
    pressed = ", ".join(f"{n} x with die {die.name}" for die, n in counts.items() if not die.draw_bolt)
    flares = [f"Flare {pressed}."] if pressed else []
    flares += [
        f"Punch and flare {n} x with die {die.name}: put the bolt through, tighten until the die has closed, and take "
        "it apart."
        for die, n in counts.items()
        if die.draw_bolt
    ]
    return pilots, flares


def _cutters(tools: Tools, die: HoleDie, most: float) -> str:
    """The two best cutters for the pilot hole; `most`: stretch of the lip, as a fraction, that the sheet stands."""
    nearest = [
        f"{cut.kind} {cut.diameter:g} mm (lip {cut.flare.rise:.1f} mm high, stretched "
        f"{100 * cut.flare.lip_strain:.0f} %)"
        for cut in flared_holes.best_cuts(die, tools.cutters, most)[:2]
    ]
    return f", or the nearest size: {' or '.join(nearest)}" if nearest else ""


def _rolling_steps(
    panel: Panel, layout: Layout, order: tuple[int, ...], reorientation_count: int, bow: RollingBow
) -> list[str]:
    sides = {bead.side for bead in layout.beads}
    steps = []
    for die in dict.fromkeys(layout.beads[position].die for position in order):
        numbers = [position + 1 for position in order if layout.beads[position].die == die]
        passes = _passes_text(len(rolling_depths(panel.tools, die, panel.material, layout.gauge)))
        names = [f"{number} {layout.beads[number - 1].side}" if len(sides) > 1 else f"{number}" for number in numbers]
        faces = "proud on the face named" if len(sides) > 1 else f"proud on the {next(iter(sides))} face"
        track = "" if passes.startswith("1 ") else ", the first only to set the track"
        several, each = (" in this order", "each ") if len(numbers) > 1 else ("", "")
        if not matching_trial(panel.tools, die, panel.material, layout.gauge):
            steps.append(f"Die {die.name}: roll a trial strip of the same sheet; measure the depth after each pass.")
        steps.append(
            f"Die {die.name}: roll bead {', '.join(names)}{several}, {faces}, {each}in {passes}{track}; "
            f"{_depth_along(layout, numbers)}. Check for bow after each and flatten by hand."
        )
    expected = _bow_to_expect(panel, bow, one_sided=len(sides) == 1)
    if reorientation_count:
        steps.append(f"Between beads the sheet is taken out and turned {reorientation_count} x. {expected}".rstrip())
    elif expected:
        steps.append(expected)
    return steps


def _passes_text(count: int) -> str:
    return "1 pass" if count == 1 else f"{count} passes"


def _depth_along(layout: Layout, numbers: list[int]) -> str:
    """Where the beads of one die reach their full depth.  numbers: their positions in the layout, from 1.

    The rolls go down over the first millimetres of a closed bead.  They pass there again, else the join stays shallow.
    """
    closed = [f"{number}" for number in numbers if layout.beads[number - 1].closed]
    run_out = layout.beads[numbers[0] - 1].die.run_out_length
    parts = []
    if len(closed) < len(numbers):
        parts.append(f"full depth from {run_out:.0f} mm after the start to the same distance before the stop")
    if closed:
        parts.append(
            f"closed bead {', '.join(closed)}: roll on past the start, {run_out:.0f} mm or more, until the join is as "
            "deep as the rest"
        )
    return "; ".join(parts)


def _bow_to_expect(panel: Panel, bow: RollingBow, one_sided: bool) -> str:
    """The bow to expect; empty if it is too small to mention."""
    expected = [
        f"{height:.0f} mm along {axis} (radius {radius / 1000:.1f} m)"
        for axis, height, radius in (("x", bow.bow_x, bow.radius_x), ("y", bow.bow_y, bow.radius_y))
        if height >= MIN_REPORTED_BOW
    ]
    if not expected:
        return ""
    cure = ""
    if panel.bead_side == "either" and one_sided:
        cure = " Beads alternately on both faces would bow it less."
    return f"Bow to expect at most, if rolling leaves each bead at yield along its length: {', '.join(expected)}.{cure}"


def _finishing_steps(panel: Panel, layout: Layout) -> list[str]:
    """Trimming, cut-outs, folds, mating holes, deburring."""
    steps = []
    cut = f"Cut {len(panel.cutouts)} x cut-out." if panel.cutouts else ""
    if layout.beads:
        steps.append(f"Mark the outline again, measured from the bead axes, and trim to it. {cut}".rstrip())
    elif cut:
        steps.append(cut)
    steps += [*fold_steps(panel, layout.gauge), *curved_flange_steps(panel, layout.gauge), *panel.shaping]
    rows = _alike([support for support in panel.supports if support.kind == "rivets" and support.fasteners()])
    bolts = _alike([support for support in panel.supports if support.kind == "bolts" and support.fasteners()])
    drilling = [_rivet_step(alike, layout.gauge) for alike in rows]
    drilling += [_bolt_step(alike, panel, layout.gauge) for alike in bolts]
    if drilling:
        drilling[0] = f"Offer the panel up and clamp it flat. {drilling[0]}"
    fit = "Take it apart. " if drilling else ""
    fit += f"Deburr all edges and holes.{' Fit the edge trim.' if panel.trims else ''} Fit the panel."
    if rows:
        fit += " Pin it again; set the rivets from the middle of each row outward, the pinned holes last."
    if bolts:
        fit += " All bolts in before one is tightened."
    return [*steps, *drilling, fit]


def _alike(supports: list[Support]) -> list[list[Support]]:
    """Supports whose fasteners are drilled and chosen alike, together."""
    groups: dict[tuple, list[Support]] = {}
    for support in supports:
        groups.setdefault((support.diameter, support.onto, support.slip, support.in_plane), []).append(support)
    return list(groups.values())


def _rivet_step(alike: list[Support], t: float) -> str:
    first = alike[0]
    count = sum(len(support.fasteners()) for support in alike)
    rows = Counter(rivets.row_text(support) for support in alike)
    told = "; ".join(f"{n} rows of {row}" if n > 1 else row for row, n in rows.items())
    return (
        f"Rivets {first.diameter:g} mm, {count} x: drill {rivets.rivet_hole(first.diameter):g} mm through both parts, "
        f"row ends first, a pin in every {rivets.PIN_EVERY}th hole. Spacing: {told}. {_grip_text(first, t, 'rivet')}"
    )


def _bolt_step(alike: list[Support], panel: Panel, t: float) -> str:
    first = alike[0]
    count = sum(len(support.fasteners()) for support in alike)
    hole, fit, below = rivets.bolt_holes(first)
    edge = spacing(panel.tools, "rivet_edge", t, first.diameter)
    nut = rivets.BLIND_NUT_HOLES.get(first.diameter)
    blind = ""
    if nut:
        blind = (
            f" For a blind nut M{first.diameter:g} there: {nut:g} mm (usual, the packet decides), "
            f"{rivets.BLIND_NUT_EDGE * nut:g} mm or more from its edge, grip that of this part alone; set one in scrap "
            "first."
        )
    return (
        f"{rivets.bolt_name(first.diameter)}, {count} x: drill {hole:g} mm ({fit}) in the panel, {edge:g} mm or more "
        f"from its edge, and {below:g} mm in the part below.{blind} {_grip_text(first, t, 'bolt')}"
    )


def _grip_text(support: Support, t: float, noun: str) -> str:
    """What the fastener has to hold together."""
    if support.onto is None:
        return f"Grip of the {noun}: {t:g} mm and the part below (measure it)."
    return f"Grip of the {noun}: {t:g} + {support.onto:g} = {t + support.onto:g} mm."


def hands_needed(panel: Panel, layout: Layout, rough_outline: Polygon) -> str:
    """Who and what must hold on: one line for the card, or "".  Common practice, no source."""
    x0, y0, x1, y1 = rough_outline.bounds
    longest, mass = max(x1 - x0, y1 - y0), panel.material.rho * layout.gauge * rough_outline.area
    lines = ["Bolt the roller down."] if layout.beads else []
    if longest > ONE_PERSON_LENGTH:
        lines.append(f"Two pairs of hands: the sheet is {longest / 1000:.1f} m long.")
    elif mass > ONE_PERSON_MASS:
        lines.append(f"Two pairs of hands: the sheet weighs {mass:.0f} kg.")
    return " ".join(lines)

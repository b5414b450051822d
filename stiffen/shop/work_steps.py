"""The steps of work from the flat sheet to the fitted panel, as sentences.  mm."""

from __future__ import annotations

from collections import Counter

from shapely.geometry import LineString

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel, Support
from stiffen.model.tools import HoleDie, Tools

from . import bends, flared_holes
from .rollability import reorientations, rolling_order
from .roller_settings import pass_depths
from .rolling_bow import RollingBow, rolling_bow
from .rough_blank import trim_allowance

MIN_REPORTED_BOW = 1.0  # mm; a smaller bow is not mentioned


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
    pilots = [
        f"Cut {n} x pilot hole {die.pilot:g} mm for die {die.name}{_cutters(panel.tools, die)}."
        for die, n in counts.items()
    ]
    if pilots:
        pilots[-1] += " Smooth the rims."
    flares = ", ".join(f"{n} x with die {die.name}" for die, n in counts.items())
    return pilots, [f"Flare {flares}."] if flares else []


def _cutters(tools: Tools, die: HoleDie) -> str:
    """The two cutters nearest to the size of the pilot hole and not above it."""
    nearest = [
        f"{cut.kind} {cut.diameter:g} mm (the lip stretches {100 * cut.flare.lip_strain:.0f} %)"
        for cut in flared_holes.pilot_cuts(die, tools.cutters)[:2]
    ]
    return f", or the nearest smaller size: {' or '.join(nearest)}" if nearest else ""


def _rolling_steps(
    panel: Panel, layout: Layout, order: tuple[int, ...], reorientation_count: int, bow: RollingBow
) -> list[str]:
    sides = {bead.side for bead in layout.beads}
    steps = []
    for die in dict.fromkeys(layout.beads[position].die for position in order):
        numbers = [position + 1 for position in order if layout.beads[position].die == die]
        passes = len(pass_depths(die, panel.material))
        names = [f"{number} {layout.beads[number - 1].side}" if len(sides) > 1 else f"{number}" for number in numbers]
        faces = "each proud on the face named" if len(sides) > 1 else f"proud on the {next(iter(sides))} face"
        steps += [
            f"Die {die.name}: roll a trial strip of the same sheet in {passes} passes; measure the depth after each.",
            f"Die {die.name}: roll bead {', '.join(names)} in this order, {faces}, each in {passes} passes, the "
            f"first only to set the track; {_depth_along(layout, numbers)}. Check for bow after each and flatten by "
            "hand.",
        ]
    expected = _bow_to_expect(panel, bow)
    if reorientation_count:
        steps.append(f"Between beads the sheet is taken out and turned {reorientation_count} x. {expected}".rstrip())
    elif expected:
        steps.append(expected)
    return steps


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


def _bow_to_expect(panel: Panel, bow: RollingBow) -> str:
    """The bow to expect; empty if it is too small to mention."""
    expected = [
        f"{height:.0f} mm along {axis} (radius {radius / 1000:.1f} m)"
        for axis, height, radius in (("x", bow.bow_x, bow.radius_x), ("y", bow.bow_y, bow.radius_y))
        if height >= MIN_REPORTED_BOW
    ]
    if not expected:
        return ""
    cure = " Beads alternately on both faces would bow it less." if panel.bead_side == "either" else ""
    return f"Bow to expect at most, if rolling leaves each bead at yield along its length: {', '.join(expected)}.{cure}"


def _finishing_steps(panel: Panel, layout: Layout) -> list[str]:
    """Trimming, cut-outs, folds, mating holes, deburring."""
    steps = []
    cut = f"Cut {len(panel.cutouts)} x cut-out." if panel.cutouts else ""
    if layout.beads:
        steps.append(f"Mark the outline again, measured from the bead axes, and trim to it. {cut}".rstrip())
    elif cut:
        steps.append(cut)
    folds: dict[str, list[int]] = {}  # folds of the same angle, radius and flange share one step
    for fold, flange in zip(panel.folds, bends.flanges(panel, layout.gauge), strict=True):
        how = (
            f"{abs(fold.angle):g} degrees {'up' if fold.angle > 0 else 'down'}, inside radius {fold.radius:g} mm, the "
            f"line in the middle of the {flange.allowance:.1f} mm that the bend takes; the flange comes out "
            f"{flange.outside:.1f} mm high outside."
        )
        folds.setdefault(how, []).append(flange.number)
    steps += [f"Fold {', '.join(map(str, numbers))}: {how}" for how, numbers in folds.items()]
    counts = Counter(_row_description(support) for support in panel.supports if support.fasteners())
    rows = [f"{n} rows of {row}" if n > 1 else row for row, n in counts.items()]
    if rows:
        fasteners = sum(len(support.fasteners()) for support in panel.supports)
        steps.append(f"Offer the panel up and drill {fasteners} x mating hole through both parts: {'; '.join(rows)}.")
    steps.append(f"Deburr all edges and holes.{' Fit the edge trim.' if panel.trims else ''} Fit the panel.")
    return steps


def _row_description(support: Support) -> str:
    """Number, diameter and pitch of the fasteners of a support."""
    count = len(support.fasteners())
    if support.kind == "bolts":
        return f"{count} x {support.diameter:g} mm bolt"
    line = LineString(support.path)
    gaps = count if line.is_ring else count - 1
    pitch = f" every {line.length / gaps:.1f} mm" if gaps else ""
    return f"{count} x {support.diameter:g} mm rivet{pitch}"
